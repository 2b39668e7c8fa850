"""Crosstalk: the other path's spring in this path, and the click itself before the first pass.

Aim
    Between paths that have springs of their own, the level of each such spring in every other path, against its level
    at home. Within a path, the level of what sounds at the click, crosstalk or a dry path, against the first pass.
Method
    Springs of all paths whose first passes agree within ``SAME_S`` are one spring; where it is loudest it is at home.
    In every path all passes of all springs are folded with the curves they have at home, cut alike and taken from one
    another (``springs.settle``). The level is the magnitude of the complex ratio r = Σ P·H* / Σ |H|² of the first pass
    there, P, and at home, H, over the band where no other pass lies in the cut: what the cut does, it does to both.
    A spring that another path has within ``SHARED_DB`` of its home belongs to both and is no crosstalk.
    What sounds at the click is cut out of what no pass explains, and its energy in the first pass's band set against
    that of the first pass, less the noise.
Conventions
    Level in dB; 0 dB is the spring at home, or the first pass. Uncertainties are expanded, k = 2, from noise and from
    what no pass explains just before and after.
Limits of validity
    First passes 2.5 ms or more apart over half of the band. A level below twice its uncertainty is not told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.clearance import clear_of_others
from reverdict.measure.excerpt import Excerpt, fold_of, take_excerpt, tukey
from reverdict.measure.settling import Round, band_weight, gaps_between, power_beside, settle
from reverdict.measure.springs import needed_seconds, track_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.measure.passes import Spring, SpringMeasurement
    from reverdict.words import Response

SAME_S = 0.3e-3
SHARED_DB = -6.0
REACH_S = 1.5e-3
FLAT_S = EDGE_S = 1e-3
ROUNDS = 3 * (Round(FLAT_S, EDGE_S),)
CUT_S = 2 * 1e-3 * 1.375
"""Length of noise in a cut: that of the square of its window."""
CLEAR = 0.99
AFTER_S = (4e-3, 9.5e-3)
"""Where to read the noise beside the click, clear of the click's own ringing in the band."""
HALF = 0.5
LOWEST_HZ = 200.0
HIGHEST_SHARE = 0.85
DB = 20 / np.log(10)


@dataclass(frozen=True)
class Level:
    """A level in dB with its uncertainty; None where it could not be told, and ``why_not``."""

    level_db: float | None = None
    uncertainty_db: float | None = None
    why_not: str = ""


@dataclass(frozen=True)
class Leak:
    """Level of one spring of a path, numbered from 1 as there, in another path."""

    of_path: str
    spring: int
    in_path: str
    level: Level


@dataclass(frozen=True)
class CrosstalkMeasurement:
    """Every spring of its own in every other path; empty with ``why_none`` where paths have none of their own."""

    leaks: tuple[Leak, ...] = ()
    why_none: str = ""


@dataclass(frozen=True)
class _Home:
    """A spring, the path where it is loudest, and its number there."""

    spring: Spring
    path: int
    number: int


def measure_crosstalk(response: Response, measured: Sequence[SpringMeasurement]) -> CrosstalkMeasurement:
    """Levels of springs in paths that are not their own.

    Parameters
    ----------
    measured : sequence of SpringMeasurement
        Of every path of the response, in its order.
    """
    if len(measured) < 2:
        return CrosstalkMeasurement(why_none="there is one path only")
    homes = _homes(measured)
    if not homes:
        return CrosstalkMeasurement(why_none="no path has separate passes")
    seconds = needed_seconds(max(home.spring.passes[0].time_s for home in homes))
    seconds = min(seconds, response.seconds_after_click)
    paths = [
        _Path(take_excerpt(row, response.rate_hz, response.click_at_s, seconds), homes) for row in response.samples
    ]
    leaks = [
        [(index, _leak(paths[home.path], path, which, home)) for index, path in enumerate(paths) if index != home.path]
        for which, home in enumerate(homes)
    ]
    own = [all(level.level_db is None or level.level_db < SHARED_DB for _, level in row) for row in leaks]
    if not any(own):
        return CrosstalkMeasurement(why_none="the paths have the same springs")
    if len({home.path for home, is_own in zip(homes, own, strict=True) if is_own}) < 2:
        return CrosstalkMeasurement(why_none="only one path has a spring of its own")
    names = response.paths
    return CrosstalkMeasurement(
        tuple(
            Leak(names[home.path], home.number, names[index], level)
            for home, is_own, row in zip(homes, own, leaks, strict=True)
            if is_own
            for index, level in row
        )
    )


def _homes(measured: Sequence[SpringMeasurement]) -> list[_Home]:
    """Every spring once, where it is loudest, in order of path and number."""
    found: list[_Home] = []
    everywhere = [
        _Home(spring, path, number)
        for path, one in enumerate(measured)
        for number, spring in enumerate(one.springs, start=1)
    ]
    for home in sorted(everywhere, key=lambda one: -one.spring.passes[0].gain_db):
        if not any(_same(home.spring, other.spring) for other in found):
            found.append(home)
    return sorted(found, key=lambda one: (one.path, one.number))


def _same(one: Spring, other: Spring) -> bool:
    """Whether two first passes come at the same time at every frequency known of both."""
    shared = np.intersect1d(one.curve.frequency_hz, other.curve.frequency_hz)
    if not shared.size:
        return False
    apart_s = np.interp(shared, one.curve.frequency_hz, one.curve.delay_s)
    apart_s -= np.interp(shared, other.curve.frequency_hz, other.curve.delay_s)
    return float(np.median(np.abs(apart_s))) < SAME_S


class _Path:
    """One path with all passes of all springs folded, cut and taken from one another."""

    def __init__(self, excerpt: Excerpt, homes: Sequence[_Home]) -> None:
        self.excerpt = excerpt
        families = [[track_of(excerpt, one.curve) for one in home.spring.passes] for home in homes]
        tracks = [track for family in families for track in family]
        self.rest = settle(excerpt, tracks, ROUNDS, gaps_between(excerpt, tracks))
        clear = clear_of_others(excerpt, tracks, REACH_S) > CLEAR
        first_at = np.cumsum([0, *(len(family) for family in families[:-1])])
        self.firsts = [tracks[index] for index in first_at]
        self.clear = clear[first_at]


def _leak(home: _Path, other: _Path, which: int, of: _Home) -> Level:
    """Level of a home's spring in another path."""
    track, here = home.firsts[which], other.firsts[which]
    band = _band(other.excerpt, of.spring)
    used = band & other.clear[which]
    if used.sum() < HALF * band.sum():
        return Level(why_not="other passes lie over its first pass")
    assert track.pulse is not None
    assert here.pulse is not None
    strength = np.abs(track.pulse[used]) ** 2
    ratio = abs(np.sum(here.pulse[used] * np.conj(track.pulse[used]))) / strength.sum()
    folded = other.rest * fold_of(here.delay_s, other.excerpt.step_hz)
    noise = power_beside(other.excerpt, folded)[used] * CUT_S
    # Bins nearer than the cut resolves tell the same.
    alike = 1 / (CUT_S * other.excerpt.step_hz)
    sigma = float(np.sqrt(alike * np.sum(strength * noise) / 2) / strength.sum())
    return _level_of(float(ratio), sigma)


def _level_of(ratio: float, sigma: float) -> Level:
    if ratio <= 4 * sigma:
        return Level(why_not=f"it is not clear of noise and other sound: {_db(ratio + 2 * sigma):.0f} dB at most")
    return Level(_db(ratio), float(2 * DB * sigma / ratio))


def _db(ratio: float) -> float:
    return float(DB * np.log(max(ratio, 1e-15)))


def _band(excerpt: Excerpt, spring: Spring) -> NDArray[Any]:
    """Bins of the first pass's band, shape (bins,)."""
    bins, curve, corner_hz = excerpt.frequency_hz, spring.curve, spring.transition.frequency_hz
    top_hz = min(float(curve.frequency_hz[-1]), HIGHEST_SHARE * corner_hz if corner_hz else np.inf)
    return (bins >= max(LOWEST_HZ, float(curve.frequency_hz[0]))) & (bins <= top_hz)


def direct_sound(measured: SpringMeasurement) -> Level:
    """Level of what sounds at the click against the first pass of the first spring."""
    settled = measured.settled
    if settled is None:
        return Level(why_not="there is no first pass to hold it against")
    excerpt, first = settled.excerpt, measured.springs[0].passes[0].track
    assert first is not None
    assert first.pulse is not None
    band = np.flatnonzero(_band(excerpt, measured.springs[0])) * excerpt.step_hz
    weight = band_weight(excerpt, replace(first, low_hz=float(band[0]), high_hz=float(band[-1])))
    sound, seconds = np.abs(np.fft.ifft(settled.rest * weight)) ** 2, 1 / excerpt.rate_hz
    at_click = float(np.sum(sound * tukey(excerpt.time_s, FLAT_S, EDGE_S) ** 2)) * seconds
    first_pass = float(np.sum(np.abs(np.fft.ifft(first.pulse * weight)) ** 2)) * seconds
    # There is nothing before the click in the excerpt, so half a cut's noise.
    after = (excerpt.time_s > AFTER_S[0]) & (excerpt.time_s < AFTER_S[1])
    noise = float(np.mean(sound[after])) * CUT_S / 2
    energy = at_click - noise
    readings = max((band[-1] - band[0]) * CUT_S / 2, 1.0)
    sigma = float(np.sqrt((2 * max(energy, 0.0) * noise + noise**2) / readings))
    if energy < 4 * sigma:
        most_db = _db(np.sqrt((max(energy, 0.0) + 2 * sigma) / first_pass))
        return Level(why_not=f"nothing at the click is clear of the noise: {most_db:.0f} dB at most")
    return Level(_db(np.sqrt(energy / first_pass)), float(DB * sigma / energy))
