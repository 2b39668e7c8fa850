"""How much of a tail's energy comes how late, where golden and candidate part.

One delay line of a feedback network that moved by d delays each sound that has gone through it n times by n·d. The
parts with different n are strangers to each other, so that each stands in the cross-spectrum, over the golden's power,
as its share p of the energy: Σ p_n e^{−j2πf·n·d}. Turned into time that is a row of copies of the golden's own whitened
autocorrelation, of which the largest are taken out one by one (J. A. Högbom's CLEAN, 1974; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.lag_windows import Cross, Windows

if TYPE_CHECKING:
    from numpy.typing import NDArray

STRETCH_S = 0.05
FEWEST = 3
ALIKE = 0.85
"""Coherence of a stretch from which on there is nothing to share out: noise alone may cost a tenth."""

MOST_SHARES = 5
LEAST_SHARE = 0.1
SHARES_REACH_S = 0.006
RESOLVED = 0.25
"""A copy is sought only where the envelopes of those found already have fallen to this."""

WHITENED_HZ = 400.0


@dataclass(frozen=True)
class LagShare:
    """Between two times this share of the golden's energy stands ``lag_s`` later in the candidate."""

    from_s: float
    to_s: float
    lag_s: float
    share: float
    uncertainty: float


def shares_of_energy(cross: Cross, windows: Windows) -> tuple[LagShare, ...]:
    """What came of the energy in stretches that double in length, up to the noise, where the two are not alike."""
    usable = windows.held & ~windows.silent & windows.heard
    end_s = float(windows.time_s[usable].max(initial=0.0))
    shares: list[LagShare] = []
    low, high = 0.0, STRETCH_S
    while low < end_s:
        inside = usable & (windows.time_s >= low) & (windows.time_s < high)
        if inside.sum() >= FEWEST and np.median(windows.coherence[inside]) < ALIKE:
            shares += _shares_of(cross, inside, low, min(high, end_s))
        low, high = high, 2 * high
    return tuple(shares)


def _shares_of(cross: Cross, inside: NDArray[Any], low: float, high: float) -> list[LagShare]:
    """Split the whitened correlation of one stretch into copies of the golden's own, the largest first."""
    from scipy.ndimage import uniform_filter1d

    hz = cross.frequency_hz
    power = cross.power[inside].sum(axis=0)
    level = uniform_filter1d(power, max(int(WHITENED_HZ / (hz[1] - hz[0])), 1), mode="nearest")
    weight = np.where(level > 1e-4 * level.max(), 1 / np.maximum(level, 1e-300), 0.0)
    size = fft.next_fast_len(16 * hz.size)
    step_s = 1 / (size * (hz[1] - hz[0]))
    reach = int(SHARES_REACH_S / step_s)

    def correlation(spectrum: NDArray[Any], farthest: int) -> NDArray[Any]:
        places = np.arange(-farthest, farthest + 1)
        turned = fft.ifft(spectrum * weight, size)[places] * np.exp(2j * np.pi * hz[0] * step_s * places)
        return np.asarray(turned * size / np.sum(power * weight))

    across = correlation(cross.cross[inside].sum(axis=0), reach).real
    kernel = correlation(power, 2 * reach)
    noise = 1.4826 * float(np.median(np.abs(across)))
    free = np.ones(across.size, dtype=bool)
    at: list[int] = []
    rest, amounts = across, np.zeros(0)
    for _ in range(MOST_SHARES):
        best = int(np.argmax(np.where(free, rest, -1.0)))
        if rest[best] < max(LEAST_SHARE, 6 * noise):
            break
        at.append(best)
        copies = np.column_stack([kernel[2 * reach - place : 4 * reach + 1 - place] for place in at])
        free &= np.abs(copies[:, -1]) < RESOLVED
        amounts = np.linalg.lstsq(copies.real, across, rcond=None)[0]
        rest = across - copies.real @ amounts
    return [
        LagShare(low, high, float(cross.begin_s + (place - reach) * step_s), float(amount), 2 * noise)
        for place, amount in sorted(zip(at, amounts, strict=True))
        if amount >= LEAST_SHARE
    ]
