"""What can happen to any sound. Samples are of shape (paths, samples), float64; time is along the last axis.

Conventions
    "Peak" is the largest absolute sample of all paths of the golden; levels re peak are in dB. Nothing changes the
    length: what is moved out of the record is lost, what comes in is silence.
Method
    Shifts and changes of rate are band-limited, by the spectrum of the response padded with silence, so that sizes far
    below one sample are true. Noise comes from a fixed seed: the same fault is the same at every run.
Limits of validity
    A filter (``tilted``) changes magnitudes and no phase, so it sounds a little before its cause.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.clock import scaled_spectrum

if TYPE_CHECKING:
    from numpy.typing import NDArray

SEED = 4
SILENCE = 8192
"""Samples of silence behind a response, into which a shifted one may ring."""
HUM_HARMONICS = 5
TILT_FROM_HZ, TILT_ABOUT_HZ, TILT_TO_SHARE = 50.0, 1000.0, 0.4


def peak(samples: NDArray[Any]) -> float:
    """Largest absolute sample."""
    return float(np.abs(samples).max())


def amplitude(db: float) -> float:
    """The amplitude ratio of a level."""
    return float(10.0 ** (db / 20.0))


def late(samples: NDArray[Any], by: float) -> NDArray[Any]:
    """Everything later by so many samples, whole or not, 0 or more."""
    count = samples.shape[-1]
    size = fft.next_fast_len(count + round(by) + SILENCE, real=True)
    turn = np.exp(-2j * np.pi * by / size * np.arange(size // 2 + 1))
    return np.asarray(fft.irfft(fft.rfft(samples, size) * turn, size)[..., :count])


def stretched(samples: NDArray[Any], by: float) -> NDArray[Any]:
    """All times longer by the share ``by``: 1e-6 is 1 ppm. Levels stay; what would lie above half the rate is lost."""
    count = samples.shape[-1]
    size = fft.next_fast_len(round(count * (1 + max(by, 0.0))) + SILENCE, real=True)
    bins = np.arange(size // 2 + 1)
    inside = bins * (1 + by) <= size / 2
    spectra = [scaled_spectrum(row, size, by) * inside for row in samples]
    return np.asarray(fft.irfft(spectra, size)[..., :count])


def louder(samples: NDArray[Any], db: float) -> NDArray[Any]:
    """All of it louder by so many dB."""
    return samples * amplitude(db)


def tilted(samples: NDArray[Any], rate_hz: float, db_per_octave: float) -> NDArray[Any]:
    """Magnitudes tilted about 1 kHz, from 50 Hz to 0.4 of the rate, level beyond."""
    count = samples.shape[-1]
    size = fft.next_fast_len(count + SILENCE, real=True)
    hz = np.clip(fft.rfftfreq(size, 1 / rate_hz), TILT_FROM_HZ, TILT_TO_SHARE * rate_hz)
    gain = 10.0 ** (db_per_octave * np.log2(hz / TILT_ABOUT_HZ) / 20.0)
    return np.asarray(fft.irfft(fft.rfft(samples, size) * gain, size)[..., :count])


def crossed(samples: NDArray[Any], db: float) -> NDArray[Any]:
    """Of each input's two outputs, a leak of the other one at this level. Rows in pairs, as in ``words.PATHS``."""
    pairs = samples.reshape(-1, 2, samples.shape[-1])
    return np.asarray((pairs + amplitude(db) * pairs[:, ::-1]).reshape(samples.shape))


def swapped(samples: NDArray[Any]) -> NDArray[Any]:
    """The two outputs of each input exchanged."""
    return np.asarray(samples.reshape(-1, 2, samples.shape[-1])[:, ::-1].reshape(samples.shape))


def clicked(samples: NDArray[Any], at: int, db: float) -> NDArray[Any]:
    """One sample added on every path, this level re peak."""
    changed = samples.copy()
    changed[:, at] += peak(samples) * amplitude(db)
    return changed


def energy_left_at(samples: NDArray[Any], left_db: float) -> int:
    """First sample from which on no more than so many dB (negative: below all) of the energy is to come."""
    energy = np.cumsum(np.sum(samples**2, axis=0)[::-1])[::-1]
    within = np.flatnonzero(energy <= energy[0] * 10.0 ** (left_db / 10.0))
    return int(within[0]) if within.size else samples.shape[-1]


def cut(samples: NDArray[Any], left_db: float) -> NDArray[Any]:
    """The tail silenced from where only ``left_db`` of the energy is to come."""
    changed = samples.copy()
    changed[:, energy_left_at(samples, left_db) :] = 0.0
    return changed


def hummed(samples: NDArray[Any], rate_hz: float, db: float, hz: float) -> NDArray[Any]:
    """Hum with four overtones at 1/n of its amplitude; its peak at this level re peak."""
    time_s = np.arange(samples.shape[-1]) / rate_hz
    hum = sum(np.sin(2 * np.pi * hz * n * time_s) / n for n in range(1, HUM_HARMONICS + 1))
    return np.asarray(samples + hum * (peak(samples) * amplitude(db) / peak(np.asarray(hum))))


def noisy(samples: NDArray[Any], db: float) -> NDArray[Any]:
    """White noise added, another on each path, its rms at this level re peak."""
    noise = np.random.default_rng(SEED).standard_normal(samples.shape)
    return np.asarray(samples + peak(samples) * amplitude(db) * noise)


def offset(samples: NDArray[Any], db: float) -> NDArray[Any]:
    """A constant added, this level re peak."""
    return samples + peak(samples) * amplitude(db)


def truncated(samples: NDArray[Any], bits: float, click_level: float) -> NDArray[Any]:
    """Bits below the first so many cut off, rounding down as a shift does; full scale is 1.

    click_level : level of the click that was played, by which the response has been divided.
    """
    step = 2.0 ** (1.0 - bits)
    return np.asarray(np.floor(samples * click_level / step) * step / click_level)


# Block boundaries. ``lead`` is the number of samples that were rendered before the first one.


def _at_ends(count: int, lost: int, block: int, lead: int) -> NDArray[Any]:
    """Whether each of ``count`` samples is one of the last ``lost`` of its block."""
    return np.asarray((np.arange(count) + lead) % block >= block - lost)


def zeroed(samples: NDArray[Any], lost: int, block: int, lead: int) -> NDArray[Any]:
    """The last samples of every block silent."""
    return np.where(_at_ends(samples.shape[-1], lost, block, lead), 0.0, samples)


def repeated(samples: NDArray[Any], lost: int, block: int, lead: int) -> NDArray[Any]:
    """The last samples of every block a copy of those before them."""
    before = np.pad(samples, ((0, 0), (lost, 0)))[:, :-lost]
    return np.where(_at_ends(samples.shape[-1], lost, block, lead), before, samples)


def dropped(samples: NDArray[Any], lost: int, block: int, lead: int) -> NDArray[Any]:
    """The last samples of every block missing: all that follows comes early."""
    kept = samples[:, ~_at_ends(samples.shape[-1], lost, block, lead)]
    return np.pad(kept, ((0, 0), (0, samples.shape[-1] - kept.shape[-1])))
