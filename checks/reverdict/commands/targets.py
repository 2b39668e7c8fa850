"""Folders that a command is to write into, refused before the work where that cannot be."""

from __future__ import annotations

import os
from pathlib import Path

from reverdict.errors import BadInput


def prove_writable(folder: Path, golden_folder: Path) -> None:
    """Complain about a report folder before minutes of rendering, not after."""
    if (folder / "reference.toml").exists() or folder.resolve() == golden_folder.resolve():
        raise BadInput(folder, "holds golden references, which only an approval may change; report into another folder")
    if folder.is_file():
        raise BadInput(folder, "is a file; the report needs a folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadInput(folder, f"cannot write the report here ({error.strerror or error})") from error
    if not os.access(folder, os.W_OK):
        raise BadInput(folder, "cannot write the report here (no permission)")
