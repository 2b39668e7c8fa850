"""How to get a package that serves one thing alone and is not there."""

from __future__ import annotations

import importlib.metadata
import re
import shlex
import sys


def getting(package: str) -> str:
    """A command that installs it for the interpreter that runs.

    It names the package as the suite asks for it, not the suite's extra, which an index may not have.
    """
    try:
        asked = importlib.metadata.requires("reverdict") or []
    except importlib.metadata.PackageNotFoundError:
        asked = []
    named = (line.partition(";")[0].strip() for line in asked if re.match(rf"{re.escape(package)}(?![\w.-])", line))
    return f"{shlex.quote(sys.executable)} -m pip install {shlex.quote(next(named, package))}"
