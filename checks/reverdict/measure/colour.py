"""Metallic colour: a regular row of spectral peaks, as a short comb makes it.

Aim
    How far apart the peaks of such a row stand, and by how much they stand out from the dips between them.
Method
    The logarithm of the magnitude spectrum, where that stands 10 dB clear of the noise and within 30 dB of the loudest,
    is a reverb's own irregular one plus that of the comb, which is periodic in frequency. Its transform over frequency
    (cepstrum: B. P. Bogert, M. J. R. Healy, J. W. Tukey, 1963, memory) has a line at the delay of the comb, and what
    surrounds the line tells how much the irregular part scatters. A line counts where it is ``LEAST_RATIO`` times the
    median around it, ``LONE`` times as far above that as any line which is no multiple of it, and where all parts of
    the band agree: each of ``PARTS`` equal parts, taken alone, must show the row in step. A comb, feedback (gⁿ/n) or a
    single echo (−(−g)ⁿ/n), has a first line of just g, so its peaks stand 20 lg((1 + g)/(1 − g)) over its dips;
    g = 0.7 → 10.4576 + 4.6090 dB.
Conventions
    Spacing in Hz, prominence in dB from peak to dip, as of a comb of the mean g over the band. Uncertainties are
    expanded, k = 2, from the scatter around the line.
Limits of validity
    Delays of 0.2 to 20 ms, so peaks 50 Hz to 5 kHz apart, and at least ``LEAST_PEAKS`` of them in the band. The border
    of 20 ms is where repeats begin to be an echo pattern, to the ear and here: a spring repeats after 30 to 160 ms
    (1:3:5), a loop (1:2:3) after 15 and more. What passes of one tank that lie nearer than that do to one another is
    its echo pattern all the same: where springs are known, the delays between any two passes, twice and three times
    these, are not counted. Dispersion spreads them over frequency, so that of a tank whose springs are not known most
    are refused because the parts of the band disagree.
    A comb that is heard in less than most of the band is not told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.excerpt import tail_noise
from reverdict.measure.peak import vertex

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.measure.passes import Spring

SHORTEST_S, LONGEST_S = 0.2e-3, 20e-3
LEAST_PEAKS = 5
LEAST_DB = 2.0
"""What stands out less is not called metallic."""
LEAST_RATIO = 4.3
"""Lines of irregular spectra, of which there are some hundred, reach 3.5 times their median at most."""
LONE = 1.5
"""By which it exceeds all lines that are no multiples: of echoes at random, any two make a faint comb."""
MOST_LINES = 12
PARTS = 4
IN_STEP = 0.3
LOWEST_HZ, HIGHEST_SHARE = 150.0, 0.45
LONGEST_EXCERPT_S = 1.0
SHORTEST_EXCERPT_S = 0.04
BLOCK_S = 0.02
OVER_NOISE = 10.0
BELOW_LOUDEST = 1e-3
"""What lies 30 dB below the loudest band is beyond the edge of what the reverb lets through."""
SMOOTH_HZ = 200.0
CELL_HZ = 5.0
FINER = 8
DB = 20 / np.log(10)
UNSURE = 1.2
"""The median of a few dozen lines is itself unsure; with this, U of the spacing of random combs is kept in 95 %."""
MEDIAN_OF_RAYLEIGH = np.sqrt(2 * np.log(2))


@dataclass(frozen=True)
class Colour:
    """The row of peaks found, each figure with its uncertainty; None where there is none, and ``why_not``.

    from_hz, to_hz : the band that was looked at, None where nothing could be.
    """

    spacing_hz: float | None = None
    spacing_uncertainty_hz: float | None = None
    prominence_db: float | None = None
    prominence_uncertainty_db: float | None = None
    from_hz: float | None = None
    to_hz: float | None = None
    why_not: str = ""


def measure_colour(
    samples: NDArray[Any], rate_hz: float, click_at_s: float = 0.0, springs: Sequence[Spring] = ()
) -> Colour:
    """Look for a regular row of spectral peaks in the response of one path, shape (samples,).

    Parameters
    ----------
    springs : sequence of Spring
        What is known of its springs, so that what they do to one another is not taken for colour.
    """
    after = np.asarray(samples[max(round(click_at_s * rate_hz), 0) :], dtype=float)
    if after.size < SHORTEST_EXCERPT_S * rate_hz:
        return Colour(why_not=f"there are less than {1e3 * SHORTEST_EXCERPT_S:.0f} ms after the click")
    sound = _until_noise(after, rate_hz)
    if not sound.size:
        return Colour(why_not="nothing after the click stands clear of the noise")
    size = fft.next_fast_len(max(sound.size, int(rate_hz / CELL_HZ)), real=True)
    step_hz = rate_hz / size
    power = np.abs(fft.rfft(sound, size)) ** 2
    noise = tail_noise(after, rate_hz, power.size, step_hz) / 4
    low, high = _clear_band(power, step_hz, noise * sound.size / rate_hz)
    if (high - low) * step_hz * LONGEST_S < 2 * LEAST_PEAKS:
        return Colour(why_not="no band of 400 Hz or more stands 10 dB clear of the noise")
    return _row_in(power[low:high], low * step_hz, step_hz, springs)


def _until_noise(after: NDArray[Any], rate_hz: float) -> NDArray[Any]:
    """The first second, up to the last 20 ms in which it is above its noise, that of the last tenth of the record."""
    block = max(int(BLOCK_S * rate_hz), 1)
    first = after[: int(LONGEST_EXCERPT_S * rate_hz)]
    level = np.var(first[: first.size // block * block].reshape(-1, block), axis=1)
    heard = np.flatnonzero(level > 3 * np.var(after[-max(after.size // 10, 1) :]))
    return first[: max(int(heard[-1]) + 1, 2) * block if heard.size else 0]


def _clear_band(power: NDArray[Any], step_hz: float, noise: NDArray[Any]) -> tuple[int, int]:
    """First and last bin of the widest stretch that is clear of the noise and not far below the loudest."""
    smooth = _smooth(power, SMOOTH_HZ / step_hz)
    clear = (smooth > OVER_NOISE * noise) & (smooth > BELOW_LOUDEST * smooth.max())
    clear[: int(LOWEST_HZ / step_hz)] = False
    clear[int(2 * HIGHEST_SHARE * (power.size - 1)) :] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[0], clear.astype(int), [0]])))
    starts, ends = edges[::2], edges[1::2]
    widest = int(np.argmax(ends - starts)) if starts.size else 0
    return (int(starts[widest]), int(ends[widest])) if starts.size else (0, 0)


def _smooth(power: NDArray[Any], bins: float) -> NDArray[Any]:
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(power, max(round(bins), 1)))


def _row_in(power: NDArray[Any], from_hz: float, step_hz: float, springs: Sequence[Spring]) -> Colour:
    cell = max(int(CELL_HZ / step_hz), 1)
    count = power.size // cell
    log = 0.5 * np.log(power[: count * cell] + 1e-300).reshape(count, cell).mean(axis=1)
    cell_hz = cell * step_hz
    band_hz = count * cell_hz
    level = log - _trend(log)
    taper = np.hanning(count)
    size = fft.next_fast_len(FINER * count, real=True)
    lines = 2 * fft.rfft(level * taper, size) / taper.sum()
    delay_s = np.arange(lines.size) / (size * cell_hz)
    lines, delay_s = lines[delay_s < 3 * LONGEST_S], delay_s[delay_s < 3 * LONGEST_S]
    height = np.abs(lines) / np.sinc(delay_s * cell_hz)
    looked = (delay_s >= max(LEAST_PEAKS / band_hz, SHORTEST_S)) & (delay_s <= LONGEST_S)
    found = Colour(from_hz=from_hz, to_hz=from_hz + band_hz)
    at = _highest(height, delay_s, looked & ~_between_springs(delay_s, springs, 2 / band_hz), 2 / band_hz)
    least_hz, most_hz = 1 / LONGEST_S, 1 / delay_s[np.argmax(looked)]
    nothing = f"no regular row of spectral peaks {least_hz:.0f} to {most_hz:.0f} Hz apart"
    if at is None:
        return replace(found, why_not=nothing)
    around = _around(height, delay_s, at, 2 / band_hz)
    line_s, line = _top(height, delay_s, at)
    if line >= 1:  # no comb has that: a few separate modes
        return replace(found, why_not=nothing)
    prominence_db = float(2 * DB * np.arctanh(line))
    if prominence_db < LEAST_DB:
        return replace(found, why_not=f"{nothing} stands out by {LEAST_DB:g} dB or more")
    if not _in_step(level, cell_hz, line_s):
        return replace(found, why_not=f"{nothing} goes through all of the band")
    sigma = UNSURE * around / MEDIAN_OF_RAYLEIGH
    return replace(
        found,
        spacing_hz=1 / line_s,
        spacing_uncertainty_hz=2 * _delay_sigma(taper, cell_hz, sigma / line) / line_s**2,
        prominence_db=prominence_db,
        prominence_uncertainty_db=float(4 * DB * sigma / (1 - line**2)),
    )


def _trend(log: NDArray[Any]) -> NDArray[Any]:
    """A cubic through the whole band, weighted as the taper weighs."""
    place = np.linspace(-1, 1, log.size)
    return np.polynomial.legendre.legval(place, np.polynomial.legendre.legfit(place, log, 3))


def _highest(height: NDArray[Any], delay_s: NDArray[Any], looked: NDArray[Any], wide_s: float) -> int | None:
    """The line that stands out most, or a taller one of which it is a multiple; None where none stands out enough."""
    peaks = np.flatnonzero((height[1:-1] >= height[:-2]) & (height[1:-1] > height[2:]) & looked[1:-1]) + 1
    tallest = peaks[np.argsort(height[peaks])][-MOST_LINES:]
    ratio = np.array([height[peak] / _around(height, delay_s, peak, wide_s) for peak in tallest])
    if not ratio.size or ratio.max() < LEAST_RATIO:
        return None
    at = tallest[np.argmax(ratio)]
    times = np.maximum(delay_s[tallest], delay_s[at]) / np.minimum(delay_s[tallest], delay_s[at])
    of_its_row = np.abs(times - np.rint(times)) * np.minimum(delay_s[tallest], delay_s[at]) < wide_s
    if np.any(ratio[~of_its_row] > ratio.max() / LONE):
        return None
    shorter = of_its_row & (delay_s[tallest] <= delay_s[at])
    return int(tallest[shorter][np.argmax(height[tallest[shorter]])])


def _around(height: NDArray[Any], delay_s: NDArray[Any], at: int, wide_s: float) -> float:
    """Median height about a line, from a third of its delay to half as much again, without the line itself.

    Not far beyond: of a short response the irregular part ends where the response does.
    """
    away_s = delay_s - delay_s[at]
    near = (delay_s > delay_s[at] / 3) & (away_s < max(delay_s[at] / 2, 3 * wide_s)) & (np.abs(away_s) > wide_s)
    return float(np.median(height[near]))


def _top(height: NDArray[Any], delay_s: NDArray[Any], at: int) -> tuple[float, float]:
    """Delay and height of a peak, by the parabola through three points."""
    before, here, after = height[at - 1 : at + 2]
    shift = vertex(height[at - 1 : at + 2])
    return float(delay_s[at] + shift * delay_s[1]), float(here - 0.25 * (before - after) * shift)


def _in_step(level: NDArray[Any], cell_hz: float, line_s: float) -> bool:
    """Whether every part of the band shows the same row, its peaks where those of the others lead one to expect."""
    frequency_hz = np.arange(level.size) * cell_hz
    phase = 2 * np.pi * frequency_hz * line_s
    # Each with a mean and a slope of its own, which few peaks would not average out.
    terms = np.stack([np.cos(phase), np.sin(phase), np.ones_like(phase), frequency_hz / frequency_hz[-1]], axis=1)
    rows = []
    for part in np.array_split(np.arange(level.size), PARTS):
        weight = np.hanning(part.size)[:, np.newaxis] * terms[part]
        cosine, sine, *_ = np.linalg.solve(weight.T @ terms[part], weight.T @ level[part])
        rows.append(complex(cosine, sine))
    total = sum(rows)
    shares = (np.array(rows) * np.conj(total)).real / abs(total) ** 2 * PARTS
    return bool(np.all(shares > IN_STEP))


def _between_springs(delay_s: NDArray[Any], springs: Sequence[Spring], wide_s: float) -> NDArray[Any]:
    """Which delays lie between two passes, somewhere in frequency, or are twice or three times that."""
    curves = [one.curve for spring in springs for one in spring.passes]
    apart = [
        one.delay_s[np.isin(one.frequency_hz, other.frequency_hz)]
        - other.delay_s[np.isin(other.frequency_hz, one.frequency_hz)]
        for one, other in combinations(curves, 2)
    ]
    found = np.zeros(delay_s.size, dtype=bool)
    for between_s in (np.abs(one) for one in apart if one.size):
        for times in (1, 2, 3):
            found |= (delay_s > times * between_s.min() - wide_s) & (delay_s < times * between_s.max() + wide_s)
    return found


def _delay_sigma(taper: NDArray[Any], cell_hz: float, relative: float) -> float:
    """Standard deviation of a line's delay, from that of its height relative to it."""
    away_hz = (np.arange(taper.size) - (taper.size - 1) / 2) * cell_hz
    spread = np.sqrt(np.sum((taper * away_hz) ** 2) / np.sum(taper**2)) * taper.sum() / np.sum(taper * away_hz**2)
    return float(relative * spread / (2 * np.pi))
