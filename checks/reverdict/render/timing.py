"""What a sample costs: CPU seconds of a build on noise, measured in child processes like any render.

CPU time, not wall-clock time: it does not count waiting for others. It still rises when others share caches and clock
rates, always upward, which is why ``check.cost`` compares two builds in turns and never trusts one number. All timed
children stay on one core, so that two builds meet the same neighbours: with both cores of a machine oversubscribed
twice, the median ratio of 40 pairs of 30 ms between two workers of one build strayed by 1.3 % (standard deviation) on
one core, 3.1 % where the system chose.

A build with a host keeps one worker that reads its own CPU clock around the blocks. A ``command`` build runs anew each
time on a short and a long input; the slope between the two is free of start-up, yet holds reading and writing files
(tens of nanoseconds a sample). The input is seeded noise at -20 dBFS rms.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from reverdict.render import child
from reverdict.render.build import Build, Request
from reverdict.render.command import run_program
from reverdict.render.folders import build_folder, render_folder, working_folder
from reverdict.render.hosted import describe_job, require_host, worker_argv, worker_environment, worker_trouble
from reverdict.render.prepare import prepare
from reverdict.render.worker import NOISE_RMS, NOISE_SEED
from reverdict.words import BuildIdentity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

RUN_S = 0.05
"""CPU seconds one measurement should take: long against the clock, short against a change of mood of the machine."""

LONGEST_INPUT_S = 60.0
FIRST_TRY_S = 0.05
HAVE_NONE = {"recordings": "recordings have no cost", "interface": "hardware has no cost"}


class Timer(Protocol):
    """Something whose samples cost CPU time. ``why_not`` says why it cannot be timed (any more)."""

    why_not: str

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
            yield _NoTimer(HAVE_NONE[build.kind])
            return
        if trouble := prepare(build, work):
            yield _NoTimer(trouble)
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
    def __init__(self, why_not: str) -> None:
        self.why_not = why_not

    def seconds_per_sample(self) -> float | None:
        return None


class _HostedTimer:
    """One worker that stays. It answers how many CPU seconds a number of samples took."""

    def __init__(self, build: Build, request: Request, folder: Path, work_folder: Path) -> None:
        require_host(build)
        self.why_not = ""
        self._build, self._folder = build, folder
        self._samples = max(request.block_size, round(FIRST_TRY_S * request.rate_hz))
        self._longest = round(LONGEST_INPUT_S * request.rate_hz)
        self._warm = False
        questions, self._ask = child.pipe()
        self._hear, answers = child.pipe()
        try:
            job = describe_job(build, request, folder, work_folder)
            job |= {"questions": questions, "answers": answers}
            described = folder / "job.json"
            described.write_text(json.dumps(job), encoding="utf-8")
            environment = worker_environment(folder, build_folder(build, work_folder))
            # The same order of sets and dicts in every process: one difference less between two of them.
            environment["PYTHONHASHSEED"] = "0"
            self._child = child.Child(
                worker_argv(described), build.folder, build.limits, environment, (questions, answers), timing_core()
            )
        except BaseException:
            os.close(self._ask)
            os.close(self._hear)
            raise
        finally:
            os.close(questions)
            os.close(answers)

    def __enter__(self) -> _HostedTimer:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._ask)
        self._child.__exit__(None, None, None)
        os.close(self._hear)

    def seconds_per_sample(self) -> float | None:
        while not self._warm and not self.why_not:
            self._find_length()
        measured = self._measure()
        return measured[1] / measured[0] if measured else None

    def _find_length(self) -> None:
        """Lengthen the run until it takes ``RUN_S``; the first runs also warm the build up."""
        measured = self._measure()
        if measured is None:
            return
        samples, cpu_s = measured
        wanted = samples * RUN_S / max(cpu_s, 1e-6)
        self._warm = cpu_s >= RUN_S / 4 or samples >= self._longest
        self._samples = int(min(wanted, self._longest, samples * 16 if not self._warm else wanted))

    def _measure(self) -> tuple[int, float] | None:
        if self.why_not:
            return None
        deadline = time.monotonic() + self._build.limits.seconds
        with contextlib.suppress(BrokenPipeError):
            os.write(self._ask, f"{self._samples}\n".encode())
        answer = self._child.read_line(self._hear, deadline)
        if not answer:
            # No answer: the worker ended, or it takes too long and is stopped.
            ended = self._child.wait(deadline if answer is None else time.monotonic() + child.STOPPING_S)
            self.why_not = worker_trouble(ended, self._build, self._folder) or "ended before it was timed"
            return None
        samples, cpu_s = answer.split()
        return int(samples), float(cpu_s)


class _CommandTimer:
    """A fresh process for each run; cost is the slope between a short and a long input."""

    def __init__(self, build: Build, request: Request, folder: Path, work_folder: Path) -> None:
        self.why_not = ""
        self._build, self._request, self._folder, self._work = build, request, folder, work_folder
        self._short = round(FIRST_TRY_S * request.rate_hz)
        self._long = 0
        self._longest = round(LONGEST_INPUT_S * request.rate_hz)

    def seconds_per_sample(self) -> float | None:
        if not self._long:
            self._find_length()
        short_s, long_s = self._cpu_seconds(self._short), self._cpu_seconds(self._long)
        if short_s is None or long_s is None:
            return None
        return (long_s - short_s) / (self._long - self._short)

    def _find_length(self) -> None:
        """Lengthen the long input until it costs ``RUN_S``, or half as much as starting the program, above start-up."""
        start_s = self._cpu_seconds(self._short)
        self._long = 4 * self._short
        while start_s is not None:
            long_s = self._cpu_seconds(self._long)
            if long_s is None:
                return
            wanted_s = max(RUN_S, 0.5 * start_s)
            if long_s - start_s >= wanted_s / 2 or self._long >= self._longest:
                return
            times = min(16.0, wanted_s / max(long_s - start_s, wanted_s / 16))
            self._long = min(self._longest, int(self._long * times))

    def _cpu_seconds(self, samples: int) -> float | None:
        if self.why_not:
            return None
        noise = _noise(self._request.input_channels, samples)
        ended = run_program(self._build, self._request, noise, self._folder, self._work, timing_core())
        self.why_not = ended.trouble(self._build.limits)
        return None if self.why_not else ended.cpu_s


@functools.lru_cache(maxsize=4)
def _noise(channels: int, samples: int) -> NDArray[Any]:
    """Seeded noise, shape (channels, samples)."""
    return np.random.default_rng(NOISE_SEED).normal(0.0, NOISE_RMS, (channels, samples))
