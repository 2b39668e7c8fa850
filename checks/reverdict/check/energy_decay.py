"""Does the energy decay as it should?

Aim. EDT, T20, T30, level and the whole decay curve of every octave band that matters, and of all of them together.

Method. ``measure.decay`` (ISO 3382-1, Lundeby, Chu) on golden and candidate alike, held against each other over what
both know (``measure.decay_beside``). The decay curves are brought to one level and compared point by point down to
60 dB, or to 10 dB above the golden's end. A candidate may lie off the golden's curve by ``curve_db``, and further down
by what an EDT at its limit would leave of the first 10 dB and a T30 at its limit of the rest. A shift in time is not
held against it: with echoes a curve falls in steps, and when they come is for echo timing and group delay to say. So
0.5 ms, 0.3 % and as many percent as the passes of a band lag are allowed.

Conventions. Decay times in seconds, their tolerances in percent of the golden's or in s; positive when the build rings
longer. Levels in dB, positive when the build is louder; the responses are per unit click, so level is gain. Where a
gain is allowed, the mean difference of all judged bands is taken for it, and levels count from there.

Limits of validity. A band more than 20 dB below the loudest one is not judged, as what is left there is leakage of its
neighbours; nor is one that stands less than 6 dB out of its noise. A decay time the golden's own range does not allow
is not judged; one that only the candidate lacks is unsure. Of a decay curve that is judged which the golden itself
knows to half of the tolerance.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.judging import judge_deviation, worst_of_course
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from reverdict.measure.decay import BandDecay, DecayMeasurement
    from reverdict.measure.decay_beside import DecayBeside
    from reverdict.measure.measurement import Comparison, Measurement, PathComparison, PathMeasurement
    from reverdict.reference import EnergyDecay, Tolerance

QUIET_DB = 20.0
LEAST_RANGE_DB = 6.0
CURVE_DB = -60.0
CURVE_POINTS = 200
CLEAR_DB = 10.0
EDT_DB = 10.0
SHIFT_S = 0.5e-3
SHIFT_SHARE = 0.003
KNOWN_TO = 0.5
"""Of the tolerance: what the golden does not know better of itself is not asked of a candidate."""


def judge(measured: Measurement, beside: Comparison, settings: EnergyDecay) -> list[Finding]:
    """Findings "EDT", "T20", "T30", "level" and "decay curve" per path and octave band, "gain" where it is allowed."""
    judged = [
        (golden, candidate, band, other)
        for golden, candidate in zip(measured.paths, beside.paths, strict=True)
        for band, other in _judged_pairs(golden.decay, candidate)
    ]
    findings: list[Finding] = []
    gain_db = 0.0
    if settings.gain_db is not None:
        gain_db, finding = _gain([other for _, _, _, other in judged], settings.gain_db)
        findings.append(finding)
    for golden, candidate, band, other in judged:
        where = ", ".join(part for part in (golden.path, f"{band.centre_hz:g} Hz") if part)
        findings += _times(band, other, where, settings)
        findings.append(_level(band, other, where, settings, gain_db))
        findings += _curve(band, other, where, settings, _lag_share(golden, candidate, band.centre_hz))
    for golden, candidate in zip(measured.paths, beside.paths, strict=True):
        where = ", ".join(part for part in (golden.path, "all bands") if part)
        lag_share = _lag_share(golden, candidate, None)
        findings += _curve(golden.decay.whole, candidate.whole_beside, where, settings, lag_share)
    return findings


def _judged_pairs(golden: DecayMeasurement, candidate: PathComparison) -> list[tuple[BandDecay, DecayBeside]]:
    judged = judged_bands(golden)
    return [
        (band, other)
        for band, other in zip(golden.bands, candidate.bands_beside, strict=True)
        if any(band is one for one in judged)
    ]


def judged_bands(decay: DecayMeasurement) -> list[BandDecay]:
    """The bands of a golden that are loud enough to be judged, and stand out of its noise."""
    heard = [
        (band, band.level_db)
        for band in decay.bands
        if band.level_db is not None and (band.range_db or 0.0) >= LEAST_RANGE_DB
    ]
    loudest = max((level for _, level in heard), default=0.0)
    return [band for band, level in heard if level >= loudest - QUIET_DB]


def _hz(band: BandDecay) -> float:
    """Where tolerances that vary with frequency are read; of all bands together at 1 kHz."""
    return band.centre_hz or 1000.0


def _times(band: BandDecay, other: DecayBeside, where: str, settings: EnergyDecay) -> Iterator[Finding]:
    asked: dict[str, tuple[Tolerance, Tolerance | None]] = {
        "edt": (settings.edt_percent, settings.edt_s),
        "t20": (settings.t20_percent, settings.t20_s),
        "t30": (settings.t30_percent, settings.t30_s),
    }
    for name, (percent, seconds) in asked.items():
        golden_s = band.times[name].seconds
        if golden_s is None:
            continue
        candidate = other.times[name]
        hz = _hz(band)
        limits = percent.at(hz).times(golden_s / 100).or_wider(seconds.at(hz) if seconds else None)
        deviation_s = None if candidate.seconds is None else candidate.seconds - golden_s
        yield judge_deviation(
            name.upper(), where, "s", golden_s, candidate.seconds, deviation_s, candidate.uncertainty_s, limits.above,
            tolerance_below=limits.below, reason=candidate.why_not,
        )  # fmt: skip


def _gain(bands: list[DecayBeside], allowed: Tolerance) -> tuple[float, Finding]:
    """The mean level difference of all bands in dB, and what is to be said of it."""
    limits = allowed.at()
    sounding = [(band.level_db, band.level_uncertainty_db) for band in bands if band.level_db is not None]
    if not sounding:
        return 0.0, judge_deviation(
            "gain", "", "dB", 0.0, None, None, None, limits.above, tolerance_below=limits.below,
            reason="no band sounds in both", unmeasured=Outcome.FAIL,
        )  # fmt: skip
    gain_db = float(np.mean([level_db for level_db, _ in sounding]))
    return gain_db, judge_deviation(
        "gain", "", "dB", 0.0, gain_db, gain_db, max(unsure for _, unsure in sounding), limits.above,
        tolerance_below=limits.below,
    )  # fmt: skip


def _level(band: BandDecay, other: DecayBeside, where: str, settings: EnergyDecay, gain_db: float) -> Finding:
    limits = settings.level_db.at(_hz(band))
    if other.level_db is None or band.level_db is None:
        return judge_deviation(
            "level", where, "dB", band.level_db, None, None, None, limits.above, tolerance_below=limits.below,
            reason="the candidate is silent in this band", unmeasured=Outcome.FAIL,
        )  # fmt: skip
    deviation_db = other.level_db - gain_db
    return judge_deviation(
        "level", where, "dB", band.level_db, band.level_db + deviation_db, deviation_db, other.level_uncertainty_db,
        limits.above, tolerance_below=limits.below, reason="" if other.time_s.size else "no decay to be compared",
    )  # fmt: skip


def _lag_share(golden: PathMeasurement, candidate: PathComparison, centre_hz: float | None) -> float:
    """How far passes lag within an octave (or at all), as a share of the time at which the golden's arrive."""
    low, high = (0.0, np.inf) if centre_hz is None else (centre_hz / math.sqrt(2), centre_hz * math.sqrt(2))
    shares = [
        float(np.abs(lag.lag_s[(low <= lag.frequency_hz) & (lag.frequency_hz <= high)]).max(initial=0.0)) / one.time_s
        for spring, lags in zip(golden.springs.springs, candidate.passes, strict=True)
        for one, lag in zip(spring.passes, lags, strict=True)
    ]
    return max(shares, default=0.0)


def curve_limits(
    settings: EnergyDecay, hz: float, depth_db: NDArray[Any]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far a decay curve may lie below and above the golden's, where that is so many dB down; shapes (points,)."""
    start = (settings.curve_db or settings.level_db).at(hz)
    early, late = settings.edt_percent.at(hz).times(0.01), settings.t30_percent.at(hz).times(0.01)
    first_db, rest_db = np.minimum(depth_db, EDT_DB), np.maximum(depth_db - EDT_DB, 0.0)
    return (
        start.below + early.below * first_db + late.below * rest_db,
        start.above + early.above * first_db + late.above * rest_db,
    )


def _curve(
    band: BandDecay, other: DecayBeside, where: str, settings: EnergyDecay, lag_share: float
) -> Iterator[Finding]:
    """The point at which the decay curve departs most from the golden's; nothing where the golden has none."""
    if other.time_s.size == 0:
        return
    lowest_db = max(CURVE_DB, float(other.golden_db[-1]) + CLEAR_DB)
    end = int(np.count_nonzero(other.golden_db > lowest_db))
    if end < 2:
        return
    at = np.unique(np.linspace(0, end - 1, min(CURVE_POINTS, end)).astype(int))
    time_s, golden_db, candidate_db = other.time_s[at], other.golden_db[at], other.candidate_db[at]
    shift_s = SHIFT_S + (SHIFT_SHARE + lag_share) * time_s
    # With its noise taken out a curve may rise a little near its end.
    upper_db = np.maximum(np.interp(time_s - shift_s, other.time_s, other.golden_db), golden_db)
    lower_db = np.minimum(np.interp(time_s + shift_s, other.time_s, other.golden_db), golden_db)
    deviation_db = np.maximum(candidate_db - upper_db, 0.0) + np.minimum(candidate_db - lower_db, 0.0)
    limits_db = curve_limits(settings, _hz(band), -golden_db)
    needed = other.own_db[at] <= KNOWN_TO * np.minimum(*limits_db)
    if needed.any():
        index = worst_of_course(deviation_db, other.uncertainty_db[at], limits_db, needed)
        yield judge_deviation(
            "decay curve", f"{where}, at {time_s[index]:.2f} s", "dB", float(golden_db[index]),
            float(golden_db[index] + deviation_db[index]), float(deviation_db[index]),
            float(other.uncertainty_db[at[index]]), float(limits_db[1][index]),
            tolerance_below=float(limits_db[0][index]),
        )  # fmt: skip
