"""A measurement of one response for people (tables) and for programs (``measure --json``)."""

from __future__ import annotations

import io
import json
import math
from typing import TYPE_CHECKING, Any, TextIO

from reverdict.measure.decay_times import remark_on
from reverdict.report.margin_ruler import can_draw
from reverdict.report.terminal import in_ascii

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.measure.decay import BandDecay, DecayMeasurement
    from reverdict.measure.echo_density import EchoDensity
    from reverdict.measure.measurement import Measurement, PathMeasurement
    from reverdict.measure.springs import Spring, SpringMeasurement
    from reverdict.measure.two_slopes import TwoSlopes
    from reverdict.words import Response

LATE_PEAK_S = 0.15
TABLE_FREQUENCIES_HZ = (200, 500, 1000, 1500, 2000, 2500, 3000, 3500, 4000, 5000, 6000)


def as_json(response: Response, measurement: Measurement) -> dict[str, Any]:
    """The JSON-ready dict of ``reverdict measure --json``. Numbers are finite or null; ``reasons`` say why null."""
    return {
        "schema": 1,
        "sample_rate_hz": response.rate_hz,
        "click_at_s": response.click_at_s,
        "arrival_hz": measurement.paths[0].springs.arrival_hz,
        "channels": [_channel(path) for path in measurement.paths],
    }


def print_json(response: Response, measurement: Measurement, stream: TextIO) -> None:
    """Write ``as_json``, indented."""
    stream.write(json.dumps(as_json(response, measurement), indent=1, allow_nan=False) + "\n")


def _channel(path: PathMeasurement) -> dict[str, Any]:
    reasons = {"springs": path.springs.why_none} if path.springs.why_none else {}
    return {
        "path": path.path,
        "springs": [_spring(spring) for spring in path.springs.springs],
        "decay": _decay(path.decay),
        "reasons": reasons,
    }


def _spring(spring: Spring) -> dict[str, Any]:
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
            }
            for one in spring.passes
        ],
        "group_delay": {
            "frequency_hz": [float(v) for v in curve.frequency_hz],
            "delay_ms": [_number(1e3 * float(v), 6) for v in curve.delay_s],
            "uncertainty_ms": [_number(1e3 * float(v), 6) for v in curve.uncertainty_s],
        },
        "transition_hz": _number(spring.transition.frequency_hz, 2),
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
        reasons["noise_floor_db"] = "the record ends before the noise is reached"
    return {
        **({"centre_hz": band.centre_hz} if with_centre else {}),
        "noise_floor_db": _number(band.noise_floor_db, 2),
        "range_db": _number(band.range_db, 2),
        "level_db": _number(band.level_db, 3),
        "peak_s": _number(band.peak_s, 4),
        **{f"{name}_s": _number(time.seconds, 6) for name, time in band.times.items()},
        **{f"{name}_uncertainty_s": _number(time.uncertainty_s, 6) for name, time in band.times.items()},
        **{name: _number(one.value, 5) for name, one in band.ratios.items()},
        **{_unsure(name): _number(one.uncertainty, 5) for name, one in band.ratios.items()},
        "remark": remark_on(band.ratios["curvature_percent"]),
        "two_slopes": _two_slopes(band.two_slopes),
        "reasons": reasons,
    }


def _unsure(name: str) -> str:
    """Key of the uncertainty of a figure: "c50_uncertainty_db" of "c50_db"."""
    figure, _, unit = name.partition("_")
    return f"{figure}_uncertainty" + (f"_{unit}" if unit else "")


def _number(value: float | None, places: int) -> float | None:
    return round(value, places) if value is not None and math.isfinite(value) else None


def print_tables(response: Response, measurement: Measurement, name: str, stream: TextIO) -> None:
    """Write what a designer wants to read first: arrivals, dispersion, decay. In ASCII where the stream has no more."""
    said = io.StringIO()
    _print_all(response, measurement, name, said)
    stream.write(said.getvalue() if can_draw(stream) else in_ascii(said.getvalue()))


def _print_all(response: Response, measurement: Measurement, name: str, stream: TextIO) -> None:
    seconds = response.samples.shape[-1] / response.rate_hz
    stream.write(
        f"{name}: {seconds:.2f} s at {response.rate_hz} Hz, {len(measurement.paths)} channel"
        f"{'s' if len(measurement.paths) > 1 else ''}, click at {1e3 * response.click_at_s:.2f} ms\n"
    )
    for path in measurement.paths:
        if path.path:
            stream.write(f"\n{path.path}\n")
        _print_springs(path.springs, stream)
        _print_decay(path.decay, stream)


def _print_springs(measured: SpringMeasurement, stream: TextIO) -> None:
    if not measured.springs:
        stream.write(f"\nNo separate passes: {measured.why_none}.\n")
        return
    count = len(measured.springs)
    stream.write(
        f"\n{count} spring{'s' if count > 1 else ''}. Arrivals at {measured.arrival_hz:g} Hz, from the click:\n"
    )
    stream.write("  spring  pass  trips      arrival         ratio   gain     polarity\n")
    for number, spring in enumerate(measured.springs, start=1):
        for one in spring.passes:
            time_ms, uncertainty_ms = 1e3 * one.time_s, 1e3 * one.uncertainty_s
            ratio, sign = one.time_s / spring.passes[0].time_s, "+" if one.polarity > 0 else "−"
            stream.write(
                f"  {number:>6}  {one.number:>4}  {one.trips:>5}  {time_ms:9.3f} ± {uncertainty_ms:5.3f} ms"
                f"  {ratio:6.3f}  {one.gain_db:+6.1f} dB  {sign}\n"
            )
    stream.write("\nDispersion: how much later than at the arrival frequency the first pass comes\n")
    shown = [hz for hz in TABLE_FREQUENCIES_HZ if any(spring.curve.at(hz) is not None for spring in measured.springs)]
    stream.write("  spring  " + "".join(f"{hz:>7} Hz" for hz in shown) + "   transition\n")
    for number, spring in enumerate(measured.springs, start=1):
        cells = [_later(spring, measured.arrival_hz, hz) for hz in shown]
        transition = spring.transition
        corner = f"{transition.frequency_hz:.0f} Hz" if transition.frequency_hz else f"none ({transition.why_not})"
        stream.write(f"  {number:>6}  " + "".join(cells) + f"   {corner}\n")


def _later(spring: Spring, arrival_hz: float, hz: float) -> str:
    delay, start = spring.curve.at(hz), spring.curve.at(arrival_hz)
    return f"{'–':>10}" if delay is None or start is None else f"{1e3 * (delay - start):+7.2f} ms"


def _print_decay(decay: DecayMeasurement, stream: TextIO) -> None:
    if decay.whole.peak_s is not None and decay.whole.peak_s > LATE_PEAK_S:
        stream.write(
            f"\nEnergy rises for {decay.whole.peak_s:.2f} s before it falls: EDT tells of that rise, not of a decay.\n"
        )
    stream.write("\nDecay\n  band         level      range      EDT       T20       T30       T60     "
                 "   C50       C80     D50      Ts\n")  # fmt: skip
    for band in (decay.whole, *decay.bands):
        stream.write(_row(band) + "\n")
        for line in _remarks(band):
            stream.write(f"{'':15}{line}\n")
    if decay.arrival_s is not None:
        stream.write(
            f"  C50, C80, D50 and Ts count from the arrival, {1e3 * decay.arrival_s:.2f} ms after the click.\n"
        )
    density = decay.echo_density
    if density.mixing_s is not None and density.mixing_uncertainty_s is not None:
        mixed = f"{1e3 * density.mixing_s:.0f} ± {1e3 * density.mixing_uncertainty_s:.0f} ms after the click"
        stream.write(f"  Echo density reaches that of noise {mixed}.\n")
    if any(band.times["t60"].why_not or any(one.why_not for one in band.ratios.values()) for band in decay.bands):
        stream.write("  Why another figure is missing, and how sure each is: --json.\n")


def _row(band: BandDecay) -> str:
    label = "above 50 Hz" if band.centre_hz is None else f"{band.centre_hz:g} Hz"
    level = f"{band.level_db:+6.1f} dB" if band.level_db is not None else "   silent"
    width = f"{band.range_db:5.1f} dB" if band.range_db is not None else "    –   "
    times = "".join(
        f"{time.seconds:8.3f} s" if time.seconds is not None else f"{'–':>10}" for time in band.times.values()
    )
    c50, c80, d50, ts = (band.ratios[name].value for name in ("c50_db", "c80_db", "d50", "ts_ms"))
    ratios = "".join(f"{value:+7.2f} dB" if value is not None else f"{'–':>10}" for value in (c50, c80))
    ratios += f"{d50:8.3f}" if d50 is not None else f"{'–':>8}"
    ratios += f"{ts:6.1f} ms" if ts is not None else f"{'–':>9}"
    return f"  {label:11}  {level}  {width}{times}{ratios}"


def _remarks(band: BandDecay) -> Iterator[str]:
    """Why a decay time is missing (of T60, whose range is rare, JSON tells), and what makes the others doubtful."""
    missing = {name.upper(): time.why_not for name, time in band.times.items() if time.why_not and name != "t60"}
    for why in dict.fromkeys(missing.values()):
        yield f"{', '.join(name for name, one in missing.items() if one == why)}: {why}"
    remark, two = remark_on(band.ratios["curvature_percent"]), band.two_slopes
    if two.early_s is not None:
        early = f"{two.early_s:.2f} ± {two.early_uncertainty_s:.2f} s"
        late = f"{two.late_s:.2f} ± {two.late_uncertainty_s:.2f} s"
        yield f"two slopes: {early}, then {late}, knee at {two.knee_s:.2f} s and {two.knee_db:.0f} dB"
    elif remark:
        yield remark
