"""How cost grows with size, what a build needs before it sounds, and whether it keeps what it took.

Aim. A build whose cost grows faster than linearly with its blocks, its rate, its channels, its parameters or the length
of the sound is stopped, however cheap it is at the size it was tried at; so is one that leaks, and one that takes
clearly more memory or time to start than the golden's own build.

Method. ``measure.growth`` tells exponents, set-up, peak and leak; here each is held against its tolerance by the
guard-band rule. Growth and leak have a golden of their own, linear and nothing; set-up and memory that of the baseline.

Conventions. "growth" has no unit: exponent less 1; only above is a fault. "set-up" in s of CPU time, "memory" in MB of
2**20 bytes beyond what the host took, "leak" in kB per second of sound. What a kind of build cannot be asked comes out
as not asked; what should have been measured and was not, as unsure.

Limits of validity. A set-up or a memory that differs by less than ``SMALLEST_SETUP_S`` or ``SMALLEST_MEMORY_MB`` is no
finding, whatever it is in percent: the system itself moves by so much. Level is told beside, not judged: here noise,
soft noise and silence go to fresh instances, while conduct's ``slow_tail_percent`` judges the silence after sound.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from reverdict.judging import judge_deviation
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.measure.growth import Figure, Grown, Growth
    from reverdict.reference import Cost, Tolerance

SMALLEST_SETUP_S = 0.01
SMALLEST_MEMORY_MB = 1.0

LONGER = "cannot be told beside its growth with length"

COSTS = {
    "block size": "twice the block costs {times} times as much a block",
    "sample rate": "twice the rate costs {times} times as much a second",
    "channels": "twice the paths cost {times} times as much",
    "length": "twice the length costs {times} times as much",
}


def judge(grown: Grown, settings: Cost) -> list[Finding]:
    """Findings "growth" per axis, "leak", "set-up" and "memory": each where its tolerance is set, the last two where
    there is a baseline.
    """
    findings = []
    if settings.growth_exponent is not None:
        findings += _beside_length([_growth(one, settings.growth_exponent) for one in grown.growth])
    if settings.leak_kb_per_s is not None and grown.leak is not None:
        findings.append(_leak(grown.leak, settings.leak_kb_per_s))
    return findings + list(judge_needs(grown, settings))


def as_json(grown: Grown) -> dict[str, Any]:
    """The parts "growth", "levels", "setup_s", "memory_mb" and "leak_kb_per_s" of a verdict's cost, ready for JSON."""
    own, golden, leak = grown.candidate, grown.golden, grown.leak
    return {
        "growth": [
            {
                "axis": one.axis,
                "unit": one.unit,
                "exponent": one.exponent,
                "uncertainty": one.uncertainty,
                "points": [{"at": point.at, "cost": point.cost} for point in one.points],
                "not_put": list(one.not_put),
                "why_not": one.why_not,
            }
            for one in grown.growth
        ],
        "levels": [{"sound": sound, "seconds": seconds} for sound, seconds in grown.levels],
        "setup_s": _both(own.setup_s if own else None, golden.setup_s if golden else None),
        "memory_mb": _both(own.memory_mb if own else None, golden.memory_mb if golden else None),
        "leak_kb_per_s": {"candidate": leak.value, "uncertainty": leak.uncertainty} if leak else None,
    }


def _beside_length(findings: list[Finding]) -> list[Finding]:
    """Where cost surely grows with the length of the sound, a dear size may just have been played for longer."""
    if not any(one.where == "length" and one.outcome is Outcome.FAIL for one in findings):
        return findings
    return [
        replace(one, outcome=Outcome.NOT_ASKED, reason=LONGER)
        if one.where != "length" and one.outcome is not Outcome.PASS
        else one
        for one in findings
    ]


def _growth(growth: Growth, tolerance: float) -> Finding:
    if growth.exponent is None:
        outcome = Outcome.UNSURE if growth.applies else Outcome.NOT_ASKED
        return Finding("growth", growth.axis, "", None, None, None, None, None, outcome, growth.why_not)
    costs = COSTS.get(growth.axis, f"twice the {growth.axis} cost {{times}} times as much")
    said = costs.format(times=f"{2.0**growth.exponent:.1f}") + "; linear would be 2"
    if growth.not_put:
        said += f"; not put: {'; '.join(growth.not_put)}"
    return judge_deviation(
        "growth", growth.axis, "", 1.0, growth.exponent, growth.exponent - 1.0, growth.uncertainty, tolerance,
        tolerance_below=math.inf, reason=said,
    )  # fmt: skip


def _leak(leak: Figure, tolerance: float) -> Finding:
    if not leak.applies:
        return Finding("leak", "", "kB/s", None, None, None, None, None, Outcome.NOT_ASKED, leak.why_not)
    return judge_deviation(
        "leak", "", "kB/s", 0.0, leak.value, leak.value, leak.uncertainty, tolerance,
        tolerance_below=math.inf, reason=leak.why_not,
    )  # fmt: skip


def judge_needs(grown: Grown, settings: Cost) -> Iterator[Finding]:
    """The findings "set-up" and "memory" alone."""
    if grown.candidate is None or grown.golden is None:
        return
    for quantity, unit, tolerance, own, golden, smallest in (
        ("set-up", "s", settings.setup_percent, grown.candidate.setup_s, grown.golden.setup_s, SMALLEST_SETUP_S),
        (
            "memory",
            "MB",
            settings.memory_percent,
            grown.candidate.memory_mb,
            grown.golden.memory_mb,
            SMALLEST_MEMORY_MB,
        ),
    ):
        if tolerance is not None:
            yield _beside(quantity, unit, tolerance, own, golden, smallest)


def _beside(quantity: str, unit: str, tolerance: Tolerance, own: Figure, golden: Figure, smallest: float) -> Finding:
    """A figure against the baseline's."""
    if not (own.applies and golden.applies):
        why_not = own.why_not or golden.why_not
        return Finding(quantity, "", unit, None, None, None, None, None, Outcome.NOT_ASKED, why_not)
    deviation = uncertainty = None
    limits = tolerance.at()
    if own.value is not None and golden.value is not None and own.uncertainty is not None:
        deviation = own.value - golden.value
        uncertainty = math.hypot(own.uncertainty, golden.uncertainty or 0.0)
        limits = limits.times(max(golden.value, 0.0) / 100.0)
    return judge_deviation(
        quantity, "", unit, golden.value, own.value, deviation, uncertainty, max(limits.above, smallest),
        tolerance_below=max(limits.below, smallest), reason=own.why_not or golden.why_not,
    )  # fmt: skip


def _both(own: Figure | None, golden: Figure | None) -> dict[str, float | None]:
    return {"golden": golden.value if golden else None, "candidate": own.value if own else None}
