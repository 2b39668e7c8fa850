"""Does the energy decay as it should?

Aim. EDT, T20, T30, level and the whole decay curve of every octave band that matters, and of all of them together.

Method. ``measure.decay`` (ISO 3382-1, Lundeby, Chu) on golden and candidate alike. The two decay curves are brought to
one level and compared point by point down to 60 dB, or to 10 dB above the golden's end. A candidate may lie off the
golden's curve by ``curve_db``, and further down by what an EDT at its limit would leave of the first 10 dB and a T30 at
its limit of the rest. A shift in time is not held against it: with echoes a curve falls in steps, and when they come is
for echo timing and group delay to say. So 0.5 ms, 0.3 % and as many percent as the passes of a band lag are allowed.

Conventions. Decay times in seconds, their tolerances in percent of the golden's or in s; positive when the build rings
longer. Levels in dB, positive when the build is louder; the responses are per unit click, so level is gain. Where a
gain is allowed, the mean difference of all judged bands is taken for it, and levels count from there.

Limits of validity. A band more than 20 dB below the loudest one is not judged: what is left there is leakage of its
neighbours. A decay time the golden's own range does not allow is not judged; one that only the candidate lacks is
unsure. Of a decay curve that is judged which the golden itself knows to half of the tolerance, and its first 10 dB.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.judging import judge_course, judge_deviation
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from reverdict.measure.decay import BandDecay, DecayMeasurement
    from reverdict.measure.measurement import Comparison, Measurement, PathComparison, PathMeasurement
    from reverdict.reference import EnergyDecay, Tolerance

QUIET_DB = 20.0
CURVE_DB = -60.0
ALWAYS_DB = -10.0
CURVE_POINTS = 200
CLEAR_DB = 10.0
EDT_DB = 10.0
SHIFT_S = 0.5e-3
SHIFT_SHARE = 0.003
KNOWN_TO = 0.5
"""Of the tolerance: what the golden does not know better of itself is not asked of a candidate."""


def judge(measured: Measurement, beside: Comparison, settings: EnergyDecay) -> list[Finding]:
    """Findings "EDT", "T20", "T30", "level" and "decay curve" per path and octave band, "gain" where it is allowed."""
    pairs = [
        (golden, candidate, band, other)
        for golden, candidate in zip(measured.paths, beside.paths, strict=True)
        for band, other in _judged_pairs(golden.decay, candidate.decay)
    ]
    findings: list[Finding] = []
    gain_db = 0.0
    if settings.gain_db is not None:
        gain_db, finding = _gain([(band, other) for _, _, band, other in pairs], settings.gain_db)
        findings.append(finding)
    for golden, candidate, band, other in pairs:
        where = ", ".join(part for part in (golden.path, f"{band.centre_hz:g} Hz") if part)
        findings += _times(band, other, where, settings)
        findings.append(_level(band, other, where, settings, gain_db))
        findings += _curve(band, other, where, settings, _lag_share(golden, candidate, band.centre_hz))
    for golden, candidate in zip(measured.paths, beside.paths, strict=True):
        where = ", ".join(part for part in (golden.path, "all bands") if part)
        findings += _curve(
            golden.decay.whole, candidate.decay.whole, where, settings, _lag_share(golden, candidate, None)
        )
    return findings


def _judged_pairs(golden: DecayMeasurement, candidate: DecayMeasurement) -> list[tuple[BandDecay, BandDecay]]:
    judged = judged_bands(golden)
    return [
        (band, other)
        for band, other in zip(golden.bands, candidate.bands, strict=True)
        if any(band is one for one in judged)
    ]


def judged_bands(decay: DecayMeasurement) -> list[BandDecay]:
    """The bands of a golden that are loud enough to be judged."""
    heard = [(band, band.level_db) for band in decay.bands if band.level_db is not None]
    loudest = max((level for _, level in heard), default=0.0)
    return [band for band, level in heard if level >= loudest - QUIET_DB]


def _times(band: BandDecay, other: BandDecay, where: str, settings: EnergyDecay) -> Iterator[Finding]:
    asked: dict[str, tuple[Tolerance, Tolerance | None]] = {
        "edt": (settings.edt_percent, settings.edt_s),
        "t20": (settings.t20_percent, settings.t20_s),
        "t30": (settings.t30_percent, settings.t30_s),
    }
    for name, (percent, seconds) in asked.items():
        golden, candidate = band.times[name], other.times[name]
        if golden.seconds is None or golden.uncertainty_s is None:
            continue
        hz = band.centre_hz or 1000.0
        limits = percent.at(hz).times(golden.seconds / 100).or_wider(seconds.at(hz) if seconds else None)
        if candidate.seconds is None or candidate.uncertainty_s is None:
            yield judge_deviation(
                name.upper(), where, "s", golden.seconds, None, None, None, limits.above,
                tolerance_below=limits.below, reason=candidate.why_not,
            )  # fmt: skip
            continue
        deviation_s = candidate.seconds - golden.seconds
        uncertainty_s = math.hypot(golden.uncertainty_s, candidate.uncertainty_s)
        yield judge_deviation(
            name.upper(), where, "s", golden.seconds, candidate.seconds, deviation_s, uncertainty_s, limits.above,
            tolerance_below=limits.below,
        )  # fmt: skip


def _gain(bands: list[tuple[BandDecay, BandDecay]], allowed: Tolerance) -> tuple[float, Finding]:
    """The mean level difference of all bands in dB, and what is to be said of it."""
    limits = allowed.at()
    differences = [
        other.level_db - band.level_db
        for band, other in bands
        if other.level_db is not None and band.level_db is not None
    ]
    if not differences:
        return 0.0, judge_deviation(
            "gain", "", "dB", 0.0, None, None, None, limits.above, tolerance_below=limits.below,
            reason="no band sounds in both", unmeasured=Outcome.FAIL,
        )  # fmt: skip
    gain_db = float(np.mean(differences))
    uncertainty_db = max(_level_uncertainty_db(band, other) for band, other in bands)
    return gain_db, judge_deviation(
        "gain", "", "dB", 0.0, gain_db, gain_db, uncertainty_db, limits.above, tolerance_below=limits.below
    )


def _level(band: BandDecay, other: BandDecay, where: str, settings: EnergyDecay, gain_db: float) -> Finding:
    limits = settings.level_db.at(band.centre_hz or 1000.0)
    if other.level_db is None or band.level_db is None:
        return judge_deviation(
            "level", where, "dB", band.level_db, None, None, None, limits.above, tolerance_below=limits.below,
            reason="the candidate is silent in this band", unmeasured=Outcome.FAIL,
        )  # fmt: skip
    deviation_db = other.level_db - band.level_db - gain_db
    return judge_deviation(
        "level", where, "dB", band.level_db, band.level_db + deviation_db, deviation_db,
        _level_uncertainty_db(band, other), limits.above, tolerance_below=limits.below,
    )  # fmt: skip


def _level_uncertainty_db(band: BandDecay, other: BandDecay) -> float:
    """Of a difference of levels: each is that of its decay curve where it begins."""
    return math.hypot(*(2 * float(one.curve_sigma_db[0]) for one in (band, other) if one.curve_sigma_db.size))


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


def _curve(band: BandDecay, other: BandDecay, where: str, settings: EnergyDecay, lag_share: float) -> Iterator[Finding]:
    """The point at which the decay curve departs most from the golden's; nothing where the golden has none."""
    if band.curve_s.size == 0 or other.curve_s.size == 0:
        return
    lowest_db = max(CURVE_DB, float(band.curve_db[-1]) + CLEAR_DB)
    begin, end = int(np.searchsorted(band.curve_s, 0.0)), int(np.count_nonzero(band.curve_db > lowest_db))
    if end < begin + 2:
        return
    at = np.unique(np.linspace(begin, end - 1, min(CURVE_POINTS, end - begin)).astype(int))
    time_s, golden_db = band.curve_s[at], band.curve_db[at]
    candidate_db = np.interp(time_s, other.curve_s, other.curve_db)
    shift_s = SHIFT_S + (SHIFT_SHARE + lag_share) * time_s
    upper_db = np.interp(time_s - shift_s, band.curve_s, band.curve_db)
    lower_db = np.interp(time_s + shift_s, band.curve_s, band.curve_db)
    deviation_db = np.maximum(candidate_db - upper_db, 0.0) + np.minimum(candidate_db - lower_db, 0.0)
    own_db = 2 * band.curve_sigma_db[at]
    uncertainty_db = np.hypot(own_db, 2 * np.interp(time_s, other.curve_s, other.curve_sigma_db))
    limits_db = curve_limits(settings, band.centre_hz or 1000.0, -golden_db)
    points, needed = [], []
    for index, (below, above) in enumerate(zip(*limits_db, strict=True)):
        heard = time_s[index] <= other.curve_s[-1]
        points.append(
            judge_deviation(
                "decay curve", f"{where}, at {time_s[index]:.2f} s", "dB", float(golden_db[index]),
                float(golden_db[index] + deviation_db[index]) if heard else None,
                float(deviation_db[index]) if heard else None, float(uncertainty_db[index]) if heard else None,
                above, tolerance_below=below,
                reason="" if heard else f"the candidate's decay is known up to {other.curve_s[-1]:.2f} s only",
            )
        )  # fmt: skip
        known = math.sqrt(2) * own_db[index] <= KNOWN_TO * min(below, above)
        needed.append(bool(known) or golden_db[index] >= ALWAYS_DB)
    yield judge_course(points, needed)
