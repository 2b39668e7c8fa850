"""Places that a command is to write to, refused before the work where that cannot be or something would be lost."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path

from reverdict.errors import BadInput, cause
from reverdict.page_folders import stranger

OUR_FILE = re.compile(rb"Software\0reverdict|ISFT.{4}reverdict|\A# The usual spring algorithm, fitted", re.DOTALL)
"""How PNG, WAV and TOML show that they were made here."""
_HEAD = 4096


def prove_file(path: Path) -> None:
    """Complain about a file that is there and was not made by the command that is to write it."""
    if not path.is_file() or path.stat().st_size == 0:
        return
    try:
        with path.open("rb") as opened:
            ours = OUR_FILE.search(opened.read(_HEAD))
    except OSError as error:
        raise BadInput(path, f"cannot be written over ({cause(error)})") from error
    if not ours:
        raise BadInput(path, "is there already and was not made here; name another file, or take it away")


def prove_writable(folder: Path, what: str, golden_folder: Path | None = None) -> None:
    """Make a folder, or complain before minutes of rendering, not after; ``what`` goes there: "the report"."""
    if golden_folder and ((folder / "reference.toml").exists() or folder.resolve() == golden_folder.resolve()):
        raise BadInput(folder, "holds golden references, which only an approval may change; report into another folder")
    if folder.is_file():
        raise BadInput(folder, f"is a file; {what} needs a folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadInput(folder, f"cannot write {what} here ({error.strerror or error})") from error
    if not os.access(folder, os.W_OK):
        raise BadInput(folder, f"cannot write {what} here (no permission)")


def prove_pages(
    folder: Path, names: tuple[str, ...], inputs: Iterable[Path] = (), golden_folder: Path | None = None
) -> None:
    """The same of a folder for pages: nor may it be one that is read, or hold files of others where ours go.

    names : what is written, as ``page_folders`` has them.
    inputs : files and folders that the command reads; of a verdict.json, its folder is meant.
    """
    read = {(place.parent if place.name == "verdict.json" else place).resolve() for place in inputs}
    if folder.resolve() in read:
        raise BadInput(folder, "is read by this command, and would be written over; report into another folder")
    if folder.is_dir():
        try:
            found = stranger(folder, names)
        except OSError as error:
            raise BadInput(folder, f"cannot write the report here ({cause(error)})") from error
        if found:
            told = "is of no earlier report, and a report here would mix with it or write over it"
            raise BadInput(found, f"{told}; report into another folder, or move it away")
    prove_writable(folder, "the report", golden_folder)
