"""A measurement as ``measure --json`` prints it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from reverdict.measure.decay_times import DecayTime, remark_on
from reverdict.report.data import sweep

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reverdict.measure.colour import Colour
    from reverdict.measure.crosstalk import CrosstalkMeasurement
    from reverdict.measure.decay import BandDecay, DecayMeasurement
    from reverdict.measure.decay_times import Figure
    from reverdict.measure.echo_density import EchoDensity
    from reverdict.measure.flatness import Flatness
    from reverdict.measure.lag_curve import LagMeasurement
    from reverdict.measure.measurement import Measurement, PathMeasurement
    from reverdict.measure.passes import Spring
    from reverdict.measure.swept import Swept
    from reverdict.measure.two_slopes import TwoSlopes
    from reverdict.words import Response

EXACT_SILENCE_DB = 250.0


ENDS_FIRST = "the record ends before the noise is reached"


LAG_POINTS = 1000


def as_json(
    response: Response,
    measurement: Measurement,
    lags: Sequence[LagMeasurement] = (),
    swept: Swept | None = None,
    warnings: Sequence[str] = (),
) -> dict[str, Any]:
    """The JSON-ready dict of ``reverdict measure --json``. Numbers are finite or null; ``reasons`` say why null.

    With a recorded sweep, ``click_at_s`` counts from the first sample of the response that was deconvolved.

    lags : per channel its lag beside a golden, where one was given; then each channel has a ``lag``.
    """
    channels = [
        _channel(path) | ({"lag": _lag(lags[index])} if lags else {}) for index, path in enumerate(measurement.paths)
    ]
    told = {
        "schema": 1,
        "sample_rate_hz": response.rate_hz,
        "click_at_s": response.click_at_s,
        "arrival_hz": measurement.paths[0].springs.arrival_hz,
        "channels": channels,
        "crosstalk": _crosstalk(measurement.crosstalk),
        "warnings": list(warnings),
    }
    if swept is not None:
        told["sweep"] = sweep.as_json(swept)
        for channel, distortion in zip(channels, swept.deconvolved.distortion, strict=True):
            channel["harmonic_distortion"] = sweep.distortion_json(distortion)
    return told


def _lag(lag: LagMeasurement) -> dict[str, Any]:
    return lag.table(LAG_POINTS) | {"bands": [band.table(LAG_POINTS) for band in lag.bands]}


def _channel(path: PathMeasurement) -> dict[str, Any]:
    why_none = path.springs.why_none
    reasons = dict.fromkeys(("springs", "latency_ms"), why_none) if why_none else {}
    if path.at_click.why_not:
        reasons["at_click_db"] = path.at_click.why_not
    springs = zip(path.springs.springs, path.flatness, strict=True)
    return {
        "path": path.path,
        "springs": [_spring(spring, flatness) for spring, flatness in springs],
        "latency_ms": _in_ms(path.springs.latency_s),
        "latency_uncertainty_ms": _in_ms(path.springs.latency_uncertainty_s),
        "at_click_db": _number(path.at_click.level_db, 3),
        "at_click_uncertainty_db": _number(path.at_click.uncertainty_db, 3),
        "colour": _colour(path.colour),
        "decay": _decay(path.decay),
        "reasons": reasons,
    }


def _crosstalk(found: CrosstalkMeasurement) -> dict[str, Any]:
    leaks = [
        {
            "of_path": leak.of_path,
            "spring": leak.spring,
            "in_path": leak.in_path,
            "level_db": _number(leak.level.level_db, 3),
            "level_uncertainty_db": _number(leak.level.uncertainty_db, 3),
            "reasons": {"level_db": leak.level.why_not} if leak.level.why_not else {},
        }
        for leak in found.leaks
    ]
    return {"leaks": leaks, "reasons": {"leaks": found.why_none} if found.why_none else {}}


def _colour(found: Colour) -> dict[str, Any]:
    figures = {
        "spacing_hz": _number(found.spacing_hz, 4),
        "spacing_uncertainty_hz": _number(found.spacing_uncertainty_hz, 4),
        "prominence_db": _number(found.prominence_db, 3),
        "prominence_uncertainty_db": _number(found.prominence_uncertainty_db, 3),
        "from_hz": _number(found.from_hz, 1),
        "to_hz": _number(found.to_hz, 1),
    }
    return {**figures, "reasons": {key: found.why_not for key, value in figures.items() if value is None}}


def _flatness(found: Flatness) -> dict[str, Any]:
    read = found.frequency_hz.size > 0
    figures = {
        "from_hz": float(found.frequency_hz[0]) if read else None,
        "to_hz": float(found.frequency_hz[-1]) if read else None,
        "ripple_max_db": _number(found.ripple_max_db, 3),
        "ripple_max_uncertainty_db": _number(found.ripple_max_uncertainty_db, 3),
        "ripple_rms_db": _number(found.ripple_rms_db, 3),
        "ripple_rms_uncertainty_db": _number(found.ripple_rms_uncertainty_db, 3),
        "tilt_db_per_octave": _number(found.tilt_db_per_octave, 3),
        "tilt_uncertainty_db_per_octave": _number(found.tilt_uncertainty_db_per_octave, 3),
        "span_db": _number(found.span_db, 3),
        "span_uncertainty_db": _number(found.span_uncertainty_db, 3),
    }
    return {**figures, "reasons": {key: found.why_not for key, value in figures.items() if value is None}}


def _spring(spring: Spring, flatness: Sequence[Flatness]) -> dict[str, Any]:
    curve = spring.curve
    return {
        "pass_law": spring.pass_law,
        "arrivals": [
            {
                "pass": one.number,
                "trips": one.trips,
                "time_ms": _number(1e3 * one.time_s, 6),
                "uncertainty_ms": _number(1e3 * one.uncertainty_s, 6),
                "gain_db": _number(one.gain_db, 3),
                "polarity": one.polarity,
                "flatness": _flatness(flat),
            }
            for one, flat in zip(spring.passes, flatness, strict=True)
        ],
        "group_delay": {
            "frequency_hz": [float(v) for v in curve.frequency_hz],
            "delay_ms": [_number(1e3 * float(v), 6) for v in curve.delay_s],
            "uncertainty_ms": [_number(1e3 * float(v), 6) for v in curve.uncertainty_s],
        },
        "transition_hz": _number(spring.transition.frequency_hz, 2),
        "transition_uncertainty_hz": _number(spring.transition.uncertainty_hz, 2),
        "reasons": {"transition_hz": spring.transition.why_not} if spring.transition.why_not else {},
    }


def _decay(decay: DecayMeasurement) -> dict[str, Any]:
    whole = _band(decay.whole, with_centre=False)
    if decay.arrival_s is None:
        whole["reasons"]["arrival_ms"] = "silent"
    return {
        "arrival_ms": None if decay.arrival_s is None else _number(1e3 * decay.arrival_s, 4),
        **whole,
        "echo_density": _echo_density(decay.echo_density),
        "band_fraction": decay.fraction,
        "bands": [_band(band) for band in decay.bands],
    }


def _echo_density(found: EchoDensity) -> dict[str, Any]:
    return {
        "time_ms": [round(1e3 * float(v), 3) for v in found.time_s],
        "density": [round(float(v), 4) for v in found.density],
        "uncertainty": _number(found.uncertainty, 4),
        "mixing_ms": None if found.mixing_s is None else _number(1e3 * found.mixing_s, 3),
        "mixing_uncertainty_ms": None
        if found.mixing_uncertainty_s is None
        else _number(1e3 * found.mixing_uncertainty_s, 3),
        "reasons": dict.fromkeys(("mixing_ms", *(() if found.uncertainty else ("uncertainty",))), found.why_not)
        if found.why_not
        else {},
    }


def _two_slopes(found: TwoSlopes) -> dict[str, Any]:
    names = ("early", "late", "knee")
    figures = {f"{name}{part}_s": _number(getattr(found, f"{name}{part}_s"), 6)
               for name in names for part in ("", "_uncertainty")}  # fmt: skip
    levels = {"knee_db": _number(found.knee_db, 2), "knee_uncertainty_db": _number(found.knee_uncertainty_db, 2)}
    why = dict.fromkeys(("early_s", "late_s", "knee_s", "knee_db"), found.why_not) if found.why_not else {}
    return {**figures, **levels, "reasons": why}


def _band(band: BandDecay, *, with_centre: bool = True) -> dict[str, Any]:
    reasons = {f"{name}_s": time.why_not for name, time in band.times.items() if time.why_not}
    reasons |= {name: one.why_not for name, one in band.ratios.items() if one.why_not}
    if band.level_db is None:
        reasons |= dict.fromkeys(("noise_floor_db", "range_db", "level_db", "peak_s"), "silent in this band")
    elif band.noise_floor_db is None:
        reasons["noise_floor_db"] = ENDS_FIRST
        if noise_unknown(band):
            told = {f"{name}_s" for name in band.times} | band.ratios.keys()
            reasons |= {_unsure(name): ENDS_FIRST for name in told - reasons.keys()}
    return {
        **({"centre_hz": band.centre_hz} if with_centre else {}),
        "noise_floor_db": _number(band.noise_floor_db, 2),
        "range_db": _number(band.range_db, 2),
        "level_db": _number(band.level_db, 3),
        "peak_s": _number(band.peak_s, 4),
        **{f"{name}_s": _number(time.seconds, 6) for name, time in band.times.items()},
        **{f"{name}_uncertainty_s": _number(uncertainty(band, time), 6) for name, time in band.times.items()},
        **{name: _number(one.value, 5) for name, one in band.ratios.items()},
        **{_unsure(name): _number(uncertainty(band, one), 5) for name, one in band.ratios.items()},
        "remark": remark_on(band.ratios["curvature_percent"]),
        "two_slopes": _two_slopes(band.two_slopes),
        "reasons": reasons,
    }


def noise_unknown(band: BandDecay) -> bool:
    """Whether the record ends before its noise, and does not end in exact silence, which has none."""
    return band.noise_floor_db is None and (band.range_db or 0.0) < EXACT_SILENCE_DB


def uncertainty(band: BandDecay, figure: DecayTime | Figure) -> float | None:
    """That of a figure, which is from noise alone: None where nobody knows how much noise there is."""
    if noise_unknown(band):
        return None
    return figure.uncertainty_s if isinstance(figure, DecayTime) else figure.uncertainty


def _unsure(name: str) -> str:
    """Key of the uncertainty of a figure: "c50_uncertainty_db" of "c50_db"."""
    figure, _, unit = name.partition("_")
    return f"{figure}_uncertainty" + (f"_{unit}" if unit else "")


def _in_ms(seconds: float | None) -> float | None:
    return None if seconds is None else _number(1e3 * seconds, 6)


def _number(value: float | None, places: int) -> float | None:
    return round(value, places) if value is not None and math.isfinite(value) else None
