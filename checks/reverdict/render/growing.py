"""Playing a build at several sizes, so that ``measure.growth`` can tell how its cost grows, what it needs and what it
keeps.

    try_growth(build, request, grows_with, work_folder) -> Tried      cost along every axis, needs, leak
    try_needs(build, request, work_folder) -> Tried                   set-up and memory alone, as of a baseline

Axes. Block size: the reference's, an eighth and eight times of it; CPU time per block. Sample rate: once and twice, per
second of sound. Channels: mono against stereo to stereo, per second of sound over the paths it has, 1 and 4. Each
parameter of ``grows_with``: its values. Length: one sound of up to ``LONGEST_S``.

A build with a host plays the length, twice, each in a process of its own, which also tells set-up, memory and leak;
then one process plays all points in turns (``render.growing_worker``). A point that the build refuses is not put; one
that ends its process is a failure, and the others get another process. What is too dear is left out and told so.

A ``command`` runs anew each time. Its cost at a point is what a long sound takes more than a short one, where its argv
says that it can be told the size; its set-up is what the short one takes. Its peak of memory is what the system tells
of the child, never below the few MB of its launcher. A program may hold its whole sound, so memory that grows with the
length is no leak; memory that grows with the number of blocks is one: a sound in blocks of ``LEAK_BLOCK`` against the
same in blocks of the reference's size. While the program stays below its launcher the leak is told too small.

CPU time, all on one core, as in ``render.timing``.
"""

from __future__ import annotations

import contextlib
import json
import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.growth import FEWEST_REPEATS, AxisRuns, Figure, Play, PointRuns, growth_of
from reverdict.render import child
from reverdict.render.asking import StayingWorker, repeatable_environment
from reverdict.render.build import Build, Request, named_for, parameters_of
from reverdict.render.command import run_program
from reverdict.render.folders import render_folder
from reverdict.render.hosted import describe_job, require_host, worker_argv, worker_trouble
from reverdict.render.noise import noise
from reverdict.render.prepare import prepare
from reverdict.render.timing import HAVE_NONE, timing_core

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from reverdict.render.child import Ended

MODULE = "reverdict.render.growing_worker"
LARGEST_BLOCK = 4096
"""Frames that a block of the main cell has at most: of "whole" ones there would be too few."""

STEP = 8
HIGHEST_HZ = 192_000
PATHS_OF = {"mono": 1, "stereo-to-stereo": 4}
LEVELS = {"noise of −20 dBFS": -20.0, "noise of −80 dBFS": -80.0, "silence": None}

PLAYS = 2
PLAY_CPU_S, SHORTEST_S, LONGEST_S = 0.4, 3.0, 20.0
"""A long sound goes on until it took this CPU time; its shortest and longest in seconds of sound."""

NEEDS_S = 1.0
RUN_S = 0.015
ROUNDS = 5
BUDGET_S = 1.5
"""CPU seconds that all points together may take; more rounds are played within it while an exponent is not known."""

KNOWN = 0.12
"""Uncertainty of an exponent that is good enough."""

DEAREST_RUN_S = 2.0
PLAYED = "play.npz"

PROGRAM_ROUNDS = 3
PROGRAM_RUN_S = 0.06
PROGRAM_BUDGET_S = 3.0
SHORT_S = 0.05
LEAK_BLOCK = 16
PEAK_FLOOR_KB = 256.0
"""Expanded: what the peak of a program differs by from run to run at most, save for what it does itself."""


@dataclass(frozen=True)
class Tried:
    """What came of it.

    axes : runs of every axis but length.
    plays : of the length, where the build has a host.
    setup_s, peak_mb : each time it was opened.
    leak : of a program; None where ``plays`` tell it.
    levels : sound -> quickest CPU seconds per second of it.
    why_not : why there is nothing; empty where there is.
    applies : whether that is a failure, or this build just cannot be asked.
    """

    axes: tuple[AxisRuns, ...] = ()
    plays: tuple[Play, ...] = ()
    setup_s: tuple[float, ...] = ()
    peak_mb: tuple[float, ...] = ()
    leak: Figure | None = None
    levels: tuple[tuple[str, float], ...] = ()
    why_not: str = ""
    applies: bool = True


@dataclass
class Size:
    """One size along an axis, and what it took so far.

    differs : what a job says there instead.
    per_s : seconds of sound that the cost is of.
    lasts_s : seconds of sound of a program's run.
    """

    axis: str
    at: float
    told: str
    request: Request
    differs: dict[str, Any]
    per_s: float
    level_db: float | None = -20.0
    blocks: int = 1
    lasts_s: float = 0.0
    costs: list[float] = field(default_factory=list)
    not_put: str = ""
    failed: bool = False

    @property
    def block_s(self) -> float:
        return self.request.block_size / self.request.rate_hz


UNITS = {"block size": "frames", "sample rate": "Hz", "channels": "paths", "length": "s"}
MAY_NOT_APPLY = ("block size", "sample rate", "channels")
"""What all builds are asked, and may not apply to one; what the reference itself wants tried must be."""


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
    if build.kind == "command":
        return _try_program(build, request, grows_with, work_folder)
    first = _play(build, request, work_folder, PLAY_CPU_S, LONGEST_S)
    if isinstance(first, str):
        return Tried(why_not=first)
    again, axes, levels = _play_sizes(build, request, grows_with, work_folder, float(first.ends_s[-1]))
    if isinstance(again, str):
        return Tried(why_not=again)
    plays = (first, again)
    setups, peaks = [one.setup_s for one in plays], [one.peak_mb for one in plays]
    return Tried(axes, plays, tuple(setups), tuple(peaks), levels=levels)


def try_needs(build: Build, request: Request, work_folder: Path) -> Tried:
    """Set-up and memory alone. Parameters and exceptions as of ``try_growth``."""
    request = replace(request, block_size=min(request.block_size, LARGEST_BLOCK))
    if why_not := _cannot(build, work_folder):
        return why_not
    if build.kind == "command":
        with _Program(build, request, work_folder) as program:
            return _program_needs(program)
    plays = [_play(build, request, work_folder, 0.0, NEEDS_S) for _ in range(PLAYS)]
    if trouble := next((one for one in plays if isinstance(one, str)), ""):
        return Tried(why_not=trouble)
    known = [one for one in plays if isinstance(one, Play)]
    return Tried(setup_s=tuple(one.setup_s for one in known), peak_mb=tuple(one.peak_mb for one in known))


def _cannot(build: Build, work_folder: Path) -> Tried | None:
    if build.kind in HAVE_NONE:
        return Tried(why_not=HAVE_NONE[build.kind], applies=False)
    trouble = prepare(build, work_folder)
    return Tried(why_not=trouble) if trouble else None


def sizes_of(build: Build, request: Request, grows_with: Mapping[str, tuple[float, ...]]) -> list[Size]:
    """All sizes of all axes, by rising size."""
    block, rate = request.block_size, request.rate_hz
    sizes = [block // STEP, block, block * STEP] if block * STEP <= 2 * LARGEST_BLOCK else [
        block // STEP**2, block // STEP, block
    ]  # fmt: skip
    found = []
    for frames in sizes:
        if frames >= 1:
            asked = replace(request, block_size=frames)
            found.append(
                Size("block size", frames, f"blocks of {frames}", asked, {"block_size": frames}, frames / rate)
            )
    for hz in (rate, 2 * rate):
        if hz <= HIGHEST_HZ or hz == rate:
            asked = replace(request, rate_hz=hz)
            found.append(Size("sample rate", hz, f"{hz / 1000:g} kHz", asked, {"sample_rate": hz}, 1.0))
    for channels, paths in PATHS_OF.items():
        asked = replace(request, channels=channels)
        shape = {"input_channels": asked.input_channels, "output_channels": asked.output_channels}
        found.append(Size("channels", paths, channels, asked, shape, 1.0))
    for name, values in grows_with.items():
        own = next(iter(named_for(build, {name: 0.0})), "")
        for value in sorted(values):
            number: float = int(value) if float(value).is_integer() else value
            parameters = {**parameters_of(build, request), **({own: number} if own else {})}
            size = Size(name, value, f"{name} of {value:g}", request, {"parameters": parameters}, 1.0)
            size.not_put = "" if own else "this build has none"
            found.append(size)
    return found


def _runs_of(sizes: list[Size]) -> tuple[AxisRuns, ...]:
    """What was tried, axis by axis."""
    axes = []
    for axis in dict.fromkeys(size.axis for size in sizes):
        own = [size for size in sizes if size.axis == axis]
        not_put = tuple(f"{size.told}: {size.not_put}" for size in own if size.not_put)
        points = tuple(PointRuns(size.at, tuple(size.costs)) for size in own if not size.not_put and size.costs)
        unit = UNITS.get(axis, "")
        applies = axis not in MAY_NOT_APPLY or any(size.failed for size in own)
        failed = next((f"{size.told}: {size.not_put}" for size in own if size.failed), "")
        why_not = failed or ("" if len(points) > 1 else "; ".join(not_put) or "there is but one size to try")
        axes.append(AxisRuns(axis, unit, () if why_not else points, not_put, why_not, applies))
    return tuple(axes)


# Builds with a host.


def _play(build: Build, request: Request, work_folder: Path, cpu_s: float, longest_s: float) -> Play | str:
    """Play to one instance in a process of its own; why it failed, where it did."""
    require_host(build)
    with render_folder(build, work_folder) as folder:
        job = folder / "job.json"
        asked = _play_asked(folder, cpu_s, longest_s)
        described = describe_job(build, request, folder, work_folder) | asked
        job.write_text(json.dumps(described), encoding="utf-8")
        environment = repeatable_environment(build, folder, work_folder)
        ended = child.run(worker_argv(job, MODULE), build.folder, build.limits, environment, timing_core())
        return worker_trouble(ended, build, folder) or _played(folder)


def _play_asked(folder: Path, cpu_s: float, longest_s: float) -> dict[str, Any]:
    shortest_s = min(SHORTEST_S, longest_s)
    told = {"cpu_s": cpu_s, "shortest_s": shortest_s, "longest_s": longest_s, "result": str(folder / PLAYED)}
    return {"play": told}


def _played(folder: Path) -> Play | str:
    if not (folder / PLAYED).is_file():
        return "ended before it had played"
    with np.load(folder / PLAYED) as told:
        return Play(
            setup_s=float(told["setup_s"]),
            peak_mb=float(told["peak_mb"]),
            **{name: told[name] for name in ("ends_s", "cpu_s", "read_at_s", "resident_kb")},
        )


def _play_sizes(
    build: Build, request: Request, grows_with: Mapping[str, tuple[float, ...]], work_folder: Path, play_s: float
) -> tuple[Play | str, tuple[AxisRuns, ...], tuple[tuple[str, float], ...]]:
    """A play of so many seconds, and in the same process then all sizes; and the levels."""
    sizes = sizes_of(build, request, grows_with)
    levels = [Size("level", 0.0, told, request, {}, 1.0, level_db) for told, level_db in LEVELS.items()]
    with _Asking(build, request, work_folder, play_s) as asking:
        alike: dict[str, list[Size]] = {}
        for size in [*sizes, *levels]:
            if not size.not_put:
                alike.setdefault(asking.question_of(size), []).append(size)
        for same in alike.values():
            asking.warm(same)

        def play_round() -> float:
            return sum(asking.run(same) for same in alike.values() if not same[0].not_put)

        _play_rounds(play_round, sizes, ROUNDS, BUDGET_S)
        played = asking.played
    return played, _runs_of(sizes), tuple((size.told, min(size.costs)) for size in levels if size.costs)


def _play_rounds(play_round: Callable[[], float], sizes: list[Size], rounds: int, budget_s: float) -> None:
    """Play rounds within budget, three in any case, and more of them while an exponent is not known well enough."""
    spent, played, last = 0.0, 0, 0.0
    while played < FEWEST_REPEATS or (spent + last <= budget_s and (played < rounds or not _known(sizes))):
        last = play_round()
        if not last:
            return
        spent += last
        played += 1


def _known(sizes: list[Size]) -> bool:
    grown = [growth_of(runs) for runs in _runs_of(sizes) if not runs.why_not]
    return all(one.uncertainty is not None and one.uncertainty <= KNOWN for one in grown)


class _Asking:
    """A worker that plays once, then stays and answers; another one when it ends.

    played : what the play came to, once something was asked.
    """

    played: Play | str = ""

    def __init__(self, build: Build, request: Request, work_folder: Path, play_s: float) -> None:
        require_host(build)
        self._build, self._request, self._work = build, request, work_folder
        self._play_s = play_s
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> _Asking:
        self._start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _start(self) -> None:
        self._folder = self._stack.enter_context(render_folder(self._build, self._work))
        self._job = describe_job(self._build, self._request, self._folder, self._work)
        told = self._job if self.played else self._job | _play_asked(self._folder, math.inf, self._play_s)
        self._worker = StayingWorker(self._build, told, self._folder, self._work, MODULE, timing_core())
        self._stack.callback(self._worker.close)

    def question_of(self, size: Size) -> str:
        """What is asked at a size, in full: sizes of which this is alike are one."""
        keys = ("sample_rate", "block_size", "input_channels", "output_channels", "parameters")
        differs = {key: self._job[key] for key in keys} | size.differs
        return json.dumps({"differs": differs, "level_db": size.level_db}, sort_keys=True)

    def warm(self, sizes: list[Size]) -> None:
        """Make an instance and find how many blocks a run has; then leave out what is too dear.

        A power of two of blocks: what is dear every so many blocks, such as transforms, falls into every run alike.
        """
        first = sizes[0]
        taken = self.run(sizes)
        for size in sizes:
            size.costs.clear()
            affordable = max(1.0, min(RUN_S / max(taken, 1e-6), 1.0 / size.block_s))
            size.blocks = 1 << math.ceil(math.log2(affordable))
            if taken > DEAREST_RUN_S and not first.not_put:
                size.not_put, size.failed = f"too dear to be tried, {taken:.1f} s a block", True

    def run(self, sizes: list[Size]) -> float:
        """CPU seconds of one run of sizes that are alike; the cost is kept. What cannot be played any more says why."""
        first = sizes[0]
        told = self._worker.ask(json.dumps(json.loads(self.question_of(first)) | {"blocks": first.blocks}))
        self.played = self.played or _played(self._folder)
        if isinstance(told, dict) and "cpu_s" in told:
            for size in sizes:
                size.costs.append(told["cpu_s"] / (first.blocks * first.block_s) * size.per_s)
            return float(told["cpu_s"])
        ended = isinstance(told, str)
        for size in sizes:
            size.not_put, size.failed = told if isinstance(told, str) else told["refused"], ended
        if ended:
            self._stack.close()
            self._start()
        return 0.0


# Programs.


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


def _program_needs(program: _Program) -> Tried:
    starts = [program.run(SHORT_S) for _ in range(PLAYS)]
    seconds = [program.run(NEEDS_S) for _ in range(PLAYS)]
    if trouble := next(filter(None, map(program.trouble, [*starts, *seconds])), ""):
        return Tried(why_not=trouble)
    return Tried(setup_s=tuple(one.cpu_s for one in starts), peak_mb=tuple(one.peak_mb for one in seconds))


def _try_program(
    build: Build, request: Request, grows_with: Mapping[str, tuple[float, ...]], work_folder: Path
) -> Tried:
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

        _play_rounds(play_round, sizes, PROGRAM_ROUNDS, PROGRAM_BUDGET_S)
        for size in sizes:
            # What the start takes is taken off once all runs of it are known.
            per = 1.0 if size.axis == "length" else size.per_s / (size.lasts_s - SHORT_S)
            size.costs = [(cost - starts[_start_key(size)]) * per for cost in size.costs]
        return replace(needs, axes=_runs_of(sizes), leak=_program_leak(program, length_s))


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
