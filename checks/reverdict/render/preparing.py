"""Preparing a build once before its first render, for example compiling it."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from typing import TYPE_CHECKING

from reverdict.render import child
from reverdict.render.build import Limits
from reverdict.render.command import filled, require_program
from reverdict.render.folders import build_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.render.build import Build

HEADERS = Path(__file__).with_name("hosts")
"""``{headers}``: where reverb.h lies, for compilers."""

HEADER = HEADERS / "reverb.h"

PREPARE_LIMITS = Limits(seconds=900.0, memory_mb=0, file_mb=4096, processes=4096)
"""A compiler may take its time, and some reserve much address space: no limit on memory."""


def prepare(build: Build, work_folder: Path) -> str:
    """Run ``build.prepare`` in the build's folder, once per run: the first caller does it, the others wait for it.

    Returns
    -------
    Why it failed, empty where it did not: it ended badly, or took over a quarter of an hour. That is remembered, and it
    is not tried again in this run. All it said is in ``prepare_log``.

    Raises
    ------
    BadInput
        No such program, or an unknown placeholder.
    """
    if not build.prepare:
        return ""
    kept = build_folder(build, work_folder)
    outcome = kept / ".prepared"
    with only_one(kept / ".preparing"):
        if not outcome.exists():
            argv = filled(build.prepare, {"work": str(kept), "headers": str(HEADERS)}, build, "build.prepare")
            require_program(argv[0], build, "build.prepare")
            ended = child.run(argv, build.folder, PREPARE_LIMITS, hear_all=True)
            _record(prepare_log(build, work_folder), ended.said)
            _record(outcome, ended.trouble(PREPARE_LIMITS))
        trouble = outcome.read_text(encoding="utf-8")
    return f"prepare failed: {build.prepare[0]} {trouble}" if trouble else ""


def prepare_log(build: Build, work_folder: Path) -> Path:
    """File that holds what ``build.prepare`` said once it has run."""
    return build_folder(build, work_folder) / ".prepare.log"


def _record(file: Path, text: str) -> None:
    beside = file.with_name(f"{file.name}.{os.getpid()}")
    beside.write_text(text, encoding="utf-8")
    beside.replace(file)


@contextlib.contextmanager
def only_one(lock: Path) -> Iterator[None]:
    """Wait until no other process of this run is where the lock is held."""
    with lock.open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        yield
