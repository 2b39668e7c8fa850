"""``reverdict sweep``: a sweep to play."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from reverdict.commands.options import command, number
from reverdict.commands.targets import prove_file

ABOUT = """\
The file is known again by `reverdict measure RECORDING --stimulus FILE`: nothing has to be noted down.

examples:
  reverdict sweep sweep.wav                              20 Hz to 20 kHz in 10 s, 5 s of silence, at -12 dBFS
  reverdict sweep quiet.wav --level -40                  to start with
  reverdict sweep four.wav --repeats 4 --tail 8          against noise and door slams, for two clocks
"""


def add(commands: Any) -> None:
    parser = command(commands, "sweep", _run, "write a sweep to play into a reverb", epilog=ABOUT)
    parser.add_argument("file", type=Path, metavar="FILE", help="24-bit WAV to write, over an earlier sweep if need be")
    hertz = number(float, 1, 384000, "a frequency of 1 to 384000 Hz")
    parser.add_argument("--from-hz", type=hertz, default=20.0, metavar="HZ", help="where it starts (20)")
    parser.add_argument("--to-hz", type=hertz, metavar="HZ", help="where it ends (20000, or 0.48 of the rate)")
    parser.add_argument(
        "--seconds", type=number(float, 0.5, 600, "a length of 0.5 to 600 s"), default=10.0,
        help="length of one sweep (10); the more, the less noise, and the longer a reverb may be",
    )  # fmt: skip
    parser.add_argument(
        "--tail", type=number(float, 0.1, 120, "a silence of 0.1 to 120 s"), default=5.0, metavar="SECONDS",
        help="silence after each sweep, longer than the reverb (5)",
    )  # fmt: skip
    parser.add_argument(
        "--repeats", type=number(int, 1, 1000, "a number of repeats, 1 or more"), default=1, metavar="N",
        help="sweeps in the file (1); two or more tell how far the clocks differ, three or more bear a door slam",
    )  # fmt: skip
    parser.add_argument(
        "--rate", type=number(int, 1000, 768000, "a sample rate of 1000 to 768000 Hz"), default=48000, metavar="HZ",
        help="sample rate (48000)",
    )  # fmt: skip
    parser.add_argument(
        "--level", type=number(float, -100, 0, "a level of -100 to 0 dBFS"), default=-12.0, metavar="DBFS",
        help="peak level (-12)",
    )  # fmt: skip
    parser.add_argument(
        "--kind", choices=("synchronized", "exponential"), default="synchronized",
        help="synchronized: length rounded so that harmonics are in phase (the default); exponential: of exact length",
    )  # fmt: skip


def _run(options: argparse.Namespace) -> int:
    from reverdict.capture.cautions import CAUTIONS
    from reverdict.sweeping import SweepWishes, write_sweep

    prove_file(options.file)
    wishes = SweepWishes(
        options.from_hz, options.to_hz, options.seconds, options.tail, options.rate, options.level, options.repeats,
        options.kind,
    )  # fmt: skip
    sweep, seconds = write_sweep(options.file, wishes)
    print(CAUTIONS)
    print(
        f"{options.file}: {sweep.kind} sweep from {sweep.f1_hz:g} to {sweep.f2_hz:g} Hz in {sweep.seconds:.3f} s, "
        f"{options.repeats} time{'s' if options.repeats > 1 else ''}, {seconds:.2f} s in all, "
        f"peak {options.level:g} dBFS, 24 bit, {options.rate} Hz.\n"
        f"Record its answer, then: reverdict measure RECORDING --stimulus {options.file}"
    )
    return 0
