"""``reverdict drift``: what moved over releases."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from reverdict.commands.console import Progress, reader_may_leave
from reverdict.commands.options import command, number
from reverdict.commands.targets import prove_pages
from reverdict.errors import BadInput
from reverdict.page_folders import DRIFT

ABOUT = """\
A golden approved anew, and anew, lets a build walk away in steps that each pass. Here every quantity is followed over
all releases against its first golden: in steps (at which release), drifting (since which, how fast), and in how many
releases it will have left its original tolerance. A history without a movement raises an alarm once in a thousand.

Keep a run of every release, or of every merge into the main branch; not of trials:
  reverdict gate build.toml --runs reverdict-runs
A reference that gets another name keeps its history with formerly = ["old-name"] in its reference.toml.

examples:
  reverdict drift                                        all that moved in ./reverdict-runs
  reverdict drift --quantity arrival --report drift      pictures of it
  reverdict drift --json --within 20                     for scripts

exit status: 0 all inside their original tolerance and not about to leave it, 1 not so, 2 nothing to read,
3 internal error
"""


def add(commands: Any) -> None:
    parser = command(
        commands, "drift", _run, "what moved over releases, against the original golden", epilog=ABOUT
    )  # fmt: skip
    parser.add_argument(
        "--runs", type=Path, default=Path("reverdict-runs"), metavar="DIR",
        help="folder of runs that gate --runs kept (./reverdict-runs)",
    )  # fmt: skip
    for name, of in (("build", "builds"), ("reference", "references"), ("quantity", "quantities")):
        parser.add_argument(f"--{name}", default="*", metavar="GLOB", help=f"only {of} whose name matches")
    parser.add_argument(
        "--within", type=number(float, 0, 1e6, "a number of releases"), default=10.0, metavar="N",
        help="a drift that leaves its limit within N releases ends in status 1 (10)",
    )  # fmt: skip
    parser.add_argument(
        "--smallest", type=number(float, 0.001, 10, "a share of tolerance"), default=0.1, metavar="SHARE",
        help="what moved less, in shares of tolerance, is not told (0.1)",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="for scripts")
    parser.add_argument("--report", type=Path, metavar="DIR", help="write drift.json and drift.html")


def _run(options: argparse.Namespace) -> int:
    from fnmatch import fnmatchcase

    from reverdict import report
    from reverdict.history.index import runs_of
    from reverdict.history.lines import history_of
    from reverdict.history.runs import files_of
    from reverdict.report.printed import drift as drift_terminal
    from reverdict.report.wording.drift import as_json

    if options.report:
        prove_pages(options.report, DRIFT, [options.runs])
    progress = Progress(sys.stderr, quiet=True)
    try:
        runs = runs_of(files_of(options.runs), progress.show)
        runs = runs.only(lambda build: fnmatchcase(build, options.build))
        history = history_of(
            runs,
            lambda key: fnmatchcase(key.reference, options.reference) and fnmatchcase(key.quantity, options.quantity),
            options.smallest,
            progress.show,
        )
    finally:
        progress.clear()
    if not runs.kept:
        why = f"; {runs.no_runs[0].file.name}: {runs.no_runs[0].why}" if runs.no_runs else ""
        raise BadInput(options.runs, f"no run that could be read{why}; reverdict gate BUILD --runs DIR keeps them")
    if options.report:
        report.write_drift(history, options.within, options.report)
    told = as_json(history, options.within)
    with reader_may_leave():
        if options.json:
            print(json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False))
        else:
            drift_terminal.show(history, options.within, sys.stdout)
            if options.report:
                print(f"Page: {options.report / 'drift.html'}")
    return 1 if told["closes"] else 0
