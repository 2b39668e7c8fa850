"""What spoils a recording, seen in its samples: clipping, hum, silence.

Method
    Clipping is a flat top that no smooth sound has: four samples or more in a row within ``FLAT`` of the extreme of
    their sign, on both sides of which sound falls away far more than the curve of the top lets expect. So plateaus
    below full scale are found (an input stage clips where it likes), and a full-scale sine is not.
    Hum is looked for in a stretch where nothing is played: amplitudes at the multiples of 50 and of 60 Hz (Hann window)
    that stand ``HUM_ABOVE_DB`` above the median of what lies round them. The mains is the one whose lines hold more.
Conventions
    Levels in dB re full scale: peak for clipping; rms of a sine's own (so that full scale is −3 dB) for hum and noise.
Validity
    Soft clipping has no flat top and is distortion (``measure.distortion``). Hum needs half a second; lines that 50 and
    60 Hz share (300 Hz, …) count for either.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

FLAT = 2e-3
"""Of the extreme: room for noise on a flat top."""
SHORTEST_RUN = 4
FALLS = 30.0
"""As far outside a flat top as it is long, sound has fallen by so many times what the top differs by. Of a parabola, as
every smooth crest is one, that is 8."""
COARSEST = 2.0**-15
"""The step of 16-bit samples, re full scale; none is coarser."""
FEWEST_FLAT_TOPS = 2
LONG_RUN = 12
"""One flat top of so many samples is enough."""

MAINS_HZ = (50.0, 60.0)
HARMONICS = 10
HUM_ABOVE_DB = 12.0
SHORTEST_HUM_S = 0.5
NEAR_HZ, ROUND_HZ = 3.0, 20.0


@dataclass(frozen=True)
class Clipping:
    """Flat tops of one channel: at which level (dB re full scale), how many, and where the first is (sample)."""

    level_db: float
    count: int
    first: int


@dataclass(frozen=True)
class Hum:
    """Mains in one channel: its frequency, and all of its lines together (rms, dB re full scale)."""

    mains_hz: float
    level_db: float


def find_clipping(row: NDArray[Any]) -> Clipping | None:
    """Flat tops of one channel, shape (samples,); None where there are none."""
    found = [_flat_tops(sign * row) for sign in (1.0, -1.0)]
    runs = [run for starts in found for run in starts]
    if len(runs) < FEWEST_FLAT_TOPS and not any(length >= LONG_RUN for _, length in runs):
        return None
    first, _ = min(runs)
    return Clipping(level_db(float(np.abs(row[first]))), len(runs), first)


def _flat_tops(row: NDArray[Any]) -> list[tuple[int, int]]:
    """(first sample, length) of every flat top of positive sign."""
    top = float(row.max(initial=0.0))
    if top <= 0.0:
        return []
    differences = np.abs(np.diff(row))
    grain = float(np.min(differences[differences > 0], initial=COARSEST))
    edges = np.diff(np.concatenate([[0], (row >= (1 - FLAT) * top).astype(np.int8), [0]]))
    tops = []
    for first, end in zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True):
        length = end - first
        if length < SHORTEST_RUN or first < length or end + length > row.size:
            continue
        spread = max(float(np.ptp(row[first:end])), grain)
        falls = row[first:end].min() - max(row[first - length], row[end - 1 + length])
        if falls >= FALLS * spread:
            tops.append((first, length))
    return tops


def find_hum(quiet: NDArray[Any], rate_hz: int) -> Hum | None:
    """Mains hum in a stretch, shape (samples,), in which nothing is played; None where there is none or it is short."""
    if quiet.size < SHORTEST_HUM_S * rate_hz:
        return None
    window = np.hanning(quiet.size)
    amplitude = np.abs(np.fft.rfft((quiet - quiet.mean()) * window)) * 2 / window.sum()
    bin_hz = rate_hz / quiet.size
    powers = [_lines(amplitude, bin_hz, mains_hz) for mains_hz in MAINS_HZ]
    loudest = int(np.argmax(powers))
    return Hum(MAINS_HZ[loudest], level_db(float(np.sqrt(powers[loudest])))) if powers[loudest] else None


def _lines(amplitude: NDArray[Any], bin_hz: float, mains_hz: float) -> float:
    """Power (mean square) of the lines of one mains frequency that stand out; 0 unless one of the first two does."""
    power, first_two = 0.0, False
    for harmonic in range(1, HARMONICS + 1):
        centre = harmonic * mains_hz / bin_hz
        near, around = max(NEAR_HZ / bin_hz, 1.0), ROUND_HZ / bin_hz
        if centre + around >= amplitude.size:
            break
        bins = np.arange(max(int(centre - around), 1), int(centre + around) + 1)
        line = amplitude[bins[np.abs(bins - centre) <= near]].max()
        floor = float(np.median(amplitude[bins[np.abs(bins - centre) > near]]))
        if line > 10 ** (HUM_ABOVE_DB / 20) * floor:
            power += float(line) ** 2 / 2
            first_two |= harmonic <= 2
    return power if first_two else 0.0


def loudest_db(sound: NDArray[Any], rate_hz: int, seconds: float = 0.01) -> float:
    """Level of the loudest stretch of one channel, shape (samples,): rms, dB re full scale."""
    width = max(min(round(seconds * rate_hz), sound.size), 1)
    blocks = sound[: sound.size // width * width].reshape(-1, width)
    return level_db(float(np.sqrt(np.max(np.mean(blocks**2, axis=1), initial=0.0))))


def level_db(size: float) -> float:
    """In dB re full scale; digital silence is −400."""
    return float(20 * np.log10(max(size, 1e-20)))
