"""A first pass followed up in frequency, step by step, from its low part.

Method
    1/τ² goes nearly straight against f², as in a helical spring, which predicts the next stretch of the curve. The
    spectrum round the next frequency is dechirped with the prediction; the pulse nearest to where it should be corrects
    it. Where another pass is known to come near, later passes, which stand further apart, have their say as well.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.excerpt import WITH_SILENCE, Excerpt, fold_of
from reverdict.measure.peak import vertex
from reverdict.measure.series import HIGH_HZ, LOW_HZ, Series
from reverdict.measure.track import Track

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

LOWEST_HZ = 100.0
FOLLOW_STEP_HZ = 40.0
FOLLOW_WIDTH_HZ = 150.0
FOLLOW_TRUST_S = 0.8e-3
OFFSETS_S = np.linspace(-4e-3, 4e-3, 33)
"""When a pulse is looked for: times a quarter of its standard width apart."""
NEAR_OFFSETS_S = np.linspace(-1.6e-3, 1.6e-3, 65)
"""By what all passes together may say that the first is off."""
MOST_MISSES = 3
NEAR_S = 3.5e-3
LATER_PASSES = 3
FOLLOW_BACKGROUNDS = ((50.0, 3.0), (25.0, 5.0))
NARROWEST_HZ = 500.0


def follow_pass(excerpt: Excerpt, spectrum: NDArray[Any], low: Series, start: Track, others_s: NDArray[Any]) -> Track:
    """Follow a first pass up in frequency from where its low part ends.

    A neighbour some 3 ms away all along hides the background; where that ends the curve early it is measured lower.
    """
    known_hz = np.arange(LOW_HZ, HIGH_HZ + 1, FOLLOW_STEP_HZ)
    start_hz = excerpt.frequency_hz if start.delay_s.size == excerpt.spectrum.size else low.frequency_hz
    known_s = np.interp(known_hz, start_hz, start.delay_s)
    within = replace(excerpt, spectrum=spectrum)
    held_s = 0.85 / excerpt.step_hz / WITH_SILENCE
    later = [(one.trips, one.offset_s) for one in low.passes[1:] if one.trips * low.trip_s < held_s][:LATER_PASSES]
    for background in FOLLOW_BACKGROUNDS:
        frequency, delay = _track_upwards(within, known_hz, known_s, background, others_s, later, held_s)
        if frequency[-1] > HIGH_HZ + NARROWEST_HZ:
            break
    delay_s = np.interp(excerpt.frequency_hz, frequency, delay)
    extra_s = np.interp(excerpt.frequency_hz, start_hz, np.broadcast_to(start.extra_s, start_hz.shape), right=0.0)
    return Track(delay_s, LOWEST_HZ, float(frequency[-1]), extra_s=extra_s, curls=start.curls)


def ahead_of(excerpt: Excerpt, low: Series) -> NDArray[Any]:
    """Delay of the first pass of a spring on all bins, continued above its low part as in a helical spring."""
    known_hz = np.arange(HIGH_HZ - NARROWEST_HZ, HIGH_HZ, FOLLOW_STEP_HZ)
    known_s = np.interp(known_hz, low.frequency_hz, low.passes[0].delay_s)
    bins = excerpt.frequency_hz
    return np.where(
        bins < HIGH_HZ,
        np.interp(bins, low.frequency_hz, low.passes[0].delay_s),
        _predict(known_hz, known_s, bins),
    )


def continued(excerpt: Excerpt, track: Track) -> NDArray[Any]:
    """Delay of a track on all bins, continued above what is known as in a helical spring."""
    bins = excerpt.frequency_hz
    known = np.arange(track.high_hz - NARROWEST_HZ, track.high_hz, FOLLOW_STEP_HZ)
    delay_s = np.interp(known, bins, track.delay_s)
    return np.where(bins < track.high_hz, track.delay_s, _predict(known, delay_s, bins))


def _track_upwards(
    excerpt: Excerpt,
    frequency_hz: NDArray[Any],
    delay_s: NDArray[Any],
    background: tuple[float, float],
    others_s: NDArray[Any],
    later: Sequence[tuple[int, float]],
    held_s: float,
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Continue a curve in steps of frequency: predict, dechirp locally, and look for the pulse near where it should be.

    A pulse must stand out ``background[1]`` times above the percentile ``background[0]`` of what is around it.
    Returns the curve given with what was found appended, frequencies and delays.
    """
    quantile, above = background
    rank = round(quantile / 100 * (OFFSETS_S.size - 1))
    prior = np.exp(-0.5 * (OFFSETS_S / FOLLOW_TRUST_S) ** 2)
    reach = int(3 * FOLLOW_WIDTH_HZ / excerpt.step_hz)
    frequencies, delays = list(frequency_hz), list(delay_s)
    loudest = 0.0
    misses = 0
    while misses < MOST_MISSES:
        centre = round((frequencies[-1] + FOLLOW_STEP_HZ) / excerpt.step_hz)
        hz = centre * excerpt.step_hz
        if centre + reach >= excerpt.spectrum.size:
            break
        bins = np.arange(centre - reach, centre + reach + 1)
        expected = _predict(frequencies, delays, bins * excerpt.step_hz)
        expected_s = float(expected[reach])
        near = bool(np.any(np.abs(others_s[:, centre] - expected_s) < NEAR_S))
        if near and later:
            offset_s = _offset_by_all(excerpt, bins, expected, later, held_s)
            misses = 0
        else:
            pulse = np.abs(_folded(excerpt, bins, expected, _turns(reach, excerpt.step_hz))) ** 2
            best = int(np.argmax(pulse * prior))
            loudest = max(loudest, float(pulse[best]))
            lost = (
                pulse[best] < above * np.partition(pulse, rank)[rank]
                or pulse[best] < 1e-3 * loudest
                or pulse[best] < 10 * excerpt.noise[centre] * FOLLOW_WIDTH_HZ / excerpt.step_hz
                or abs(OFFSETS_S[best]) > 2.5 * FOLLOW_TRUST_S
            )
            misses = misses + 1 if lost else 0
            offset_s = 0.0 if lost else _time_of_peak(pulse, best, OFFSETS_S)
        frequencies.append(hz)
        delays.append(expected_s + offset_s)
    kept = len(frequencies) - misses
    return np.array(frequencies[:kept]), np.array(delays[:kept])


@lru_cache(maxsize=32)
def _turns(reach: int, step_hz: float, trips: int = 0) -> NDArray[Any]:
    """What brings a stretch of so many bins on either side to the times it is looked at, shape (times, bins).

    ``OFFSETS_S``, or for a pass of so many trips as many ``NEAR_OFFSETS_S``.
    """
    away_hz = np.arange(-reach, reach + 1) * step_hz
    times_s = trips * NEAR_OFFSETS_S if trips else OFFSETS_S
    weight = np.exp(-0.5 * (away_hz / FOLLOW_WIDTH_HZ) ** 2)
    return np.asarray(np.exp(2j * np.pi * np.outer(times_s, away_hz)) * weight)


def _folded(excerpt: Excerpt, bins: NDArray[Any], delay_s: NDArray[Any], turns: NDArray[Any]) -> NDArray[Any]:
    """A stretch of the spectrum folded with a delay, at the times that ``turns`` stands for."""
    chirp = fold_of(delay_s, excerpt.step_hz)
    band = np.where(bins > 0, excerpt.spectrum[np.abs(bins)], 0) * chirp
    # Not a BLAS product: its threads cost ten times the product wherever the machine is busy.
    return np.asarray(np.einsum("ij,j->i", turns, band))


def _offset_by_all(
    excerpt: Excerpt, bins: NDArray[Any], expected: NDArray[Any], later: Sequence[tuple[int, float]], held_s: float
) -> float:
    """What the prediction is off, by all passes together: n trips later, n times as far from a neighbour."""
    score = np.exp(-0.5 * (NEAR_OFFSETS_S / FOLLOW_TRUST_S) ** 2)
    total = np.zeros(NEAR_OFFSETS_S.size)
    for trips, off_s in [(1, 0.0), *later]:
        delay_s = trips * expected + off_s
        if delay_s[-1] > held_s:
            break
        power = np.abs(_folded(excerpt, bins, delay_s, _turns(bins.size // 2, excerpt.step_hz, trips))) ** 2
        total += power / power.max()
    score = score * total
    best = int(np.argmax(score))
    if not 0 < best < NEAR_OFFSETS_S.size - 1:
        return 0.0
    return _time_of_peak(score, best, NEAR_OFFSETS_S)


def _predict(
    frequencies: Sequence[float] | NDArray[Any], delays: Sequence[float] | NDArray[Any], ahead_hz: NDArray[Any]
) -> NDArray[Any]:
    """Delay expected at the frequencies ``ahead_hz``: 1/τ² goes nearly straight against f², as in a helical spring."""
    known = min(len(frequencies), 10)
    if known < 4:
        return np.full(ahead_hz.shape, delays[-1])
    f2 = np.array(frequencies[-known:]) ** 2
    inverse = np.array(delays[-known:]) ** -2.0
    middle, level = float(f2.sum()) / known, float(inverse.sum()) / known
    away = f2 - middle
    fall = float(away @ inverse) / float(away @ away)
    ahead = level - fall * middle + fall * ahead_hz**2
    return np.asarray(1 / np.sqrt(np.maximum(ahead, 0.15 * float(inverse[-1]))))


def _time_of_peak(power: NDArray[Any], peak: int, times_s: NDArray[Any]) -> float:
    level = np.log(np.maximum(power[peak - 1 : peak + 2], 1e-300))
    return float(times_s[peak] + vertex(level) * (times_s[1] - times_s[0]))
