"""Approvals that are killed, in processes of their own: python killed_approvals.py ROOT HOW COUNT SEED.

ROOT/original holds ``golden`` and ``new.wav``. Every kill gets a copy of it, ROOT/kill-0 and so on, in which
``golden approve tank`` is forked from a process that has everything imported.

HOW
    before   at the n-th file operation in the golden folder, before it happens; n counts from 0 until none is left
    torn     the same, but a file opened for writing is left with four bytes in it
    signal   by SIGKILL from outside: of every four, one anywhere in the whole command, three while it writes
    made     COUNT processes make the reference named in ROOT/names at once: one does, others are told
    together COUNT approvals at once of the references named in ROOT/names, each of another response, nobody killed
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from conftest import tables_for
from reverdict import command_line
from reverdict.check import echo_timing, energy_decay, group_delay  # noqa: F401 - imported before forking
from reverdict.errors import BadInput
from reverdict.golden_set import writing
from reverdict.making import signing
from reverdict.measure import figures, measurement  # noqa: F401
from reverdict.sound import read_sound
from reverdict.words import Response

OPERATIONS = ("open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.truncate", "os.link", "os.listdir")
KILLED, REFUSED = 9, 7
RATE_HZ = 48000


def approve(folder: Path) -> None:
    """As from the command line, in silence."""
    os.chdir(folder)
    signing.who = lambda: "Nobody"
    with Path(os.devnull).open("w") as nowhere, contextlib.redirect_stdout(nowhere):
        command_line.main(["golden", "approve", "tank", "--from", "new.wav", "--why", "killed"])


def forked(work: Any) -> int:
    child = os.fork()
    if child == 0:
        work()
        os._exit(0)
    return child


def die_at(operation: int, folder: Path, *, torn: bool) -> None:
    """End this process at an operation on a file in a folder, whoever asks for it."""
    seen = 0

    def hook(event: str, arguments: tuple[Any, ...]) -> None:
        nonlocal seen
        if event not in OPERATIONS or not isinstance(arguments[0], str | os.PathLike):
            return
        path = os.path.abspath(arguments[0])  # noqa: PTH100 - asks nothing of the disk, so that no hook is called
        if not path.startswith(f"{folder}{os.sep}") and path != str(folder):
            return
        seen += 1
        if seen != operation + 1:
            return
        seen += 1000  # what follows is our own
        writes = event == "open" and isinstance(arguments[2], int) and arguments[2] & (os.O_WRONLY | os.O_RDWR)
        if torn and writes and arguments[2] & os.O_TRUNC:
            os.write(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), b"torn")
        os._exit(KILLED)

    sys.addaudithook(hook)


def at_every_operation(root: Path, *, torn: bool) -> None:
    for operation in range(1000):
        folder = copy(root, operation)

        def work(folder: Path = folder, operation: int = operation) -> None:
            die_at(operation, folder / "golden", torn=torn)
            samples, rate_hz = read_sound(folder / "new.wav")
            writing.approve("tank", Response(samples, rate_hz), "new", "killed", "Nobody", folder / "golden")

        _, status = os.waitpid(forked(work), 0)
        if os.waitstatus_to_exitcode(status) != KILLED:
            shutil.rmtree(folder)
            return
    raise RuntimeError("there is no end to it")


def by_signal(root: Path, count: int, seed: int) -> None:
    chance = random.Random(seed)
    whole_s, writing_s = lasts(root)
    for number in range(count):
        folder = copy(root, number)
        anywhere = number % 4 == 0
        begun, child = watched(folder, from_start=anywhere)
        os.read(begun, 1)
        time.sleep(chance.uniform(0, whole_s if anywhere else 1.2 * writing_s))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(begun)


def lasts(root: Path) -> tuple[float, float]:
    """How long an approval lasts, and its writing."""
    times = []
    for from_start in (True, False):
        folder = copy(root, 0)
        begun, child = watched(folder, from_start=from_start)
        os.read(begun, 1)
        start = time.perf_counter()
        os.waitpid(child, 0)
        times.append(time.perf_counter() - start)
        os.close(begun)
        shutil.rmtree(folder)
    return times[0], times[1]


def watched(folder: Path, *, from_start: bool) -> tuple[int, int]:
    """A child that approves, and a pipe on which it says when it begins, or begins to write."""
    told, tell = os.pipe()

    def work() -> None:
        if from_start:
            os.write(tell, b".")
        else:
            write = writing.Approving.write

            def telling(self: Any, *arguments: Any, **more: Any) -> Any:
                os.write(tell, b".")
                return write(self, *arguments, **more)

            writing.Approving.write = telling  # type: ignore[method-assign]
        approve(folder)

    child = forked(work)
    os.close(tell)
    return told, child


def together(root: Path, count: int) -> None:
    names = (root / "names").read_text(encoding="utf-8").split()
    start, go = os.pipe()

    def work(number: int) -> None:
        os.close(go)
        os.read(start, 1)  # until all are there
        writing.approve(
            names[number % len(names)],
            response(number),
            f"build {number}",
            f"why {number}",
            "Somebody",
            root / "golden",
        )

    children = [forked(lambda number=number: work(number)) for number in range(count)]
    os.close(go)
    ends = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    assert ends == [0] * count, ends


def made(root: Path, count: int) -> None:
    name = (root / "names").read_text(encoding="utf-8")
    start, go = os.pipe()

    def work() -> None:
        os.close(go)
        os.read(start, 1)  # until all are there
        try:
            writing.new(name, response(1), tables_for("x"), root / "golden")
        except BadInput as error:
            os._exit(REFUSED if "already" in str(error) else 1)

    children = [forked(work) for _ in range(count)]
    os.close(go)
    ends = sorted(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children)
    assert ends == [0] + (count - 1) * [REFUSED], ends


def response(number: int) -> Response:
    return Response(np.random.default_rng(1000 + number).normal(scale=0.1, size=(1, 4800)), RATE_HZ)


def copy(root: Path, number: int) -> Path:
    folder = root / f"kill-{number}"
    shutil.copytree(root / "original", folder)
    return folder


if __name__ == "__main__":
    place, how, many, seeded = Path(sys.argv[1]).resolve(), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    if how == "signal":
        by_signal(place, many, seeded)
    elif how in ("together", "made"):
        (together if how == "together" else made)(place, many)
    else:
        at_every_operation(place, torn=how == "torn")
