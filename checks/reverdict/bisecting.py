"""One step of a bisection: is this commit before or after the one that moved a quantity?

Method. `git bisect run` checks commits out and asks a program: 0 is before (good), 1 to 124 after (bad), 125 cannot be
told, 128 and more ends the search. A build is rendered and judged against the goldens of the *good* commit, for those
of later commits may have been approved anew: they are taken out of git, not from what is checked out. After is whatever
lies farther from golden than asked, or fails; what does not compile, crashes, is unsure or has no value cannot be told.
A mistake in the question or an error of the suite ends the search, so that no commit is blamed for it.
"""

from __future__ import annotations

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


@dataclass(frozen=True)
class Question:
    """Which findings to look at, by patterns, and how far is too far: ``by`` in their unit; None: what fails."""

    check: str = "*"
    quantity: str = "*"
    where: str = "*"
    by: float | None = None


def step(verdict: Mapping[str, Any], question: Question) -> tuple[int, str]:
    """Give the status of this commit, and why in a line. ``verdict`` is the gate's, as JSON."""
    asked = list(_asked(verdict, question))
    known = [one for one in asked if one["deviation"] is not None]
    if not known:
        why = [check["reason"] for reference in verdict["references"] for check in reference["checks"]]
        reason = next(filter(None, why), "no such finding")
        return CANNOT_TELL, f"cannot be told: {reason}"
    after = [one for one in known if _is_after(one, question)]
    if after:
        return AFTER, f"after: {_told(after[0])}"
    unsure = [one for one in asked if one["outcome"] == "unsure" or one["deviation"] is None]
    if unsure:
        return CANNOT_TELL, f"cannot be told: {_told(unsure[0])}"
    return BEFORE, f"before: {_told(max(known, key=lambda one: abs(one['deviation'])))}"


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
                    yield finding


def _is_after(finding: Mapping[str, Any], question: Question) -> bool:
    if question.by is None:
        return bool(finding["outcome"] == "fail")
    return abs(finding["deviation"]) - (finding["uncertainty"] or 0.0) > question.by


def _told(finding: Mapping[str, Any]) -> str:
    name = ", ".join(filter(None, (finding["quantity"], finding["where"])))
    value = "no value" if finding["deviation"] is None else f"{finding['deviation']:+.4g} {finding['unit']}".rstrip()
    return f"{name} {value}"


def goldens_of_good(golden: Path, into: Path) -> Path:
    """Take the goldens of the good commit of a bisection out of git; give the folder itself where none is under way.

    Raises
    ------
    BadInput
        The good commit has no such folder.
    """
    place = golden.resolve()
    top = _git(place.parent, "rev-parse", "--show-toplevel")
    good = _git(place.parent, "for-each-ref", "--format=%(refname)", "refs/bisect/good-*") if top else None
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
