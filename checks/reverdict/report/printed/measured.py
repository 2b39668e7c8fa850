"""A measurement of one response, in tables."""

from __future__ import annotations

import io
import json
import textwrap
from typing import TYPE_CHECKING, TextIO

from reverdict.phrases import true_minus
from reverdict.report.data.measured import ENDS_FIRST, EXACT_SILENCE_DB, as_json, noise_unknown, uncertainty
from reverdict.report.margin_ruler import can_draw
from reverdict.report.printed import sweep
from reverdict.report.printed.verdict import in_ascii
from reverdict.report.wording.lag import about_lag, time_in_words
from reverdict.report.wording.measured import colour_in_words, latency_in_words, with_uncertainty

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from reverdict.measure.colour import Colour
    from reverdict.measure.crosstalk import CrosstalkMeasurement
    from reverdict.measure.decay import BandDecay, DecayMeasurement
    from reverdict.measure.lag_curve import LagCurve, LagMeasurement
    from reverdict.measure.measurement import Measurement, PathMeasurement
    from reverdict.measure.passes import Spring, SpringMeasurement
    from reverdict.measure.swept import Swept
    from reverdict.words import Response

LATE_PEAK_S = 0.15
RATIOS: dict[str, tuple[int, str, str]] = {
    "c50_db": (2, " dB", "+"),
    "c80_db": (2, " dB", "+"),
    "d50": (3, "", ""),
    "ts_ms": (1, " ms", ""),
}
"""The figures of early and late energy in the table: decimal places, unit, sign."""
SHORT_S = 0.1
STEADY_DB = 15.0
NEEDS = ", needs "
FAR_FROM_STRAIGHT_PERCENT = 10.0
"""By which T30 and T20 may differ before a decay is called far from a straight line: ISO 3382-2:2008, B.3 (memory)."""
TABLE_FREQUENCIES_HZ = (200, 500, 1000, 1500, 2000, 2500, 3000, 3500, 4000, 5000, 6000)


def print_json(
    response: Response,
    measurement: Measurement,
    stream: TextIO,
    lags: Sequence[LagMeasurement] = (),
    swept: Swept | None = None,
    warnings: Sequence[str] = (),
) -> None:
    """Write ``as_json``, indented."""
    stream.write(json.dumps(as_json(response, measurement, lags, swept, warnings), indent=1, allow_nan=False) + "\n")


def print_tables(
    response: Response,
    measurement: Measurement,
    name: str,
    stream: TextIO,
    lags: Sequence[LagMeasurement] = (),
    swept: Swept | None = None,
    warnings: Sequence[str] = (),
) -> None:
    """Write what a designer wants to read first: arrivals, dispersion, decay. In ASCII where the stream has no more."""
    said = io.StringIO()
    _print_all(response, measurement, name, said, lags, swept, warnings)
    head, line_end, rest = said.getvalue().partition("\n")
    text = head + line_end + true_minus(rest)
    stream.write(text if can_draw(stream) else in_ascii(text))


def _print_all(
    response: Response,
    measurement: Measurement,
    name: str,
    stream: TextIO,
    lags: Sequence[LagMeasurement],
    swept: Swept | None,
    warnings: Sequence[str],
) -> None:
    seconds = response.samples.shape[-1] / response.rate_hz
    how = "deconvolved to " if swept is not None else ""
    stream.write(
        f"{name}: {how}{seconds:.2f} s at {response.rate_hz} Hz, {len(measurement.paths)} channel"
        f"{'s' if len(measurement.paths) > 1 else ''}, click at {1e3 * response.click_at_s:.2f} ms\n"
    )
    if swept is not None:
        sweep.print_head(swept, stream)
    for warning in warnings:
        stream.write(f"Beware: {warning}\n")
    for index, path in enumerate(measurement.paths):
        if path.path:
            stream.write(f"\n{path.path}\n")
        if path.decay.whole.level_db is None:
            stream.write("\nSilence.\n")
        else:
            _print_springs(path.springs, stream)
            _print_flatness(path, stream)
            _print_decay(path.decay, stream)
            _print_colour(path.colour, stream)
        if lags:
            _print_lag(lags[index], stream)
        if swept is not None:
            sweep.print_distortion(swept.deconvolved.distortion[index], stream)
    _print_crosstalk(measurement.crosstalk, stream)
    if swept is not None:
        sweep.print_spread(swept.spread, stream)


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
    stream.write(f"  {latency_in_words(measured)}.\n")
    stream.write("\nDispersion: how much later than at the arrival frequency the first pass comes\n")
    shown = [hz for hz in TABLE_FREQUENCIES_HZ if any(spring.curve.at(hz) is not None for spring in measured.springs)]
    stream.write("  spring  " + "".join(f"{hz:>7} Hz" for hz in shown) + "   transition\n")
    for number, spring in enumerate(measured.springs, start=1):
        cells = [_later(spring, measured.arrival_hz, hz) for hz in shown]
        transition = spring.transition
        corner = f"{transition.frequency_hz:.0f}" if transition.frequency_hz else f"none ({transition.why_not})"
        corner += f" ± {transition.uncertainty_hz:.0f}" if transition.uncertainty_hz is not None else ""
        stream.write(f"  {number:>6}  " + "".join(cells) + f"   {corner}{' Hz' if transition.frequency_hz else ''}\n")
    for number, spring in enumerate(measured.springs, start=1):
        if any(spring.curve.at(hz) is None for hz in shown):
            hz = spring.curve.frequency_hz
            stream.write(f"  – spring {number} can be read from {hz[0]:.0f} to {hz[-1]:.0f} Hz{_gaps(spring, shown)}\n")


def _print_flatness(path: PathMeasurement, stream: TextIO) -> None:
    if not path.springs.springs:
        return
    stream.write("\nFlatness of each pass, from 200 Hz to 0.85 of the transition frequency\n")
    stream.write("  spring  pass  ripple at most    ripple rms        tilt per octave    span\n")
    for number, passes in enumerate(path.flatness, start=1):
        for one, flat in enumerate(passes, start=1):
            figures = (
                with_uncertainty(flat.ripple_max_db, flat.ripple_max_uncertainty_db, 2, " dB"),
                with_uncertainty(flat.ripple_rms_db, flat.ripple_rms_uncertainty_db, 2, " dB"),
                with_uncertainty(flat.tilt_db_per_octave, flat.tilt_uncertainty_db_per_octave, 2, " dB", "+"),
                with_uncertainty(flat.span_db, flat.span_uncertainty_db, 1, " dB"),
            )
            told = f"–  {flat.why_not}" if flat.why_not else "  ".join(f"{figure:16}" for figure in figures).rstrip()
            stream.write(f"  {number:>6}  {one:>4}  {told}\n")
    level = path.at_click
    sound = f"{with_uncertainty(level.level_db, level.uncertainty_db, 1, ' dB', '+')} against the first pass"
    stream.write(f"  At the click: {level.why_not or sound}.\n")


def _print_colour(colour: Colour, stream: TextIO) -> None:
    stream.write(f"\nColour: {colour_in_words(colour)}.\n")


def _print_crosstalk(found: CrosstalkMeasurement, stream: TextIO) -> None:
    if not found.leaks:
        return
    stream.write("\nCrosstalk of springs into other paths, against their level at home\n")
    for leak in found.leaks:
        level = with_uncertainty(leak.level.level_db, leak.level.uncertainty_db, 1, " dB", "+")
        stream.write(f"  spring {leak.spring} of {leak.of_path} in {leak.in_path}: {leak.level.why_not or level}\n")


def _gaps(spring: Spring, shown: list[int]) -> str:
    hz = spring.curve.frequency_hz
    inside = [one for one in shown if hz[0] <= one <= hz[-1] and spring.curve.at(one) is None]
    return f", but not at {', '.join(f'{one}' for one in inside)} Hz" if inside else ""


def _later(spring: Spring, arrival_hz: float, hz: float) -> str:
    delay, start = spring.curve.at(hz), spring.curve.at(arrival_hz)
    return f"{'–':>10}" if delay is None or start is None else f"{1e3 * (delay - start):+7.2f} ms"


def _print_decay(decay: DecayMeasurement, stream: TextIO) -> None:
    bands = (decay.whole, *decay.bands)
    if _is_steady(bands):
        stream.write("\nIt does not decay: is this the answer to a click, and long enough?\n")
        return
    if decay.whole.peak_s is not None and decay.whole.peak_s > LATE_PEAK_S:
        stream.write(
            f"\nEnergy rises for {decay.whole.peak_s:.2f} s before it falls: EDT tells of that rise, not of a decay.\n"
        )
    names = [name for name in decay.whole.times if name != "t60" or any(band.times[name].seconds for band in bands)]
    stream.write(
        "\nDecay\n  band         level      range      " + "".join(f"{name.upper():17}" for name in names).rstrip()
    )
    stream.write("\n")
    for band in bands:
        level = f"{band.level_db:+6.1f} dB" if band.level_db is not None else "   silent"
        width = f"{band.range_db:5.1f} dB" if band.range_db is not None else "    –   "
        width = "no noise" if (band.range_db or 0.0) > EXACT_SILENCE_DB else width
        times = "".join(f"  {_time(band, name):15}" for name in names).rstrip()
        stream.write(f"  {_label(band):11}  {level}  {width} {times}\n")
        for line in _remarks(band):
            stream.write(f"{'':15}{line}\n")
    _print_curved(bands, stream)
    if any(noise_unknown(band) and band.level_db is not None for band in bands):
        stream.write(f"  No ± where {ENDS_FIRST}: what it does to the fit cannot be told.\n")
    _print_ratios(decay, stream)


def _is_steady(bands: Sequence[BandDecay]) -> bool:
    """Whether the whole sound stays as loud as it is, and no band tells a decay time."""
    steady = (bands[0].range_db or 0.0) < STEADY_DB
    return steady and not any(time.seconds for band in bands for time in band.times.values())


def _remarks(band: BandDecay) -> Iterator[str]:
    """Why a decay time is missing (of T60, whose range is rare, JSON tells), and where a double slope bends."""
    missing = {name.upper(): time.why_not for name, time in band.times.items() if time.why_not and name != "t60"}
    # "needs 25", "needs 35", "needs 45" of one range are one remark.
    for why in dict.fromkeys(one.partition(NEEDS)[0] for one in missing.values()):
        same = {name: one for name, one in missing.items() if one.partition(NEEDS)[0] == why}
        needs = [one.partition(NEEDS)[2] for one in same.values() if NEEDS in one]
        yield f"{', '.join(same)}: {why}" + (f"{NEEDS}{', '.join(dict.fromkeys(needs))}" if needs else "")
    two = band.two_slopes
    if two.early_s is not None:
        early = f"{two.early_s:.2f} ± {two.early_uncertainty_s:.2f} s"
        late = f"{two.late_s:.2f} ± {two.late_uncertainty_s:.2f} s"
        yield f"two slopes: {early}, then {late}, knee at {two.knee_s:.2f} s and {two.knee_db:.0f} dB"


def _print_ratios(decay: DecayMeasurement, stream: TextIO) -> None:
    """Early against late energy, and when the echoes have become as dense as noise."""
    if decay.arrival_s is None:
        return
    stream.write(f"\nEarly and late energy, counted from the arrival {1e3 * decay.arrival_s:.2f} ms after the click\n")
    stream.write("  band         C50               C80               D50              Ts\n")
    for band in (decay.whole, *decay.bands):
        figures = ((band.ratios[name], form) for name, form in RATIOS.items())
        cells = [with_uncertainty(one.value, uncertainty(band, one), *form) for one, form in figures]
        stream.write(f"  {_label(band):11}" + "".join(f"  {cell:16}" for cell in cells).rstrip() + "\n")
    reasons = dict.fromkeys(
        band.ratios[name].why_not
        for band in (decay.whole, *decay.bands)
        for name in RATIOS
        if band.ratios[name].why_not
    )
    if reasons:
        said = f"where it cannot be told: {'; '.join(reasons)}."
        stream.write(textwrap.fill(said, 140, initial_indent="  – ", subsequent_indent="    ") + "\n")
    density = decay.echo_density
    if density.mixing_s is not None and density.mixing_uncertainty_s is not None:
        mixed = f"{1e3 * density.mixing_s:.0f} ± {1e3 * density.mixing_uncertainty_s:.0f} ms after the click"
        stream.write(f"  Echo density reaches that of noise {mixed}.\n")


def _time(band: BandDecay, name: str) -> str:
    seconds = band.times[name].seconds
    places = 4 if seconds is not None and seconds < SHORT_S else 3
    return with_uncertainty(seconds, uncertainty(band, band.times[name]), places, " s")


def _print_curved(bands: Sequence[BandDecay], stream: TextIO) -> None:
    """Warn of the bands whose T30 and T20 do not tell the same decay."""
    times = [(band, band.times["t20"].seconds, band.times["t30"].seconds) for band in bands]
    off = {_label(band): 100 * abs(t30 / t20 - 1) for band, t20, t30 in times if t20 and t30}
    curved = {label: percent for label, percent in off.items() if percent > FAR_FROM_STRAIGHT_PERCENT}
    if not curved:
        return
    least, most = (f"{percent:.0f}" for percent in (min(curved.values()), max(curved.values())))
    span = least if least == most else f"{least} to {most}"
    where = "every band" if len(curved) == len(off) > 1 else ", ".join(curved)
    said = f"T30 and T20 differ by {span} %, and beyond 10 % a decay is far from straight (ISO 3382-2, B.3)"
    stream.write(f"  Curved in {where}: {said}.\n")


def _label(band: BandDecay) -> str:
    return "above 50 Hz" if band.centre_hz is None else f"{band.centre_hz:g} Hz"


def _print_lag(lag: LagMeasurement, stream: TextIO) -> None:
    stream.write("\nBeside the golden\n")
    for sentence in about_lag(lag.table(1)):
        stream.write(f"  {sentence}\n")
    if lag.why_not:
        return
    stream.write("  band         coherence  agrees until  lag at the click           drift, ppm        steps\n")
    for curve in (lag.whole, *lag.bands):
        stream.write(_lag_row(curve))
    if lag.shares:
        stream.write("  from      to        share of the energy    late by\n")
    for share in lag.shares:
        stream.write(
            f"  {1e3 * share.from_s:6.0f} ms {1e3 * share.to_s:6.0f} ms"
            f"  {100 * share.share:5.0f} ± {100 * share.uncertainty:.0f} %  {time_in_words(share.lag_s):>20}\n"
        )


def _lag_row(curve: LagCurve) -> str:
    label = "above 50 Hz" if curve.centre_hz is None else f"{curve.centre_hz:g} Hz"
    heard = curve.coherence[curve.time_s <= curve.heard_until_s]
    alike = f"{sorted(heard)[heard.size // 2]:9.3f}" if heard.size else f"{'–':>9}"
    until = "the end" if curve.agrees_until_s is None else f"{1e3 * curve.agrees_until_s:.0f} ms"
    if curve.fit is None:
        return f"  {label:11}  {alike}  {until:>12}  too few windows look alike\n"
    fit = curve.fit
    offset = time_in_words(fit.offset_s, fit.offset_uncertainty_s)
    drift = "–" if fit.drift_ppm is None else f"{fit.drift_ppm:+.3f} ± {fit.drift_uncertainty_ppm:.3f}"
    steps = ", ".join(f"{time_in_words(step.size_s)} at {1e3 * step.time_s:.0f} ms" for step in fit.steps) or "none"
    return f"  {label:11}  {alike}  {until:>12}  {offset:>25}  {drift:>16}  {steps}\n"
