"""Curves of a trial as JSON-ready lists, in the shapes that ``report.data.verdict`` names. Nothing is judged here."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.check.energy_decay import curve_limits
from reverdict.check.group_delay import judged_frequencies
from reverdict.grids import impulse, time_frequency
from reverdict.reference import Limits

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.golden_set import GoldenReference
    from reverdict.measure.lag_curve import LagMeasurement
    from reverdict.measure.measurement import Comparison, Measurement, PathComparison, PathMeasurement
    from reverdict.words import Response

ECHOGRAM_STEP_S = 0.0005
ECHOGRAM_TRIPS = 8
LONGEST_ECHOGRAM_S = 0.4
DENSE_ECHOGRAM_S = 0.25
FLOOR_DB = -80.0
DECAY_POINTS = 120
BEYOND_THE_LAST = 1.15
"""An echogram is shown as far as this times the last pass."""
ANY = "any"
LAG_POINTS = 200


def curves_of(
    golden: GoldenReference,
    heard: Response,
    measured: Measurement,
    candidate: Response,
    beside: Comparison,
    lags: Sequence[LagMeasurement],
) -> dict[str, Any]:
    """Echograms, impulses, time-frequency grids, group-delay, decay and lag curves of every path, golden and candidate.

    heard : the golden's response at the rate at which the candidate is held against it.
    """
    keys = ("echogram", "impulse", "time_frequency", "group_delay", "decay", "lag")
    curves: dict[str, list[Any]] = {key: [] for key in keys}
    rate_hz, count = heard.rate_hz, len(measured.paths)
    rows = zip(measured.paths, beside.paths, heard.samples, candidate.samples, strict=True)
    for own, other, golden_row, candidate_row in rows:
        echogram = _echogram(golden, own, other, rate_hz, golden_row, candidate_row)
        shown_s = _shown_s(echogram)
        curves["echogram"].append(echogram)
        drawn = impulse(golden_row, candidate_row, rate_hz, shown_s, count)
        curves["impulse"].append({"path": own.path} | drawn)
        grids = time_frequency(golden_row, candidate_row, rate_hz, shown_s, own.springs.springs, count)
        curves["time_frequency"].append({"path": own.path} | grids)
        curves["group_delay"] += _group_delays(golden, own, other)
        curves["decay"] += _decays(golden, own, other)
    curves["lag"] = [lag.table(LAG_POINTS) | {"path": own.path} for own, lag in zip(measured.paths, lags, strict=True)]
    return curves


def _shown_s(echogram: dict[str, Any]) -> float:
    """As far as a page shows of an echogram: a little beyond the last pass, else all of it."""
    passes = echogram["passes"]
    arrivals = [one[who] or 0.0 for one in passes for who in ("golden_ms", "candidate_ms")]
    end_ms = len(echogram["time_ms"]) * 1e3 * ECHOGRAM_STEP_S
    shown_ms = min(BEYOND_THE_LAST * max(arrivals, default=math.inf), end_ms)
    return shown_ms / 1e3 if shown_ms > 0 else ECHOGRAM_STEP_S


def _echogram(
    golden: GoldenReference, own: PathMeasurement, other: PathComparison, rate_hz: int, golden_row: NDArray[Any],
    candidate_row: NDArray[Any],
) -> dict[str, Any]:  # fmt: skip
    settings = golden.reference.echo_timing
    slowest_s = max((spring.passes[0].time_s for spring in own.springs.springs), default=0.0)
    seconds = min(ECHOGRAM_TRIPS * slowest_s, LONGEST_ECHOGRAM_S) or DENSE_ECHOGRAM_S
    peak = float(np.abs(golden_row).max()) or 1.0
    passes = []
    for number, (spring, lags) in enumerate(zip(own.springs.springs, other.passes, strict=True), start=1):
        for one, lag in list(zip(spring.passes, lags, strict=True))[: settings.passes]:
            found = lag.at(own.springs.arrival_hz)
            passes.append(
                {
                    "label": f"{number}.{one.number}",
                    "golden_ms": round(1e3 * one.time_s, 4),
                    "candidate_ms": None if found is None else round(1e3 * (one.time_s + found[0]), 4),
                }
            )
    golden_db = _peaks_db(golden_row, rate_hz, seconds, peak)
    return {
        "path": own.path,
        "time_ms": [round(1e3 * ECHOGRAM_STEP_S * (i + 0.5), 3) for i in range(len(golden_db))],
        "golden_db": golden_db,
        "candidate_db": _peaks_db(candidate_row, rate_hz, seconds, peak)[: len(golden_db)],
        **{key: limit for key, (limit,) in _limits("ms", [settings.arrival_ms.at(settings.arrival_hz)]).items()},
        "passes": passes,
    }


def _peaks_db(row: NDArray[Any], rate_hz: int, seconds: float, peak: float) -> list[float]:
    """Peak level of each half millisecond in dB below the golden's peak."""
    count = int(min(seconds, row.size / rate_hz) / ECHOGRAM_STEP_S)
    edges = np.round(np.arange(count) * ECHOGRAM_STEP_S * rate_hz).astype(int)
    if count == 0:
        return []
    peaks = np.maximum.reduceat(np.abs(row[: round(count * ECHOGRAM_STEP_S * rate_hz)]), edges)
    return [round(float(v), 2) for v in np.maximum(20 * np.log10(np.maximum(peaks, 1e-30) / peak), FLOOR_DB)]


def _group_delays(golden: GoldenReference, own: PathMeasurement, other: PathComparison) -> list[dict[str, Any]]:
    curves = []
    for number, (spring, lags) in enumerate(zip(own.springs.springs, other.passes, strict=True), start=1):
        judged = judged_frequencies(spring)
        if not judged:
            continue
        start = lags[0].at(own.springs.arrival_hz)
        inside = [float(hz) for hz in spring.curve.frequency_hz if judged[0] <= hz <= judged[-1]][::2]
        found = [lags[0].at(hz) for hz in inside]
        golden_ms = [1e3 * (spring.curve.at(hz) or 0.0) for hz in inside]
        curves.append(
            {
                "path": own.path,
                "spring": number,
                "frequency_hz": inside,
                "golden_ms": [round(ms, 5) for ms in golden_ms],
                # After the arrival, as it is judged: a pass late as a whole is shown by the echogram.
                "candidate_ms": [
                    None if lag is None or start is None else round(ms + 1e3 * (lag[0] - start[0]), 5)
                    for ms, lag in zip(golden_ms, found, strict=True)
                ],
                **_limits("ms", [golden.reference.group_delay.delay_ms.at(hz) for hz in inside]),
            }
        )
    return curves


def _decays(golden: GoldenReference, own: PathMeasurement, other: PathComparison) -> list[dict[str, Any]]:
    """Decay curves brought to one level, as they are judged."""
    settings = golden.reference.energy_decay
    bands, beside = (own.decay.whole, *own.decay.bands), (other.whole_beside, *other.bands_beside)
    curves = []
    for band, pair in zip(bands, beside, strict=True):
        if pair.time_s.size == 0:
            continue
        end_s = float(pair.time_s[np.flatnonzero(pair.golden_db > FLOOR_DB)[-1]])
        time_s = np.linspace(0.0, end_s, DECAY_POINTS)
        golden_db = np.interp(time_s, pair.time_s, pair.golden_db)
        candidate_db = np.interp(time_s, pair.time_s, pair.candidate_db)
        limits = zip(*curve_limits(settings, band.centre_hz or 1000.0, -golden_db), strict=True)
        curves.append(
            {
                "path": own.path,
                "band_hz": band.centre_hz,
                "time_s": [round(float(v), 4) for v in time_s],
                "golden_db": [round(float(v), 3) for v in golden_db],
                "candidate_db": [round(float(v), 3) if v > 2 * FLOOR_DB else None for v in candidate_db],
                **_limits("db", [Limits(below, above) for below, above in limits]),
            }
        )
    return curves


def _limits(unit: str, limits: Sequence[Limits]) -> dict[str, Any]:
    """Tolerances as pictures want them: above golden and, where they differ, below; "any" where there is none."""
    above, below = ([_drawn(limit[side]) for limit in limits] for side in (1, 0))
    return {f"tolerance_{unit}": above} | ({} if below == above else {f"tolerance_below_{unit}": below})


def _drawn(limit: float) -> float | str:
    return ANY if np.isinf(limit) else round(float(limit), 5)
