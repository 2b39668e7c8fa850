"""Making references: what a new one asks follows from what can be measured on it; an approval shows what it changes."""

from __future__ import annotations

import contextlib
import getpass
import math
import subprocess
import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from reverdict import golden_set, golden_text
from reverdict.builds import open_build
from reverdict.errors import BadInput, BadInputs
from reverdict.schema import TOLERANCES_FILE
from reverdict.sound import SOUND_SUFFIXES
from reverdict.words import CHECKS, Outcome, Response

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from reverdict.golden_set import Approving, GoldenReference
    from reverdict.golden_text import Setting
    from reverdict.measure.measurement import Measurement
    from reverdict.reference import Reference
    from reverdict.render import Build, Request
    from reverdict.terms import Change
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
    from reverdict.measure.figures import figures_of
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
    measured = measure(response)
    checks = asked_of(measured, cost)
    tables = {
        "title": wishes.title.strip() or f"{name}, from {source.name}",
        "approval": {"who": who(), "build": label, "why": wishes.why},
        **told,
        **checks,
    }
    with _writing_into(golden_folder):
        path = golden_set.new(name, response, tables, golden_folder, measured=figures_of(measured))
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


def approve_reference(
    name: str,
    source: Path | None,
    why: str,
    golden_folder: Path,
    *,
    settings: Sequence[Setting] = (),
    as_edited: bool = False,
    preview: bool = False,
) -> Iterator[str]:
    """Say what an approval changes, then make it true. Yields what to print.

    Parameters
    ----------
    source : Path or None
        Build or recording whose response is to be the golden; None leaves the impulses as they are.
    settings : Setting
        Terms to set.
    as_edited : bool
        Whether terms that were edited by hand are reason enough to write. They are approved with anything else, too.
    preview : bool
        Nothing is written.

    A golden whose impulse was altered or lost is replaced all the same, and nothing compared. Where nothing is new,
    nothing is written. A recording gives way to a recording only.
    """
    if not (source or settings or as_edited):
        ways = "--from BUILD for another response, --set TABLE.KEY=VALUE for a term, or --as-edited"
        raise BadInput(golden_folder / name, f"nothing to approve; give {ways}")
    if preview:
        golden_set.approvable(name, why or "a look", who(), golden_folder)
        held = golden_set.look_at(name, golden_folder)
        yield from _approve(held, source, golden_folder, settings, as_edited, preview=True)
        return
    with _writing_into(golden_folder), golden_set.approving(name, why, who(), golden_folder, _tell) as held:
        yield from _approve(held, source, golden_folder, settings, as_edited, preview=False)


def _tell(line: str) -> None:
    """To whom waits, at once; what an approval changes goes to standard output."""
    print(f"reverdict: {line}", file=sys.stderr, flush=True)


def _approve(
    held: Approving, source: Path | None, golden_folder: Path, settings: Sequence[Setting], as_edited: bool,
    *, preview: bool,
) -> Iterator[str]:  # fmt: skip
    reference = held.reference
    by_hand, wished = held.edited(), held.set(settings)
    yield from _said_of_terms(held, by_hand, wished, settings)
    old = _old_golden(reference.name, golden_folder)
    response, label, kernel_ratio, same = None, "", None, True
    if source:
        offered = _Offered(reference, old, source)
        yield from offered.said()
        response, label, kernel_ratio, same = offered.response, offered.label, offered.kernel_ratio, offered.same
    known = not golden_set.unlogged(reference)
    if same and not wished and known and not (by_hand and (as_edited or source)):
        holds = "holds this response already" if source else "says so already"
        yield f"{reference.path} {holds}; nothing is written."
        return
    if preview:
        yield f"Nothing is written; leave --preview out to approve. {reference.path} is as it was."
        return
    measured = response or (None if isinstance(old, BadInput) else old.response)
    figures = _figures(measured, reference) if measured else None
    approved = held.write(
        None if same and known else response, label, kernel_ratio=kernel_ratio, settings=settings, measured=figures
    )
    terms = "Its terms are as shown." if by_hand or approved.changed else "Tolerances are as they were."
    yield f"{approved.path} now holds {label}. {terms}" if source else f"{approved.path} is approved. {terms}"


def _said_of_terms(
    held: Approving, by_hand: Sequence[Change], wished: Sequence[Change], settings: Sequence[Setting]
) -> Iterator[str]:
    """What changes of the terms: by this approval, and by hand before it."""
    name = held.reference.name
    if by_hand:
        yield f"{name}: edited by hand since the last approval, and approved with this one,"
        yield from (f"  {change}" for change in by_hand)
    if settings:
        yield f"{name}: terms against those in force," if wished else f"{name}: these terms are in force already"
        yield from (f"  {change}" for change in wished)
    comments = golden_text.comments_beside(held.text, settings)
    for key, comment in comments.items():
        if any(change.key == key for change in wished):
            yield f'  the comment beside {key} stays, "{comment}"; mend it if it is no longer true'


class _Offered:
    """A response that is to be golden, and what it changes against the one that is."""

    def __init__(self, reference: Reference, old: GoldenReference | BadInput, source: Path) -> None:
        self.reference, self.old, self.source = reference, old, source
        self.response: Response | None = None
        self.label, self.kernel_ratio, self.same = "", None, False

    def said(self) -> Iterator[str]:
        """Render it and say what moves."""
        from reverdict.render import render, working_folder
        from reverdict.trial import Trial, request_of, require_fit

        reference, source = self.reference, self.source
        name = reference.name
        request = request_of(reference)
        build = open_build(source, name)
        require_fit(build, reference)
        if reference.origin == "capture" and build.kind != "recordings":
            instead = f"make a new reference of it: reverdict golden new NAME --from {source}"
            raise BadInput(source, f"is rendered, and {name} is a recording of the real thing (origin); {instead}")
        self.label = label_of(build)
        with working_folder() as work:
            trial = None if isinstance(self.old, BadInput) else Trial(self.old, build, work)
            rendering = trial.rendering if trial else render(build, request, work)
            if rendering.response is None:
                raise BadInput(source, f"cannot be approved: {rendering.reason}")
            self.response = rendering.response
            if trial:
                yield f"{name}: against the golden approved by {reference.approval.who},"
                yield from _changes(trial)
            else:
                yield f"{name}: nothing to compare with: {self.old}"
            if reference.cost.kernel_ratio is not None and not reference.cost.not_asked:
                cost = _kernel_cost(build, request, work)
                self.kernel_ratio = cost.get("kernel_ratio")
                if self.kernel_ratio is None:
                    yield f"  kernel_ratio stays {reference.cost.kernel_ratio:g}: {cost['not_asked']}"
            self.same = trial is not None and self.kernel_ratio is None and _is_golden(trial)


def _figures(response: Response, reference: Reference) -> dict[str, float]:
    from reverdict.measure.figures import figures_of
    from reverdict.measure.measurement import measure

    return figures_of(measure(response, reference.echo_timing.arrival_hz))


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


def notes(golden_folder: Path) -> Iterator[str]:
    """What is worth knowing of a folder in which nothing is wrong: terms edited by hand, goldens measured otherwise.

    References that cannot be read are passed over.
    """
    edited: dict[tuple[str, ...], list[str]] = {}
    for name in golden_set.names(golden_folder):
        golden = _old_golden(name, golden_folder)
        if isinstance(golden, BadInput):
            continue
        if changes := golden_set.edited_by_hand(golden.reference, golden_folder):
            edited.setdefault(tuple(str(change) for change in changes), []).append(name)
        yield from _measured_otherwise(golden)
    for told, among in edited.items():
        how = f"reverdict golden approve {among[0]} --as-edited --why TEXT"
        yield f"{', '.join(among)}: not approved, edited by hand: {'; '.join(told)} ({how})"


def _measured_otherwise(golden: GoldenReference) -> Iterator[str]:
    """What a golden measures now that it did not when it was approved."""
    from reverdict.measure.figures import moved
    from reverdict.measure.version import ANALYSIS_VERSION

    record = golden_set.last_measured(golden.reference)
    if record is None:
        return
    found = list(moved(record["measured"], _figures(golden.response, golden.reference)))
    if not found:
        return
    then = record.get("analysis_version")
    version = f"analysis {then}" if then != ANALYSIS_VERSION else f"the same analysis {then}, on another machine"
    shown = "; ".join(_moved_in_words(*one) for one in found[:SHOWN_CHANGES])
    more = f"; and {len(found) - SHOWN_CHANGES} more" if len(found) > SHOWN_CHANGES else ""
    yield (
        f"{golden.name}: measures differently by analysis {ANALYSIS_VERSION} than when it was approved, "
        f"by {version}: {shown}{more}"
    )


def _moved_in_words(name: str, before: float | None, now: float | None) -> str:
    quantity, _, unit = name.rpartition(", ")
    quantity, unit = (quantity, f" {unit}") if quantity else (unit, "")
    old, new = ("not measured" if value is None else f"{value:.7g}{unit}" for value in (before, now))
    by = "" if before is None or now is None else f" ({now - before:+.3g}{unit})"
    return f"{quantity} {old} → {new}{by}"


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
