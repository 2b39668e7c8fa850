"""Octave and third-octave bands after IEC 61260-1:2014, class 1.

Each band is a Butterworth band-pass of the sixth order, applied as its exact frequency response to the spectrum, with
its phase turned round: that is filtering the sound backwards in time, which ISO 3382-2:2008, 7.3, allows for decays
down to B·T = 4 where forward filtering needs 16. A digital filter's warping near half the sample rate does not arise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

OCTAVE_RATIO = 10**0.3
SHUT = 16.0
RINGING_S = 0.25
"""Room for what a backward filter moves before the click: the 63 Hz octave has rung down by 60 dB well within this."""


def octave_centres(rate_hz: float, lowest_hz: float = 125.0, highest_hz: float = 8000.0) -> list[float]:
    """Nominal mid-bands whose upper edge lies below 0.95 of half the sample rate."""
    nominal = [63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0]
    edge = OCTAVE_RATIO**0.5
    return [c for c in nominal if lowest_hz <= c <= highest_hz and exact_centre(c) * edge < 0.475 * rate_hz]


def exact_centre(nominal_hz: float) -> float:
    """Exact mid-band of a nominal octave, 1000·G^x with whole x."""
    return float(1000 * OCTAVE_RATIO ** round(np.log(nominal_hz / 1000) / np.log(OCTAVE_RATIO)))


def band_response(frequency_hz: NDArray[Any], centre_hz: float, fraction: int = 1) -> NDArray[Any]:
    """Complex response of one band filter (forward in time) at the given frequencies.

    Parameters
    ----------
    centre_hz : float
        Exact mid-band frequency.
    fraction : int
        1 for octaves, 3 for third-octaves.
    """
    half = OCTAVE_RATIO ** (0.5 / fraction)
    ratio = np.maximum(np.asarray(frequency_hz, dtype=float) / centre_hz, 1e-6)
    p = 1j * (ratio - 1 / ratio) / (half - 1 / half)
    return np.asarray(1 / ((p + 1) * (p * p + p + 1)))


def each_band(
    samples: NDArray[Any], rate_hz: float, centres_hz: Sequence[float], fraction: int = 1, wander_hz: float = 50.0
) -> Iterator[NDArray[Any]]:
    """Yield the whole sound without offset and wander below ``wander_hz``, then each band; one at a time in memory.

    Each is an ndarray, shape (lead + samples,), that starts ``lead_samples(rate_hz)`` before the click.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        From the click on.
    """
    lead = lead_samples(rate_hz)
    size = fft.next_fast_len(samples.size + 2 * lead, real=True)
    spectrum = fft.rfft(samples, size)
    step_hz = rate_hz / size

    def heard(part: NDArray[Any]) -> NDArray[Any]:
        filtered = fft.irfft(part, size)
        return np.concatenate([filtered[size - lead :], filtered[: samples.size]])

    frequency = np.arange(spectrum.size) * step_hz
    yield heard(spectrum * (frequency**6 / (frequency**6 + wander_hz**6)))
    for nominal_hz in centres_hz:
        centre_hz = exact_centre(nominal_hz)
        # Beyond four octaves on either side the filter is more than 80 dB down; there it is taken as shut.
        first = int(centre_hz / SHUT / step_hz)
        last = min(int(centre_hz * SHUT / step_hz), spectrum.size)
        part = np.zeros_like(spectrum)
        response = band_response(frequency[first:last], centre_hz, fraction)
        part[first:last] = spectrum[first:last] * np.conj(response)
        yield heard(part)


def lead_samples(rate_hz: float) -> int:
    """How many samples before the click ``each_band`` starts."""
    return int(RINGING_S * rate_hz)
