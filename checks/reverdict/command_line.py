"""The command line: one module of ``commands`` for each command. Only light modules are imported at the top, there as
here, so that ``reverdict --help`` answers at once.

Exit status: 0 all pass · 1 a finding fails or is unsure · 2 cannot judge (bad input) · 3 internal error.
"""

from __future__ import annotations

import argparse
import contextlib
import difflib
import io
import os
import re
import signal
import sys
import threading
from typing import TYPE_CHECKING, Any, NoReturn

from reverdict import __version__
from reverdict.commands import (
    bisect,
    board,
    capture,
    compare,
    demo,
    drift,
    fit,
    gate,
    golden,
    header,
    machine,
    measure,
    merge,
    schema,
    sensitivity,
    sweep,
)
from reverdict.commands.console import reader_may_leave, told

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

COMMANDS = (
    gate, merge, measure, sweep, capture, fit, golden, compare, drift, bisect, board, sensitivity, demo, machine,
    schema, header,
)  # fmt: skip
"""In the order of ``reverdict --help``."""

EXAMPLES = """\
examples:
  reverdict demo try-it                                  a workspace with references and builds to play with
  reverdict gate try-it/builds/release-1.1.toml --golden try-it/golden --report report
  reverdict measure tank.wav --plot tank.png             springs, passes, dispersion and decay of a recording
  reverdict sweep sweep.wav                              a sweep to play, for measure --stimulus sweep.wav
  reverdict capture my-tank --out takes --dry-run        play into hardware and record; first what it would do
  reverdict fit tank.wav                                 delay lines, allpass sections and reflections to model it by
  reverdict golden new my-tank --from tank.wav           make it a reference
  reverdict gate takes/                                  judge a folder of recordings named after the references
  reverdict sensitivity --report report                  what the tolerances catch, and what slips through

exit status: 0 all pass, 1 stopped (fail or unsure), 2 cannot judge (bad input), 3 internal error
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and give its exit status; errors go to stderr in a line or two, without a traceback."""
    options = _parser().parse_args(arguments)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a title may be in letters this terminal does not have
    try:
        with reader_may_leave(), _terminated_like_interrupted():
            return int(options.run(options))
        return 0
    except (Exception, KeyboardInterrupt) as error:
        status, lines = told(error)
        if status == 3 and os.environ.get("REVERDICT_TRACEBACK"):
            raise
        print("\n".join(f"reverdict: {line}" for line in lines), file=sys.stderr)
        return status


@contextlib.contextmanager
def _terminated_like_interrupted() -> Iterator[None]:
    """A CI service that cancels a job sends SIGTERM: end as on Ctrl-C, with nothing left behind."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt("SIGTERM")

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with a command line in one line, what was likely meant, and where its usage is told."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Complain about an unknown argument here, where the command that it was given to is known."""
        known, unknown = super().parse_known_args(args, namespace)
        if unknown:
            self.error(f"unrecognized arguments: {' '.join(unknown)}")
        return known, unknown

    def error(self, message: str) -> NoReturn:
        near = self._likely_meant(message)
        hint = f"did you mean {near}? See" if near else "see"
        self.exit(2, f"{self.prog}: {message}; {hint} {self.prog} --help\n")

    def _likely_meant(self, message: str) -> str:
        if choice := re.search(r"invalid choice: '(.*)' \(choose from (.*)\)", message):
            word, known = choice[1], re.findall(r"[\w-]+", choice[2])
        elif option := re.match(r"unrecognized arguments: .*?(--[\w-]+)", message):
            word, known = option[1], re.findall(r"--[\w-]+", self.format_usage())
        else:
            return ""
        return next(iter(difflib.get_close_matches(word, known, 1)), "")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="reverdict",
        description="A verdict on every reverb build: are its echoes on time, its dispersion, decay and cost right?",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"reverdict {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in COMMANDS:
        module.add(commands)
    return parser
