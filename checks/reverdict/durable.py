"""Files that a kill or a power cut leaves old or new, never half; folders that one process at a time writes into.

Method. A file is written beside its place, flushed to the disk and renamed; then the folder is flushed, so that the
renaming itself lasts. Whoever writes into a folder for longer holds an advisory lock (flock) on the folder's own
descriptor: it ends with the process, however that ends, and leaves no file behind.

Limits of validity. Where the system or the file system has no such lock (Windows, some network drives), two processes
may both go ahead; a caller must then hold what it has read against what stands there before it renames.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from reverdict.errors import BadInput

try:
    import fcntl
except ImportError:
    fcntl = None  # type: ignore[assignment]

LONGEST_WAIT_S = 10.0
LOOK_AGAIN_S = 0.05


def temporary(path: Path) -> Path:
    """Name for what is to become ``path``, beside it: hidden, this process's own, and known again when left over."""
    return path.with_name(f".{path.name}.{os.getpid()}.new")


def replace_text(path: Path, text: str) -> None:
    """Let a file hold this text from one moment on."""
    with replacing(path) as beside:
        write_text(beside, text)
    flush_folder(path.parent)


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give the name of a file to be written beside, which then takes the place of ``path``: whole, or not at all.

    A power cut may lose what is not flushed.
    """
    beside = temporary(path)
    try:
        yield beside
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def copied(source: str, target: str) -> None:
    """Copy a file, so that it is whole as soon as it is seen."""
    with replacing(Path(target)) as beside:
        shutil.copyfile(source, beside)


def write_text(path: Path, text: str) -> None:
    """Write text and flush it to the disk."""
    path.write_text(text, encoding="utf-8", newline="\n")
    flush(path)


def settle(beside: Path, path: Path) -> None:
    """Rename what is written and flushed to its place, for good."""
    beside.replace(path)
    flush_folder(path.parent)


def flush(path: Path) -> None:
    """Have the disk hold what a file holds."""
    with path.open("r+b") as opened:
        os.fsync(opened.fileno())


def flush_folder(folder: Path) -> None:
    """Have the disk hold the names in a folder, where folders can be opened."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows flushes names by itself
        return
    try:
        with contextlib.suppress(OSError):  # some network drives refuse, and have nothing to flush
            os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def alone(folder: Path, busy: str, waiting: Callable[[str], None] | None = None) -> Iterator[None]:
    """Be the only process that holds this folder.

    Parameters
    ----------
    busy : str
        What to say of another one that does: "another approval of tank is under way".
    waiting : callable, optional
        Told once that, and how long, we wait.

    Raises
    ------
    BadInput
        Another process holds it for longer than ``LONGEST_WAIT_S``.
    """
    if fcntl is None:
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        if not _locked(handle):
            if waiting:
                waiting(f"{busy}; waiting up to {LONGEST_WAIT_S:g} s for it")
            until = time.monotonic() + LONGEST_WAIT_S
            while not _locked(handle):
                if time.monotonic() > until:
                    raise BadInput(folder, f"{busy}; try again when it has ended")
                time.sleep(LOOK_AGAIN_S)
        yield
    finally:
        os.close(handle)


def _locked(handle: int) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks; see the limits above
        return True
    return True
