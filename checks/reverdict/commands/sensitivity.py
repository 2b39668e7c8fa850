"""``reverdict sensitivity``: what the tolerances catch."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from reverdict.commands.console import Progress, reader_may_leave
from reverdict.commands.options import command, golden_option, number, only_option
from reverdict.commands.targets import prove_pages
from reverdict.page_folders import SENSITIVITY

ABOUT = """\
Are the tolerances worth anything? Each reference's own golden is given graded faults, one at a time: a spring's delay
line, allpass coefficient, sections, reflection, lowpass and polarity moved; a dense tail moved, bent and swayed;
latency, a wrong rate, gain, tilt, crosstalk, a cut tail, clicks, hum, noise, DC, truncation, samples lost at block
boundaries. For each fault the smallest size is searched at which each check is unsure or fails. What no check stops
at any size comes first: tighten a tolerance, or know that nobody listens for it.

A size counts as stopped if it, and every graver one tried, does not pass. A fault that goes either way (later and
earlier) is injected both ways, and the milder outcome counts. Minutes per reference; Ctrl-C loses nothing, and the
same command goes on. A changed golden, tolerance or suite does again only the references that it concerns.

DIR of --report gets sensitivity.json (reverdict schema sensitivity), and index.html with a rule for every fault. In
the folder that `reverdict gate --report` writes to, the dashboard keeps its index.html and shows them too.

examples:
  reverdict sensitivity                                  every reference in ./golden, into ./sensitivity
  reverdict sensitivity --only 'tank*' --jobs 4
  reverdict sensitivity --report report && reverdict gate build.toml --report report

exit status: 0 done, whatever slips through, 2 bad input, 3 internal error
"""


def add(commands: Any) -> None:
    parser = command(
        commands,
        "sensitivity",
        _run,
        "inject graded faults into the goldens: the smallest that each check catches, and what slips through",
        epilog=ABOUT,
    )
    golden_option(parser)
    only_option(parser)
    parser.add_argument(
        "--report", type=Path, default=Path("sensitivity"), metavar="DIR",
        help="where results are kept, and where a run that was stopped goes on (./sensitivity)",
    )  # fmt: skip
    jobs = number(int, 1, 1024, "a number of workers, 1 or more")
    parser.add_argument("--jobs", type=jobs, metavar="N", help="worker processes (one per processor, 8 at most)")


def _run(options: argparse.Namespace) -> int:
    from reverdict import report
    from reverdict.report.printed import sensitivity as sensitivity_terminal
    from reverdict.sensitivity import sensitivity

    prove_pages(options.report, SENSITIVITY, golden_folder=options.golden)
    progress = Progress(sys.stderr)
    jobs = options.jobs or min(len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1, 8)
    try:
        result = sensitivity(options.golden, options.report, options.only, jobs, progress.show)
    finally:
        progress.clear()
    page = report.write_sensitivity(result, options.report)
    with reader_may_leave():
        sensitivity_terminal.show(result, sys.stdout)
        print(f"Page: {page}")
    return 0
