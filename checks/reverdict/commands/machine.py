"""``reverdict machine``: what this machine can do for the suite, and how to get the rest."""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
from typing import Any

from reverdict import __version__
from reverdict.commands.console import reader_may_leave
from reverdict.commands.options import command

ABOUT = """\
Nothing is needed beyond what was installed with reverdict: what is missing is named with what it would serve. Nothing
is played, and nothing written but a temporary file. The status is 0 whatever is missing; scripts ask --json for it.

examples:
  reverdict machine                                      before a first gate, or where one says "could not be counted"
  reverdict machine --json                               {"abilities": [{"name": …, "state": "here" …
"""


def add(commands: Any) -> None:
    parser = command(commands, "machine", _run, "what this machine can do, and how to get the rest", epilog=ABOUT)
    parser.add_argument("--json", action="store_true", help="for scripts")


def _run(options: argparse.Namespace) -> int:
    from reverdict.abilities import abilities
    from reverdict.machine import describe
    from reverdict.report.printed import machine as printed

    told = {
        "schema": printed.SCHEMA,
        "reverdict": __version__,
        "machine": describe(),
        "abilities": [dataclasses.asdict(one) for one in abilities()],
    }
    with reader_may_leave():
        if options.json:
            print(json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False))
        else:
            printed.show(told, sys.stdout)
    return 0
