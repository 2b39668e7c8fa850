"""Does the energy fall in two stages, as in coupled rooms, and where is the knee between them?

Method
    Two exponentials and noise are fitted to the energy decay curve (N. Xiang, P. M. Goggans, JASA 110(3),
    2001; the model, from memory; not their Bayesian search). The fit is made to the curve's equal steps in time, whose
    errors are independent, while those of the curve itself add up, and to their logarithm, where the error of a random
    sound is the same in the decay and in the noise. A straight line and noise is fitted alike.
Validity
    Two slopes are told only where they explain the steps clearly better than one: an F ratio of 30 or more against a
    residual of at least 0.1 dB, slopes a factor of 1.5 apart and by more than their uncertainty, and a knee that lies
    well inside what was measured. Either must outlast its filter (B·T of 4). A decay that bends the other way, faster
    later, is no double slope.
Conventions
    Decay times in seconds per 60 dB. The knee is where both stages hold the same energy still to come; its time counts
    from the click, its level is that of the decay curve there, dB re the whole energy. Expanded uncertainties, k = 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.decay_times import LEAST_BT
from reverdict.measure.truncation import straight_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.truncation import NoiseMeeting

MOST_STEPS, LEAST_STEPS = 48, 12
LEAST_FREEDOM = 2.0
"""Independent values in a step: with fewer, its logarithm is not nearly normal."""
RINGING = 2.0
"""Steps begin this many inverse bandwidths after the peak."""
LEAST_RESIDUAL = 0.1 * np.log(10) / 10
HINT, CLEAR = 4.0, 30.0
LEAST_SLOPE_RATIO = 1.5
LEAST_KNEE_DB, LEAST_LATE_DB = 3.0, 5.0
LOWEST_KNEE_DB = 75.0
"""Farther down, what follows a fall is the ringing of the band filter and rounding, not a second room."""
LN_60DB = 6 * np.log(10)


@dataclass(frozen=True)
class TwoSlopes:
    """Two decay times and the knee between them, or why one slope is told (all None)."""

    early_s: float | None = None
    early_uncertainty_s: float | None = None
    late_s: float | None = None
    late_uncertainty_s: float | None = None
    knee_s: float | None = None
    knee_uncertainty_s: float | None = None
    knee_db: float | None = None
    knee_uncertainty_db: float | None = None
    why_not: str = ""


ONE = TwoSlopes(why_not="one slope explains the decay")


@dataclass(frozen=True)
class Beyond:
    """What two slopes say of the noise and of the energy behind the meeting with it.

    The late slope hides in what a meeting takes for noise; here it does not.

    energy, noise : float
        After the meeting; and of the noise, per block.
    sigma, noise_sigma : float
        Their standard deviations, which add up: more noise leaves less energy.
    """

    energy: float
    sigma: float
    noise: float
    noise_sigma: float


def find_two_slopes(
    energy: NDArray[Any], meeting: NoiseMeeting, block_s: float, bandwidth_hz: float, start_s: float
) -> tuple[TwoSlopes, Beyond | None]:
    """Look for two slopes in one band.

    Parameters
    ----------
    energy : ndarray, shape (blocks,)
        With its noise.
    start_s : float
        Time of the first block from the click.
    """
    steps = _steps(energy, meeting, block_s, bandwidth_hz)
    if steps is None:
        return TwoSlopes(why_not="too short to tell two slopes from one"), None
    time_s, level = steps
    noise = meeting.noise if meeting.reached else 0.0
    falling = int(np.searchsorted(time_s, meeting.end * block_s))
    if _bend(time_s[:falling], level[:falling], noise) < HINT:
        return ONE, None
    floor = [np.log(noise)] if noise > 0 else []
    _, one_left, _ = _fit(time_s, level, [np.append(_line(time_s[:falling], level[:falling]), floor)])
    guesses = [
        np.concatenate([_line(time_s[:at], level[:at]), _line(time_s[at:falling], level[at:falling]), floor])
        for at in (falling // 4, falling // 2, 3 * falling // 4)
    ]
    two, two_left, inverse = _fit(time_s, level, guesses)
    variance = max(two_left / (level.size - two.size), LEAST_RESIDUAL**2)
    if inverse is None or (one_left - two_left) / 2 / variance < CLEAR:
        return ONE, None
    if two[1] < two[3]:
        order = [2, 3, 0, 1, 4][: two.size]
        two, inverse = two[order], inverse[np.ix_(order, order)]
    decayed = float(energy[: meeting.end].sum()) - noise * (meeting.end + start_s / block_s)
    two_told, beyond = _told(two, inverse * variance, block_s, decayed, meeting.end * block_s, start_s)
    if two_told.early_s is not None and two_told.early_s * bandwidth_hz < LEAST_BT:
        return TwoSlopes(why_not="the early slope would be that of the band filter"), None
    return two_told, beyond


def _steps(
    energy: NDArray[Any], meeting: NoiseMeeting, block_s: float, bandwidth_hz: float
) -> tuple[NDArray[Any], NDArray[Any]] | None:
    """Middle of equal steps in seconds from the first block, and the logarithm of the mean energy in each.

    As long again behind the meeting with the noise as before it, so that the noise itself is fitted too.
    """
    begin = int(meeting.start + RINGING / bandwidth_hz / block_s)
    width = max((meeting.end - begin) // MOST_STEPS, int(np.ceil(LEAST_FREEDOM / (bandwidth_hz * block_s))), 1)
    if (meeting.end - begin) // width < LEAST_STEPS:
        return None
    count = (min(2 * meeting.end - begin, energy.size) - begin) // width
    means = energy[begin : begin + count * width].reshape(count, width).mean(axis=1)
    if means.min() <= 0:
        return None
    return (begin + width * (np.arange(count) + 0.5)) * block_s, np.log(means)


def _bend(time_s: NDArray[Any], level: NDArray[Any], noise: float) -> float:
    """F ratio of a parabola, open to above, over a line, where the noise does not matter; cheap, so it comes first."""
    clear = level > np.log(max(3 * noise, 1e-300))
    if clear.sum() < LEAST_STEPS // 2:
        return 0.0
    x, y = time_s[clear] / time_s[-1], np.log(np.exp(level[clear]) - noise)
    x, y = x - x.mean(), y - y.mean()
    bow = x * x - np.mean(x * x)
    bow -= float(bow @ x) / float(x @ x) * x  # no line is left in it
    off_line = y - float(y @ x) / float(x @ x) * x
    bend = float(off_line @ bow) / float(bow @ bow)
    if bend <= 0:
        return 0.0
    rough, fine = (float(off @ off) for off in (off_line, off_line - bend * bow))
    return (rough - fine) / max(fine / max(x.size - 3, 1), LEAST_RESIDUAL**2)


def _line(time_s: NDArray[Any], level: NDArray[Any]) -> NDArray[Any]:
    """Logarithms of level at time 0 and of decay rate, of the line through some steps."""
    rate = max(-straight_line(time_s, level)[0], 0.1 / float(time_s[-1]))
    return np.array([np.mean(level + rate * time_s), np.log(rate)])


def _fit(
    time_s: NDArray[Any], level: NDArray[Any], guesses: list[NDArray[Any]]
) -> tuple[NDArray[Any], float, NDArray[Any] | None]:
    """Best parameters from the best guess, squared residual, inverse of the normal matrix.

    Parameters are log level and log rate of each slope, and the log of the noise if their number is odd.
    """
    from scipy.optimize import leastsq

    def parts(parameters: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Rates, and energy of each slope and then of the noise, shape (parts, steps)."""
        bounded = np.clip(parameters, -600, 600)
        count = parameters.size // 2
        rates = np.exp(np.minimum(bounded[1 : 2 * count : 2, None], 20))
        slopes = bounded[: 2 * count : 2, None] - rates * time_s
        noise = np.repeat(bounded[2 * count :, None], time_s.size, axis=1)
        return rates, np.exp(np.maximum(np.concatenate([slopes, noise]), -650))

    def off(parameters: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(np.log(parts(parameters)[1].sum(axis=0)) - level)

    def slopes(parameters: NDArray[Any]) -> NDArray[Any]:
        rates, each = parts(parameters)
        shares = each / each.sum(axis=0)
        by_rate = -shares[: rates.size] * rates * time_s
        both = np.stack([shares[: rates.size], by_rate], axis=1).reshape(-1, time_s.size)
        return np.concatenate([both, shares[rates.size :]]).T

    start = min(guesses, key=lambda guess: float(np.sum(off(guess) ** 2)))
    # Where one slope is all there is, two run along a flat valley until the calls run out: asked for its full output,
    # leastsq does not warn of that, but the covariance it then adds, which is not used, may overflow.
    with np.errstate(over="ignore"):
        best = leastsq(off, start, Dfun=slopes, full_output=True, ftol=1e-5, xtol=1e-5, maxfev=50)[0]
    left = off(best)
    jacobian = slopes(best)
    normal = jacobian.T @ jacobian
    inverse = np.linalg.inv(normal) if np.linalg.cond(normal) < 1e12 else None
    return best, float(left @ left), inverse


def _told(
    two: NDArray[Any], covariance: NDArray[Any], block_s: float, decayed: float, end_s: float, start_s: float
) -> tuple[TwoSlopes, Beyond | None]:
    def figures(parameters: NDArray[Any]) -> NDArray[Any]:
        """Decay times, knee time from the first block, level of the curve at the knee in dB, log of energy beyond."""
        rates = np.exp(parameters[1:4:2])
        left = parameters[:3:2] - parameters[1:4:2] - np.log(block_s)  # log of energy still to come, both stages
        knee_s = (left[0] - left[1]) / (rates[0] - rates[1])
        beyond = float(np.exp(left - rates * end_s).sum())
        knee_db = 10 * np.log10(2 / (decayed + beyond)) + 10 / np.log(10) * (left[0] - rates[0] * knee_s)
        return np.array([*LN_60DB / rates, knee_s, knee_db, np.log(beyond)])

    early_s, late_s, knee_s, knee_db, beyond = values = figures(two)
    step = 1e-4
    change = np.stack([(figures(two + step * unit) - values) / step for unit in np.eye(two.size)], axis=1)
    sigmas = np.sqrt(np.maximum(np.diag(change @ covariance @ change.T), 0))
    early_u, late_u, knee_u, level_u = (2 * float(sigma) for sigma in sigmas[:4])
    late_db = 60 * (end_s - knee_s) / late_s
    apart = np.log(late_s / early_s)
    if apart < np.log(LEAST_SLOPE_RATIO) or apart < np.hypot(early_u / early_s, late_u / late_s):
        return TwoSlopes(why_not="two slopes would hardly differ"), None
    if knee_db > -LEAST_KNEE_DB or late_db < LEAST_LATE_DB:
        return TwoSlopes(why_not="the knee would lie at an end of what was measured"), None
    if knee_db < -LOWEST_KNEE_DB:
        return TwoSlopes(why_not=f"the knee would lie {-knee_db:.0f} dB down, where only filters ring"), None
    told = TwoSlopes(
        float(early_s), early_u, float(late_s), late_u, float(start_s + knee_s), knee_u, float(knee_db), level_u
    )
    left = float(np.exp(beyond))
    noise = float(np.exp(two[4])) if two.size > 4 else 0.0
    noise_sigma = noise * float(np.sqrt(covariance[4, 4])) if two.size > 4 else 0.0
    return told, Beyond(left, left * float(sigmas[4]), noise, noise_sigma)
