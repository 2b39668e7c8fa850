"""``reverdict header``: the functions by which a shared library is judged."""

from __future__ import annotations

import argparse
from typing import Any

from reverdict.commands.options import command


def add(commands: Any) -> None:
    command(
        commands,
        "header",
        _run,
        "print reverb.h: the five functions by which a shared library is judged",
        epilog="A build of kind library is a shared library that has them. For C and C++.\n\n"
        "example:\n  reverdict header > reverb.h\n  cc -O2 -shared -fPIC -o libspring.so spring.c",
    )


def _run(_: argparse.Namespace) -> int:
    from reverdict.render import HEADER

    print(HEADER.read_text(encoding="utf-8"), end="")
    return 0
