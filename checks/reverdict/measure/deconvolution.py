"""From a recording of a stimulus to the impulse response that a click would have given.

Method
    1. Where the stimulus lies in the recording, by a first deconvolution of the whole.
    2. Repeats are cut out and brought into step; spoilt ones are set aside (``measure.repeats``).
    3. The clocks' offset is read from the repeats' spacing, else from the loopback channel, and taken out
       (``measure.clock``).
    4. Each repeat is divided by the stimulus (``Stimulus.inverse``), and by the loopback channel's response where
       there is one: latency and converters go, and the click is at exactly zero. That response is cut free 0.1 s before
       to 0.2 s after its peak; division is regularised 40 dB below its strongest frequency.
    5. Orders of distortion are read off the average (``measure.distortion``).
Conventions
    The response starts ``LEAD_S`` before its time zero, because a band-limited click has a foot on either side. Time
    zero is when the stimulus began: by the loopback, else by the recording, taken to have begun with the file.
Validity
    Zero phase, flat within the stimulus's band. The response is as long as the recording goes on after the stimulus.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.clock import ClockOffset, from_dispersion, from_repeats, scaled_spectrum, turn
from reverdict.measure.distortion import HIGHEST_SHARE, Distortion, measure_distortion
from reverdict.measure.repeats import lag_of, not_spoilt

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.stimulus import Stimulus

LEAD_S = 0.05
SHORTEST_TAIL_S = 0.1
LOOPBACK_BEFORE_S, LOOPBACK_AFTER_S = 0.1, 0.2
LOOPBACK_RANGE = 1e-4
CLOCK_ROUNDS = 3
SEEN_S = 0.02
STANDS_OUT = 10.0
PROMPT_S = 0.5
"""A response that begins within this of the recording is taken to be in step with it: latency is part of it."""
EARLIER_S = 0.25


@dataclass(frozen=True)
class Deconvolved:
    """What came of a recording.

    samples : ndarray, shape (paths, samples)
        Impulse responses, averaged over repeats; time zero is ``LEAD_S`` in.
    singles : ndarray, shape (repeats kept, paths, samples)
    channels : of the recording, from 0, one per path.
    begin_s : in the recording, when the stimulus file was taken to begin.
    spoilt : repeats set aside, from 1.
    noise_db : per path, rms of the average's noise in dB re a unit click, from the repeats' differences; None for one.
    distortion : per path.
    """

    samples: NDArray[Any]
    singles: NDArray[Any]
    channels: tuple[int, ...]
    begin_s: float
    clock: ClockOffset
    spoilt: tuple[int, ...]
    noise_db: tuple[float | None, ...]
    distortion: tuple[Distortion, ...]


@dataclass(frozen=True)
class Place:
    """Where a recording holds its stimulus: the sample at which the file begins, or why it cannot be used."""

    begin: int
    why_not: str = ""


def find_place(recording: NDArray[Any], stimulus: Stimulus, guide: int, told: int | None = None) -> Place:
    """Find the stimulus in a recording.

    Parameters
    ----------
    recording : ndarray, shape (channels, samples)
    guide : int
        Channel to look at.
    told : int or None
        The sample, where it is known.
    """
    rate_hz, count = stimulus.rate_hz, recording.shape[1]
    lasts = stimulus.samples.size
    needed = stimulus.starts[-1] + lasts
    if count < needed:
        many = f" of {len(stimulus.starts)} repeats" if len(stimulus.starts) > 1 else ""
        why = f"{count / rate_hz:.2f} s are shorter than the stimulus{many} with {needed / rate_hz:.2f} s"
        return Place(0, f"{why}; was the recording cut off?")
    size = fft.next_fast_len(count + lasts, real=True)
    inverse, _ = stimulus.inverse(size)
    sound = recording[guide] - recording[guide].mean()
    power = fft.irfft(fft.rfft(sound, size) * inverse, size) ** 2
    energy = _box_mean(power, round(SEEN_S * rate_hz))
    summed = sum(np.roll(energy, -start) for start in stimulus.starts)
    assert isinstance(summed, np.ndarray)
    peak = int(np.argmax(summed))
    if summed[peak] < STANDS_OUT * np.median(summed):
        return Place(0, "does not hold the stimulus: deconvolved, nothing stands out; is it the right file?")
    peak -= size if peak > count else 0
    if peak < -SEEN_S * rate_hz:
        return Place(0, f"begins {-peak / rate_hz:.2f} s after its stimulus, or answers another one")
    begin = 0 if peak < PROMPT_S * rate_hz else peak - round(EARLIER_S * rate_hz)
    begin = begin if told is None else told
    tail_s = (count - begin - needed) / rate_hz
    if tail_s < SHORTEST_TAIL_S:
        why = f"ends {max(tail_s, 0):.2f} s after the stimulus"
        return Place(begin, f"{why}; go on recording until the reverb has died away")
    return Place(begin)


def _box_mean(values: NDArray[Any], width: int) -> NDArray[Any]:
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(values, max(width, 1), mode="wrap"))


def deconvolve(recording: NDArray[Any], stimulus: Stimulus, begin: int, loopback: int | None = None) -> Deconvolved:
    """Impulse responses of every channel but the loopback's.

    Parameters
    ----------
    recording : ndarray, shape (channels, samples)
    begin : int
        Sample at which the stimulus file begins (``find_place``).
    loopback : int or None
        Channel that recorded the stimulus itself.
    """
    cutter = _Cutter.of(recording, stimulus, begin)
    guide = loudest(recording) if loopback is None else loopback
    lags, sigmas = _lags(cutter, guide)
    kept = np.flatnonzero(_kept(cutter, lags))
    clock = from_repeats(
        [stimulus.starts[k] for k in kept], [lags[k] - lags[kept[0]] for k in kept], [sigmas[k] for k in kept]
    )
    if clock.offset is None:
        clock = _clock_by_loopback(cutter, lags, kept, loopback)
    offset = clock.to_correct
    correction: NDArray[Any] = np.ones(cutter.bins)
    if loopback is not None:
        correction = _undo(cutter, _average(cutter, loopback, lags, kept, offset))
    channels = tuple(channel for channel in range(len(recording)) if channel != loopback)
    singles = np.empty((kept.size, len(channels), cutter.response_samples))
    distortion = []
    for path, channel in enumerate(channels):
        total = np.zeros(cutter.bins, dtype=complex)
        for row, repeat in enumerate(kept):
            spectrum = cutter.spectrum(channel, int(repeat), lags[repeat], offset) * correction
            singles[row, path] = cutter.response(spectrum)
            total += spectrum / kept.size
        distortion.append(_distortion(cutter, total, beyond_band=loopback is None))
    return Deconvolved(
        singles.mean(axis=0),
        singles,
        channels,
        begin / stimulus.rate_hz,
        clock,
        tuple(k + 1 for k in range(len(lags)) if k not in kept),
        tuple(_noise_db(singles[:, path]) for path in range(len(channels))),
        tuple(distortion),
    )


def loudest(recording: NDArray[Any]) -> int:
    """Channel with the most energy about its mean."""
    return int(np.argmax(np.var(recording, axis=1)))


@dataclass(frozen=True)
class _Cutter:
    """Cuts repeats out of a recording, all of one length, and transforms them."""

    recording: NDArray[Any]
    stimulus: Stimulus
    begin: int
    length: int
    size: int
    inverse: NDArray[Any]
    band: NDArray[Any]

    @classmethod
    def of(cls, recording: NDArray[Any], stimulus: Stimulus, begin: int) -> _Cutter:
        length = recording.shape[1] - begin - stimulus.starts[-1]
        length = min(length, stimulus.gap or length)
        size = fft.next_fast_len(length + stimulus.samples.size, real=True)
        return cls(recording, stimulus, begin, length, size, *stimulus.inverse(size))

    @property
    def bins(self) -> int:
        return self.size // 2 + 1

    @property
    def lead(self) -> int:
        return round(LEAD_S * self.stimulus.rate_hz)

    @property
    def response_samples(self) -> int:
        return self.lead + self.length - self.stimulus.samples.size

    def spectrum(self, channel: int, repeat: int, lag: float = 0.0, offset: float = 0.0) -> NDArray[Any]:
        """Of one repeat, from ``lag`` samples after it should begin, in the player's clock."""
        at = self.begin + self.stimulus.starts[repeat] + lag
        first = max(int(np.floor(at)), 0)
        part = self.recording[channel, first : first + self.length]
        return scaled_spectrum(part - part.mean(), self.size, offset, at - first)

    def response(self, spectrum: NDArray[Any]) -> NDArray[Any]:
        """Impulse response from the spectrum of a recording, from ``lead`` samples before time zero."""
        whole = fft.irfft(spectrum * self.inverse, self.size)
        return np.concatenate([whole[self.size - self.lead :], whole[: self.response_samples - self.lead]])


def _lags(cutter: _Cutter, guide: int) -> tuple[list[float], list[float]]:
    """Lag of each repeat against the first and its standard uncertainty, samples.

    Found to a sample in the whole, then read in the responses alone: most of what is left of the repeat before lies
    ahead of them.
    """
    lags, sigmas = [0.0], [0.0]
    first = cutter.spectrum(guide, 0)
    size = cutter.response_samples
    own = fft.rfft(cutter.response(first), size)
    for repeat in range(1, len(cutter.stimulus.starts)):
        rough, _ = lag_of(first * cutter.inverse, cutter.spectrum(guide, repeat) * cutter.inverse, cutter.size)
        other = cutter.response(cutter.spectrum(guide, repeat, round(rough)))
        fine, sigma = lag_of(own, fft.rfft(other, size), size)
        lags.append(round(rough) + fine)
        sigmas.append(sigma)
    return lags, sigmas


def _kept(cutter: _Cutter, lags: list[float]) -> NDArray[Any]:
    """Repeats that are spoilt in no channel, shape (repeats,), bool."""
    kept = np.ones(len(lags), dtype=bool)
    if len(lags) > 2:
        for channel in range(len(cutter.recording)):
            responses = [cutter.response(cutter.spectrum(channel, k, lag)) for k, lag in enumerate(lags)]
            kept &= not_spoilt(np.array(responses))
    # Without a majority there is no typical repeat to hold the others against.
    return kept if 2 * kept.sum() > len(lags) else np.ones(len(lags), dtype=bool)


def _average(cutter: _Cutter, channel: int, lags: list[float], kept: NDArray[Any], offset: float) -> NDArray[Any]:
    return sum(
        (cutter.spectrum(channel, int(k), lags[k], offset) for k in kept), np.zeros(cutter.bins, dtype=complex)
    ) / len(kept)


def _clock_by_loopback(cutter: _Cutter, lags: list[float], kept: NDArray[Any], loopback: int | None) -> ClockOffset:
    sweep = cutter.stimulus.sweep
    if loopback is None:
        why = "one repeat and no loopback channel; clocks that differ look like dispersion"
        return ClockOffset(None, why_not=why)
    if sweep is None:
        return ClockOffset(None, why_not="one repeat of a stimulus that is no sweep")
    offset = 0.0
    for _ in range(CLOCK_ROUNDS):
        part, peak = _cut_free(cutter, _average(cutter, loopback, lags, kept, offset) * cutter.inverse)
        found = from_dispersion(part, peak, cutter.stimulus.rate_hz, sweep, "the loopback channel")
        if found.offset is None:
            return found
        offset += found.offset
    return ClockOffset(offset, found.uncertainty, found.read_from)


def _cut_free(cutter: _Cutter, response: NDArray[Any]) -> tuple[NDArray[Any], int]:
    """The loopback's response round its peak, faded at both ends, and which of its samples is time zero."""
    rate_hz = cutter.stimulus.rate_hz
    whole = fft.irfft(response, cutter.size)
    before, after = round(LOOPBACK_BEFORE_S * rate_hz), round(LOOPBACK_AFTER_S * rate_hz)
    peak = int(np.argmax(np.abs(whole)))
    part = np.take(whole, np.arange(peak - before, peak + after), mode="wrap")
    part[: before // 2] *= np.sin(np.linspace(0, np.pi / 2, before // 2)) ** 2
    part[-after // 2 :] *= np.cos(np.linspace(0, np.pi / 2, part[-after // 2 :].size)) ** 2
    return part, before - (peak - cutter.size if peak > cutter.size // 2 else peak)


def _undo(cutter: _Cutter, spectrum: NDArray[Any]) -> NDArray[Any]:
    """What to multiply with to take the loopback's response out, shape (bins,); nothing beyond the stimulus's band."""
    part, zero = _cut_free(cutter, spectrum * cutter.inverse)
    response = fft.rfft(part, cutter.size) * turn(cutter.bins, cutter.size, zero)
    power = np.abs(response) ** 2
    return np.asarray(cutter.band * np.conj(response) / (power + LOOPBACK_RANGE * power.max()))


def _distortion(cutter: _Cutter, spectrum: NDArray[Any], *, beyond_band: bool) -> Distortion:
    """Orders of one channel; harmonics above the sweep's own band are known unless a loopback was divided by."""
    stimulus = cutter.stimulus
    sweep = stimulus.sweep
    if sweep is None:
        return Distortion((), None, "the stimulus is no exponential sweep")
    highest_hz = HIGHEST_SHARE * stimulus.rate_hz
    highest_hz = highest_hz if beyond_band else min(highest_hz, sweep.flat_hz[1])
    return measure_distortion(spectrum, cutter.size, stimulus.rate_hz, sweep, stimulus.sweep_at_s, highest_hz)


def _noise_db(singles: NDArray[Any]) -> float | None:
    if len(singles) < 2:
        return None
    variance = float(np.mean(np.var(singles, axis=0, ddof=1))) / len(singles)
    return float(10 * np.log10(variance)) if variance > 0 else None
