"""Approving: say what changes, then make it true; and say of goldens what is not as it was approved."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from reverdict import golden_set
from reverdict.builds import open_build
from reverdict.errors import BadInput
from reverdict.golden_set import writing
from reverdict.golden_set.text import comments_beside
from reverdict.making import signing
from reverdict.sound import CUT_SHORT
from reverdict.words import Outcome, Response

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from reverdict.golden_set import GoldenReference
    from reverdict.golden_set.terms import Change
    from reverdict.golden_set.text import Setting
    from reverdict.golden_set.writing import Approving
    from reverdict.reference import Reference
    from reverdict.trial import Trial
    from reverdict.words import Finding

SHOWN_CHANGES = 6
ROUNDING = 1e-6
"""A deviation below this share of its tolerance is nobody's change, nor is a sample that differs by this share."""

_AS_IT_STANDS = "reverdict golden approve {} --as-it-stands --why TEXT"


def approve_reference(
    name: str,
    source: Path | None,
    why: str,
    golden_folder: Path,
    *,
    settings: Sequence[Setting] = (),
    as_it_stands: bool = False,
    preview: bool = False,
) -> Iterator[str]:
    """Say what an approval changes, then make it true. Yields what to print.

    Parameters
    ----------
    source : Path or None
        Build or recording whose response is to be the golden; None leaves the impulses as they are.
    settings : Setting
        Terms to set.
    as_it_stands : bool
        Whether terms that were edited by hand, or that the golden measures otherwise by another analysis, are reason
        enough to write. Both are approved with anything else, too.
    preview : bool
        Nothing is written.

    A golden whose impulse was altered or lost is replaced all the same, and nothing compared. Where nothing is new,
    nothing is written. A recording gives way to a recording only.
    """
    if not (source or settings or as_it_stands):
        ways = "--from BUILD for another response, --set TABLE.KEY=VALUE for a term, or --as-it-stands"
        raise BadInput(golden_folder / name, f"nothing to approve; give {ways}")
    if preview:
        writing.approvable(name, why or "a look", signing.who(), golden_folder)
        held = writing.look_at(name, golden_folder)
        yield from _approve(held, source, golden_folder, settings, as_it_stands, preview=True)
        return
    with (
        writing.writing_into(golden_folder),
        writing.approving(name, why, signing.who(), golden_folder, _tell) as held,
    ):
        yield from _approve(held, source, golden_folder, settings, as_it_stands, preview=False)


def _tell(line: str) -> None:
    """To whom waits, at once; what an approval changes goes to standard output."""
    print(f"reverdict: {line}", file=sys.stderr, flush=True)


def _approve(
    held: Approving, source: Path | None, golden_folder: Path, settings: Sequence[Setting], as_it_stands: bool,
    *, preview: bool,
) -> Iterator[str]:  # fmt: skip
    reference = held.reference
    by_hand, wished = held.edited(), held.set(settings)
    yield from _said_of_terms(held, by_hand, wished, settings)
    old = _old_golden(reference.name, golden_folder)
    response, label, price, same = None, "", None, True
    if source:
        offered = _Offered(reference, old, source)
        yield from offered.said()
        response, label, price, same = offered.response, offered.label, offered.price, offered.same
    known = not golden_set.unlogged(reference)
    golden = response or (None if isinstance(old, BadInput) else old.response)
    figures = _news(golden, reference) if golden else None
    if same and known and not wished and not ((by_hand or figures) and (as_it_stands or (source and by_hand))):
        holds = "holds this response already" if source else "says so already"
        yield f"{reference.path} {holds}; nothing is written."
        if not preview and (left := held.tidy()):
            yield f"Left over from an approval that was cut off, and taken away: {', '.join(left)}."
        return
    if preview:
        yield f"Nothing is written; leave --preview out to approve. {reference.path} is as it was."
        return
    # Without a record nobody knows how they were.
    unchanged = "Tolerances are as they were." if held.recorded else "Its tolerances are recorded from now on."
    approved = held.write(None if same and known else response, label, price=price, settings=settings, measured=figures)
    terms = "Its terms are as shown." if by_hand or approved.changed else unchanged
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
    comments = comments_beside(held.text, settings)
    for key, comment in comments.items():
        if any(change.key == key for change in wished):
            yield f'  the comment beside {key} stays, "{comment}"; mend it if it is no longer true'


class _Offered:
    """A response that is to be golden, and what it changes against the one that is."""

    def __init__(self, reference: Reference, old: GoldenReference | BadInput, source: Path) -> None:
        self.reference, self.old, self.source = reference, old, source
        self.response: Response | None = None
        self.label, self.same = "", False
        self.price: dict[str, Any] = {}

    def said(self) -> Iterator[str]:
        """Render it and say what moves."""
        from reverdict import costing
        from reverdict.asked import request_of, require_fit
        from reverdict.render import render, working_folder
        from reverdict.trial import Trial

        reference, source = self.reference, self.source
        name = reference.name
        request = request_of(reference)
        build = open_build(source, name)
        require_fit(build, reference)
        if reference.origin == "capture" and build.kind not in ("recordings", "interface"):
            instead = f"make a new reference of it: reverdict golden new NAME --from {source}"
            raise BadInput(source, f"is rendered, and {name} is a recording of the real thing (origin); {instead}")
        self.label = signing.label_of(build)
        with working_folder() as work:
            trial = None if isinstance(self.old, BadInput) else Trial(self.old, build, work)
            rendering = trial.rendering if trial else render(build, request, work)
            if rendering.response is None:
                raise BadInput(source, f"cannot be approved: {rendering.reason}")
            if short := next((note for note in rendering.notes if CUT_SHORT in note), ""):
                raise BadInput(source, f"cannot be approved: its recording {short}")
            self.response = rendering.response
            if trial:
                yield f"{name}: against the golden approved by {reference.approval.who},"
                yield from _changes(trial)
            else:
                yield f"{name}: nothing to compare with: {self.old}"
            kept = {key: own for key in costing.PRICES if (own := getattr(reference.cost, key)) is not None}
            if kept and not reference.cost.not_asked:
                price = costing.price(build, request, work, kept)
                self.price = price.keys
                yield from (f"  {key} stays {kept[key]:g}: {why}" for key, why in price.why_not.items())
            self.same = trial is not None and not self.price and _is_golden(trial)


def _news(golden: Response, reference: Reference) -> dict[str, float] | None:
    """What a golden measures, where the log does not hold that already."""
    from reverdict.measure.figures import moved
    from reverdict.measure.version import ANALYSIS_VERSION

    figures, record = _figures(golden, reference), golden_set.last_measured(reference)
    known = record is not None and record.get("analysis_version") == ANALYSIS_VERSION
    return None if known and record and not any(moved(record["measured"], figures)) else figures


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


def _changes(trial: Trial) -> Iterator[str]:
    """The largest departures from the old golden, whatever their outcome."""
    from reverdict import judging

    verdicts = [trial.judge(check) for check in trial.golden.reference.checks if check != "cost"]
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
        yield f"{', '.join(among)}: not approved, edited by hand: {'; '.join(told)} ({_AS_IT_STANDS.format(among[0])})"


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
        f"by {version}: {shown}{more} ({_AS_IT_STANDS.format(golden.name)})"
    )


def _moved_in_words(name: str, before: float | None, now: float | None) -> str:
    quantity, _, unit = name.rpartition(", ")
    quantity, unit = (quantity, f" {unit}") if quantity else (unit, "")
    old, new = ("not measured" if value is None else f"{value:.7g}{unit}" for value in (before, now))
    by = "" if before is None or now is None else f" ({now - before:+.3g}{unit})"
    return f"{quantity} {old} → {new}{by}"


def tolerances_in_force(reference: Reference) -> Iterator[str]:
    """Lines "echo-timing  arrival_ms = 0.1", after defaults and own tables are merged."""
    from reverdict.reference import Conduct, Own
    from reverdict.schema.meanings import tolerance_keys

    for check in reference.checks:
        settings = reference.settings(check)
        if settings.not_asked:
            yield f"{check:13} not asked: {settings.not_asked}"
            continue
        for key in tolerance_keys(check.replace("-", "_")):
            value = getattr(settings.tolerances if isinstance(settings, Own) else settings, key)
            if value is not None:
                yield f"{check:13} {key} = {value}"
        if isinstance(settings, Conduct):
            for name, (before, after) in settings.moves.items():
                yield f"{check:13} moves {name} from {before:g} to {after:g}"
            for name, why in settings.declared.items():
                yield f"{check:13} {name} is declared: {why}"
