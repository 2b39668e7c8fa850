"""The child process that shows how a build with a host grows. Two kinds of job, or both, one after the other.

With ``play`` it opens the build, makes one instance and plays noise to it block by block until that has taken a given
CPU time (or lasted as long as it may), and writes down what each block took and what memory the process had. A process
of its own each time: what was loaded or taken once is not there again.

With ``questions`` it stays. Each question is a line of JSON: how the job differs at this point (rate, block size,
channels, parameters), the level of the noise, and how many blocks; the answer is the CPU seconds they took, or why the
build refuses. An instance is made, and warmed by a block, when its point is first asked for, and kept: points are asked
in turns, so that whatever else the machine does falls on all.
"""

from __future__ import annotations

import gc
import json
import os
import resource
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.render.hosts import BuildError, Instance, open_host
from reverdict.render.noise import NOISE_RMS, noise_blocks
from reverdict.render.worker import cpu_seconds, run_job

if TYPE_CHECKING:
    from numpy.typing import NDArray

STATM, STATUS, CLEAR_REFS = Path("/proc/self/statm"), Path("/proc/self/status"), Path("/proc/self/clear_refs")
READINGS_A_SECOND = 16
LARGEST_KEPT_BYTES = 31 << 20
"""A little less than the 32 MiB above which glibc never keeps a piece (mallopt(3), M_MMAP_THRESHOLD)."""

PEAK_WITHIN_S = 1.0
"""Seconds of sound: long enough for what is allocated at first use, short enough that a leak does not count twice."""


def main() -> None:
    """Play, then answer."""
    run_job(play_and_answer)


def play_and_answer(job: dict[str, Any]) -> None:
    """What the job asks."""
    if "play" in job:
        play(job)
    if "questions" in job:
        answer(job)


def play(job: dict[str, Any]) -> None:
    """Play noise to one instance and write ``job["play"]["result"]``, arrays by name."""
    asked, rate_hz, frames = job["play"], job["sample_rate"], job["block_size"]
    noise = noise_blocks(job)
    most = max(1, round(asked["longest_s"] * rate_hz / frames))
    fewest = min(most, max(1, round(asked["shortest_s"] * rate_hz / frames)))
    every = max(1, rate_hz // (READINGS_A_SECOND * frames))
    cpu_s = np.full(most, np.nan)  # filled, so that its own pages are there before they are counted
    resident = np.full(most // every + 1, np.nan)
    gc.collect()
    forget_peak()
    before_mb = peak_mb()
    started = cpu_seconds()
    instance = open_host(job).make()
    setup_s = cpu_seconds() - started
    spent, number, peak = 0.0, 0, None
    while number < most and (number < fewest or spent < asked["cpu_s"]):
        began = cpu_seconds()
        instance.process(noise[number % noise.shape[0]])
        cpu_s[number] = cpu_seconds() - began
        spent += cpu_s[number]
        number += 1
        if number % every == 0:
            resident[number // every - 1] = resident_kb()
        if peak is None and number * frames >= PEAK_WITHIN_S * rate_hz:
            peak = peak_mb()
    peak = peak_mb() if peak is None else peak
    instance.close()
    read_at = np.arange(1, number // every + 1) * every * frames / rate_hz
    np.savez(
        asked["result"],
        setup_s=setup_s,
        peak_mb=peak - before_mb,
        ends_s=np.arange(1, number + 1) * frames / rate_hz,
        cpu_s=cpu_s[:number],
        read_at_s=read_at,
        resident_kb=resident[: read_at.size],
    )


def answer(job: dict[str, Any]) -> None:
    """Read a question a line, and answer it, until told no more."""
    for pipe in (job["questions"], job["answers"]):
        os.set_inheritable(pipe, False)
    settle_allocator()
    instances: dict[str, tuple[Instance, NDArray[Any]]] = {}
    with os.fdopen(job["questions"], encoding="utf-8") as questions:
        for line in questions:
            asked = json.loads(line)
            os.write(job["answers"], (json.dumps(answer_to(asked, job, instances)) + "\n").encode())


def answer_to(
    asked: dict[str, Any], job: dict[str, Any], instances: dict[str, tuple[Instance, NDArray[Any]]]
) -> dict[str, Any]:
    """CPU seconds of the blocks asked for, or the reason for which the build refuses."""
    at_point = {**job, **asked["differs"]}
    key = json.dumps([asked["differs"], asked["level_db"]], sort_keys=True)
    try:
        if key not in instances:
            level = 0.0 if asked["level_db"] is None else 10.0 ** (asked["level_db"] / 20.0)
            noise = level / NOISE_RMS * noise_blocks(at_point)
            instances[key] = open_host(at_point).make(), noise
            time_blocks(*instances[key], 1)
            # From here on only what the build itself leaves behind has to be searched for garbage.
            gc.collect()
            gc.freeze()
        return {"cpu_s": time_blocks(*instances[key], asked["blocks"])}
    except BuildError as refusal:
        instances.pop(key, None)
        return {"refused": str(refusal)[:1000]}


def settle_allocator() -> None:
    """Let glibc keep what is freed, as it would after a while.

    It gives memory back to the system, to be cleared page by page when it is asked for again, until as large a piece
    has been freed once. In a process that plays all sizes the largest alone would pay for that: an FFT convolution of
    n log n seemed to grow with the square of the rate.
    """
    np.empty(LARGEST_KEPT_BYTES, np.uint8)


def time_blocks(instance: Instance, noise: NDArray[Any], blocks: int) -> float:
    """CPU seconds of a number of blocks."""
    started = cpu_seconds()
    for number in range(blocks):
        instance.process(noise[number % noise.shape[0]])
    return cpu_seconds() - started


def resident_kb() -> float:
    """Memory of this process that is in use now; NaN where the system does not tell."""
    try:
        return int(STATM.read_bytes().split()[1]) * resource.getpagesize() / 1024
    except OSError:
        return float("nan")


def peak_mb() -> float:
    """The most it ever was, or has been since ``forget_peak``."""
    try:
        (line,) = [line for line in STATUS.read_text(encoding="utf-8").splitlines() if line.startswith("VmHWM:")]
        return int(line.split()[1]) / 1024
    except (OSError, ValueError):
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1 << (20 if sys.platform == "darwin" else 10))


def forget_peak() -> None:
    """Linux only: count the peak from here on."""
    try:  # noqa: SIM105 - one line that says why
        CLEAR_REFS.write_text("5")
    except OSError:
        pass  # then the peak of importing numpy is the least that shows
