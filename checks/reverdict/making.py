"""Making references: what a new one asks follows from what can be measured on it, its tolerances from evidence."""

from __future__ import annotations

import contextlib
import getpass
import glob
import subprocess
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict import golden_set
from reverdict.builds import open_build
from reverdict.errors import BadInput, BadInputs, noted
from reverdict.golden_set import writing
from reverdict.golden_set.terms import least_limit, written
from reverdict.golden_set.text import proposed_tolerances
from reverdict.schema import TOLERANCES_FILE
from reverdict.sound import SOUND_SUFFIXES
from reverdict.words import CHECKS, Outcome, Response

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from reverdict.measure.manners import Observed
    from reverdict.measure.measurement import Measurement
    from reverdict.proposing import Proposal
    from reverdict.render import Build, Request
    from reverdict.words import Finding

FROM_GOLDEN_PERCENT = {"kernel_ratio": ("dearer_percent", 30), "instructions_per_sample": ("instructions_percent", 1)}
"""How far a build may depart from what a reference keeps of the golden's cost: multiples of the kernel carry over to
another machine only roughly, counts within a class of machines do."""

CLEAR_OF_NEIGHBOURS_S = 0.005
SHORTEST_S = 0.01
BLOCK_SIZE = 512
LEVEL_DBFS = -6.0
LOWEST_RATE_HZ = 1000
BUILDS_CONDUCT = {"stray_db": 8.0, "headroom_db": 3.0}
"""What a build is held to against its golden: 8 dB of stray sound is more than what rounding, or a spring moved within
its tolerance, does to 10 ms of sound; 3 dB of peak more than where other echoes of the same spring come together."""

TWO_CHANNELS = {"balance_db": 0.5, "mono_db": 0.5}
"""And where two channels come out: half of what is heard of a level."""

TAIL_LAG_MS = 0.1
"""As far as an onset may move by the proposed tolerances."""

ROUNDING_PERCENT = 0.1
ENOUGH_REPEATS = 4
MOST_REPEATS = 100


ROOM_FOR_CAPTURES = (
    "tolerances are half of what is heard, for want of evidence: record the same thing a few times again and make the "
    "reference with --repeats, to learn how far takes differ"
)


@dataclass(frozen=True)
class Wishes:
    """What the user asks of a new reference: ``click_at`` of a recording, what comes after it of a build.

    None is not asked: then a recording's click is looked for, and a build renders 3 s of mono at 48 kHz. Of several
    rates, block sizes ("whole" is all at once), levels and presets the first is what the golden is rendered with; the
    others are further cells that builds are to be judged in. ``repeats`` are the files of other takes of a recording,
    or how many times to render a build again.
    """

    title: str = ""
    why: str = "first reference"
    parameters: dict[str, Any] = field(default_factory=dict)
    click_at: float | str | None = None
    seconds: float | None = None
    rates_hz: Sequence[int] | None = None
    block_sizes: Sequence[int | str] | None = None
    levels_dbfs: Sequence[float] | None = None
    presets: Sequence[str] | None = None
    channels: str | None = None
    repeats: tuple[str, ...] = ()


OPTIONS = {
    "click_at": "--click-at", "seconds": "--seconds", "rates_hz": "--rate", "block_sizes": "--block",
    "levels_dbfs": "--level", "presets": "--preset", "channels": "--channels",
}  # fmt: skip
"""How the wishes are called that go with one kind of source only."""


def _refuse(wishes: Wishes, names: Iterable[str], why: str) -> None:
    """An option that does not apply is never silently dropped."""
    mistakes = [BadInput(OPTIONS[name], why) for name in names if getattr(wishes, name) is not None]
    if mistakes:
        raise BadInputs(mistakes)


def parameters_from(texts: list[str]) -> dict[str, Any]:
    """NAME=VALUE pairs; a value that reads as TOML number or boolean is one, anything else is text."""
    from reverdict.schema.toml import toml_value

    parameters = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise BadInput(f"--parameter {text}", "is not NAME=VALUE")
        parameters[name.strip()] = toml_value(value.strip())
    return parameters


def new_reference(
    name: str, source: Path, golden_folder: Path, wishes: Wishes, progress: Callable[[str], None] = lambda _: None
) -> tuple[Path, list[str]]:
    """Make a reference from a sound file (a capture) or a build.

    Returns
    -------
    path of the reference.toml, and lines that say what is asked of builds, by which tolerances, and what is not.
    """
    from reverdict import proposing
    from reverdict.measure.figures import figures_of
    from reverdict.measure.measurement import measure

    if golden_folder.exists() and not golden_folder.is_dir():
        raise BadInput(golden_folder, "is a file; references live in a folder")
    if problem := writing.name_problem(name, golden_folder):
        raise BadInput(golden_folder, problem)
    if not wishes.why.strip():
        raise BadInput("--why", "empty; say in a few words why this is how it must sound")
    if source.is_file() and source.suffix.lower() in SOUND_SUFFIXES:
        response, told, label = _capture(source, wishes)
        cost: dict[str, Any] = {"not_asked": "made from a recording, and a recording has no cost"}
        observed: list[Observed] = []
        repeats = _other_takes(source, response, wishes)
    else:
        build = open_build(source)
        if build.kind == "recordings":
            raise BadInput(source, "a folder of recordings; name the one file this reference is to be made from")
        response, told, label, cost, repeats, observed = _rendered(build, name, wishes, golden_folder, progress)
    progress(f"measuring {source.name}")
    measured = measure(_from_click(response))  # as it will be measured whenever a build is judged
    checks = asked_of(measured, cost)
    proposals, said_of_repeats = _proposals(
        told["origin"], response, measured, repeats, checks, golden_folder, progress
    )
    if told["origin"] == "build":
        checks["conduct"] = {**BUILDS_CONDUCT, **(TWO_CHANNELS if len(response.paths) > 1 else {})}
    usual = {**_shared(golden_folder).get("conduct", {}), **checks["conduct"]}
    of_manners, declared = proposing.manners(observed, usual)
    proposals += of_manners
    if declared:
        checks["conduct"]["declared"] = declared
    for one in proposals:
        checks[one.table][one.key] = one.value
    if told["origin"] == "build" and not checks["echo_timing"].get("springs"):
        checks["echo_timing"] |= _tail(_from_click(response), [_from_click(take.response) for take in repeats])
    tables = {
        "title": wishes.title.strip() or f"{name}, from {source.name}",
        "approval": {"who": who(), "build": label, "why": wishes.why},
        **told,
        **checks,
    }
    own = _own_checks(_from_click(response), golden_folder)
    tables |= own
    evidence = {f"{one.table}.{one.key}": one.because for one in proposals}
    with writing_into(golden_folder):
        path = writing.new(name, response, tables, golden_folder, evidence=evidence, measured=figures_of(measured))
    of_itself = []
    if told["origin"] == "build":
        progress("judging it by its own reference")
        of_itself = list(_said_of_itself(name, build, golden_folder))
    asked = {table.replace("_", "-"): keys for table, keys in {**checks, **own}.items()}
    every = dict.fromkeys([*CHECKS, *asked])
    said = [line for check in every for line in _said(check, asked[check], proposals)]
    warnings = [one.warning for one in proposals if one.warning]
    room = [ROOM_FOR_CAPTURES] if told["origin"] == "capture" and not repeats and proposals else []
    if differs := _differs_from_itself(observed):
        said_first = f"it does not repeat itself: a second render differs by {proposing.figure(differs)} %"
        warnings.insert(0, f"{said_first}; fix its random seed, if it has one, to be held more tightly")
    return path, [*_lead_of(response.click_at_s, source), *said, *said_of_repeats, *warnings, *of_itself, *room]


def _said_of_itself(name: str, build: Build, golden_folder: Path) -> Iterator[str]:
    """Where the build that a reference was made from does not pass by it: in other cells, or by chance."""
    from reverdict.render import working_folder
    from reverdict.trial import SOUND_JUDGES, trials_of

    (golden,) = golden_set.load(golden_folder, glob.escape(name))
    with working_folder() as work:
        for trial in trials_of(golden, build, work):
            place = f" at {trial.cell.name}" if trial.cell.axes else ""
            for check in (*SOUND_JUDGES, *golden.reference.own):
                verdict = trial.judge(check)
                if verdict.closes_gate:
                    yield f"the build itself does not pass{place}: {check}: {verdict.reason}"


def _own_checks(golden: Response, golden_folder: Path) -> dict[str, dict[str, Any]]:
    """Tables of the checks that packages brought and this folder asks of every reference.

    They are empty, as what is shared holds, or say why the check is not asked of this golden, which cannot answer it.
    """
    from reverdict import judging, own_checks
    from reverdict.schema.tolerances import shared_own_checks

    shared = golden_folder / TOLERANCES_FILE
    tables: dict[str, dict[str, Any]] = {}
    for own in shared_own_checks(shared) if shared.exists() else ():
        try:
            findings = own_checks.findings_of(own.check, golden, golden, own.tolerances)
        except own_checks.Broken as error:
            raise BadInput(f"{shared}: {own.check.table}", str(error)) from error
        verdict = judging.close(own.check.name, findings)
        why = f"it cannot be told of the golden itself: {verdict.reason}"
        tables[own.check.table] = {} if verdict.outcome is Outcome.PASS else {"not_asked": why}
    return tables


def _tail(golden: Response, repeats: Sequence[Response]) -> dict[str, float]:
    """That the tail must keep in step, where a lag can be told along it and those of all repeats do."""
    from reverdict.measure.measurement import lags_beside

    for other in (golden, *repeats):
        for lags in lags_beside(golden, other):
            curve = lags.whole
            if curve.fit is None or curve.agrees_until_s is not None or abs(curve.lag_s * 1e3).max() > TAIL_LAG_MS:
                return {}
    return {"tail_lag_ms": TAIL_LAG_MS}


@dataclass(frozen=True)
class Take:
    """Another take of the response a reference is made from, and what to call it."""

    label: str
    response: Response


def _proposals(
    origin: str,
    response: Response,
    measured: Measurement,
    repeats: Sequence[Take],
    checks: dict[str, dict[str, Any]],
    golden_folder: Path,
    progress: Callable[[str], None],
) -> tuple[list[Proposal], list[str]]:
    """Tolerances from what repeats, noise and hearing tell, and what to say of the repeats.

    Passes that a repeat does not have are no longer asked.
    """
    from reverdict import proposing
    from reverdict.measure.fresh_noise import with_fresh_noise
    from reverdict.measure.measurement import measure

    golden = _from_click(response)
    itself = _beside(golden, measured, golden, checks)
    _ask_only_what_it_answers(itself, checks)
    progress("looking how far noise moves it")
    # A build has the same noise the next time, unless its repeats say otherwise.
    copies = with_fresh_noise(golden, measured) if origin == "capture" else []
    noisy = [_beside(golden, measured, one, checks) for one in copies]
    shortest = min(one.samples.shape[1] for one in (golden, *(_from_click(take.response) for take in repeats)))
    if shortest < golden.samples.shape[1]:
        golden, *copies = (replace(one, samples=one.samples[:, :shortest]) for one in (golden, *copies))
        measured = measure(golden)
    found = []
    for number, take in enumerate(repeats, start=1):
        progress(f"repeat {number} of {len(repeats)}: {take.label}")
        found.append(_beside(golden, measured, _from_click(take.response), checks))
    if origin == "build":
        found = [_only_what_renders_agree_on(findings, checks) for findings in found]
    said = [*_said_of_noise(noisy), *_said_of_repeats(repeats, found, golden)]
    asked = [table for table, keys in checks.items() if "not_asked" not in keys]
    timing = checks["echo_timing"]
    if timing["springs"]:
        clear = proposing.clear_passes(timing["passes"], found)
        if clear < timing["passes"]:
            said.append(f"only {clear} of {timing['passes']} passes are told in every repeat, so no more are asked")
        timing["passes"] = clear
    shared = _shared(golden_folder)
    proposals = proposing.propose(origin, itself, noisy, found, shared, asked)
    if "energy_decay" in asked:
        mine = {one.key: one.value for one in proposals if one.table == "energy_decay"}
        values = {**shared.get("energy_decay", {}), **mine}
        if "curve_db" not in values:
            others = [golden, *copies, *(_from_click(take.response) for take in repeats)]
            judged = _decays(golden, measured, others, values)
            proposals += proposing.curve_proposal(judged, least_limit(values["level_db"]), len(repeats))
    return proposals, said


def _shared(golden_folder: Path) -> dict[str, Any]:
    """Tables of the folder's tolerances.toml, or of what will be written there."""
    from reverdict.schema.toml import read_toml

    path = golden_folder / TOLERANCES_FILE
    return read_toml(path) if path.exists() else proposed_tolerances()


def _decays(
    golden: Response, measured: Measurement, others: Sequence[Response], values: Mapping[str, Any]
) -> list[Finding]:
    """Energy decay of all these beside the golden, judged by tolerances as they would be written."""
    from reverdict.check import energy_decay
    from reverdict.measure.measurement import measure_beside
    from reverdict.reference import EnergyDecay
    from reverdict.schema.tolerances import tolerances_of

    settings = EnergyDecay(**tolerances_of("energy_decay", values))
    return [
        finding
        for other in others
        for finding in energy_decay.judge(measured, measure_beside(golden, measured, other), settings)
    ]


def _ask_only_what_it_answers(itself: Sequence[Finding], checks: dict[str, dict[str, Any]]) -> None:
    """Ask no check that the golden itself would leave unsure, as a path without any sound does."""
    from reverdict import judging, proposing

    for finding in proposing.missing(itself):
        table = checks[proposing.KEYS[finding.quantity][0]]
        if "not_asked" not in table:
            table["not_asked"] = f"it cannot be told of the golden itself: {judging.sentence(finding)}"


def _beside(
    golden: Response, measured: Measurement, other: Response, checks: Mapping[str, dict[str, Any]]
) -> list[Finding]:
    """All that is told of one response beside another, by the checks that are asked."""
    from reverdict.check import echo_timing, energy_decay, group_delay
    from reverdict.measure.measurement import measure_beside
    from reverdict.reference import EchoTiming, EnergyDecay, GroupDelay

    comparison = measure_beside(golden, measured, other)
    findings = []
    if "not_asked" not in checks["echo_timing"]:
        findings += echo_timing.judge(measured, comparison, EchoTiming(**checks["echo_timing"]))
    if "not_asked" not in checks["group_delay"]:
        findings += group_delay.judge(measured, comparison, GroupDelay())
    if "not_asked" not in checks["energy_decay"]:
        findings += energy_decay.judge(measured, comparison, EnergyDecay())
    return findings


def _said_of_noise(noisy: Sequence[Sequence[Finding]]) -> Iterator[str]:
    """What the golden just tells, and other noise would hide."""
    from reverdict import judging, proposing

    lost = {judging.sentence(one): None for findings in noisy for one in proposing.missing(findings)}
    if lost:
        more = f", and {len(lost) - 1} more" if len(lost) > 1 else ""
        yield f"other noise of this level leaves a take unsure: {next(iter(lost))}{more}; record with less noise"


def _said_of_repeats(repeats: Sequence[Take], found: Sequence[Sequence[Finding]], golden: Response) -> Iterator[str]:
    """What is the matter with single repeats, and whether they differ at all."""
    from reverdict import judging, proposing

    for take, findings in zip(repeats, found, strict=True):
        if strange := proposing.strangest(findings):
            said = judging.sentence(strange).partition(", limit")[0]
            raise BadInput(take.label, f"{said}; a repeat is the same thing once more")
        if _turned_over(findings):
            raise BadInput(take.label, "is turned over against the first; a repeat is the same thing once more")
        if without := proposing.missing(findings):
            more = f", and {len(without) - 1} more" if len(without) > 1 else ""
            yield f"{take.label}: {judging.sentence(without[0])}{more}; is it the same thing?"
    if repeats:
        count = f"{len(repeats)} repeats" if len(repeats) > 1 else "1 repeat"
        alike = all(_alike(_from_click(take.response), golden) for take in repeats)
        if alike:
            yield f"{count}: the same to the last bit"
        elif len(repeats) < ENOUGH_REPEATS:
            tell = "tell" if len(repeats) > 1 else "tells"
            more = f"{ENOUGH_REPEATS} or more tell it better"
            yield f"{count} {tell} little of the spread, so much is allowed for; {more}"


def _only_what_renders_agree_on(findings: Sequence[Finding], checks: dict[str, dict[str, Any]]) -> list[Finding]:
    """Findings of a further render, without those of checks that it cannot be held to; these are no longer asked."""
    from reverdict import judging, proposing

    left = list(findings)
    while strange := (proposing.strangest(left) or next(iter(proposing.lost(left)), None) or _turned_over(left)):
        table = proposing.KEYS.get(strange.quantity, ("echo_timing",))[0]
        said = judging.sentence(strange).partition(", limit")[0]
        checks[table] = {**checks[table], "not_asked": f"its renders do not agree on it: {said}"}
        left = [one for one in left if proposing.KEYS.get(one.quantity, ("echo_timing",))[0] != table]
    return left


def _turned_over(findings: Sequence[Finding]) -> Finding | None:
    return next((one for one in findings if one.quantity == "polarity" and one.outcome is Outcome.FAIL), None)


def _alike(one: Response, other: Response) -> bool:
    shortest = min(one.samples.shape[1], other.samples.shape[1])
    return bool((one.samples[:, :shortest] == other.samples[:, :shortest]).all())


def _from_click(response: Response) -> Response:
    return replace(
        response, samples=response.samples[:, round(response.click_at_s * response.rate_hz) :], click_at_s=0.0
    )


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
            if _alike(response, first):
                raise BadInput(path, f"is {source.name} itself; a repeat is the same thing recorded again")
            takes.append(Take(path.name, response))
    if mistakes:
        raise BadInputs(mistakes)
    return takes


def _lead_of(click_at_s: float, source: Path) -> list[str]:
    """What to know of a recording that runs before its click, since a bare recording is taken to start with it."""
    if not click_at_s:
        return []
    advice = f'judge recordings like it by a build TOML with kind = "recordings" and click_at_s = {click_at_s:g}'
    return [f"the click is {click_at_s:g} s into {source.name}; {advice}"]


def _said(check: str, table: dict[str, Any], proposals: Sequence[Proposal]) -> Iterator[str]:
    """What is asked by one check, and the tolerances proposed for it with where they come from."""
    if "not_asked" in table:
        yield f"{check} is not asked: {table['not_asked']}"
        return
    proposed = [one for one in proposals if one.table == check.replace("-", "_")]
    facts = ", ".join(
        f"{key} = {written(value)}" for key, value in table.items() if key not in {one.key for one in proposed}
    )
    yield f"{check} is asked{': ' + facts if facts else ''}"
    yield from (f"  {one.key} = {written(one.value)}: {one.because}" for one in proposed)


def _capture(source: Path, wishes: Wishes) -> tuple[Response, dict[str, Any], str]:
    _refuse(wishes, OPTIONS.keys() - {"click_at"}, f"is for a build; {source.name} is a recording, taken as it stands")
    response, seconds = _take(source, wishes)
    told = {
        "origin": "capture",
        "render": {
            "seconds": round(seconds, 6),
            "sample_rates_hz": [response.rate_hz],
            "block_sizes": [BLOCK_SIZE],
            "parameters": {**wishes.parameters},
        },
    }
    return response, told, f"recording {source.name}"


def _take(source: Path, wishes: Wishes) -> tuple[Response, float]:
    """A recording, and how long it is after its click."""
    from reverdict.measure.click import find_click
    from reverdict.sound import read_sound
    from reverdict.words import PATHS

    samples, rate_hz = read_sound(source)
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


def _rendered(
    build: Build, name: str, wishes: Wishes, golden_folder: Path, progress: Callable[[str], None]
) -> tuple[Response, dict[str, Any], str, dict[str, Any], list[Take], list[Observed]]:
    from reverdict.render import Request, parameters_missing, render, working_folder

    _refuse(wishes, ["click_at"], f"is for a recording; {build.place} is rendered, and we place the click")
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
        if not wishes.repeats and _differs_from_itself(observed):
            count = ENOUGH_REPEATS
        again = list(_rendered_again(build, request, work, count, progress))
        cost = _cost_table(build, request, work)
    told = {
        "origin": "capture" if build.kind == "interface" else "build",
        "render": {
            "seconds": request.seconds,
            "preroll_s": request.preroll_s,
            **({"levels_dbfs": [*levels_dbfs]} if len(levels_dbfs) > 1 else {"level_dbfs": levels_dbfs[0]}),
            "sample_rates_hz": [*rates_hz],
            "block_sizes": [*block_sizes],
            **({"presets": [*presets]} if presets else {}),
            "parameters": {**wishes.parameters},
        },
    }
    return rendering.response, told, label_of(build), cost, again, observed


def _differs_from_itself(observed: Iterable[Observed]) -> float:
    """By how many percent a second render differs, where that is more than rounding; else 0."""
    differs = max((one.amount or 0.0 for one in observed if one.question == "repeats_percent"), default=0.0)
    return differs if differs > ROUNDING_PERCENT else 0.0


def _observed(build: Build, request: Request, response: Response, golden_folder: Path, work: Path) -> list[Observed]:
    """What the build is put through for its manners; BadInput where it does not survive that."""
    from reverdict import conducting
    from reverdict.measure.measurement import measure
    from reverdict.reference import Conduct
    from reverdict.schema.tolerances import tolerances_of
    from reverdict.trial import longest_decay_s

    if "conduct" in build.not_asked:
        return []
    asked = Conduct(**tolerances_of("conduct", {**_shared(golden_folder).get("conduct", {}), **BUILDS_CONDUCT}))
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


def asked_of(measured: Measurement, cost: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The check tables of a new reference: only what can be measured on it is asked, the rest says why not."""
    springs = [path.springs for path in measured.paths]
    counts = {len(found.springs) for found in springs}
    laws = {spring.pass_law for found in springs for spring in found.springs}
    tables: dict[str, dict[str, Any]] = {"cost": cost, "conduct": {}}
    if len(counts) == 1 and counts != {0} and len(laws) == 1:
        tables["echo_timing"] = {
            "springs": counts.pop(),
            "pass_law": laws.pop(),
            "passes": min(clear_passes(measured), 3),
            "arrival_hz": springs[0].arrival_hz,
        }
        tables["group_delay"] = {}
    else:
        why = springs[0].why_none if len(springs) == 1 else _unlike(measured)
        tables["echo_timing"] = {"springs": 0, "pass_law": "none", "passes": 0}
        tables["group_delay"] = {"not_asked": f"no separate passes: {why}"}
    decays = [band for path in measured.paths for band in path.decay.bands]
    if all(time.seconds is None for band in decays for time in band.times.values()):
        why = next((time.why_not for band in decays for time in band.times.values()), "no octave band fits")
        tables["energy_decay"] = {"not_asked": f"no decay time can be measured: {why}"}
    else:
        tables["energy_decay"] = {}
    return tables


def _unlike(measured: Measurement) -> str:
    """What each of several paths has for springs, or why it has none."""
    told: dict[str, list[str]] = {}
    for path in measured.paths:
        laws = ", ".join(sorted({spring.pass_law for spring in path.springs.springs}))
        count = len(path.springs.springs)
        springs = f"{count} {'springs' if count > 1 else 'spring'} by {laws}" if count else path.springs.why_none
        told.setdefault(springs, []).append(path.path)
    if len(told) == 1:
        return next(iter(told))
    return "its paths are unlike: " + "; ".join(f"{', '.join(paths)}: {springs}" for springs, paths in told.items())


def clear_passes(measured: Measurement) -> int:
    """How many passes of every spring stand clear of all others, at the frequency where arrivals are read."""
    clear = []
    for path in measured.paths:
        times = [one.time_s for spring in path.springs.springs for one in spring.passes]
        for spring in path.springs.springs:
            count = 0
            for one in spring.passes:
                near = sum(abs(one.time_s - other) < CLEAR_OF_NEIGHBOURS_S for other in times) - 1
                if near:
                    break
                count += 1
            clear.append(count)
    return max(min(clear, default=0), 1)


@contextlib.contextmanager
def writing_into(golden_folder: Path) -> Iterator[None]:
    """Say of a golden folder that the system refuses to write there."""
    try:
        yield
    except OSError as error:
        raise BadInput(golden_folder, f"cannot be written to ({error.strerror or error})") from error


def label_of(build: Build) -> str:
    """How an approval names a build: "workshop 1.1 (3f9a0c1)"."""
    commit, space, changes = (build.identity.commit or "").partition(" ")
    commit = f" ({commit[:10]}{space}{changes})" if commit else ""
    return f"{build.identity.name} {build.identity.version}".strip() + commit


def who() -> str:
    """Who is at the keyboard: git's user name, else the login."""
    try:
        said = subprocess.run(["git", "config", "user.name"], capture_output=True, text=True, timeout=5, check=False)
        if said.stdout.strip():
            return said.stdout.strip()
    except (OSError, subprocess.TimeoutExpired):
        pass
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"
