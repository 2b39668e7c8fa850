"""Which changes turn a golden into its candidate, how large they are, and how much of the deviation they explain.

Both are damped by e^(−αt), so that long tails die away exactly; with G and C the spectra of golden and candidate, and M
what changes make of G,

    explained = 1 − (‖C − M‖² − N) / (min(‖C − G‖², ‖C‖²) − N)

N being what their noise leaves of any explanation. (‖C‖²: having nothing of the golden in it explains nothing.)

Phase can be mistaken by whole turns. So every change is first looked for over all its sizes at low frequencies and with
strong damping, where a response is little more than its first passes; then refined (Gauss and Newton) as the band is
raised and the damping eased. The best change is taken, simpler ones first where they explain as much; then the next one
beside it, all sizes together, as long as that explains a good part of what is left.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.diagnose.changes import Altered, Change
from reverdict.diagnose.view import View, energy

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.fit.model import TankModel

COARSE_ROUNDS, FINE_ROUNDS = 5, 12
COARSE, FINE = 3e-3, 1e-5
"""Shares of a size (and of its step) to which it is refined."""
SHORTENINGS = 4
EXPANDED = 2.0
AS_GOOD = 1.08
"""What is left by two explanations that are equally good may differ by so much."""
ALIKE = 1e-5
"""The same, as a share of the deviation: below, models are not that exact."""
FINALISTS = 6
FAR_BEHIND = 30.0
"""A change that leaves so many times more than the best is no finalist."""
MOST_CHANGES = 4
ENOUGH = 0.8
"""Share of the deviation that changes must explain together: less, and they only imitate another one."""
NEARLY_ALIKE = 0.05
GOOD_PART, NEARLY_ALL = 0.5, 0.9
LEAST_SHARE = 0.02
LARGE_SHARE = 0.2
OVER_NOISE = 1.5
LEAST_DEVIATION = 1e-6
"""Energy of a deviation, as a share of the golden's, below which there is nothing to explain (−60 dB)."""


@dataclass(frozen=True)
class Stage:
    """How many times stronger than at last the damping is, and up to which share of the band is looked at."""

    damping: float
    share: float


STAGES = (Stage(4, 0.35), Stage(4, 0.65), Stage(4, 1.0), Stage(2, 1.0), Stage(1, 1.0))
COARSE_STAGES = 3
"""Those that see little more than first passes."""


@dataclass(frozen=True)
class Found:
    """A change with its size, its expanded uncertainty (k = 2), and the share of the deviation it explains."""

    change: Change
    size: float
    uncertainty: float
    explains: float


@dataclass(frozen=True)
class _Chosen:
    """Changes taken together, their sizes, and the energy they leave."""

    changes: tuple[Change, ...]
    sizes: NDArray[Any]
    left: float

    def without(self, index: int) -> _Chosen:
        return _Chosen(self.changes[:index] + self.changes[index + 1 :], np.delete(self.sizes, index), np.inf)


def search(views: Sequence[View], changes: Sequence[Change]) -> list[Found]:
    """Changes that explain the deviation together, the one that explains most first; empty where nothing does.

    Parameters
    ----------
    views : one for each stage, strongest damping first
    changes : what is thought possible, simplest first
    """
    last = views[-1]
    if not deviates(last):
        return []
    chosen = _Chosen((), np.zeros(0), last.deviation)
    while len(chosen.changes) < MOST_CHANGES and _is_something(last, chosen.left):
        best = _best_beside(views, chosen, changes)
        if best is None or not _worth_it(last, chosen.left, best):
            break
        chosen = _exchanged(views, best, changes) if chosen.changes else best
    if not chosen.changes or last.explained(chosen.left) < ENOUGH:
        return []
    return _told(last, _each_by_itself(last, chosen, changes))


def _each_by_itself(last: View, chosen: _Chosen, changes: Sequence[Change]) -> _Chosen:
    """Where a change of several springs alike needs another one for one of them, each spring has its own.

    Unless they are as good as alike: whole sections of springs that have not equally many are never quite.
    """
    for common in chosen.changes:
        alike = [one for one in chosen.changes if one.kind == common.kind and set(one.springs) < set(common.springs)]
        singles = {one.springs: one for one in changes if one.kind == common.kind and len(one.springs) == 1}
        if not alike or not common.sized or not all((spring,) in singles for spring in common.springs):
            continue
        sizes = dict(zip(chosen.changes, chosen.sizes, strict=True))
        others = [one for one in chosen.changes if one.kind != common.kind]
        apart = [singles[spring,] for spring in common.springs]
        start = [sum(sizes[one] for one in (common, *alike) if spring in one.springs) for spring in common.springs]
        if np.ptp(start) < NEARLY_ALIKE * np.abs(start).max():
            apart, start = [common], [float(np.mean(start))]
        together = (*others, *apart)
        refined = _refined(last, together, np.array([*(sizes[one] for one in others), *start]), FINE_ROUNDS, FINE)
        return _Chosen(together, refined, _left(last, together, refined))
    return chosen


def deviates(view: View) -> bool:
    """Whether there is anything to explain, beyond noise and beyond what nobody would hear."""
    return _is_something(view, view.deviation)


def _is_something(view: View, left: float) -> bool:
    return left > max(OVER_NOISE * view.noise, LEAST_DEVIATION * energy(view.golden))


def _worth_it(last: View, before: float, best: _Chosen) -> bool:
    """Whether one more change explains much of all, or a good part of what was left; the more so, the less that was."""
    gained, still = last.explained(best.left) - last.explained(before), 1 - last.explained(before)
    if len(best.changes) > 1 and not best.changes[-1].matters(float(best.sizes[-1])):
        return False
    return gained > LARGE_SHARE or gained > (GOOD_PART if gained > LEAST_SHARE else NEARLY_ALL) * still


def _made(model: TankModel | None, changes: Sequence[Change], sizes: NDArray[Any]) -> Altered:
    golden = Altered(model)
    for change, size in zip(changes, sizes, strict=True):
        golden = change.make(golden, float(size))
    return golden


def _left(view: View, changes: Sequence[Change], sizes: NDArray[Any]) -> float:
    return energy(view.candidate - view.altered(_made(view.model, changes, sizes)))


def _best_beside(views: Sequence[View], chosen: _Chosen, changes: Sequence[Change]) -> _Chosen | None:
    """What was chosen with the one more change that leaves least."""
    coarse = min(COARSE_STAGES, len(views))
    tried = []
    for rank, change in enumerate(changes):
        if change not in chosen.changes:
            together = (*chosen.changes, change)
            sizes = np.append(chosen.sizes, _start(views[0], chosen, change))
            for view in views[:coarse]:
                sizes = _refined(view, together, sizes, COARSE_ROUNDS, COARSE)
            tried.append((_left(views[coarse - 1], together, sizes), rank, together, sizes))
    tried.sort(key=lambda one: one[:2])
    finals = []
    for left, rank, together, sizes in tried[:FINALISTS]:
        if left <= FAR_BEHIND * tried[0][0] + views[coarse - 1].noise:
            for view in views[coarse - 1 :]:
                sizes = _refined(view, together, sizes, FINE_ROUNDS, FINE)
            finals.append((rank, _Chosen(together, sizes, _left(views[-1], together, sizes))))
    if not finals:
        return None
    enough = min(one.left for _, one in finals) * AS_GOOD + ALIKE * views[-1].deviation
    return min((both for both in finals if both[1].left <= enough), key=lambda both: both[0])[1]


def _start(view: View, chosen: _Chosen, change: Change) -> float:
    """The size to start from: that which leaves least at low frequencies."""
    if change.starts.size == 1:
        return float(change.starts[0])
    before = _made(view.model, chosen.changes, chosen.sizes)
    left = [energy(view.candidate - view.altered(change.make(before, float(size)))) for size in change.starts]
    return float(change.starts[int(np.argmin(left))])


def _exchanged(views: Sequence[View], chosen: _Chosen, changes: Sequence[Change]) -> _Chosen:
    """Try another change for each but the last: what seemed best alone need not be so in company."""
    for index in range(len(chosen.changes) - 1):
        if not _is_something(views[-1], chosen.left):
            break
        best = _best_beside(views, chosen.without(index), changes)
        if best is not None and best.left < chosen.left / AS_GOOD - ALIKE * views[-1].deviation:
            chosen = best
    return chosen


def _refined(
    view: View, changes: Sequence[Change], sizes: NDArray[Any], most_rounds: int, settled: float
) -> NDArray[Any]:
    """Sizes turned to the least squares nearest to where they are."""
    free = np.flatnonzero([change.sized for change in changes])
    if not free.size:
        return sizes
    low, high = np.array([change.limits for change in changes]).T
    steps = np.array([change.step for change in changes])
    sizes = np.clip(sizes, low, high)
    heard = view.altered(_made(view.model, changes, sizes))
    left = energy(view.candidate - heard)
    for _ in range(most_rounds):
        move: NDArray[Any] = np.zeros(sizes.size)
        move[free] = _solved(_slopes(view, changes, sizes, free, heard), view.candidate - heard)
        for _ in range(SHORTENINGS):
            tried = np.clip(sizes + move, low, high)
            tried_heard = view.altered(_made(view.model, changes, tried))
            tried_left = energy(view.candidate - tried_heard)
            if tried_left < left:
                break
            move = move / 4
        else:
            return sizes
        moved = np.abs(tried - sizes)
        sizes, heard, left = tried, tried_heard, tried_left
        if np.all(moved <= settled * np.maximum(np.abs(sizes), steps)):
            break
    return np.asarray(sizes)


def _slopes(
    view: View, changes: Sequence[Change], sizes: NDArray[Any], free: NDArray[Any], heard: NDArray[Any]
) -> NDArray[Any]:
    """Derivatives of the altered golden by the free sizes, shape (free sizes, bins), by small steps."""
    rows = []
    for index in free:
        step = np.zeros(sizes.size)
        step[index] = changes[index].step
        rows.append((view.altered(_made(view.model, changes, sizes + step)) - heard) / changes[index].step)
    return np.array(rows)


def _solved(slopes: NDArray[Any], apart: NDArray[Any]) -> NDArray[Any]:
    lengths = np.sqrt(np.maximum(np.sum(np.abs(slopes) ** 2, axis=1), 1e-300))
    unit = slopes / lengths[:, None]
    bend = np.einsum("ib,jb->ij", unit, np.conj(unit)).real + 1e-9 * np.eye(len(unit))
    fall = np.einsum("ib,b->i", np.conj(unit), apart).real
    return np.asarray(np.linalg.solve(bend, fall) / lengths)


def _told(last: View, chosen: _Chosen) -> list[Found]:
    """Each change with its uncertainty and its share: by how much more would be left without it."""
    changes, sizes = chosen.changes, chosen.sizes
    free = np.flatnonzero([change.sized for change in changes])
    sigma = np.zeros(sizes.size)
    if free.size:
        heard = last.altered(_made(last.model, changes, sizes))
        slopes = _slopes(last, changes, sizes, free, heard)
        bend = np.einsum("ib,jb->ij", slopes, np.conj(slopes)).real
        power = chosen.left / (2 * last.s.size)
        sigma[free] = np.sqrt(np.maximum(power * np.diag(np.linalg.pinv(bend, hermitian=True)), 0.0))
    without = []
    for index in range(len(changes)):
        others = chosen.without(index)
        without.append(max(_left(last, others.changes, others.sizes) - chosen.left, 0.0))
    shares = last.explained(chosen.left) * np.array(without) / max(sum(without), 1e-300)
    found = [
        Found(change, float(size), EXPANDED * float(u), float(share))
        for change, size, u, share in zip(changes, sizes, sigma, shares, strict=True)
        if not change.sized or abs(size) > EXPANDED * u
    ]
    return sorted(found, key=lambda one: -one.explains)
