"""Running somebody else's program: in a child process, within limits, and leaving nothing behind.

The child has no standard input, its standard output is thrown away (unless asked for), and of its standard error only
the end is kept.
When it ends, when it takes too long or too much and when the suite is interrupted, it and everything it started are
killed (see ``render.launcher``). Limits on what it uses altogether hold on Linux; elsewhere those of each process.
"""

from __future__ import annotations

import contextlib
import fcntl
import itertools
import math
import os
import re
import select
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from types import TracebackType

    from reverdict.render.build import Limits

KEPT_BYTES = 8192
KEPT_BYTES_OF_ALL = 1 << 20
PIECE_BYTES, PIPE_PIECES = 1 << 16, 64
"""Read at once; and as many as a pipe holds at most by default, and more."""

LINE_CHARACTERS = 200
PEAKS_A_MB = 1 << (20 if sys.platform == "darwin" else 10)
"""Units of ``ru_maxrss``: bytes there, 1024 bytes elsewhere."""

STOPPING_S = 5.0
MARK = "REVERDICT_RENDER"
"""In the environment of everything a build starts: who it belongs to."""

LAUNCH = "import sys; sys.path.append({folder!r}); import launcher; launcher.main()"
"""Imported, for a script would be compiled anew for every render."""

_counter = itertools.count()
NO_STREAMS = (subprocess.DEVNULL, subprocess.DEVNULL)
TELLING = re.compile(r"\berror\b|\bundefined reference\b", re.IGNORECASE)
OUT_OF_MEMORY = re.compile("MemoryError|bad_alloc|[Oo]ut of memory|Cannot allocate memory|memory allocation of [0-9]+")


TOO_MUCH = {
    "memory": "used more than {0.memory_mb} MB of memory in all its processes together and was stopped",
    "files": "wrote files of more than {0.file_mb} MB together and was stopped",
    "processes": "started more than {0.processes} processes and was stopped",
    "watch": "ended the process that watches over it, its parent, and was stopped",
}


@dataclass(frozen=True)
class Ended:
    """How a child ended.

    status : int or None
        Exit status, negative for the signal that killed it, None when it was stopped for taking too long.
    said : str
        The end of what it wrote to standard error.
    cpu_s : float
        CPU seconds of the child and of those of its children that it waited for.
    left : int
        Processes that still ran when it had ended; they have been killed.
    too_much : str
        What it was stopped for: a key of ``TOO_MUCH``, or empty.
    peak_mb : float
        Peak of the resident memory of the largest of those processes, in 2**20 bytes; never told below the few MB that
        its launcher had when it forked.
    """

    status: int | None
    said: str
    cpu_s: float
    left: int = 0
    too_much: str = ""
    peak_mb: float = math.nan

    @property
    def telling_line(self) -> str:
        """The first line that speaks of an error, as a compiler's does among others; else the last line."""
        printable = ["".join(c if c.isprintable() else " " for c in line).strip() for line in self.said.split("\n")]
        lines = [line[:LINE_CHARACTERS] for line in printable if line]
        return next(filter(TELLING.search, lines), lines[-1] if lines else "")

    def trouble(self, limits: Limits) -> str:
        """Why this end is a failure, in plain words; empty when the child ended well."""
        if self.too_much:
            return TOO_MUCH[self.too_much].format(limits)
        if self.status == 0:
            return ""
        if self.status is None:
            return f"did not finish within {limits.seconds:g} s and was stopped"
        if OUT_OF_MEMORY.search(self.telling_line):
            return out_of_memory(limits)
        said = f": {self.telling_line}" if self.telling_line else ""
        if self.status > 0:
            return f"ended with status {self.status}{said}"
        if -self.status == signal.SIGXFSZ:
            return f"wrote a file of more than {limits.file_mb} MB and was stopped"
        return f"died by {signal_words(-self.status)}{said}"


def out_of_memory(limits: Limits) -> str:
    """The sentence for a build that asked for more memory than it may have."""
    return f"ran out of memory (limit {limits.memory_mb} MB)"


def signal_words(number: int) -> str:
    """For example "SIGSEGV (segmentation fault)"."""
    try:
        name = signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
    return f"{name} ({(signal.strsignal(number) or 'no description').lower()})"


def run(
    argv: Sequence[str],
    folder: Path,
    limits: Limits,
    environment: Mapping[str, str] | None = None,
    core: int | None = None,
    hear_all: bool = False,
    streams: tuple[int, int] = NO_STREAMS,
) -> Ended:
    """Run a program in ``folder`` to its end. Never raises for what it does; a missing program ends with status 126."""
    with Child(argv, folder, limits, environment, core=core, hear_all=hear_all, streams=streams) as child:
        return child.wait(time.monotonic() + limits.seconds)


class Child:
    """A running program. Leaving the ``with`` block, for whatever reason, ends it and everything it started.

    Parameters
    ----------
    argv : sequence of str
        Program and arguments. No shell reads them.
    folder : path
        Where it runs.
    limits : Limits
        Enforced by the system and the launcher; time by ``wait`` and ``read_line``.
    environment : mapping, optional
        Added to the suite's own environment. ``TMPDIR`` in it is the folder in which all files together are limited.
    keep_open : sequence of int
        File descriptors that the child inherits.
    core : int, optional
        The processor core it must stay on.
    hear_all : bool
        Keep a megabyte of what it says, standard output included, as of a compiler.
    streams : pair of int
        File descriptors of its standard input and output; nothing by default.
    """

    def __init__(
        self,
        argv: Sequence[str],
        folder: Path,
        limits: Limits,
        environment: Mapping[str, str] | None = None,
        keep_open: Sequence[int] = (),
        core: int | None = None,
        hear_all: bool = False,
        streams: tuple[int, int] = NO_STREAMS,
    ) -> None:
        self._argv = list(argv)
        self._mark = f"{os.getpid()}-{next(_counter)}-{time.time_ns()}"
        self._status, status_end = pipe()
        self._said, said_end = pipe()
        self._tail = b""
        self._kept_bytes = KEPT_BYTES_OF_ALL if hear_all else KEPT_BYTES
        # The suite watches the clock. This stops a build that outlives even the suite.
        cpu_seconds = math.ceil(limits.seconds * (os.cpu_count() or 1)) + 60
        launcher = [sys.executable, "-I", "-S", "-c", LAUNCH.format(folder=str(Path(__file__).parent))]
        bounds = [
            status_end, os.getpid(), cpu_seconds, limits.memory_mb << 20, limits.file_mb << 20, limits.processes,
            -1 if core is None else core,
        ]  # fmt: skip
        counted = (environment or {}).get("TMPDIR", "")
        try:
            self._process = subprocess.Popen(
                [*launcher, *map(str, bounds), counted, *argv],
                cwd=folder,
                env={**os.environ, **(environment or {}), MARK: self._mark},
                stdin=streams[0],
                stdout=said_end if hear_all else streams[1],
                stderr=said_end,
                pass_fds=[status_end, *keep_open],
                start_new_session=True,
            )
        except BaseException:
            os.close(self._status)
            os.close(self._said)
            raise
        finally:
            os.close(status_end)
            os.close(said_end)
        self._errors: int | None = self._said

    def __enter__(self) -> Child:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop()
        os.close(self._said)
        os.close(self._status)

    def wait(self, deadline: float) -> Ended:
        """Wait for the end until ``deadline`` (of ``time.monotonic``), then stop it."""
        line = self.read_line(self._status, deadline)
        self._stop()
        self._drain()
        said = self._tail.decode(errors="replace")
        if line is None:
            return Ended(None, said, math.nan)
        if not line:
            if self._process.returncode >= 0:
                raise RuntimeError(f"the launcher of {self._argv} failed:\n{said}")
            return Ended(-signal.SIGKILL, said, math.nan, too_much="watch")
        status, cpu_s, left, why, peak = line.split()
        too_much = why if why in TOO_MUCH else ""
        exit_code = os.waitstatus_to_exitcode(int(status))
        return Ended(exit_code, said, float(cpu_s), int(left), too_much, int(peak) / PEAKS_A_MB)

    def read_line(self, source: int, deadline: float) -> str | None:
        """One line from a file descriptor, "" at its end, None when ``deadline`` passed first.

        Standard error is emptied meanwhile, so that a flood of messages neither blocks the child nor fills anything.
        """
        line = b""
        while not line.endswith(b"\n"):
            left = deadline - time.monotonic()
            if left <= 0.0:
                return None
            watched = [source] if self._errors is None else [source, self._errors]
            ready, _, _ = select.select(watched, [], [], left)
            if self._errors in ready:
                self._keep_errors()
            if source in ready:
                piece = os.read(source, 4096)
                if not piece:
                    return ""
                line += piece
        return line.decode()

    def _stop(self) -> None:
        """End the child and everything it started. Does nothing when it has ended."""
        if self._process.poll() is None:
            self._process.terminate()
            self._process.send_signal(signal.SIGCONT)  # where a build has stopped the launcher
        try:
            self._process.wait(STOPPING_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.returncode < 0:
            end_marked(self._mark)

    def _keep_errors(self) -> None:
        assert self._errors is not None
        piece = os.read(self._errors, PIECE_BYTES)
        if not piece:
            self._errors = None
        self._tail = (self._tail + piece)[-self._kept_bytes :]

    def _drain(self) -> None:
        """Take what is left in the pipe, without waiting for a process that may hold it open or go on writing."""
        for _ in range(PIPE_PIECES):
            if self._errors is None or not select.select([self._errors], [], [], 0.0)[0]:
                return
            self._keep_errors()


def pipe() -> tuple[int, int]:
    """A pipe whose ends do not lie where a child has its standard streams, as they may where the suite has none."""
    ends = os.pipe()
    moved = [fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 3) if end < 3 else end for end in ends]
    for end in set(ends) - set(moved):
        os.close(end)
    return moved[0], moved[1]


def end_marked(mark: str) -> None:
    """Kill what a build has started whose launcher was killed, so that nobody adopts it. Linux only."""
    sign = f"{MARK}={mark}\0".encode()
    found = True
    while found:
        found = False
        for process in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError):  # it has just ended, or is not ours
                if sign in (process / "environ").read_bytes():
                    os.kill(int(process.name), signal.SIGKILL)
                    found = True
