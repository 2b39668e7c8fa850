"""How a quantity moved over a row of releases: in steps, by drifting, or not at all; and where that leads.

Aim. Each release may keep its tolerance while all of them together leave it. Tell a step (and at which release), a
drift (since which release, how fast), and when a drift will leave tolerance; and tell nothing of a row in which nothing
moved.

Method. Values are in shares of the tolerance. A row is a sum of few atoms and noise: a step (0 before a release, 1 from
it on) or a slope (0 before a release, rising by 1 each release after it). Atoms are taken by forward selection, the one
that explains most first (orthogonal least squares: S. Chen, S. A. Billings, W. Luo, Int. J. Control 50(5), 1989), and
after each, every atom taken may still move to a better place. An atom must be significant: its t value beyond Student's
quantile at ``ALARMS`` over twice the releases and over the number of rows looked at (Bonferroni), so that a whole
history without a movement raises an alarm once in 1/``ALARMS`` times. The noise is that of the differences between
neighbours, a tenth of them trimmed, so that steps are not taken for noise (J. von Neumann, Ann. Math. Stat. 12, 1941,
without the trimming), and no less than ``floor``: rows that repeat exactly would make a step of everything.

A value far off both its neighbours, which agree with each other, is one odd run: it is set aside and told.

Conventions. Positions count releases from 0. A step at k is first seen in release k; a drift from k is still flat at k.
What moved less than ``smallest`` in all is not told.

Limits of validity. Noise is taken as alike along the row and independent from run to run: a row measured on several
machines is several rows. Rows of fewer than ``FEWEST`` say nothing. A drift in a few jumps is a few steps, and more
than ``MOST`` movements are told as ``MOST``. In a noisy row a movement shows after ``SEEN_FOR`` releases, in one that
repeats exactly at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

FEWEST = 4
LONGEST = 400
"""Of longer rows only so many of the newest are looked at."""
MOST = 4
ALARMS = 1e-3
TRIMMED = 0.1
EXACT = 1.2
"""A row whose noise is no more than so many times its floor repeats exactly."""
_KEPT_SPREAD = 0.789  # standard deviation of a normal variable whose outer tenth is cut off
_FREEDOM = 0.45  # degrees of freedom a difference brings; neighbours share a value
ODD = 8.0  # times the noise
SEEN_FOR = 3


@dataclass(frozen=True)
class Step:
    """At which release it came, and how far, in shares of tolerance."""

    at: int
    size: float


@dataclass(frozen=True)
class Slope:
    """Since which release it goes this way, and how much a release more than before, in shares of tolerance."""

    since: int
    rate: float


@dataclass(frozen=True)
class Forecast:
    """In how many releases from the newest a limit is left: likely, soonest and latest (None: perhaps never)."""

    likely: float
    soonest: float
    latest: float | None


@dataclass(frozen=True)
class Moves:
    """What is told of a row.

    steps, slopes : in the order of releases.
    fitted : shape (releases,), the row without its noise.
    noise : standard deviation of one release.
    rate, rate_spread : what a release adds now, with its expanded uncertainty (k = 2).
    odd : releases that were set aside.
    """

    steps: tuple[Step, ...] = ()
    slopes: tuple[Slope, ...] = ()
    fitted: tuple[float, ...] = ()
    noise: float = 0.0
    rate: float = 0.0
    rate_spread: float = 0.0
    odd: tuple[int, ...] = ()
    forecast: Forecast | None = None
    why_not: str = ""


@dataclass(frozen=True)
class _Fit:
    """Atoms taken, as columns of the dictionary, their weights behind a constant, and the covariance of those."""

    taken: tuple[int, ...] = ()
    weights: NDArray[Any] = field(default_factory=lambda: np.zeros(1))
    covariance: NDArray[Any] = field(default_factory=lambda: np.zeros((1, 1)))


def moves_of(values: Sequence[float], *, floor: float, rows: int = 1, smallest: float = 0.1) -> Moves:
    """Tell how a row moved.

    Parameters
    ----------
    values : shape (releases,), deviations from the original golden in shares of its tolerance.
    floor : standard deviation that one value has at least, above 0.
    rows : how many rows are looked at together.
    smallest : what moved less is not told, in shares of tolerance.
    """
    if len(values) < FEWEST:
        return Moves(why_not=f"{len(values)} releases tell no movement; {FEWEST} do")
    skipped = max(0, len(values) - LONGEST)
    row = np.asarray(values[skipped:], dtype=float)
    noise, freedom = _noise(row, floor)
    margin = SEEN_FOR if noise > EXACT * floor else 1
    odd = _odd(row, noise, margin)
    used = np.setdiff1d(np.arange(row.size), odd)
    limit = _limit(freedom, 2 * row.size * max(rows, 1))
    dictionary = _atoms(row.size, margin)
    fit = _explained(row, used, dictionary, limit * noise)
    return _told(fit, dictionary, noise, odd, skipped, smallest)


def _noise(row: NDArray[Any], floor: float) -> tuple[float, float]:
    """Standard deviation of one value, and with how many degrees of freedom it is known."""
    differences = np.diff(row)
    steps = np.sort(np.abs(differences - np.median(differences)))
    kept = steps[: steps.size - max(2, int(TRIMMED * steps.size))] if steps.size > 3 else steps[:1]
    own = math.sqrt(float(np.mean(kept**2)) / 2.0) / _KEPT_SPREAD
    noise = math.hypot(own, floor)
    freedom = max(1.0, _FREEDOM * kept.size)
    return noise, min(1e6, freedom * (noise / own) ** 4) if own > 0 else 1e6


def _limit(freedom: float, tries: int) -> float:
    """Student's quantile beyond which chance gets once in 1/ALARMS histories of so many tries."""
    from scipy.special import stdtrit

    return float(-stdtrit(freedom, ALARMS / (2.0 * tries)))


def _odd(row: NDArray[Any], noise: float, margin: int) -> NDArray[Any]:
    """Values far off both neighbours, which agree; in a noisy row also the newest that are far off those before."""
    before, here, after = row[:-2], row[1:-1], row[2:]
    off = np.minimum(np.abs(here - before), np.abs(here - after)) > ODD * noise
    alike = np.abs(after - before) < 0.5 * np.abs(here - before)
    newest = np.arange(row.size - margin + 1, row.size)
    before_them = np.median(row[-margin - 5 : row.size - margin + 1])
    astray = newest[np.abs(row[newest] - before_them) > ODD * noise]
    return np.union1d(np.flatnonzero(off & alike) + 1, astray)


@lru_cache(maxsize=8)
def _atoms(size: int, margin: int) -> NDArray[Any]:
    """Steps at 1 … size − 1, then slopes since 0 … size − 3; shape (size, 2·size − 3).

    What has fewer than ``margin`` releases before or from it on is left empty, and is never taken.
    """
    at = np.arange(size)
    begins = np.arange(1, size)
    steps = (at[:, None] >= begins).astype(float) * ((begins >= margin) & (begins <= size - margin))
    since = np.arange(size - 2)
    slopes = np.maximum(0.0, at[:, None] - since) * (since <= size - 2 - margin)
    return np.hstack([steps, slopes])


def _explained(row: NDArray[Any], used: NDArray[Any], dictionary: NDArray[Any], threshold: float) -> _Fit:
    """The best of three tries: with steps alone, with slopes alone, with both. An atom must be worth ``threshold``²."""
    value, atoms = row[used], dictionary[used]
    if _best(value, atoms, [])[1] <= threshold**2:
        return _solved(value, atoms, [])
    is_step = np.arange(atoms.shape[1]) < row.size - 1
    tries = [_selected(value, atoms * allowed, threshold) for allowed in (is_step, ~is_step, np.ones_like(is_step))]
    return min(tries, key=lambda fit: _misfit(value, atoms, fit) + len(fit.taken) * threshold**2)


def _misfit(value: NDArray[Any], atoms: NDArray[Any], fit: _Fit) -> float:
    return float(np.sum((value - _columns(atoms, fit.taken) @ fit.weights) ** 2))


def _selected(value: NDArray[Any], atoms: NDArray[Any], threshold: float) -> _Fit:
    """Forward selection, with every atom free to move after each; stops where no atom gains ``threshold``²."""
    taken: list[int] = []
    while len(taken) < MOST:
        atom, gain = _best(value, atoms, taken)
        if gain <= threshold**2:
            break
        taken.append(atom)
        _settle(value, atoms, taken)
    # One that the moves of others have made needless goes again.
    needed = [one for one in taken if _gain_beside(value, atoms, one, taken) > threshold**2]
    return _solved(value, atoms, needed)


def _settle(value: NDArray[Any], atoms: NDArray[Any], taken: list[int]) -> None:
    """Move each atom to its best place beside the others until all stay."""
    for _ in range(10):
        before = list(taken)
        for place in range(len(taken)):
            others = taken[:place] + taken[place + 1 :]
            taken[place] = _best(value, atoms, others)[0]
        if taken == before:
            return


def _best(value: NDArray[Any], atoms: NDArray[Any], taken: Sequence[int]) -> tuple[int, float]:
    gains = _gains(value, atoms, taken)
    best = int(np.argmax(gains))
    return best, float(gains[best])


def _gain_beside(value: NDArray[Any], atoms: NDArray[Any], atom: int, taken: Sequence[int]) -> float:
    """What an atom that is taken gains beside the others."""
    return float(_gains(value, atoms, [one for one in taken if one != atom])[atom])


def _gains(value: NDArray[Any], atoms: NDArray[Any], taken: Sequence[int]) -> NDArray[Any]:
    """By how much each atom lessens the sum of squares beside a constant and those taken."""
    basis, _ = np.linalg.qr(_columns(atoms, taken))
    left = value - basis @ (basis.T @ value)
    across = atoms - basis @ (basis.T @ atoms)
    power = np.sum(across**2, axis=0)
    fresh = power > 1e-9 * np.sum(atoms**2, axis=0)
    return np.where(fresh, (across.T @ left) ** 2 / np.where(fresh, power, 1.0), 0.0)


def _columns(atoms: NDArray[Any], taken: Sequence[int]) -> NDArray[Any]:
    return np.column_stack([np.ones(atoms.shape[0]), *(atoms[:, one] for one in taken)])


def _solved(value: NDArray[Any], atoms: NDArray[Any], taken: Sequence[int]) -> _Fit:
    matrix = _columns(atoms, taken)
    weights = np.linalg.lstsq(matrix, value, rcond=None)[0]
    return _Fit(tuple(taken), weights, np.linalg.pinv(matrix.T @ matrix))


def _told(fit: _Fit, dictionary: NDArray[Any], noise: float, odd: NDArray[Any], skipped: int, smallest: float) -> Moves:
    size = dictionary.shape[0]
    fitted = _columns(dictionary, fit.taken) @ fit.weights
    steps, slopes, slope_columns = [], [], []
    for column, (atom, weight) in enumerate(zip(fit.taken, fit.weights[1:], strict=True), start=1):
        if atom < size - 1:
            if abs(weight) >= smallest:
                steps.append(Step(atom + 1 + skipped, float(weight)))
            continue
        slope_columns.append(column)
        since = atom - (size - 1)
        if abs(weight) * (size - 1 - since) >= smallest:
            slopes.append(Slope(since + skipped, float(weight)))
    rate = float(np.sum(fit.weights[slope_columns])) if slopes else 0.0
    spread = 2.0 * noise * math.sqrt(float(np.sum(fit.covariance[np.ix_(slope_columns, slope_columns)])))
    known = bool(slopes) and abs(rate) > spread
    return Moves(
        tuple(sorted(steps, key=lambda one: one.at)),
        tuple(sorted(slopes, key=lambda one: one.since)),
        tuple(float(one) for one in fitted),
        noise,
        rate if known else 0.0,
        spread if known else 0.0,
        tuple(int(one) + skipped for one in odd),
        _forecast(float(fitted[-1]), rate, spread) if known else None,
    )


def _forecast(now: float, rate: float, spread: float) -> Forecast | None:
    """When the limit on the way of a drift is left, if it is not yet."""
    room = 1.0 - now if rate > 0 else 1.0 + now
    if room <= 0:
        return None
    slowest = abs(rate) - spread
    return Forecast(room / abs(rate), room / (abs(rate) + spread), room / slowest if slowest > 0 else None)
