"""Spring responses whose every pass is known exactly, to hold the estimator against. Shares no code with it.

A trip turns the phase by a closed form φ(f) and arrives after its derivative τ(f) = φ′/2π; a pass of n trips turns it
by n φ. Responses are summed in the frequency domain, so τ is exact at every frequency and no delay is rounded to a
sample. All gains are real: they add no delay of their own.

    helical spring   φ = 2π T f_C asin(f/f_C),        τ = T / √(1 − (f/f_C)²)
    allpass chain    φ = 2π f D + N (ω − 2 arg(1 + a e^{jω})), ω = π f/f_C,
                     τ = D + N (1 − a²)/(1 + 2a cos ω + a²) / (2 f_C)

The first is the low-wavenumber form of the helical spring (within 0.4 % of S. Bilbao and J. Parker, IEEE TASLP 18(4)
2010, up to 0.85 f_C), the second the chain of V. Välimäki, J. Parker and J. S. Abel, J. AES 58(7/8) 2010.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

TRIPS = {"1:3:5": (1, 3, 5, 7), "1:2:3": (1, 2, 3, 4)}
HIGH_PASS_HZ = 80.0


@dataclass(frozen=True)
class TrueSpring:
    """One spring of a truth tank.

    trip_s : one-way delay at 0 Hz; transition_hz : f_C; law : "1:3:5" or "1:2:3".
    inverts : whether each later pass is turned over against the one before.
    t60_s : decay of the passes at 0 Hz; twice as fast at ``half_hz``.
    chain : (sections, a) of an allpass chain, or None for a helical spring.
    """

    trip_s: float
    transition_hz: float
    law: str = "1:3:5"
    inverts: bool = True
    t60_s: float = 3.0
    half_hz: float = 3000.0
    level_db: float = 0.0
    polarity: int = 1
    chain: tuple[int, float] | None = None

    def delay_s(self, frequency_hz: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """τ(f) of one trip in seconds, below the transition frequency."""
        share = np.asarray(frequency_hz, dtype=float) / self.transition_hz
        if self.chain is None:
            return np.asarray(self.trip_s / np.sqrt(1 - share**2))
        sections, a = self.chain
        bend = (1 - a**2) / (1 + 2 * a * np.cos(np.pi * share) + a**2) - (1 - a) / (1 + a)
        return np.asarray(self.trip_s + sections * bend / (2 * self.transition_hz))

    def phase(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """φ(f) of one trip in radians, below the transition frequency."""
        share = frequency_hz / self.transition_hz
        if self.chain is None:
            return np.asarray(2 * np.pi * self.trip_s * self.transition_hz * np.arcsin(share))
        sections, a = self.chain
        bare_s = self.trip_s - sections * (1 - a) / (1 + a) / (2 * self.transition_hz)
        omega = np.pi * share
        turn = omega - 2 * np.angle(1 + a * np.exp(1j * omega))
        return np.asarray(2 * np.pi * frequency_hz * bare_s + sections * turn)

    def spectrum(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """All passes of the spring summed, shape of ``frequency_hz``; nothing from 0.97 of the transition on."""
        total = np.zeros(frequency_hz.shape, dtype=complex)
        inside = frequency_hz < 0.97 * self.transition_hz
        f = frequency_hz[inside]
        loss_per_s = 3 * np.log(10) / self.t60_s * (1 + (f / self.half_hz) ** 2)
        trip = np.exp(-loss_per_s * self.delay_s(f) - 1j * self.phase(f))
        round_trip = trip**2 if self.law == "1:3:5" else trip
        sign = -1 if self.inverts else 1
        taper = np.cos(np.pi / 2 * np.clip((f / self.transition_hz - 0.86) / 0.11, 0, 1)) ** 2
        coupling = f**2 / (f**2 + HIGH_PASS_HZ**2) * taper
        total[inside] = self.polarity * 10 ** (self.level_db / 20) * coupling * trip / (1 - sign * round_trip)
        return total


def respond(
    springs: Sequence[TrueSpring],
    rate_hz: int = 48000,
    seconds: float = 2.0,
    noise_db: float | None = -60.0,
    seed: int = 1,
    crosstalk_db: float | None = None,
    hum_db: float | None = None,
    offset_db: float | None = None,
) -> NDArray[np.float64]:
    """Response to a click at t = 0, shape (samples,), peak 1 before what is added to it.

    Parameters
    ----------
    noise_db, crosstalk_db, hum_db, offset_db : float or None
        White noise (rms), a click at t = 0, 50 Hz hum (amplitude) and a constant, dB re the peak.
    """
    size = round(seconds * rate_hz)
    # Long enough that what the transform wraps round has died away by 120 dB and more.
    grid = fft.next_fast_len(max(4 * size, 8 * rate_hz), real=True)
    frequency = np.arange(grid // 2 + 1) * rate_hz / grid
    sound = fft.irfft(sum(spring.spectrum(frequency) for spring in springs), grid)[:size]
    sound /= np.abs(sound).max()
    if crosstalk_db is not None:
        sound[0] += 10 ** (crosstalk_db / 20)
    if hum_db is not None:
        sound += 10 ** (hum_db / 20) * np.sin(2 * np.pi * 50 * np.arange(size) / rate_hz + 0.7)
    if offset_db is not None:
        sound += 10 ** (offset_db / 20)
    if noise_db is not None:
        sound += 10 ** (noise_db / 20) * np.random.default_rng(seed).standard_normal(size)
    return sound
