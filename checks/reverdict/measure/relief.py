"""Energy decay relief: the energy still to come, over time and frequency; for pictures.

Method
    J.-M. Jot, 1992 (from memory): the backward integral of short-time energies, frequency by frequency. Sine windows of
    6 ms that overlap by half, whose squares add up to 1, so that the relief sums to the energy of the sound; longer
    than 8 ms they would blur a spring's chirps. The mean energy of the last tenth of the record is taken for noise and
    out of the integral, which ends where the caller says the decay meets it.
Conventions
    Time from the click, at the middle of each window. Level in dB re the whole energy of the loudest frequency; what is
    more than 100 dB below is −100.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

WINDOW_S = 0.006
FLOOR_DB = -100.0


@dataclass(frozen=True)
class Relief:
    """Level still to come, ndarray of shape (frequencies, times)."""

    frequency_hz: NDArray[Any] = field(repr=False)
    time_s: NDArray[Any] = field(repr=False)
    level_db: NDArray[Any] = field(repr=False)


def energy_decay_relief(
    samples: NDArray[Any], rate_hz: float, click_at_s: float = 0.0, end_s: float | None = None
) -> Relief:
    """Energy decay relief of one signal path, shape (samples,), from its click to ``end_s`` after it.

    Parameters
    ----------
    end_s : float, optional
        When the decay meets the noise, as at the end of ``BandDecay.curve_s``; without it the record's end.
    """
    half = max(round(WINDOW_S * rate_hz / 2), 2)
    window = np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half))
    sound = samples[max(round(click_at_s * rate_hz), 0) :]
    padded = np.pad(sound, (half, 2 * half - 1))  # each sample lies in two windows
    energy = np.abs(fft.rfft(np.lib.stride_tricks.sliding_window_view(padded, 2 * half)[::half] * window, axis=1)) ** 2
    energy[:, 1:half] *= 2
    energy /= 2 * half
    count = energy.shape[0] if end_s is None else min(max(int(end_s * rate_hz / half), 1), energy.shape[0])
    noise = 0.0 if count == energy.shape[0] else energy[-max(energy.shape[0] // 10, 1) - 2 : -2].mean(axis=0)
    left = np.cumsum((energy[:count] - noise)[::-1], axis=0)[::-1].T
    loudest = max(float(left.max(initial=0.0)), 1e-300)
    level_db = 10 * np.log10(np.maximum(left / loudest, 10 ** (FLOOR_DB / 10)))
    return Relief(np.arange(half + 1) * rate_hz / (2 * half), np.arange(count) * half / rate_hz, level_db)
