"""What a sample costs on the target, in cycles of its own counter, against a budget: the part of cost for firmware.

Aim. A recording cannot be timed here, but its firmware can count: a build that became dearer on the target, in the mean
or in its worst block, must say so.

Method. The mean is all cycles over all frames. What one block costs depends on the one before (caches, control code
every so many blocks), so its uncertainty comes from blocking (H. Flyvbjerg, H. G. Petersen, J. Chem. Phys. 91(1),
1989): means of 1, 2, 4, … blocks in a row, of each length t95·s/√n, and of these the largest while at least
``FEWEST_BATCHES`` are left. The worst block is a plain maximum against its budget in cycles.

A reference may also keep budgets by target (``[cost.budgets.NAME]``). They hold for a log whose target is called so, or
has the name in it; where a log names no target, the only budget there is holds.

Conventions. A deviation is positive when the build is dearer, in percent of the golden's cycles per sample. A budget is
a tolerance over nothing: the golden is 0, and what is spent is the deviation.

Limits of validity. A log says what was processed while it was written, and nothing of what could be dearer. What
repeats more slowly than an eighth of the log is not seen in the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.judging import judge_deviation
from reverdict.measure.clock import t95

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.reference import Budget, Cost
    from reverdict.words import Finding

FEWEST_BATCHES = 8


@dataclass(frozen=True)
class CycleMeasurement:
    """Cycles of one reference's blocks.

    per_sample, uncertainty : float or None
        Mean, and expanded uncertainty (k = 2); None when ``why_not`` says why.
    worst_block, worst_at, worst_frames : int or None
        Cycles of the dearest block, which one it is (from 1), and its frames.
    """

    per_sample: float | None = None
    uncertainty: float | None = None
    worst_block: int | None = None
    worst_at: int | None = None
    worst_frames: int | None = None
    why_not: str = ""


def measure(frames: NDArray[np.int64], cycles: NDArray[np.int64]) -> CycleMeasurement:
    """Mean and worst of blocks, shapes (blocks,), in the order of processing."""
    worst = int(np.argmax(cycles))
    worst_of: dict[str, Any] = {
        "worst_block": int(cycles[worst]),
        "worst_at": worst + 1,
        "worst_frames": int(frames[worst]),
    }
    if cycles.size < FEWEST_BATCHES:
        why = f"{cycles.size} blocks tell no spread; log {FEWEST_BATCHES} or more"
        return CycleMeasurement(**worst_of, why_not=why)
    per_sample = float(cycles.sum() / frames.sum())
    return CycleMeasurement(per_sample, _uncertainty(frames, cycles), **worst_of)


def _uncertainty(frames: NDArray[Any], cycles: NDArray[Any]) -> float:
    """Expanded uncertainty of the mean, whatever the blocks have to do with one another."""
    largest, length = 0.0, 1
    while (count := cycles.size // length) >= FEWEST_BATCHES:
        used = slice(0, count * length)
        means = cycles[used].reshape(count, length).sum(axis=1) / frames[used].reshape(count, length).sum(axis=1)
        largest = max(largest, t95(count - 1) * float(np.std(means, ddof=1)) / math.sqrt(count))
        length *= 2
    return largest


def judge(
    measured: CycleMeasurement, settings: Cost, *, rate_hz: int, clock_hz: float | None = None, target: str = ""
) -> list[Finding]:
    """A finding "cost" against ``cycles_per_sample``, and one "budget" for each that holds, of the worst block too.

    The first is left out where the reference has only budgets.

    rate_hz, clock_hz : the reference's rate and, where the log tells it, the target's clock: they tell how much of
        its time the worst block takes.
    target : what the log was written on, as it says itself.
    """
    limits = {name: one for name, one in settings.budgets.items() if _is_of_cycles(one)}
    held = _budgets_of(target, limits)
    findings = (
        []
        if limits and settings.cycles_per_sample is None
        else [_against_golden(measured, settings, rate_hz, clock_hz)]
    )
    if limits and not held:
        found = f'the log is of "{target}"' if target else "the log names no target"
        why_not = f"not measured: {found}, and there are budgets for {', '.join(limits)}"
        findings.append(judge_deviation("budget", "", "cycles/sample", None, None, None, None, 0.0, reason=why_not))
    for name, one in held.items():
        if one.cycles_per_sample is not None:
            findings.append(_against_budget(measured, name, one.cycles_per_sample, rate_hz, clock_hz))
    blocks = [(name, one.worst_block_cycles) for name, one in held.items()]
    for name, budget in [("", settings.worst_block_cycles), *blocks]:
        if budget is not None and measured.worst_block is not None:
            findings.append(_worst_block(measured, name, measured.worst_block, budget))
    return findings


def _is_of_cycles(budget: Budget) -> bool:
    return budget.cycles_per_sample is not None or budget.worst_block_cycles is not None


def _budgets_of(target: str, budgets: dict[str, Budget]) -> dict[str, Budget]:
    if not target and len(budgets) == 1:
        return budgets
    return {name: one for name, one in budgets.items() if name.lower() in target.lower()}


def _against_golden(measured: CycleMeasurement, settings: Cost, rate_hz: int, clock_hz: float | None) -> Finding:
    golden, deviation, uncertainty = settings.cycles_per_sample, None, None
    why_not = measured.why_not
    if golden is None and not why_not:
        told = f"{measured.per_sample:.1f} cycles a sample were counted"
        why_not = f"not measured: {told}, but the reference has no cycles_per_sample in [cost] to hold them against"
    elif golden is not None and measured.per_sample is not None and measured.uncertainty is not None:
        deviation = 100.0 * (measured.per_sample / golden - 1.0)
        uncertainty = 100.0 * measured.uncertainty / golden
    return judge_deviation(
        "cost", "", "%", 0.0 if golden is not None else None, deviation, deviation, uncertainty,
        settings.dearer_percent, tolerance_below=settings.cheaper_percent,
        reason=why_not or _told(measured, rate_hz, clock_hz),
    )  # fmt: skip


def _against_budget(
    measured: CycleMeasurement, target: str, budget: float, rate_hz: int, clock_hz: float | None
) -> Finding:
    spent, why_not = measured.per_sample, measured.why_not
    return judge_deviation(
        "budget", target, "cycles/sample", 0.0, spent, spent, measured.uncertainty, budget,
        reason=why_not or _told(measured, rate_hz, clock_hz),
    )  # fmt: skip


def _worst_block(measured: CycleMeasurement, target: str, worst: int, budget: int) -> Finding:
    where = ", ".join(filter(None, (target, "worst block")))
    return judge_deviation(
        "budget", where, "cycles", 0.0, float(worst), float(worst), 0.0, float(budget),
        reason=f"block {measured.worst_at}: {worst} cycles of {budget}",
    )  # fmt: skip


def _told(measured: CycleMeasurement, rate_hz: int, clock_hz: float | None) -> str:
    """Mean and worst block, and how much of its time that takes."""
    assert measured.worst_block is not None
    assert measured.worst_frames is not None
    share = ""
    if clock_hz is not None:
        share = f", {100.0 * measured.worst_block * rate_hz / (measured.worst_frames * clock_hz):.0f} % of its time"
    place = f"block {measured.worst_at}, {measured.worst_frames} frames{share}"
    return f"{measured.per_sample:.1f} cycles a sample, worst block {measured.worst_block} cycles ({place})"
