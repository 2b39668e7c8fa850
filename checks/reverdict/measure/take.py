"""A take put right: what converters, clocks and gains of the recording chain did to it, taken out.

Method
    The recorder's clock is resampled out by the chirp-z transform (``measure.clock``), and in the same step the take is
    brought forward to the click by the phase of its spectrum, so that a latency of a fraction of a sample is taken out
    exactly and not rounded. Where both are whole, nothing is transformed: samples are cut off and stay what they are.
    ``hear_clicks`` reads latency and clock from a loopback, which recorded the click itself: each click's place is the
    phase of its spectrum against a click at a whole sample (``measure.repeats``), the clock follows from the spacing of
    several (``measure.clock``).
Conventions
    Times in samples of the take. A recorder whose clock is fast by ε (ppm) is a player that is slow: δ = 1/(1 + ε) − 1.
    Afterwards a sample is one of the nominal rate.
Validity
    A fraction of a sample moves a band-limited sound; what begins with a jump on the first sample rings round it. The
    place of a click weights high frequencies most; it is exact where converters have linear phase.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.clock import ClockOffset, from_repeats, scaled_spectrum
from reverdict.measure.repeats import lag_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

WHOLE = 1e-6
"""Samples: nearer to a whole number, nothing is interpolated."""
PULSE_S = 0.004
"""Half of the stretch in which a click is looked at: converters ring for a millisecond or two."""
ALONE_S, ALONE = 0.1, 0.3
"""And within so long no more than that share of its energy follows: a loopback has no reverb."""
MEDIAN_OF_NOISE = 0.455
"""Square of the median of the magnitude over the mean square, of Gaussian noise."""
STANDS_OUT = 10.0
"""A click in a loopback stands so far above the rest of its stretch (peak over median)."""


@dataclass(frozen=True)
class Heard:
    """Clicks in a loopback: when the first came, in samples and fractions, and the clock by their spacing."""

    at: float
    clock: ClockOffset


def offset_of(clock_ppm: float) -> float:
    """δ of ``measure.clock`` for a recorder that is fast by so many ppm."""
    return 1.0 / (1.0 + 1e-6 * clock_ppm) - 1.0


def ppm_of(offset: float) -> float:
    """How fast a recorder is, in ppm, by δ of ``measure.clock``."""
    return 1e6 * (1.0 / (1.0 + offset) - 1.0)


def put_right(samples: NDArray[Any], begin: float, offset: float = 0.0) -> NDArray[Any]:
    """A take from ``begin`` on, in the player's clock.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples)
    begin : float
        Samples into the take, 0 or more.
    offset : float
        δ of ``measure.clock``.

    Returns
    -------
    ndarray, shape (channels, samples left)
    """
    count, whole = samples.shape[1], round(begin)
    if offset == 0.0 and abs(begin - whole) < WHOLE:
        return samples[:, whole:]
    left = math.floor((count - begin) * (1 + offset))
    size = fft.next_fast_len(math.ceil(count * max(1.0, 1 + offset)) + 1, real=True)
    rows = [fft.irfft(scaled_spectrum(row, size, offset, begin), size)[:left] for row in samples]
    return np.asarray(rows)


def hear_clicks(loopback: NDArray[Any], rate_hz: int, every: int | None = None) -> Heard | str:
    """The click, or clicks, that a loopback recorded; or why there is none to be told.

    Parameters
    ----------
    loopback : ndarray, shape (samples,)
    every : int, optional
        Samples of the player's from one click to the next; as many as the recording holds are used. None: one click.
    """
    half = round(PULSE_S * rate_hz)
    sound = loopback - np.median(loopback)
    level = np.abs(sound)
    loud = int(np.argmax(level > level.max() / 2))
    places = [loud + int(np.argmax(level[loud : loud + half]))]
    while every is not None and places[-1] + every + half <= sound.size:
        begin = places[-1] + every - half
        places.append(begin + int(np.argmax(level[begin : begin + 2 * half])))
    rest = np.delete(level, np.concatenate([np.arange(max(one - half, 0), one + half) for one in places]) % level.size)
    if level.max() == 0.0 or level[places].min() < STANDS_OUT * np.sqrt(np.mean(rest**2) if rest.size else 0.0):
        return "holds no click that stands out" if every is None else "holds no clicks so far apart"
    after = sound[places[0] + half : places[0] + round(ALONE_S * rate_hz)]
    noise = float(np.median(level)) ** 2 / MEDIAN_OF_NOISE * after.size
    if np.sum(after**2) - 2.0 * noise > ALONE * np.sum(_pulse(sound, places[0], half) ** 2):
        return "goes on sounding after its click; is it the channel of the reverb?"
    size = 2 * half
    spectra = [fft.rfft(_pulse(sound, place, half)) for place in places]
    ideal = np.zeros(size)
    ideal[half] = math.copysign(1.0, sound[places[0]])
    fraction, _ = lag_of(fft.rfft(ideal), spectra[0], size)
    starts, lags, sigmas = [0.0], [0.0], [0.0]
    for number, (place, spectrum) in enumerate(zip(places[1:], spectra[1:], strict=True), start=1):
        lag, sigma = lag_of(spectra[0], spectrum, size)
        starts.append(float(number * (every or 0)))
        lags.append(place - places[0] - starts[-1] + lag)
        sigmas.append(sigma)
    clock = from_repeats(starts, lags, sigmas) if every else ClockOffset(None, why_not="one click tells none")
    return Heard(places[0] + fraction, clock)


def _pulse(sound: NDArray[Any], place: int, half: int) -> NDArray[Any]:
    """The stretch round a click, faded at both ends; silence where the recording has none."""
    cut = np.zeros(2 * half)
    first, last = max(place - half, 0), min(place + half, sound.size)
    cut[first - place + half : last - place + half] = sound[first:last]
    return cut * np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half)) ** 2
