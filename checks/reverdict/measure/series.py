"""Which springs answer: echoes that repeat by a pass law, each with its own dispersion.

Aim
    The one-way delay, the early part of the group-delay curve and the pass law of every spring.
Method
    Below 1.6 kHz the delay of a pass is nearly t + r·(f/f₀)². Taking the second term out for a row of rises r and
    transforming back gives a map over (t, r) in which every pass is a point, and the passes of one spring lie on a ray
    from the origin at 1, 3, 5 (or 1, 2, 3) times its first. Springs are taken in order of arrival: the earliest point
    is a first pass, for nothing comes before it; its curve is settled, its law read from the likeness of what stands at
    twice, three, four, five times its delay, and all its passes are taken out before the next is sought. So a spring
    that answers just where another's second pass lies is found all the same.
Conventions
    Times in seconds from the click. Delay curves of one trip on the bins of the excerpt.
Limits of validity
    One-way delays 4 to 120 ms; what is 22 dB weaker than the strongest point of the map is no spring.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import accumulate
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.excerpt import Excerpt, fold_of, next_smaller_fast, smooth_over_frequency
from reverdict.measure.settling import (
    RATIO_HZ,
    Round,
    band_weight,
    bins_of,
    coherence,
    settle,
    turn_back,
    unfolded,
)
from reverdict.measure.track import Track

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

LAWS = {"1:3:5": (1, 3, 5, 7), "1:2:3": (1, 2, 3, 4)}
MOST_SPRINGS = 4
SHORTEST_TRIP_S = 0.004
LONGEST_TRIP_S = 0.120
LOW_HZ = 120.0
HIGH_HZ = 1600.0
RISE_AT_HZ = 1500.0
RISE_STEP_S = 0.5e-3
STEEPEST = 0.34
"""Rise over delay at ``RISE_AT_HZ`` of a spring with a transition frequency of 2.25 kHz."""
FOLDED_BY_S, BEFORE_S = 0.08, 0.03
"""The steepest fold of the map brings to its end what sounds up to 0.07 s later, and moves as much before the click."""
WEAKEST = 10**-1.1
AROUND_S = 5e-3
LEFT_OVER = 0.3
FAN = (HIGH_HZ / RISE_AT_HZ) ** 2
FAN_EDGE_S = 1.0e-3
MOST_TRIPS = 9
AS_FORETOLD, NOT_FORETOLD = 0.2, 0.35
"""Amplitude of what a pass departs by from what is foretold of it, over its own."""
LEAST_AS_FORETOLD = 2
"""So many passes and the first must be as foretold before another can be said not to be."""
WEAKEST_REPEAT = 10**-1.5
EVEN_IS_WEAK = 1.65
EVEN_OFF = 0.02
EVEN_LEVEL = 0.5
FIRST_ROUNDS = (Round(1.2e-3, 1.2e-3, 1e6), Round(1.0e-3, 1.0e-3, 1e5), Round(0.7e-3, 0.8e-3, 1e5))
CUT_OUT = Round(0.7e-3, 0.8e-3)
SHARE_ROUNDS = (Round(0.8e-3, 0.8e-3), Round(0.8e-3, 0.8e-3), Round(0.8e-3, 0.8e-3, 1e5))


@dataclass
class Series:
    """One spring as it was found: its law and its passes in the low band."""

    law: str
    passes: list[Track]
    frequency_hz: NDArray[Any]
    evidence: float
    level: float = 0.0

    @property
    def trip_s(self) -> float:
        """Delay of one trip at 500 Hz."""
        return float(np.interp(500.0, self.frequency_hz, self.passes[0].delay_s))


@dataclass(frozen=True)
class Found:
    """Springs in order of arrival, and the level of the loudest point that belongs to none of them.

    at_click : level of the loudest point before the shortest trip.
    """

    series: list[Series]
    unexplained: float
    at_click: float


def find_series(excerpt: Excerpt, seconds: float) -> Found:
    """Springs in order of arrival. They share one pickup, hence one law; who was read by another is read again."""
    low = low_part(excerpt)
    result = _find_by(low, seconds, "")
    found = result.series
    if found:
        # What lies at twice a trip may be an even pass: it cannot say that there are none.
        heard = [one for one in found if not any(_even_trips(one, other) for other in found)]
        law = "1:3:5" if sum(one.evidence * one.level**2 for one in heard or found) > 0 else "1:2:3"
        if any(one.law != law for one in found):
            result = _find_by(low, seconds, law)
    return result


def _find_by(low: Excerpt, seconds: float, law: str) -> Found:
    """Springs in order of arrival, by the law named or each by its own."""
    found: list[Series] = []
    rest = low.spectrum
    refused: list[float] = []
    whole = left = chirp_map(low, rest)
    while len(found) < MOST_SPRINGS:
        left = chirp_map(low, rest) if found else whole
        point = _earliest_point(left, whole, refused)
        if point is None:
            break
        one = _series_at(low, rest, *point, seconds, law)
        refused.append(point[0])
        if one is None or _is_even_pass(whole, one, found):
            continue
        one.level = whole.level_near(one.trip_s)
        found.append(one)
        tracks = [track for series in found for track in series.passes]
        rest = settle(low, tracks, SHARE_ROUNDS)
        for series in found:
            rest += _swallowed(low, series)
    early = whole.time_s <= SHORTEST_TRIP_S
    return Found(found, float(left.level[~early].max(initial=0.0)), float(whole.level[early].max(initial=0.0)))


def _swallowed(low: Excerpt, series: Series) -> NDArray[Any]:
    """What passes of a spring hold beyond what the others of it foretell: another spring's first, perhaps.

    From pass to pass everything is multiplied by the same function of frequency, unless the tank is a real one. Which
    it is shows the pair of passes by which most are as foretold from the first: neighbours, or two apart where another
    spring lies in every second one.
    """
    pulses = [track.pulse for track in series.passes if track.pulse is not None]
    best: NDArray[Any] = np.ones(len(pulses))
    foretold = pulses
    for apart in (1, 2):
        for before, after in zip(pulses, pulses[apart:], strict=False):
            power = smooth_over_frequency(np.abs(before) ** 2, RATIO_HZ, low.step_hz)
            ratio = smooth_over_frequency(after * np.conj(before), RATIO_HZ, low.step_hz) / np.maximum(power, 1e-300)
            if apart == 2:
                ratio = np.sqrt(np.abs(ratio)) * np.exp(0.5j * np.unwrap(np.angle(ratio)))
                ratio *= 1 if np.vdot(pulses[0] * ratio, pulses[1]).real >= 0 else -1
            by_this = list(accumulate([pulses[0], *(len(pulses) - 1) * [ratio]], np.multiply))
            off = np.array([np.linalg.norm(a - b) / np.linalg.norm(a) for a, b in zip(pulses, by_this, strict=True)])
            if np.sum(off < AS_FORETOLD) > np.sum(best < AS_FORETOLD):
                best, foretold = off, by_this
    beyond = np.zeros(low.spectrum.size, dtype=complex)
    if np.sum(best < AS_FORETOLD) > LEAST_AS_FORETOLD:
        for track, pulse, own, off in zip(series.passes, pulses, foretold, best, strict=True):
            if off > NOT_FORETOLD:
                beyond += unfolded(low, track, pulse - own)
    return beyond


def low_part(excerpt: Excerpt) -> Excerpt:
    """The excerpt below 2 kHz."""
    bins = next_smaller_fast(int(1.25 * HIGH_HZ / excerpt.step_hz))
    return Excerpt(excerpt.spectrum[:bins], excerpt.step_hz, excerpt.noise[:bins])


@dataclass(frozen=True)
class ChirpMap:
    """Greatest level over rise at each time, and the rise where it stands; shapes (times,)."""

    time_s: NDArray[Any]
    level: NDArray[Any]
    rise_s: NDArray[Any]

    def level_near(self, time_s: float) -> float:
        """Greatest level within a millisecond."""
        return float(self.level[np.abs(self.time_s - time_s) < 1e-3].max(initial=0.0))


def chirp_map(low: Excerpt, spectrum: NDArray[Any], until_s: float = LONGEST_TRIP_S) -> ChirpMap:
    """Fold a spectrum with every rise; magnitudes are evened out first, so that a loud band does not smear pulses."""
    frequency = low.frequency_hz
    rise = np.clip((frequency - 0.6 * LOW_HZ) / LOW_HZ, 0, 1)
    fall = np.clip((1.2 * HIGH_HZ - frequency) / (0.3 * HIGH_HZ), 0, 1)
    own = np.sqrt(smooth_over_frequency(np.abs(low.spectrum) ** 2, 300.0, low.step_hz))
    even = spectrum * np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2 / np.maximum(own, 1e-3 * own.max())
    even, frequency = _until(even, low, until_s + FOLDED_BY_S + BEFORE_S)
    held = min(int(until_s * low.rate_hz), even.size // 2)
    rises_s = np.arange(0.0, STEEPEST * LONGEST_TRIP_S, RISE_STEP_S)
    one_step = fold_of(RISE_STEP_S * (frequency / RISE_AT_HZ) ** 2, low.rate_hz / even.size)
    time_s = low.time_s[:held]
    level, best_s = np.zeros(held), np.zeros(held)
    for rise_s in rises_s:
        row = np.abs(np.fft.ifft(even)[:held])
        higher = (row > level) & (rise_s <= STEEPEST * time_s)
        level[higher], best_s[higher] = row[higher], rise_s
        even = even * one_step
    return ChirpMap(time_s, level, best_s)


def _until(spectrum: NDArray[Any], low: Excerpt, until_s: float) -> tuple[NDArray[Any], NDArray[Any]]:
    """Spectrum of what sounds until then, and its frequencies: fewer, for as wide a band."""
    first, before = int(until_s * low.rate_hz), int(BEFORE_S * low.rate_hz)
    size = fft.next_fast_len(first + 2 * before)
    if size >= spectrum.size:
        return spectrum, low.frequency_hz
    sound = np.fft.ifft(spectrum)
    sound[first - before : first] *= np.cos(np.linspace(0, np.pi / 2, before)) ** 2
    short = np.zeros(size, dtype=complex)
    short[:first], short[-before:] = sound[:first], sound[-before:]
    return np.fft.fft(short), np.arange(size) * (low.rate_hz / size)


def _earliest_point(rest: ChirpMap, whole: ChirpMap, refused: Sequence[float]) -> tuple[float, float] | None:
    """Time and rise of the earliest point that stands out and is not part of another.

    What is left where a pass was taken out is no spring, so a point must stand out from what was there before.
    """
    from scipy.ndimage import maximum_filter1d

    able = rest.time_s > SHORTEST_TRIP_S
    for time_s in refused:
        able &= np.abs(rest.time_s - time_s) > 1e-3
    level = np.where(able, rest.level, 0.0)
    before = maximum_filter1d(whole.level, int(2 * AROUND_S / rest.time_s[1]))
    least = np.maximum(LEFT_OVER * before, max(WEAKEST * whole.level.max(), 2.5 * np.quantile(whole.level, 0.2)))
    peaks = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] >= level[2:])) + 1
    peaks = peaks[level[peaks] > least[peaks]]
    if peaks.size == 0:
        return None
    for peak in peaks:
        if not _lies_in_a_fan(rest, peak, peaks):
            return float(rest.time_s[peak]), float(rest.rise_s[peak])
    return None


def _lies_in_a_fan(map_: ChirpMap, peak: int, peaks: NDArray[Any]) -> bool:
    """Whether a point is but a louder one folded with another rise, which spreads over as long as the rises differ."""
    louder = peaks[map_.level[peaks] > 1.2 * map_.level[peak]]
    later_s = map_.time_s[louder] - map_.time_s[peak]
    steeper_s = map_.rise_s[peak] - map_.rise_s[louder]
    reach_s = FAN * steeper_s
    return bool(
        np.any((later_s < np.maximum(reach_s, 0) + FAN_EDGE_S) & (later_s > np.minimum(reach_s, 0) - FAN_EDGE_S))
    )


def _series_at(
    low: Excerpt, rest: NDArray[Any], time_s: float, rise_s: float, seconds: float, law: str
) -> Series | None:
    """The spring whose first pass is the point (time, rise), or nothing where it does not repeat."""
    alone = Excerpt(rest, low.step_hz, low.noise)
    first = first_pass(alone, time_s, rise_s)
    last = int(0.9 * seconds / float(np.interp(HIGH_HZ, low.frequency_hz, first.delay_s)))
    repeats = {trips: repeat_of(alone, first, trips) for trips in range(2, min(last, MOST_TRIPS) + 1)}
    likeness = {trips: _likeness(alone, first, track) for trips, track in repeats.items()}
    if max(likeness.values(), default=0.0) < WEAKEST_REPEAT:
        return None
    evidence = _evidence_for_odd(likeness)
    law = law or ("1:3:5" if evidence > 0 else "1:2:3")
    step = LAWS[law][1] - 1
    passes = [first, *(track for trips, track in repeats.items() if (trips - 1) % step == 0)]
    return Series(law, passes, low.frequency_hz, evidence)


def first_pass(low: Excerpt, time_s: float, rise_s: float) -> Track:
    """The pass that is the point (time, rise), settled by itself."""
    first = Track(_helical_delay(low.frequency_hz, time_s, rise_s), LOW_HZ, HIGH_HZ)
    settle(low, [first], FIRST_ROUNDS)
    return first


def _is_even_pass(whole: ChirpMap, one: Series, found: Sequence[Series]) -> bool:
    """Whether a weak echo is an even pass of a spring by 1:3:5, which real tanks hold some of."""
    level = whole.level_near(one.trip_s)
    return any(other.law == "1:3:5" and _even_trips(one, other) and level < EVEN_LEVEL * other.level for other in found)


def _even_trips(one: Series, other: Series) -> bool:
    """Whether a spring answers after an even number of trips of another."""
    trips = round(one.trip_s / other.trip_s)
    return trips > 0 and trips % 2 == 0 and abs(one.trip_s - trips * other.trip_s) < EVEN_OFF * one.trip_s


def _helical_delay(frequency_hz: NDArray[Any], time_s: float, rise_s: float) -> NDArray[Any]:
    """Delay of the helical spring that starts at ``time_s`` and has risen by ``rise_s`` at ``RISE_AT_HZ``."""
    fall = (1 - (1 + rise_s / time_s) ** -2) / RISE_AT_HZ**2
    return np.asarray(time_s / np.sqrt(np.maximum(1 - fall * frequency_hz**2, 0.05)))


def repeat_of(excerpt: Excerpt, first: Track, trips: int) -> Track:
    """The pass of ``trips`` trips where the first one says that it must be, moved by what it is off."""
    track = Track(first.delay_s, first.low_hz, first.high_hz, first=first, held=True, trips=trips)
    track.follow()
    start_s = float(np.interp(500.0, excerpt.frequency_hz, first.delay_s))
    track.offset_s = _coarse_offset(excerpt, track, 0.1e-3 + 0.001 * trips * start_s)
    track.follow()
    return track


def _coarse_offset(excerpt: Excerpt, track: Track, trust_s: float) -> float:
    """Where the folded pulse stands when its curve is off by a constant of some ``trust_s`` and its neighbours near."""
    narrow = replace(track, high_hz=min(track.high_hz, HIGH_HZ))
    size = bins_of(excerpt, narrow)
    folded = excerpt.spectrum[:size] * turn_back(excerpt, narrow, size) * band_weight(excerpt, narrow, size)
    power = np.abs(np.fft.ifft(folded, excerpt.spectrum.size)) ** 2
    near = np.flatnonzero(np.abs(excerpt.time_s) <= 3 * trust_s)
    likely = np.exp(-0.5 * (excerpt.time_s[near] / trust_s) ** 2)
    return float(excerpt.time_s[near[np.argmax(power[near] * likely)]])


def _likeness(excerpt: Excerpt, first: Track, track: Track) -> float:
    """How much of the first pass's waveform, upright or turned over, stands where a later pass would be."""
    settle(excerpt, [track], [CUT_OUT])
    assert first.pulse is not None
    assert track.pulse is not None
    return abs(coherence(excerpt, first, track)) * float(np.linalg.norm(track.pulse) / np.linalg.norm(first.pulse))


def _evidence_for_odd(likeness: dict[int, float]) -> float:
    """Logarithm of how much the third and fifth pass outweigh their even neighbours, which of 1:3:5 are weak.

    Of 1:2:3 with any loss from trip to trip it is −log EVEN_IS_WEAK.
    """
    floor = 1e-3
    odd = [trips for trips in (3, 5) if trips + 1 in likeness]
    if not odd:
        return (
            -np.inf if 2 not in likeness else float(np.log(max(likeness.get(3, 0.0), floor) / max(likeness[2], floor)))
        )
    ratios = [
        np.log(max(likeness[n], floor)) - 0.5 * np.log(max(likeness[n - 1], floor) * max(likeness[n + 1], floor))
        for n in odd
    ]
    return float(np.mean(ratios) - np.log(EVEN_IS_WEAK))
