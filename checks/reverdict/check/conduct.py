"""Manners: does the build give usable output, nothing that does not belong, and the same whenever it should?

Aim. A build that crashes, hangs, goes silent or gives samples that are not numbers must say so in one plain finding.
Where the reference asks for it, nothing may sound where the golden is silent: clicks, hum, offsets, gaps in blocks; and
a build must answer a click alike when it is asked again, softer, turned over, later, amid other sound, in odd blocks,
after a reset or beside a second instance; be silent for silence; come to an end; and not slow down when it is silent.

Method. Rendering has looked at the output once: finite, at the right rate, with the right channels, long enough and not
silent (peak above −120 dB of the click). This check turns what it found into a finding, which has no number and no
tolerance: it passes or it fails. Stray sound is that of ``measure.stray``, in windows of 10 ms and half octaves; the
rest is observed by ``conducting`` and measured by ``measure.manners``.

Conventions. "stray sound" is positive where the build is louder than anything near by in the golden, dB. What departs
from itself is in percent of its own energy, as a root: 1 % is −40 dB.

Limits of validity. One render of one click each: what shows only now and then may be missed. Stray sound more than
60 dB below the golden's loudest 10 ms is not looked for. A build that does not repeat itself is unsure in all that its
renders are compared for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from reverdict.judging import judge_deviation
from reverdict.phrases import true_minus
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from reverdict.measure.manners import Observed
    from reverdict.measure.measurement import Comparison
    from reverdict.measure.stray import StraySound
    from reverdict.reference import Conduct, Tolerance
    from reverdict.render.build import Rendering


MOST = 1e6
"""A deviation without bound, as of a channel gone silent, in any unit."""


@dataclass(frozen=True)
class ConductMeasurement:
    """How a render went.

    why_not : str
        Why there is no usable output; empty when there is.
    notes : tuple of str
        What is odd about a usable output.
    peak_db : float or None
        Loudest sample of all paths, relative to the click.
    """

    why_not: str = ""
    notes: tuple[str, ...] = ()
    peak_db: float | None = None


def measure(rendering: Rendering) -> ConductMeasurement:
    """What rendering found. A Failure gives ``why_not``."""
    if rendering.response is None:
        return ConductMeasurement(why_not=rendering.reason)
    peak = float(np.abs(rendering.response.samples).max())
    return ConductMeasurement(notes=rendering.notes, peak_db=20.0 * math.log10(peak))


QUANTITIES = {
    "repeats_percent": "same click again",
    "block_size_percent": "click in odd blocks",
    "instances_percent": "click beside another instance",
    "reset_percent": "click after a reset",
    "level_scaling_percent": "click softer or turned over",
    "superposition_percent": "click amid noise",
    "time_variance_percent": "later click",
    "cold_start_percent": "click without silence before it",
    "silence_percent": "sound for silence",
    "dc_percent": "offset in silence",
    "tail_percent": "end of the tail",
    "move_percent": "click of a moved parameter",
    "slow_tail_percent": "cost of a silent tail",
    "headroom_db": "peak for noise",
    "balance_db": "balance",
    "mono_db": "mono sum level",
}
"""Key of a tolerance -> what its finding is called."""


LEVELS = ("click 40 dB softer", "click turned over")
"""What the findings of ``level_scaling_percent`` are called."""

LIKELY = {
    "repeats_percent": "a random seed, or memory that is not cleared?",
    "block_size_percent": "state lost or read twice at the ends of blocks?",
    "instances_percent": "state shared by instances, or a rate kept for all?",
    "reset_percent": "something keeps its sound or its state",
    "level_scaling_percent": "not linear: a limiter, a gate, clipping or coarse numbers?",
    "superposition_percent": "not linear: clipping, wrapping around, or gain that follows the level?",
    "time_variance_percent": "modulated, or dependent on where in its block a click falls?",
    "cold_start_percent": "parameters that glide to their values after the start?",
    "silence_percent": "noise, dither or hum of its own?",
    "dc_percent": "an offset against denormal numbers?",
    "tail_percent": "a limit cycle, or feedback of 1 and more?",
    "move_percent": "a parameter that jumps instead of gliding?",
    "slow_tail_percent": "denormal numbers?",
}
"""Key of a tolerance -> what is likely behind a departure beyond it."""


NOT_LINEAR = ("repeats_percent", "level_scaling_percent", "superposition_percent", "time_variance_percent")


def is_not_linear(findings: Iterable[Finding]) -> bool:
    """Whether a build was found not to be linear and time-invariant, or not to repeat itself."""
    names = {QUANTITIES[key] for key in NOT_LINEAR} | set(LEVELS)
    return any(one.quantity in names and one.outcome is Outcome.FAIL for one in findings)


def judge(
    rendering: Rendering, beside: Comparison | None, settings: Conduct, observed: Sequence[Observed] = ()
) -> list[Finding]:
    """A finding "output", pass with the notes as its reason or fail with what happened; "stray sound" per path.

    observed : what the build was put through besides; a finding for each.
    """
    measured = measure(rendering)
    outcome = Outcome.FAIL if measured.why_not else Outcome.PASS
    reason = measured.why_not or "; ".join(measured.notes)
    findings = [Finding("output", "", "", None, None, None, None, None, outcome, reason)]
    if beside is not None and settings.stray_db is not None:
        findings += [_stray(path.path, path.stray, settings.stray_db) for path in beside.paths if path.stray]
    findings += [_observed(one, settings) for one in observed]
    return findings + [
        Finding(QUANTITIES[key], "", key.rpartition("_")[2], None, None, None, None, None, Outcome.NOT_ASKED, why)
        for key in QUANTITIES
        if (why := settings.declared.get(key.rpartition("_")[0]))
    ]


def _observed(one: Observed, settings: Conduct) -> Finding:
    """What was observed, against its tolerance. What could not be played at all is output that cannot be used."""
    if one.not_put:
        # What the reference itself wants moved must be moved; what is asked of all builds may not apply to one.
        outcome = Outcome.UNSURE if one.question == "move_percent" else Outcome.NOT_ASKED
        quantity = QUANTITIES.get(one.question, one.question)
        return Finding(quantity, one.where, "", None, None, None, None, None, outcome, one.not_put)
    if one.question not in QUANTITIES:
        return Finding(one.question, one.where, "", None, None, None, None, None, Outcome.FAIL, one.why_not)
    tolerance = getattr(settings, one.question)
    assert tolerance is not None
    assert one.amount is not None
    limits = tolerance.at()
    finding = judge_deviation(
        one.name or QUANTITIES[one.question], one.where, "dB" if one.question.endswith("_db") else "%", 0.0, one.amount,
        min(one.amount, MOST), one.uncertainty, limits.above, tolerance_below=limits.below,
        reason=true_minus(one.remark),
    )  # fmt: skip
    if finding.outcome is not Outcome.FAIL or one.question not in LIKELY:
        return finding
    return replace(finding, reason="; ".join(part for part in (finding.reason, LIKELY[one.question]) if part))


def _stray(path: str, stray: StraySound, tolerance: Tolerance) -> Finding:
    place = f"at {stray.time_s:.2f} s, {stray.low_hz:.0f} to {stray.high_hz:.0f} Hz"
    return judge_deviation(
        "stray sound", ", ".join(part for part in (path, place) if part), "dB", 0.0, stray.excess_db, stray.excess_db,
        0.0, tolerance.at().above, tolerance_below=math.inf,
        reason=true_minus(f"{stray.level_db:.0f} dB re the golden's loudest"),
    )  # fmt: skip
