"""Making references: what a new one asks follows from what can be measured on it, its tolerances from evidence."""

from __future__ import annotations

import glob
from typing import TYPE_CHECKING, Any

from reverdict import golden_set
from reverdict.builds import open_build
from reverdict.errors import BadInput
from reverdict.golden_set import writing
from reverdict.golden_set.terms import written
from reverdict.making import proposing, signing
from reverdict.making.asking import (
    BUILDS_CONDUCT,
    TWO_CHANNELS,
    asked_by_packages,
    asked_of,
    asked_of_tail,
)
from reverdict.making.evidence import proposals_from_evidence
from reverdict.making.sources import differs_from_itself, from_build, from_click, from_recording
from reverdict.sound import SOUND_SUFFIXES
from reverdict.words import CHECKS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from reverdict.making.proposing import Proposal
    from reverdict.making.wishes import Wishes
    from reverdict.render import Build

ROOM_FOR_CAPTURES = (
    "tolerances are half of what is heard, for want of evidence: record the same thing a few times again and make the "
    "reference with --repeats, to learn how far takes differ"
)


def new_reference(
    name: str, source: Path, golden_folder: Path, wishes: Wishes, progress: Callable[[str], None] = lambda _: None
) -> tuple[Path, list[str]]:
    """Make a reference from a sound file (a capture) or a build.

    Returns
    -------
    path of the reference.toml, and lines that say what is asked of builds, by which tolerances, and what is not.
    """
    from reverdict.measure.figures import figures_of
    from reverdict.measure.measurement import measure

    if golden_folder.exists() and not golden_folder.is_dir():
        raise BadInput(golden_folder, "is a file; references live in a folder")
    if problem := writing.name_problem(name, golden_folder):
        raise BadInput(golden_folder, problem)
    if not wishes.why.strip():
        raise BadInput("--why", "empty; say in a few words why this is how it must sound")
    if source.is_file() and source.suffix.lower() in SOUND_SUFFIXES:
        material = from_recording(source, wishes)
    else:
        build = open_build(source)
        if build.kind == "recordings":
            raise BadInput(source, "a folder of recordings; name the one file this reference is to be made from")
        material = from_build(build, name, wishes, golden_folder, progress)
    progress(f"measuring {source.name}")
    golden = from_click(material.response)  # as it will be measured whenever a build is judged
    measured = measure(golden)
    checks = asked_of(measured, material.cost)
    proposals, said_of_repeats = proposals_from_evidence(material, measured, checks, golden_folder, progress)
    if material.origin == "build":
        checks["conduct"] = {**BUILDS_CONDUCT, **(TWO_CHANNELS if len(golden.paths) > 1 else {})}
    usual = {**writing.shared_tables(golden_folder).get("conduct", {}), **checks["conduct"]}
    of_manners, declared = proposing.manners(material.observed, usual)
    proposals += of_manners
    if declared:
        checks["conduct"]["declared"] = declared
    for one in proposals:
        checks[one.table][one.key] = one.value
    if material.origin == "build" and not checks["echo_timing"].get("springs"):
        checks["echo_timing"] |= asked_of_tail(golden, [from_click(take.response) for take in material.repeats])
    tables = {
        "title": wishes.title.strip() or f"{name}, from {source.name}",
        "approval": {"who": signing.who(), "build": material.label, "why": wishes.why},
        "origin": material.origin,
        "render": material.render,
        **checks,
    }
    own = asked_by_packages(golden, golden_folder)
    tables |= own
    evidence = {f"{one.table}.{one.key}": one.because for one in proposals}
    with writing.writing_into(golden_folder):
        path = writing.new(
            name, material.response, tables, golden_folder, evidence=evidence, measured=figures_of(measured)
        )
    of_itself = []
    if material.origin == "build":
        progress("judging it by its own reference")
        of_itself = list(_said_of_itself(name, build, golden_folder))
    asked = {table.replace("_", "-"): keys for table, keys in {**checks, **own}.items()}
    every = dict.fromkeys([*CHECKS, *asked])
    said = [line for check in every for line in _said(check, asked[check], proposals)]
    warnings = [one.warning for one in proposals if one.warning]
    room = [ROOM_FOR_CAPTURES] if material.origin == "capture" and not material.repeats and proposals else []
    if differs := differs_from_itself(material.observed):
        said_first = f"it does not repeat itself: a second render differs by {proposing.figure(differs)} %"
        warnings.insert(0, f"{said_first}; fix its random seed, if it has one, to be held more tightly")
    return path, [
        *_lead_of(material.response.click_at_s, source),
        *said,
        *said_of_repeats,
        *warnings,
        *of_itself,
        *room,
    ]


def _said_of_itself(name: str, build: Build, golden_folder: Path) -> Iterator[str]:
    """Where the build that a reference was made from does not pass by it: in other cells, or by chance."""
    from reverdict.render import working_folder
    from reverdict.trial import SOUND_JUDGES, trials_of

    (golden,) = golden_set.load(golden_folder, glob.escape(name))
    with working_folder() as work:
        for trial in trials_of(golden, build, work):
            place = f" at {trial.cell.name}" if trial.cell.axes else ""
            for check in (*SOUND_JUDGES, *golden.reference.own):
                verdict = trial.judge(check)
                if verdict.closes_gate:
                    yield f"the build itself does not pass{place}: {check}: {verdict.reason}"


def _lead_of(click_at_s: float, source: Path) -> list[str]:
    """What to know of a recording that runs before its click, since a bare recording is taken to start with it."""
    if not click_at_s:
        return []
    advice = f'judge recordings like it by a build TOML with kind = "recordings" and click_at_s = {click_at_s:g}'
    return [f"the click is {click_at_s:g} s into {source.name}; {advice}"]


def _said(check: str, table: dict[str, Any], proposals: Sequence[Proposal]) -> Iterator[str]:
    """What is asked by one check, and the tolerances proposed for it with where they come from."""
    if "not_asked" in table:
        yield f"{check} is not asked: {table['not_asked']}"
        return
    proposed = [one for one in proposals if one.table == check.replace("-", "_")]
    facts = ", ".join(
        f"{key} = {written(value)}" for key, value in table.items() if key not in {one.key for one in proposed}
    )
    yield f"{check} is asked{': ' + facts if facts else ''}"
    yield from (f"  {one.key} = {written(one.value)}: {one.because}" for one in proposed)
