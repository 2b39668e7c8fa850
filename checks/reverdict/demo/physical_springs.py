"""Impulse response of a physical model of two helical springs, to stand in for a measured tank.

Aim: a golden reference that owes nothing to the algorithm under test. No delay line, no allpass and no recursion
is used; every pass follows from the dispersion relation of a thin helical spring.

Method: S. Bilbao and J. Parker, IEEE TASLP 18(4) 2010, 799-808. A wave of ω rad/s and dimensionless wavenumber β
(the wire has length 1) obeys (ω² − K²(β² − q²)² − q²γ²)(ω² − γ²β²) = q²γ⁴β². Solved for the slower root,

    ω² = 2 K²γ²β²(β² − q²)² / (S + √(S² − 4 K²γ²β²(β² − q²)²)),    S = K²(β² − q²)² + q²γ² + γ²β²,

ω rises from 0 to the transition frequency and falls again; sound travels on the rising part. One trip turns the
phase by β(ω) and takes dβ/dω. With the pickup at the far end and the reflection inverting, the passes of
1, 3, 5, … trips add up to A e^(−jβ) / (1 + A² e^(−2jβ)), A being what one trip leaves of the amplitude.

Limits of validity: the loss, the gentle high-pass, the crosstalk and the noise are invented, in plausible sizes; the
high-frequency train above the transition frequency and the even passes of a real tank are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

HIGH_PASS_HZ = 80.0
"""First-order high-pass of drive and pickup together."""

COUPLING = 0.02
"""Share of each reflection that goes over to the other spring through the common frame."""


@dataclass(frozen=True)
class Spring:
    """A helical spring by the three numbers of the reduced thin-spring equation.

    stiffness : K, 1/s; turning : q, radians of helix from end to end; wave_speed : γ, wire lengths per second.
    """

    stiffness: float
    turning: float
    wave_speed: float
    level_db: float = 0.0

    @classmethod
    def wound(cls, wire_radius_mm: float, coil_radius_mm: float, turns: float, level_db: float = 0.0) -> Spring:
        """A spring from its geometry, in steel (E = 200 GPa, ρ = 7850 kg/m³)."""
        wire_speed = math.sqrt(2.0e11 / 7850)  # m/s
        length = 2 * math.pi * coil_radius_mm * 1e-3 * turns
        return cls(
            stiffness=wire_radius_mm * 1e-3 / (2 * length**2) * wire_speed,
            turning=length / (coil_radius_mm * 1e-3),
            wave_speed=wire_speed / length,
            level_db=level_db,
        )

    @cached_property
    def transition_hz(self) -> float:
        """Highest frequency that travels: the maximum of ω(β) over 2π."""
        return self._top[1] / (2 * math.pi)

    def wavenumber(self, frequency_hz: ArrayLike) -> NDArray[Any]:
        """β at frequencies from 0 to below ``transition_hz``, by bisection on the rising part of ω(β)."""
        omega = 2 * np.pi * np.asarray(frequency_hz, dtype=float)
        low, high = np.zeros_like(omega), np.full_like(omega, self._top[0])
        for _ in range(52):  # one step for each bit of a double
            middle = (low + high) / 2
            below = self._omega(middle) < omega
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return (low + high) / 2

    def one_trip_delay_s(self, frequency_hz: ArrayLike) -> NDArray[Any]:
        """Group delay dβ/dω of one trip in seconds; NaN at 0 Hz, infinite from ``transition_hz`` on.

        From implicit differentiation of the dispersion relation, so it is exact, not a difference quotient.
        """
        frequency = np.asarray(frequency_hz, dtype=float)
        travels = frequency < self.transition_hz
        omega = 2 * np.pi * np.where(travels, frequency, np.nan)
        beta = self.wavenumber(np.where(travels, frequency, 0.0))
        stiffness, turning, wave_speed = self.stiffness, self.turning, self.wave_speed
        bending = omega**2 - stiffness**2 * (beta**2 - turning**2) ** 2 - (turning * wave_speed) ** 2
        stretching = omega**2 - (wave_speed * beta) ** 2
        by_omega = 2 * omega * (bending + stretching)
        by_beta = (
            -4 * stiffness**2 * beta * (beta**2 - turning**2) * stretching
            - 2 * wave_speed**2 * beta * bending
            - 2 * (turning * wave_speed**2) ** 2 * beta
        )
        with np.errstate(invalid="ignore"):
            delay = -by_omega / by_beta
        return np.where(travels, delay, np.inf)

    def passes(self, frequency_hz: ArrayLike) -> tuple[NDArray[Any], NDArray[Any]]:
        """What one trip leaves of the amplitude, and the phase it turns (rad), at each frequency.

        Both are zero where nothing travels.
        """
        frequency = np.asarray(frequency_hz, dtype=float)
        travels = (frequency > 0) & (frequency < 0.9995 * self.transition_hz)
        inside = frequency[travels]
        amplitude, phase = np.zeros_like(frequency), np.zeros_like(frequency)
        phase[travels] = self.wavenumber(inside)
        amplitude[travels] = np.exp(-loss_per_s(inside) * self.one_trip_delay_s(inside)) * self._taper(inside)
        return amplitude, phase

    def _omega(self, beta: NDArray[Any]) -> NDArray[Any]:
        detuning = self.stiffness * (beta**2 - self.turning**2)
        total = detuning**2 + (self.turning * self.wave_speed) ** 2 + (self.wave_speed * beta) ** 2
        product = (detuning * self.wave_speed * beta) ** 2
        omega: NDArray[Any] = np.sqrt(2 * product / (total + np.sqrt(total**2 - 4 * product)))
        return omega

    @cached_property
    def _top(self) -> tuple[float, float]:
        """β and ω of the maximum, by repeated narrowing of a grid."""
        low, high = 0.0, self.turning
        for _ in range(12):
            beta = np.linspace(low, high, 201)
            omega = self._omega(beta)
            best = int(omega.argmax())
            low, high = beta[max(best - 1, 0)], beta[min(best + 1, 200)]
        return float(beta[best]), float(omega[best])

    def _taper(self, frequency_hz: NDArray[Any]) -> NDArray[Any]:
        """Towards the transition frequency drive and pickup reach the spring less and less."""
        start, end = 0.86 * self.transition_hz, 0.999 * self.transition_hz
        position = np.clip((frequency_hz - start) / (end - start), 0, 1)
        return np.cos(np.pi / 2 * position) ** 2


TWO_SPRINGS = (
    Spring.wound(wire_radius_mm=0.200, coil_radius_mm=2.38, turns=436),
    Spring.wound(wire_radius_mm=0.190, coil_radius_mm=2.53, turns=496, level_db=-2.0),
)
"""The invented tank: 30.7 ms and 41.6 ms a trip at low frequencies, transition at 4.77 kHz and 4.01 kHz."""


def loss_per_s(frequency_hz: ArrayLike) -> NDArray[Any]:
    """Rate σ of the amplitude's decay e^(−σt): air and mounts, and friction in the wire growing with f².

    T60 = 3 ln 10/σ: 3.5 s at 250 Hz, 3.1 s at 1 kHz, 2.2 s at 2 kHz.
    """
    return 1.95 + 0.295 * (np.asarray(frequency_hz, dtype=float) / 1000) ** 2


def impulse_response(
    rate_hz: int = 48000,
    seconds: float = 3.0,
    springs: tuple[Spring, ...] = TWO_SPRINGS,
    crosstalk_db: float = -40.0,
    noise_db: float | None = -75.0,
    seed: int = 1,
) -> NDArray[Any]:
    """Response at the pickup to a click at t = 0, shape (samples,), largest magnitude 1.

    Parameters
    ----------
    crosstalk_db : float
        Electrical crosstalk from the drive at t = 0, relative to the response's peak.
    noise_db : float or None
        Standard deviation of the recording noise (white, seeded, hence always the same), relative to the peak.
    """
    import scipy.fft

    samples = round(seconds * rate_hz)
    # Eight times the length: the response is then more than 200 dB down where the transform would wrap it round.
    grid = scipy.fft.next_fast_len(8 * samples, real=True)
    spectrum = _spectrum(np.arange(grid // 2 + 1) * (rate_hz / grid), springs)
    response: NDArray[Any] = scipy.fft.irfft(spectrum, grid)[:samples]
    response /= np.abs(response).max()
    response[0] += 10 ** (crosstalk_db / 20)
    if noise_db is not None:
        response += 10 ** (noise_db / 20) * np.random.default_rng(seed).standard_normal(samples)
    return response


def _spectrum(frequency_hz: NDArray[Any], springs: tuple[Spring, ...]) -> NDArray[Any]:
    """Transfer function from drive to pickup. Two springs share a frame: v = drive − C A² e^(−2jβ) v."""
    trips, levels = [], []
    for spring in springs:
        amplitude, phase = spring.passes(frequency_hz)
        trips.append(amplitude * np.exp(-1j * phase))
        levels.append(10 ** (spring.level_db / 20))
    if len(trips) == 1:
        total = levels[0] * trips[0] / (1 + trips[0] ** 2)
    elif len(trips) == 2:
        first, second = (trip**2 for trip in trips)
        own, other = 1 - COUPLING, COUPLING
        determinant = (1 + own * first) * (1 + own * second) - other**2 * first * second
        total = (
            levels[0] * trips[0] * (1 + own * second - other * second)
            + levels[1] * trips[1] * (1 + own * first - other * first)
        ) / determinant
    else:
        raise ValueError("one or two springs")
    high_pass = 1j * frequency_hz / (HIGH_PASS_HZ + 1j * frequency_hz)
    return np.asarray(total * high_pass)
