"""How the cost of a build grows with the size of what it is asked, and what it needs of memory and time to start.

Aim. An algorithm that costs twice as much for twice the work stays affordable; one that costs four times as much does
not, however cheap it is at the size it was tried at. And one that keeps a little memory of every block ends on stage.

Growth. Cost as a power of size, c ∝ sizeᵖ: p is the slope of log cost over log size, 1 for linear growth. What a block
or a second costs whatever its size (calls, control code) hides growth at small sizes, so the exponent is that of the
last step, between the two largest sizes; the slope over all of them is kept beside it. Of repeated runs at one size the
quickest counts, for others on the machine only ever add. Its uncertainty (k = 2) is how far the lower quartile of the
runs lies above it, and ``POINT_FLOOR`` for what repeats cannot show; that of the exponent follows from both ends of the
step.

Length. The sound is cut in ``WINDOWS`` windows; of each, the quicker of several plays counts; cost up to a quarter, a
half and all of the sound is their sum. A build that sums all it has heard at every block has an exponent of 2. The
uncertainty is how far plays usually differ.

Leak. The floor of resident memory (what is never given back later) over seconds of sound, from half of the sound on,
when all that is allocated at first use has been. Its slope is the median of the slopes of all pairs of readings
(Theil-Sen: P. K. Sen, J. Am. Stat. Assoc. 63, 1968; memory). An allocator takes memory in steps: the largest one is
taken out before the slope is, for a leak goes on and a step does not; the next one is the uncertainty. Of several plays
the one that leaks least counts.

Limits of validity. Growth that sets in beyond the sizes that were tried is not seen; nor is memory that is reserved and
never written to. Work that comes in bursts further apart than a run is long is missing from the quickest run (of
length it is not). A convolution in partitions with a response that lasts as long at every rate does grow with the
square of the rate; that is told, not excused.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

POINT_FLOOR = 0.05
"""Relative, expanded (k = 2): what two instances of one build differ by for good, as where their memory lies."""

FEWEST_REPEATS = 3
WINDOWS = 16
MARKS = (4, 8, 16)
"""Windows after which the cost of length is summed up."""

FEWEST_READINGS = 16
PAGE_KB = 4.0
"""Resident memory is told in pages."""


@dataclass(frozen=True)
class PointRuns:
    """CPU seconds that the same work took, time after time, at one size ``at``."""

    at: float
    seconds: tuple[float, ...]


@dataclass(frozen=True)
class AxisRuns:
    """Runs along one axis, by rising size.

    axis, unit : str
        "block size", "frames".
    not_put : tuple of str
        Sizes that could not be tried, each with its reason.
    why_not : str
        Why nothing was tried; empty where it was.
    applies : bool
        Whether ``why_not`` is a failure (True), or this build just cannot be asked (False).
    """

    axis: str
    unit: str
    points: tuple[PointRuns, ...] = ()
    not_put: tuple[str, ...] = ()
    why_not: str = ""
    applies: bool = True


@dataclass(frozen=True)
class Point:
    """Cost at one size, CPU seconds (relative uncertainty, k = 2)."""

    at: float
    cost: float
    uncertainty: float


@dataclass(frozen=True)
class Growth:
    """How cost grows along one axis.

    exponent, uncertainty : float or None
        Of the last step, k = 2; None when ``why_not`` says why.
    slope : float or None
        Exponent over all points.
    points : tuple of Point
    applies, not_put
        As in ``AxisRuns``.
    """

    axis: str
    unit: str
    exponent: float | None = None
    uncertainty: float | None = None
    slope: float | None = None
    points: tuple[Point, ...] = ()
    not_put: tuple[str, ...] = ()
    why_not: str = ""
    applies: bool = True


@dataclass(frozen=True)
class Play:
    """A long sound played to one instance in a process of its own.

    setup_s : CPU seconds to open the build and make the instance.
    peak_mb : what the process grew by at its peak within the first second of sound; NaN where the system does not tell.
    ends_s, cpu_s : ndarray, shape (blocks,)
        Seconds of sound at which each block ended, and what it took.
    read_at_s, resident_kb : ndarray, shape (readings,)
        Seconds of sound, and resident memory then.
    """

    setup_s: float
    peak_mb: float
    ends_s: NDArray[Any]
    cpu_s: NDArray[Any]
    read_at_s: NDArray[Any]
    resident_kb: NDArray[Any]


@dataclass(frozen=True)
class Figure:
    """A value and its expanded uncertainty (k = 2); None when ``why_not`` says why. ``applies`` as in ``AxisRuns``."""

    value: float | None = None
    uncertainty: float | None = None
    why_not: str = ""
    applies: bool = True


@dataclass(frozen=True)
class Needs:
    """What a build takes before and while it sounds: set-up in CPU seconds, peak of memory in MB of 2**20 bytes."""

    setup_s: Figure
    memory_mb: Figure


@dataclass(frozen=True)
class Grown:
    """All that was found of how a build grows.

    growth : an entry per axis.
    candidate, golden : Needs; None of a golden without a baseline build.
    leak : kB per second of sound.
    levels : sound -> CPU seconds per second of it, for noise of −20 dBFS, of −80 dBFS, and silence; told, not judged.
    """

    growth: tuple[Growth, ...] = ()
    candidate: Needs | None = None
    golden: Needs | None = None
    leak: Figure | None = None
    levels: tuple[tuple[str, float], ...] = ()


def growth_of(runs: AxisRuns) -> Growth:
    """Growth along an axis from repeated runs."""
    if runs.why_not:
        return Growth(runs.axis, runs.unit, not_put=runs.not_put, why_not=runs.why_not, applies=runs.applies)
    return _growth(runs.axis, runs.unit, [_point(one) for one in runs.points], runs.not_put)


def growth_with_length(plays: Sequence[Play]) -> Growth:
    """Growth with the length of the sound, from plays of the same length."""
    costs = np.array([_window_costs(play) for play in plays])
    if (costs <= 0.0).any():
        return Growth("length", "s", why_not=f"the sound is too short, or too cheap, to be cut in {WINDOWS}")
    differ = float(np.median(np.log(costs.max(axis=0) / costs.min(axis=0)))) if len(plays) > 1 else math.inf
    summed = np.cumsum(costs.min(axis=0))
    length = float(plays[0].ends_s[-1])
    points = [
        Point(length * mark / WINDOWS, float(summed[mark - 1]), math.hypot(differ, POINT_FLOOR)) for mark in MARKS
    ]
    return _growth("length", "s", points, ())


def leak_of(plays: Sequence[Play]) -> Figure:
    """Memory that stays taken, in kB per second of sound: of the play that leaks least."""
    return min((_leak(play) for play in plays), key=lambda one: math.inf if one.value is None else one.value)


def least(values: Sequence[float], floor: float) -> Figure:
    """The least of repeated values, of which others only ever add; uncertain by how far the next lies above it.

    floor : relative, expanded (k = 2).
    """
    first, second = sorted(values)[:2] if len(values) > 1 else (values[0], values[0])
    if not math.isfinite(first):
        return Figure(why_not="this system does not tell the memory of a process", applies=False)
    return Figure(first, math.hypot(second - first, floor * first))


def _point(runs: PointRuns) -> Point:
    quickest = min(runs.seconds)
    if quickest <= 0.0 or len(runs.seconds) < FEWEST_REPEATS:
        return Point(runs.at, quickest, math.inf)
    above = math.log(float(np.quantile(runs.seconds, 0.25)) / quickest)
    return Point(runs.at, quickest, math.hypot(above, POINT_FLOOR))


def _growth(axis: str, unit: str, points: list[Point], not_put: tuple[str, ...]) -> Growth:
    known = tuple(point for point in points if math.isfinite(point.uncertainty))
    if len(known) < 2:
        too_cheap = "too cheap to be told from the start-up of its program, or not repeated often enough"
        return Growth(axis, unit, points=known, not_put=not_put, why_not=too_cheap)
    sizes, costs = (np.log([getattr(point, name) for point in known]) for name in ("at", "cost"))
    step = float(sizes[-1] - sizes[-2])
    return Growth(
        axis,
        unit,
        exponent=float(costs[-1] - costs[-2]) / step,
        uncertainty=math.hypot(known[-1].uncertainty, known[-2].uncertainty) / step,
        slope=float(np.polyfit(sizes, costs, 1)[0]),
        points=known,
        not_put=not_put,
    )


def _window_costs(play: Play) -> NDArray[Any]:
    """CPU seconds of each window; a block counts to those it lies in, by its share."""
    summed = np.concatenate([[0.0], np.cumsum(play.cpu_s)])
    ends = np.concatenate([[0.0], play.ends_s])
    return np.diff(np.interp(np.linspace(0.0, ends[-1], WINDOWS + 1), ends, summed))


def _leak(play: Play) -> Figure:
    late = play.read_at_s >= 0.5 * play.read_at_s[-1] if play.read_at_s.size else np.zeros(0, bool)
    at, resident = play.read_at_s[late], play.resident_kb[late]
    if not np.isfinite(resident).all():
        return Figure(why_not="this system does not tell the memory of a process", applies=False)
    if at.size < FEWEST_READINGS:
        return Figure(why_not=f"{at.size} readings of memory, needs {FEWEST_READINGS}")
    # What is given back later was never lost: the floor on which memory rises and falls is what counts.
    resident = np.minimum.accumulate(resident[::-1])[::-1]
    steps = np.diff(resident)
    largest = int(np.argmax(steps))
    resident = resident - np.where(np.arange(at.size) > largest, max(float(steps[largest]), 0.0), 0.0)
    pairs = np.array(list(itertools.combinations(range(at.size), 2)))
    slopes = (resident[pairs[:, 1]] - resident[pairs[:, 0]]) / (at[pairs[:, 1]] - at[pairs[:, 0]])
    next_step = max(float(np.sort(steps)[-2]), 0.0)
    return Figure(float(np.median(slopes)), (next_step + PAGE_KB) / float(at[-1] - at[0]))
