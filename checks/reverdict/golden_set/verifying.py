"""Everything that is wrong with a golden folder."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from reverdict.errors import BadInput
from reverdict.golden_set.approvals import unlogged
from reverdict.golden_set.impulses import is_sound, response_of
from reverdict.golden_set.loading import names, read_in_part
from reverdict.golden_set.standing import OWN_TEMPORARY, left_by_approvals
from reverdict.schema import REFERENCE_FILE


def verify(golden_folder: Path) -> list[BadInput]:
    """Everything that is wrong with the folder; empty if nothing is.

    Besides what ``load`` refuses: sound files no reference names, what a cut-off write left behind, empty folders, and
    a log of approvals that does not end with the impulses that are there.
    """
    try:
        found, mistakes = read_in_part(golden_folder, names(golden_folder))
    except BadInput as error:
        return [error]
    for reference in found:
        mistakes += response_of(reference)[1] + unlogged(reference)
    named = {os.path.realpath(file.path) for reference in found for file in reference.files}
    unreadable = set(names(golden_folder)) - {reference.name for reference in found}
    return mistakes + _leftovers(golden_folder, named, unreadable) + _empty(golden_folder)


def _leftovers(golden_folder: Path, named: set[str], unreadable: set[str]) -> list[BadInput]:
    """Sound files that no reference names, and what a cut-off write left behind. Unreadable references name none."""
    mistakes: list[BadInput] = []
    for path in _walk(golden_folder, mistakes):
        *folders, name = path.relative_to(golden_folder).parts
        if name.startswith(".") and (name.endswith(".new") or is_sound(path)):
            ours = folders and OWN_TEMPORARY.fullmatch(name)
            advice = f"the next approval of {folders[0]} takes it away" if ours else "delete it"
            mistakes.append(BadInput(path, f"left over from a write that was cut off; {advice}"))
        elif is_sound(path) and os.path.realpath(path) not in named and not unreadable.intersection(folders[:1]):
            if folders and name in left_by_approvals(golden_folder / folders[0]):
                problem = f"left over from an approval that was cut off; the next one of {folders[0]} takes it away"
            else:
                problem = f"named by no {REFERENCE_FILE}; delete it, or name it"
            mistakes.append(BadInput(path, problem))
    return mistakes


def _walk(folder: Path, mistakes: list[BadInput]) -> Iterator[Path]:
    """Everything below a folder, hidden and linked folders left out, and sounds of a report that lies there.

    Notes which folders cannot be looked into.
    """
    try:
        found = sorted(folder.iterdir())
    except OSError as error:
        mistakes.append(BadInput(folder, f"cannot be looked into ({error.strerror or error})"))
        return
    for path in found:
        yield path
        of_report = path.name == "sounds" and (folder / "verdict.json").is_file()
        if path.is_dir() and not path.is_symlink() and not path.name.startswith(".") and not of_report:
            yield from _walk(path, mistakes)


def _empty(golden_folder: Path) -> list[BadInput]:
    mistakes = []
    for folder in sorted(path for path in golden_folder.iterdir() if path.is_dir() and not path.name.startswith(".")):
        with contextlib.suppress(OSError):  # told by _walk
            if not any(folder.iterdir()):
                mistakes.append(BadInput(folder, "empty; was its reference not committed?"))
    return mistakes
