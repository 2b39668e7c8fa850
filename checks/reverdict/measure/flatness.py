"""How flat the magnitude of a pass is: an allpass chain neither boosts nor cuts, a comb in its place does.

Aim
    Per pass: its ripple (largest and rms), its tilt and its whole span in dB, and how sure they are.
Method
    The folded, cut pulse of a settled pass is transformed back: its magnitude, from ``LOWEST_HZ`` to ``HIGHEST_SHARE``
    of the transition frequency, where no other pass lies in the cut and it stands 10 dB clear of what surrounds it.
    Losses, lowpasses and couplings make a smooth line; *ripple* is what departs from it. That line is fitted by least
    squares: a slope over octaves, a high-pass (1/f²), and a loss per second that grows with f² (the pass's delay times
    1 and f²), with what a smoothing of third differences (``whittaker``) lets through of the rest. *Tilt* is the
    straight line over octaves, each octave weighing the same. *Span* is the highest minus the lowest level of all: a
    broad boost is neither tilt nor ripple, yet shows there.
Conventions
    Level in dB, 0 dB is a unit click. Uncertainties are expanded, k = 2: noise and neighbours, 0.4 dB that what lies
    below the band does at its lower end, and 6 % of a ripple that the line may take for its own. Noise adds to the rms
    of a ripple, so its mean square is taken off; the U of the largest deviation allows for the largest of that many
    independent readings (√(2 ln n) σ).
Limits of validity
    Ripple is told in full where its period is 0.5 to 1 kHz, which echoes 1 to 2 ms apart make, by half at 0.35 and at
    2 kHz: finer than that the cut of ±2 ms averages, coarser than that is the line's. A 2 kHz lowpass of second order
    in every trip still counts as 0.1 dB of ripple in a first pass and 0.4 dB in the third, where it is steepest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.clearance import clear_of_others
from reverdict.measure.settling import CUT_S, GRID_STEP_HZ, whittaker

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.excerpt import Excerpt
    from reverdict.measure.passes import Pass, Spring, SpringMeasurement

LOWEST_HZ = 200.0
HIGHEST_SHARE = 0.85
REACH_S = 3e-3
CLEAR = 0.99
CLEAR_DB = 10.0
ENOUGH = 0.6
"""Share of the band that must be readable."""
LEAST_READINGS = 4
EDGE_DB, EDGE_HZ = 0.4, 500.0
"""What lies below the band rings out of the cut: a level is wrong by up to 0.4 dB at its lower end."""
SMOOTH_HZ = 2000.0
"""Period of a ripple of which half counts as ripple, half as line."""
STIFFNESS = (SMOOTH_HZ / (2 * np.pi * GRID_STEP_HZ)) ** 6
TAKEN = 0.06
"""Share of a ripple that the line may take for its own (measured)."""
POINTS_A_READING = 1 / (CUT_S * GRID_STEP_HZ)
"""Grid points that tell the same, for the cut is no finer."""
DB = 20 / np.log(10)


@dataclass(frozen=True)
class Flatness:
    """Magnitude of one pass. Figures in dB (tilt in dB per octave), each with its uncertainty, or None and ``why_not``.

    frequency_hz, level_db, line_db, uncertainty_db : ndarray, shape (points,)
        Where it could be read: the level, and the smooth line from which ripple departs.
    """

    frequency_hz: NDArray[Any]
    level_db: NDArray[Any]
    line_db: NDArray[Any]
    uncertainty_db: NDArray[Any]
    ripple_max_db: float | None = None
    ripple_max_uncertainty_db: float | None = None
    ripple_rms_db: float | None = None
    ripple_rms_uncertainty_db: float | None = None
    tilt_db_per_octave: float | None = None
    tilt_uncertainty_db_per_octave: float | None = None
    span_db: float | None = None
    span_uncertainty_db: float | None = None
    why_not: str = ""


def flatness_of(measured: SpringMeasurement) -> tuple[tuple[Flatness, ...], ...]:
    """Flatness of every pass of every spring that was found."""
    settled = measured.settled
    if settled is None:
        return ()
    tracks = settled.tracks
    clear = clear_of_others(settled.excerpt, tracks, REACH_S)
    alone = {id(track): row > CLEAR for track, row in zip(tracks, clear, strict=True)}
    return tuple(
        tuple(_flatness(settled.excerpt, spring, one, alone[id(one.track)]) for one in spring.passes)
        for spring in measured.springs
    )


def _flatness(excerpt: Excerpt, spring: Spring, one: Pass, clear: NDArray[Any]) -> Flatness:
    track = one.track
    assert track is not None
    assert track.pulse is not None
    corner_hz, curve = spring.transition.frequency_hz, one.curve
    top_hz = HIGHEST_SHARE * corner_hz if corner_hz else float(curve.frequency_hz[-1])
    grid = np.arange(LOWEST_HZ, min(top_hz, float(excerpt.frequency_hz[-1])), GRID_STEP_HZ)
    bins = np.rint(grid / excerpt.step_hz).astype(int)
    alone = clear[bins]
    level_db = 10 * np.log10(np.abs(track.pulse[bins]) ** 2 / 4 + 1e-300)
    noise_db = np.interp(grid, curve.frequency_hz, curve.level_db - 10 * np.log10(curve.ratio))
    heard = np.isin(grid, curve.frequency_hz) & (level_db > noise_db + CLEAR_DB)
    read = alone & heard
    if read.sum() < max(ENOUGH * grid.size, LEAST_READINGS * POINTS_A_READING):
        none = np.zeros(0)
        return Flatness(none, none, none, none, why_not=_why_not(alone, heard, grid))
    sigma_db = DB * np.sqrt(10 ** ((noise_db - level_db) / 10) / 2)
    sigma_db = np.hypot(sigma_db, EDGE_DB / 2 * np.clip((EDGE_HZ - grid) / (EDGE_HZ - LOWEST_HZ), 0, 1))
    line_db = smooth_line(grid, track.delay_s[bins], level_db, read)
    return _figures(grid[read], level_db[read], line_db[read], sigma_db[read])


def _why_not(alone: NDArray[Any], heard: NDArray[Any], grid: NDArray[Any]) -> str:
    if grid.size < LEAST_READINGS * POINTS_A_READING:
        return f"its band from {LOWEST_HZ:g} Hz up is too narrow"
    crossed, drowned = 100 * (1 - alone.mean()), 100 * (1 - heard.mean())
    if crossed > drowned:
        return f"other passes lie over {crossed:.0f} % of its band"
    return f"{drowned:.0f} % of its band is less than {CLEAR_DB:g} dB clear of noise and other sound"


def smooth_line(
    frequency_hz: NDArray[Any], delay_s: NDArray[Any], level_db: NDArray[Any], read: NDArray[Any]
) -> NDArray[Any]:
    """The line a level follows without its ripple, on an even grid, shapes (points,); ``read`` says where it counts."""
    # An echo that ripples the level ripples the delay as well; 1/τ² of a spring is a parabola, or nearly so.
    share, straight = (frequency_hz / frequency_hz[-1]) ** 2, (delay_s[0] / delay_s) ** 2
    smooth = np.polynomial.polynomial.polyval(share, np.polynomial.polynomial.polyfit(share, straight, 2))
    octaves, lost = np.log2(frequency_hz / LOWEST_HZ), 1 / np.sqrt(np.maximum(smooth, 0.1 * straight.min()))
    terms = np.stack([np.ones_like(octaves), octaves, 4.0**-octaves, lost, lost * share])
    steep = terms.T @ np.linalg.lstsq(terms.T[read], level_db[read], rcond=None)[0]
    rest = np.where(read, level_db - steep, 0.0)
    return np.asarray(steep + whittaker(rest, read.astype(float), STIFFNESS))


def _figures(
    frequency_hz: NDArray[Any], level_db: NDArray[Any], line_db: NDArray[Any], sigma_db: NDArray[Any]
) -> Flatness:
    readings = frequency_hz.size / POINTS_A_READING
    ripple = level_db - line_db
    worst = int(np.argmax(np.abs(ripple)))
    luck = float(np.hypot(2.0, np.sqrt(2 * np.log(readings))))
    noise = float(np.mean(sigma_db**2))
    square = max(float(np.mean(ripple**2)) - noise, 0.0)
    square_sigma = np.sqrt((4 * square * noise + 2 * noise**2) / readings)
    rms = np.sqrt(square)
    tilt, tilt_sigma = _tilt(frequency_hz, level_db, sigma_db)
    high, low = int(np.argmax(level_db)), int(np.argmin(level_db))
    return Flatness(
        frequency_hz,
        level_db,
        line_db,
        2 * sigma_db,
        float(np.abs(ripple[worst])),
        float(np.hypot(luck * sigma_db[worst], TAKEN * ripple[worst])),
        float(rms),
        float(np.hypot(np.sqrt(square + 2 * square_sigma) - rms, TAKEN * rms)),
        tilt,
        2 * tilt_sigma,
        float(level_db[high] - level_db[low]),
        luck * float(np.hypot(sigma_db[high], sigma_db[low])),
    )


def _tilt(frequency_hz: NDArray[Any], level_db: NDArray[Any], sigma_db: NDArray[Any]) -> tuple[float, float]:
    """Slope over octaves and its standard deviation."""
    octaves = np.log2(frequency_hz)
    weight = 1 / frequency_hz
    away = octaves - np.average(octaves, weights=weight)
    share = weight * away / float(np.sum(weight * away**2))
    return float(share @ level_db), float(np.sqrt(POINTS_A_READING) * np.linalg.norm(share * sigma_db))
