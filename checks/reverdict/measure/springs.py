"""Springs read pass by pass from a click response in which they overlap.

Aim
    Which springs answer, when each of their passes arrives, and how much later the high frequencies come.
Method
    1. In a narrow band well below the transition frequency a pass is a compact pulse. Peaks of that band's envelope
       that repeat by the pass law (1:3:5 for a pickup at the far end, 1:2:3 for a loop tapped once a round) are
       springs.
    2. From its low-frequency pulse each first pass is followed up and down in frequency with a locally dechirped
       band filter, which gives a first group-delay curve.
    3. Every pass is folded with its curve, cut out in time, and what the curve missed is read off as the
       energy-weighted group delay −Re(P*·dP/dω)/|P|² of the cut pulse; all other known passes are subtracted first.
       A few rounds of this settle the curves even where later passes cross. Cuts end short of half way to the next
       pass: cuts that overlap drive two curves apart.
    4. A spring counts only when its second pass, folded, has the waveform of its first (coherence); without
       dispersion, only when its third has too.
Conventions
    Times in seconds from the click. Delay is positive. Polarity is that of a pass relative to a positive click.
Limits of validity
    Springs whose first passes are at least 2.5 ms apart at low frequencies, one-way delays 4 to 120 ms, first pass and
    one more within the record. Where the first passes of two springs cross, a curve may end there or follow the other
    spring. Dense responses have no separate passes and yield no spring and a reason.
Sources
    Pass structure and dispersion: S. Bilbao, J. Parker, IEEE TASLP 18(4), 2010; timing limit: JCGM-style k = 2 of the
    Cramér-Rao bound σ ≥ √12 / (2πB√(E/σ²)) for the group delay of a band of unknown phase.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.excerpt import Excerpt, phase_of, smooth_over_frequency, take_excerpt, tukey
from reverdict.measure.settled import Settled
from reverdict.measure.transition import Transition, find_transition

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

ARRIVAL_HZ = 500.0
GRID_STEP_HZ = 25.0
LOWEST_HZ = 100.0
MOST_SPRINGS = 4
MOST_PASSES = 4
START_BANDS_HZ = (500.0, 650.0, 800.0)
START_WIDTH_HZ = 150.0
SHORTEST_TRIP_S = 0.004
LONGEST_TRIP_S = 0.120
SMOOTHING_HZ = 200.0
LONGEST_EXCERPT_S = 1.2
EXCERPT_TRIPS = 12
NARROWEST_HZ = 500.0
FOLLOW_STEP_HZ = 40.0
CUTS = (
    (2.5e-3, 2.5e-3, 1e6),
    (2.5e-3, 2.5e-3, 1e5),
    (2.0e-3, 2.0e-3, 1e4),
    (2.0e-3, 2.0e-3, 1e3),
    (2.0e-3, 2.0e-3, 1e3),
    (2.0e-3, 2.0e-3, 1e3),
)
FOLLOW_WIDTH_HZ = 150.0
FOLLOW_TRUST_S = 0.8e-3
MOST_MISSES = 3
FOLLOW_BACKGROUNDS = ((50.0, 3.0), (25.0, 5.0))
CUT_S = 2 * 2.0e-3 * 1.375
CUT_SHARE_OF_GAP = 0.45
NARROWEST_CUT = 0.3
APART_S = 2.5e-3
"""Passes nearer than this at the start band can be mistaken for each other; their uncertainty then says so."""
CORRELATION_SIZE = 4096
ALIKE = 0.6
LEAST_BEND = 1.03
LAW_SLACK_S = 1.0e-3
LAW_SLACK = 0.012
LAWS = {"1:3:5": (1, 3, 5, 7), "1:2:3": (1, 2, 3, 4)}


@dataclass(frozen=True)
class DelayCurve:
    """Group delay of one pass. Arrays of equal shape (points,), only where it could be read.

    frequency_hz, delay_s, uncertainty_s (expanded, k = 2), level_db (magnitude of the pass, 0 dB = unit click), ratio
    (its energy over that of noise and other sound in the cut).
    """

    frequency_hz: NDArray[Any]
    delay_s: NDArray[Any]
    uncertainty_s: NDArray[Any]
    level_db: NDArray[Any]
    ratio: NDArray[Any]

    def at(self, hz: float) -> float | None:
        """Delay at one frequency in seconds; None outside what was read."""
        return _inside(hz, self.frequency_hz, self.delay_s)

    def uncertainty_at(self, hz: float) -> float | None:
        """Expanded uncertainty of the delay at one frequency in seconds; None outside what was read."""
        return _inside(hz, self.frequency_hz, self.uncertainty_s)


@dataclass(frozen=True)
class Pass:
    """One arrival of one spring. ``number`` counts from 1; ``trips`` is how often it went through the spring.

    ``track`` is the settled pass itself.
    """

    number: int
    trips: int
    time_s: float
    uncertainty_s: float
    gain_db: float
    polarity: int
    curve: DelayCurve
    track: Track


@dataclass(frozen=True)
class Spring:
    """One spring: its passes in order, its law, and its transition frequency (or why there is none)."""

    passes: tuple[Pass, ...]
    pass_law: str
    coherence: float
    transition: Transition

    @property
    def curve(self) -> DelayCurve:
        """Group delay of the first pass."""
        return self.passes[0].curve


@dataclass(frozen=True)
class SpringMeasurement:
    """What ``find_springs`` found, in order of first arrival; ``why_none`` where there are no separate passes."""

    springs: tuple[Spring, ...]
    arrival_hz: float
    why_none: str = ""
    settled: Settled | None = None


@dataclass
class Track:
    """A pass on its way to being measured: a delay on every bin, the band it is known in, its folded pulse.

    ``crowded_s`` is how much its nearest neighbour falls short of ``APART_S``.
    """

    delay_s: NDArray[Any]
    low_hz: float
    high_hz: float
    pulse: NDArray[Any] | None = None
    crowded_s: float = 0.0


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
    series = _find_series(excerpt, envelope, seconds)
    if not series:
        return none("no echo repeats by a pass law (1:3:5 or 1:2:3)")
    seconds = min(seconds, needed_seconds(max(trip_s for trip_s, _ in series)))
    excerpt = take_excerpt(samples, rate_hz, click_at_s, seconds)
    followed = [(_follow_pass(excerpt, trip_s), law) for trip_s, law in series]
    followed = [(first, law) for first, law in followed if first.high_hz - first.low_hz > NARROWEST_HZ]
    # Passes that are not reported still have to be known where they lie among those that are.
    last_s = max((LAWS[law][MOST_PASSES - 1] * _start_delay(excerpt, first) for first, law in followed), default=0.0)
    until_s = min(last_s + 2 * CUT_S, 0.88 * seconds)
    passes = [_later_passes(excerpt, first, law, until_s, seconds) for first, law in followed]
    tracks = [track for spring in passes for track in spring]
    rest = settle(excerpt, tracks, CUTS, gaps_between(excerpt, tracks))
    _mark_crowded(excerpt, tracks)
    springs = [
        _describe(excerpt, rest, spring, law, arrival_hz) for spring, (_, law) in zip(passes, followed, strict=True)
    ]
    found = tuple(sorted((s for s in springs if s is not None), key=lambda s: s.passes[0].time_s))
    if not found:
        return none("echoes repeat in time, yet later ones do not have the waveform of the first")
    return SpringMeasurement(found, arrival_hz, settled=Settled(excerpt, tuple(tracks), rest))


def needed_seconds(longest_trip_s: float) -> float:
    """Length of response that holds the passes read of a spring: seven trips, and their highs that come later."""
    return float(np.clip(EXCERPT_TRIPS * longest_trip_s, 0.3, LONGEST_EXCERPT_S))


def settle(
    excerpt: Excerpt,
    tracks: Sequence[Track],
    cuts: Sequence[tuple[float, float, float]],
    gaps_s: Sequence[float],
    learn: bool = True,
) -> NDArray[Any]:
    """Fold, cut out and subtract all passes against each other until their curves (or, not learning, pulses) settle.

    Parameters
    ----------
    tracks : sequence of Track
        Changed in place: ``pulse`` always, ``delay_s`` where ``learn`` is true.
    cuts : sequence of (flat seconds, edge seconds, stiffness)
        Half-widths of the cut around the folded pulse and smoothing of what is learnt, one triple a round.
    gaps_s : sequence of float
        Per track, seconds to its nearest neighbour (``gaps_between``). Cuts that overlap cannot tell whose sound lies
        in both, and rounds then drive the two curves apart; so a cut ends short of half way.

    Returns
    -------
    ndarray, shape (bins,)
        What remains of the spectrum when every pass is taken out.
    """
    time_s = excerpt.time_s
    components = [np.zeros_like(excerpt.spectrum) for _ in tracks]
    rest = excerpt.spectrum.copy()
    weights = [band_weight(excerpt, track) for track in tracks]
    for flat_s, edge_s, stiffness in cuts:
        for index, track in enumerate(tracks):
            narrow = float(np.clip(CUT_SHARE_OF_GAP * gaps_s[index] / (flat_s + edge_s), NARROWEST_CUT, 1.0))
            window = tukey(time_s, narrow * flat_s, narrow * edge_s)
            turn_back = np.exp(1j * phase_of(track.delay_s, excerpt.step_hz))
            rest += components[index]
            pulse = fft.ifft(rest * turn_back * weights[index]) * window
            track.pulse = fft.fft(pulse)
            components[index] = track.pulse * np.conj(turn_back)
            rest -= components[index]
            if learn:
                _correct_delay(excerpt, track, fft.fft(pulse * time_s), stiffness)
    return rest


def gaps_between(excerpt: Excerpt, tracks: Sequence[Track]) -> list[float]:
    """Per track, the least delay to any other one in the band both are known in, seconds; infinite without any."""
    bins = excerpt.frequency_hz
    gaps_s = [np.inf] * len(tracks)
    for one, other in combinations(range(len(tracks)), 2):
        low_hz = max(tracks[one].low_hz, tracks[other].low_hz)
        shared = (bins >= low_hz) & (bins <= min(tracks[one].high_hz, tracks[other].high_hz))
        away_s = np.abs(tracks[one].delay_s[shared] - tracks[other].delay_s[shared])
        gap_s = float(away_s.min(initial=np.inf))
        gaps_s[one], gaps_s[other] = min(gaps_s[one], gap_s), min(gaps_s[other], gap_s)
    return gaps_s


def _mark_crowded(excerpt: Excerpt, tracks: Sequence[Track]) -> None:
    starts_s = np.array([_start_delay(excerpt, track) for track in tracks])
    for index, track in enumerate(tracks):
        gap_s = float(np.abs(np.delete(starts_s, index) - starts_s[index]).min(initial=np.inf))
        track.crowded_s = max(APART_S - gap_s, 0.0)


def _correct_delay(excerpt: Excerpt, track: Track, moment: NDArray[Any], stiffness: float) -> None:
    """Add the energy-weighted group delay of the folded pulse, what the curve still missed, to the curve.

    The sum is smoothed as 1/τ², which is a parabola in frequency for a helical spring, so that even stiff smoothing
    bends no curve while it carries it across places where another spring hides it.
    """
    assert track.pulse is not None
    energy = smooth_over_frequency(np.abs(track.pulse) ** 2, SMOOTHING_HZ, excerpt.step_hz)
    lag = smooth_over_frequency((moment * np.conj(track.pulse)).real, SMOOTHING_HZ, excerpt.step_hz)
    bins = excerpt.frequency_hz
    grid = np.arange(track.low_hz, track.high_hz, GRID_STEP_HZ)
    weight = np.interp(grid, bins, energy)
    missed = np.interp(grid, bins, lag) / np.maximum(weight, 1e-6 * weight.max())
    curve = np.maximum(np.interp(grid, bins, track.delay_s) + np.clip(missed, -2e-3, 2e-3), 1e-4)
    trust = np.clip(weight / np.median(weight), 1e-4, 1.0) * (curve / curve[0]) ** 6
    straight = whittaker((curve[0] / curve) ** 2, trust, stiffness)
    smooth = curve[0] / np.sqrt(np.maximum(straight, 0.1 * (curve[0] / curve.max()) ** 2))
    track.delay_s = np.interp(bins, grid, smooth)


def whittaker(values: NDArray[Any], weight: NDArray[Any], stiffness: float) -> NDArray[Any]:
    """Smooth with a penalty on third differences, which lets parabolas pass (P. H. C. Eilers, Anal. Chem. 75, 2003).

    values, weight : ndarray, shape (points,)
    """
    from scipy.linalg import solveh_banded

    size = values.size
    if size < 8:
        return values
    bands = stiffness * _third_difference_penalty(size)
    bands[3] += weight
    return np.asarray(solveh_banded(bands, weight * values))


@cache
def _third_difference_penalty(size: int) -> NDArray[Any]:
    """D'D of the third difference matrix D, upper bands as ``solveh_banded`` takes them, shape (4, size)."""
    difference = np.diff(np.eye(size), 3, axis=0)
    penalty = difference.T @ difference
    bands = np.zeros((4, size))
    for offset in range(4):
        bands[3 - offset, offset:] = np.diagonal(penalty, offset)
    return bands


def band_weight(excerpt: Excerpt, track: Track) -> NDArray[Any]:
    """One over the band a track is known in, falling softly beyond, shape (bins,)."""
    frequency = excerpt.frequency_hz
    rise = np.clip((frequency - 0.4 * track.low_hz) / (0.6 * track.low_hz), 0, 1)
    over = 0.06 * track.high_hz + 60
    fall = np.clip((track.high_hz + over - frequency) / over, 0, 1)
    return np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2


def _start_envelope(excerpt: Excerpt) -> NDArray[Any]:
    """Mean power of a few narrow bands over time, each band scaled to the same peak."""
    power = np.zeros(excerpt.spectrum.size)
    for centre_hz in START_BANDS_HZ:
        band = np.exp(-0.5 * ((excerpt.frequency_hz - centre_hz) / START_WIDTH_HZ) ** 2)
        one = np.abs(fft.ifft(excerpt.spectrum * band)) ** 2
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
    if filled > 0.6:
        return (
            f"the response is dense: {100 * filled:.0f} % of the first {1e3 * stretch.size / rate:.0f} ms "
            "lie within 20 dB of their peak, so no pass stands alone"
        )
    return ""


def _find_series(excerpt: Excerpt, envelope: NDArray[Any], seconds: float) -> list[tuple[float, str]]:
    """One-way delays (at the start band) of echoes that repeat by a pass law, with that law."""
    rate = excerpt.rate_hz
    end = int(min(seconds, 8 * LONGEST_TRIP_S) * rate)
    power = envelope[:end]
    peaks = np.flatnonzero((power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:])) + 1
    peaks = peaks[(peaks > SHORTEST_TRIP_S * rate) & (power[peaks] > _background(power, peaks, rate) * 6)]
    if peaks.size == 0:
        return []
    strongest = float(power[peaks].max())
    series: list[tuple[float, str]] = []
    for peak in peaks:
        trip_s = _peak_time(power, int(peak)) / rate
        if trip_s > LONGEST_TRIP_S or len(series) == MOST_SPRINGS:
            break
        if power[peak] < 10**-1.6 * strongest or _is_explained(trip_s, [known for known, _ in series]):
            continue
        law = _pass_law(power, peaks, rate, trip_s, end / rate)
        if law:
            series.append((trip_s, law))
    return _of_one_law(series)


def _of_one_law(series: list[tuple[float, str]]) -> list[tuple[float, str]]:
    """The springs of a tank share one pickup, hence one law: that of the spring which shows it most freely.

    Laws differ by what stands at two trips, and there a pass of another spring may stand in for one that is missing.
    """
    if len({law for _, law in series}) < 2:
        return series
    trips_s = np.array([trip_s for trip_s, _ in series])
    passes_s = np.outer(np.arange(1, 10), trips_s)
    free_s = [
        float(np.abs(2 * own_s - np.delete(passes_s, index, axis=1)).min()) for index, own_s in enumerate(trips_s)
    ]
    law = series[int(np.argmax(free_s))][1]
    return [(trip_s, law) for trip_s, _ in series]


def _background(power: NDArray[Any], peaks: NDArray[Any], rate: float) -> NDArray[Any]:
    reach = int(0.015 * rate)
    return np.array([np.median(power[max(p - reach, 0) : p + reach]) for p in peaks])


def _peak_time(power: NDArray[Any], peak: int) -> float:
    """Vertex of the parabola through the log power around a peak, in samples."""
    left, middle, right = np.log(np.maximum(power[peak - 1 : peak + 2], 1e-300))
    bend = left - 2 * middle + right
    return peak + (0.5 * (left - right) / bend if bend < 0 else 0.0)


def _is_explained(time_s: float, trips_s: Sequence[float]) -> bool:
    """Whether a peak falls on a later pass of a spring already found, or on a round through two of them."""
    for first in trips_s:
        for count in range(2, 10):
            if abs(time_s - count * first) < 1e-3 + 0.006 * time_s:
                return True
        for second in trips_s:
            if second != first and abs(time_s - first - second) < 1e-3 + 0.006 * time_s:
                return True
    return False


def _pass_law(power: NDArray[Any], peaks: NDArray[Any], rate: float, trip_s: float, end_s: float) -> str:
    """The law by which an echo at ``trip_s`` repeats, or nothing. Even passes of a 1:3:5 spring are weak."""

    def level(count: int) -> float:
        target = count * trip_s
        near = peaks[np.abs(peaks / rate - target) < 0.7e-3 + 0.008 * target]
        return float(power[near].max()) if near.size else 0.0

    def seen(law: tuple[int, ...]) -> bool:
        later = [count for count in law[1:] if count * trip_s < 0.95 * end_s]
        heard = [level(count) for count in later[:2]]
        return bool(heard) and heard[0] > 0 and all(h > 0 for h in heard[: max(1, len(heard) - 1)])

    floor = 10**-2.5 * level(1)
    if level(3) > 4 * level(2) and level(3) > floor and seen(LAWS["1:3:5"]):
        return "1:3:5"
    if level(2) > floor and seen(LAWS["1:2:3"]):
        return "1:2:3"
    return ""


def _follow_pass(excerpt: Excerpt, start_s: float) -> Track:
    """Follow a first pass through frequency from its pulse in the start band.

    A neighbour some 3 ms away all along hides the background; where that ends the curve early it is measured lower.
    """
    start_hz = START_BANDS_HZ[1]
    for background in FOLLOW_BACKGROUNDS:
        up_hz, up_s = _follow(excerpt, [start_hz], [start_s], +FOLLOW_STEP_HZ, background)
        down_hz, down_s = _follow(excerpt, up_hz[:6][::-1], up_s[:6][::-1], -FOLLOW_STEP_HZ, background)
        frequency = np.concatenate([down_hz[::-1], up_hz[6:]])
        delay = np.concatenate([down_s[::-1], up_s[6:]])
        if frequency[-1] - frequency[0] > NARROWEST_HZ:
            break
    return Track(np.interp(excerpt.frequency_hz, frequency, delay), float(frequency[0]), float(frequency[-1]))


def _follow(
    excerpt: Excerpt,
    frequency_hz: Sequence[float] | NDArray[Any],
    delay_s: Sequence[float] | NDArray[Any],
    step_hz: float,
    background: tuple[float, float],
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Continue a curve in steps of frequency: predict, dechirp locally, and look for the pulse near where it should be.

    A pulse must stand out ``background[1]`` times above the percentile ``background[0]`` of what is around it.
    Returns the curve given with what was found appended, frequencies and delays.
    """
    quantile, above = background
    offsets_s = np.linspace(-4e-3, 4e-3, 65)
    prior = np.exp(-0.5 * (offsets_s / FOLLOW_TRUST_S) ** 2)
    reach = int(3 * FOLLOW_WIDTH_HZ / excerpt.step_hz)
    away_hz = np.arange(-reach, reach + 1) * excerpt.step_hz
    turns = np.exp(2j * np.pi * np.outer(offsets_s, away_hz)) * np.exp(-0.5 * (away_hz / FOLLOW_WIDTH_HZ) ** 2)
    frequencies, delays = list(frequency_hz), list(delay_s)
    loudest = 0.0
    misses = 0
    while misses < MOST_MISSES:
        centre = round((frequencies[-1] + step_hz) / excerpt.step_hz)
        hz = centre * excerpt.step_hz
        if hz < LOWEST_HZ or centre + reach >= excerpt.spectrum.size:
            break
        bins = np.arange(centre - reach, centre + reach + 1)
        expected = _predict(frequencies, delays, bins * excerpt.step_hz)
        expected_s = float(expected[reach])
        chirp = np.exp(1j * phase_of(expected, excerpt.step_hz))
        band = np.where(bins > 0, excerpt.spectrum[np.abs(bins)], 0) * chirp
        # Not a BLAS product: its threads cost ten times the product wherever the machine is busy.
        pulse = np.abs(np.einsum("ij,j->i", turns, band)) ** 2
        best = int(np.argmax(pulse * prior))
        loudest = max(loudest, float(pulse[best]))
        lost = (
            pulse[best] < above * np.percentile(pulse, quantile)
            or pulse[best] < 1e-3 * loudest
            or pulse[best] < 10 * excerpt.noise[centre] * FOLLOW_WIDTH_HZ / excerpt.step_hz
            or abs(offsets_s[best]) > 2.5 * FOLLOW_TRUST_S
        )
        misses = misses + 1 if lost else 0
        offset_s = 0.0 if lost else _peak_time(pulse, best) * (offsets_s[1] - offsets_s[0]) + offsets_s[0]
        frequencies.append(hz)
        delays.append(expected_s + offset_s)
    kept = len(frequencies) - misses
    return np.array(frequencies[:kept]), np.array(delays[:kept])


def _predict(frequencies: Sequence[float], delays: Sequence[float], ahead_hz: NDArray[Any]) -> NDArray[Any]:
    """Delay expected at the frequencies ``ahead_hz``: 1/τ² goes nearly straight against f², as in a helical spring."""
    known = min(len(frequencies), 10)
    if known < 4:
        return np.full(ahead_hz.shape, delays[-1])
    f2 = np.array(frequencies[-known:]) ** 2
    inverse = 1 / np.array(delays[-known:]) ** 2
    away = f2 - f2.mean()
    fall = float(away @ (inverse - inverse.mean())) / float(away @ away)
    ahead = inverse.mean() + fall * (ahead_hz**2 - f2.mean())
    return np.asarray(np.maximum(ahead, 0.15 * inverse[-1]) ** -0.5)


def _start_delay(excerpt: Excerpt, track: Track) -> float:
    return float(track.delay_s[int(START_BANDS_HZ[1] / excerpt.step_hz)])


def _later_passes(excerpt: Excerpt, first: Track, law: str, until_s: float, seconds: float) -> list[Track]:
    """Tracks of all passes of a spring up to ``until_s``: the first one's curve times the number of trips."""
    tracks = [first]
    step = LAWS[law][1] - 1
    start_s = _start_delay(excerpt, first)
    for trips in range(1 + step, int(until_s / start_s) + 1, step):
        delay = trips * first.delay_s
        held = np.flatnonzero(delay < 0.88 * seconds) * excerpt.step_hz
        high_hz = min(first.high_hz, float(held[-1]), 0.8 * first.high_hz + 300)
        track = replace(first, delay_s=delay, high_hz=max(high_hz, START_BANDS_HZ[-1]), pulse=None)
        offset_s = _coarse_offset(excerpt, track, 0.7e-3 + 0.002 * trips * start_s)
        track.delay_s = track.delay_s + offset_s
        tracks.append(track)
    return tracks


def _coarse_offset(excerpt: Excerpt, track: Track, trust_s: float) -> float:
    """Where the folded pulse stands when its curve is off by a constant of some ``trust_s`` and its neighbours near."""
    turn_back = np.exp(1j * phase_of(track.delay_s, excerpt.step_hz))
    narrow = replace(track, high_hz=min(track.high_hz, 1500.0))
    power = np.abs(fft.ifft(excerpt.spectrum * turn_back * band_weight(excerpt, narrow))) ** 2
    near = np.flatnonzero(np.abs(excerpt.time_s) <= 3 * trust_s)
    likely = np.exp(-0.5 * (excerpt.time_s[near] / trust_s) ** 2)
    return float(excerpt.time_s[near[np.argmax(power[near] * likely)]])


def track_of(excerpt: Excerpt, curve: DelayCurve) -> Track:
    """A track with a curve measured earlier, as a candidate is folded with its golden's curves."""
    delay = np.interp(excerpt.frequency_hz, curve.frequency_hz, curve.delay_s)
    return Track(delay, float(curve.frequency_hz[0]), float(curve.frequency_hz[-1]))


def _describe(
    excerpt: Excerpt, rest: NDArray[Any], tracks: Sequence[Track], law: str, arrival_hz: float
) -> Spring | None:
    """Turn settled tracks into a spring, or nothing where its repeat does not have the waveform of its first pass."""
    first = tracks[0]
    if len(tracks) < 2:
        return None
    coherence = _coherence(excerpt, first, tracks[1])
    if abs(coherence) < ALIKE:
        return None
    polarity = _polarity(excerpt, first)
    passes: list[Pass] = []
    for number, (track, trips) in enumerate(zip(tracks, LAWS[law], strict=False), start=1):
        curve = _curve_of(excerpt, rest, track)
        time_s, uncertainty_s = curve.at(arrival_hz), curve.uncertainty_at(arrival_hz)
        if time_s is None or uncertainty_s is None:
            break
        if abs(time_s - trips * passes[0].time_s if passes else 0.0) > LAW_SLACK_S + LAW_SLACK * time_s:
            break
        gain_db = float(np.interp(arrival_hz, curve.frequency_hz, curve.level_db))
        # Later passes against the first: a small error of its delay below the curve turns their phase ever further.
        upright = number == 1 or _coherence(excerpt, first, track) > 0
        sign = polarity if upright else -polarity
        passes.append(Pass(number, trips, time_s, uncertainty_s, gain_db, sign, curve, track))
    if len(passes) < 2 or not (_bends(passes[0].curve) or _repeats(excerpt, tracks[: len(passes)])):
        return None
    return Spring(tuple(passes), law, coherence, find_transition(passes[0].curve.frequency_hz, passes[0].curve.delay_s))


def _bends(curve: DelayCurve) -> bool:
    """Whether high frequencies come later, as they do through a spring."""
    count = max(curve.delay_s.size // 8, 3)
    return float(np.median(curve.delay_s[-count:])) > LEAST_BEND * float(np.median(curve.delay_s[:count]))


def _repeats(excerpt: Excerpt, tracks: Sequence[Track]) -> bool:
    """Whether three passes are alike. Of echoes without dispersion two may stand in line by chance, three do not."""
    return len(tracks) > 2 and all(abs(_coherence(excerpt, tracks[0], track)) > ALIKE for track in tracks[1:3])


def _coherence(excerpt: Excerpt, one: Track, other: Track) -> float:
    """Normalised correlation of two folded pulses below 2 kHz; ±1 is the same waveform, upright or turned over."""
    assert one.pulse is not None
    assert other.pulse is not None
    upto = int(min(2000.0, one.high_hz, other.high_hz) / excerpt.step_hz)
    a, b = one.pulse[:upto], other.pulse[:upto]
    across = fft.ifft(a * np.conj(b), CORRELATION_SIZE).real
    peak = float(across[np.argmax(np.abs(across))])
    return peak * CORRELATION_SIZE / (float(np.linalg.norm(a) * np.linalg.norm(b)) + 1e-300)


def _polarity(excerpt: Excerpt, track: Track) -> int:
    """Sign of a first pass; the phase of its folded pulse is constant, 0 or π, once all delay has been taken out."""
    assert track.pulse is not None
    low, high = int(300 / excerpt.step_hz), int(min(1500.0, track.high_hz) / excerpt.step_hz)
    part = track.pulse[low:high]
    return 1 if float(np.sum(np.abs(part) * part.real)) >= 0 else -1


def _curve_of(excerpt: Excerpt, rest: NDArray[Any], track: Track) -> DelayCurve:
    """Read delay, uncertainty and level on the grid, leaving out what lies within 10 dB of noise and neighbours."""
    assert track.pulse is not None
    # The triangle that smooths reaches so far: nearer to the end it would lean on what lies below.
    top_hz = track.high_hz - SMOOTHING_HZ
    grid = np.arange(LOWEST_HZ, top_hz + 1, GRID_STEP_HZ)
    bins = excerpt.frequency_hz
    energy = smooth_over_frequency(np.abs(track.pulse) ** 2, SMOOTHING_HZ, excerpt.step_hz)
    # Of what no pass explains, just before and just after this pass.
    beside = power_beside(excerpt, rest * np.exp(1j * phase_of(track.delay_s, excerpt.step_hz)))
    disturbance = np.maximum(excerpt.noise, beside)
    ratio = np.interp(grid, bins, energy / np.maximum(disturbance * CUT_S, 1e-300))
    level_db = 10 * np.log10(np.interp(grid, bins, energy) / 4 + 1e-300)
    known = (grid >= track.low_hz) & (ratio > 10) & (level_db > level_db.max(initial=-300.0) - 40)
    uncertainty_s = np.hypot(2 * delay_sigma(ratio, SMOOTHING_HZ, CUT_S), track.crowded_s)
    delay = np.interp(grid, bins, track.delay_s)
    return DelayCurve(grid[known], delay[known], uncertainty_s[known], level_db[known], ratio[known])


def power_beside(excerpt: Excerpt, folded: NDArray[Any]) -> NDArray[Any]:
    """Power per bin and second of a folded spectrum just before and just after time zero, shape (bins,)."""
    beside = (np.abs(excerpt.time_s) > CUT_S / 2) & (np.abs(excerpt.time_s) < 1.5 * CUT_S)
    around = fft.fft(fft.ifft(folded) * beside)
    seconds = float(np.sum(beside)) / excerpt.rate_hz
    return smooth_over_frequency(np.abs(around) ** 2, SMOOTHING_HZ, excerpt.step_hz) / max(seconds, 1e-9)


def delay_sigma(ratio: NDArray[Any], smoothing_hz: float, window_s: float) -> NDArray[Any]:
    """Standard deviation of a group delay averaged over a triangle of ``smoothing_hz``, cut to ``window_s``.

    √12 / (2πB√(2 ρ B T)) with ρ the energy ratio per bin and B the rectangle as wide (in variance) as the triangle.
    """
    wide_hz = np.sqrt(2) * smoothing_hz
    return np.sqrt(12 / (2 * np.maximum(ratio, 1e-12) * wide_hz * window_s)) / (2 * np.pi * wide_hz)


def _inside(hz: float, frequency_hz: NDArray[Any], values: NDArray[Any]) -> float | None:
    if frequency_hz.size == 0 or not frequency_hz[0] <= hz <= frequency_hz[-1]:
        return None
    return float(np.interp(hz, frequency_hz, values))
