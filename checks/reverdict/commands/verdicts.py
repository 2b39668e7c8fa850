"""What ``gate`` and ``merge`` do with a verdict: options, report, run file, annotations, terminal."""

from __future__ import annotations

import argparse
import contextlib
import secrets
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.commands.console import reader_may_leave
from reverdict.commands.options import number
from reverdict.commands.targets import prove_pages, prove_writable
from reverdict.durable import replace_text
from reverdict.errors import BadInput
from reverdict.page_folders import REPORT

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


def sounds_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--sounds", type=number(int, 0, 10_000, "a number of references"), default=3, metavar="N",
        help="make the N references that are read first audible in the report (3)",
    )  # fmt: skip


def annotations_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--annotations", choices=("log", "code-quality"),
        help="what closes the gate, for a CI service: lines in the log, or code-quality.json beside the report",
    )  # fmt: skip


def require_places(options: argparse.Namespace, inputs: Sequence[Path]) -> None:
    """Refuse folders that cannot be written to, or where something would be lost; ``inputs`` are what is read."""
    if options.report:
        runs = [options.runs] if options.runs else []
        prove_pages(options.report, REPORT, [*inputs, *runs], options.golden)
    if options.runs:
        prove_writable(options.runs, "the run", options.golden)
    if options.annotations == "code-quality" and not options.report:
        raise BadInput("--annotations code-quality", "is a file beside the report; give --report DIR, too")


def tell(judged: dict[str, Any], prepare_log: str, options: argparse.Namespace) -> None:
    """Write what the options ask for, and say the verdict."""
    from reverdict import report
    from reverdict.history import runs
    from reverdict.report.files import annotations as annotating
    from reverdict.report.printed import verdict as terminal

    page = log = None
    run = runs.keep(judged, options.runs) if options.runs else None
    if options.report:
        history = _history(options.runs) if options.runs else ""
        page = report.write_report(judged, options.report, _sensitivities(options.report, options.golden), history)
        log = _keep_prepare_log(prepare_log, options.report)
    if options.annotations == "code-quality":
        report.write_code_quality(annotating.code_quality(judged, str(options.golden)), options.report)
    with reader_may_leave(), _no_commands(options.annotations == "log"):
        terminal.show(judged, sys.stdout)
        if page:
            print(f"Dashboard: {page}")
        if run:
            print(f"Kept: {run}")
        if log:
            print(f"What prepare said: {log}")
    if options.annotations == "log":
        with reader_may_leave():
            print("\n".join(annotating.log_lines(judged, str(options.golden))))


@contextlib.contextmanager
def _no_commands(wanted: bool) -> Iterator[None]:
    """Tell a service that reads commands from the log to take none from what is printed within: names are of others."""
    token = secrets.token_hex(16)
    if wanted:
        print(f"::stop-commands::{token}")
    yield
    if wanted:
        print(f"::{token}::")


def _history(folder: Path) -> str:
    """The section on what moved over the runs that are kept; empty with one run alone."""
    from reverdict.history.index import runs_of
    from reverdict.history.lines import history_of
    from reverdict.history.runs import files_of
    from reverdict.report.pages.drift import drift_html

    runs = runs_of(files_of(folder))
    return drift_html(history_of(runs)) if len(runs.kept) > 1 else ""


def _sensitivities(folder: Path, golden_folder: Path) -> Any:
    """What ``reverdict sensitivity`` has left in a report folder, of the references as they stand."""
    from reverdict import golden_set
    from reverdict.sensitivity import current

    try:
        return current(folder, golden_set.references(golden_folder))
    except BadInput as error:  # no reason to withhold a verdict
        print(f"reverdict: not shown on the dashboard: {error}", file=sys.stderr)
        return None


def _keep_prepare_log(said: str, folder: Path) -> Path | None:
    """Put it beside the report; take one of an earlier build away."""
    log = folder / "prepare.log"
    if not said:
        log.unlink(missing_ok=True)
        return None
    replace_text(log, said)
    return log
