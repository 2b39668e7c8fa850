"""What can happen to a dense tail, which has no passes to move: part of it late, another decay, modulation.

Samples are of shape (paths, samples). What ``sound`` says of peaks, lengths and shifts holds here too.

Limits of validity. A network whose one delay line is longer does not delay all that is heard after a moment, but a
growing share of it; ``late_from`` is the simplest fault of that kind, and its size is exact. A longer decay raises
recording noise with the tail.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft
from scipy.interpolate import CubicSpline

from reverdict.faults.sound import SILENCE, late

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

FADE_S = 0.005
FINER = 8
"""How much finer a response is sampled before a spline reads it at any time: cubic error then below −100 dB."""


def late_from(samples: NDArray[Any], rate_hz: float, from_s: float, by_s: float) -> NDArray[Any]:
    """What comes after a moment later by so much, faded over 5 ms."""
    time_s = np.arange(samples.shape[-1]) / rate_hz
    share = np.clip((time_s - from_s) / FADE_S + 0.5, 0.0, 1.0)
    return np.asarray(samples * (1 - share) + late(samples * share, by_s * rate_hz))


def decaying(samples: NDArray[Any], rate_hz: float, t60_s: Sequence[float], percent: float) -> NDArray[Any]:
    """Decay times of every path longer by so many percent, by an exponential from the click on.

    t60_s : of each path, as it is.
    """
    time_s = np.arange(samples.shape[-1]) / rate_hz
    slope = np.log(1000.0) / np.asarray(t60_s, dtype=np.float64)
    change = slope * (1 - 1 / (1 + percent / 100))
    return np.asarray(samples * np.exp(change[:, np.newaxis] * time_s))


def modulated(samples: NDArray[Any], rate_hz: float, depth_s: float, hz: float) -> NDArray[Any]:
    """All of it read at a time that sways by so much either way."""
    count = samples.shape[-1]
    size = fft.next_fast_len(count + SILENCE, real=True)
    fine = fft.irfft(fft.rfft(samples, size), FINER * size) * FINER
    time_s = np.arange(count) / rate_hz
    sway = time_s - depth_s * np.sin(2 * np.pi * hz * time_s)
    read = CubicSpline(np.arange(fine.shape[-1]) / (FINER * rate_hz), fine, axis=-1)
    return np.asarray(read(np.maximum(sway, 0.0)))
