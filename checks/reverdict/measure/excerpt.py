"""The early response as a one-sided (analytic) spectrum, and the operations of dechirping on it.

A pass through a dispersive spring is a chirp whose group delay is a curve τ(f). Multiplying the spectrum by
exp(+j 2π ∫τ df) folds that chirp into one short pulse at time zero; cutting a short stretch of time around it keeps
this pass and drops the others; multiplying back unfolds it. Everything here works on complex pulses sampled at
the bandwidth kept, so a few thousand points stand for a second of sound whatever its sample rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

HIGHEST_HZ = 9000.0
"""Spring dispersion lives below the transition frequency, some 2 to 6 kHz; nothing above this is kept."""
WITH_SILENCE = 1.1
"""Length of what is transformed over that of the sound in it."""
QUIET_FRAME_S = 0.012
QUIET_TO_MEAN = 2.4
"""Mean over 10 % quantile of white noise in such frames (measured)."""


@dataclass(frozen=True)
class Excerpt:
    """One-sided spectrum of a response from its click on.

    spectrum : ndarray, shape (bins,), complex
        Doubled positive-frequency half of the Fourier transform (sum over samples, not scaled).
    step_hz : float
        Bin spacing; the excerpt repeats after ``1 / step_hz`` seconds.
    noise : ndarray, shape (bins,)
        Expected power of one bin of ``spectrum`` for a second of the stationary noise at the end of the record.
    """

    spectrum: NDArray[Any]
    step_hz: float
    noise: NDArray[Any]

    @cached_property
    def frequency_hz(self) -> NDArray[Any]:
        return np.arange(self.spectrum.size) * self.step_hz

    @property
    def rate_hz(self) -> float:
        """Samples per second of the complex signal that ``spectrum`` transforms to."""
        return self.spectrum.size * self.step_hz

    @cached_property
    def time_s(self) -> NDArray[Any]:
        """Times from the click, the second half standing for times before it (the transform is circular)."""
        return times_of(self.spectrum.size, self.step_hz)


def times_of(bins: int, step_hz: float) -> NDArray[Any]:
    """Times that the transform of ``bins`` bins from 0 Hz on stands for, the second half before the click."""
    index = np.arange(bins)
    return np.where(index < bins // 2, index, index - bins) / (bins * step_hz)


def take_excerpt(
    samples: NDArray[Any], rate_hz: float, click_at_s: float, seconds: float, from_s: float | None = None
) -> Excerpt:
    """Cut ``seconds`` from the click on, fade the last tenth out, and keep the band below ``HIGHEST_HZ``.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
    rate_hz, click_at_s, seconds : float
        A click between two samples is honoured by a phase turn, not by rounding.
    from_s : float, optional
        Where to cut instead; times count from the click nevertheless. The record begins where it begins.
    """
    first = max(int(np.floor((click_at_s if from_s is None else from_s) * rate_hz)), 0)
    cut = samples[first : first + _length(rate_hz, seconds)]
    spectrum, step_hz = take_spectrum(cut, rate_hz, seconds)
    bins = spectrum.size
    spectrum *= np.exp(2j * np.pi * np.arange(bins) * step_hz * (click_at_s - first / rate_hz))
    unfaded = cut[: cut.size - _fade(cut.size)]
    noise = np.minimum(tail_noise(samples, rate_hz, bins, step_hz), quiet_noise(unfaded, rate_hz, bins, step_hz))
    return Excerpt(spectrum, step_hz, noise)


def take_spectrum(
    samples: NDArray[Any], rate_hz: float, seconds: float, highest_hz: float = HIGHEST_HZ
) -> tuple[NDArray[Any], float]:
    """One-sided spectrum of ``seconds`` from the first sample on, the last tenth faded out, and the step of its bins.

    samples : ndarray, shape (samples,)
    """
    cut = np.array(samples[: _length(rate_hz, seconds)], dtype=float)
    fade = _fade(cut.size)
    cut[-fade:] *= np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
    # What a fold moves before the click wraps round to the end of the silence behind the sound, not onto time zero.
    size = fft.next_fast_len(int(WITH_SILENCE * cut.size), real=True)
    step_hz = rate_hz / size
    bins = next_smaller_fast(min(int(highest_hz / step_hz), size // 2))
    spectrum = 2 * fft.rfft(cut, size)[:bins]
    spectrum[0] = 0
    return spectrum, step_hz


def _length(rate_hz: float, seconds: float) -> int:
    return max(round(seconds * rate_hz), 16)


def _fade(samples: int) -> int:
    return max(samples // 10, 1)


def next_smaller_fast(size: int) -> int:
    """Largest number of the form 2^a 3^b 5^c not above ``size``: transforms of such lengths are quick."""
    best = 1
    power_of_five = 1
    while power_of_five <= size:
        power_of_three = power_of_five
        while power_of_three <= size:
            best = max(best, power_of_three << max((size // power_of_three).bit_length() - 1, 0))
            power_of_three *= 3
        power_of_five *= 5
    return best


def tail_noise(samples: NDArray[Any], rate_hz: float, bins: int, step_hz: float) -> NDArray[Any]:
    """Noise power per bin and second, smooth over frequency, from the last three tenths of the record.

    Of a tail that still falls the constant under it is taken, by Aitken's rule for three values of an exponential and
    a constant: N = (P₁P₃ − P₂²)/(P₁ + P₃ − 2P₂).
    """
    length = max(samples.size // 10, 16)
    parts = samples[-3 * length :]
    parts = np.pad(parts, (3 * length - parts.size, 0)).reshape(3, length)
    size = fft.next_fast_len(length, real=True)
    window = np.hanning(length)
    power = 4 * np.abs(fft.rfft(parts * window, size, axis=1)) ** 2 / np.sum(window**2) * rate_hz
    own_step_hz = rate_hz / size
    first, second, third = smooth_over_frequency(power, 300.0, own_step_hz)
    bend = first + third - 2 * second
    falls = (first > 1.25 * third) & (bend > 0)
    constant = (first * third - second**2) / np.where(bend > 0, bend, 1.0)
    noise = np.where(falls, np.clip(constant, 0.0, third), (second + third) / 2)
    return np.interp(np.arange(bins) * step_hz, np.arange(noise.size) * own_step_hz, noise)


def quiet_noise(cut: NDArray[Any], rate_hz: float, bins: int, step_hz: float) -> NDArray[Any]:
    """The same from the quietest tenth of short frames at each frequency: between passes, if the end still sounds."""
    length = min(max(round(QUIET_FRAME_S * rate_hz), 16), cut.size)
    frames = np.lib.stride_tricks.sliding_window_view(cut, length)[:: max(length // 2, 1)]
    size = fft.next_fast_len(length, real=True)
    window = np.hanning(length)
    power = 4 * np.abs(fft.rfft(frames * window, size, axis=1)) ** 2 / np.sum(window**2) * rate_hz
    own_step_hz = rate_hz / size
    smooth = smooth_over_frequency(power, 300.0, own_step_hz)
    tenth = len(smooth) // 10
    quiet = QUIET_TO_MEAN * np.partition(smooth, tenth, axis=0)[tenth]
    return np.interp(np.arange(bins) * step_hz, np.arange(quiet.size) * own_step_hz, quiet)


def fold_of(delay_s: NDArray[Any], step_hz: float) -> NDArray[Any]:
    """What folds a chirp with group delay ``delay_s`` on the bins: e^{j2π∫₀^f τ df}, by the trapezoid rule."""
    turns = np.empty_like(delay_s)
    turns[0] = 0.0
    np.cumsum(delay_s[1:] + delay_s[:-1], out=turns[1:])
    turns *= 0.5 * step_hz
    return unit(turns)


def unit(turns: NDArray[Any]) -> NDArray[Any]:
    """e^{j2π·turns}, ten times as fast as in double precision and right to 1e-7, which is finer than 24 bits."""
    part = turns - np.rint(turns)
    part *= 2 * np.pi
    single = part.astype(np.float32)
    whole = np.empty(turns.shape, dtype=complex)
    np.cos(single, out=whole.real, casting="unsafe")
    np.sin(single, out=whole.imag, casting="unsafe")
    return whole


def tukey(time_s: NDArray[Any], flat_s: float, edge_s: float) -> NDArray[Any]:
    """One within ±flat_s, falling over edge_s as a raised cosine, zero beyond."""
    over = np.clip((np.abs(time_s) - flat_s) / edge_s, 0.0, 1.0)
    return 0.5 * (1 + np.cos(np.pi * over))


def smooth_over_frequency(values: NDArray[Any], width_hz: float, step_hz: float) -> NDArray[Any]:
    """Mean along the last axis over a triangle ``width_hz`` wide at half its height; zero counts beyond the band."""
    from scipy.ndimage import uniform_filter1d

    size = max(round(width_hz / step_hz), 1)
    once = uniform_filter1d(values, size, mode="constant")
    return uniform_filter1d(once, size, mode="constant")
