"""What a command says while it works and when it fails: progress, errors in a line or two, readers who leave."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from typing import TYPE_CHECKING, Any

from reverdict.errors import BadInput, no_room

if TYPE_CHECKING:
    from collections.abc import Iterator


def told(error: BaseException) -> tuple[int, list[str]]:
    """Exit status of what went wrong, and what to say of it."""
    if isinstance(error, BadInput):
        return 2, str(error).splitlines()
    if isinstance(error, KeyboardInterrupt):
        return (143, ["stopped by SIGTERM"]) if error.args == ("SIGTERM",) else (130, ["stopped by Ctrl-C"])
    if isinstance(error, OSError) and error.filename:
        return 2, [f"{error.filename}: {error.strerror}"]
    if isinstance(error, FileNotFoundError) and _nowhere():
        return 2, ["the folder that this runs in is gone; cd to another"]
    if no_room(error):
        return 2, [f"what was to be written has no room ({error})"]
    last = (str(error).strip().splitlines() or [""])[-1][:200]
    seeing = "set REVERDICT_TRACEBACK=1 and run again to see where"
    return 3, [f"internal error, {type(error).__name__}: {last}", seeing]


def _nowhere() -> bool:
    try:
        os.getcwd()  # noqa: PTH109 - which a path would ask, too
    except FileNotFoundError:
        return True
    return False


@contextlib.contextmanager
def reader_may_leave() -> Iterator[None]:
    """A reader of our output who has seen enough (``| head``) is no error, and changes nothing about a verdict."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


class Progress:
    """One line on a terminal that says what is being done; in a log what is ahead, and a line now and then."""

    EVERY_S = 20.0

    def __init__(self, stream: Any, quiet: bool = False) -> None:
        self.stream = stream
        self.shown = stream.isatty()
        self.due_at = time.monotonic() + self.EVERY_S if quiet else 0.0

    def show(self, said: str) -> None:
        if self.shown:
            self.stream.write(f"\r\x1b[K{said[:78]}…")
        elif time.monotonic() >= self.due_at:
            self.stream.write(f"reverdict: {said}\n")
            self.due_at = time.monotonic() + self.EVERY_S
        self.stream.flush()

    def clear(self) -> None:
        if self.shown:
            self.stream.write("\r\x1b[K")
            self.stream.flush()
