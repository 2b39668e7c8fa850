"""What a sample costs: CPU time of a build on noise, measured in child processes like any render.

CPU time, not wall-clock time: it does not count waiting for others. It still rises when others share caches and clock
rates, always upward, which is why ``check.cost`` compares two builds in turns and never trusts one number. All timed
children stay on one core, so that two builds meet the same neighbours.

A build with a host has a worker that reads its own CPU time. It stays for a number of runs, and is
replaced by a new one (``restart``): where memory lies differs from process to process. A run is a power of two of
blocks, ``FEWEST_BLOCKS`` or more where they are not too long, so that what is dear every so many blocks (a partitioned
convolution, control code) falls into every run alike. Each block is timed by the clock of the thread that calls, less
what the same loop takes around an instance that does nothing; the first run of an instance is not counted, for it meets
memory that was never touched.

A ``command`` build runs anew each time on a short and a long input; the slope between the two is free of start-up, yet
holds reading and writing files (tens of nanoseconds a sample). It has no blocks that could be timed from outside. The
input is seeded noise at -20 dBFS rms.

Limits. The host's own work is in every block: a few microseconds for a library or plug-in, of which a build of 1 µs a
block shows next to nothing.
"""

from __future__ import annotations

import contextlib
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from reverdict.render.asking import StayingWorker
from reverdict.render.build import Build, Request
from reverdict.render.command import run_program
from reverdict.render.folders import render_folder, working_folder
from reverdict.render.hosted import describe_job, require_host
from reverdict.render.noise import noise
from reverdict.render.preparing import prepare
from reverdict.words import BuildIdentity

if TYPE_CHECKING:
    from collections.abc import Iterator

RUN_S = 0.008
"""CPU seconds a run of a worker should take at least: long against the clock, short against a change of mood of the
machine."""

FEWEST_BLOCKS = 64
LONGEST_RUN_S = 0.11
"""Runs of ``FEWEST_BLOCKS`` may take up to this; those of a dearer build are shorter."""

PROGRAM_RUN_S = 0.05
"""The same for a program, whose time is known from outside, start-up and all."""

SHORTEST_IN_CLOCKS = 10
"""A block should take this many times what timing it takes."""

LONGEST_INPUT_S = 60.0
FIRST_TRY_S = 0.05
HAVE_NONE = {"recordings": "recordings have no cost", "interface": "hardware has no cost"}


class Timer(Protocol):
    """Something whose samples cost CPU time.

    why_not : why it cannot be timed (any more); empty while it can.
    why_no_blocks : why its blocks cannot be timed one by one; empty where they can.
    stays : whether one process serves many runs, until ``restart``.
    block_size, rate_hz : of what is timed.
    block_s : CPU seconds of each block counted so far, one list for each instance; all begin with the same noise.
    """

    why_not: str
    why_no_blocks: str
    stays: bool
    block_size: int
    rate_hz: int
    block_s: list[list[float]]

    def restart(self) -> None:
        """Begin a new process, and do not wait for it."""

    def renew(self) -> None:
        """Go on with a fresh instance in the same process, where there is such a thing."""

    def get_ready(self) -> None:
        """Wait until it can be timed, find how long a run has to be, and warm up."""

    def seconds_per_sample(self) -> float | None:
        """CPU seconds per sample (of all channels together), measured afresh; None when ``why_not`` says why."""


@contextlib.contextmanager
def open_timer(build: Build, request: Request, work_folder: Path | None = None) -> Iterator[Timer]:
    """Yield a timer of a build at the request's rate, block size, channels and parameters.

    Parameters
    ----------
    build, request : Build, Request
    work_folder : path, optional
        As for ``render``; without one, a working folder of its own.

    Raises
    ------
    BadInput
        As ``render`` does. What the build does is told by ``why_not``.
    """
    with contextlib.ExitStack() as stack:
        work = work_folder or stack.enter_context(working_folder())
        if build.kind in HAVE_NONE:
            yield _NoTimer(HAVE_NONE[build.kind], request)
            return
        if trouble := prepare(build, work):
            yield _NoTimer(trouble, request)
            return
        folder = stack.enter_context(render_folder(build, work))
        if build.kind == "command":
            yield _CommandTimer(build, request, folder, work)
        else:
            yield stack.enter_context(_HostedTimer(build, request, folder, work))


def open_kernel_timer(work_folder: Path | None = None) -> contextlib.AbstractContextManager[Timer]:
    """Return a timer of the calibration kernel, in a worker like any ``python`` build's.

    It runs mono, 512 samples a block, whatever the reference asks: a unit must not depend on what is measured with it.
    """
    here = Path(__file__).resolve().parent
    kernel = Build(
        BuildIdentity("calibration kernel", "1", "python"),
        "python",
        here,
        object="reverdict.render.kernel:Kernel",
        module_path=here.parents[1],
    )
    return open_timer(kernel, Request("kernel", block_size=512), work_folder)


def timing_core() -> int | None:
    """The last core we may use (the first often serves interrupts); None where the system does not let us choose."""
    return max(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else None


class _NoTimer:
    stays = False

    def __init__(self, why_not: str, request: Request) -> None:
        self.why_not = self.why_no_blocks = why_not
        self.block_size, self.rate_hz = request.block_size, request.rate_hz
        self.block_s: list[list[float]] = []

    def restart(self) -> None:
        pass

    def renew(self) -> None:
        pass

    def get_ready(self) -> None:
        pass

    def seconds_per_sample(self) -> float | None:
        return None


class _HostedTimer:
    """A worker that answers what the next blocks took, and is replaced by another when asked."""

    stays = True

    def __init__(self, build: Build, request: Request, folder: Path, work_folder: Path) -> None:
        require_host(build)
        self.why_not = self.why_no_blocks = ""
        self.block_size, self.rate_hz = request.block_size, request.rate_hz
        self.block_s: list[list[float]] = []
        self._build, self._request, self._folder, self._work = build, request, folder, work_folder
        self._blocks = 0
        self._warm = False
        self._worker = self._started()

    def __enter__(self) -> _HostedTimer:
        return self

    def __exit__(self, *_: object) -> None:
        self._worker.close()

    def restart(self) -> None:
        self._warm = False
        self._worker.close()
        self._worker = self._started()

    def renew(self) -> None:
        self._warm = False
        self._ask("fresh")

    def get_ready(self) -> None:
        if self._warm or self.why_not:
            return
        if not self._blocks:
            self._find_length()
            self.renew()
        self._ask(self._blocks)
        self._warm = True
        self.block_s.append([])

    def seconds_per_sample(self) -> float | None:
        self.get_ready()
        run = self._ask(self._blocks)
        if run is None:
            return None
        self.block_s[-1] += [nanoseconds * 1e-9 for nanoseconds in run["block_ns"]]
        if np.median(run["block_ns"]) < SHORTEST_IN_CLOCKS * run["own_ns"]:
            self.why_no_blocks = f"blocks of {self._request.block_size} frames are too short to be timed one by one"
        return float(run["cpu_s"]) / (self._blocks * self._request.block_size)

    def _find_length(self) -> None:
        """Lengthen the run until a block is known; then choose the power of two."""
        samples = self._request.block_size
        most = max(1, round(LONGEST_INPUT_S * self._request.rate_hz) // samples)
        blocks = min(most, max(1, round(FIRST_TRY_S * self._request.rate_hz) // samples))
        while run := self._ask(blocks):
            block_s = max(run["cpu_s"], 1e-6) / blocks
            if run["cpu_s"] >= RUN_S / 4 or blocks == most:
                wanted = max(FEWEST_BLOCKS, RUN_S / block_s)
                self._blocks = 1 << max(0, math.ceil(math.log2(wanted)))
                while self._blocks > 1 and (self._blocks * block_s > LONGEST_RUN_S or self._blocks > most):
                    self._blocks //= 2
                return
            blocks = min(most, math.ceil(blocks * min(16.0, RUN_S / (block_s * blocks))))

    def _ask(self, question: int | str) -> dict[str, Any] | None:
        """The worker's answer; None when ``why_not`` says why."""
        if self.why_not:
            return None
        told = self._worker.ask(str(question))
        if isinstance(told, str):
            self.why_not = told
            return None
        return told

    def _started(self) -> StayingWorker:
        # It goes to its core when it is open: two that start on one core would wait for each other.
        job = describe_job(self._build, self._request, self._folder, self._work) | {"core": timing_core()}
        return StayingWorker(self._build, job, self._folder, self._work)


class _CommandTimer:
    """A fresh process for each run; cost is the slope between a short and a long input."""

    stays = False
    why_no_blocks = "a program has no blocks that could be timed one by one from outside"

    def __init__(self, build: Build, request: Request, folder: Path, work_folder: Path) -> None:
        self.why_not = ""
        self.block_size, self.rate_hz = request.block_size, request.rate_hz
        self.block_s: list[list[float]] = []
        self._build, self._request, self._folder, self._work = build, request, folder, work_folder
        self._short = round(FIRST_TRY_S * request.rate_hz)
        self._long = 0
        self._longest = round(LONGEST_INPUT_S * request.rate_hz)

    def restart(self) -> None:
        pass

    def renew(self) -> None:
        pass

    def get_ready(self) -> None:
        if not self._long:
            self._find_length()

    def seconds_per_sample(self) -> float | None:
        self.get_ready()
        short_s, long_s = self._cpu_seconds(self._short), self._cpu_seconds(self._long)
        if short_s is None or long_s is None:
            return None
        return (long_s - short_s) / (self._long - self._short)

    def _find_length(self) -> None:
        """Lengthen the long input until it costs, above start-up, ``PROGRAM_RUN_S`` or half of what start-up does."""
        start_s = self._cpu_seconds(self._short)
        self._long = 4 * self._short
        while start_s is not None:
            long_s = self._cpu_seconds(self._long)
            if long_s is None:
                return
            wanted_s = max(PROGRAM_RUN_S, 0.5 * start_s)
            if long_s - start_s >= wanted_s / 2 or self._long >= self._longest:
                return
            times = min(16.0, wanted_s / max(long_s - start_s, wanted_s / 16))
            self._long = min(self._longest, int(self._long * times))

    def _cpu_seconds(self, samples: int) -> float | None:
        if self.why_not:
            return None
        heard = noise(self._request.input_channels, samples)
        ended = run_program(self._build, self._request, heard, self._folder, self._work, timing_core())
        self.why_not = ended.trouble(self._build.limits)
        return None if self.why_not else ended.cpu_s
