"""Energy over time in narrow bands, for pictures of a sound in time and frequency.

Method
    Gaussian bands of 120 Hz standard deviation, cut out of one spectrum; their impulse is 1.3 ms wide, short enough for
    a spring's chirps. Only a band's few bins are transformed back, at the rate that its envelope needs: the cost
    does not depend on the sample rate. What wanders below 50 Hz is taken out.
Conventions
    Times from the first sample. Powers are not scaled: hold them against those of another sound.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

BAND_HZ = 120.0
"""Standard deviation of the bands."""
WANDER_HZ = 50.0
REACH = 4.0
"""Standard deviations after which a Gaussian counts as nothing."""


def impulse_s() -> float:
    """Standard deviation in time of a band's impulse."""
    return float(1 / (2 * np.pi * BAND_HZ))


def energy(sound: NDArray[Any], rate_hz: float, rows_hz: NDArray[Any], times_s: NDArray[Any]) -> NDArray[Any]:
    """Power of each band at each time, ndarray of shape (rows, times).

    Parameters
    ----------
    sound : ndarray, shape (samples,)
        From the click on and somewhat beyond the last time.
    rows_hz : ndarray, shape (rows,)
        Middle of each band.
    times_s : ndarray, shape (times,)
    """
    from scipy import fft

    margin = round(REACH * impulse_s() * rate_hz)
    size = fft.next_fast_len(sound.size + 2 * margin, real=True)
    faded = sound * np.clip((sound.size - np.arange(sound.size)) / max(margin, 1), 0, 1)
    spectrum = fft.rfft(faded, size)
    step_hz = rate_hz / size
    bins_hz = np.arange(spectrum.size) * step_hz
    spectrum *= bins_hz**6 / (bins_hz**6 + WANDER_HZ**6)
    reach = int(np.ceil(REACH * BAND_HZ / step_hz))
    # The band's envelope is all that is wanted, so its few bins are moved to 0 Hz and the rate is only what they need.
    points = fft.next_fast_len(max(4 * reach, 4 * times_s.size))
    offsets = np.arange(-reach, reach + 1)
    places = times_s / (size / rate_hz) * points
    power = np.empty((rows_hz.size, times_s.size))
    for index, hz in enumerate(rows_hz):
        bins = round(hz / step_hz) + offsets
        held = (bins > 0) & (bins < spectrum.size)
        band = np.zeros(points, dtype=complex)
        band[offsets[held]] = spectrum[bins[held]] * np.exp(-0.5 * ((bins[held] * step_hz - hz) / BAND_HZ) ** 2)
        power[index] = np.interp(places, np.arange(points), np.abs(fft.ifft(band)) ** 2)
    return power
