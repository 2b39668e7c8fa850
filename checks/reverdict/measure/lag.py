"""How much later the candidate is than the golden: no absolute curve needed, so bias common to both cancels.

A shift is positive when the candidate is later than the golden.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.excerpt import HIGHEST_HZ, Excerpt, fold_of, smooth_over_frequency, take_spectrum
from reverdict.measure.peak import vertex
from reverdict.measure.settling import (
    CUT_S,
    GRID_STEP_HZ,
    SMOOTHING_HZ,
    Round,
    band_weight,
    delay_sigma,
    gaps_between,
    power_beside,
    settle,
    turn_back,
    whittaker,
)
from reverdict.measure.springs import find_springs, needed_seconds, track_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.measure.passes import Pass, SpringMeasurement
    from reverdict.measure.track import Track

ONSET_S = 0.08
FARTHEST_ONSET_S = 0.5
FARTHEST_PASS_S = 0.015
LOOKS_ALIKE = 0.6
LEVEL_CHANGE_DB = 6.0
ENOUGH = 0.9
HALF = 0.5
AGREE_S = 0.1e-3
NEWTON_STEPS = 8
MOST_FOLDS = 12
FOLDED_S, FOLDED_SHARE = 1e-6, 0.1
"""A lag that moves by less than this, or than this share of its uncertainty, from fold to fold is not folded again.

Measured on random tanks, 0.4 % longer, in noise: it then lies within 0.3 of its uncertainty from where folds lead it at
last; at a share of 0.25, in one of a hundred passes, as far as its uncertainty from there."""
WANDER_BELOW_HZ = 1000.0
HELD = 0.88
LAG_STIFFNESS = 1e5
WITH_EDGE, BESIDE_HZ = 1.06, 700.0
"""How much more of the spectrum is kept than the highest pass needs: its soft edge, and what is beside it."""
ROUNDS = 3 * (Round(2e-3, 2e-3),)
DECIMALS = 14
"""Lags are told to ten femtoseconds: less is rounding, and a response against itself lags by exactly nothing."""


@dataclass(frozen=True)
class OnsetLag:
    """Lag of the first part of one response against another's; ``seconds`` is None where ``why_not`` says why.

    polarity : int
        −1 where the candidate is the golden turned over.
    """

    seconds: float | None
    uncertainty_s: float | None = None
    polarity: int = 1
    why_not: str = ""


@dataclass(frozen=True)
class PassLag:
    """Lag of one pass of the candidate against the same pass of the golden, on the golden's grid where it is known.

    frequency_hz, lag_s, uncertainty_s : ndarray, shape (points,)
        Uncertainty is expanded, k = 2.
    polarity : int
        −1 where this pass is turned over against the golden's.
    why_not : str
        Why the pass was not found on its own; arrays are empty then, or hold the part that is still the golden's.
    """

    frequency_hz: NDArray[Any]
    lag_s: NDArray[Any]
    uncertainty_s: NDArray[Any]
    polarity: int = 1
    why_not: str = ""

    def at(self, hz: float) -> tuple[float, float] | None:
        """Lag and uncertainty at one frequency in seconds; None where it is not known."""
        if self.frequency_hz.size == 0 or not self.frequency_hz[0] <= hz <= self.frequency_hz[-1]:
            return None
        nearest = float(np.abs(self.frequency_hz - hz).min())
        if nearest > 2 * GRID_STEP_HZ:
            return None
        return (
            float(np.interp(hz, self.frequency_hz, self.lag_s)),
            float(np.interp(hz, self.frequency_hz, self.uncertainty_s)),
        )


def onset_lag(golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float) -> OnsetLag:
    """Lag of the first ``ONSET_S`` of sound, shapes (samples,), found by correlation and refined by phase."""
    loud = np.flatnonzero(np.abs(golden) > 0.1 * np.abs(golden).max(initial=0.0))
    if loud.size == 0:
        return OnsetLag(None, why_not="the golden is silent")
    begin = max(int(loud[0]) - int(0.002 * rate_hz), 0)
    length = int(ONSET_S * rate_hz)
    reach = int(FARTHEST_ONSET_S * rate_hz)
    pattern = _faded(golden[begin : begin + length], length)
    searched = np.pad(candidate, (reach, reach + length))[begin : begin + 2 * reach + length]
    size = fft.next_fast_len(searched.size + length, real=True)
    across = fft.irfft(fft.rfft(searched, size) * np.conj(fft.rfft(pattern, size)), size)[: 2 * reach + 1]
    shift = int(np.argmax(np.abs(across)))
    found = _faded(searched[shift : shift + length], length)
    size = fft.next_fast_len(2 * length, real=True)
    one, other = fft.rfft(pattern, size), fft.rfft(found, size)
    cross = other * np.conj(one)
    frequency = np.arange(one.size) * rate_hz / size
    step = _top_of_peak(cross, frequency, rate_hz)
    turned = cross * np.exp(2j * np.pi * frequency * step)
    alike = float(np.sum(turned).real / max(np.linalg.norm(one) * np.linalg.norm(other), 1e-300))
    if abs(alike) < LOOKS_ALIKE:
        why = f"its first {1e3 * ONSET_S:.0f} ms no longer look like the golden's (correlation {alike:.2f})"
        return OnsetLag(None, why_not=why)
    power = np.abs(one) ** 2
    spread_hz = float(np.sqrt(np.sum(power * frequency**2) / np.sum(power)))
    ratio = alike**2 / max(1 - alike**2, 1e-15) * 2 * spread_hz * ONSET_S
    seconds = round((shift - reach) / rate_hz + step, DECIMALS)
    return OnsetLag(seconds, float(2 / (2 * np.pi * spread_hz * np.sqrt(ratio))), 1 if alike > 0 else -1)


def _top_of_peak(cross: NDArray[Any], frequency_hz: NDArray[Any], rate_hz: float) -> float:
    """Where the correlation of cross-spectrum ``cross`` is highest or lowest within half a sample of zero, seconds.

    Newton's steps on Re Σ C e^{jωτ}: for a mere delay the exact answer, however broad the band.
    """
    omega = 2 * np.pi * frequency_hz
    step = 0.0
    for _ in range(NEWTON_STEPS):
        turned = cross * np.exp(1j * omega * step)
        slope, bend = -float(np.sum(omega * turned.imag)), -float(np.sum(omega**2 * turned.real))
        move = -slope / bend if bend else 0.0
        step = float(np.clip(step + move, -0.6 / rate_hz, 0.6 / rate_hz))
    return step


def _faded(sound: NDArray[Any], length: int) -> NDArray[Any]:
    part = np.pad(sound, (0, max(length - sound.size, 0)))
    fade = max(length // 4, 1)
    part[-fade:] = part[-fade:] * np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
    return part


def pass_lags(
    golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float, measured: SpringMeasurement
) -> list[list[PassLag]]:
    """Lag of every pass of every spring the golden has.

    Both are folded with the golden's curves and cut alike, each pass with its neighbours taken out; the lag is the
    energy-weighted group delay of their cross-spectrum. A candidate whose pass has left the cut is read on its own.

    Parameters
    ----------
    golden, candidate : ndarray, shape (samples,), from the click on
    measured : SpringMeasurement
        Of the golden, by ``find_springs``.
    """
    seconds = min(golden.size, candidate.size) / rate_hz
    seconds = min(seconds, needed_seconds(max(spring.passes[0].time_s for spring in measured.springs)))
    passes = [one for spring in measured.springs for one in spring.passes]
    upto_hz = min(WITH_EDGE * max(float(one.curve.frequency_hz[-1]) for one in passes) + BESIDE_HZ, HIGHEST_HZ)
    golden_excerpt = _excerpt(golden, rate_hz, seconds, upto_hz)
    candidate_excerpt = _excerpt(candidate, rate_hz, seconds, upto_hz)
    tracks = [track_of(golden_excerpt, one.curve) for one in passes]
    gaps_s = gaps_between(golden_excerpt, tracks)
    golden_rest = settle(golden_excerpt, tracks, ROUNDS, gaps_s)
    offsets = [
        _coarse_lag(golden_excerpt, candidate_excerpt, track, reach)
        for track, reach in zip(tracks, _reaches(passes), strict=True)
    ]
    lags_s = [np.full_like(track.delay_s, offset) for track, offset in zip(tracks, offsets, strict=True)]
    sides = [_golden_side(golden_excerpt, golden_rest, one, track) for one, track in zip(passes, tracks, strict=True)]
    for _ in range(MOST_FOLDS):
        moved = [replace(track, delay_s=track.delay_s + lag_s) for track, lag_s in zip(tracks, lags_s, strict=True)]
        rest = settle(candidate_excerpt, moved, ROUNDS, gaps_s)
        lags = [
            _fine_lag(golden_excerpt, side, rest, other, lag_s)
            for side, other, lag_s in zip(sides, moved, lags_s, strict=True)
        ]
        folded_s = lags_s
        lags_s = [
            _smooth_lag(golden_excerpt, one, lag) if lag.frequency_hz.size > 2 else lag_s
            for one, lag, lag_s in zip(passes, lags, lags_s, strict=True)
        ]
        if all(_has_settled(golden_excerpt, *one) for one in zip(lags, folded_s, lags_s, strict=True)):
            break
    lags = [
        _not_held(one, seconds) if one.time_s > HELD * seconds else _believed(one, lag)
        for lag, one in zip(lags, passes, strict=True)
    ]
    if any(lag.frequency_hz.size < ENOUGH * one.curve.frequency_hz.size for lag, one in zip(lags, passes, strict=True)):
        own = find_springs(candidate, rate_hz, 0.0, measured.arrival_hz)
        lags = [
            lag
            if lag.frequency_hz.size >= ENOUGH * one.curve.frequency_hz.size
            else _completed(one, lag, _lag_by_own_curve(one, _same_pass(index, one, measured, own)))
            for lag, (index, one) in zip(lags, _numbered(measured), strict=True)
        ]
    in_order = iter(lags)
    return [[next(in_order) for _ in spring.passes] for spring in measured.springs]


def _excerpt(samples: NDArray[Any], rate_hz: float, seconds: float, upto_hz: float) -> Excerpt:
    """What holds the passes of a response; its noise is not asked for here."""
    spectrum, step_hz = take_spectrum(samples, rate_hz, seconds, upto_hz)
    return Excerpt(spectrum, step_hz, np.zeros(spectrum.size))


def _numbered(measured: SpringMeasurement) -> list[tuple[int, Pass]]:
    return [(index, one) for index, spring in enumerate(measured.springs) for one in spring.passes]


def _reaches(passes: Sequence[Pass]) -> list[float]:
    """How far each pass may be sought without taking a neighbour for it."""
    times = np.array([one.time_s for one in passes])
    reaches = []
    for index, time_s in enumerate(times):
        gaps = np.abs(np.delete(times, index) - time_s)
        reaches.append(float(np.clip(0.45 * gaps.min(initial=np.inf), 1e-3, FARTHEST_PASS_S)))
    return reaches


def _coarse_lag(golden: Excerpt, candidate: Excerpt, track: Track, reach_s: float) -> float:
    """Where the golden's folded pulse fits the folded candidate best: the peak of their cross-correlation.

    Between two points of it, the golden's own says how far neighbours push it.
    """
    assert track.pulse is not None
    pattern = turn_back(golden, track, golden.spectrum.size) * band_weight(golden, track) * np.conj(track.pulse)
    own, across = (np.log(np.abs(fft.ifft(one.spectrum * pattern)) + 1e-300) for one in (golden, candidate))
    near = np.flatnonzero(np.abs(candidate.time_s) <= reach_s)
    peak = int(near[np.argmax(across[near])])
    beyond, pushed = (
        vertex(np.take(level, [at - 1, at, at + 1], mode="wrap")) for level, at in ((across, peak), (own, 0))
    )
    return float(candidate.time_s[peak] + (beyond - pushed) / candidate.rate_hz)


def _believed(one: Pass, lag: PassLag) -> PassLag:
    """The lag, or an empty one where it has wandered farther than a pass is sought: that is another pass."""
    low = lag.lag_s[lag.frequency_hz < WANDER_BELOW_HZ]
    if low.size and abs(float(np.median(low))) > FARTHEST_PASS_S:
        return _nowhere(one)
    return lag


def _nowhere(one: Pass) -> PassLag:
    empty = np.zeros(0)
    why = f"no pass within {1e3 * FARTHEST_PASS_S:.0f} ms of the golden's {1e3 * one.time_s:.2f} ms"
    return PassLag(empty, empty, empty, why_not=why)


def _not_held(one: Pass, seconds: float) -> PassLag:
    empty = np.zeros(0)
    why = f"{1e3 * seconds:.0f} ms of sound do not hold the golden's pass at {1e3 * one.time_s:.2f} ms"
    return PassLag(empty, empty, empty, why_not=why)


def _smooth_lag(excerpt: Excerpt, one: Pass, lag: PassLag) -> NDArray[Any]:
    """A lag on every bin without the ripple that its first, shifted cut has put on it, seconds.

    Smoothed as what it adds to 1/τ², which bends no curve of a spring (``springs._correct_delay``).
    """
    grid = np.arange(lag.frequency_hz[0], lag.frequency_hz[-1] + 1, GRID_STEP_HZ)
    golden_s = np.interp(grid, one.curve.frequency_hz, one.curve.delay_s)
    later_s = np.maximum(golden_s + np.interp(grid, lag.frequency_hz, lag.lag_s), 0.1 * golden_s)
    straight = (golden_s[0] / golden_s) ** 2
    added = (golden_s[0] / later_s) ** 2 - straight
    smooth = straight + whittaker(added, straight**-3, LAG_STIFFNESS)
    lag_s = golden_s[0] / np.sqrt(np.maximum(smooth, 0.1 * straight)) - golden_s
    return np.interp(excerpt.frequency_hz, grid, lag_s)


def _has_settled(excerpt: Excerpt, lag: PassLag, before_s: NDArray[Any], after_s: NDArray[Any]) -> bool:
    """Whether a lag, on every bin, moved by next to nothing, or by little of what it is known to."""
    move_s = np.abs(after_s - before_s)
    if not lag.frequency_hz.size:
        return bool(move_s.max() < FOLDED_S)
    known_s = np.interp(excerpt.frequency_hz, lag.frequency_hz, lag.uncertainty_s)
    return bool(np.all(move_s < np.maximum(FOLDED_S, FOLDED_SHARE * known_s)))


@dataclass(frozen=True)
class _GoldenSide:
    """What a golden's pass brings to every comparison with a candidate's.

    pulse : its folded pulse; unlike : what all passes leave of the golden, folded alike; shapes (bins,).
    energy : of the pulse, smoothed, shape (frequencies,); grid_hz, at : these frequencies, and their bins.
    """

    pulse: NDArray[Any]
    unlike: NDArray[Any]
    energy: NDArray[Any]
    grid_hz: NDArray[Any]
    at: NDArray[Any]


def _golden_side(golden: Excerpt, rest: NDArray[Any], one: Pass, track: Track) -> _GoldenSide:
    assert track.pulse is not None
    grid = one.curve.frequency_hz
    at = np.clip(np.round(grid / golden.step_hz).astype(int), 0, track.pulse.size - 1)
    energy = smooth_over_frequency(np.abs(track.pulse) ** 2, SMOOTHING_HZ, golden.step_hz)[at]
    unlike = rest * fold_of(track.delay_s, golden.step_hz)
    return _GoldenSide(track.pulse, unlike, energy, grid, at)


def _fine_lag(golden: Excerpt, side: _GoldenSide, rest: NDArray[Any], moved: Track, folded_s: NDArray[Any]) -> PassLag:
    """Lag over frequency from the cross-spectrum of two folded pulses; only where they are alike enough to compare.

    Uncertainty comes from what the two leave unexplained beside this pass, as far as it differs: their noise, and what
    has changed near by. Of two equal responses nothing differs.

    rest : ndarray, shape (bins,)
        What the passes leave of the candidate.
    folded_s : ndarray, shape (bins,)
        The lag the candidate has been folded with already.
    """
    assert moved.pulse is not None
    step_hz, grid, at, energy_golden = golden.step_hz, side.grid_hz, side.at, side.energy
    cross = moved.pulse * np.conj(side.pulse)
    power = moved.pulse.real**2 + moved.pulse.imag**2
    root = np.sqrt(np.abs(cross))
    neighbours = np.zeros_like(cross)
    # Weighted by |cross| as energy is, not by its square.
    neighbours[1:] = cross[1:] * np.conj(cross[:-1]) / (root[1:] * root[:-1] + 1e-300)
    parts = np.array([neighbours.real, neighbours.imag, cross.real, cross.imag, power])
    real, imaginary, *crossing, energy_candidate = smooth_over_frequency(parts, SMOOTHING_HZ, step_hz)[:, at]
    lag_s = np.round(folded_s[at] - np.arctan2(imaginary, real) / (2 * np.pi * step_hz), DECIMALS)
    ratio_db = 10 * np.log10(np.maximum(energy_candidate, 1e-300) / np.maximum(energy_golden, 1e-300))
    alike = np.hypot(*crossing) / np.sqrt(np.maximum(energy_golden * energy_candidate, 1e-300))
    same = (np.abs(ratio_db) < LEVEL_CHANGE_DB) & (alike > LOOKS_ALIKE)
    gain = float(np.sum(cross.real)) / max(float(np.sum(power)), 1e-300)
    unlike = side.unlike - gain * rest * fold_of(moved.delay_s, step_hz)
    ratio = energy_golden / np.maximum(power_beside(golden, unlike)[at] * CUT_S, 1e-300)
    sigma_s = delay_sigma(ratio, SMOOTHING_HZ, CUT_S)
    middle = cross[int(300 / step_hz) : int(1500 / step_hz)]
    polarity = 1 if float(np.sum(middle.real)) >= 0 else -1
    return PassLag(grid[same], lag_s[same], 2 * sigma_s[same], polarity)


def _same_pass(spring_index: int, one: Pass, measured: SpringMeasurement, own: SpringMeasurement) -> Pass | None:
    """The candidate's pass with the golden's number, of the spring whose first pass arrives next to the golden's."""
    if not own.springs:
        return None
    arrivals_s = np.array([spring.passes[0].time_s for spring in measured.springs])
    nearest = min(own.springs, key=lambda spring: abs(spring.passes[0].time_s - arrivals_s[spring_index]))
    away_s = np.abs(arrivals_s - nearest.passes[0].time_s)
    # A spring that stands nearer to another of the golden's is that one; this one is gone.
    if np.argmin(away_s) != spring_index or away_s[spring_index] > FARTHEST_PASS_S or len(nearest.passes) < one.number:
        return None
    return nearest.passes[one.number - 1]


def _lag_by_own_curve(one: Pass, own: Pass | None) -> PassLag:
    if own is None:
        return _nowhere(one)
    low, high = own.curve.frequency_hz[[0, -1]]
    known = (one.curve.frequency_hz >= low) & (one.curve.frequency_hz <= high)
    grid = one.curve.frequency_hz[known]
    lag_s = np.interp(grid, own.curve.frequency_hz, own.curve.delay_s) - one.curve.delay_s[known]
    uncertainty_s = np.hypot(
        np.interp(grid, own.curve.frequency_hz, own.curve.uncertainty_s), one.curve.uncertainty_s[known]
    )
    return PassLag(grid, lag_s, uncertainty_s, one.polarity * own.polarity)


def _completed(one: Pass, fine: PassLag, rough: PassLag) -> PassLag:
    """The rough lag with the finer one in its place wherever the two agree, to no better than they agree.

    Where there is no rough one, the finer stands if it holds at least half of the golden's pass ``one``.
    """
    if rough.why_not:
        alike = fine.frequency_hz.size >= HALF * one.curve.frequency_hz.size
        return replace(fine, why_not=rough.why_not) if alike else rough
    lag_s, uncertainty_s = rough.lag_s.copy(), rough.uncertainty_s.copy()
    _, at_rough, at_fine = np.intersect1d(rough.frequency_hz, fine.frequency_hz, return_indices=True)
    near = np.abs(lag_s[at_rough] - fine.lag_s[at_fine]) < uncertainty_s[at_rough] + AGREE_S
    apart = np.abs(lag_s[at_rough] - fine.lag_s[at_fine])
    uncertainty_s[at_rough[near]] = np.maximum(fine.uncertainty_s[at_fine], apart)[near]
    lag_s[at_rough[near]] = fine.lag_s[at_fine[near]]
    return replace(rough, lag_s=lag_s, uncertainty_s=uncertainty_s)
