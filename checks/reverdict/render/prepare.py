"""Preparing a build once before its first render, for example compiling it."""

from __future__ import annotations

import contextlib
import fcntl
import os
from typing import TYPE_CHECKING

from reverdict.errors import BadInput
from reverdict.render import child
from reverdict.render.build import Limits
from reverdict.render.command import filled, require_program
from reverdict.render.folders import build_folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from reverdict.render.build import Build

PREPARE_LIMITS = Limits(seconds=900.0, memory_mb=0)
"""A compiler may take its time, and some reserve much address space: no limit on memory."""


def prepare(build: Build, work_folder: Path) -> None:
    """Run ``build.prepare`` in the build's folder, once per run: the first caller does it, the others wait for it.

    Raises
    ------
    BadInput
        No such program, it failed (the last line it said is told), or took over a quarter of an hour. A failure is
        remembered: it is not tried again in this run.
    """
    if not build.prepare:
        return
    kept = build_folder(build, work_folder)
    outcome = kept / ".prepared"
    with _only_one(kept / ".preparing"):
        if not outcome.exists():
            _record(outcome, _trouble(build, kept))
        trouble = outcome.read_text(encoding="utf-8")
    if trouble:
        raise BadInput(build.place, f"build.prepare: {build.prepare[0]}: {trouble}")


def _trouble(build: Build, kept: Path) -> str:
    argv = filled(build.prepare, {"work": str(kept)}, build, "build.prepare")
    require_program(argv[0], build, "build.prepare")
    return child.run(argv, build.folder, PREPARE_LIMITS).trouble(PREPARE_LIMITS)


def _record(outcome: Path, trouble: str) -> None:
    beside = outcome.with_name(f".prepared.{os.getpid()}")
    beside.write_text(trouble, encoding="utf-8")
    beside.replace(outcome)


@contextlib.contextmanager
def _only_one(lock: Path) -> Iterator[None]:
    with lock.open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        yield
