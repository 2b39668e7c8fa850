"""Where a decay meets the noise.

Method
    Lundeby's iteration on block energies (A. Lundeby et al., Acustica 81, 1995; pages from memory): a line through the
    logarithm of the energy, the noise from what lies well behind their meeting, a new line through what lies 5 to
    25 dB above that noise, until they stay.
Conventions
    Time in blocks of the caller's, energies in sums of squares per block, slopes in natural logarithm per block.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

FOUND_OTHER = 3.0
"""Standard deviations by which the energy behind the meeting must differ from the fitted decay's to count instead."""


@dataclass(frozen=True)
class NoiseMeeting:
    """Where a decay meets the noise.

    start : int
        Block of the peak.
    end : int
        Blocks up to here are decay.
    noise : float
        Energy of the noise in a block (what is left at the end of the record where ``reached`` is false).
    slope : float
        Natural logarithm of energy per block, negative.
    tail : float
        Energy of the fitted decay in the block at ``end``.
    quiet : int
        Blocks that the noise is the mean of.
    """

    start: int
    end: int
    noise: float
    slope: float
    tail: float
    quiet: int
    reached: bool

    @property
    def beyond(self) -> float:
        """Energy of the fitted decay from ``end`` on."""
        return self.tail / -float(np.expm1(self.slope))


def meet_noise(energy: NDArray[Any], block_s: float) -> NoiseMeeting | None:
    """Lundeby's iteration on block energies; None where nothing decays."""
    size = energy.size
    tenth = max(size // 10, 4)
    noise = float(energy[-tenth:].mean())
    start = int(np.argmax(running_mean(energy, max(int(0.01 / block_s), 1))))
    width = max(min(int(0.05 / block_s), (size - start) // 8), 1)
    slope = _slope(energy, start, size, width, 10 * noise)
    if slope is None:
        # All within 10 dB of its own end: either it hardly decays or the record is far too short.
        slope = _slope(energy, start, size, width, 0.0)
        if slope is None:
            return None
    end = quiet = size
    for _ in range(8):
        rate, level = slope
        if rate >= 0:
            return None
        crossing = (np.log(max(noise, 1e-300)) - level) / rate
        end = int(np.clip(crossing, start + 4, size))
        ten_db = np.log(10) / -rate
        width = int(np.clip(ten_db / 5, max(int(0.02 / block_s), 1), max(size // 20, 1)))
        quiet = int(min(end + ten_db, size - tenth))
        noise = float(energy[quiet:].mean())
        later = _slope(
            energy, max(start, int(end - 2.5 * ten_db)), min(int(end - 0.5 * ten_db), size), width, 2 * noise
        )
        if later is None or later[0] >= 0:
            break
        if abs(later[0] - rate) < 1e-4 * abs(rate) and abs(later[1] - level) < 1e-3:
            slope = later
            break
        slope = later
    rate, level = slope
    crossing = (np.log(max(noise, 1e-300)) - level) / rate
    reached = crossing < size - tenth and noise > 0
    end = int(np.clip(crossing, start + 4, size)) if reached else size
    tail = float(np.exp(level + rate * end))
    return NoiseMeeting(start, end, noise, rate, tail, size - quiet, bool(reached))


def energy_beyond(energy: NDArray[Any], meeting: NoiseMeeting, freedom: float) -> tuple[float, float]:
    """Energy after the meeting and its standard deviation, of noise with so many free values in a block.

    What the fitted decay would still bring is held against what lies in the noise behind the meeting. A later stage
    of the decay that the noise hides shows there; then what was found stands for what was fitted, and is as unsure as
    they are apart, for it may go on.
    """
    fitted = meeting.beyond
    length = min(int(2 * np.log(10) / -meeting.slope), (energy.size - meeting.end) // 2)
    if not meeting.reached or length < 1:
        return fitted, 0.0
    behind, quiet = energy[meeting.end : meeting.end + length], energy[meeting.end + length :]
    after = fitted * float(np.exp(meeting.slope * length))  # of the fitted decay, what lies among the quiet
    noise = max(float(quiet.mean()) - after / quiet.size, 0.0)
    found = float(behind.sum()) - noise * length + after
    sigma = np.sqrt((noise**2 * (length + length**2 / quiet.size) + 2 * noise * fitted) / freedom)
    if abs(found - fitted) > FOUND_OTHER * sigma:
        return max(found, 0.0), abs(found - fitted)
    return fitted, float(sigma)


def _slope(energy: NDArray[Any], first: int, last: int, width: int, floor: float) -> tuple[float, float] | None:
    """Least-squares line (per block, at block 0) through the log of mean energies until they fall to ``floor``."""
    count = (last - first) // width
    if count < 3:
        return None
    means = energy[first : first + count * width].reshape(count, width).mean(axis=1)
    below = np.flatnonzero(means <= floor)
    used = int(below[0]) if below.size else count
    if used < 3 or means[:used].min() <= 0:
        return None
    middle = first + width * (np.arange(used) + 0.5) - 0.5
    return straight_line(middle, np.log(means[:used]))


def running_mean(values: NDArray[Any], width: int) -> NDArray[Any]:
    width = min(width, values.size)
    sums = np.zeros(values.size + 1)
    np.cumsum(values, out=sums[1:])
    return (sums[width:] - sums[:-width]) / width


def straight_line(x: NDArray[Any], y: NDArray[Any]) -> tuple[float, float]:
    """Slope, and level at x = 0, of the least-squares line."""
    middle = float(x.mean())
    away = x - middle
    slope = float(away @ y) / float(away @ away)
    return slope, float(y.mean()) - slope * middle
