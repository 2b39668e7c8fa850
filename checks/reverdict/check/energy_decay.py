"""Does the energy decay as it should?

Aim. EDT, T20, T30 and level of every octave band that matters.

Method. ``measure.decay`` (ISO 3382-1, Lundeby, Chu) on golden and candidate alike.

Conventions. Decay times in seconds, their tolerances in percent of the golden's; positive when the build rings
longer. Levels in dB, positive when the build is louder; the responses are per unit click, so level is gain.

Limits of validity. A band more than 20 dB below the loudest one is not judged: what is left there is leakage of its
neighbours. A decay time the golden's own range does not allow is not judged; one that only the candidate lacks is
unsure.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from reverdict.judging import judge_deviation
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.measure.decay import BandDecay, DecayMeasurement
    from reverdict.measure.measurement import Comparison, Measurement
    from reverdict.reference import EnergyDecay

QUIET_DB = 20.0


def judge(measured: Measurement, beside: Comparison, settings: EnergyDecay) -> list[Finding]:
    """Findings "EDT", "T20", "T30" and "level" per path and octave band."""
    findings: list[Finding] = []
    for golden, candidate in zip(measured.paths, beside.paths, strict=True):
        judged = judged_bands(golden.decay)
        for band, other in zip(golden.decay.bands, candidate.decay.bands, strict=True):
            if not any(band is one for one in judged):
                continue
            where = ", ".join(part for part in (golden.path, f"{band.centre_hz:g} Hz") if part)
            findings += _times(band, other, where, settings)
            findings.append(_level(band, other, where, settings))
    return findings


def judged_bands(decay: DecayMeasurement) -> list[BandDecay]:
    """The bands of a golden that are loud enough to be judged."""
    heard = [(band, band.level_db) for band in decay.bands if band.level_db is not None]
    loudest = max((level for _, level in heard), default=0.0)
    return [band for band, level in heard if level >= loudest - QUIET_DB]


def _times(band: BandDecay, other: BandDecay, where: str, settings: EnergyDecay) -> Iterator[Finding]:
    limits = {"edt": settings.edt_percent, "t20": settings.t20_percent, "t30": settings.t30_percent}
    for name, percent in limits.items():
        golden, candidate = band.times[name], other.times[name]
        if golden.seconds is None or golden.uncertainty_s is None:
            continue
        limit_s = percent / 100 * golden.seconds
        if candidate.seconds is None or candidate.uncertainty_s is None:
            yield judge_deviation(
                name.upper(), where, "s", golden.seconds, None, None, None, limit_s, reason=candidate.why_not
            )
            continue
        deviation_s = candidate.seconds - golden.seconds
        uncertainty_s = math.hypot(golden.uncertainty_s, candidate.uncertainty_s)
        yield judge_deviation(
            name.upper(), where, "s", golden.seconds, candidate.seconds, deviation_s, uncertainty_s, limit_s
        )


def _level(band: BandDecay, other: BandDecay, where: str, settings: EnergyDecay) -> Finding:
    if other.level_db is None or band.level_db is None:
        return judge_deviation(
            "level", where, "dB", band.level_db, None, None, None, settings.level_db,
            reason="the candidate is silent in this band", unmeasured=Outcome.FAIL,
        )  # fmt: skip
    # The level sums the whole decay, so what noise leaves of it is far below any tolerance.
    deviation_db = other.level_db - band.level_db
    return judge_deviation("level", where, "dB", band.level_db, other.level_db, deviation_db, 0.0, settings.level_db)
