"""What is read first: the worst finding of a check, the worst check of a reference, the worst reference of a verdict.

A fail comes before an unsure, an unsure before a pass, a pass before what was not asked; among equals the larger share
of the tolerance comes first. A fail or unsure without a number leads its kind, because nobody knows how bad it is.
Checks of one outcome whose shares are nearly equal keep the order of ``words.CHECKS``, causes before effects: an echo
that comes late moves the decay, never the reverse.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from reverdict import words

NEARLY_EQUAL = 1.25
"""Shares of tolerance within this factor say nothing about which check to speak of first."""

CAUSES = ("growth", "leak")

_ORDER = {"fail": 0, "unsure": 1, "pass": 2, "not asked": 3}

Badness = tuple[float, ...]


def worst_first(findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Sort findings, the worst first; equals keep their order."""
    return sorted(findings, key=_finding_badness)


def one_of_each_first(findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Put the worst of each quantity before the others of its kind, which rarely tell more: worst first, twice.

    What grows or leaks makes the rest of a cost dear, and comes first.
    """
    told: list[dict[str, Any]] = []
    rest: list[dict[str, Any]] = []
    seen = set()
    for finding in worst_first(findings):
        (rest if finding["quantity"] in seen else told).append(finding)
        seen.add(finding["quantity"])
    told.sort(key=lambda finding: (_ORDER[finding["outcome"]], finding["quantity"] not in CAUSES))
    return told + rest


def worst_finding(check: Mapping[str, Any]) -> dict[str, Any] | None:
    """Give the finding that stands for a check, None where it has none."""
    return min(check["findings"], key=_finding_badness, default=None)


def checks_worst_first(reference: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Sort the checks of a reference, the worst first; of near ties the cause first."""
    waiting = sorted(reference["checks"], key=_check_badness)
    told: list[dict[str, Any]] = []
    while waiting:
        level, *_, least = _check_badness(waiting[0])
        tied = [check for check in waiting if _near(_check_badness(check), level, least / NEARLY_EQUAL)]
        told.append(min(tied, key=_place))
        waiting.remove(told[-1])
    return told


def _place(check: Mapping[str, Any]) -> int:
    """Where a check stands in the order of ``words.CHECKS``; what packages brought stands last."""
    return words.CHECKS.index(check["check"]) if check["check"] in words.CHECKS else len(words.CHECKS)


def _near(badness: Badness, level: float, share: float) -> bool:
    """Whether a check is of this level and, shares being negative, no less bad than this."""
    return badness[0] == level and badness[-1] <= share


def references_worst_first(verdict: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Sort the references of a verdict, the worst first."""
    return sorted(verdict["references"], key=_reference_badness)


def worst_check(references: list[dict[str, Any]], name: str) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """Give the worst check of this name and its reference, None where no reference has it."""
    found = [(reference, check) for reference in references for check in reference["checks"] if check["check"] == name]
    return min(found, key=lambda one: _check_badness(one[1]), default=None)


def closes_gate(check: Mapping[str, Any]) -> bool:
    """Whether this check alone keeps the merge out."""
    return check["outcome"] == "fail" or bool(check["closes_gate"])


def not_reached(check: Mapping[str, Any], reference: Mapping[str, Any]) -> bool:
    """Whether this check could not be put because the build misbehaved: unsure, no finding that is, conduct failed.

    Put in several cells, it may have findings of the others.
    """
    return (
        check["outcome"] == "unsure"
        and all(finding["outcome"] in ("pass", "not asked") for finding in check["findings"])
        and any(one["check"] == "conduct" and one["outcome"] == "fail" for one in reference["checks"])
    )


def reached(reference: Mapping[str, Any]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The checks of a reference that could be put, the worst first, and those that conduct kept from being put."""
    checks = checks_worst_first(reference)
    waiting = [check for check in reference["checks"] if not_reached(check, reference)]
    return [check for check in checks if check not in waiting], waiting


def signed_share(finding: Mapping[str, Any]) -> float | None:
    """Deviation in tolerances: ±1 is at a limit, ±inf off a tolerance of zero, None where there is no scale."""
    deviation, tolerance = finding["deviation"], finding["tolerance"]
    if deviation is None or tolerance is None:
        return None
    if tolerance == 0:
        return math.copysign(math.inf, deviation) if deviation else 0.0
    return float(deviation / tolerance)


def _finding_badness(finding: Mapping[str, Any]) -> Badness:
    share = signed_share(finding)
    if share is None:
        share = 0.0 if finding["outcome"] in ("pass", "not asked") else math.inf
    return (_ORDER[finding["outcome"]], -abs(share))


def _check_badness(check: Mapping[str, Any]) -> Badness:
    accepted = 0.5 if check["outcome"] == "unsure" and not check["closes_gate"] else 0.0
    worst = worst_finding(check)
    within = _finding_badness(worst) if worst else (math.inf, 0.0)
    return (_ORDER[check["outcome"]] + accepted, *within)


def _reference_badness(reference: Mapping[str, Any]) -> Badness:
    worst = min((_check_badness(check) for check in reference["checks"]), default=(math.inf,))
    return (_ORDER[reference["outcome"]], *worst)
