"""One step of a bisection: is this commit before or after the one that moved a quantity?

Method. `git bisect run` checks commits out and asks a program: 0 is before (good), 1 to 124 after (bad), 125 cannot be
told, 128 and more ends the search. A build is rendered and judged against the goldens of the *good* commit, for those
of later commits may have been approved anew: they are taken out of git, not from what is checked out. After is whatever
lies farther from golden than asked, or fails, and what the build has lost though golden has it. What does not compile,
crashes or is unsure cannot be told: called good it would hide a culprit behind noise, called bad it would blame noise.
A mistake in the question (no such finding, several units under one amount) or an error of the suite ends the search, so
that no commit is blamed for it.
"""

from __future__ import annotations

import difflib
import io
import subprocess
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from reverdict.errors import BadInput

BEFORE, AFTER, CANNOT_TELL, STOP = 0, 1, 125, 255
OUTPUT = "output"
"""The quantity that says whether a build compiled, ran to its end and gave sound."""


@dataclass(frozen=True)
class Question:
    """Which findings to look at, by patterns, and how far is too far: ``by`` in their unit; None: what fails."""

    check: str = "*"
    quantity: str = "*"
    where: str = "*"
    by: float | None = None


def step(verdict: Mapping[str, Any], question: Question) -> tuple[int, str]:
    """Give the status of this commit, and why in a line. ``verdict`` is the gate's, as JSON.

    Raises
    ------
    BadInput
        Nothing that was judged is what the question asks for, or it has several units under one amount.
    """
    asked = list(_asked(verdict, question))
    if why := _why_nothing(verdict, question, asked):
        return CANNOT_TELL, f"cannot be told: {why}"
    _refuse_slips(verdict, asked, question)
    for status, said in ((AFTER, "after"), (CANNOT_TELL, "cannot be told")):
        there = next((one for one in asked if _status(one, question.by) == status), None)
        if there is not None:
            return status, f"{said}: {_told(there)}"
    return BEFORE, f"before: nothing is farther than {_told(max(asked, key=lambda one: abs(one['deviation'] or 0.0)))}"


def _why_nothing(verdict: Mapping[str, Any], question: Question, asked: Sequence[Mapping[str, Any]]) -> str:
    """Why a build gave no sound, in any reference and cell, or nothing that is asked for; empty if it did."""
    checks = [check for reference in verdict["references"] for check in reference["checks"]]
    for one in (one for check in checks for one in check["findings"]):
        if one["quantity"] == OUTPUT and one["outcome"] == "fail":
            return str(one["reason"])
    closed = (one for one in checks if one["outcome"] == "unsure" and fnmatchcase(one["check"], question.check))
    return "" if asked else next((str(one["reason"]) for one in closed if not one["findings"]), "")


def _refuse_slips(verdict: Mapping[str, Any], asked: Sequence[Mapping[str, Any]], question: Question) -> None:
    if not asked:
        raise BadInput("bisect", _nothing_of_that(verdict, question))
    units = sorted({one["unit"] for one in asked if one["unit"]})  # a polarity has none
    if question.by is not None and len(units) > 1:
        raise BadInput("--by", f"{question.by:g} of what? what is asked for has {', '.join(units)}; name a --quantity")


def _asked(verdict: Mapping[str, Any], question: Question) -> Iterator[Mapping[str, Any]]:
    for reference in verdict["references"]:
        for check in reference["checks"]:
            for finding in check["findings"]:
                named = zip(
                    (check["check"], finding["quantity"], finding["where"]),
                    (question.check, question.quantity, question.where),
                    strict=True,
                )
                if finding["outcome"] != "not asked" and all(fnmatchcase(text, glob) for text, glob in named):
                    yield {**finding, "check": check["check"]}


def _nothing_of_that(verdict: Mapping[str, Any], question: Question) -> str:
    """Which of the patterns nothing that was judged fits, and what there is instead."""
    everything = list(_asked(verdict, Question()))
    for name in ("check", "quantity", "where"):
        pattern = getattr(question, name)
        there = list(dict.fromkeys(one[name] for one in everything if one[name]))
        if pattern == "*" or any(fnmatchcase(one, pattern) for one in there):
            continue
        near = difflib.get_close_matches(pattern, there, 1)
        meant = f"is {near[0]} meant?" if near else f"there are {', '.join(there[:12])}{' …' if there[12:] else ''}"
        return f"--{name} {pattern!r}: nothing that was judged is called so; {meant}"
    there = list(dict.fromkeys(_name(one) for one in everything))
    return f"nothing that was judged is all of what is asked for; there are {'; '.join(there[:6])} …"


def _status(finding: Mapping[str, Any], by: float | None) -> int:
    """By the rule of every gate (``judging``), with ``by`` for its tolerance if it is given."""
    deviation, spread = finding["deviation"], finding["uncertainty"]
    if by is None or deviation is None or spread is None:
        return {"fail": AFTER, "unsure": CANNOT_TELL}.get(finding["outcome"], BEFORE)
    if abs(deviation) - spread > by:
        return AFTER
    return BEFORE if abs(deviation) + spread <= by else CANNOT_TELL


def _told(finding: Mapping[str, Any]) -> str:
    if finding["deviation"] is None:
        return f"{_name(finding)}: {finding['reason'] or finding['outcome']}"
    return f"{_name(finding)} {finding['deviation']:+.4g} {finding['unit']}".rstrip()


def _name(finding: Mapping[str, Any]) -> str:
    return ", ".join(filter(None, (finding["quantity"], finding["where"])))


def goldens_of_good(golden: Path, into: Path) -> Path:
    """Take the goldens of the good commit of a bisection out of git; give the folder itself where none is under way.

    Raises
    ------
    BadInput
        The good commit has no such folder.
    """
    place = golden.resolve()
    top = _git(place.parent, "rev-parse", "--show-toplevel")
    term = _git(place.parent, "bisect", "terms", "--term-good") if top else None  # "good", unless called otherwise
    good = _git(place.parent, "for-each-ref", "--format=%(refname)", f"refs/bisect/{term}-*") if term else None
    if not top or not good or not place.is_relative_to(Path(top)):
        return golden
    inside = place.relative_to(Path(top)).as_posix()
    commit = _first_good(top, good.splitlines())
    archive = subprocess.run(
        ["git", "-C", top, "archive", "--format=zip", commit, inside], capture_output=True, check=False
    )  # fmt: skip
    if archive.returncode:
        raise BadInput(golden, f"the good commit {commit[:7]} has no such folder of goldens")
    with zipfile.ZipFile(io.BytesIO(archive.stdout)) as packed:
        packed.extractall(into)
    return into / inside


def _first_good(top: str, refs: Sequence[str]) -> str:
    """The oldest of the commits that are known to be good: the one that the search began with."""
    listed = _git(Path(top), "rev-list", "--topo-order", "--no-walk=sorted", *refs) or refs[0]
    return listed.splitlines()[-1]


def _git(folder: Path, *words: str) -> str | None:
    """What git says, None where it fails or there is none."""
    try:
        told = subprocess.run(["git", "-C", str(folder), *words], capture_output=True, text=True, check=False)
    except OSError:
        return None
    return told.stdout.strip() if told.returncode == 0 else None
