"""``reverdict demo``: the invented workshop's workspace."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from reverdict.commands.options import command

ABOUT = """\
example:
  reverdict demo try-it
  reverdict gate try-it/builds/release-1.1.toml --golden try-it/golden --report try-it/report
"""


def add(commands: Any) -> None:
    line = "set out a workspace with an invented workshop's references and builds"
    parser = command(commands, "demo", _run, line, epilog=ABOUT)
    parser.add_argument("folder", type=Path, metavar="DIR", help="a new or an empty folder")


def _run(options: argparse.Namespace) -> int:
    from reverdict.demo import write_demo

    write_demo(options.folder)
    folder = options.folder
    print(
        f"{folder}: golden references in golden/, builds in builds/; README.md says what to try. For instance:\n"
        f"  reverdict gate {folder}/builds/release-1.1.toml --golden {folder}/golden --report {folder}/report"
    )
    return 0
