"""What a worker needs of a build and of a reference, as data that travels, and laid out there again.

Of a build that is all of its TOML's folder, caches and git's own apart; of recordings without a TOML only those of the
reference at hand, with it. Links are followed: what they lead to travels in their place. A build needs nothing else, or
finds it at the same absolute path on every worker: other machines see no ``..`` of this one.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from reverdict.errors import BadInput
from reverdict.sound import SOUND_SUFFIXES
from reverdict.words import INPUTS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.reference import Reference
    from reverdict.render import Build

MOST_BYTES = 256 << 20
"""Of a build: every worker gets it, and keeps it while the run lasts."""

LEFT_AT_HOME = {".git", "__pycache__"}
GOLDEN, BUILD = "golden", "build"
"""Folders that things travel under."""


@dataclass(frozen=True)
class Packed:
    """Files by their path under a folder: whether each may be run, and what it holds."""

    files: tuple[tuple[str, bool, bytes], ...] = ()

    @property
    def size(self) -> int:
        return sum(len(content) for _, _, content in self.files)

    @property
    def sha256(self) -> str:
        told = hashlib.sha256()
        for name, runs, content in self.files:
            told.update(f"{len(name)} {name} {runs} {len(content)} ".encode("utf-8", "surrogateescape") + content)
        return told.hexdigest()

    def lay_out(self, folder: Path) -> None:
        """Write the files under a folder."""
        for name, runs, content in self.files:
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
            path.chmod(0o755 if runs else 0o644)


def pack_build(build: Build) -> Packed:
    """All of the build's folder. Nothing of recordings without a TOML, which go with their references.

    Raises
    ------
    BadInput
        Its folder holds more than ``MOST_BYTES`` or cannot be read, its TOML leads out of it by ``..``, or it is
        hardware of this machine.
    """
    if build.kind == "interface":
        raise BadInput(build.place, "plays hardware of this machine; a cluster has none, gate it without --cluster")
    if goes_with_references(build):
        return Packed()
    _require_nothing_outside(build)
    files, total = [], 0
    for path in _walk(build.folder):
        total += path.stat().st_size
        if total > MOST_BYTES:
            most = f"more than {MOST_BYTES >> 20} MB, the most of a build that is sent to workers"
            raise BadInput(build.folder, f"holds {most}; give the build's TOML a folder with only what it needs")
        files.append(_file(path, build.folder, BUILD))
    return Packed(tuple(files))


def pack_reference(reference: Reference, golden_folder: Path, build: Build) -> Packed:
    """A reference as its folder has it, the tolerances that all share, and its recordings."""
    from reverdict.schema import TOLERANCES_FILE

    paths = [reference.path, *(file.path for file in reference.files)]
    if (golden_folder / TOLERANCES_FILE).is_file():
        paths.append(golden_folder / TOLERANCES_FILE)
    files = [_file(path, golden_folder, GOLDEN) for path in paths]
    if build.recordings_file:
        files.append(_file(build.recordings_file, build.folder, BUILD))
    elif goes_with_references(build):
        stems = [reference.name, *(f"{reference.name}-{side}-in" for side in INPUTS[reference.channels])]
        takes = [build.folder / (stem + suffix) for stem in stems for suffix in SOUND_SUFFIXES]
        files += [_file(path, build.folder, BUILD) for path in takes if path.is_file()]
    return Packed(tuple(files))


def settled(build: Build, folder: Path) -> Build:
    """The build as it stands in another folder. Where it was read from stays, for messages."""
    moved: dict[str, Any] = {
        field.name: folder / path.relative_to(build.folder)
        for field in fields(build)
        if field.name != "source"
        and isinstance(path := getattr(build, field.name), Path)
        and _within(path, build.folder)
    }
    return replace(build, **moved)


def goes_with_references(build: Build) -> bool:
    """Whether it is recordings without a TOML, of which a reference needs its own alone."""
    return build.kind == "recordings" and (build.source is None or build.recordings_file is not None)


def _require_nothing_outside(build: Build) -> None:
    out = f"leads out of {build.folder}, which is what workers are sent"
    mend = "lay the TOML above all it needs, or write an absolute path that is the same on every worker"
    for word in (*build.prepare, *build.argv, build.plugin.file):
        if word.startswith("..") and not _within(Path(os.path.normpath(build.folder / word)), build.folder):
            raise BadInput(build.place, f"{word} {out}; {mend}")
    for path in (build.module_path, build.recordings_folder):
        if path and not _within(path, build.folder) and ".." in path.parts:
            raise BadInput(build.place, f"{path} {out}; {mend}")


def _within(path: Path, folder: Path) -> bool:
    return Path(os.path.normpath(path)).is_relative_to(folder)


def _walk(folder: Path) -> Iterator[Path]:
    """Files of a folder, sorted, each folder once however links lead."""
    seen: set[str] = set()
    for here, inner, names in os.walk(folder, followlinks=True, onerror=_raise):
        real = os.path.realpath(here)
        inner[:] = [] if real in seen else sorted(set(inner) - LEFT_AT_HOME)
        if real not in seen:
            yield from (path for name in sorted(names) if (path := Path(here, name)).is_file())
        seen.add(real)


def _raise(error: OSError) -> NoReturn:
    raise BadInput(str(error.filename), f"cannot be read, to send it to workers ({error.strerror})") from error


def _file(path: Path, folder: Path, under: str) -> tuple[str, bool, bytes]:
    try:
        content = path.read_bytes()
    except OSError as error:
        _raise(error)
    return f"{under}/{path.relative_to(folder).as_posix()}", os.access(path, os.X_OK), content
