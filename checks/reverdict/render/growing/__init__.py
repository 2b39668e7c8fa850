"""Playing a build at several sizes, so that ``measure.growth`` can tell how its cost grows, what it needs and what it
keeps.

    try_growth(build, request, grows_with, work_folder) -> Tried      cost along every axis, needs, leak
    try_needs(build, request, work_folder) -> Tried                   set-up and memory alone, as of a baseline

Axes. Block size: the reference's, an eighth and eight times of it; CPU time per block. Sample rate: once and twice, per
second of sound. Channels: mono against stereo to stereo, per second of sound over the paths it has, 1 and 4. Each
parameter of ``grows_with``: its values. Length: one sound of up to ``LONGEST_S``.

A build with a host plays the length, twice, each in a process of its own, which also tells set-up, memory and leak;
then one process plays all points in turns (``render.growing.worker``). A point that the build refuses is not put; one
that ends its process is a failure, and the others get another process. What is too dear is left out and told so.

A ``command`` runs anew each time. Its cost at a point is what a long sound takes more than a short one, where its argv
says that it can be told the size; its set-up is what the short one takes. Its peak of memory is what the system tells
of the child, never below the few MB of its launcher. A program may hold its whole sound, so memory that grows with the
length is no leak; memory that grows with the number of blocks is one: a sound in blocks of ``LEAK_BLOCK`` against the
same in blocks of the reference's size. While the program stays below its launcher the leak is told too small.

CPU time, all on one core, as in ``render.timing``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from reverdict.render.growing.hosted import growth_of_hosted, needs_of_hosted
from reverdict.render.growing.program import growth_of_program, needs_of_program
from reverdict.render.growing.sizes import LARGEST_BLOCK, Tried
from reverdict.render.preparing import prepare
from reverdict.render.timing import HAVE_NONE

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from reverdict.render.build import Build, Request

__all__ = ["Tried", "try_growth", "try_needs"]


def try_growth(build: Build, request: Request, grows_with: Mapping[str, tuple[float, ...]], work_folder: Path) -> Tried:
    """Play a build at all sizes, and for long.

    Parameters
    ----------
    build, request : Build, Request
    grows_with : mapping
        Parameter, as the reference calls it, -> values, two or more.
    work_folder : path
        As for ``render``.

    Raises
    ------
    BadInput
        As ``render`` does. What the build does is told by ``why_not``.
    """
    request = replace(request, block_size=min(request.block_size, LARGEST_BLOCK))
    if why_not := _cannot(build, work_folder):
        return why_not
    play = growth_of_program if build.kind == "command" else growth_of_hosted
    return play(build, request, grows_with, work_folder)


def try_needs(build: Build, request: Request, work_folder: Path) -> Tried:
    """Set-up and memory alone. Parameters and exceptions as of ``try_growth``."""
    request = replace(request, block_size=min(request.block_size, LARGEST_BLOCK))
    if why_not := _cannot(build, work_folder):
        return why_not
    look = needs_of_program if build.kind == "command" else needs_of_hosted
    return look(build, request, work_folder)


def _cannot(build: Build, work_folder: Path) -> Tried | None:
    if build.kind in HAVE_NONE:
        return Tried(why_not=HAVE_NONE[build.kind], applies=False)
    trouble = prepare(build, work_folder)
    return Tried(why_not=trouble) if trouble else None
