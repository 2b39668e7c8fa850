"""Folders that rendering works in: one for a whole run, one in it for each build, one in that for each render."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.render.build import Build

FULL_BYTES = 1 << 16


@contextmanager
def working_folder() -> Iterator[Path]:
    """Yield a fresh folder for one run of the suite; parallel workers share it. It is removed at the end."""
    with _fresh_folder("reverdict-") as folder:
        yield folder


def build_folder(build: Build, work_folder: Path) -> Path:
    """The folder kept for a build during the run, ``{work}`` in its TOML. The same in every process."""
    named = re.sub(r"[^\w.-]+", "-", build.identity.name) or "build"
    told_apart = repr((build.identity, build.place, build.prepare, build.argv))
    folder = work_folder / f"{named[:40]}-{hashlib.sha256(told_apart.encode()).hexdigest()[:8]}"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@contextmanager
def render_folder(build: Build, work_folder: Path) -> Iterator[Path]:
    """Yield a fresh folder for one render, which is also the child's place for temporary files."""
    with _fresh_folder("render-", build_folder(build, work_folder)) as folder:
        yield folder


@contextmanager
def _fresh_folder(prefix: str, parent: Path | None = None) -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix=prefix, dir=parent))
    try:
        yield folder
    finally:
        remove(folder)


def full_disk(folder: Path) -> str:
    """What may be behind any failure of a build that works in this folder of a render, to be put after it."""
    full = folder.is_dir() and shutil.disk_usage(folder).free < FULL_BYTES
    return f"; the disk of {folder.parents[2]} is full" if full else ""


def remove(folder: Path) -> None:
    """Remove a folder and whatever a build has left in it. What the system holds on to, a mount, stays.

    Folders are lifted out of each other first: nested ones may lie deeper than Python recurses and paths are long.
    """
    waiting = [folder]
    for inner in waiting:
        _open_up(inner)
        with contextlib.suppress(OSError):
            for entry in os.scandir(inner):
                if entry.is_dir(follow_symlinks=False):
                    waiting.append(_lifted(Path(entry.path), folder, len(waiting)))
                else:
                    with contextlib.suppress(OSError):
                        os.unlink(entry.path)  # noqa: PTH108 - of many thousand files, perhaps
    for inner in reversed(waiting):
        with contextlib.suppress(OSError):
            inner.rmdir()


def _lifted(inner: Path, folder: Path, number: int) -> Path:
    """A folder moved directly into another one, where it can be."""
    if inner.parent == folder:
        return inner
    _open_up(inner)
    with contextlib.suppress(OSError):
        return inner.rename(folder / f"{folder.name}-{number}")
    return inner


def _open_up(folder: Path) -> None:
    """Let its owner look into it and change it."""
    with contextlib.suppress(OSError):
        folder.chmod(0o700)
