"""The same sound with other noise: copies that differ by noise alone, as takes of the same thing would.

Method. Gaussian noise, shaped to the noise floor that the decay measurement found in each octave band, is added to the
response. What copies are told to differ by among each other is the least that can be resolved; beside the response
itself they all have the same bias, as each has its noise and the response's own. Fixed by a seed, so that the same
golden gives the same answer.

Limits of validity. Octave bands in which the decay meets the noise within the record; no noise is known of others.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.decay import DecayMeasurement
    from reverdict.measure.measurement import Measurement
    from reverdict.words import Response

SEED = 3382


COPIES = 4


def with_fresh_noise(response: Response, measured: Measurement) -> list[Response]:
    """Copies of the response with noise of its own kind added; none where its noise is nowhere known."""
    random = np.random.default_rng(SEED)
    count = response.samples.shape[1]
    copies = []
    for _ in range(COPIES):
        added = np.stack([_noise(path.decay, count, response.rate_hz, random) for path in measured.paths])
        if added.any():
            copies.append(replace(response, samples=response.samples + added))
    return copies


def _noise(decay: DecayMeasurement, count: int, rate_hz: float, random: np.random.Generator) -> NDArray[Any]:
    spectrum = fft.rfft(random.standard_normal(count))
    hz = fft.rfftfreq(count, 1 / rate_hz)
    gain = np.zeros(hz.size)
    for band in decay.bands:
        if band.centre_hz is None or band.noise_floor_db is None:
            continue
        inside = (hz >= band.centre_hz / np.sqrt(2)) & (hz < band.centre_hz * np.sqrt(2))
        share = inside.sum() / hz.size
        gain[inside] = 10 ** (band.noise_floor_db / 20) / np.sqrt(max(share, 1e-300))
    return np.asarray(fft.irfft(spectrum * gain, count))
