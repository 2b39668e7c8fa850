"""Responses of the usual spring algorithm whose every number is known, to hold the fit against. Shares no code with it.

Filters are scipy's designs (Butterworth, elliptic) evaluated by ``freqz``, sections by their own formula on the unit
circle, at frequencies so dense that what wraps round is 120 dB down. Whole and fractional stretches alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True)
class Algorithm:
    """One spring. line : samples; stretch : samples K; reflection : gain of a round trip, with its sign."""

    line: float
    sections: int
    coefficient: float
    stretch: float
    reflection: float
    lowpass_hz: float
    order: int = 2
    edge_hz: float | None = None
    level_db: float = 0.0
    polarity: int = 1

    def trip(self, omega: NDArray[np.float64], rate_hz: int) -> NDArray[np.complex128]:
        """One passage on frequencies in radians per sample."""
        z = np.exp(-1j * self.stretch * omega)
        turned = (
            np.exp(-1j * self.line * omega) * ((self.coefficient + z) / (1 + self.coefficient * z)) ** self.sections
        )
        turned = turned * signal.freqz(*signal.butter(self.order, self.lowpass_hz, fs=rate_hz), omega)[1]
        if self.edge_hz is not None:
            sos = signal.ellip(8, 0.01, 60, self.edge_hz, fs=rate_hz, output="sos")
            # The design's gain at 0 Hz is that of its ripple; the algorithm counts it as part of the reflection.
            turned = turned * signal.sosfreqz(sos, omega)[1] / abs(signal.sosfreqz(sos, [0.0])[1][0])
        return np.asarray(turned)


def respond(
    springs: Sequence[Algorithm],
    rate_hz: int = 48000,
    law: str = "1:3:5",
    seconds: float = 1.2,
    noise_db: float | None = None,
    seed: int = 1,
    crosstalk: float = 0.0,
) -> NDArray[np.float64]:
    """Response to a click at the first sample, shape (samples,); noise_db is its rms below the response's peak."""
    size = round(seconds * rate_hz)
    grid = 1 << int(np.ceil(np.log2(6 * rate_hz)))
    omega = 2 * np.pi * np.arange(grid // 2 + 1) / grid
    total = np.zeros(omega.size, dtype=complex)
    for one in springs:
        trip = one.trip(omega, rate_hz)
        back = one.reflection * (trip**2 if law == "1:3:5" else trip)
        total += one.polarity * 10 ** (one.level_db / 20) * trip / (1 - back)
    total *= signal.freqz(*signal.butter(1, 80.0, "high", fs=rate_hz), omega)[1]
    sound = np.fft.irfft(total, grid)[:size]
    peak = float(np.abs(sound).max())
    sound[0] += crosstalk
    if noise_db is not None:
        sound += 10 ** (noise_db / 20) * peak * np.random.default_rng(seed).standard_normal(size)
    return sound
