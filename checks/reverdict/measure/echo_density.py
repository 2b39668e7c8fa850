"""How dense the echoes are, and when they have mixed.

Method
    J. S. Abel and P. Huang, AES 121, 2006: in a sliding Hann window of 20 ms, the weighted share of samples that lie
    outside one standard deviation, over what it is in Gaussian noise, erfc(1/√2). Sparse echoes are near 0, mixed ones
    at 1. The mixing time is when it first reaches 1.
Conventions
    Windows are centred on their time, from the arrival on; times count from the click. The sound above 50 Hz is taken.
Validity
    Noise has a density of 1 as well: the profile ends where the decay comes within 10 dB of the noise, has fallen by
    60 dB, or after one second. It was made for rooms, whose echoes are short. A spring's chirp is long and as dense as
    noise by itself, so a tank "mixes" with its first pass: of springs the profile tells little.
Uncertainty
    Of the density: that of a share of so many independent samples (k = 2). Of the mixing time: how much earlier the
    density has come within its uncertainty of 1.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

WINDOW_S = 0.020
HOP_S = 0.004
LONGEST_S = 1.0
GAUSSIAN_SHARE = 0.3173105
"""erfc(1/√2)"""


@dataclass(frozen=True)
class EchoDensity:
    """The profile, shape (points,) each, and the mixing time or why there is none."""

    time_s: NDArray[Any] = field(repr=False)
    density: NDArray[Any] = field(repr=False)
    uncertainty: float | None = None
    mixing_s: float | None = None
    mixing_uncertainty_s: float | None = None
    why_not: str = ""


def echo_density(sound: NDArray[Any], rate_hz: float, arrival_s: float, end_s: float) -> EchoDensity:
    """Echo density of a sound from its click on, shape (samples,), between two times."""
    width, hop = round(WINDOW_S * rate_hz), max(round(HOP_S * rate_hz), 1)
    arrival = round(arrival_s * rate_hz)
    count = int((min(end_s - arrival_s, LONGEST_S) - WINDOW_S / 2) * rate_hz) // hop
    if count * hop < width or width < 20:
        nothing = np.zeros(0)
        return EchoDensity(nothing, nothing, why_not="too little stands clear of the noise")
    first = arrival - width // 2
    from_first = sound[max(first, 0) : first + (count - 1) * hop + width]
    from_first = np.pad(from_first, (max(-first, 0), 0))
    weights = np.hanning(width + 2)[1:-1]
    weights /= weights.sum()
    windows = np.lib.stride_tricks.sliding_window_view(from_first**2, width)[::hop]
    outside = windows > (windows @ weights)[:, None]
    density = (outside @ weights) / GAUSSIAN_SHARE
    time_s = (first + width // 2 + hop * np.arange(density.size)) / rate_hz
    uncertainty = 2 * float(np.sqrt((1 / GAUSSIAN_SHARE - 1) * np.sum(weights**2)))
    mixed, nearly = np.flatnonzero(density >= 1), np.flatnonzero(density >= 1 - uncertainty)
    if mixed.size == 0:
        why = f"density reaches {density.max():.2f}, not 1, within {time_s[-1]:.2f} s"
        return EchoDensity(time_s, density, uncertainty, why_not=why)
    mixing_s = float(time_s[mixed[0]])
    early_s = max(mixing_s - float(time_s[nearly[0]]), HOP_S)
    return EchoDensity(time_s, density, uncertainty, mixing_s, early_s)
