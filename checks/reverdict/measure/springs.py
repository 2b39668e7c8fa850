"""Springs read pass by pass from a click response in which they overlap.

Aim
    Which springs answer, when each of their passes arrives, and how much later the high frequencies come.
Method
    1. ``series``: which springs there are, by which law they repeat, and their curves below 1.6 kHz.
    2. ``following``: each first pass is followed up in frequency; once all are known, again in what the others leave.
    3. ``settling``: every pass is folded, cut out in time and subtracted before the others are read; first with the
       later passes held to the first one's curve, at last each on its own.
    4. All this is done with trips counted from the click. Where nothing is found, or a pass as loud as half of what was
       found belongs to no spring, it is done again from the latencies at which passes stand in line (``latency``); and
       from the one that was found, where it is more than ``HARMLESS_S``.
    5. A spring counts only when its second pass, folded, has the waveform of its first (coherence; the third where
       another spring spoils the second) and so have the two likest of the next three on average; without dispersion,
       only when second and third have it nearly whole.
Conventions
    Times in seconds from the click, latency included. Delay is positive. Polarity is relative to a positive click.
Limits of validity
    Springs whose first passes are at least 2.5 ms apart at low frequencies, one-way delays 4 to 120 ms, first pass and
    one more within the record. Where the first passes of two springs cross at a small angle, a curve may end there.
    Dense responses have no separate passes and yield no spring and a reason.
Sources
    Pass structure and dispersion: S. Bilbao, J. Parker, IEEE TASLP 18(4), 2010; timing limit: JCGM-style k = 2 of the
    Cramér-Rao bound σ ≥ √12 / (2πB√(E/σ²)) for the group delay of a band of unknown phase.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.clearance import BEYOND
from reverdict.measure.excerpt import Excerpt, fold_of, smooth_over_frequency, take_excerpt
from reverdict.measure.following import LOWEST_HZ, ahead_of, continued, follow_pass
from reverdict.measure.latency import latency_of, likely_latencies
from reverdict.measure.passes import DelayCurve, Pass, Spring, SpringMeasurement
from reverdict.measure.series import LAWS, SHORTEST_TRIP_S, Series, find_series, repeat_of
from reverdict.measure.settled import Settled
from reverdict.measure.settling import (
    CUT_S,
    GRID_STEP_HZ,
    SMOOTHING_HZ,
    Round,
    coherence,
    component,
    delay_sigma,
    power_beside,
    settle,
)
from reverdict.measure.track import Track
from reverdict.measure.transition import find_transition

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

ARRIVAL_HZ = 500.0
MOST_PASSES = 4
START_BANDS_HZ = (500.0, 650.0, 800.0)
START_WIDTH_HZ = 150.0
LONGEST_EXCERPT_S = 1.2
EXCERPT_TRIPS = 12
COARSE_ROUNDS = (*2 * [Round(2e-3, 2e-3)], Round(2e-3, 2e-3, 1e5), *2 * [Round(2e-3, 2e-3, 1e4)])
FINE_ROUNDS = (*3 * [Round(1e-3, 1e-3)], *2 * [Round(1e-3, 1e-3, 1e5)])
LAST_ROUNDS = (
    *2 * [Round(1e-3, 1e-3)], *3 * [Round(1e-3, 1e-3, 1e4)],
    *2 * [Round(0.5e-3, 0.5e-3)], *3 * [Round(0.5e-3, 0.5e-3, 1e4)], Round(0.5e-3, 0.5e-3, 1e3),
    Round(2e-3, 2e-3), Round(2e-3, 2e-3, 1e3, alone=True), Round(2e-3, 2e-3, 1e3, alone=True), Round(2e-3, 2e-3),
)  # fmt: skip
DENSE = 0.66
"""Share of the early response within 20 dB of its peak above which no pass stands alone."""
APART_S = 2.5e-3
"""Passes nearer than this at the start band can be mistaken for each other; their uncertainty then says so."""
NEIGHBOUR_S2, NEAREST_S = 6e-8, 1.5e-3
"""A pass so many seconds away moves a curve by the first over that, but no more than if it were as near as the second.

Measured: with it 95 of 100 first passes and curve points of random tanks hold the truth, whatever is near."""
ALIKE, SAME = 0.75, 0.95
"""Least coherence of passes of a spring, and of echoes without dispersion, which are alike by chance more often."""
ALIKE_IF_LATE = 0.85
"""Least coherence of the one spring at least on whose passes a latency is believed."""
LOUDER_DB = 4.0
"""A second pass may seem so much louder than the first; none is."""
LEAST_BEND = 1.03
LEAST_TIMED_S = 0.4e-3
"""A first pass timed less closely than this (U) is no evidence of a spring, and later ones are little."""
LAW_SLACK_S = 1.0e-3
LAW_SLACK = 0.012
LEFT_LOUD = 0.5
"""Level of a pass that belongs to no spring, over that of the loudest that does, from which on springs are doubted.

Measured on random tanks: at most 0.16 where the click is known; 0.27 on a real tank."""
LATENCY_ROUNDS = 3
LATENCY_SLACK_S = 50e-6
"""A latency supposed is supposed anew where passes say that it is off by more than this."""
HARMLESS_S = 0.06e-3
"""A latency below this spoils nothing: passes are sought where the first one says, and some way round."""


def find_springs(
    samples: NDArray[Any], rate_hz: float, click_at_s: float = 0.0, arrival_hz: float = ARRIVAL_HZ
) -> SpringMeasurement:
    """Measure all springs of one signal path.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
    rate_hz : float
    click_at_s : float
        When the click went in.
    arrival_hz : float
        Frequency at which the time of a pass is read.
    """

    def none(why: str) -> SpringMeasurement:
        return SpringMeasurement((), arrival_hz, why)

    seconds = min(samples.size / rate_hz - click_at_s, LONGEST_EXCERPT_S)
    if seconds < 2.5 * SHORTEST_TRIP_S:
        return none(f"{max(seconds, 0) * 1e3:.0f} ms after the click are too short for a pass and its repeat")
    if rate_hz < 2.5 * START_BANDS_HZ[-1]:
        return none(f"{rate_hz:g} Hz is too low a rate to see passes at {START_BANDS_HZ[-1]:g} Hz")
    excerpt = take_excerpt(samples, rate_hz, click_at_s, seconds)
    envelope = _start_envelope(excerpt)
    why = _why_no_separate_passes(excerpt, envelope, seconds)
    if why:
        return none(why)
    best = _found_by(samples, rate_hz, click_at_s, click_at_s, arrival_hz, excerpt, seconds)
    if best.doubtful:
        likely_s = likely_latencies(samples, rate_hz, click_at_s, LONGEST_EXCERPT_S)
        tried = [_found_late(samples, rate_hz, click_at_s, late_s, arrival_hz) for late_s in likely_s]
        explain = [one for one in tried if one is not None and one.unexplained < best.unexplained]
        # Passes by one law may seem to be by the other of springs half or twice as long, with a latency to suit.
        best = min(explain, key=lambda one: abs(latency_of(one.springs)[0]), default=best)
    else:
        late_s, _ = latency_of(best.springs)
        if abs(late_s) > HARMLESS_S:
            again = _found_late(samples, rate_hz, click_at_s, late_s, arrival_hz)
            if again is not None and again.holds(best):
                best = again
    if not best.springs:
        return none(best.why_none)
    latency_s, uncertainty_s = latency_of(best.springs)
    return SpringMeasurement(best.springs, arrival_hz, "", best.settled, latency_s, uncertainty_s)


@dataclass(frozen=True)
class _Finding:
    """Springs found on one supposition of a latency, times from the click.

    unexplained : level of the loudest pass that belongs to none of them, over that of the loudest that does.
    """

    springs: tuple[Spring, ...] = ()
    settled: Settled | None = None
    unexplained: float = np.inf
    why_none: str = ""

    def holds(self, other: _Finding) -> bool:
        """Whether every spring of another finding is a pass here too, and the same springs are heard as often."""
        times_s = np.array([one.time_s for spring in self.springs for one in spring.passes])
        firsts_s = [spring.passes[0].time_s for spring in other.springs]
        fewer = times_s.size < sum(len(spring.passes) for spring in other.springs)
        if len(self.springs) == len(other.springs) and fewer:
            return False
        return all(float(np.abs(times_s - first_s).min()) < LAW_SLACK_S for first_s in firsts_s)

    @property
    def doubtful(self) -> bool:
        return self.unexplained > LEFT_LOUD


def _found_late(
    samples: NDArray[Any], rate_hz: float, click_at_s: float, late_s: float, arrival_hz: float
) -> _Finding | None:
    """Springs that answer ``late_s`` after the click, or about then; nothing where they are not beyond doubt.

    A latency is one number more that may make echoes stand in line by chance: three passes of a spring have to, more
    alike than else, and its highs to come later.
    """
    for _ in range(LATENCY_ROUNDS):
        click_s = click_at_s + late_s
        seconds = min(samples.size / rate_hz - click_s, LONGEST_EXCERPT_S)
        if seconds < 2.5 * SHORTEST_TRIP_S:
            return None
        from_s = min(click_at_s, click_s)
        excerpt = take_excerpt(samples, rate_hz, click_s, seconds, from_s)
        found = _found_by(samples, rate_hz, click_s, from_s, arrival_hz, excerpt, seconds)
        if not found.springs:
            return None
        more_s, _ = latency_of(found.springs)
        late_s += more_s
        if abs(more_s) < LATENCY_SLACK_S:
            break
    in_line = any(
        len(one.passes) > 2 and _bends(one.curve) and abs(one.coherence) >= ALIKE_IF_LATE for one in found.springs
    )
    if not in_line or found.doubtful:
        return None
    return _later_by(found, click_s - click_at_s)


def _later_by(found: _Finding, late_s: float) -> _Finding:
    """The same, with times from a click so much earlier."""
    assert found.settled is not None
    excerpt = found.settled.excerpt
    turn = np.exp(-2j * np.pi * excerpt.frequency_hz * late_s)
    for track in found.settled.tracks:
        track.delay_s = track.delay_s + late_s
    settled = Settled(
        replace(excerpt, spectrum=excerpt.spectrum * turn), found.settled.tracks, found.settled.rest * turn
    )
    springs = tuple(
        replace(
            spring,
            passes=tuple(
                replace(one, time_s=one.time_s + late_s, curve=replace(one.curve, delay_s=one.curve.delay_s + late_s))
                for one in spring.passes
            ),
        )
        for spring in found.springs
    )
    return replace(found, springs=springs, settled=settled)


def _found_by(
    samples: NDArray[Any],
    rate_hz: float,
    click_at_s: float,
    from_s: float,
    arrival_hz: float,
    excerpt: Excerpt,
    seconds: float,
) -> _Finding:
    """Springs whose trips count from the click, cut out ``from_s`` on; ``excerpt`` are ``seconds`` of it."""
    series = find_series(excerpt, seconds)
    found = series.series
    if not found:
        return _Finding(why_none="no echo repeats by a pass law (1:3:5 or 1:2:3)")
    seconds = min(seconds, needed_seconds(max(one.trip_s for one in found)))
    excerpt = take_excerpt(samples, rate_hz, click_at_s, seconds, from_s)
    law = found[0].law
    families = _settled_families(excerpt, found, law, seconds)
    tracks = [track for family in families for track in family]
    rest = settle(excerpt, tracks, LAST_ROUNDS)
    _mark_crowded(excerpt, tracks)
    described = [_describe(excerpt, rest, family, tracks, law, arrival_hz) for family in families]
    springs = sorted((s for s in described if s is not None), key=lambda s: s.passes[0].time_s)
    if not springs:
        return _Finding(why_none="no echo repeats by a pass law (1:3:5 or 1:2:3) with the waveform of the first")
    unexplained = series.unexplained
    if law == "1:2:3" and click_at_s > SHORTEST_TRIP_S:
        # What was looked for as a click may be a first pass, and every second pass of 1:3:5 then a pass of 1:2:3.
        unexplained = max(unexplained, series.at_click)
    loudest = max(one.level for one in found)
    return _Finding(tuple(springs), Settled(excerpt, tuple(tracks), rest), unexplained / loudest)


def needed_seconds(longest_trip_s: float) -> float:
    """Length of response that holds the passes read of a spring: seven trips, and their highs that come later."""
    return float(np.clip(EXCERPT_TRIPS * longest_trip_s, 0.3, LONGEST_EXCERPT_S))


def _mark_crowded(excerpt: Excerpt, tracks: Sequence[Track]) -> None:
    """A first pass is crowded by other first passes only: a later one that hides it is foretold from its own family."""
    starts_s = np.array([_start_delay(excerpt, track) for track in tracks])
    first = np.array([track.first is None for track in tracks], dtype=bool)
    for index, track in enumerate(tracks):
        near = first if track.first is None else np.ones(len(tracks), dtype=bool)
        near = near & (np.arange(len(tracks)) != index)
        gap_s = float(np.abs(starts_s[near] - starts_s[index]).min(initial=np.inf))
        track.crowded_s = max(APART_S - gap_s, 0.0)


def _start_envelope(excerpt: Excerpt) -> NDArray[Any]:
    """Mean power of a few narrow bands over time, each band scaled to the same peak."""
    power = np.zeros(excerpt.spectrum.size)
    for centre_hz in START_BANDS_HZ:
        band = np.exp(-0.5 * ((excerpt.frequency_hz - centre_hz) / START_WIDTH_HZ) ** 2)
        one = np.abs(np.fft.ifft(excerpt.spectrum * band)) ** 2
        power += one / max(float(one.max()), 1e-300)
    return power / len(START_BANDS_HZ)


def _why_no_separate_passes(excerpt: Excerpt, envelope: NDArray[Any], seconds: float) -> str:
    """Say why the early response cannot be separate passes, or nothing where it may be."""
    rate = excerpt.rate_hz
    early = envelope[: int(min(seconds, 0.3) * rate)]
    late = early[int(SHORTEST_TRIP_S * rate) :]
    if late.size == 0 or late.max() < 1e-8 * max(float(envelope.max()), 1e-300):
        return "nothing answers after the click"
    first = int(SHORTEST_TRIP_S * rate) + int(np.argmax(late > 10**-1.4 * late.max()))
    stretch = early[first : first + int(0.2 * rate)]
    filled = float(np.mean(stretch > 10**-2.0 * stretch.max()))
    if filled > DENSE:
        return (
            f"the response is dense: {100 * filled:.0f} % of the first {1e3 * stretch.size / rate:.0f} ms "
            "lie within 20 dB of their peak, so no pass stands alone"
        )
    return ""


def _start_delay(excerpt: Excerpt, track: Track) -> float:
    return float(track.delay_s[int(START_BANDS_HZ[1] / excerpt.step_hz)])


def _settled_families(excerpt: Excerpt, found: Sequence[Series], law: str, seconds: float) -> list[list[Track]]:
    """Passes of every spring, each held to the first one's curve, settled together.

    Where passes of two springs cross, the curve of one cannot be followed through the other; so once all are known as
    far as they go, each is followed again in what the others leave.
    """
    ahead = np.array([ahead_of(excerpt, one) for one in found])
    firsts = [
        follow_pass(excerpt, excerpt.spectrum, one, one.passes[0], np.delete(ahead, index, axis=0))
        for index, one in enumerate(found)
    ]
    # Passes that are not reported still have to be known where they lie among those that are.
    last_s = max(LAWS[law][MOST_PASSES - 1] * one.trip_s for one in found)
    until_s = min(last_s + 2 * CUT_S, 0.88 * seconds)
    for again in (True, False):
        families = [_family(excerpt, first, law, until_s, seconds) for first in firsts]
        tracks = [track for family in families for track in family]
        rest = settle(excerpt, tracks, COARSE_ROUNDS if again else FINE_ROUNDS)
        if again:
            ahead = np.array([continued(excerpt, family[0]) for family in families])
            firsts = [
                follow_pass(
                    excerpt,
                    rest + sum(component(excerpt, track) for track in family),
                    one,
                    family[0],
                    np.delete(ahead, index, axis=0),
                )
                for index, (one, family) in enumerate(zip(found, families, strict=True))
            ]
    families = [family for family in families if abs(_alike(excerpt, family)) >= ALIKE]
    for family in families:
        for track in family:
            track.held = False
    return families


def _family(excerpt: Excerpt, first: Track, law: str, until_s: float, seconds: float) -> list[Track]:
    """All passes of a spring up to ``until_s``, the later ones held to the first."""
    tracks = [first]
    step = LAWS[law][1] - 1
    start_s = _start_delay(excerpt, first)
    for trips in range(1 + step, int(until_s / start_s) + 1, step):
        track = repeat_of(excerpt, first, trips)
        held = np.flatnonzero(track.delay_s < 0.88 * seconds) * excerpt.step_hz
        if not held.size:  # at no frequency does it come before the record ends
            break
        track.high_hz = max(min(first.high_hz, float(held[-1]), 0.8 * first.high_hz + 300), START_BANDS_HZ[-1])
        tracks.append(track)
    return tracks


def track_of(excerpt: Excerpt, curve: DelayCurve) -> Track:
    """A track with a curve measured earlier, as a candidate is folded with its golden's curves."""
    delay = np.interp(excerpt.frequency_hz, curve.frequency_hz, curve.delay_s)
    return Track(delay, float(curve.frequency_hz[0]), float(curve.frequency_hz[-1]))


def _describe(
    excerpt: Excerpt, rest: NDArray[Any], tracks: Sequence[Track], all_: Sequence[Track], law: str, arrival_hz: float
) -> Spring | None:
    """Turn settled tracks into a spring, or nothing where its repeat does not have the waveform of its first pass."""
    alike, on_average = _alike(excerpt, tracks), _alike_on_average(excerpt, tracks)
    if abs(alike) < ALIKE or on_average < ALIKE:
        return None
    polarities = _polarities(excerpt, tracks)
    passes: list[Pass] = []
    for number, (track, trips) in enumerate(zip(tracks, LAWS[law], strict=False), start=1):
        curve = _curve_of(excerpt, rest, track, all_)
        time_s, uncertainty_s = curve.at(arrival_hz), curve.uncertainty_at(arrival_hz)
        if time_s is None or uncertainty_s is None:
            break
        if abs(time_s - trips * passes[0].time_s if passes else 0.0) > LAW_SLACK_S + LAW_SLACK * time_s:
            break
        gain_db = float(np.interp(arrival_hz, curve.frequency_hz, curve.level_db))
        passes.append(Pass(number, trips, time_s, uncertainty_s, gain_db, polarities[number - 1], curve, track))
    # Told by the same frequency whichever one the times are read at.
    timed_s = [one.curve.uncertainty_at(ARRIVAL_HZ) or np.inf for one in passes]
    if len(passes) < 2 or timed_s[0] > LEAST_TIMED_S:
        return None
    # Of a dense sound, which many passes of many springs may explain, echoes can be alike that stand nowhere exactly.
    if min(timed_s[1:]) > LEAST_TIMED_S and on_average < SAME:
        return None
    if passes[1].gain_db > passes[0].gain_db + LOUDER_DB:
        return None
    if not (_bends(passes[0].curve) or _repeats(excerpt, tracks[: len(passes)])):
        return None
    return Spring(tuple(passes), law, alike, find_transition(passes[0].curve.frequency_hz, passes[0].curve.delay_s))


def _alike(excerpt: Excerpt, tracks: Sequence[Track]) -> float:
    """Coherence of the first pass with the second or, where another spoils that, the third; 0 without a second."""
    return max((coherence(excerpt, tracks[0], track) for track in tracks[1:3]), key=abs, default=0.0)


def _alike_on_average(excerpt: Excerpt, tracks: Sequence[Track]) -> float:
    """Mean coherence, without sign, of the first pass with the two likest of the next three."""
    alike = sorted((abs(coherence(excerpt, tracks[0], track)) for track in tracks[1:4]), reverse=True)
    return float(np.mean(alike[:2]))


def _bends(curve: DelayCurve) -> bool:
    """Whether high frequencies come later, as they do through a spring."""
    count = max(curve.delay_s.size // 8, 3)
    return float(np.median(curve.delay_s[-count:])) > LEAST_BEND * float(np.median(curve.delay_s[:count]))


def _repeats(excerpt: Excerpt, tracks: Sequence[Track]) -> bool:
    """Whether three passes are alike. Of echoes without dispersion two may stand in line by chance, three do not."""
    return len(tracks) > 2 and all(abs(coherence(excerpt, tracks[0], track)) > SAME for track in tracks[1:3])


def _polarities(excerpt: Excerpt, tracks: Sequence[Track]) -> list[int]:
    """Sign of every pass.

    The phase of a folded first pass is constant, 0 or π, once all delay has been taken out. Of later ones it is that
    against the first: what the curve misses below its band turns it by the same again from pass to pass.
    """
    pulses = [track.pulse for track in tracks if track.pulse is not None]
    low, high = int(300 / excerpt.step_hz), int(min(1500.0, tracks[0].high_hz) / excerpt.step_hz)
    part = pulses[0][low:high]
    first = 1 if float(np.sum(np.abs(part) * part.real)) >= 0 else -1
    against = np.array([np.sum(pulse[low:high] * np.conj(part)) for pulse in pulses])
    turn = float(np.angle(np.sum(against[1:] * np.conj(against[:-1]))))
    beyond = (turn + np.pi / 2) % np.pi - np.pi / 2
    upright = np.cos(np.angle(against) - beyond * np.arange(len(pulses))) >= 0
    return [first if one else -first for one in upright]


def _curve_of(excerpt: Excerpt, rest: NDArray[Any], track: Track, all_: Sequence[Track]) -> DelayCurve:
    """Read delay, uncertainty and level on the grid, leaving out what lies within 10 dB of noise and neighbours."""
    assert track.pulse is not None
    # The triangle that smooths reaches so far: nearer to the end it would lean on what lies below.
    top_hz = track.high_hz - SMOOTHING_HZ
    grid = np.arange(LOWEST_HZ, top_hz + 1, GRID_STEP_HZ)
    bins = excerpt.frequency_hz
    energy = smooth_over_frequency(np.abs(track.pulse) ** 2, SMOOTHING_HZ, excerpt.step_hz)
    # Of what no pass explains, just before and just after this pass.
    beside = power_beside(excerpt, rest * fold_of(track.delay_s, excerpt.step_hz))
    disturbance = np.maximum(excerpt.noise, beside)
    ratio = np.interp(grid, bins, energy / np.maximum(disturbance * CUT_S, 1e-300))
    level_db = 10 * np.log10(np.interp(grid, bins, energy) / 4 + 1e-300)
    known = (grid >= track.low_hz) & (ratio > 10) & (level_db > level_db.max(initial=-300.0) - 40)
    uncertainty_s = np.hypot(2 * delay_sigma(ratio, SMOOTHING_HZ, CUT_S), track.crowded_s)
    uncertainty_s = np.hypot(uncertainty_s, np.interp(grid, *track.unsettled))
    uncertainty_s = np.hypot(uncertainty_s, _from_neighbours(excerpt, track, all_, grid))
    delay = np.interp(grid, bins, track.delay_s)
    return DelayCurve(grid[known], delay[known], uncertainty_s[known], level_db[known], ratio[known])


def _from_neighbours(excerpt: Excerpt, track: Track, all_: Sequence[Track], grid: NDArray[Any]) -> NDArray[Any] | float:
    """Expanded uncertainty (k = 2) from what is left of other passes in the cut of this one, seconds, on ``grid``.

    It falls with the distance in time and grows as the curve steepens; how much was measured on random tanks.
    """
    from scipy.ndimage import minimum_filter1d

    delay_s = np.interp(grid, excerpt.frequency_hz, track.delay_s)
    away_s = np.full(grid.size, np.inf)
    for other in all_:
        if other is not track:
            away = np.abs(np.interp(grid, excerpt.frequency_hz, other.delay_s) - delay_s)
            away_s = np.minimum(away_s, np.where(grid < BEYOND * other.high_hz, away, np.inf))
    if not away_s.size:
        return 0.0
    away_s = minimum_filter1d(away_s, 2 * round(SMOOTHING_HZ / GRID_STEP_HZ) + 1)
    return track.trips * NEIGHBOUR_S2 / np.maximum(away_s, NEAREST_S) * (delay_s / delay_s[0]) ** 2
