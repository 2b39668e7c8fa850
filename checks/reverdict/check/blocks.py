"""What single blocks cost: the distribution of CPU time over a thousand blocks and more, beside that of the golden.

Aim. A build may be cheap in the mean and still miss its deadline: an FFT every so many blocks, a table that is made
anew, memory that is asked for. The mean says nothing of it.

Method. Several processes play the same noise to fresh instances, and each block has a CPU time of its own. Of
every block the minimum over the instances is taken: the work is the same each time, and whatever else the machine does
only adds to it, rarely to the same block twice. Of these come minimum, median, 99th and 99.9th percentile (linear
between order statistics) and the worst.

Conventions. Times in microseconds. Real-time factor: CPU time over the time the sound lasts, 1 being all that one core
has. The budget of a block is the time its frames last.

Limits of validity. Noise at one level: a block that is dear only at other sound is not met. What differs from run to
run by itself (a garbage collector, threads of its own) is told too low by a minimum. The first blocks of an instance,
which meet memory that was never touched, are not among them. With fewer than ``ENOUGH`` blocks the 99.9th percentile
is none, and "worst" may miss what comes more rarely.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.judging import judge_deviation

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.reference import Tolerance
    from reverdict.words import Finding

ENOUGH = 1000
FLOOR_PERCENT = 2.0
"""Expanded (k = 2), of a ratio of single blocks: a block is timed for itself, by a clock that takes a share of it."""


@dataclass(frozen=True)
class BlockTimes:
    """CPU time of the blocks of one build.

    minimum_us, median_us, p99_us, worst_us : float
    p999_us : float or None
        None where there are fewer than ``ENOUGH`` blocks.
    real_time_factor : float
        Of their mean.
    """

    minimum_us: float
    median_us: float
    p99_us: float
    p999_us: float | None
    worst_us: float
    real_time_factor: float


@dataclass(frozen=True)
class BlockMeasurement:
    """Blocks of a candidate and of what it is held against.

    block_size, budget_us : frames, and the time they last.
    count, instances : blocks of each build, and how many instances the minimum of each is of.
    golden, candidate : BlockTimes or None
        None when ``why_not`` says why; ``golden`` alone where there is no build of the golden.
    p999_percent, p999_uncertainty : float or None
        How much dearer the candidate's 99.9th percentile is, and its expanded uncertainty (k = 2).
    """

    block_size: int = 0
    budget_us: float = math.nan
    count: int = 0
    instances: int = 0
    golden: BlockTimes | None = None
    candidate: BlockTimes | None = None
    p999_percent: float | None = None
    p999_uncertainty: float | None = None
    why_not: str = ""

    def as_json(self) -> dict[str, Any]:
        """The ``blocks`` of ``report.data.verdict``."""
        return {
            "block_size": self.block_size,
            "count": self.count,
            "instances": self.instances,
            "budget_us": None if math.isnan(self.budget_us) else self.budget_us,
            "golden": asdict(self.golden) if self.golden else None,
            "candidate": asdict(self.candidate) if self.candidate else None,
            "why_not": self.why_not,
        }


def measure(
    candidate: Sequence[Sequence[float]], golden: Sequence[Sequence[float]], block_size: int, rate_hz: float
) -> BlockMeasurement:
    """Distribution of the blocks that several instances played.

    Parameters
    ----------
    candidate, golden : sequence of sequences
        CPU seconds of each block, one sequence an instance, all from the same noise; none for a golden that has none.
    block_size, rate_hz : frames, Hz
    """
    budget_us = 1e6 * block_size / rate_hz
    own, other = _whole(candidate), _whole(golden)
    if not own.size:
        return BlockMeasurement(block_size, budget_us, why_not="no block was timed")
    if other.size:
        count = min(own.shape[1], other.shape[1])
        own, other = own[:, :count], other[:, :count]
    dearer, uncertainty = _beside(own, other)
    return BlockMeasurement(
        block_size,
        budget_us,
        own.shape[1],
        own.shape[0],
        _times(other.min(axis=0), budget_us) if other.size else None,
        _times(own.min(axis=0), budget_us),
        dearer,
        uncertainty,
    )


def _whole(instances: Sequence[Sequence[float]]) -> NDArray[Any]:
    """Microseconds, shape (instances, blocks): as many blocks as the longest has, of those that have them."""
    longest = max(map(len, instances), default=0)
    kept = [one for one in instances if len(one) == longest]
    return 1e6 * np.array(kept, dtype=float) if longest else np.empty((0, 0))


def _times(blocks_us: NDArray[Any], budget_us: float) -> BlockTimes:
    minimum, median, p99, p999, worst = (float(one) for one in np.quantile(blocks_us, [0.0, 0.5, 0.99, 0.999, 1.0]))
    enough = blocks_us.size >= ENOUGH
    return BlockTimes(minimum, median, p99, p999 if enough else None, worst, float(np.mean(blocks_us)) / budget_us)


def _beside(own: NDArray[Any], other: NDArray[Any]) -> tuple[float | None, float | None]:
    """Percent by which the 99.9th percentile is dearer, and what leaving one instance out makes of it."""
    fewest = min(own.shape[0], other.shape[0])
    if own.shape[1] < ENOUGH or fewest < 2:
        return None, None

    def ratio(of_own: NDArray[Any], of_other: NDArray[Any]) -> float:
        return float(np.quantile(of_own.min(axis=0), 0.999) / np.quantile(of_other.min(axis=0), 0.999))

    whole = ratio(own, other)
    without = [
        ratio(np.delete(own, one if one < len(own) else [], 0), np.delete(other, one if one < len(other) else [], 0))
        for one in range(max(own.shape[0], other.shape[0]))
    ]
    spread = max(abs(one - whole) for one in without)
    return 100.0 * (whole - 1.0), math.hypot(100.0 * spread, FLOOR_PERCENT * whole)


def judge(measured: BlockMeasurement, tolerance: Tolerance | None) -> list[Finding]:
    """A finding "worst block" where the reference asks: the 99.9th percentile of blocks against the golden's."""
    if tolerance is None:
        return []
    limits = tolerance.at()
    told = measured.why_not
    if not told and measured.golden is None:
        told = "not measured: there is no golden build whose blocks could be timed beside it"
    elif not told and measured.p999_percent is None:
        told = (
            f"not measured: {measured.count} blocks of {measured.instances} instances were timed, needs {ENOUGH} of 2"
        )
    elif not told:
        assert measured.candidate is not None
        assert measured.candidate.p999_us is not None
        share = 100.0 * measured.candidate.p999_us / measured.budget_us
        told = (
            f"of 1000 blocks one takes {measured.candidate.p999_us:.0f} µs or more, "
            f"{share:.{0 if share >= 10 else 1}f} % of the time its sound lasts"
        )
    return [
        judge_deviation(
            "worst block", "", "%", 0.0 if measured.golden else None, measured.p999_percent, measured.p999_percent,
            measured.p999_uncertainty, limits.above, tolerance_below=limits.below, reason=told,
        )
    ]  # fmt: skip
