"""The part of a response that is fitted, and how far a model is from it, with derivatives by all its numbers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.fit.model import TankModel, TripModel, highpass, log_section, log_trip, loops, steep_slope, warped

if TYPE_CHECKING:
    from numpy.typing import NDArray

TANK_NUMBERS = ("latency_s", "coupling", "highpass_per_s", "highpass_per_s2")
SPRING_NUMBERS = (
    "line_s", "transition_hz", "reflection", "level", "lowpass_s", "lowpass_s2", "edge_s", "sections", "coefficient",
)  # fmt: skip
"""Order of a spring's numbers; a second group of sections adds two more."""


@dataclass(frozen=True)
class Damped:
    """Spectrum of a sound times e^(−αt), on the bins that are fitted.

    s : ndarray, shape (bins,), complex frequency α + jω; spectrum : ndarray, shape (bins,); size : of the transform.
    """

    s: NDArray[Any]
    spectrum: NDArray[Any]
    rate_hz: float
    size: int
    silent_s: float = 0.0

    @property
    def noise_profile(self) -> NDArray[Any]:
        """By what stationary noise has been multiplied, shape (size,)."""
        at_s = np.arange(self.size) / self.rate_hz
        return np.where(at_s < self.silent_s, 0.0, np.exp(-self.alpha_per_s * at_s))

    @property
    def alpha_per_s(self) -> float:
        return float(self.s[0].real)

    @property
    def first_bin(self) -> int:
        return round(float(self.s[0].imag) / (2 * np.pi) * self.size / self.rate_hz)

    def below(self, omega: float) -> Damped:
        """The same without what lies above ``omega`` rad/s."""
        kept = self.s.imag <= omega
        return replace(self, s=self.s[kept], spectrum=self.spectrum[kept])

    def in_time(self, spectra: NDArray[Any]) -> NDArray[Any]:
        """Damped sounds of spectra on these bins, shape (..., bins), to (..., size)."""
        whole = np.zeros((*spectra.shape[:-1], self.size // 2 + 1), dtype=complex)
        whole[..., self.first_bin : self.first_bin + self.s.size] = spectra
        return np.asarray(fft.irfft(whole, self.size))


def damped(
    sound: NDArray[Any],
    rate_hz: float,
    alpha_per_s: float,
    band_hz: tuple[float, float],
    ahead_s: float = 0.0,
    silent_s: float = 0.0,
) -> Damped:
    """Damp a sound, shape (samples,), that begins ``ahead_s`` (under a sample) before its click; take its spectrum."""
    size = fft.next_fast_len(sound.size, real=True)
    hz = np.arange(size // 2 + 1) * rate_hz / size
    kept = (hz >= band_hz[0]) & (hz <= band_hz[1])
    fading = np.exp(-alpha_per_s / rate_hz * np.arange(sound.size))
    s = alpha_per_s + 2j * np.pi * hz[kept]
    return Damped(s, fft.rfft(sound * fading, size)[kept] * np.exp(s * ahead_s), rate_hz, size, silent_s)


def numbers_of(tank: TankModel) -> NDArray[Any]:
    """All numbers of a tank in a row: those of ``TANK_NUMBERS``, then each spring's."""
    row = [tank.latency_s, tank.coupling, tank.highpass_per_s, tank.highpass_per_s2]
    for one in tank.springs:
        row += [getattr(one, name) for name in SPRING_NUMBERS[:7]]
        row += [number for group in one.chains for number in group]
    return np.array(row)


def names_of(tank: TankModel) -> list[tuple[int, str]]:
    """(spring, name) of each number; spring −1 is the tank."""
    found = [(-1, name) for name in TANK_NUMBERS]
    for index, one in enumerate(tank.springs):
        found += [(index, name) for name in SPRING_NUMBERS[:7] + len(one.chains) * SPRING_NUMBERS[7:]]
    return found


def with_numbers(tank: TankModel, numbers: NDArray[Any]) -> TankModel:
    """The tank with other numbers, shape (numbers,)."""
    values = [float(number) for number in numbers]
    springs, at = [], len(TANK_NUMBERS)
    for one in tank.springs:
        end = at + 7 + 2 * len(one.chains)
        chain = values[at + 7 : end]
        own = dict(zip(SPRING_NUMBERS[:7], values[at : at + 7], strict=True))
        springs.append(TripModel(chains=tuple(zip(chain[::2], chain[1::2], strict=True)), **own))
        at = end
    shared = dict(zip(TANK_NUMBERS, values, strict=False))
    return TankModel(tuple(springs), tank.pass_law, direct=tank.direct, **shared)


def modelled(tank: TankModel, part: Damped) -> tuple[NDArray[Any], NDArray[Any]]:
    """H on the bins of a part, shape (bins,), and its derivatives by the numbers, shape (numbers, bins)."""
    bent = warped(part.s, part.rate_hz)
    trips = np.exp([log_trip(one, part.s, part.rate_hz) for one in tank.springs])
    together = loops(tank, trips)
    high, sound = highpass(tank, bent), together.sound
    rows = [-part.s * sound, together.by_coupling, -sound * high / bent, -sound * high / bent**2]
    for index, one in enumerate(tank.springs):
        slopes = _log_trip_slopes(one, part.s, bent)
        by_trip = together.by_trip[index]
        rows += [by_trip * slopes[0], by_trip * slopes[1], together.by_reflection[index], together.by_level[index]]
        rows += [by_trip * slope for slope in slopes[2:]]
    shared = high * np.exp(-part.s * tank.latency_s)
    return sound * shared, np.array(rows) * shared


def _log_trip_slopes(one: TripModel, s: NDArray[Any], bent: NDArray[Any]) -> list[NDArray[Any]]:
    """Derivatives of log T by the numbers of a spring that T depends on, in their order."""
    turn = s / (2 * one.transition_hz)
    up, down = np.exp(turn), np.exp(-turn)
    below = 1 + one.lowpass_s * bent + one.lowpass_s2 * bent**2
    by_turn = sum(n * (a * up / (1 + a * up) + a * down / (1 + a * down) - 1) for n, a in one.chains)
    slopes = [-s, -by_turn * turn / one.transition_hz, -bent / below, -(bent**2) / below]
    slopes.append(steep_slope(one.edge_s * bent) * bent)
    for n, a in one.chains:
        slopes += [log_section(a, turn), n * (up / (1 + a * up) - down / (1 + a * down))]
    return slopes
