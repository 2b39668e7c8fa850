"""Tolerances of a new reference from evidence: repeats, copies with other noise, and the golden beside itself."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict import judging
from reverdict.errors import BadInput
from reverdict.golden_set.terms import least_limit
from reverdict.golden_set.writing import shared_tables
from reverdict.making import proposing
from reverdict.making.sources import ENOUGH_REPEATS, Material, Take, from_click, same_samples
from reverdict.words import Outcome, Response

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from reverdict.making.proposing import Proposal
    from reverdict.measure.measurement import Measurement
    from reverdict.words import Finding


def proposals_from_evidence(
    material: Material,
    measured: Measurement,
    checks: dict[str, dict[str, Any]],
    golden_folder: Path,
    progress: Callable[[str], None],
) -> tuple[list[Proposal], list[str]]:
    """Tolerances from what repeats, noise and hearing tell, and what to say of the repeats.

    Passes that a repeat does not have are no longer asked.
    """
    from reverdict.measure.fresh_noise import with_fresh_noise
    from reverdict.measure.measurement import measure

    golden, repeats = from_click(material.response), material.repeats
    itself = _beside(golden, measured, golden, checks)
    _ask_only_what_it_answers(itself, checks)
    progress("looking how far noise moves it")
    # A build has the same noise the next time, unless its repeats say otherwise.
    copies = with_fresh_noise(golden, measured) if material.origin == "capture" else []
    noisy = [_beside(golden, measured, one, checks) for one in copies]
    shortest = min(one.samples.shape[1] for one in (golden, *(from_click(take.response) for take in repeats)))
    if shortest < golden.samples.shape[1]:
        golden, *copies = (replace(one, samples=one.samples[:, :shortest]) for one in (golden, *copies))
        measured = measure(golden)
    found = []
    for number, take in enumerate(repeats, start=1):
        progress(f"repeat {number} of {len(repeats)}: {take.label}")
        found.append(_beside(golden, measured, from_click(take.response), checks))
    if material.origin == "build":
        found = [_only_what_renders_agree_on(findings, checks) for findings in found]
    said = [*_said_of_noise(noisy), *_said_of_repeats(repeats, found, golden)]
    asked = [table for table, keys in checks.items() if "not_asked" not in keys]
    timing = checks["echo_timing"]
    if timing["springs"]:
        clear = proposing.clear_passes(timing["passes"], found)
        if clear < timing["passes"]:
            said.append(f"only {clear} of {timing['passes']} passes are told in every repeat, so no more are asked")
        timing["passes"] = clear
    shared = shared_tables(golden_folder)
    proposals = proposing.propose(material.origin, itself, noisy, found, shared, asked)
    if "energy_decay" in asked:
        mine = {one.key: one.value for one in proposals if one.table == "energy_decay"}
        values = {**shared.get("energy_decay", {}), **mine}
        if "curve_db" not in values:
            others = [golden, *copies, *(from_click(take.response) for take in repeats)]
            judged = _decays(golden, measured, others, values)
            proposals += proposing.curve_proposal(judged, least_limit(values["level_db"]), len(repeats))
    return proposals, said


def _ask_only_what_it_answers(itself: Sequence[Finding], checks: dict[str, dict[str, Any]]) -> None:
    """Ask no check that the golden itself would leave unsure, as a path without any sound does."""
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


def _said_of_noise(noisy: Sequence[Sequence[Finding]]) -> Iterator[str]:
    """What the golden just tells, and other noise would hide."""
    lost = {judging.sentence(one): None for findings in noisy for one in proposing.missing(findings)}
    if lost:
        more = f", and {len(lost) - 1} more" if len(lost) > 1 else ""
        yield f"other noise of this level leaves a take unsure: {next(iter(lost))}{more}; record with less noise"


def _said_of_repeats(repeats: Sequence[Take], found: Sequence[Sequence[Finding]], golden: Response) -> Iterator[str]:
    """What is the matter with single repeats, and whether they differ at all."""
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
        alike = all(same_samples(from_click(take.response), golden) for take in repeats)
        if alike:
            yield f"{count}: the same to the last bit"
        elif len(repeats) < ENOUGH_REPEATS:
            tell = "tell" if len(repeats) > 1 else "tells"
            more = f"{ENOUGH_REPEATS} or more tell it better"
            yield f"{count} {tell} little of the spread, so much is allowed for; {more}"


def _only_what_renders_agree_on(findings: Sequence[Finding], checks: dict[str, dict[str, Any]]) -> list[Finding]:
    """Findings of a further render, without those of checks that it cannot be held to; these are no longer asked."""
    left = list(findings)
    while strange := (proposing.strangest(left) or next(iter(proposing.lost(left)), None) or _turned_over(left)):
        table = proposing.KEYS.get(strange.quantity, ("echo_timing",))[0]
        said = judging.sentence(strange).partition(", limit")[0]
        checks[table] = {**checks[table], "not_asked": f"its renders do not agree on it: {said}"}
        left = [one for one in left if proposing.KEYS.get(one.quantity, ("echo_timing",))[0] != table]
    return left


def _turned_over(findings: Sequence[Finding]) -> Finding | None:
    return next((one for one in findings if one.quantity == "polarity" and one.outcome is Outcome.FAIL), None)
