"""Checks that packages bring: found by their entry point, held to the face of ours, a broken one named and contained.

An entry point of the group ``reverdict.checks`` leads to a module (or any object) with the face that a check has:

    ABOUT                                    the question it asks, one line
    Tolerances                               a pydantic model or a dataclass: the schema of its table in TOML
    measure(response) -> measurement         a ``words.Response`` in, anything frozen out
    judge(golden, candidate, tolerances)     two of these and a ``Tolerances`` in, a list of ``words.Finding`` out

Conventions
    The entry point's name is the name of the check: ``tail_hum`` in TOML, ``tail-hum`` in verdict.json, "tail hum" in
    reports. A check is put to a reference whose reference.toml or tolerances.toml has its table, in every cell of the
    render matrix, after the checks of the suite. Golden and candidate are handed over at one rate, of one length and
    read-only. ``judging.judge_deviation`` makes findings by the rule that all checks share.
Limits of validity
    The code runs within the suite, as plug-ins of pytest do: what it raises is contained, a crash of the interpreter
    is not. Only what its tables name is loaded.
"""

from __future__ import annotations

import importlib.metadata
import math
import re
import traceback
from collections.abc import Iterable
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.errors import BadInput
from reverdict.phrases import BROKE
from reverdict.words import Finding, Outcome, Response

if TYPE_CHECKING:
    from collections.abc import Callable

GROUP = "reverdict.checks"
NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
LONGEST_NAME = 24
ROUNDING = 1e-9


@dataclass(frozen=True)
class OwnCheck:
    """A check that a package brought.

    table : its name in TOML.
    package : name and version of who brought it.
    """

    table: str
    package: str
    about: str
    tolerances: type[Any]
    measure: Callable[[Response], Any]
    judge: Callable[[Any, Any, Any], Any]

    @property
    def name(self) -> str:
        return self.table.replace("_", "-")


class Broken(Exception):
    """A check raised, or gave what no check may give. Says so with the name of its package."""


@cache
def tables() -> tuple[str, ...]:
    """Names of the tables for which a package that is installed brings a check, sorted; none of them is loaded."""
    return tuple(sorted(_entry_points()))


@cache
def _entry_points() -> dict[str, list[importlib.metadata.EntryPoint]]:
    found: dict[str, list[importlib.metadata.EntryPoint]] = {}
    for point in importlib.metadata.entry_points(group=GROUP):
        others = found.setdefault(point.name, [])
        # A folder that stands twice on the path is one package; points are equal whoever brings them.
        if (_package(point), point.value) not in [(_package(other), other.value) for other in others]:
            others.append(point)
    return found


@cache
def load(table: str) -> OwnCheck:
    """The check of a table, of those in ``tables``.

    Raises
    ------
    BadInput
        It cannot be loaded, has not the face of a check, or two packages bring it. Names the package.
    """
    points = _entry_points()[table]
    who = " and ".join(sorted(_package(point) for point in points))
    if len(points) > 1:
        raise BadInput(table, f'check "{table}" is brought by {who}; uninstall all but one')
    if not NAME.fullmatch(table) or len(table) > LONGEST_NAME:
        problem = f"need up to {LONGEST_NAME} small letters, digits and single _ between them"
        raise BadInput(table, f'{who} brings a check "{table[:60]}", which cannot be its name; {problem}')
    try:
        brought = points[0].load()
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        raise BadInput(table, f'check "{table}" of {who} cannot be loaded: {_said(error)}') from error
    lacking = [name for name in ("ABOUT", "Tolerances", "measure", "judge") if not hasattr(brought, name)]
    if lacking:
        raise BadInput(table, f'check "{table}" of {who} has no {", no ".join(lacking)}; a check has all four')
    if not (is_dataclass(brought.Tolerances) or hasattr(brought.Tolerances, "model_fields")):
        raise BadInput(table, f'check "{table}" of {who}: Tolerances is neither a dataclass nor a pydantic model')
    return OwnCheck(table, who, str(brought.ABOUT), brought.Tolerances, brought.measure, brought.judge)


def _package(point: importlib.metadata.EntryPoint) -> str:
    return f"{point.dist.name} {point.dist.version}" if point.dist else point.value


def findings_of(check: OwnCheck, golden: Response, candidate: Response, tolerances: Any) -> list[Finding]:
    """What a check says of a candidate beside its golden.

    golden, candidate : of one rate, length and paths; they are handed on read-only.

    Raises
    ------
    Broken
        It raised, or gave something else than findings: no list of them, a value that is no finite number, a pass
        without figures or against them.
    """
    try:
        measure, judge = check.measure, check.judge
        given = judge(measure(_read_only(golden)), measure(_read_only(candidate)), tolerances)
        findings = list(given) if isinstance(given, Iterable) else None
    except BaseException as error:  # also what ends programs and skips tests: it is not the check's to do either
        if isinstance(error, KeyboardInterrupt):
            raise
        raise Broken(f"{BROKE}: {_said(error)} ({check.package})") from error
    if findings is None:
        raise Broken(f"{BROKE}: judge gave {type(given).__name__}, needs a list of findings ({check.package})")
    if not findings:
        raise Broken(f"{BROKE}: judge gave no finding; what cannot be told is an unsure one ({check.package})")
    for finding in findings:
        if problem := _problem(finding):
            raise Broken(f"{BROKE}: it gave {problem} ({check.package})")
    return [replace(finding, cell="") for finding in findings]


def _read_only(response: Response) -> Response:
    samples = response.samples.view()
    samples.flags.writeable = False
    return replace(response, samples=samples)


def _problem(finding: Any) -> str:
    """What is wrong with a finding that a package made; empty where nothing is."""
    if not isinstance(finding, Finding):
        return f"{type(finding).__name__} where a Finding is needed"
    for field in fields(Finding):
        value = getattr(finding, field.name)
        if field.name in ("quantity", "where", "unit", "reason", "cell"):
            if not isinstance(value, str):
                return f"a finding whose {field.name} is no text"
        elif field.name == "outcome":
            if not isinstance(value, Outcome):
                return "a finding whose outcome is no Outcome"
        elif value is not None and not _is_number(value):
            return f"a finding whose {field.name} is no finite number"
    if finding.outcome is Outcome.NOT_ASKED:
        return "a finding that is not asked; a reference or a build says that, not a check"
    if finding.outcome is Outcome.PASS:
        if finding.deviation is None or finding.uncertainty is None:
            return "a pass without deviation and uncertainty; what was not measured does not pass"
        limit = math.inf if finding.tolerance is None else finding.tolerance
        if abs(finding.deviation) + abs(finding.uncertainty) > limit * (1 + ROUNDING):
            return "a pass against its own figures"
    elif not finding.reason and finding.deviation is None:
        return f"{finding.outcome} without a figure and without a reason"
    return ""


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _said(error: BaseException) -> str:
    """An error in one line, with the place in the file where it was raised."""
    told = " ".join(f"{type(error).__name__}: {error}".removesuffix(": ").split())
    frames = traceback.extract_tb(error.__traceback__)
    at = f", {Path(frames[-1].filename).name} line {frames[-1].lineno}" if frames else ""
    return f"{told[:200]}{at}"
