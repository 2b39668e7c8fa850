"""Folders that commands write pages into: what in them is of an earlier run of ours, and may be replaced or go.

The rule. A file is replaced where it shows that it is ours: a page by its mark, a JSON by how it begins, the small
files beside them (``junit.xml``, stylesheets) by such a page or JSON in their folder, and the pages of earlier
versions, which had no mark, by the JSON beside them. An empty file is nobody's. Where anything else lies in the place
of ours (``stranger``), the folder is refused before any work. Of ``sounds/`` only folders with a script of ours are
taken away, and of these only the four files that we wrote; whatever else lies there stays.

Hidden files are left alone: systems, and other runs at work, have some everywhere.
"""

from __future__ import annotations

import contextlib
import re
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

GENERATOR = '<meta name="generator" content="reverdict">'
"""The mark of a page."""
SOUNDS = "sounds"
SCRIPT = "sounds.js"
SCRIPT_BEGINS = "globalThis.reverdictSounds"
VERSIONS = ("golden", "candidate", "difference")
SOUND_FILES = (SCRIPT, *(f"{version}.flac" for version in VERSIONS))
"""Of one reference. The script is written first and goes last, so that what was cut off is known as ours."""

BESIDE = {
    "index.html": ("verdict.json", "compare.json", "sensitivity.json"),
    "sensitivity.html": ("sensitivity.json",),
    "drift.html": ("drift.json",),
}
"""Pages, and the JSON written with each."""
REPORT = ("verdict.json", "index.html", "junit.xml", "summary.md", "badge.svg", "code-quality.json", "prepare.log")
COMPARISON = ("compare.json", "index.html", "summary.md")
SENSITIVITY = ("index.html", "sensitivity.html")
DRIFT = ("drift.json", "drift.html")
LATE = ("code-quality.json", "prepare.log")
"""What is written after a report."""

_HEAD = 2000


def stranger(folder: Path, names: tuple[str, ...]) -> Path | None:
    """The first file or folder that is not ours where these, and the folders that go with a report, are to be written.

    Raises OSError where the folder cannot be read.
    """
    if not folder.is_dir():
        return None
    builds = folder.glob("build-*/verdict.json")  # of a board that was cut off before its page
    known = any(_has_mark(folder / page) or any(map(_our_json, _beside(folder, page))) for page in BESIDE)
    known = known or any(map(_our_json, builds))
    for name in names:
        if not _is_ours(folder / name, known):
            return folder / name
    if names != REPORT:
        return None
    pages = (page for page in sorted(folder.glob("references/*.html")) if not _has_mark(page))
    assets = (file for file in sorted(folder.glob("assets/board.*")) if not known)
    return next((one for found in (pages, assets, _strange_sounds(folder, known)) for one in found), None)


def take_sounds_away(folder: Path) -> None:
    """Take the sounds of an earlier report away, which must not be taken for those of the next."""
    for inside in _visible(folder / SOUNDS):
        for name in reversed(SOUND_FILES) if _our_sounds(inside) else ():
            for file in (*inside.glob(f".{name}.*.new"), inside / name):
                with contextlib.suppress(OSError):
                    file.unlink()
        with contextlib.suppress(OSError):
            inside.rmdir()  # where nothing is left in it
    with contextlib.suppress(OSError):
        (folder / SOUNDS).rmdir()


def is_our_page(page: Path) -> bool:
    """Whether a page has our mark. Raises OSError where it cannot be read."""
    return GENERATOR in _head(page)


def _is_ours(file: Path, known: bool) -> bool:
    if not file.exists() or (file.is_file() and file.stat().st_size == 0):
        return True
    if file.name in BESIDE:
        return _has_mark(file) or any(map(_our_json, _beside(file.parent, file.name)))
    return known if file.name in ("junit.xml", "summary.md", "badge.svg", *LATE) else _our_json(file)


def _beside(folder: Path, page: str) -> Iterator[Path]:
    return (folder / name for name in BESIDE[page])


def _has_mark(page: Path) -> bool:
    return page.is_file() and is_our_page(page)


def _our_json(file: Path) -> bool:
    return file.is_file() and re.match(r'\{\s*"schema": ?\d', _head(file)) is not None


def _strange_sounds(folder: Path, known: bool) -> Iterator[Path]:
    """What is not ours in the folder of sounds; beside a report of ours it is no matter, for it stays."""
    if known:
        return iter(())
    return (one for one in _visible(folder / SOUNDS) if not _our_sounds(one) and (one.is_file() or any(_visible(one))))


def _our_sounds(folder: Path) -> bool:
    script = folder / SCRIPT
    return script.is_file() and _head(script).startswith(SCRIPT_BEGINS)


def _visible(folder: Path) -> list[Path]:
    """What lies in a folder; nothing where it cannot be read: then nothing in it can be replaced either."""
    try:
        return sorted(one for one in folder.iterdir() if not one.name.startswith("."))
    except OSError:
        return []


def _head(file: Path) -> str:
    with file.open(encoding="utf-8", errors="replace") as opened:
        return opened.read(_HEAD)
