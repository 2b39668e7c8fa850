"""What a sample costs in CPU time, against the golden.

Aim. A change must not make the build dearer unnoticed, nor so much cheaper that something was dropped.

Method. Candidate and baseline (the golden's own build, or the calibration kernel) are timed in turns, one short run
each, in alternating order, so that whatever else the machine does falls on both. Their processes are started anew a few
times. Of each pair of runs the ratio is taken; the measurement is the median of the ratios. Its interval is the 95 % of
a paired bootstrap in two stages (A. C. Davison, D. V. Hinkley, Bootstrap Methods and their Application, 1997, 3.8 and
8.2.3; memory): processes are drawn first, then within each of them blocks of pairs in a row, because disturbances
last. The median shrugs off runs that a busy machine disturbs, which only ever takes them longer. Absolute times are
never compared. Where the interval leaves a verdict unsure, the pairs it would take are n·(U/U′)², U being what pairs
lower of the uncertainty and U′ what the limit leaves of it.

Conventions. A deviation is positive when the build is dearer than the golden, in percent of the golden's cost.

Limits of validity. What all processes of one build have in common and those of another have not (where its code lies
in its file, where that file lies in memory) no number of pairs averages out: ``FLOOR_PERCENT`` is added for it. Against
the kernel the golden's cost is only as good as the likeness of the machines: a build that waits for memory and one that
computes do not scale alike. A cost that comes more rarely than once a run (``render.timing``) is in no median: see
``check.blocks``.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from reverdict.check.blocks import ENOUGH, BlockMeasurement
from reverdict.check.blocks import measure as measure_blocks
from reverdict.judging import judge_deviation
from reverdict.phrases import true_minus
from reverdict.words import Outcome

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from reverdict.render.timing import Timer
    from reverdict.words import Finding

Pair = tuple[float, float]

FLOOR_PERCENT = 1.0
"""Expanded (k = 2); see tests/README.md for what it was measured on."""

FEWEST_PAIRS = 6
RESAMPLES = 2000
SEED = 20
PARALLEL = "not measured: timing is switched off, as in parallel runs; judge cost without -n or by reverdict gate"
TOO_CHEAP = "too cheap to be told from the start-up of its program"
BASELINE, KERNEL = "baseline", "calibration kernel"
NO_NUMBER = "no number of pairs would tell"

PLANS = ((3, 2), (3, 1), (2, 1))
"""Processes, and instances in each of them: the first of these that can be paid with ``USUAL_S``, else the last."""

PAIRS, FEWEST_PAIRS_A_PROCESS = 8, 3
"""Of each instance, where blocks do not need more."""

USUAL_S, LONGEST_S = 5.0, 14.0
"""Wall-clock seconds for runs. Dear builds may take up to the second for blocks enough; and so does who is unsure."""


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
    floor : float
        The part of the uncertainty that more pairs cannot lower.
    ratio_of_minima : float or None
        The fastest candidate run over the fastest baseline run, for comparison.
    candidate_s, baseline_s : float or None
        Median CPU seconds per sample. For show only: they belong to this machine at this hour.
    pairs, seconds : int, float
        Pairs of runs, and the wall-clock seconds they took with all that belongs to them.
    blocks : BlockMeasurement
    against : ``BASELINE`` or ``KERNEL``
    """

    ratio: float | None = None
    uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    floor: float = 0.0
    ratio_of_minima: float | None = None
    candidate_s: float | None = None
    baseline_s: float | None = None
    pairs: int = 0
    seconds: float = 0.0
    blocks: BlockMeasurement = field(default_factory=BlockMeasurement)
    against: str = BASELINE
    why_not: str = ""


def measure(
    pairs: Sequence[Pair], processes: Sequence[int] = (), floor_percent: float = FLOOR_PERCENT
) -> CostMeasurement:
    """Cost ratio from interleaved pairs.

    Parameters
    ----------
    pairs : sequence of (candidate, baseline)
        CPU seconds per sample.
    processes : sequence of int
        How many of the pairs each pair of processes gave, in order; all from one by default.
    floor_percent : float
        Expanded uncertainty that more pairs cannot lower.
    """
    if len(pairs) < FEWEST_PAIRS:
        return CostMeasurement(pairs=len(pairs), why_not=f"{len(pairs)} pairs of runs, needs {FEWEST_PAIRS}")
    times = np.asarray(pairs, dtype=float)
    if not (np.isfinite(times).all() and (times > 0.0).all()):
        return CostMeasurement(pairs=len(pairs), why_not=TOO_CHEAP)
    ratios = times[:, 0] / times[:, 1]
    ratio = float(np.median(ratios))
    low, high = _interval_of_median(ratios, [size for size in processes if size] or [ratios.size])
    spread = max(high - ratio, ratio - low)
    floor = ratio * floor_percent / 100.0
    fastest = times.min(axis=0)
    usual = np.median(times, axis=0)
    return CostMeasurement(
        ratio=ratio,
        uncertainty=math.hypot(spread, floor),
        low=low,
        high=high,
        floor=floor,
        ratio_of_minima=float(fastest[0] / fastest[1]),
        candidate_s=float(usual[0]),
        baseline_s=float(usual[1]),
        pairs=len(pairs),
    )


def _interval_of_median(ratios: NDArray[Any], processes: Sequence[int]) -> tuple[float, float]:
    """95 % percentile interval of the median, from seeded resamples: of processes, and of pairs in a row in each."""
    draw = np.random.default_rng(SEED)
    sizes = np.array(processes)
    begins = np.cumsum(sizes) - sizes
    wanted = round(ratios.size / sizes.size)  # of each process drawn
    in_a_row = max(1, round(wanted ** (1 / 3)))
    drawn = draw.integers(0, sizes.size, (RESAMPLES, sizes.size, 1, 1))
    first = draw.random((RESAMPLES, sizes.size, -(-wanted // in_a_row), 1)) * sizes[drawn]
    # Round a process as round a ring: its first and last pairs are drawn as often as the others.
    places = begins[drawn] + (first.astype(int) + np.arange(in_a_row)) % sizes[drawn]
    places = places.reshape(RESAMPLES, sizes.size, -1)[:, :, :wanted].reshape(RESAMPLES, -1)
    low, high = np.quantile(np.median(ratios[places], axis=1), [0.025, 0.975])
    return float(low), float(high)


def pairs_needed(golden_ratio: float, measurement: CostMeasurement, tolerances: CostTolerances) -> int | None:
    """Pairs it takes, all told, to decide on this machine; None where no number does, or nothing was measured.

    The deviation is taken as found. What pairs lower of the uncertainty shrinks with the root of their number, and has
    to fit with the floor into what lies between the deviation and its nearest limit.
    """
    if measurement.ratio is None or measurement.uncertainty is None:
        return None
    deviation = 100.0 * (measurement.ratio / golden_ratio - 1.0)
    left = min(abs(tolerances.dearer_percent - deviation), abs(tolerances.cheaper_percent + deviation))
    floor = 100.0 * measurement.floor / golden_ratio
    if left <= floor or not measurement.pairs:
        return None
    spread_squared = (100.0 * measurement.uncertainty / golden_ratio) ** 2 - floor**2
    return max(measurement.pairs, math.ceil(measurement.pairs * spread_squared / (left**2 - floor**2)))


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
    finding = judge_deviation(
        "cost", "", "%", 0.0, deviation, deviation, uncertainty, tolerances.dearer_percent,
        tolerance_below=tolerances.cheaper_percent, reason=measurement.why_not,
    )  # fmt: skip
    if deviation is not None and finding.outcome is Outcome.UNSURE:
        finding = replace(finding, reason=_too_noisy(finding, golden_ratio, measurement, tolerances))
    return [finding]


def _too_noisy(finding: Finding, golden_ratio: float, measurement: CostMeasurement, tolerances: CostTolerances) -> str:
    """What was found, and how many pairs would tell."""
    found = f"{true_minus(f'{finding.deviation:.1f}')} % ± {finding.uncertainty:.1f} %"
    needed = pairs_needed(golden_ratio, measurement, tolerances)
    if needed is None:
        floor = 100.0 * measurement.floor / golden_ratio
        return f"{found}; {NO_NUMBER}: its limit is nearer than the {floor:.1f} % by which two copies of a build differ"
    seconds = needed * measurement.seconds / measurement.pairs
    return f"too noisy here: {found}; about {_roughly(needed)} pairs ({_roughly(seconds)} s) would tell"


def _roughly(number: float) -> str:
    """Two digits, the last of them up: 90, 1300."""
    step = 10 ** max(0, math.floor(math.log10(max(number, 1.0))) - 1)
    return str(math.ceil(number / step) * step)


def time_beside_counts(finding: Finding) -> Finding:
    """A finding of time beside a count that decided: what is only unsure is no reason to close the gate.

    A failure stays one, and so does an unsure of a build that broke down while it was timed.
    """
    measured = finding.deviation is not None
    if finding.outcome is not Outcome.UNSURE or not (measured or finding.reason in (PARALLEL, TOO_CHEAP)):
        return finding
    return replace(finding, outcome=Outcome.NOT_ASKED, reason=f"counts decide; by time {finding.reason}")


def as_json(golden_ratio: float, measurement: CostMeasurement, tolerances: CostTolerances) -> dict[str, Any]:
    """The ``timed`` of ``report.data.verdict``; the ratio and what belongs to it in units of the golden's cost."""

    def in_golden(value: float | None) -> float | None:
        return None if value is None else value / golden_ratio

    return {
        "against": measurement.against,
        "ratio": in_golden(measurement.ratio),
        "low": in_golden(measurement.low),
        "high": in_golden(measurement.high),
        "uncertainty": in_golden(measurement.uncertainty),
        "pairs": measurement.pairs,
        "pairs_needed": pairs_needed(golden_ratio, measurement, tolerances),
        "seconds_per_sample": {
            "golden": measurement.baseline_s if measurement.against == BASELINE else None,
            "candidate": measurement.candidate_s,
        },
        "blocks": measurement.blocks.as_json(),
        "why_not": measurement.why_not,
    }


def run_interleaved(
    candidate: Timer,
    baseline: Timer,
    benchmark: Any,
    settled: Callable[[CostMeasurement], bool] = lambda _: True,
    longest_s: float = LONGEST_S,
    against: str = BASELINE,
) -> CostMeasurement:
    """Time two builds in turns through pytest-benchmark's fixture.

    Parameters
    ----------
    candidate, baseline : Timer
    benchmark : BenchmarkFixture
        Its rounds are rounds of one pair of runs; ``extra_info`` receives the result. Where it is disabled (parallel
        runs), nothing is measured and the measurement says so.
    settled : callable
        Whether a measurement decides. While it does not, processes are added until ``longest_s`` seconds are spent.
    longest_s : float
        Wall-clock seconds from the first round.
    against : ``BASELINE`` or ``KERNEL``
        What the baseline is. The kernel's blocks are not held against the candidate's.
    """
    if benchmark.disabled:
        benchmark.pedantic(lambda: None)
        return CostMeasurement(against=against, why_not=PARALLEL)
    turns = _Turns(candidate, baseline)
    started = time.monotonic()
    turns.get_ready()
    ready = time.monotonic()
    turns.take()
    processes, instances, pairs = _plan(candidate, baseline, time.monotonic() - ready, longest_s)
    turns.pairs, turns.instances = pairs, instances
    benchmark.pedantic(turns.take, setup=turns.get_ready, rounds=processes * instances * pairs - 1, iterations=1)

    def measured() -> CostMeasurement:
        found = measure(turns.taken, turns.processes)
        return replace(found, against=against, seconds=time.monotonic() - started)

    measurement = measured()
    while not turns.over and not settled(measurement) and time.monotonic() - started < longest_s:
        for _ in range(instances * pairs):
            turns.get_ready()
            turns.take()
        measurement = measured()
    if turns.over:
        measurement = CostMeasurement(pairs=len(turns.taken), against=against, why_not=turns.over)
    measurement = replace(measurement, blocks=_blocks(candidate, baseline, against))
    benchmark.extra_info.update(_for_show(measurement))
    return measurement


class _Turns:
    """Pairs of runs of two timers, first the one, then the other first; their processes begin anew now and then.

    taken : the pairs.
    processes : how many of them came from each pair of processes.
    pairs, instances : how many pairs an instance gives before it is replaced, and a process instances.
    """

    def __init__(self, candidate: Timer, baseline: Timer) -> None:
        self.taken: list[Pair] = []
        self.processes = [0]
        self.pairs, self.instances = PAIRS, 1
        self._timers = candidate, baseline

    @property
    def over(self) -> str:
        """Why timing is over; empty while both go on."""
        candidate, baseline = self._timers
        if candidate.why_not:
            return candidate.why_not
        return f"baseline: {baseline.why_not}" if baseline.why_not else ""

    def get_ready(self) -> None:
        """Begin new processes or instances where these have given their share; wait until a pair can be taken."""
        if self.over:
            return
        given = self.processes[-1]
        if given == self.pairs * self.instances and any(timer.stays for timer in self._timers):
            self.processes.append(0)
            for timer in self._timers:  # both at once, since each takes its time
                timer.restart()
        elif given and given % self.pairs == 0:
            for timer in self._timers:
                timer.renew()
        for timer in self._timers:
            timer.get_ready()

    def take(self) -> None:
        """Run each once."""
        if self.over:
            return
        candidate, baseline = self._timers
        first, second = (candidate, baseline) if len(self.taken) % 2 else (baseline, candidate)
        times = {id(timer): timer.seconds_per_sample() for timer in (first, second)}
        own, other = times[id(candidate)], times[id(baseline)]
        if own is not None and other is not None:
            self.taken.append((own, other))
            self.processes[-1] += 1


def _plan(candidate: Timer, baseline: Timer, pair_s: float, longest_s: float) -> tuple[int, int, int]:
    """Processes, instances in each and pairs of each, from what a pair takes: blocks enough where they can be paid."""
    pair_s = max(pair_s, 1e-3)
    usual_s = min(USUAL_S, longest_s)
    a_run = [len(timer.block_s[0]) for timer in (candidate, baseline) if timer.block_s and timer.block_s[0]]
    wanted = max([PAIRS, *(math.ceil(ENOUGH / blocks) for blocks in a_run)])
    for processes, instances in PLANS:
        if processes * instances * wanted * pair_s <= usual_s:
            return processes, instances, wanted
    can_pay = int((longest_s if a_run else usual_s) / (processes * instances * pair_s))
    return processes, instances, min(wanted, max(FEWEST_PAIRS_A_PROCESS, can_pay))


def _blocks(candidate: Timer, baseline: Timer, against: str) -> BlockMeasurement:
    """The candidate's blocks, beside the golden's where there is a build of it that has blocks."""
    if why_not := candidate.why_not or candidate.why_no_blocks:
        return BlockMeasurement(candidate.block_size, 1e6 * candidate.block_size / candidate.rate_hz, why_not=why_not)
    comparable = against == BASELINE and not (baseline.why_not or baseline.why_no_blocks)
    golden = baseline.block_s if comparable else []
    return measure_blocks(candidate.block_s, golden, candidate.block_size, candidate.rate_hz)


def _for_show(measurement: CostMeasurement) -> dict[str, Any]:
    return {
        "cost_ratio": measurement.ratio,
        "cost_ratio_uncertainty": measurement.uncertainty,
        "cost_ratio_of_minima": measurement.ratio_of_minima,
        "candidate_seconds_per_sample": measurement.candidate_s,
        "baseline_seconds_per_sample": measurement.baseline_s,
        "pairs": measurement.pairs,
        "blocks": measurement.blocks.as_json(),
        "why_not": measurement.why_not,
    }
