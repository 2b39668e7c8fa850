"""``reverdict bisect``: one step for ``git bisect run``."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Any

from reverdict.commands.console import told
from reverdict.commands.options import command, golden_option, number, only_option

ABOUT = """\
Commits are checked out, built and judged against the goldens of the good commit. What does not compile, crashes or is
unsure is skipped; an error of the suite or a slip in the question ends the search and blames nobody.

example, in the repository of the reverb:
  git bisect start HEAD v1.4
  git bisect run reverdict bisect build.toml --only tank --quantity arrival --where 'spring 2*' --by 0.02
  git bisect reset

exit status, as git bisect run reads it: 0 before, 1 after, 125 cannot be told, 255 ends the search
"""


def add(commands: Any) -> None:
    parser = command(
        commands, "bisect", _run, "one step for git bisect run: which commit moved a quantity",
        epilog=ABOUT,
    )  # fmt: skip
    parser.add_argument("build", type=Path, metavar="BUILD", help="build TOML of what is checked out")
    golden_option(parser)
    only_option(parser)
    parser.add_argument("--check", default="*", metavar="GLOB", help="only this check: echo-timing, group-delay, …")
    parser.add_argument(
        "--quantity", default="*", metavar="GLOB", help="only this quantity: arrival, T30, instructions"
    )
    parser.add_argument("--where", default="*", metavar="GLOB", help="only there: 'spring 2, pass 1*'")
    parser.add_argument(
        "--by", type=number(float, 0, 1e12, "a deviation in the unit of the quantity"), metavar="AMOUNT",
        help="after is what lies farther from golden than this, in its own unit (else: what fails)",
    )  # fmt: skip


def _run(options: argparse.Namespace) -> int:
    from reverdict.bisecting import STOP, Question, goldens_of_good, step
    from reverdict.gate import gate
    from reverdict.report.data.verdict import to_json

    try:
        with tempfile.TemporaryDirectory(prefix="reverdict-good-") as folder:
            golden = goldens_of_good(options.golden, Path(folder))
            verdict = gate(options.build, golden, options.only, pictures=False)
        status, said = step(to_json(verdict), Question(options.check, options.quantity, options.where, options.by))
    except Exception as error:  # raised, its status would be that of a bad commit
        status, lines = told(error)
        if status == 3 and os.environ.get("REVERDICT_TRACEBACK"):
            lines = ["".join(traceback.format_exception(error))]
        print("\n".join(f"reverdict: {line}" for line in lines), file=sys.stderr)
        return STOP
    print(said)
    return status
