"""``reverdict board``: pages of several builds and their history."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from reverdict.commands.console import Progress, reader_may_leave
from reverdict.commands.options import command
from reverdict.commands.targets import prove_pages
from reverdict.errors import BadInput
from reverdict.page_folders import REPORT

ABOUT = """\
The folder opens from disk and from any web server, and loads nothing from elsewhere. Of each build name the newest run
is shown; all of them together make the history. Pictures are there of runs given as report folders: files that
gate --runs keeps hold none.

  reverdict board report --out board                     a report again, in the look of this version
  reverdict board reverdict-runs --out board             all builds of a history, and what moved
"""


def add(commands: Any) -> None:
    line = "pages of several builds and of their history, from kept runs"
    parser = command(commands, "board", _run, line, epilog=ABOUT)
    parser.add_argument(
        "runs", type=Path, nargs="+", metavar="RUNS", help="report folders, run files, or folders of run files"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder that the pages are written to")


def _run(options: argparse.Namespace) -> int:
    from reverdict import report
    from reverdict.auditioning import carry
    from reverdict.history.index import runs_of
    from reverdict.history.lines import history_of
    from reverdict.history.newest import each_once, newest_of_each_build
    from reverdict.history.runs import files_of
    from reverdict.reading import misfit, of_form
    from reverdict.report.data.verdict import EARLY, json_schema
    from reverdict.report.pages.board import places_of
    from reverdict.report.pages.drift import drift_html

    files = list(dict.fromkeys(file for place in options.runs for file in files_of(place)))
    progress = Progress(sys.stderr, quiet=True)
    try:
        runs = each_once(runs_of(files, progress.show))
        if not runs.kept:
            why = f"; {runs.no_runs[0].file.name}: {runs.no_runs[0].why}" if runs.no_runs else ""
            raise BadInput(
                options.runs[0], f"no run that could be read{why}; gate --runs DIR or --report DIR keeps them"
            )
        history = drift_html(history_of(runs, progress=progress.show)) if len(runs.kept) > 1 else ""
    finally:
        progress.clear()
    for one in runs.no_runs:
        print(f"reverdict: left out: {one.file}: {one.why}", file=sys.stderr)
    newest = newest_of_each_build(runs)
    for file, verdict in newest.items():
        if slip := misfit(verdict, json_schema(), EARLY):
            raise BadInput(file, f"not a whole verdict of reverdict gate ({slip})")
    with of_form(" or ".join(map(str, newest)), "verdict of reverdict gate"):
        places = places_of(list(newest.values())) if len(newest) > 1 else [""]
        for place in dict.fromkeys(["", *places]):
            prove_pages(options.out / place, REPORT, options.runs)
        heard = [
            carry(verdict, [file.parent], options.out / place)
            for (file, verdict), place in zip(newest.items(), places, strict=True)
        ]
        page = report.write_board(heard, history, options.out)
    with reader_may_leave():
        print(f"Dashboard: {page}")
    return 0
