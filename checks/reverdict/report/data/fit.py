"""A fit as TOML for people, who read and edit it, and as JSON for programs. Both hold the same keys."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reverdict.fit import Agreement, SpringFit, TankFit, Value

ABOUT = {
    "delay_ms": "the delay line of a trip (one passage end to end)",
    "trip_ms": "all of a trip at 500 Hz: line, allpass sections and filters; known far better than its parts",
    "transition_hz": "f_C: the sections' delay peaks here",
    "stretch": "K of a section (a + z^-K)/(1 + a z^-K), samples at the rate above: rate/(2 f_C)",
    "reflection_gain_db": "of a round trip at 0 Hz",
    "reflection_polarity": "-1: every second pass is turned over",
    "level_db": "of the first pass at 0 Hz; 0 dB = the click",
    "lowpass_hz": "-3 dB corner of the gentle lowpass that every trip goes through (second order)",
    "lowpass_q": "its Q; 0 is a lowpass of first order",
    "steep_lowpass_hz": "pass-band edge of a steep lowpass in every trip (elliptic, order 8, 0.01 dB, 60 dB)",
    "sections": "as fitted; build the rounded number",
    "allpass_coefficient": "a",
}


def as_dict(
    fit: TankFit,
    agreed: Agreement | None,
    rate_hz: float,
    name: str,
    path: str = "",
    warnings: Sequence[str] = (),
) -> dict[str, Any]:
    """All of a fit, JSON-ready. Every number X that is uncertain has X_uncertainty beside it (expanded, k = 2)."""
    if not fit.springs:
        return {
            "fit": {"of": name, "channel": path, "sample_rate_hz": rate_hz, "why_none": fit.why_none},
            "springs": [],
        }
    told: dict[str, Any] = {
        "of": name,
        "channel": path,
        "sample_rate_hz": rate_hz,
        "pass_law": fit.model.pass_law if fit.model else "",
        "low_hz": fit.band_hz[0],
        "high_hz": _rounded(fit.band_hz[1], 0.5),
        **_value("latency_ms", fit.latency, 1e3),
        "residual_db": round(fit.residual_db, 1),
        "noise_db": round(fit.noise_db, 1),
    }
    if agreed:
        told |= _agreed(agreed)
    if fit.notes:
        told["notes"] = list(fit.notes)
    if warnings:
        told["warnings"] = list(warnings)
    crosstalk: dict[str, Any] = {}
    if fit.direct and abs(fit.direct.value) > fit.direct.uncertainty:
        share = fit.direct.uncertainty / abs(fit.direct.value)
        crosstalk |= _pair("level_db", 20 * math.log10(abs(fit.direct.value)), 20 * math.log10(1 + share))
        crosstalk["polarity"] = 1 if fit.direct.value > 0 else -1
    if fit.coupling:
        crosstalk |= _pair("between_springs", fit.coupling.value, fit.coupling.uncertainty)
    highpass = _value("corner_hz", fit.highpass_hz) | _value("q", fit.highpass_q)
    return {
        "fit": told,
        "crosstalk": crosstalk,
        "highpass": highpass,
        "springs": [_spring(one, rate_hz) for one in fit.springs],
    }


def _agreed(agreed: Agreement) -> dict[str, Any]:
    numbers = {
        "again_arrival_ms": _rounded(agreed.arrival_s and 1e3 * agreed.arrival_s, 1e-3),
        "again_gain_db": _rounded(agreed.gain_db, 1e-2),
        "again_group_delay_ms": _rounded(agreed.curve_s and 1e3 * agreed.curve_s, 1e-3),
        "again_t30_percent": _rounded(agreed.t30_percent, 1e-2),
    }
    return {"again_springs": agreed.springs, **{key: value for key, value in numbers.items() if value is not None}}


def _spring(one: SpringFit, rate_hz: float) -> dict[str, Any]:
    told = _value("delay_ms", one.delay_s, 1e3) | {"delay_samples": _rounded(one.delay_s.value * rate_hz, 1e-4)}
    told |= _value("trip_ms", one.trip_s, 1e3) | _value("transition_hz", one.transition_hz)
    told |= _value("stretch", one.stretch) | _value("reflection_gain_db", one.reflection_db)
    told |= {"reflection_polarity": one.reflection_polarity} | _value("level_db", one.level_db)
    told |= {"polarity": one.polarity} | _value("lowpass_hz", one.lowpass_hz) | _value("lowpass_q", one.lowpass_q)
    told |= _value("steep_lowpass_hz", one.steep_hz)
    if one.notes:
        told["notes"] = list(one.notes)
    told["chains"] = [
        _value("sections", group.sections)
        | {"sections_rounded": round(group.sections.value)}
        | _value("allpass_coefficient", group.coefficient)
        for group in one.groups
    ]
    return told


def _value(key: str, value: Value | None, unit: float = 1.0) -> dict[str, Any]:
    return {} if value is None else _pair(key, unit * value.value, unit * value.uncertainty)


def _pair(key: str, value: float, uncertainty: float) -> dict[str, Any]:
    """A number to two digits of its uncertainty, and that to two digits."""
    step = 10.0 ** (math.floor(math.log10(uncertainty)) - 1) if uncertainty > 0 and math.isfinite(uncertainty) else 1e-9
    return {key: _rounded(value, step), f"{key}_uncertainty": _rounded(uncertainty, step)}


def _rounded(value: float | None, step: float) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(f"{round(value / step) * step:.10g}")


def as_json(told: dict[str, Any]) -> str:
    """The text of ``reverdict fit --json``."""
    return json.dumps({"schema": 1, **told}, indent=1, allow_nan=False) + "\n"


def as_toml(told: dict[str, Any]) -> str:
    """The text of ``reverdict fit``: a comment beside each key when it first stands there."""
    import tomlkit

    document = tomlkit.document()
    for line in (
        "The usual spring algorithm, fitted to a response: a starting point for a model.",
        "A trip is a delay line, chains of stretched allpass sections and lowpasses; what comes back is reflected.",
        "X_uncertainty is the expanded uncertainty (k = 2) of X: what noise as strong as what the fit leaves over may",
        "do to it. Where residual_db is far above noise_db the model itself does not hold to better than that.",
    ):
        document.add(tomlkit.comment(line))
    seen: set[str] = set()
    for name in ("fit", "crosstalk", "highpass"):
        if told.get(name):
            document.add(tomlkit.nl())
            document.add(name, _table(told[name], FIT_ABOUT | TANK_ABOUT, seen))
    springs = tomlkit.aot()
    for one in told["springs"]:
        table = _table({key: value for key, value in one.items() if key != "chains"}, ABOUT, seen)
        chains = tomlkit.aot()
        for chain in one["chains"]:
            chains.append(_table(chain, ABOUT, seen))
        table.add("chains", chains)
        springs.append(table)
    document.add("springs", springs)
    return str(tomlkit.dumps(document))


FIT_ABOUT = {
    "pass_law": "trips of the passes heard: 1:3:5 at the far end, 1:2:3 in a loop",
    "high_hz": "top of the band in which the model was held to the response",
    "latency_ms": "by which every pass is late against whole trips: latency, or a click told wrongly",
    "residual_db": "energy that the model leaves over, against all in the band (damped as fitted)",
    "noise_db": "what the noise of the recording alone would leave",
    "again_springs": "springs found in the re-synthesised response; below, what is measured of it less the original:",
    "again_arrival_ms": "the worst arrival",
    "again_gain_db": "the worst gain of a pass",
    "again_group_delay_ms": "rms of the first passes' curves up to 0.8 of their band",
    "again_t30_percent": "decay time of the whole sound",
}
TANK_ABOUT = {
    "level_db": "drive heard at the pickup at t = 0; 0 dB = the click",
    "between_springs": "part of a round trip that goes over to another spring (with the sign of its reflection)",
    "corner_hz": "-3 dB corner of the highpass that all springs share",
}


def _table(pairs: dict[str, Any], about: dict[str, str], seen: set[str]) -> Any:
    import tomlkit

    table = tomlkit.table()
    for key, value in pairs.items():
        if value is None or value == "":
            continue
        table.add(key, value)
        told = about.get(key, "")
        if told and told not in seen:
            table[key].comment(told)
            seen.add(told)
    return table
