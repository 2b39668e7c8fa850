"""From what stands on a command line to a Build: a TOML, a folder of recordings, or one recording."""

from __future__ import annotations

import glob
from typing import TYPE_CHECKING

from reverdict.errors import BadInput
from reverdict.sound import SOUND_SUFFIXES
from reverdict.words import BuildIdentity

if TYPE_CHECKING:
    from pathlib import Path

    from reverdict.render import Build

NO_COST = {"cost": "recordings have no cost"}


def open_build(path: Path, only: str = "*") -> Build:
    """Open a build.

    Parameters
    ----------
    path : Path
        A build TOML; a folder whose files are named after the references; a WAV or FLAC for the reference of its name.
    only : str
        Glob of the references it will be judged on. With a bare file: the name of the one it is a recording of, where
        its own does not say so.

    Raises
    ------
    BadInput
        There is no such thing, the TOML is wrong, or one file is to stand for several references.
    """
    from reverdict.render import Build

    if not path.exists():
        raise BadInput(path, "no such build; name a build TOML, a folder of recordings or a WAV file")
    whole = path.absolute()
    if path.is_dir():
        if not any(file.suffix.lower() in SOUND_SUFFIXES for file in path.iterdir()):
            raise BadInput(path, "a folder without WAV or FLAC files; recordings are named after their references")
        identity = BuildIdentity(whole.name, "", "recordings")
        return Build(identity, "recordings", whole, recordings_folder=whole, not_asked=NO_COST)
    if path.suffix.lower() in SOUND_SUFFIXES:
        if only not in ("*", glob.escape(only)):
            raise BadInput(path, f'one recording stands for one reference; name it in full instead of "{only}"')
        identity = BuildIdentity(path.name, "", "recordings")
        return Build(
            identity, "recordings", whole.parent, recordings_file=whole,
            recordings_reference=path.stem if only == "*" else only, not_asked=NO_COST, source=path,
        )  # fmt: skip
    if path.suffix.lower() != ".toml":
        raise BadInput(path, "neither a build TOML, a folder of recordings nor a WAV or FLAC file")
    from reverdict.schema.build import read_build

    return read_build(path)


def selection(build: Build, only: str) -> str:
    """Glob of the references that a build is judged on: those asked for, or the one that a bare file stands for."""
    return glob.escape(build.recordings_reference) if build.recordings_file else only
