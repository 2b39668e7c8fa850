"""The child process that runs what has a host (``render.hosts``): opens the build, makes instances and feeds them.

The job is a JSON file (``render.hosted.describe_job``); outputs and the reason of a failure are files too, so nothing
that the build prints can be mistaken for a result. Three kinds of job: one with ``takes`` plays each to a fresh
instance, one after another; one with ``questions`` stays and answers, on two pipes, how many CPU seconds a number of
samples of noise took, and each block of it; one with ``count`` has its calls counted (``render.counted_run``).

Arrays are mapped, not read: a minute of eight channels at 192 kHz passes through block by block.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import resource
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.lib.format import open_memmap

from reverdict.render.hosts import BuildError, Host, Instance, Slip, open_host
from reverdict.render.noise import noise_blocks

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

FAILED = 1
SLIPPED = 3
"""Exit statuses: the build fails; its TOML asks for something that is not there."""

LONGEST_LATENCY_S = 10.0

BLOCKS_OF_NOTHING = 2000


def main() -> None:
    """Play takes, count calls, or answer timings."""
    run_job(play_or_time)


def play_or_time(job: dict[str, Any]) -> None:
    """Open the build and do what the job asks."""
    host = open_host(job)
    if "takes" in job:
        for take in job["takes"]:
            play(host, take, job)
    elif "count" in job:
        from reverdict.render.counted_run import count_calls

        count_calls(host, job)
    else:
        answer_timings(host, job)


def run_job(do: Callable[[dict[str, Any]], None]) -> None:
    """Do the job named by the last argument and end at once: the build's own threads may still be running."""
    job = json.loads(Path(sys.argv[-1]).read_text(encoding="utf-8"))
    try:
        do(job)
    except BuildError as refusal:
        Path(job["failure"]).write_text(str(refusal)[:1000], encoding="utf-8")
        os._exit(SLIPPED if isinstance(refusal, Slip) else FAILED)
    os._exit(0)


def play(host: Host, take: dict[str, Any], job: dict[str, Any]) -> None:
    """Feed the take's input, shape (channels, samples), to a fresh instance; write its output less its latency.

    ``told`` is written last: a take that has it was played to its end.
    """
    instance = host.make()
    other = open_host(job | {"sample_rate": take["beside_rate"]}).make() if "beside" in take else None
    heard = np.load(take["input"], mmap_mode="r")
    beside = np.load(take["beside"], mmap_mode="r") if other else None
    said = instance.latency_samples
    latency = require_latency(said, job["sample_rate"])
    frames = heard.shape[1]
    output: NDArray[Any] | None = None
    changes = {at: [one for one in take["changes"] if one[0] == at] for at, *_ in take["changes"]}
    spans = list(split(frames + latency, take["block_sizes"], sorted(changes)))
    cpu_s = np.zeros(len(spans))
    for number, (start, end) in enumerate(spans):
        for _, name, value in changes.get(start, ()):
            change(instance, name, value)
        block = np.zeros((heard.shape[0], end - start))
        block[:, : max(0, min(end, frames) - start)] = heard[:, start:end]
        began = time.thread_time()
        returned = instance.process(block)
        cpu_s[number] = time.thread_time() - began
        if output is None:
            output = open_memmap(  # type: ignore[no-untyped-call, unused-ignore]  # older numpy tells no types
                take["output"], mode="w+", dtype=np.float64, shape=(returned.shape[0], frames)
            )
        if returned.shape[0] != output.shape[0]:
            raise BuildError(f"process() returned {returned.shape[0]} channels after {output.shape[0]} before")
        if end > latency:
            output[:, max(0, start - latency) : end - latency] = returned[:, max(0, latency - start) :]
        if other is not None and beside is not None:
            other.process(np.array(beside[:, start:end]) if start < frames else block)
    told = {
        "latency_samples": said,
        "latency_at_end": instance.latency_samples,
        "can_reset": instance.can_reset,
        "can_move": instance.can_move,
    }
    for one in (instance, other):
        if one is not None:
            one.close()
    if take["timed"]:
        np.save(take["cpu_s"], np.stack([np.array([end for _, end in spans], np.float64), cpu_s]))
    Path(take["told"]).write_text(json.dumps(told), encoding="utf-8")


def change(instance: Instance, name: str, value: Any) -> None:
    """Reset (an empty name), or move a parameter."""
    if name:
        instance.set_parameter(name, value)
    else:
        instance.reset()


def require_latency(samples: int | None, rate_hz: int) -> int:
    """A latency that can be taken out, 0 where none is told. Raises BuildError for an impossible one."""
    if samples is not None and not 0 <= samples <= LONGEST_LATENCY_S * rate_hz:
        raise BuildError(f"reports a latency of {samples} samples, which cannot be")
    return samples or 0


def split(frames: int, sizes: list[int], cuts: list[int]) -> Iterator[tuple[int, int]]:
    """Blocks of the given sizes, again and again, cut where something changes and at the end: (start, end) each."""
    start, number, ahead = 0, 0, list(cuts)
    while start < frames:
        while ahead and ahead[0] <= start:
            ahead.pop(0)
        end = min(start + sizes[number % len(sizes)], frames, *ahead[:1])
        yield start, end
        start, number = end, number + 1


def answer_timings(host: Host, job: dict[str, Any]) -> None:
    """Read a line, answer with one of JSON; until told no more.

    A number: play one more block of noise and then that many, answer ``cpu_s``, what the many took of all threads,
    ``block_ns``, what each took of the thread that calls, and ``own_ns``, what timing a block takes. "fresh": go on
    with a fresh instance and the noise from its start.
    """
    for pipe in (job["questions"], job["answers"]):
        os.set_inheritable(pipe, False)
    instance = host.make()
    stay_on(job["core"])
    noise = noise_blocks(job)
    own_ns = int(np.median(time_blocks(Nothing(), noise, 0, BLOCKS_OF_NOTHING)))
    # From here on only what the build itself leaves behind has to be searched for garbage.
    gc.collect()
    gc.freeze()
    played = 0
    with os.fdopen(job["questions"], encoding="ascii") as questions:
        for line in questions:
            if line == "fresh\n":
                instance.close()
                instance, played = host.make(), 0
                os.write(job["answers"], b"{}\n")
                continue
            blocks = int(line)
            gc.collect()
            time_blocks(instance, noise, played, 1)  # it finds the caches full of other things
            before = cpu_seconds()
            block_ns = time_blocks(instance, noise, played + 1, blocks)
            cpu_s = cpu_seconds() - before - own_ns * blocks * 1e-9
            played += 1 + blocks
            told = {"cpu_s": cpu_s, "block_ns": np.maximum(block_ns - own_ns, 0).tolist(), "own_ns": own_ns}
            write_all(job["answers"], json.dumps(told).encode() + b"\n")


class Nothing:
    """An instance that does nothing: what timing it takes is the price of timing."""

    def process(self, block: NDArray[Any]) -> NDArray[Any]:
        return block


def time_blocks(instance: Instance | Nothing, noise: NDArray[Any], first: int, blocks: int) -> NDArray[np.int64]:
    """CPU time of this thread for each of a number of blocks, from ``first`` of the noise on, in nanoseconds."""
    at = np.empty(blocks + 1, np.int64)
    at[0] = time.thread_time_ns()
    for number in range(blocks):
        instance.process(noise[(first + number) % noise.shape[0]])
        at[number + 1] = time.thread_time_ns()
    return np.diff(at)


def stay_on(core: int | None) -> None:
    """Keep all threads of this process on one core."""
    if core is not None:
        for thread in threads():
            with contextlib.suppress(OSError):  # it has just ended
                os.sched_setaffinity(thread, {core})


def write_all(pipe: int, line: bytes) -> None:
    """A pipe may take less than it is given."""
    while line:
        line = line[os.write(pipe, line) :]


def cpu_seconds() -> float:
    """CPU time of this process, of all its threads and those that have ended, to the microsecond.

    ``time.process_time`` goes by the tick, 1 to 4 ms, once CPU time is limited, as every build's is: Linux then keeps
    the process's clock so. What a process has used it always knows exactly.
    """
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def threads() -> list[int]:
    """Numbers of all threads of this process. Linux only."""
    return [int(folder.name) for folder in Path("/proc/self/task").iterdir()]
