"""References found in a golden folder and read, with their samples or without."""

from __future__ import annotations

import difflib
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from fnmatch import fnmatchcase
from pathlib import Path

from reverdict.errors import BadInput, BadInputs, each, noted
from reverdict.golden_set.approvals import APPROVALS_FILE
from reverdict.golden_set.impulses import is_sound, response_of
from reverdict.reference import DefaultTolerances, Reference
from reverdict.schema import REFERENCE_FILE, TOLERANCES_FILE
from reverdict.schema.reference import check_name, read_reference
from reverdict.schema.tolerances import read_tolerances
from reverdict.words import Response

READERS = 4
"""Impulses decoded side by side."""


class GoldenReference:
    """A golden reference: what is asked, and the response that answers it, which is read when it is first asked for.

    Hundreds of references are few TOMLs and many seconds of sound: ``forget`` lets go of the sound until it is asked
    for again.
    """

    def __init__(self, reference: Reference, response: Response | None = None) -> None:
        self.reference = reference
        self._response = response

    @property
    def name(self) -> str:
        """That of its folder."""
        return self.reference.name

    @property
    def response(self) -> Response:
        """Raises BadInputs where an impulse is missing, altered, of another rate or channel count, or silent."""
        if self._response is None:
            response, mistakes = response_of(self.reference)
            if response is None:
                raise BadInputs(mistakes)
            self._response = response
        return self._response

    def forget(self) -> None:
        """Let go of the samples."""
        self._response = None


def names(golden_folder: Path, only: str = "*") -> list[str]:
    """Names of the references whose name matches a glob, sorted.

    Raises
    ------
    BadInput
        No such folder, no reference in it, or none selected, with what was looked for.
    """
    if not golden_folder.is_dir():
        raise BadInput(golden_folder, "no such folder; golden references live in golden/<name>/reference.toml")
    try:
        folders = list(golden_folder.iterdir())
        single = (golden_folder / REFERENCE_FILE).is_file()
    except OSError as error:
        raise BadInput(golden_folder, f"cannot be looked into ({error.strerror})") from error
    if single:
        raise BadInput(
            golden_folder, f"is a single reference; give the folder above it and --only {golden_folder.name}"
        )
    found = sorted(folder.name for folder in folders if _is_reference(folder))
    if not found:
        raise BadInput(golden_folder, f"no golden reference in it; looked for {golden_folder}/*/{REFERENCE_FILE}")
    selected = [name for name in found if fnmatchcase(name, only)]
    if not selected:
        raise BadInput(golden_folder, f'no reference matches "{only}"; there are {few(found)}')
    return selected


def _is_reference(folder: Path) -> bool:
    """A folder that is, or once was, a reference: one whose TOML was lost must not drop out unseen."""
    if folder.name.startswith(".") or not folder.is_dir():
        return False
    try:
        return any(is_sound(file) or file.name in (REFERENCE_FILE, APPROVALS_FILE) for file in folder.iterdir())
    except OSError:  # whatever it is, it must not drop out unseen
        return True


def references(golden_folder: Path, only: str = "*") -> list[Reference]:
    """The selected references without their samples. Raises BadInputs with every mistake of their TOML."""
    return read(golden_folder, names(golden_folder, only))


def read(golden_folder: Path, named: Sequence[str]) -> list[Reference]:
    """References by their names, as ``references`` gives them."""
    found, mistakes = read_in_part(golden_folder, named)
    if mistakes:
        raise BadInputs(mistakes)
    return found


def load(golden_folder: Path | str, only: str = "*", among: Sequence[str] | None = None) -> list[GoldenReference]:
    """The selected references with their samples, each held against its digest.

    Parameters
    ----------
    golden_folder : path
        The folder of references, which is only read.
    only : str
        Glob that names must match.
    among : sequence of str, optional
        Names of which they must be, too; each must be there.

    Raises
    ------
    BadInputs
        Every mistake of all the selected references: in their TOML, and impulses that are missing, altered, of another
        rate or channel count, or silent.
    BadInput
        No such folder, no reference in it, none by a name of ``among``, or none selected.
    """
    golden_folder = Path(golden_folder)
    found, mistakes = read_in_part(golden_folder, _selected(golden_folder, only, among))
    loaded = []
    for reference in found:
        response, faults = response_of(reference)
        mistakes += faults
        loaded.append(GoldenReference(reference, response))
    if mistakes:
        raise BadInputs(mistakes)
    return loaded


def prove(golden_folder: Path, only: str = "*", among: Sequence[str] | None = None) -> list[Reference]:
    """The selected references, of which ``load`` would read the samples without a complaint; raises as it does.

    No samples are kept, and files are read side by side: decoding and digests leave Python's lock alone.
    """
    return read_proven(golden_folder, _selected(golden_folder, only, among))


def read_proven(golden_folder: Path, named: Sequence[str]) -> list[Reference]:
    """References by their names, as ``prove`` gives them."""
    found, mistakes = read_in_part(golden_folder, named)
    with ThreadPoolExecutor(READERS) as readers:
        for faults in readers.map(lambda reference: response_of(reference)[1], found):
            mistakes += faults
    if mistakes:
        raise BadInputs(mistakes)
    return found


def _selected(golden_folder: Path, only: str, among: Sequence[str] | None) -> list[str]:
    selected = names(golden_folder, only)
    if among is None:
        return selected
    there = names(golden_folder)
    for name in among:
        if name not in there:
            near = difflib.get_close_matches(name, there, 1)
            meant = f"did you mean {near[0]}?" if near else f"there are {few(there)}"
            raise BadInput(golden_folder, f'no reference is called "{name}"; {meant}')
    both = [name for name in selected if name in among]
    if not both:
        raise BadInput(golden_folder, f'no reference matches "{only}" among the {len(among)} that were named')
    return both


def read_in_part(golden_folder: Path, selected: Sequence[str]) -> tuple[list[Reference], list[BadInput]]:
    """The references that can be read, and what is wrong with the others."""
    mistakes: list[BadInput] = []
    try:
        defaults = defaults_of(golden_folder)
    except BadInput as error:
        # Without them every reference would seem to lack its tolerances.
        return [], each(error)
    found = []
    for name in selected:
        with noted(mistakes):
            if problem := check_name(name):
                raise BadInput(golden_folder / name, problem)
            found.append(read_reference(golden_folder / name / REFERENCE_FILE, defaults))
    return found, mistakes


def defaults_of(golden_folder: Path) -> DefaultTolerances:
    """What the folder's tolerances.toml says; nothing where there is none."""
    path = golden_folder / TOLERANCES_FILE
    return read_tolerances(path) if os.path.lexists(path) else DefaultTolerances(path)


def few(found: Sequence[str]) -> str:
    """A list of names, cut off where it grows long."""
    return ", ".join(found[:8]) + (f" and {len(found) - 8} more" if len(found) > 8 else "")
