"""Making references: what a new one asks follows from what can be measured on it; an approval shows what it changes."""

from __future__ import annotations

import contextlib
import getpass
import math
import subprocess
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from reverdict import golden_set
from reverdict.builds import open_build
from reverdict.errors import BadInput, BadInputs
from reverdict.schema import TOLERANCES_FILE
from reverdict.sound import SOUND_SUFFIXES
from reverdict.words import CHECKS, Outcome, Response

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from reverdict.golden_set import GoldenReference
    from reverdict.measure.measurement import Measurement
    from reverdict.reference import Reference
    from reverdict.render import Build, Request
    from reverdict.trial import Trial
    from reverdict.words import Finding

KERNEL_DEARER_PERCENT = 30
KERNEL_PAIRS = 12
CLEAR_OF_NEIGHBOURS_S = 0.005
SHORTEST_S = 0.01
BLOCK_SIZE = 512
LOWEST_RATE_HZ = 1000
SHOWN_CHANGES = 6
ROUNDING = 1e-6
"""A deviation below this share of its tolerance is nobody's change, nor is a sample that differs by this share."""

ROOM_FOR_CAPTURES = (
    f"tolerances are those of {TOLERANCES_FILE}, tight as for a rebuild; a recording usually needs room: "
    'record it again and see how far repeats differ ("Setting tolerances" in golden/README.md)'
)


@dataclass(frozen=True)
class Wishes:
    """What the user asks of a new reference: ``click_at`` of a recording, what comes after it of a build.

    None is not asked: then a recording's click is looked for, and a build renders 3 s of mono at 48 kHz.
    """

    title: str = ""
    why: str = "first reference"
    parameters: dict[str, Any] = field(default_factory=dict)
    click_at: float | str | None = None
    seconds: float | None = None
    rate_hz: int | None = None
    block_size: int | None = None
    channels: str | None = None


OPTIONS = {
    "click_at": "--click-at", "seconds": "--seconds", "rate_hz": "--rate", "block_size": "--block",
    "channels": "--channels",
}  # fmt: skip
"""How the wishes are called that go with one kind of source only."""


def _refuse(wishes: Wishes, names: Iterable[str], why: str) -> None:
    """An option that does not apply is never silently dropped."""
    mistakes = [BadInput(OPTIONS[name], why) for name in names if getattr(wishes, name) is not None]
    if mistakes:
        raise BadInputs(mistakes)


def parameters_from(texts: list[str]) -> dict[str, Any]:
    """NAME=VALUE pairs; a value that reads as TOML number or boolean is one, anything else is text."""
    from reverdict.schema import toml_value

    parameters = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise BadInput(f"--parameter {text}", "is not NAME=VALUE")
        parameters[name.strip()] = toml_value(value.strip())
    return parameters


def new_reference(name: str, source: Path, golden_folder: Path, wishes: Wishes) -> tuple[Path, list[str]]:
    """Make a reference from a sound file (a capture) or a build.

    Returns
    -------
    path of the reference.toml, and lines that say what is asked of builds and what is not.
    """
    from reverdict.measure.measurement import measure

    if golden_folder.exists() and not golden_folder.is_dir():
        raise BadInput(golden_folder, "is a file; references live in a folder")
    if problem := golden_set.name_problem(name, golden_folder):
        raise BadInput(golden_folder, problem)
    if not wishes.why.strip():
        raise BadInput("--why", "empty; say in a few words why this is how it must sound")
    if source.is_file() and source.suffix.lower() in SOUND_SUFFIXES:
        response, told, label = _capture(source, wishes)
        cost: dict[str, Any] = {"not_asked": "made from a recording, and a recording has no cost"}
    else:
        build = open_build(source)
        if build.kind == "recordings":
            raise BadInput(source, "a folder of recordings; name the one file this reference is to be made from")
        response, told, label, cost = _rendered(build, name, wishes)
    checks = asked_of(measure(response), cost)
    tables = {
        "title": wishes.title.strip() or f"{name}, from {source.name}",
        "approval": {"who": who(), "build": label, "why": wishes.why},
        **told,
        **checks,
    }
    with _writing_into(golden_folder):
        path = golden_set.new(name, response, tables, golden_folder)
    said = [_said(check, checks[check.replace("-", "_")]) for check in CHECKS]
    room = [ROOM_FOR_CAPTURES] if told["origin"] == "capture" else []
    return path, [*_lead_of(response.click_at_s, source), *said, *room]


def _lead_of(click_at_s: float, source: Path) -> list[str]:
    """What to know of a recording that runs before its click, since a bare recording is taken to start with it."""
    if not click_at_s:
        return []
    advice = f'judge recordings like it by a build TOML with kind = "recordings" and click_at_s = {click_at_s:g}'
    return [f"the click is {click_at_s:g} s into {source.name}; {advice}"]


def _said(check: str, table: dict[str, Any]) -> str:
    if "not_asked" in table:
        return f"{check} is not asked: {table['not_asked']}"
    own = ", ".join(f"{key} = {value}" for key, value in table.items())
    return f"{check} is asked{': ' + own if own else ''}"


def _capture(source: Path, wishes: Wishes) -> tuple[Response, dict[str, Any], str]:
    from reverdict.measure.click import find_click
    from reverdict.sound import read_sound
    from reverdict.words import PATHS

    _refuse(wishes, OPTIONS.keys() - {"click_at"}, f"is for a build; {source.name} is a recording, taken as it stands")
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
    if not samples[:, round(click_at_s * rate_hz) :].any():
        raise BadInput(source, "holds only silence after the click")
    told = {
        "origin": "capture",
        "render": {
            "seconds": round(seconds, 6),
            "sample_rates_hz": [rate_hz],
            "block_sizes": [BLOCK_SIZE],
            "parameters": {**wishes.parameters},
        },
    }
    return Response(samples, rate_hz, click_at_s, paths), told, f"recording {source.name}"


def _rendered(build: Build, name: str, wishes: Wishes) -> tuple[Response, dict[str, Any], str, dict[str, Any]]:
    from reverdict.render import Request, parameters_missing, render, working_folder

    _refuse(wishes, ["click_at"], f"is for a recording; {build.place} is rendered, and we place the click")
    if missing := parameters_missing(build, wishes.parameters):
        add = " ".join(f"--parameter {name}=VALUE" for name in missing)
        raise BadInput(build.place, f"build.argv asks for parameters that nobody gives; add {add}")
    request = Request(
        name, wishes.channels or "mono", wishes.rate_hz or 48000, wishes.block_size or BLOCK_SIZE,
        wishes.seconds or 3.0, parameters=wishes.parameters,
    )  # fmt: skip
    with working_folder() as work:
        rendering = render(build, request, work)
        if rendering.response is None:
            raise BadInput(build.place, f"no reference can be made of it: {rendering.reason}")
        cost = _kernel_cost(build, request, work)
    told = {
        "origin": "build",
        "render": {
            "seconds": request.seconds,
            "preroll_s": request.preroll_s,
            "level_dbfs": request.level_dbfs,
            "sample_rates_hz": [request.rate_hz],
            "block_sizes": [request.block_size],
            "parameters": {**wishes.parameters},
        },
    }
    return rendering.response, told, label_of(build), cost


def _kernel_cost(build: Build, request: Request, work_folder: Path) -> dict[str, Any]:
    """Cost table of a build: its price in calibration kernels, or why it has none."""
    from reverdict.check import cost
    from reverdict.render.timing import open_kernel_timer, open_timer

    if why := build.not_asked.get("cost"):
        return {"not_asked": why}
    with open_timer(build, request, work_folder) as own, open_kernel_timer(work_folder) as kernel:
        pairs = [(own.seconds_per_sample(), kernel.seconds_per_sample()) for _ in range(KERNEL_PAIRS)]
        measured = cost.measure([(a, b) for a, b in pairs if a is not None and b is not None])
        why_not = own.why_not or kernel.why_not or measured.why_not
    if measured.ratio is None:
        return {"not_asked": f"could not be timed: {why_not}"}
    # Times against the kernel carry over to another machine only roughly.
    return {"kernel_ratio": round(measured.ratio, 3), "dearer_percent": KERNEL_DEARER_PERCENT}


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
        reasons = sorted({found.why_none for found in springs if found.why_none})
        why = (reasons[0] if reasons else "") or "its paths do not agree on the number of springs or their pass law"
        tables["echo_timing"] = {"springs": 0, "pass_law": "none", "passes": 0}
        tables["group_delay"] = {"not_asked": f"no separate passes: {why}"}
    decays = [band for path in measured.paths for band in path.decay.bands]
    if all(time.seconds is None for band in decays for time in band.times.values()):
        why = next((time.why_not for band in decays for time in band.times.values()), "no octave band fits")
        tables["energy_decay"] = {"not_asked": f"no decay time can be measured: {why}"}
    else:
        tables["energy_decay"] = _room_for_noise(measured)
    return tables


def _room_for_noise(measured: Measurement) -> dict[str, float]:
    """Wider tolerances of those decay times that noise alone would make unsure against themselves.

    Twice the expanded uncertainty of a difference of two such measurements, in percent of the decay time.
    """
    from reverdict.check.energy_decay import judged_bands
    from reverdict.golden_text import proposed

    wider = {}
    for key, usual in proposed("energy_decay").items():
        name = key.removesuffix("_percent")
        times = [band.times[name] for path in measured.paths for band in judged_bands(path.decay) if name in band.times]
        noise = [100 * (t.uncertainty_s or 0.0) / t.seconds for t in times if t.seconds]
        needed = 2 * math.sqrt(2) * max(noise, default=0.0)
        if needed > usual:
            wider[key] = float(math.ceil(needed))
    return wider


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


def approve_reference(name: str, source: Path, why: str, golden_folder: Path) -> Iterator[str]:
    """Render one reference with a build, say what would change, then make that the golden. Yields what to print.

    A golden whose impulse was altered or lost is replaced all the same, and nothing compared. Where the new response is
    the golden already, nothing is written. A recording gives way to a recording only.
    """
    from reverdict.render import render, working_folder
    from reverdict.trial import Trial, request_of, require_fit

    golden_set.approvable(name, why, who(), golden_folder)
    (reference,) = golden_set.references(golden_folder, name)
    request = request_of(reference)
    build = open_build(source, name)
    require_fit(build, reference)
    if reference.origin == "capture" and build.kind != "recordings":
        instead = f"make a new reference of it: reverdict golden new NAME --from {source}"
        raise BadInput(source, f"is rendered, and {name} is a recording of the real thing (origin); {instead}")
    old = _old_golden(name, golden_folder)
    with working_folder() as work:
        trial = None if isinstance(old, BadInput) else Trial(old, build, work)
        rendering = trial.rendering if trial else render(build, request, work)
        if rendering.response is None:
            raise BadInput(source, f"cannot be approved: {rendering.reason}")
        if trial:
            yield f"{name}: against the golden approved by {reference.approval.who},"
            yield from _changes(trial)
        else:
            yield f"{name}: nothing to compare with: {old}"
        kernel_ratio = None
        if reference.cost.kernel_ratio is not None and not reference.cost.not_asked:
            cost = _kernel_cost(build, request, work)
            kernel_ratio = cost.get("kernel_ratio")
            if kernel_ratio is None:
                yield f"  kernel_ratio stays {reference.cost.kernel_ratio:g}: {cost['not_asked']}"
        if trial and kernel_ratio is None and _is_golden(trial) and not golden_set.unlogged(reference):
            yield f"{reference.path} holds this response already; nothing is written."
            return
        with _writing_into(golden_folder):
            approved = golden_set.approve(
                name, rendering.response, label_of(build), why, who(), golden_folder, kernel_ratio=kernel_ratio
            )
    yield f"{approved.path} now holds {label_of(build)}. Tolerances are as they were."


def _old_golden(name: str, golden_folder: Path) -> GoldenReference | BadInput:
    try:
        (golden,) = golden_set.load(golden_folder, name)
    except BadInput as error:
        return error
    return golden


@contextlib.contextmanager
def _writing_into(golden_folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise BadInput(golden_folder, f"cannot be written to ({error.strerror or error})") from error


def _changes(trial: Trial) -> Iterator[str]:
    """The largest departures from the old golden, whatever their outcome."""
    from reverdict import judging

    verdicts = [trial.judge(check) for check in CHECKS if check != "cost"]
    findings = [finding for verdict in verdicts for finding in verdict.findings if finding.quantity != "output"]
    ordered = sorted(filter(_moves, findings), key=judging.badness, reverse=True)
    for finding in ordered[:SHOWN_CHANGES]:
        yield f"  {finding.outcome}: {judging.sentence(finding)}"
    if len(ordered) > SHOWN_CHANGES:
        yield f"  and {len(ordered) - SHOWN_CHANGES} smaller ones"
    if not ordered:
        yield "  nothing moves"


def _is_golden(trial: Trial) -> bool:
    """Whether there is no more than rounding (−120 dB of the peak) between the response and the golden."""
    old, new = trial.golden.response.samples, trial.rendering.response
    assert new is not None
    return old.shape == new.samples.shape and abs(new.samples - old).max() <= ROUNDING * abs(old).max()


def _moves(finding: Finding) -> bool:
    """Whether there is more to a finding than rounding."""
    return finding.outcome is not Outcome.PASS or abs(finding.deviation or 0.0) > ROUNDING * (finding.tolerance or 0.0)


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


def contradictions(golden_folder: Path) -> Iterator[BadInput]:
    """Where a golden does not measure as its reference says. References that cannot be read are passed over."""
    from reverdict.check.echo_timing import why_unlike_reference
    from reverdict.measure.springs import find_springs

    for name in golden_set.names(golden_folder):
        golden = _old_golden(name, golden_folder)
        if isinstance(golden, BadInput) or golden.reference.echo_timing.not_asked:
            continue
        asked, response = golden.reference.echo_timing, golden.response
        for path, row in zip(response.paths, response.samples, strict=True) if asked.springs else ():
            found = find_springs(row, response.rate_hz, response.click_at_s, asked.arrival_hz)
            for finding in why_unlike_reference(path, found, asked):
                place = f"{golden.reference.path}: echo_timing"
                yield BadInput(place, f"{path}: {finding.reason}" if path else finding.reason)


def tolerances_in_force(reference: Reference) -> Iterator[str]:
    """Lines "echo-timing  arrival_ms = 0.1", after defaults and own tables are merged."""
    from reverdict.schema import tolerance_keys

    for check in CHECKS:
        settings = reference.settings(check)
        if settings.not_asked:
            yield f"{check:13} not asked: {settings.not_asked}"
            continue
        for key in tolerance_keys(check.replace("-", "_")):
            value = getattr(settings, key)
            if value is not None:
                yield f"{check:13} {key} = {value}"
