"""Does a recording hold a slow sweep, which has to be deconvolved before anything can be read from it?

Method
    Over frames of 46 ms the loudest frequency is taken. Of lines through pairs of frames, in the logarithm of frequency
    and in frequency itself, the one on which most frames lie is a sweep if nearly all frames lie on it between its
    first and its last, over three octaves and half a second. A reverb on top of it leaves the sweep the loudest.
Limits of validity
    One sweep or several alike, rising. Chirps of springs last a tenth of that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

FRAME_S = 0.046
MOST_FRAMES = 600
LOWEST_HZ = 100.0
HEARD_DB = 70.0
PAIRS = 400
OFF_OCTAVES, OFF_SHARE = 0.07, 0.01
"""How far from a line a frame may lie: in octaves; in frequency, over the highest."""
RISES = 10.0
"""Least rise between two frames through which a line is laid, over how far others may lie from it."""
LEAST_OCTAVES = 3.0
LEAST_S = 0.5
LEAST_ON_LINE = 0.7


@dataclass(frozen=True)
class RisingSweep:
    """A sweep as it was recorded, roughly: where it begins and ends."""

    from_hz: float
    to_hz: float
    seconds: float

    @property
    def octaves_per_s(self) -> float:
        return float(np.log2(self.to_hz / self.from_hz)) / self.seconds


def rising_sweep(sound: NDArray[Any], rate_hz: float) -> RisingSweep | None:
    """The slow sweep that a recording, shape (samples,), holds; None where it holds none."""
    time_s, hz = _loudest_frequencies(sound, rate_hz)
    if time_s.size < LEAST_S / FRAME_S or np.ptp(time_s) < LEAST_S:
        return None
    for values, off in ((np.log2(hz), OFF_OCTAVES), (hz, OFF_SHARE * float(hz.max()))):
        on_line = _most_on_a_line(time_s, values, off)
        first, last = time_s[on_line][[0, -1]]
        between = (time_s >= first) & (time_s <= last)
        octaves = float(np.log2(hz[on_line][-1] / hz[on_line][0]))
        on = float(np.mean(on_line[between]))
        if octaves >= LEAST_OCTAVES and last - first >= LEAST_S and on >= LEAST_ON_LINE:
            return RisingSweep(float(hz[on_line][0]), float(hz[on_line][-1]), float(last - first))
    return None


def _loudest_frequencies(sound: NDArray[Any], rate_hz: float) -> tuple[NDArray[Any], NDArray[Any]]:
    """Loudest frequency of each frame that is heard, and when that frame begins; shapes (frames,)."""
    length = round(FRAME_S * rate_hz)
    if sound.size < 2 * length:
        return np.zeros(0), np.zeros(0)
    starts = np.unique(np.linspace(0, sound.size - length, min(MOST_FRAMES, 2 * sound.size // length)).astype(int))
    window = np.hanning(length)
    lowest = int(np.ceil(LOWEST_HZ / rate_hz * length))
    peaks, levels = np.zeros(starts.size), np.zeros(starts.size)
    for row, start in enumerate(starts):
        power = np.abs(fft.rfft(sound[start : start + length] * window)[lowest:]) ** 2
        peaks[row] = lowest + np.argmax(power)
        levels[row] = power.max()
    heard = levels > 10 ** (-HEARD_DB / 10) * levels.max()
    heard &= levels > 0
    return starts[heard] / rate_hz, peaks[heard] * rate_hz / length


def _most_on_a_line(time_s: NDArray[Any], values: NDArray[Any], off: float) -> NDArray[Any]:
    """Which frames lie on the line, through two of them, on which most do."""
    random = np.random.default_rng(1)
    one, other = random.integers(time_s.size, size=(2, PAIRS))
    # A line that hardly rises is a tone's.
    apart = (time_s[other] - time_s[one] > FRAME_S) & (values[other] - values[one] > RISES * off)
    if not apart.any():
        return np.ones(time_s.size, dtype=bool)
    one, other = one[apart], other[apart]
    slope = (values[other] - values[one]) / (time_s[other] - time_s[one])
    away = np.abs(values - values[one][:, None] - slope[:, None] * (time_s - time_s[one][:, None]))
    return np.asarray((away <= off)[int(np.argmax(np.sum(away <= off, axis=1)))])
