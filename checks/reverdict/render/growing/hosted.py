"""Builds with a host, at all sizes: a worker that plays, and one that stays and is asked in turns."""

from __future__ import annotations

import contextlib
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.growth import Play
from reverdict.render import child
from reverdict.render.asking import StayingWorker, repeatable_environment
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
from reverdict.render.hosted import describe_job, require_host, worker_argv, worker_trouble
from reverdict.render.timing import timing_core

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reverdict.measure.growth import AxisRuns
    from reverdict.render.build import Build, Request

MODULE = "reverdict.render.growing.worker"
LEVELS = {"noise of −20 dBFS": -20.0, "noise of −80 dBFS": -80.0, "silence": None}
RUN_S = 0.015
ROUNDS = 5
BUDGET_S = 1.5
"""CPU seconds that all points together may take; more rounds are played within it while an exponent is not known."""

DEAREST_RUN_S = 2.0
PLAYED = "play.npz"


def growth_of_hosted(
    build: Build, request: Request, grows_with: Mapping[str, tuple[float, ...]], work_folder: Path
) -> Tried:
    """Two plays, each in a process of its own, and all sizes."""
    first = _play(build, request, work_folder, PLAY_CPU_S, LONGEST_S)
    if isinstance(first, str):
        return Tried(why_not=first)
    again, axes, levels = _play_sizes(build, request, grows_with, work_folder, float(first.ends_s[-1]))
    if isinstance(again, str):
        return Tried(why_not=again)
    plays = (first, again)
    setups, peaks = [one.setup_s for one in plays], [one.peak_mb for one in plays]
    return Tried(axes, plays, tuple(setups), tuple(peaks), levels=levels)


def needs_of_hosted(build: Build, request: Request, work_folder: Path) -> Tried:
    """Set-up and memory alone."""
    plays = [_play(build, request, work_folder, 0.0, NEEDS_S) for _ in range(PLAYS)]
    if trouble := next((one for one in plays if isinstance(one, str)), ""):
        return Tried(why_not=trouble)
    known = [one for one in plays if isinstance(one, Play)]
    return Tried(setup_s=tuple(one.setup_s for one in known), peak_mb=tuple(one.peak_mb for one in known))


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

        play_rounds(play_round, sizes, ROUNDS, BUDGET_S)
        played = asking.played
    return played, runs_of(sizes), tuple((size.told, min(size.costs)) for size in levels if size.costs)


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
