"""What a reference is made from, a recording or a build: its response, repeats of it, manners and cost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.errors import BadInput, BadInputs, noted
from reverdict.golden_set.writing import shared_tables
from reverdict.making.asking import BUILDS_CONDUCT
from reverdict.making.signing import label_of
from reverdict.making.wishes import OPTIONS, Wishes, refuse
from reverdict.sound import SOUND_SUFFIXES
from reverdict.words import Response

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from reverdict.measure.manners import Observed
    from reverdict.render import Build, Request


FROM_GOLDEN_PERCENT = {"kernel_ratio": ("dearer_percent", 30), "instructions_per_sample": ("instructions_percent", 1)}
"""How far a build may depart from what a reference keeps of the golden's cost: multiples of the kernel carry over to
another machine only roughly, counts within a class of machines do."""

SHORTEST_S = 0.01
BLOCK_SIZE = 512
LEVEL_DBFS = -6.0
LOWEST_RATE_HZ = 1000
ROUNDING_PERCENT = 0.1
ENOUGH_REPEATS = 4
MOST_REPEATS = 100


@dataclass(frozen=True)
class Take:
    """Another take of the response a reference is made from, and what to call it."""

    label: str
    response: Response


@dataclass(frozen=True)
class Material:
    """What a reference is made of.

    label : how its approval names where it comes from.
    origin, render : as in reference.toml.
    cost : table of its cost check.
    observed : what its build was seen to do; nothing of a recording.
    """

    label: str
    response: Response
    origin: str
    render: dict[str, Any]
    cost: dict[str, Any]
    repeats: list[Take]
    observed: list[Observed]


# A recording.


def from_recording(source: Path, wishes: Wishes) -> Material:
    """A recording as it stands, other takes of it as its repeats."""
    refuse(wishes, OPTIONS.keys() - {"click_at"}, f"is for a build; {source.name} is a recording, taken as it stands")
    response, seconds = _take(source, wishes)
    asked = {
        "seconds": round(seconds, 6),
        "sample_rates_hz": [response.rate_hz],
        "block_sizes": [BLOCK_SIZE],
        "parameters": {**wishes.parameters},
    }
    cost = {"not_asked": "made from a recording, and a recording has no cost"}
    repeats = _other_takes(source, response, wishes)
    return Material(f"recording {source.name}", response, "capture", asked, cost, repeats, [])


def _take(source: Path, wishes: Wishes) -> tuple[Response, float]:
    """A recording, and how long it is after its click."""
    from reverdict.measure.click import find_click
    from reverdict.sound import cut_short, read_sound
    from reverdict.words import PATHS

    samples, rate_hz = read_sound(source)
    if short := cut_short(source):
        raise BadInput(source, f"{short[0]}; a reference is made from what is whole")
    if len(samples) > 2:
        raise BadInput(source, f"{len(samples)} channels; a reference is mono or stereo")
    click_at_s = find_click(samples, rate_hz) if wishes.click_at in (None, "auto") else float(wishes.click_at)
    paths = PATHS["mono" if len(samples) == 1 else "mono-to-stereo"]
    end_s = samples.shape[1] / rate_hz
    seconds = end_s - click_at_s
    if seconds < SHORTEST_S:
        raise BadInput(source, f"ends at {end_s:.3f} s, too soon for a reference whose click is at {click_at_s:g} s")
    if rate_hz < LOWEST_RATE_HZ:
        raise BadInput(source, f"has {rate_hz} Hz; a reference needs {LOWEST_RATE_HZ} or more")
    sounds = [bool(row[round(click_at_s * rate_hz) :].any()) for row in samples]
    if not any(sounds):
        raise BadInput(source, "holds only silence after the click")
    if not all(sounds):
        silent = "left" if sounds[1] else "right"
        raise BadInput(
            source, f"its {silent} channel holds only silence after the click; make it mono if it is meant so"
        )
    return Response(samples, rate_hz, click_at_s, paths), seconds


def _other_takes(source: Path, first: Response, wishes: Wishes) -> list[Take]:
    """The repeats of a recording, each with its own click; BadInputs for those that cannot be."""
    takes: list[Take] = []
    mistakes: list[BadInput] = []
    for text in wishes.repeats:
        with noted(mistakes):
            path = Path(text)
            if path.suffix.lower() not in SOUND_SUFFIXES:
                raise BadInput(path, "is no WAV or FLAC file; the repeats of a recording are recordings")
            response, _ = _take(path, wishes)
            if response.rate_hz != first.rate_hz or response.paths != first.paths:
                own = f"{len(first.paths)} channels at {first.rate_hz} Hz"
                other = f"{len(response.paths)} channels at {response.rate_hz} Hz"
                raise BadInput(path, f"has {other}, {source.name} {own}; a repeat is the same thing recorded again")
            if same_samples(response, first):
                raise BadInput(path, f"is {source.name} itself; a repeat is the same thing recorded again")
            takes.append(Take(path.name, response))
    if mistakes:
        raise BadInputs(mistakes)
    return takes


# A build.


def from_build(
    build: Build, name: str, wishes: Wishes, golden_folder: Path, progress: Callable[[str], None]
) -> Material:
    """What a build answers, further renders as its repeats: of one that differs from itself even if none is wished."""
    from reverdict.render import Request, parameters_missing, render, working_folder

    refuse(wishes, ["click_at"], f"is for a recording; {build.place} is rendered, and we place the click")
    count = _count_of(wishes.repeats)
    for key, value in wishes.parameters.items():
        own_value = build.parameters.get(build.parameter_names.get(key, key), value)
        if own_value != value:
            raise BadInput(
                f"--parameter {key}={value}", f"{build.place} overrides it by {own_value}; leave one of them out"
            )
    rates_hz, block_sizes = wishes.rates_hz or (48000,), wishes.block_sizes or (BLOCK_SIZE,)
    levels_dbfs, presets = wishes.levels_dbfs or (LEVEL_DBFS,), wishes.presets or ()
    if lacking := [preset for preset in presets if preset not in build.presets]:
        known = ", ".join(build.presets) or "none"
        raise BadInput(f"--preset {lacking[0]}", f"{build.place} has no such preset; in [build.presets] are: {known}")
    own = build.presets[presets[0]] if presets else {}
    if missing := parameters_missing(build, {**wishes.parameters, **own}):
        add = " ".join(f"--parameter {name}=VALUE" for name in missing)
        raise BadInput(build.place, f"build.argv asks for parameters that nobody gives; add {add}")
    request = Request(
        name, wishes.channels or "mono", rates_hz[0], 1, wishes.seconds or 3.0, level_dbfs=levels_dbfs[0],
        parameters=wishes.parameters, preset=presets[0] if presets else "",
    )  # fmt: skip
    block_size = request.total_samples if block_sizes[0] == "whole" else int(block_sizes[0])
    request = replace(request, block_size=block_size)
    with working_folder() as work:
        rendering = render(build, request, work)
        if rendering.response is None:
            raise BadInput(build.place, f"no reference can be made of it: {rendering.reason}")
        progress("looking how it behaves")
        observed = _observed(build, request, rendering.response, golden_folder, work)
        if not wishes.repeats and differs_from_itself(observed):
            count = ENOUGH_REPEATS
        again = list(_rendered_again(build, request, work, count, progress))
        cost = _cost_table(build, request, work)
    asked = {
        "seconds": request.seconds,
        "preroll_s": request.preroll_s,
        **({"levels_dbfs": [*levels_dbfs]} if len(levels_dbfs) > 1 else {"level_dbfs": levels_dbfs[0]}),
        "sample_rates_hz": [*rates_hz],
        "block_sizes": [*block_sizes],
        **({"presets": [*presets]} if presets else {}),
        "parameters": {**wishes.parameters},
    }
    origin = "capture" if build.kind == "interface" else "build"
    return Material(label_of(build), rendering.response, origin, asked, cost, again, observed)


def _observed(build: Build, request: Request, response: Response, golden_folder: Path, work: Path) -> list[Observed]:
    """What the build is put through for its manners; BadInput where it does not survive that."""
    from reverdict import conducting
    from reverdict.measure.measurement import measure
    from reverdict.reference import Conduct
    from reverdict.schema.tolerances import tolerances_of
    from reverdict.trial import longest_decay_s

    if "conduct" in build.not_asked:
        return []
    asked = Conduct(**tolerances_of("conduct", {**shared_tables(golden_folder).get("conduct", {}), **BUILDS_CONDUCT}))
    decay_s = longest_decay_s(measure(response))
    observed = conducting.observe(conducting.Subject(build, request, response, response, decay_s), asked, work)
    for one in observed:
        if one.amount is None and not one.not_put:
            raise BadInput(build.place, f"no reference can be made of it: {one.where}: {one.why_not}")
    return observed


def _count_of(repeats: Sequence[str]) -> int:
    """How many times to render again."""
    if not repeats:
        return 0
    if len(repeats) > 1 or not repeats[0].isdecimal() or not 1 <= int(repeats[0]) <= MOST_REPEATS:
        said = " ".join(repeats)
        raise BadInput(f"--repeats {said}", f"a build is rendered again so many times: a number, 1 to {MOST_REPEATS}")
    return int(repeats[0])


def _rendered_again(
    build: Build, request: Request, work: Path, count: int, progress: Callable[[str], None]
) -> Iterator[Take]:
    from reverdict.render import render

    for number in range(1, count + 1):
        progress(f"rendering again, {number} of {count}")
        rendering = render(build, request, work)
        if rendering.response is None:
            raise BadInput(build.place, f"was rendered once, and not again: {rendering.reason}")
        yield Take(f"render {number + 1}", rendering.response)


def _cost_table(build: Build, request: Request, work_folder: Path) -> dict[str, Any]:
    """Cost table of a build: its price and how far it may depart, or why it has none."""
    from reverdict import costing

    if why := build.not_asked.get("cost"):
        return {"not_asked": why}
    price = costing.price(build, request, work_folder)
    if not price.keys:
        return {"not_asked": f"could not be timed: {price.why_not['kernel_ratio']}"}
    return price.keys | {limit: most for key, (limit, most) in FROM_GOLDEN_PERCENT.items() if key in price.keys}


def differs_from_itself(observed: Iterable[Observed]) -> float:
    """By how many percent a second render differs, where that is more than rounding; else 0."""
    differs = max((one.amount or 0.0 for one in observed if one.question == "repeats_percent"), default=0.0)
    return differs if differs > ROUNDING_PERCENT else 0.0


# Of both.


def from_click(response: Response) -> Response:
    """A response without what lies before its click."""
    return replace(
        response, samples=response.samples[:, round(response.click_at_s * response.rate_hz) :], click_at_s=0.0
    )


def same_samples(one: Response, other: Response) -> bool:
    """Whether two are the same to the last bit, as far as both go."""
    shortest = min(one.samples.shape[1], other.samples.shape[1])
    return bool((one.samples[:, :shortest] == other.samples[:, :shortest]).all())
