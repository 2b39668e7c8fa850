"""Folders that rendering works in: one for a whole run, one in it for each build, one in that for each render."""

from __future__ import annotations

import hashlib
import re
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.render.build import Build


@contextmanager
def working_folder() -> Iterator[Path]:
    """Yield a fresh folder for one run of the suite; parallel workers share it. It is removed at the end."""
    with tempfile.TemporaryDirectory(prefix="reverdict-", ignore_cleanup_errors=True) as name:
        yield Path(name)


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
    kept = build_folder(build, work_folder)
    with tempfile.TemporaryDirectory(prefix="render-", dir=kept, ignore_cleanup_errors=True) as name:
        yield Path(name)
