"""A program ``reverdict`` that starts at once: a process that has everything imported forks for each command.

    warm.py serve SOCKET            until its standard input ends
    warm.py call SOCKET ARGUMENT…   what the program does: hand on arguments, folder, environment and streams

For tests in which a command is one step of many. How the real one starts is proved elsewhere.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def program(folder: Path) -> Iterator[Path]:
    """The program, in a folder of the caller's."""
    path, place = folder / "reverdict", folder / "warm"
    with subprocess.Popen([sys.executable, __file__, "serve", place], stdin=subprocess.PIPE) as server:
        while not place.exists():
            assert server.poll() is None
            time.sleep(0.02)
        path.write_text(f'#!/bin/sh\nexec "{sys.executable}" -ES "{__file__}" call "{place}" "$@"\n', encoding="utf-8")
        path.chmod(0o755)
        yield path


def serve(place: str) -> None:
    import xdist.plugin  # noqa: F401

    import reverdict.gate
    import reverdict.report
    import reverdict.trial  # noqa: F401

    with socket.socket(socket.AF_UNIX) as server:
        server.bind(place)
        server.listen()
        while server in select.select([server, sys.stdin], [], [])[0]:
            caller, _ = server.accept()
            if os.fork() == 0:
                server.close()
                answer(caller)
            caller.close()
            with contextlib.suppress(ChildProcessError):
                os.waitpid(-1, os.WNOHANG)


def answer(caller: socket.socket) -> None:
    from reverdict.command_line import main

    told, streams, *_ = socket.recv_fds(caller, 1 << 20, 3)
    arguments, folder, environment = json.loads(told)
    for number, stream in enumerate(streams):
        os.dup2(stream, number)
        os.close(stream)
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    sys.argv[1:] = arguments
    with os.fdopen(1, "w", closefd=False) as sys.stdout, os.fdopen(2, "w", closefd=False) as sys.stderr:
        try:
            status = main(arguments)
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else 2
    caller.send(bytes([status]))
    os._exit(0)


def call(place: str, arguments: list[str]) -> int:
    with socket.socket(socket.AF_UNIX) as server:
        server.connect(place)
        told = json.dumps([arguments, str(Path.cwd()), dict(os.environ)])
        socket.send_fds(server, [told.encode()], [0, 1, 2])
        status = server.recv(1)
    return status[0] if status else 3


if __name__ == "__main__":
    if sys.argv[1] == "serve":
        serve(sys.argv[2])
    else:
        sys.exit(call(sys.argv[2], sys.argv[3:]))
