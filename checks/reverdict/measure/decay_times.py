"""Decay times read off an energy decay curve: EDT, T20, T30, T60, and how far from a line it is.

Method
    Least squares over 0…−10, −5…−25, −5…−35 (ISO 3382-1:2009) and −5…−65 dB.
Validity
    ISO 3382-1, 5.3.3: the noise must lie the fit range and 15 dB below the peak (25, 35, 45, and so 75 dB for T60).
    Where the record ends before the noise is reached, it must hold 5 dB more than the fit range. A decay must outlast
    its filter: B·T is at least 4 where the filter runs backwards (ISO 3382-2:2008, 7.3). And noise must not leave it
    unsure by more than 4 %, near the 5 % that one hears. What is not allowed is None, and ``why_not`` says why.
    Never a shortened fit.
Uncertainty
    From the noise alone: its beat with the tail and its own wavering in the integral at the end of the fit, and what it
    may hide of the energy behind their meeting (k = 2).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.truncation import straight_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

FITS = {
    "edt": (0.0, -10.0, 25.0), "t20": (-5.0, -25.0, 35.0), "t30": (-5.0, -35.0, 45.0), "t60": (-5.0, -65.0, 75.0)
}  # fmt: skip
"""Fit from, to (dB), and the range between peak and noise that ISO 3382-1 asks for."""
RECORD_RESERVE_DB = 5.0
LEAST_BT = 4.0
MOST_UNSURE = 0.04
"""With this at k = 2 an error of 5 %, the least that is heard (ISO 3382-1, Table A.1), is one in a hundred."""
SUSPICIOUS_PERCENT = 10.0
SLOPE_OF_ENDS = 1.2
"""A line through all points is this much less sure than one through both ends would be."""


@dataclass(frozen=True)
class DecayTime:
    """One decay time: seconds and its expanded uncertainty (k = 2), or why there is none.

    fitted : (int, int)
        First and last point of the curve that the line goes through.
    too_fast : bool
        It is missing because it is shorter than can be told.
    """

    seconds: float | None
    uncertainty_s: float | None = None
    why_not: str = ""
    too_fast: bool = False
    fitted: tuple[int, int] = (0, 0)


@dataclass(frozen=True)
class Figure:
    """One measured number in the unit of its name, with its expanded uncertainty (k = 2), or why there is none."""

    value: float | None
    uncertainty: float | None = None
    why_not: str = ""


@dataclass(frozen=True)
class DecayCurve:
    """What is left of the energy, from ``lead`` blocks before the click to where it is trusted.

    time_s, level_db, sigma_db : ndarray, shape (points,)
        Level re the whole energy, and its standard deviation from noise.
    range_db : float
        Peak over noise, or over what is left at the end of the record where noise is not ``reached``.
    bandwidth_hz : float or None
        Of the filter; None where nothing was filtered.
    """

    time_s: NDArray[Any]
    level_db: NDArray[Any]
    sigma_db: NDArray[Any]
    range_db: float
    reached: bool
    bandwidth_hz: float | None


def decay_times(curve: DecayCurve) -> dict[str, DecayTime]:
    """EDT, T20, T30 and T60 of one band."""
    times = {name: _fit(curve, *limits) for name, limits in FITS.items()}
    if times["t20"].too_fast:
        # What falls as fast as its filter rings has no EDT of its own either, nor anything below.
        return dict.fromkeys(times, times["t20"])
    return times


def _fit(curve: DecayCurve, low: float, high: float, needed: float) -> DecayTime:
    time_s, level_db = curve.time_s, curve.level_db
    if not curve.reached:
        needed = -high + RECORD_RESERVE_DB
    if curve.range_db < needed:
        limit = "above the noise" if curve.reached else "down when the record ends"
        return DecayTime(None, why_not=f"{curve.range_db:.0f} dB {limit}, needs {needed:.0f}")
    end = int(np.argmax(level_db <= high))
    if level_db[end] > high:
        return DecayTime(None, why_not=f"the decay curve ends above {high:g} dB")
    begin = level_db.size - 1 - int(np.argmax(level_db[::-1] >= min(low, -0.05)))
    if end - begin < 3:
        why = f"falls to {high:g} dB within {1e3 * (time_s[end] - time_s[begin]):.1f} ms"
        return DecayTime(None, why_not=why, too_fast=True)
    seconds = -60 / straight_line(time_s[begin : end + 1], level_db[begin : end + 1])[0]
    if curve.bandwidth_hz is not None and curve.bandwidth_hz * seconds < LEAST_BT:
        why = f"bandwidth × time is {curve.bandwidth_hz * seconds:.1f}, needs {LEAST_BT:g}"
        return DecayTime(None, why_not=why, too_fast=True)
    relative = SLOPE_OF_ENDS * np.hypot(curve.sigma_db[begin], curve.sigma_db[end]) / (low - high)
    if 2 * relative > MOST_UNSURE:
        return DecayTime(None, why_not=f"noise leaves it unsure by {200 * relative:.1f} %, at most 4 is told")
    return DecayTime(seconds, float(2 * seconds * relative), fitted=(begin, end))


def curvature_percent(times: dict[str, DecayTime]) -> Figure:
    """100 (T30/T20 − 1), ISO 3382-2:2008, B.3: above 10 % the decay is far from a straight line.

    Its uncertainty takes the errors of both times for independent, which is more than they are.
    """
    t20, t30 = times["t20"], times["t30"]
    if t20.seconds is None or t30.seconds is None:
        return Figure(None, why_not=t30.why_not or t20.why_not)
    ratio = t30.seconds / t20.seconds
    relative = np.hypot((t20.uncertainty_s or 0.0) / t20.seconds, (t30.uncertainty_s or 0.0) / t30.seconds)
    return Figure(100 * (ratio - 1), float(100 * ratio * relative))


def remark_on(curvature: Figure) -> str:
    """What is to be said of a curvature of more than 10 %, or nothing."""
    if curvature.value is None or abs(curvature.value) <= SUSPICIOUS_PERCENT:
        return ""
    if curvature.value > 0:
        return f"T30 is {curvature.value:.0f} % longer than T20: far from a straight line (ISO 3382-2, B.3)"
    return f"T30 is {-curvature.value:.0f} % shorter than T20: it falls faster later, unlike a decay"
