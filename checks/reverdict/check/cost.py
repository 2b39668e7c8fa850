"""What a sample costs, against the golden.

Aim. A change must not make the build dearer unnoticed, nor so much cheaper that something was dropped.

Method. Candidate and baseline (the golden's own build, or the calibration kernel) are timed in turns, one short run
each, in alternating order, so that whatever else the machine does falls on both. Of each pair the ratio is taken; the
measurement is the median of the ratios, its interval the 95 % of a paired bootstrap (B. Efron, R. Tibshirani, An
Introduction to the Bootstrap, 1993, chapter 13, percentile interval; memory). The median shrugs off the runs that a
busy machine disturbs, which only ever takes them longer. Absolute times are never compared.

Conventions. A deviation is positive when the build is dearer than the golden, in percent of the golden's cost.

Limits of validity. Two processes of one and the same build may differ for their whole life (where their memory lies),
which no number of pairs averages out: ``PROCESS_FLOOR_PERCENT`` is added for it. Against the kernel the golden's cost
is only as good as the likeness of the machines: a build that waits for memory and one that computes do not scale alike.
The ratio says nothing of the worst block, only of the mean.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from reverdict.judging import judge_deviation

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from reverdict.words import Finding

Pair = tuple[float, float]

PROCESS_FLOOR_PERCENT = 2.0
"""Expanded (k = 2). Measured on a two-spring build in numpy, two cores oversubscribed twice: over 8 pairs of
processes, 50 pairs of runs each, the ratio had a standard deviation of 1.3 % where the runs within a pair of processes
let expect 1.8 %. So whatever differs between processes is no more than about 1 %, one standard deviation."""

FEWEST_PAIRS = 6
USUAL_ROUNDS = 12
BUDGET_S = 6.0
RESAMPLES = 2000
SEED = 20
PARALLEL = "not measured: timing is switched off, as in parallel runs; judge cost without -n or by reverdict gate"


class Timer(Protocol):
    """Something that can be timed; ``why_not`` says why it cannot (any more)."""

    why_not: str

    def seconds_per_sample(self) -> float | None:
        """CPU seconds per sample, measured afresh; None when ``why_not`` says why."""


class CostTolerances(Protocol):
    """How much dearer and cheaper a build may be, in percent of the golden's cost."""

    @property
    def dearer_percent(self) -> float: ...
    @property
    def cheaper_percent(self) -> float: ...


@dataclass(frozen=True)
class CostMeasurement:
    """Cost of a candidate as a multiple of a baseline.

    ratio : float or None
        Median of the ratios of the pairs; None when ``why_not`` says why.
    uncertainty : float or None
        Expanded (k = 2), in the unit of the ratio: the wider side of the 95 % interval, and the floor.
    low, high : float or None
        95 % interval of the median by bootstrap.
    ratio_of_minima : float or None
        The fastest candidate run over the fastest baseline run, for comparison.
    candidate_s, baseline_s : float or None
        Median CPU seconds per sample. For show only: they belong to this machine at this hour.
    pairs : int
    """

    ratio: float | None = None
    uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    ratio_of_minima: float | None = None
    candidate_s: float | None = None
    baseline_s: float | None = None
    pairs: int = 0
    why_not: str = ""


def measure(pairs: Sequence[Pair], floor_percent: float = PROCESS_FLOOR_PERCENT) -> CostMeasurement:
    """Cost ratio from interleaved pairs.

    Parameters
    ----------
    pairs : sequence of (candidate, baseline)
        CPU seconds per sample.
    floor_percent : float
        Expanded uncertainty that more pairs cannot lower.
    """
    if len(pairs) < FEWEST_PAIRS:
        return CostMeasurement(pairs=len(pairs), why_not=f"{len(pairs)} pairs of runs, needs {FEWEST_PAIRS}")
    times = np.asarray(pairs, dtype=float)
    if not (np.isfinite(times).all() and (times > 0.0).all()):
        return CostMeasurement(pairs=len(pairs), why_not="too cheap to be told from the start-up of its program")
    ratios = times[:, 0] / times[:, 1]
    ratio = float(np.median(ratios))
    low, high = _interval_of_median(ratios)
    spread = max(high - ratio, ratio - low)
    floor = ratio * floor_percent / 100.0
    fastest = times.min(axis=0)
    usual = np.median(times, axis=0)
    return CostMeasurement(
        ratio=ratio,
        uncertainty=math.hypot(spread, floor),
        low=low,
        high=high,
        ratio_of_minima=float(fastest[0] / fastest[1]),
        candidate_s=float(usual[0]),
        baseline_s=float(usual[1]),
        pairs=len(pairs),
    )


def _interval_of_median(values: np.ndarray[Any, Any]) -> tuple[float, float]:
    """95 % percentile interval of the median, from seeded resamples."""
    drawn = np.random.default_rng(SEED).integers(0, values.size, (RESAMPLES, values.size))
    low, high = np.quantile(np.median(values[drawn], axis=1), [0.025, 0.975])
    return float(low), float(high)


def judge(golden_ratio: float, measurement: CostMeasurement, tolerances: CostTolerances) -> list[Finding]:
    """One finding: how much dearer or cheaper than the golden, in percent.

    Parameters
    ----------
    golden_ratio : float
        The golden's cost in the unit of the measurement: 1 against the golden's own build, ``kernel_ratio`` against the
        calibration kernel.
    measurement : CostMeasurement
    tolerances : CostTolerances
        ``dearer_percent`` and ``cheaper_percent``.
    """
    deviation = uncertainty = None
    if measurement.ratio is not None and measurement.uncertainty is not None:
        deviation = 100.0 * (measurement.ratio / golden_ratio - 1.0)
        uncertainty = 100.0 * measurement.uncertainty / golden_ratio
    return [
        judge_deviation(
            "cost", "", "%", 0.0, deviation, deviation, uncertainty, tolerances.dearer_percent,
            tolerance_below=tolerances.cheaper_percent, reason=measurement.why_not,
        )
    ]  # fmt: skip


def run_interleaved(
    candidate: Timer,
    baseline: Timer,
    benchmark: Any,
    settled: Callable[[CostMeasurement], bool] = lambda _: True,
    budget_s: float = BUDGET_S,
) -> CostMeasurement:
    """Time two builds in turns through pytest-benchmark's fixture.

    Parameters
    ----------
    candidate, baseline : Timer
    benchmark : BenchmarkFixture
        Its rounds are rounds of one run each; ``extra_info`` receives the result. Where it is disabled (parallel
        runs), nothing is measured and the measurement says so.
    settled : callable
        Whether a measurement decides. While it does not, rounds are added until ``budget_s`` seconds are spent.
    budget_s : float
        Wall-clock seconds from the first round.
    """
    pairs: list[Pair] = []
    started = time.monotonic()

    def one_round() -> None:
        first, second = (candidate, baseline) if len(pairs) % 2 else (baseline, candidate)
        times = {id(timer): timer.seconds_per_sample() for timer in (first, second)}
        own, other = times[id(candidate)], times[id(baseline)]
        if own is not None and other is not None:
            pairs.append((own, other))

    if benchmark.disabled:
        benchmark.pedantic(lambda: None)
        return CostMeasurement(why_not=PARALLEL)
    for timer in (candidate, baseline):
        timer.seconds_per_sample()  # finds its length and warms up
    warmed = time.monotonic()
    one_round()
    rounds = int(np.clip(budget_s / max(time.monotonic() - warmed, 1e-3), FEWEST_PAIRS, USUAL_ROUNDS))
    benchmark.pedantic(one_round, rounds=rounds, iterations=1)
    measurement = measure(pairs)
    while not _over(candidate, baseline) and not settled(measurement) and time.monotonic() - started < budget_s:
        one_round()
        measurement = measure(pairs)
    if why_not := _over(candidate, baseline):
        measurement = CostMeasurement(pairs=len(pairs), why_not=why_not)
    benchmark.extra_info.update(_for_show(measurement))
    return measurement


def _over(candidate: Timer, baseline: Timer) -> str:
    """Why timing is over; empty while both go on."""
    if candidate.why_not:
        return candidate.why_not
    return f"baseline: {baseline.why_not}" if baseline.why_not else ""


def _for_show(measurement: CostMeasurement) -> dict[str, Any]:
    return {
        "cost_ratio": measurement.ratio,
        "cost_ratio_uncertainty": measurement.uncertainty,
        "cost_ratio_of_minima": measurement.ratio_of_minima,
        "candidate_seconds_per_sample": measurement.candidate_s,
        "baseline_seconds_per_sample": measurement.baseline_s,
        "pairs": measurement.pairs,
        "why_not": measurement.why_not,
    }
