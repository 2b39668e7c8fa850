"""The machine that costs were measured on, described for whoever reads them later.

Times belong to this machine at this hour. Counted instructions belong to its class: the instruction set. Which compiler
and which C library did the work is told beside it, for they move counts, too.
"""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
from pathlib import Path
from typing import Any

ASKED_S = 10.0


def describe() -> dict[str, Any]:
    """Class, processor, cores (those we may use), system, libc, compiler, counter, python; None where unknown."""
    return {
        "class": machine_class(),
        "processor": _processor(),
        "cores": len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count(),
        "system": f"{platform.system()} {platform.release()}",
        "libc": " ".join(platform.libc_ver()).strip() or None,
        "compiler": _first_line("cc", "--version"),
        "counter": _first_line("valgrind", "--version"),
        "python": platform.python_version(),
    }


def machine_class() -> str:
    """The instruction set, such as "x86_64": what counts can be compared within."""
    return platform.machine().lower() or "unknown"


def _processor() -> str | None:
    try:
        told = Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return platform.processor() or None
    named = (line.partition(":")[2].strip() for line in told.splitlines() if line.startswith("model name"))
    return next(named, None) or platform.processor() or None


def _first_line(program: str, option: str) -> str | None:
    if not shutil.which(program):
        return None
    try:
        said = subprocess.run(
            [program, option], capture_output=True, text=True, errors="replace", timeout=ASKED_S, check=False
        ).stdout
    except (OSError, subprocess.TimeoutExpired):
        return None
    return said.partition("\n")[0].strip() or None
