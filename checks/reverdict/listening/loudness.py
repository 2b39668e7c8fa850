"""How loud a sound is, after Recommendation ITU-R BS.1770-4, and its true peak. At 48 kHz.

Method. Each channel is weighted by two filters (a shelf for the head, a high-pass), whose coefficients at 48 kHz are
those of the Recommendation, tables 1 and 2 (from memory); mean squares of blocks of 400 ms, every 100 ms, summed over
channels; blocks below −70 LKFS, and then those 10 LU below the mean of the rest, are left out. The true peak is that of
the sound at four times the rate.

Limits of validity. Sounds shorter than a block are taken as one block.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48000
WEIGHTING = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)
BLOCK, HOP = int(0.4 * RATE_HZ), int(0.1 * RATE_HZ)
ABSOLUTE_LKFS, RELATIVE_LU = -70.0, -10.0


def loudness_lkfs(sound: NDArray[Any]) -> float:
    """Gated loudness of a sound of shape (channels, samples); −inf where all of it lies below the gate."""
    from scipy.signal import sosfilt

    weighted = sosfilt(WEIGHTING, sound, axis=-1)
    begins = range(0, max(1, weighted.shape[-1] - BLOCK + 1), HOP)
    power = np.array([float(np.sum(np.mean(weighted[:, at : at + BLOCK] ** 2, axis=-1))) for at in begins])
    gated = power[power > _power(ABSOLUTE_LKFS)]
    if not gated.size:
        return -math.inf
    gated = gated[gated > float(np.mean(gated)) * 10 ** (RELATIVE_LU / 10)]
    return -0.691 + 10 * math.log10(float(np.mean(gated)))


def _power(lkfs: float) -> float:
    return float(10 ** ((lkfs + 0.691) / 10))


def true_peak(sound: NDArray[Any]) -> float:
    """Largest magnitude between the samples, too; shape (channels, samples)."""
    from scipy.signal import resample_poly

    return float(np.max(np.abs(resample_poly(sound, 4, 1, axis=-1)), initial=0.0))
