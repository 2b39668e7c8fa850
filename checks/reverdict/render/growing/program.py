"""Programs, at the sizes that their argv can be told: each run is a process, and its start is taken off."""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from reverdict.measure.growth import Figure
from reverdict.render.build import Build, Request, parameters_of
from reverdict.render.command import run_program
from reverdict.render.folders import render_folder
from reverdict.render.growing.sizes import (
    LONGEST_S,
    NEEDS_S,
    PLAY_CPU_S,
    PLAYS,
    SHORTEST_S,
    Size,
    Tried,
    play_rounds,
    runs_of,
    sizes_of,
)
from reverdict.render.noise import noise
from reverdict.render.timing import timing_core

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from reverdict.render.child import Ended

PROGRAM_ROUNDS = 3
PROGRAM_RUN_S = 0.06
PROGRAM_BUDGET_S = 3.0
SHORT_S = 0.05
LEAK_BLOCK = 16
PEAK_FLOOR_KB = 256.0
"""Expanded: what the peak of a program differs by from run to run at most, save for what it does itself."""


class _Program:
    """Runs of a program on noise."""

    def __init__(self, build: Build, request: Request, work_folder: Path) -> None:
        self.build, self.request, self._work = build, request, work_folder
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> _Program:
        self._folder = self._stack.enter_context(render_folder(self.build, self._work))
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def run(self, seconds: float, request: Request | None = None, parameters: Mapping[str, Any] | None = None) -> Ended:
        asked = request or self.request
        build = replace(self.build, parameters=parameters) if parameters is not None else self.build
        heard = noise(asked.input_channels, max(1, round(seconds * asked.rate_hz)))
        return run_program(build, asked, heard, self._folder, self._work, timing_core())

    def trouble(self, ended: Ended) -> str:
        return ended.trouble(self.build.limits)


def needs_of_program(build: Build, request: Request, work_folder: Path) -> Tried:
    """Set-up and memory alone."""
    with _Program(build, request, work_folder) as program:
        return _program_needs(program)


def _program_needs(program: _Program) -> Tried:
    starts = [program.run(SHORT_S) for _ in range(PLAYS)]
    seconds = [program.run(NEEDS_S) for _ in range(PLAYS)]
    if trouble := next(filter(None, map(program.trouble, [*starts, *seconds])), ""):
        return Tried(why_not=trouble)
    return Tried(setup_s=tuple(one.cpu_s for one in starts), peak_mb=tuple(one.peak_mb for one in seconds))


def growth_of_program(
    build: Build, request: Request, grows_with: Mapping[str, tuple[float, ...]], work_folder: Path
) -> Tried:
    """All sizes, set-up, memory and leak."""
    with _Program(build, request, work_folder) as program:
        needs = _program_needs(program)
        if needs.why_not:
            return needs
        long_s, length_s, why_not = _long_enough(program, min(needs.setup_s))
        if why_not:
            return Tried(why_not=why_not)
        sizes = sizes_of(build, request, grows_with)
        # Small blocks hide growth, and each size costs starts of the program.
        for axis, used in (("block size", slice(-2, None)), ("sample rate", slice(2))):
            own = [size for size in sizes if size.axis == axis]
            sizes = [size for size in sizes if size.axis != axis or size in own[used]]
        _leave_out_untold(sizes, build)
        for size in sizes:
            size.lasts_s = long_s
        for part in (0.5, 1.0):
            lasts_s = part * length_s
            sizes.append(Size("length", lasts_s, f"{lasts_s:.1f} s", request, {}, 1.0, lasts_s=lasts_s))
        starts: dict[str, float] = {}
        alike: dict[str, list[Size]] = {}
        for size in sizes:
            if not size.not_put:
                asked = (size.request, size.differs.get("parameters", parameters_of(build, request)), size.lasts_s)
                alike.setdefault(repr(asked), []).append(size)

        def play_round() -> float:
            started: set[str] = set()
            return sum(_run_size(program, same, starts, started) for same in alike.values() if not same[0].not_put)

        play_rounds(play_round, sizes, PROGRAM_ROUNDS, PROGRAM_BUDGET_S)
        for size in sizes:
            # What the start takes is taken off once all runs of it are known.
            per = 1.0 if size.axis == "length" else size.per_s / (size.lasts_s - SHORT_S)
            size.costs = [(cost - starts[_start_key(size)]) * per for cost in size.costs]
        return replace(needs, axes=runs_of(sizes), leak=_program_leak(program, length_s))


def _long_enough(program: _Program, start_s: float) -> tuple[float, float, str]:
    """Seconds of sound that take ``PROGRAM_RUN_S`` of CPU above the start, ``LONGEST_S`` at most; those that length is
    tried with, ``SHORTEST_S`` at least where they are not too dear; or why not.
    """
    seconds = 1.0
    while True:
        ended = program.run(seconds)
        if trouble := program.trouble(ended):
            return seconds, seconds, trouble
        wanted_s = max(PROGRAM_RUN_S, 1.5 * start_s)
        above = ended.cpu_s - start_s
        if above >= wanted_s / 2 or seconds >= LONGEST_S:
            affordable_s = seconds * PLAY_CPU_S / max(above, 1e-3)
            return seconds, max(seconds, min(SHORTEST_S, affordable_s)), ""
        seconds = min(LONGEST_S, seconds * min(16.0, max(2.0, wanted_s / max(above, 1e-3))))


NEEDED = {
    "block size": ("{block_size}",),
    "sample rate": ("{sample_rate}",),
    "channels": ("{input_channels}", "{output_channels}"),
}
"""Axis -> placeholders, one of which a program needs to be told its sizes."""


def _leave_out_untold(sizes: list[Size], build: Build) -> None:
    """A program that is not told a size cannot be tried at it."""
    for size in sizes:
        needed = NEEDED.get(size.axis, (f"{{parameters.{build.parameter_names.get(size.axis, size.axis)}}}",))
        if not size.not_put and not any(word in argument for word in needed for argument in build.argv):
            size.not_put = f"its argv has no {needed[0]}"


def _start_key(size: Size) -> str:
    """Sizes that differ in their blocks or their length alone start alike."""
    same = replace(size.request, block_size=0)
    return repr((same, size.differs.get("parameters", {})))


def _run_size(program: _Program, sizes: list[Size], starts: dict[str, float], started: set[str]) -> float:
    """CPU seconds of a run of sizes that are alike, and of a start where none like it was run in this round."""
    size, spent = sizes[0], 0.0
    key = _start_key(size)
    for seconds in (SHORT_S, size.lasts_s) if key not in started else (size.lasts_s,):
        ended = program.run(seconds, size.request, size.differs.get("parameters"))
        if trouble := program.trouble(ended):
            for one in sizes:
                one.not_put = trouble
                # One that ended by itself, with a status of its own, refuses.
                one.failed = ended.status is None or ended.status < 0 or bool(ended.too_much)
            return 0.0
        spent += ended.cpu_s
        if seconds == SHORT_S:
            started.add(key)
            for one in sizes:
                starts[_start_key(one)] = min(starts.get(_start_key(one), math.inf), ended.cpu_s)
        else:
            for one in sizes:
                one.costs.append(ended.cpu_s)
    return spent


def _program_leak(program: _Program, length_s: float) -> Figure:
    """What more blocks of the same sound leave behind, in kB per second at the block size of the request."""
    request = program.request
    if not any("{block_size}" in argument for argument in program.build.argv):
        why = "its argv has no {block_size}, and memory that grows with the sound may just hold it"
        return Figure(why_not=why, applies=False)
    small = LEAK_BLOCK if request.block_size > 4 * LEAK_BLOCK else 1
    peaks: dict[int, list[float]] = {request.block_size: [], small: []}
    seconds = min(length_s, LONGEST_S / 2)
    for _ in range(PLAYS):
        for frames, found in peaks.items():
            ended = program.run(seconds, replace(request, block_size=frames))
            if trouble := program.trouble(ended):
                return Figure(why_not=f"blocks of {frames}: {trouble}", applies=ended.status is None)
            found.append(1024.0 * ended.peak_mb)
    more_blocks = seconds * request.rate_hz * (1.0 / small - 1.0 / request.block_size)
    blocks_a_second = request.rate_hz / request.block_size
    grown = min(peaks[small]) - min(peaks[request.block_size])
    differ = sum(max(found) - min(found) for found in peaks.values())
    scale = blocks_a_second / more_blocks
    return Figure(grown * scale, (differ + PEAK_FLOOR_KB) * scale)
