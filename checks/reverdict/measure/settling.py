"""Passes folded, cut out and taken from one another until their curves settle.

Method
    Every pass is folded with its curve, cut out in time, and what the curve missed is read off as the energy-weighted
    group delay −Re(P*·dP/dω)/|P|² of the cut pulse; all other known passes are subtracted first. Where passes cross,
    what lies in both cuts cannot be told apart: curves are not learnt there but carried across, by a smoothing that
    lets the curve of a helical spring pass unbent.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.clearance import clear_of_all, clear_of_each
from reverdict.measure.excerpt import Excerpt, fold_of, smooth_over_frequency, times_of, tukey

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.measure.track import Track

GRID_STEP_HZ = 25.0
SMOOTHING_HZ = 200.0
LEARN_HZ = 100.0
STEEP = 8.0
FINE_FROM_HZ = 1000.0
COARSE_HZ = 12.5
"""The spectrum of a pulse cut to some milliseconds is smooth: at such steps it says all of itself."""
CUT_SHARE_OF_GAP = 0.45
NARROWEST_CUT = 0.3
CORRELATION_SIZE = 4096
CUT_S = 2 * 2.0e-3 * 1.375
RATIO_HZ = 400.0
ALIKE_FROM = 0.5
"""Passes whose ratio holds less well over frequency than this (coherence squared) do not foretell each other."""
LOUDER = 1.6
"""A pass may seem so much louder than the one before it; none is."""
LATER_TRUST = 0.5
ALONE, FAR_APART = 0.5, 0.98
"""Least clearance over the whole band of a pass that stands alone, and of one that is read from itself at last."""
WIDE_S = 1.0e-3
"""A cut shorter than this does not resolve what happens within a few hundred hertz."""
CURL_S = 40e-6
"""A low end that departs so far from a spring's curve, rms, is drive and pickup's and is followed softly."""
SOFTER = 1e-3
RIDGE = 1e-2
"""Trust in a later pass's being by law: keeps its deviation at nothing where nothing can be read."""
LEAST_TRUST = 1e-13
"""Least weight of a point over the stiffest entry of the system it is solved in, whose rounding is 1e-16."""
THIRD_DIFFERENCE = (-1.0, 3.0, -3.0, 1.0)


@dataclass(frozen=True)
class Round:
    """One turn over all passes: half-widths of the cut, and how stiffly what it teaches is smoothed (0: nothing).

    alone : whether only passes learn in whose cut no other lies, at any frequency.
    """

    flat_s: float
    edge_s: float
    stiffness: float = 0.0
    alone: bool = False

    @property
    def narrow(self) -> bool:
        """Whether the cut is too short to resolve what happens within a few hundred hertz."""
        return self.flat_s < WIDE_S

    @property
    def reach_s(self) -> float:
        """How near another pass may come without lying in the cut."""
        return self.flat_s + self.edge_s * (1.5 if self.alone else 0.5)


def settle(
    excerpt: Excerpt, tracks: Sequence[Track], rounds: Sequence[Round], gaps_s: Sequence[float] | None = None
) -> NDArray[Any]:
    """Fold, cut out and subtract all passes against each other until their pulses, and curves, settle.

    Where cuts of two passes overlap, a few rounds without learning first share out what lies in both; learning from
    pulses that still hold each other's sound would drive their curves apart.

    Parameters
    ----------
    tracks : sequence of Track
        Changed in place: ``pulse`` always, ``delay_s`` in rounds that learn.
    gaps_s : sequence of float, optional
        Per track, seconds to its nearest neighbour (``gaps_between``): its cuts then end short of half way.

    Returns
    -------
    ndarray, shape (bins,)
        What remains of the spectrum when every pass is taken out.
    """
    rest = excerpt.spectrum.copy()
    for track in tracks:
        track.follow()
    sizes = [bins_of(excerpt, track) for track in tracks]
    weights = [band_weight(excerpt, track, size) for track, size in zip(tracks, sizes, strict=True)]
    turns = [turn_back(excerpt, track, size) for track, size in zip(tracks, sizes, strict=True)]
    turned_by = [track.delay_s for track in tracks]
    components: list[NDArray[Any]] = [np.zeros(size, dtype=complex) for size in sizes]
    pulses = list(components)
    later: dict[int, dict[int, Evidence]] = {}
    families = _families(tracks)
    previous = {after: earlier for members in families for earlier, after in pairwise(members)}
    coarse = Coarse.of(excerpt, max(sizes, default=0))
    known: tuple[float, bool] | None = None
    learnt = False
    for one in rounds:
        if learnt or known != (one.reach_s, one.alone):
            clear, own = _clearances(coarse, tracks, one)
            known = one.reach_s, one.alone
        ratios = {
            id(tracks[members[0]]): _ratio(coarse, [pulses[m] for m in members], [own[m] for m in members])
            for members in families
        }
        for index, (track, size) in enumerate(zip(tracks, sizes, strict=True)):
            if (learnt or one.stiffness) and track.held:
                track.follow()
            if turned_by[index] is not track.delay_s:
                turns[index], turned_by[index] = turn_back(excerpt, track, size), track.delay_s
            share = 1.0 if gaps_s is None else CUT_SHARE_OF_GAP * gaps_s[index] / (one.flat_s + one.edge_s)
            narrow = min(max(share, NARROWEST_CUT), 1.0)
            window = _window(size, excerpt.step_hz, narrow * one.flat_s, narrow * one.edge_s)
            rest[:size] += components[index]
            pulses[index] = np.fft.fft(np.fft.ifft(rest[:size] * turns[index] * weights[index]) * window)
            learns = one.stiffness > 0 and not (one.narrow and track.alone and (track.first or track).alone)
            if learns:
                mine = Evidence.of(coarse, track, pulses[index], clear[index], own[index])
                if track.first is not None:
                    later.setdefault(id(track.first), {})[track.trips] = mine
            before = previous.get(index)
            if before is not None:
                ratio, sure = ratios[id(track.first)]
                _foretell(
                    coarse, pulses[index], pulses[before], weights[index], ratio, (1 - own[index][: sure.size]) * sure
                )
            components[index] = pulses[index] * np.conj(turns[index])
            rest[:size] -= components[index]
            if learns and not track.held:
                _correct_delay(excerpt, track, mine, list(later.get(id(track), {}).values()), one)
        learnt = bool(one.stiffness)
    for track, pulse in zip(tracks, pulses, strict=True):
        track.pulse = np.pad(pulse, (0, rest.size - pulse.size))
    return rest


def bins_of(excerpt: Excerpt, track: Track) -> int:
    """How many bins hold the band of a track; all work on it is done on these."""
    needed = int((track.high_hz + _edge_hz(track)) / excerpt.step_hz) + 2
    return min(fft.next_fast_len(needed), excerpt.spectrum.size)


def turn_back(excerpt: Excerpt, track: Track, size: int) -> NDArray[Any]:
    """What folds a pass, by its delay, shape (size,)."""
    return fold_of(track.delay_s[:size], excerpt.step_hz)


def component(excerpt: Excerpt, track: Track) -> NDArray[Any]:
    """What a settled pass is of the spectrum: its pulse unfolded, shape (bins,)."""
    assert track.pulse is not None
    return unfolded(excerpt, track, track.pulse)


def unfolded(excerpt: Excerpt, track: Track, pulse: NDArray[Any]) -> NDArray[Any]:
    """A pulse that was folded with the curve of a track, as it is of the spectrum, shape of ``pulse``."""
    return pulse * np.conj(turn_back(excerpt, track, pulse.size))


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


def _families(tracks: Sequence[Track]) -> list[list[int]]:
    """Indices of the passes of each spring that has later ones, in order."""
    firsts = [index for index, track in enumerate(tracks) if track.first is None]
    families = [
        [index, *(other for other, track in enumerate(tracks) if track.first is tracks[index])] for index in firsts
    ]
    return [members for members in families if len(members) > 1]


@dataclass(frozen=True)
class Coarse:
    """Every so many bins of an excerpt, as far as its passes go."""

    stride: int
    step_hz: float
    frequency_hz: NDArray[Any]

    @classmethod
    def of(cls, excerpt: Excerpt, upto: int) -> Coarse:
        stride = max(int(COARSE_HZ / excerpt.step_hz), 1)
        return cls(stride, stride * excerpt.step_hz, excerpt.frequency_hz[:upto:stride])


def _ratio(coarse: Coarse, pulses: list[NDArray[Any]], own: list[NDArray[Any]]) -> tuple[NDArray[Any], NDArray[Any]]:
    """What a pass is of the one before it, from where both are clear of others; and how sure that is (0…1).

    Both on the coarse frequencies; no more is known where their bands end.
    """
    parts = [pulse[:: coarse.stride] for pulse in pulses]
    size = min(parts[0].size, parts[1].size)
    sums = np.zeros((4, size), dtype=complex)
    for (one, other), (a, b) in zip(pairwise(parts), pairwise(own), strict=True):
        n = min(size, one.size, other.size)
        weight = (a[:n] * b[:n]) ** 2
        power = np.abs(one[:n]) ** 2
        sums[:, :n] += (weight * other[:n] * np.conj(one[:n]), weight * power, weight * np.abs(other[:n]) ** 2, power)
    smooth = smooth_over_frequency(sums, RATIO_HZ, coarse.step_hz)
    across, (power, after, whole) = smooth[0], smooth[1:].real
    alike = np.abs(across) ** 2 / np.maximum(power * after, 1e-300)
    sure = np.clip(10 * power / np.maximum(whole, 1e-300), 0, 1) * np.clip(
        (alike - ALIKE_FROM) / (1 - ALIKE_FROM) * 2, 0, 1
    )
    return across / np.maximum(np.maximum(power, np.abs(across) / LOUDER), 1e-300), sure


def _foretell(
    coarse: Coarse,
    pulse: NDArray[Any],
    before: NDArray[Any],
    weight: NDArray[Any],
    ratio: NDArray[Any],
    mix: NDArray[Any],
) -> None:
    """Put into ``pulse``, in place, what the pass before it foretells, by the share ``mix`` on coarse frequencies."""
    told = np.flatnonzero(mix)
    if told.size == 0:
        return
    upto = min(pulse.size, before.size, int(mix.size * coarse.stride))
    bins = slice(max(told[0] - 1, 0) * coarse.stride, min((told[-1] + 1) * coarse.stride + 1, upto))
    at = np.arange(bins.start, bins.stop) / coarse.stride
    index = np.arange(mix.size)
    share, foretold = np.interp(at, index, mix), np.interp(at, index, ratio) * before[bins] * weight[bins]
    pulse[bins] += share * (foretold - pulse[bins])


def _clearances(coarse: Coarse, tracks: Sequence[Track], one: Round) -> tuple[NDArray[Any], NDArray[Any]]:
    """Where the cut of a round holds nothing of another pass, shapes (tracks, coarse frequencies), from 0 to 1.

    The first counts no later pass against a first one, which can be read where those lie: they are foretold there.
    """
    each = clear_of_each(coarse.frequency_hz, tracks, one.reach_s, coarse.stride)
    own = clear_of_all(each)
    later = np.array([track.first is not None for track in tracks], dtype=bool)
    each[np.ix_(~later, later)] = 1.0
    return clear_of_all(each), own


@lru_cache(maxsize=64)
def _window(size: int, step_hz: float, flat_s: float, edge_s: float) -> NDArray[Any]:
    return tukey(times_of(size, step_hz), flat_s, edge_s)


@dataclass(frozen=True)
class Evidence:
    """A folded pass as it was cut out: its spectrum, that of its first moment in time, where it is clear of others.

    All on coarse frequencies but ``delay_s``. own counts the later passes of other springs.

    smooth : ndarray, shape (3, frequencies)
        Energy, what of it is clear of others (of a first pass, of other first ones), and the group delay times that.
    """

    trips: int
    delay_s: NDArray[Any]
    frequency_hz: NDArray[Any]
    smooth: NDArray[Any]
    own: NDArray[Any]

    @classmethod
    def of(cls, coarse: Coarse, track: Track, pulse: NDArray[Any], clear: NDArray[Any], own: NDArray[Any]) -> Evidence:
        """Read the evidence off a folded pass, shape (bins,)."""
        at = np.arange(0, pulse.size, coarse.stride)
        above, below = np.minimum(at + 1, pulse.size - 1), np.maximum(at - 1, 0)
        # The transform of t·p(t) is j dP/dω; over two bins the pulse, some milliseconds long, turns by next to nothing.
        omega = 2 * np.pi * coarse.step_hz / coarse.stride * (above - below)
        moment = 1j * (pulse[above] - pulse[below]) / omega
        here = pulse[at]
        power, clear = here.real**2 + here.imag**2, clear[: at.size]
        values = np.array([power, power * clear, (moment * np.conj(here)).real * clear])
        smooth = smooth_over_frequency(values, LEARN_HZ, coarse.step_hz)
        return cls(track.trips, track.delay_s, coarse.frequency_hz[: at.size], smooth, own[: at.size])

    @property
    def upto_hz(self) -> float:
        """Where its bins end."""
        return float(self.frequency_hz[-1] + self.frequency_hz[1])


def _missed(one: Evidence, grid: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """What a curve missed on ``grid``, the energy it was read from, and the share of that energy in all of the pass."""
    whole, energy, lag = (np.interp(grid, one.frequency_hz, row) for row in one.smooth)
    return lag / np.maximum(energy, 1e-6 * energy.max()), energy, energy / np.maximum(whole, 1e-300)


def _correct_delay(excerpt: Excerpt, track: Track, own: Evidence, later: Sequence[Evidence], round_: Round) -> None:
    """Add the energy-weighted group delay of the folded pulse, what the curve still missed, to the curve.

    The sum is smoothed as 1/τ², which is a parabola in frequency for a helical spring, so that even stiff smoothing
    bends no curve while it carries it across places where another spring hides it.
    """
    from scipy.ndimage import maximum_filter1d

    bins, stiffness = excerpt.frequency_hz, round_.stiffness
    # Beyond what is known the curve is continued as a parabola of 1/τ², as far as the band's soft edge lets sound in.
    grid = np.arange(track.low_hz, track.high_hz + _edge_hz(track), GRID_STEP_HZ)
    missed, weight, share = _missed(own, grid)
    total, top = missed * weight, weight.copy()
    # A pass that stands alone is read from itself at last: a later one brings in errors of its own.
    for one in () if round_.alone else later:
        # Where another spring hides the first pass, a later one stands further off; a constant it is off is its own.
        off, energy, clear = _missed(one, grid)
        off += np.interp(grid, bins, one.delay_s - track.after(one.trips))
        inside = grid < 0.97 * one.upto_hz
        both = np.where(inside, weight * energy * share * clear, 0.0)
        if both.sum() <= 1e-3 * np.sum(weight * energy):
            continue
        off = off - np.sum(both * (off - one.trips * missed)) / both.sum()
        energy = np.where(inside, energy * clear * LATER_TRUST * one.trips**2, 0.0)
        total += energy * off / one.trips
        top += energy
        share = np.maximum(share, np.where(inside, clear, 0.0))
    missed = total / np.maximum(top, 1e-300)
    weight = top
    # Where next to nothing is clear of others, nothing is learnt.
    missed *= share
    before = np.interp(grid, bins, track.delay_s)
    if not round_.narrow:
        apart = np.interp(grid[grid < track.high_hz], own.frequency_hz, own.own)
        track.alone = bool(min(share[grid < track.high_hz].min(), apart.min()) >= ALONE)
        if round_.alone and apart.min() < FAR_APART:
            return
    elif track.alone:
        return
    elif track.curls:
        missed = missed * np.sin(np.pi / 2 * np.clip((grid - 600.0) / 600.0, 0, 1)) ** 2
    curve = np.maximum(before + np.clip(missed, -2e-3, 2e-3), 1e-4)
    usual = np.partition(weight, weight.size // 2)[weight.size // 2]
    heard = np.clip(weight / usual, 1e-4, 1.0) * (grid <= track.high_hz)
    trust = heard * np.minimum((curve / curve[0]) ** 6, STEEP)
    low = np.clip(grid / FINE_FROM_HZ, 0.1, 1.0)
    if track.first is None:
        smooth = _smooth_as_spring(curve, trust * low**2, stiffness)
        if not round_.narrow:
            clear = heard * share * (grid < 800.0)
            off = np.sum(clear * (share > 0.5) * (curve - smooth) ** 2) / max(float(clear.sum()), 1e-300)
            track.curls = bool(np.mean(share[grid < 600.0]) > 0.9 and off > CURL_S**2)
        if track.curls:
            softness = np.exp(np.log(SOFTER) * np.clip((1200 - grid) / 700, 0, 1))
            smooth = _smooth_as_spring(curve, trust, stiffness * softness)
        track.extra_s = (
            np.interp(bins, grid, _of_drive_and_pickup(grid, smooth, trust, stiffness)) if track.curls else 0.0
        )
    else:
        lawful = np.interp(grid, bins, track.lawful_s)
        smooth = lawful + curve[0] * _near_nothing((curve - lawful) / curve[0], trust * low**2, stiffness)
    moved = maximum_filter1d(np.abs(smooth - before), 2 * round(SMOOTHING_HZ / GRID_STEP_HZ) + 1)
    # Straight between points as 1/τ² against f², as a helical spring is: the curve bends too much for anything else.
    known = int(np.searchsorted(bins, grid[-1]))
    delay_s = np.full(bins.size, smooth[-1])
    delay_s[:known] = 1 / np.sqrt(np.interp(bins[:known] ** 2, grid**2, smooth**-2))
    track.delay_s = delay_s
    track.unsettled = grid, moved


def _smooth_as_spring(curve: NDArray[Any], trust: NDArray[Any], stiffness: NDArray[Any] | float) -> NDArray[Any]:
    straight = whittaker((curve[0] / curve) ** 2, trust, stiffness)
    return np.asarray(curve[0] / np.sqrt(np.maximum(straight, 0.1 * (curve[0] / curve.max()) ** 2)))


def _of_drive_and_pickup(
    grid: NDArray[Any], curve: NDArray[Any], trust: NDArray[Any], stiffness: float
) -> NDArray[Any]:
    """Delay at low frequencies that is not like a spring's: of high-passes and resonances."""
    low = np.clip(grid / FINE_FROM_HZ, 0.1, 1.0) ** 6
    gate = np.cos(np.pi / 2 * np.clip((grid - 600.0) / 600.0, 0, 1)) ** 2
    between = np.zeros(2 * round(grid[0] / GRID_STEP_HZ) - 1)
    both = np.concatenate([curve[::-1], between + curve[0], curve])
    weight = np.concatenate([(trust * low)[::-1], between, trust * low])
    plain = _smooth_as_spring(both, weight, stiffness)[-grid.size :]
    return gate * (curve - plain)


def _near_nothing(values: NDArray[Any], trust: NDArray[Any], stiffness: float) -> NDArray[Any]:
    return whittaker(values * trust / (trust + RIDGE), trust + RIDGE, stiffness)


def whittaker(values: NDArray[Any], weight: NDArray[Any], stiffness: NDArray[Any] | float) -> NDArray[Any]:
    """Smooth with a penalty on third differences, which lets parabolas pass (P. H. C. Eilers, Anal. Chem. 75, 2003).

    values, weight : ndarray, shape (points,)
    """
    from scipy.linalg import solveh_banded

    size = values.size
    if size < 8:
        return values
    bands = _even_penalty(size) * stiffness if np.ndim(stiffness) == 0 else _penalty(np.asarray(stiffness)[: size - 3])
    # Where nothing is trusted what was there is, a little: else rounding leaves nothing to solve.
    weight = np.maximum(weight, LEAST_TRUST * bands[3].max())
    bands[3] += weight
    return np.asarray(solveh_banded(bands, weight * values, check_finite=False))


@lru_cache(maxsize=64)
def _even_penalty(size: int) -> NDArray[Any]:
    return _penalty(np.ones(size - 3))


def _penalty(stiffness: NDArray[Any]) -> NDArray[Any]:
    """Squared third differences, each by its stiffness, as an upper banded matrix, shape (4, differences + 3)."""
    bands = np.zeros((4, stiffness.size + 3))
    for offset in range(4):
        for term in range(4 - offset):
            product = THIRD_DIFFERENCE[term] * THIRD_DIFFERENCE[term + offset]
            bands[3 - offset, term + offset : term + offset + stiffness.size] += product * stiffness
    return bands


def _edge_hz(track: Track) -> float:
    """How far the band of a track falls off above its highest frequency."""
    return 0.06 * track.high_hz + 60


def band_weight(excerpt: Excerpt, track: Track, size: int | None = None) -> NDArray[Any]:
    """One over the band a track is known in, falling softly beyond, shape (bins,) or the first ``size`` of them."""
    return _band_weight(size or excerpt.spectrum.size, excerpt.step_hz, track.low_hz, track.high_hz, _edge_hz(track))


@lru_cache(maxsize=64)
def _band_weight(size: int, step_hz: float, low_hz: float, high_hz: float, over_hz: float) -> NDArray[Any]:
    frequency = np.arange(size) * step_hz
    rise = np.clip((frequency - 0.4 * low_hz) / (0.6 * low_hz), 0, 1)
    fall = np.clip((high_hz + over_hz - frequency) / over_hz, 0, 1)
    return np.asarray(np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2)


def coherence(excerpt: Excerpt, one: Track, other: Track) -> float:
    """Normalised correlation of two folded pulses below 2 kHz; ±1 is the same waveform, upright or turned over.

    What the curve misses below its band turns the phase of every pass by a constant, so the magnitude of the complex
    correlation tells the likeness; its sign is that of the real part.
    """
    assert one.pulse is not None
    assert other.pulse is not None
    upto = int(min(2000.0, one.high_hz, other.high_hz) / excerpt.step_hz)
    a, b = one.pulse[:upto], other.pulse[:upto]
    across = np.fft.ifft(a * np.conj(b), CORRELATION_SIZE)
    peak = across[np.argmax(np.abs(across))]
    alike = float(np.abs(peak)) * CORRELATION_SIZE / (float(np.linalg.norm(a) * np.linalg.norm(b)) + 1e-300)
    return alike if peak.real >= 0 else -alike


def power_beside(excerpt: Excerpt, folded: NDArray[Any]) -> NDArray[Any]:
    """Power per bin and second of a folded spectrum just before and just after time zero, shape (bins,)."""
    beside, seconds = _beside_zero(excerpt.spectrum.size, excerpt.step_hz)
    around = np.fft.fft(np.fft.ifft(folded) * beside)
    return smooth_over_frequency(np.abs(around) ** 2, SMOOTHING_HZ, excerpt.step_hz) / max(seconds, 1e-9)


@lru_cache(8)
def _beside_zero(bins: int, step_hz: float) -> tuple[NDArray[Any], float]:
    """A window just before and just after time zero, shape (bins,), and how many seconds it is worth."""
    # Soft edges: the lowest frequencies ring longest and must not leak into all others.
    along = np.abs(times_of(bins, step_hz)) / CUT_S - 0.5
    beside = np.where((along > 0) & (along < 1), np.sin(np.pi * along) ** 2, 0.0)
    return beside, float(np.sum(beside**2)) / (bins * step_hz)


def delay_sigma(ratio: NDArray[Any], smoothing_hz: float, window_s: float) -> NDArray[Any]:
    """Standard deviation of a group delay averaged over a triangle of ``smoothing_hz``, cut to ``window_s``.

    √12 / (2πB√(2 ρ B T)) with ρ the energy ratio per bin and B the rectangle as wide (in variance) as the triangle.
    """
    wide_hz = np.sqrt(2) * smoothing_hz
    return np.sqrt(12 / (2 * np.maximum(ratio, 1e-12) * wide_hz * window_s)) / (2 * np.pi * wide_hz)
