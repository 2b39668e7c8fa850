"""``reverdict measure``: tables, pictures or JSON of one response, one sweep, or one response beside another."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.commands.options import click_at, command, number
from reverdict.commands.targets import prove_file
from reverdict.errors import BadInput

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reverdict.measure.lag_curve import LagMeasurement
    from reverdict.measure.measurement import Measurement
    from reverdict.measure.swept import Swept
    from reverdict.words import Response

ABOUT = """\
Times count from the click. What the recording does not allow is left out, with the reason.

examples:
  reverdict measure tank.wav --plot tank.png             tables, and a picture
  reverdict measure tank.wav --json --click-at 0.25      for scripts; the click stands 0.25 s into the file
  reverdict measure dark-tank.wav --arrival-hz 300       arrivals of a tank that passes little at 500 Hz
  reverdict measure take.wav --stimulus sweep.wav        the answer to a sweep: deconvolved, with harmonic distortion
  reverdict measure take.wav --stimulus sweep.wav --loopback-channel 2
                                                         channel 2 recorded the sweep itself: latency, converters and
                                                         the difference of two clocks are taken out
"""


def add(commands: Any) -> None:
    parser = command(
        commands,
        "measure",
        _run,
        "measure one impulse response, or a recorded sweep: springs, passes, dispersion, decay",
        epilog=ABOUT,
    )
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="WAV or FLAC file: the answer to one click, or to --stimulus"
    )
    parser.add_argument(
        "--beside",
        type=Path,
        metavar="GOLDEN",
        help="hold it against another sound file: lag over time, drift, steps; both count from GOLDEN's click",
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")
    parser.add_argument("--plot", type=Path, metavar="PNG", help="draw echogram, group-delay and decay curves")
    parser.add_argument(
        "--click-at", type=click_at, default="auto", metavar="auto|SECONDS",
        help="when the click went in, or when the stimulus began (auto: a sharp onset, or the start of the file)",
    )  # fmt: skip
    parser.add_argument("--stimulus", type=Path, metavar="WAV", help="what was played: a sweep, or any broadband sound")
    parser.add_argument(
        "--loopback-channel", type=number(int, 1, 1024, "a channel, 1 or more"), metavar="N",
        help="channel of FILE that recorded the stimulus itself; the others are divided by it",
    )  # fmt: skip
    parser.add_argument(
        "--repeats", type=number(int, 1, 1000, "a number of repeats, 1 or more"), default=1, metavar="N",
        help="how often the stimulus file was played without a gap (1); repeats within it are found",
    )  # fmt: skip
    parser.add_argument(
        "--arrival-hz", type=float, default=500.0, metavar="HZ",
        help="frequency at which arrivals are read (500); change it where a recording holds little at 500 Hz, "
        "or to what a reference says, to compare with it",
    )  # fmt: skip
    parser.add_argument("--third-octaves", action="store_true", help="decay in third-octaves instead of octaves")


def _run(options: argparse.Namespace) -> int:
    if options.plot:
        prove_file(options.plot)
    if options.stimulus:
        return _measure_sweep(options)
    for name in ("loopback_channel", "repeats"):
        if getattr(options, name) not in (None, 1):
            raise BadInput(options.file, f"--{name.replace('_', '-')} needs --stimulus, the file that was played")
    from dataclasses import replace

    from reverdict.measure.measurement import lags_beside, measure
    from reverdict.recorded import late_click, levels_apart, prove_alike, read_recording

    response, warnings = read_recording(options.file, options.click_at)
    if not 50 <= options.arrival_hz <= response.rate_hz / 2:
        raise BadInput(options.file, f"--arrival-hz {options.arrival_hz:g} is outside 50…{response.rate_hz / 2:g} Hz")
    lags: tuple[LagMeasurement, ...] = ()
    if options.beside:
        golden, of_golden = read_recording(options.beside, options.click_at)
        prove_alike(options.file, response, options.beside, golden)
        # Both from the golden's click: found in each file by itself, it would hide a latency.
        lags = lags_beside(golden, replace(response, click_at_s=golden.click_at_s))
        warnings += [f"{options.beside.name}: {warning}" for warning in of_golden] + levels_apart(response, golden)
    measurement = measure(response, options.arrival_hz, _fraction(options))
    warnings += late_click(response, *(path.springs for path in measurement.paths))
    return _show(options, response, measurement, lags=lags, warnings=warnings)


def _show(
    options: argparse.Namespace,
    response: Response,
    measurement: Measurement,
    lags: Sequence[LagMeasurement] = (),
    swept: Swept | None = None,
    warnings: Sequence[str] = (),
) -> int:
    """Draw and print what was measured."""
    from reverdict.report.printed import measured

    if options.plot:
        from reverdict.report.pictures.measured import draw

        draw(response, measurement, options.plot, title=options.file.name, lags=lags, swept=swept)
    if options.json:
        measured.print_json(response, measurement, sys.stdout, lags, swept, warnings)
        return 0
    measured.print_tables(response, measurement, options.file.name, sys.stdout, lags, swept, warnings)
    if options.plot:
        print(f"\nPlot: {options.plot}")
    return 0


def _measure_sweep(options: argparse.Namespace) -> int:
    from reverdict.sweeping import measure_recording

    click_at_s = None if options.click_at == "auto" else float(options.click_at)
    swept, warnings = measure_recording(
        options.file, options.stimulus, options.repeats, options.loopback_channel, click_at_s, options.arrival_hz,
        _fraction(options),
    )  # fmt: skip
    return _show(options, swept.response, swept.measurement, swept=swept, warnings=warnings)


def _fraction(options: argparse.Namespace) -> int:
    return 3 if options.third_octaves else 1
