"""A latency that all springs of a response share: when the click went into them, told by their passes.

Aim
    Interfaces, converters, plug-ins and a predelay by design bring every pass late by the same time, and a click that
    was looked for may be a pass itself. Passes of one spring arrive at t₀ + n·T: by 1:3:5 t₀ = t₁ − (t₂ − t₁)/2, by
    1:2:3 t₀ = t₁ − (t₂ − t₁), and t₀ is that of every spring.
Method
    Where it may be (``likely_latencies``): the loudest points of the chirp map are taken for first passes and their
    curves τ₁ = t₀ + T settled. Folded with n·τ₁, the pass of n trips is the waveform of the first one again, and stands
    at −(n − 1)·t₀, whatever the dispersion: correlation with the first, n = 2…5, all points together, is read along
    that line for every t₀.
    What it is (``latency_of``): weighted lines through times of passes over trips, one intercept for all springs.
Conventions
    Seconds; positive where passes come late against the click. Uncertainties are expanded, k = 2, and hold how far the
    springs and passes disagree.
Limits of validity
    Passes up to ``LATEST_S`` late, or by as much early as the longest trip where sound was recorded before the click.
    What drive and pickup delay at the frequency of arrival is latency too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.excerpt import Excerpt, take_excerpt
from reverdict.measure.series import (
    HIGH_HZ,
    LONGEST_TRIP_S,
    LOW_HZ,
    SHORTEST_TRIP_S,
    WEAKEST,
    ChirpMap,
    chirp_map,
    first_pass,
    low_part,
)
from reverdict.measure.settling import band_weight, turn_back
from reverdict.measure.track import Track

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.measure.passes import Spring

LATEST_S = 25e-3
EARLIEST_S = 2e-3
"""A response cut too late by so much has lost nothing but the silence before its first pass."""
STEP_S = 0.1e-3
FINER = 8
"""Steps at which a correlation is read, over those of the samples of the low band."""
TRIPS = (2, 3, 4, 5)
MOST_POINTS = 5
APART_S = 3e-3
MOST_CANDIDATES = 3
CANDIDATES_APART_S = 1e-3
AS_LIKELY = 0.7
MOST_ALIKE = 1.2
LEAST_UNSURE_S = 1e-6


def likely_latencies(samples: NDArray[Any], rate_hz: float, click_at_s: float, seconds: float) -> list[float]:
    """Latencies by which passes may stand in line, likeliest first; none where nothing repeats.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
    seconds : float
        How much is looked at.
    """
    start_s = max(click_at_s - LONGEST_TRIP_S, 0.0)
    before_s = click_at_s - start_s
    seconds = min(samples.size / rate_hz - start_s, seconds + before_s)
    low = low_part(take_excerpt(samples, rate_hz, start_s, seconds))
    firsts = _loudest_points(low, chirp_map(low, low.spectrum, before_s + LATEST_S + LONGEST_TRIP_S))
    latencies_s = np.arange(-before_s - EARLIEST_S, LATEST_S, STEP_S)
    likely = np.zeros(latencies_s.size)
    for first, weight in firsts:
        after_s = float(np.interp(500.0, low.frequency_hz, first.delay_s)) - before_s - latencies_s
        likely += weight * np.where(after_s > SHORTEST_TRIP_S, _repeats(low, first, latencies_s + before_s), 0.0)
    found: list[float] = []
    best = float(likely.max(initial=0.0))
    while len(found) < MOST_CANDIDATES and likely.max(initial=0.0) > AS_LIKELY * best:
        found.append(float(latencies_s[np.argmax(likely)]))
        likely[np.abs(latencies_s - found[-1]) < CANDIDATES_APART_S] = 0.0
    return found


def _loudest_points(low: Excerpt, map_: ChirpMap) -> list[tuple[Track, float]]:
    """The loudest points of a chirp map as settled first passes, and their energy against the loudest."""
    level = np.where(map_.time_s > SHORTEST_TRIP_S, map_.level, 0.0)
    loudest = float(level.max(initial=0.0))
    found: list[tuple[Track, float]] = []
    while len(found) < MOST_POINTS and level.max(initial=0.0) > 4 * WEAKEST * loudest:
        peak = int(np.argmax(level))
        time_s, rise_s = float(map_.time_s[peak]), float(map_.rise_s[peak])
        found.append((first_pass(low, time_s, rise_s), float(level[peak] / loudest) ** 2))
        level[np.abs(map_.time_s - time_s) < APART_S] = 0.0
    return found


def _repeats(low: Excerpt, first: Track, latencies_s: NDArray[Any]) -> NDArray[Any]:
    """How much of a first pass's waveform stands where its passes of 2 to 5 trips would be, for every latency.

    The mean of all of them, or of the odd ones, whichever is more: that of the likelier law.
    """
    assert first.pulse is not None
    size = low.spectrum.size
    pattern = np.zeros(size, dtype=complex)
    pattern[: first.pulse.size] = np.conj(first.pulse)
    energy = float(np.sum(np.abs(pattern) ** 2))
    found = []
    for trips in TRIPS:
        track = Track(trips * first.delay_s, LOW_HZ, HIGH_HZ)
        folded = low.spectrum * turn_back(low, track, size) * band_weight(low, track, size)
        alike = np.abs(np.fft.ifft(folded * pattern, FINER * size)) * FINER * size / energy
        at = np.rint(-(trips - 1) * latencies_s * FINER * low.rate_hz).astype(int)
        found.append(np.minimum(alike[at % alike.size], MOST_ALIKE))
    return np.asarray(np.maximum(np.mean(found, axis=0), np.mean(found[1::2], axis=0)))


def latency_of(springs: Sequence[Spring]) -> tuple[float, float]:
    """The latency that the passes of all springs share, and its expanded uncertainty, seconds."""
    intercepts, weights, off = [], [], []
    for spring in springs:
        trips, times_s, unsure_s = np.array([(one.trips, one.time_s, one.uncertainty_s) for one in spring.passes]).T
        weight = np.maximum(unsure_s / 2, LEAST_UNSURE_S) ** -2
        middle = np.average(trips, weights=weight)
        spread = float(np.sum(weight * (trips - middle) ** 2))
        trip_s = float(np.sum(weight * (trips - middle) * times_s)) / spread
        intercept_s = float(np.average(times_s, weights=weight)) - trip_s * middle
        intercepts.append(intercept_s)
        weights.append(1 / (1 / weight.sum() + middle**2 / spread))
        off.append(weight * (times_s - intercept_s - trip_s * trips) ** 2)
    latency_s = float(np.average(intercepts, weights=weights))
    squares = float(np.concatenate(off).sum()) + float(np.sum(weights * (np.array(intercepts) - latency_s) ** 2))
    readings = sum(len(spring.passes) - 1 for spring in springs) - 1
    wider = max(squares / readings, 1.0) if readings else 1.0
    return latency_s, float(2 * np.sqrt(wider / np.sum(weights)))
