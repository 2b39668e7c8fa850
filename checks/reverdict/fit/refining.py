"""Least squares of a tank's numbers on a damped spectrum, stage by stage, and what its covariance is.

Method
    Damped strongly, a response is little more than its first passes, and at low frequencies their phase cannot be
    mistaken by whole turns. So the band is raised step by step, with numbers let go as they begin to matter; then the
    damping is eased, until passes of seven trips count, which know delays seven times as well.
    Noise that is stationary fades with e^(−αt) once damped; the covariance of the numbers is that of plain least
    squares under such noise, its power being that of what the fit leaves over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.fit.spectrum import Damped, damped, modelled, names_of, numbers_of, with_numbers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.fit.model import TankModel

LIMITS = {
    "latency_s": (-0.01, 0.03),
    "coupling": (-0.5, 0.5),
    "highpass_per_s": (0.0, 2e4),
    "highpass_per_s2": (0.0, 1e8),
    "line_s": (0.0, 0.2),
    "transition_hz": (300.0, 40000.0),
    "reflection": (-1.2, 1.2),
    "level": (-np.inf, np.inf),
    "lowpass_s": (0.0, 1e-3),
    "lowpass_s2": (0.0, 1e-6),
    "edge_s": (0.0, 1e-3),
    "sections": (1.0, 1000.0),
    "coefficient": (0.02, 0.97),
}
LOW_HZ = 200.0
LATEST_DB = 30.0
"""How far damping takes down a pass of seven trips in the last stage."""
CUT_DB = 80.0
FIRST_DAMPING, LEAST_DAMPING = 0.1, 1e-13
MOST_TRIES = 12
SETTLED = 1e-7
PASSBAND = ("latency_s", "coupling", "edge_s")
FIRST_PASS = ("latency_s", "coupling")
SHAPE = (*PASSBAND, "transition_hz")
ALL_BUT_DELAY = (*SHAPE, "lowpass_s", "lowpass_s2", "highpass_per_s2", "coefficient")


@dataclass(frozen=True)
class Stage:
    """One step of a fit: how many times stronger than at last the damping is, up to which frequency, what is held."""

    damping: float
    high_hz: float
    held: tuple[str, ...] = ()
    most_rounds: int = 60


@dataclass(frozen=True)
class Early:
    """A response without its direct sound, from the click on, and how it is to be damped at last.

    sound : ndarray, shape (samples,); ahead_s : the click is so much later than the first sample.
    silent_s : until then the sound has been taken out, and its noise with it.
    noise : ndarray, shape (bins,) and noise_step_hz : power of a second of its noise, |X|² per bin.
    """

    sound: NDArray[Any]
    rate_hz: float
    ahead_s: float
    alpha_per_s: float
    noise: NDArray[Any]
    noise_step_hz: float
    silent_s: float = 0.0

    def part(self, damping: float, high_hz: float) -> Damped:
        """The spectrum to be fitted: damped, cut where 80 dB have gone, up to ``high_hz``."""
        alpha = damping * self.alpha_per_s
        samples = int(CUT_DB / 20 * np.log(10) / alpha * self.rate_hz)
        return damped(self.sound[:samples], self.rate_hz, alpha, (LOW_HZ, high_hz), self.ahead_s, self.silent_s)

    def noise_db(self, part: Damped) -> float:
        """Energy of the noise in a part, dB below all that is in it."""
        at = np.minimum((part.s.imag / (2 * np.pi * self.noise_step_hz)).astype(int), self.noise.size - 1)
        seconds = float(np.sum(part.noise_profile**2)) / part.rate_hz
        energy = float(np.sum(self.noise[at])) * seconds
        return 10 * float(np.log10(max(energy, 1e-300) / max(float(np.sum(np.abs(part.spectrum) ** 2)), 1e-300)))


def residual_db(tank: TankModel, part: Damped) -> float:
    """Energy that the model leaves over, dB below all that is in a part."""
    left = float(np.sum(np.abs(modelled(tank, part)[0] - part.spectrum) ** 2))
    return 10 * float(np.log10(max(left, 1e-300) / max(float(np.sum(np.abs(part.spectrum) ** 2)), 1e-300)))


def refine(tank: TankModel, part: Damped, held: tuple[str, ...] = (), most_rounds: int = 60) -> TankModel:
    """Turn all numbers but those held to the least squares nearest to where they are (Levenberg and Marquardt).

    Numbers stay within ``LIMITS``; one that stands at a limit and would leave it is held for that round.
    """
    names = names_of(tank)
    free = np.array([name not in held for _, name in names])
    if len(tank.springs) == 1:
        free[[name for _, name in names].index("coupling")] = False
    low, high = np.array([LIMITS[name] for _, name in names]).T
    numbers = np.where(free, np.clip(numbers_of(tank), low, high), numbers_of(tank))
    left, slopes = _left(with_numbers(tank, numbers), part)
    cost, damping = _power(left), FIRST_DAMPING
    for _ in range(most_rounds):
        fall = np.einsum("ib,b->i", slopes.real, left.real) + np.einsum("ib,b->i", slopes.imag, left.imag)
        blocked = ((numbers <= low) & (fall > 0)) | ((numbers >= high) & (fall < 0))
        turned = np.flatnonzero(free & ~blocked & (np.abs(slopes).max(axis=1) > 0))
        bend = products(slopes[turned])
        before = cost
        for _ in range(MOST_TRIES):
            step = _damped_step(bend, fall[turned], damping)
            tried = numbers.copy()
            tried[turned] = np.clip(numbers[turned] + step, low[turned], high[turned])
            tried_left, tried_slopes = _left(with_numbers(tank, tried), part)
            if _power(tried_left) < cost:
                numbers, left, slopes, cost = tried, tried_left, tried_slopes, _power(tried_left)
                damping = max(damping / 6, LEAST_DAMPING)
                break
            damping *= 5
        if before - cost < SETTLED * before:
            break
    return with_numbers(tank, numbers)


def _left(tank: TankModel, part: Damped) -> tuple[NDArray[Any], NDArray[Any]]:
    model, slopes = modelled(tank, part)
    return model - part.spectrum, slopes


def _power(left: NDArray[Any]) -> float:
    return float(np.sum(left.real**2 + left.imag**2))


def _damped_step(bend: NDArray[Any], fall: NDArray[Any], damping: float) -> NDArray[Any]:
    """Solve for a step, in units that make the diagonal of ``bend`` one."""
    unit = np.sqrt(np.diag(bend))
    scaled = bend / np.outer(unit, unit) + damping * np.eye(unit.size)
    return np.asarray(np.linalg.solve(scaled, -fall / unit) / unit)


def products(rows: NDArray[Any]) -> NDArray[Any]:
    """Real part of the scalar products of complex rows, shape (rows, bins), to (rows, rows).

    Not BLAS products, nor a decomposition of the rows: their threads cost five times the work where a machine is busy.
    """
    both = np.concatenate([rows.real, rows.imag], axis=1) if np.iscomplexobj(rows) else rows
    return np.asarray(np.einsum("ib,jb->ij", both, both))


def covariance(tank: TankModel, part: Damped, held: tuple[str, ...] = ()) -> NDArray[Any]:
    """Covariance of all numbers, shape (numbers, numbers); zero for those held and those that stand at a limit."""
    names, numbers = names_of(tank), numbers_of(tank)
    model, slopes = modelled(tank, part)
    low, high = np.array([LIMITS[name] for _, name in names]).T
    free = (numbers > low) & (numbers < high) & np.array([name not in held for _, name in names])
    free &= np.linalg.norm(slopes, axis=1) > 0
    slopes = slopes[free]
    lengths = np.linalg.norm(slopes, axis=1)
    inverse = np.linalg.pinv(products(slopes / lengths[:, None]), rcond=1e-14, hermitian=True) * part.size / 2
    fading = part.noise_profile
    faded = products(part.in_time(slopes / lengths[:, None]) * fading)
    score = np.einsum("ij,jk->ik", inverse, faded)
    left = part.in_time(model - part.spectrum)
    whole_power = float(np.sum(fading**2))
    freedom = whole_power * 2 * part.s.size / part.size - float(np.trace(score))
    power = float(np.sum(left**2)) / max(freedom, 1e-3 * whole_power)
    whole = np.zeros((numbers.size, numbers.size))
    whole[np.ix_(free, free)] = power * np.einsum("ij,jk->ik", score, inverse) / np.outer(lengths, lengths)
    return whole
