"""Several builds put to the gate, one after the other, so that they can be compared: ``choosing`` says the rest."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from reverdict import golden_set
from reverdict.builds import open_build, selection
from reverdict.errors import BadInput, BadInputs, each, noted
from reverdict.gate import error_verdict, gate

if TYPE_CHECKING:
    from reverdict.words import BuildIdentity, Verdict

FEWEST, MOST = 2, 20


def compare(
    places: Sequence[Path],
    golden_folder: Path,
    only: str,
    jobs: int,
    progress: Callable[[str], None],
    *,
    pictures: bool = True,
) -> dict[str, Verdict]:
    """Judge every build and give the verdicts by label, in the order of ``places``, ``pictures`` as ``gate`` has it.

    A build of which only running it shows that it cannot be judged is an error among the others.

    Raises
    ------
    BadInput
        Too few or too many builds, one named twice, or one that cannot be opened; then nothing has run.
    """
    if not FEWEST <= len(places) <= MOST:
        raise BadInput("compare", f"{len(places)} build{'s' if len(places) != 1 else ''}; it takes {FEWEST} to {MOST}")
    twice = [place for place, count in Counter(place.absolute() for place in places).items() if count > 1]
    if twice:
        raise BadInput(twice[0], "is named twice")
    mistakes: list[BadInput] = []
    identities = []
    for place in places:
        with noted(mistakes):
            build = open_build(place, only)
            golden_set.prove(golden_folder, selection(build, only))
            identities.append(build.identity)
    if mistakes:
        raise BadInputs(mistakes)
    labels = _labels(places, identities)
    return {
        label: _judged(place, golden_folder, only, jobs, pictures, _numbered(progress, number, len(places)))
        for number, (label, place) in enumerate(zip(labels, places, strict=True), start=1)
    }


def _judged(
    place: Path, golden_folder: Path, only: str, jobs: int, pictures: bool, progress: Callable[[str], None]
) -> Verdict:
    try:
        return gate(place, golden_folder, only, jobs, progress, pictures=pictures)
    except BadInput as error:
        return error_verdict(place, [str(one) for one in each(error)])


def _numbered(progress: Callable[[str], None], number: int, count: int) -> Callable[[str], None]:
    return lambda said: progress(f"build {number} of {count}: {said}")


def _labels(places: Sequence[Path], identities: Sequence[BuildIdentity]) -> list[str]:
    """Names and versions; with the file's name where those are not enough, and its folder where that is not."""
    told = [f"{one.name} {one.version}".strip() for one in identities]
    for more in (lambda place: place.stem, lambda place: str(place)):
        counts = Counter(told)
        told = [
            label if counts[label] == 1 else f"{label} ({more(place)})"
            for label, place in zip(told, places, strict=True)
        ]
    return told
