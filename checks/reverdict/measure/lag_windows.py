"""A candidate held against its golden window by window, in octave bands and as a whole: what ``lag_curve`` is made of.

1. *Follow.* Below 2 kHz, in long windows, the peak of the correlation is followed from the loudest window outwards.
   A narrow band's correlation is nearly periodic; this one is not, and it tells the rest where to look.
2. *Read.* In each window the lag is where the real part of Σ C(f) e^{j2πfτ} is highest, C the cross-spectrum of the
   two (C. H. Knapp and G. C. Carter, IEEE TASSP 24(4) 1976, 320–327; from memory). For a mere delay that is exact.
   *Coherence* is the correlation there: 1 where only level and lag differ.
3. *Uncertainty* from what the golden, moved and scaled, leaves of the candidate, r: the variance of the peak is
   ½ Σ ω²|G|²|r|² / (a Σ ω²|G|²)², the Cramér–Rao bound where r is white noise, times what windowing costs. Noise in
   either sound, a changed tail and a coarser word length all count alike. Of equal sounds nothing is left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.bands import exact_centre, octave_centres

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

LOOKS_ALIKE = 0.6
LOWEST_HZ, HIGHEST_HZ, FOLLOWED_HZ = 50.0, 11300.0, 2000.0
FOLLOWED_S = 0.2
WHOLE_S, SHORTEST_S, PERIODS = 0.025, 0.02, 40.0
"""Windows: of the whole, the shortest of a band, and of a low band in periods of its centre."""

FARTHEST_S, STEP_REACH_S, MOST_DRIFT = 0.5, 0.025, 0.002
"""How far the first lag is sought, and how far the path may go from there: at once, and per second."""

NEAR_S, NEAR_IN_BAND_S = 0.006, 0.0005
"""How far from the path a window of the whole is searched, and one of a band, there at least one and a half periods."""

SURELY, BETTER, CLEARER = 0.9, 0.8, 0.05
"""Coherence at which no other peak is sought; which a band's peak off the path must reach; what it must gain."""

FAINTLY = 0.4
"""Coherence of the loudest stretch at which a first lag is believed at all."""

SILENT, BEGUN = 1e-9, 1e-4
FADE_S = 0.05
MOST_CLIMBS, CLIMBED_S = 5, 1e-12
DECIMALS = 15
"""Lags are told to a femtosecond: what is less is rounding."""


@dataclass(frozen=True)
class Windows:
    """Readings of one band, arrays of shape (windows,).

    time_s : where the golden's energy in the window lies.
    heard : where the sound stands clear of the noise.
    held : inside both records.
    """

    centre_hz: float | None
    window_s: float
    time_s: NDArray[Any]
    lag_s: NDArray[Any]
    sigma_s: NDArray[Any]
    coherence: NDArray[Any]
    heard: NDArray[Any]
    held: NDArray[Any]
    silent: NDArray[Any]
    unlike: str = "no longer like the golden"


@dataclass(frozen=True)
class Cross:
    """Cross-spectra of the whole, window by window over the golden's energy, turned back by the first lag."""

    frequency_hz: NDArray[Any]
    cross: NDArray[Any]
    power: NDArray[Any]
    begin_s: float


@dataclass(frozen=True)
class Compared:
    """All windows of golden and candidate, the whole first; none where ``why_not`` says why."""

    bands: tuple[Windows, ...]
    polarity: int = 1
    time_scale: float | None = None
    cross: Cross | None = None
    why_not: str = ""


@dataclass(frozen=True)
class _Band:
    """One band of both sounds as analytic signals moved down by ``low_hz``, at a rate that just holds them.

    golden, candidate : ndarray, shape (samples,), complex
    """

    centre_hz: float | None
    low_hz: float
    rate_hz: float
    golden: NDArray[Any]
    candidate: NDArray[Any]


class _Spectra:
    """Spectra of both sounds, without offset and hard end, from which bands are taken."""

    def __init__(self, golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float) -> None:
        count = min(golden.size, candidate.size)
        self.seconds = count / rate_hz
        self.faded_s = min(FADE_S, 0.05 * self.seconds)
        size = fft.next_fast_len(count + int((STEP_REACH_S + FOLLOWED_S) * rate_hz), real=True)
        self.step_hz = rate_hz / size
        self.top_hz = min(HIGHEST_HZ, 0.475 * rate_hz)
        both = np.stack([self._softened(golden[:count], rate_hz), self._softened(candidate[:count], rate_hz)])
        self.spectra = fft.rfft(both, size)

    def _softened(self, sound: NDArray[Any], rate_hz: float) -> NDArray[Any]:
        soft = sound - float(sound[-max(sound.size // 10, 1) :].mean())
        faded = max(int(self.faded_s * rate_hz), 1)
        soft[-faded:] *= np.cos(np.linspace(0, np.pi / 2, faded)) ** 2
        return soft

    def octave(self, centre_hz: float) -> _Band:
        """An octave with soft edges: flat within a quarter, half at its edges, shut three quarters from its centre."""

        def gain(hz: NDArray[Any]) -> NDArray[Any]:
            off = np.abs(np.log2(np.maximum(hz, 1e-6) / centre_hz))
            return np.asarray(np.cos(np.pi * np.clip(off - 0.25, 0, 0.5)) ** 2)

        return self._band(centre_hz, centre_hz * 2**-0.75, centre_hz * 2**0.75, gain)

    def wide(self, top_hz: float) -> _Band:
        """All from ``LOWEST_HZ`` up to a top, with soft edges."""
        top_hz = min(top_hz, self.top_hz)

        def gain(hz: NDArray[Any]) -> NDArray[Any]:
            rising = np.clip(hz / LOWEST_HZ - 0.5, 0, 1)
            falling = np.clip((top_hz - hz) / (0.2 * top_hz), 0, 1)
            return np.asarray(np.sin(np.pi / 2 * rising) ** 2 * np.sin(np.pi / 2 * falling) ** 2)

        return self._band(None, 0.5 * LOWEST_HZ, top_hz, gain)

    def _band(
        self, centre_hz: float | None, low_hz: float, high_hz: float, gain: Callable[[NDArray[Any]], NDArray[Any]]
    ) -> _Band:
        first = int(low_hz / self.step_hz)
        last = min(int(high_hz / self.step_hz) + 1, self.spectra.shape[1])
        size = fft.next_fast_len(last - first)
        part = self.spectra[:, first:last] * gain(np.arange(first, last) * self.step_hz)
        golden, candidate = fft.ifft(part, size, axis=1) * (size * self.step_hz)
        return _Band(centre_hz, first * self.step_hz, size * self.step_hz, golden, candidate)


def compare(golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float) -> Compared:
    count = min(golden.size, candidate.size)
    for name, sound in (("golden", golden[:count]), ("candidate", candidate[:count])):
        if not np.any(sound):
            return Compared((), why_not=f"the {name} is silent")
    if count < 32 or count / rate_hz < 0.005:
        return Compared((), why_not=f"{1e3 * count / rate_hz:.1f} ms of sound are too short")
    spectra = _Spectra(golden, candidate, rate_hz)
    path = _follow(spectra.wide(FOLLOWED_HZ), spectra.seconds)
    whole, cross = _read(spectra.wide(HIGHEST_HZ), min(WHOLE_S, spectra.seconds / 5), spectra, path)
    scale = _time_scale(golden[:count], candidate[:count], rate_hz) if _lost(whole) else None
    guide = _guided(path, whole)
    bands = []
    for nominal_hz in octave_centres(rate_hz):
        centre_hz = exact_centre(nominal_hz)
        window_s = max(PERIODS / centre_hz, SHORTEST_S)
        if window_s <= spectra.seconds:
            windows, _ = _read(spectra.octave(centre_hz), window_s, spectra, guide)
            bands.append(replace(windows, centre_hz=nominal_hz))
    return Compared((whole, *bands), path.polarity, scale, cross)


# Following


@dataclass(frozen=True)
class _Path:
    """Roughly the lag over time: where to look."""

    time_s: NDArray[Any]
    lag_s: NDArray[Any]
    polarity: int

    def at(self, time_s: NDArray[Any]) -> NDArray[Any]:
        return np.interp(time_s, self.time_s, self.lag_s)


def _cut(signal: NDArray[Any], starts: NDArray[Any], length: int) -> NDArray[Any]:
    """Stretches of a signal, shape (starts, length); silence where they reach beyond it."""
    before = max(-int(starts.min()), 0)
    after = max(int(starts.max()) + length - signal.size, 0)
    padded = np.pad(signal, (before, after))
    return np.lib.stride_tricks.sliding_window_view(padded, length)[starts + before]


def _sine(length: int) -> NDArray[Any]:
    return np.sin(np.pi * (np.arange(length) + 0.5) / length)


def _starts(band: _Band, length: int, seconds: float) -> NDArray[Any]:
    """First samples of windows that overlap by half; the first window has the click in its middle."""
    return np.arange(-(length // 2), max(int(seconds * band.rate_hz) - length // 2, 1), max(length // 2, 1))


def _follow(band: _Band, seconds: float) -> _Path:
    """Follow the peak of the correlation from the golden's loudest window to both ends."""
    rate_hz = band.rate_hz
    length = max(int(min(FOLLOWED_S, seconds) * rate_hz), 8)
    starts = _starts(band, length, seconds)
    shape = _sine(length) ** 2
    cut = _cut(band.golden, starts, length)
    patterns, energy = cut * shape, np.abs(cut) ** 2 @ shape
    loudest = int(np.argmax(energy))
    farthest = int(min(FARTHEST_S, seconds) * rate_hz)
    first, sign = _first_lag(band, patterns[loudest], float(energy[loudest]), int(starts[loudest]), farthest)
    reach = max(int((STEP_REACH_S + MOST_DRIFT * seconds) * rate_hz), 2)
    searched = _cut(band.candidate, starts + first - reach, length + 2 * reach)
    size = fft.next_fast_len(length + 2 * reach)
    across = fft.ifft(fft.fft(searched, size) * np.conj(fft.fft(patterns, size)))[:, : 2 * reach + 1]
    alike = np.abs(across) / np.sqrt(
        np.maximum(energy[:, None] * _energies(searched, length, shape), 1e-300 + 1e-12 * energy.max() ** 2)
    )
    lags = np.full(starts.size, reach)
    near = max(int(0.002 * rate_hz), 1)
    for order in (range(loudest, starts.size), range(loudest, -1, -1)):
        last = reach
        for index in order:
            row = alike[index]
            low = max(last - near, 0)
            # Of a tone any lag is as good as the next; then the path stays where it is.
            away = np.abs(np.arange(low, min(last + near + 1, row.size)) - last)
            at = low + int(np.argmax(row[low : last + near + 1] - CLEARER * away / near))
            best = int(np.argmax(row))
            # A peak elsewhere is believed only if it is clearly the better one.
            if row[best] > max(LOOKS_ALIKE, row[at] + 0.2):
                at = best
            if row[at] > 0.8 * LOOKS_ALIKE:
                last = at
            lags[index] = last
    return _Path((starts + length / 2) / rate_hz, (first + lags - reach) / rate_hz, sign)


def _energies(searched: NDArray[Any], length: int, shape: NDArray[Any]) -> NDArray[Any]:
    """Energy of each stretch of ``length`` under the window ``shape``, shape (rows, stretches)."""
    size = fft.next_fast_len(searched.shape[1], real=True)
    across = fft.irfft(fft.rfft(np.abs(searched) ** 2, size) * np.conj(fft.rfft(shape, size)), size)
    return np.maximum(across[:, : searched.shape[1] - length + 1], 0.0)


def _first_lag(band: _Band, pattern: NDArray[Any], energy: float, start: int, farthest: int) -> tuple[int, int]:
    """Lag of the loudest window in samples of the band, and the polarity; none where nothing is like it."""
    searched = _cut(band.candidate, np.array([start - farthest]), pattern.size + 2 * farthest)
    size = fft.next_fast_len(searched.size)
    cross = fft.fft(searched[0], size) * np.conj(fft.fft(pattern, size))
    heights = np.abs(fft.ifft(cross)[: 2 * farthest + 1])
    best = int(np.argmax(heights))
    if heights[best] < FAINTLY * np.sqrt(energy * _energies(searched, pattern.size, _sine(pattern.size) ** 2)[0, best]):
        return 0, 1
    lag = best - farthest
    # The sign is that of the larger swing of the real correlation, sampled finely round that peak.
    fine = np.arange(-12, 13) / 8
    moved = (lag + farthest + fine)[:, None] * np.arange(size) / size
    swings = np.real(
        np.sum(cross * np.exp(2j * np.pi * moved), axis=1)
        * np.exp(2j * np.pi * band.low_hz * (lag + fine) / band.rate_hz)
    )
    return lag, 1 if swings.max() >= -swings.min() else -1


def _guided(path: _Path, whole: Windows) -> _Path:
    """The path as the whole sound tells it, where that can be believed."""
    good = (whole.coherence > LOOKS_ALIKE) & whole.held & whole.heard
    if good.sum() < 4:
        return path
    order = np.argsort(whole.time_s[good], kind="stable")
    return _Path(whole.time_s[good][order], whole.lag_s[good][order], path.polarity)


# Reading


def _read(band: _Band, window_s: float, spectra: _Spectra, path: _Path) -> tuple[Windows, Cross | None]:
    """Lag, its uncertainty and the coherence in every window of one band."""
    rate_hz = band.rate_hz
    length = fft.next_fast_len(max(round(window_s * rate_hz), 8))
    window_s = length / rate_hz
    starts = _starts(band, length, spectra.seconds)
    middle_s = (starts + length / 2) / rate_hz
    expected_s = path.at(middle_s)
    moved = np.round(expected_s * rate_hz).astype(int)
    window = _sine(length)
    golden = _cut(band.golden, starts, length) * window
    candidate = _cut(band.candidate, starts + moved, length) * window
    energy = np.abs(golden) ** 2
    energies = tuple(
        np.maximum(rows, 1e-30 * rows.max() + 1e-300)
        for rows in (energy.sum(axis=1), np.sum(np.abs(candidate) ** 2, axis=1))
    )
    time_s = (starts + (energy @ np.arange(length)) / energies[0]) / rate_hz
    first, second = fft.fft(golden), fft.fft(candidate)
    frequency_hz = band.low_hz + np.arange(length) * rate_hz / length
    turn = np.exp(2j * np.pi * band.low_hz * moved / rate_hz)[:, None]
    cross = path.polarity * second * np.conj(first) * turn
    power = np.abs(first) ** 2
    near_s = NEAR_S if band.centre_hz is None else max(1.5 / band.centre_hz, NEAR_IN_BAND_S)
    alike = np.sqrt(energies[0] * energies[1]) * length
    elsewhere = 0.0 if band.centre_hz is None else BETTER
    step_s, turned = _peaks(
        cross, alike, expected_s - moved / rate_hz, band.low_hz, rate_hz, min(near_s, window_s / 4), elsewhere
    )
    omega = 2 * np.pi * frequency_hz
    total = np.maximum(power.sum(axis=1), 1e-300)
    gain = turned.real.sum(axis=1) / total
    coherence = gain * np.sqrt(energies[0] / energies[1])
    bend = np.maximum(np.abs(gain) * (power @ omega**2), 1e-300)
    left = np.abs(turned - gain[:, None] * power) ** 2
    values = total**2 / np.maximum((power**2).sum(axis=1), 1e-300)
    # Both sounds are windowed, so noise weighs w⁴ where its level is read by w²; few values: Student's t.
    cost = np.maximum(energy @ window**2 / (energies[0] * np.mean(window**2)), 1e-300)
    lasting = energies[0] ** 2 / np.maximum(np.sum(energy**2, axis=1), 1e-300)
    few = 1 + 2.5 / np.maximum(np.minimum(values, lasting) / cost - 1, 1.0)
    sigma_s = np.sqrt(0.5 * cost * few * (left @ omega**2)) / bend
    lag_s = np.round(moved / rate_hz + step_s, DECIMALS)
    # What the filters ring before the first sound is no sound.
    begun = np.logical_or.accumulate(energies[0] > BEGUN * energies[0].max())
    silent = ~begun | np.any([rows <= SILENT * rows.max() for rows in energies], axis=0)
    reaching_s = spectra.seconds - spectra.faded_s - window_s / 2
    held = (middle_s <= reaching_s) & (middle_s + lag_s <= reaching_s)
    heard = _heard(energies, coherence, held & ~silent)
    windows = Windows(band.centre_hz, window_s, time_s, lag_s, sigma_s, coherence, heard, held, silent)
    if band.centre_hz is not None:
        return windows, None
    begin_s = float(path.at(np.zeros(1))[0])
    back = np.exp(-1j * omega * (moved[:, None] / rate_hz - begin_s))
    return windows, Cross(frequency_hz, cross * back / total[:, None], power / total[:, None], begin_s)


def _peaks(
    cross: NDArray[Any], most: NDArray[Any], expected_s: NDArray[Any], low_hz: float, rate_hz: float, near_s: float,
    elsewhere: float,
) -> tuple[NDArray[Any], NDArray[Any]]:  # fmt: skip
    """Where each row's correlation is highest, seconds, and the cross-spectra turned back by that.

    First where it is expected. Only where that is not the top of all there can be (``most``), all within ±near_s is
    searched; what is found there must reach the share ``elsewhere`` of it to be believed.
    """
    found_s, turned = _climbed(cross, expected_s, low_hz, rate_hz)
    top = turned.real.sum(axis=1)
    doubtful = np.flatnonzero(top < SURELY * most)
    if doubtful.size:
        other_s, other = _climbed(cross[doubtful], _searched(cross[doubtful], low_hz, rate_hz, near_s), low_hz, rate_hz)
        height = other.real.sum(axis=1)
        better = (height > top[doubtful] + CLEARER * most[doubtful]) & (height >= elsewhere * most[doubtful])
        found_s[doubtful[better]], turned[doubtful[better]] = other_s[better], other[better]
    return found_s, turned


def _searched(cross: NDArray[Any], low_hz: float, rate_hz: float, near_s: float) -> NDArray[Any]:
    length = cross.shape[1]
    size = fft.next_fast_len(3 * length)
    step_s = length / (size * rate_hz)
    reach = min(max(int(near_s / step_s), 2), size // 2 - 1)
    places = np.arange(-reach, reach + 1)
    across = fft.ifft(cross, size)[:, places] * np.exp(2j * np.pi * low_hz * step_s * places)
    return np.asarray(places[np.argmax(across.real, axis=1)] * step_s)


def _climbed(
    cross: NDArray[Any], from_s: NDArray[Any], low_hz: float, rate_hz: float
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Climb to the top of the peak by Newton's steps, none longer than a third of a sample."""
    length = cross.shape[1]
    omega_low, omega_step = 2 * np.pi * low_hz, 2 * np.pi * rate_hz / length
    omega = omega_low + omega_step * np.arange(length)
    found_s = from_s
    for _ in range(MOST_CLIMBS):
        turned = cross * _phasors(found_s, omega_low, omega_step, length)
        bend = turned.real @ omega**2
        move = np.where(bend > 0, -(turned.imag @ omega) / np.where(bend > 0, bend, 1.0), 0.0)
        if np.abs(move).max(initial=0.0) < CLIMBED_S:
            break
        found_s = found_s + np.clip(move, -1 / (3 * rate_hz), 1 / (3 * rate_hz))
    return found_s, turned


def _phasors(delay_s: NDArray[Any], omega_low: float, omega_step: float, length: int) -> NDArray[Any]:
    """e^{jωτ} for evenly spaced ω, shape (delays, length), as products of a coarse and a fine table."""
    coarse = -(-length // 16)
    one = np.exp(1j * delay_s[:, None] * (omega_low + 16 * omega_step * np.arange(coarse)))
    other = np.exp(1j * delay_s[:, None] * (omega_step * np.arange(16)))
    return (one[:, :, None] * other[:, None, :]).reshape(delay_s.size, -1)[:, :length]


def _heard(energies: Sequence[NDArray[Any]], coherence: NDArray[Any], held: NDArray[Any]) -> NDArray[Any]:
    """Which windows lie between the sound's rising from the noise and its sinking into it, the loudest in between.

    In the noise is where that alone could cost a tenth of coherence.
    """
    clear = np.ones(held.size)
    for energy in energies:
        noise = _noise(energy[held], coherence[held])
        clear *= np.sqrt(np.clip(1 - noise / np.maximum(_calm(energy), 1e-300), 0, 1))
    loudest = int(np.argmax(energies[0]))
    drowned = np.flatnonzero(clear < SURELY)
    windows = np.arange(held.size)
    rises, sinks = drowned[drowned < loudest].max(initial=-1), drowned[drowned >= loudest].min(initial=held.size)
    return (windows > rises) & (windows < sinks)


def _noise(energy: NDArray[Any], coherence: NDArray[Any]) -> float:
    """Energy of a window of noise, from the last three tenths of the record.

    Of a tail that still falls the constant under it, by Aitken's rule; of one that does not, what is not alike.
    """
    tenth = max(energy.size // 10, 1)
    if energy.size < max(3 * tenth, 6):
        return 0.0
    first, second, third = energy[-3 * tenth :].reshape(3, tenth).mean(axis=1)
    bend = first + third - 2 * second
    if first > 1.25 * third and bend > 0:
        return float(np.clip((first * third - second**2) / bend, 0.0, third))
    return float((second + third) / 2 * (1 - np.clip(np.median(coherence[-2 * tenth :]), 0, 1)))


def _calm(values: NDArray[Any]) -> NDArray[Any]:
    """Running median of five."""
    around = np.pad(values, 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(around, 5), axis=1))


# Mistaken rates

RATES_HZ = (8000, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000)
SCALED_S = 0.3
SCALED_ALIKE = 0.7


def _lost(whole: Windows) -> bool:
    """Whether a good part of what sounds does not look like the golden: then a mistaken rate is thought of."""
    usable = whole.held & whole.heard & ~whole.silent
    return bool(usable.any()) and float(np.mean(whole.coherence[usable] < LOOKS_ALIKE)) > 0.3


def _time_scale(golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float) -> float | None:
    """The ratio of two common rates by which the candidate is the golden stretched; None where none fits."""
    from scipy.ndimage import map_coordinates

    ratios = sorted({a / b for a in RATES_HZ for b in RATES_HZ if 0.45 < a / b < 2.25})
    loudest = int(np.argmax(np.abs(golden)))
    begin = max(loudest - int(0.005 * rate_hz), 0)
    length = int(SCALED_S * rate_hz)
    best, best_ratio = SCALED_ALIKE, 1.0
    for ratio in ratios:
        count = min(length, golden.size - begin, int((candidate.size - 1) / ratio) - begin)
        if count < 0.1 * length:
            continue
        margin = min(begin, int(0.01 * rate_hz))
        at = (np.arange(begin - margin, begin + count)) * ratio
        stretched = map_coordinates(candidate, [at], order=3, mode="constant")
        pattern = golden[begin : begin + count]
        size = fft.next_fast_len(stretched.size + pattern.size, real=True)
        across = fft.irfft(fft.rfft(stretched, size) * np.conj(fft.rfft(pattern, size)), size)
        peak = float(np.abs(across).max())
        alike = peak / max(float(np.linalg.norm(stretched) * np.linalg.norm(pattern)), 1e-300)
        if alike > best:
            best, best_ratio = alike, ratio
    return None if best_ratio == 1.0 else best_ratio
