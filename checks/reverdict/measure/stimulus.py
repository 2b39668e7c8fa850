"""A stimulus as it stands in its file: one repeat of it, where its repeats start, and whether it is a sweep.

Repeats are stretches of equal samples with digital silence between them; how far apart they are in the file is known
exactly in the player's clock, which is what makes the recorder's clock measurable (``measure.clock``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.excerpt import smooth_over_frequency
from reverdict.measure.sweep import Sweep, recognise

if TYPE_CHECKING:
    from numpy.typing import NDArray

SILENT = 1e-6
"""Of the peak; below, a stimulus is silent."""
GAP_S = 0.02
ALIKE = 1e-4
LEAST_GAIN = 1e-6
"""Of the strongest power: frequencies excited less are left out of a division."""
DIP = 1e-4
SMOOTHING_HZ = 50.0


@dataclass(frozen=True)
class Stimulus:
    """What is played.

    samples : ndarray, shape (samples,)
        One repeat, from its first to its last sounding sample.
    starts : tuple of int
        Sample of the file, or of the loop of files, at which each repeat starts.
    sweep, sweep_at_s : Sweep or None, float
        The sweep it was recognised as, and when that starts after the first of ``samples``.
    """

    samples: NDArray[Any]
    rate_hz: int
    starts: tuple[int, ...]
    sweep: Sweep | None
    sweep_at_s: float = 0.0

    @property
    def gap(self) -> int | None:
        """Samples from one repeat to the next, the least of them; None where it is played once."""
        return min(np.diff(self.starts).tolist(), default=None)

    def inverse(self, size: int) -> tuple[NDArray[Any], NDArray[Any]]:
        """What to multiply the spectrum of a recording with, and the weight of each bin; shapes (size // 2 + 1,).

        The spectrum of the stimulus as it is played is divided by, so that its fades and ends bend nothing. A sweep's
        band ends where its fades begin to take hold, so that no frequency is lifted more than the unfaded sweep would
        be. Any other stimulus is divided by where it has power (regularised, zero phase).
        """
        spectrum = fft.rfft(self.samples, size)
        power = np.abs(spectrum) ** 2
        frequency_hz = np.arange(power.size) * self.rate_hz / size
        if self.sweep is not None:
            band = self.sweep.band(frequency_hz)
            least = 1e-4 * np.abs(self.sweep.spectrum(frequency_hz)) ** 2
        else:
            around = smooth_over_frequency(power, SMOOTHING_HZ, self.rate_hz / size)
            least = DIP * around + LEAST_GAIN * float(around.max())
            band = around / (around + LEAST_GAIN * float(around.max()))
        return band * np.conj(spectrum) / (power + least), band


def read_stimulus(samples: NDArray[Any], rate_hz: int, loops: int = 1) -> Stimulus | None:
    """Find out what a stimulus file holds; None where it is silent.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
    loops : int
        How often the file is played without a gap.
    """
    peak = float(np.abs(samples).max(initial=0.0))
    if peak == 0:
        return None
    stretches = _sounding(np.flatnonzero(np.abs(samples) > SILENT * peak), round(GAP_S * rate_hz))
    first, last = stretches[0]
    repeat = samples[first : last + 1]
    same = all(
        end - begin == last - first and np.abs(samples[begin : end + 1] - repeat).max() < ALIKE * peak
        for begin, end in stretches
    )
    if not same:
        stretches, repeat = stretches[:1], samples[first : stretches[-1][1] + 1]
    starts = tuple(loop * samples.size + begin for loop in range(loops) for begin, _ in stretches)
    sweep, sweep_at_s = recognise(repeat, rate_hz) or (None, 0.0)
    return Stimulus(repeat, rate_hz, starts, sweep, sweep_at_s)


def _sounding(loud: NDArray[Any], gap: int) -> list[tuple[int, int]]:
    """First and last sample of each stretch of sound between silences of at least ``gap`` samples."""
    breaks = np.flatnonzero(np.diff(loud) > gap)
    begins = loud[np.concatenate([[0], breaks + 1])]
    ends = loud[np.concatenate([breaks, [loud.size - 1]])]
    return [(int(begin), int(end)) for begin, end in zip(begins, ends, strict=True)]
