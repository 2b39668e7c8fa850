"""What is read first: the worst finding of a check, the worst check of a reference, the worst reference of a verdict.

A fail comes before an unsure, an unsure before a pass, a pass before what was not asked; among equals the larger share
of the tolerance comes first. A fail or unsure without a number leads its kind, because nobody knows how bad it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

_ORDER = {"fail": 0, "unsure": 1, "pass": 2, "not asked": 3}

Badness = tuple[float, ...]


def worst_first(findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Sort findings, the worst first; equals keep their order."""
    return sorted(findings, key=_finding_badness)


def worst_finding(check: Mapping[str, Any]) -> dict[str, Any] | None:
    """Give the finding that stands for a check, None where it has none."""
    return min(check["findings"], key=_finding_badness, default=None)


def checks_worst_first(reference: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Sort the checks of a reference, the worst first."""
    return sorted(reference["checks"], key=_check_badness)


def references_worst_first(verdict: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Sort the references of a verdict, the worst first."""
    return sorted(verdict["references"], key=_reference_badness)


def closes_gate(check: Mapping[str, Any]) -> bool:
    """Whether this check alone keeps the merge out."""
    return check["outcome"] == "fail" or bool(check["closes_gate"])


def conduct_fails(reference: Mapping[str, Any]) -> bool:
    """Whether the build misbehaved on this reference, so that a check without findings could not be measured."""
    return any(check["check"] == "conduct" and check["outcome"] == "fail" for check in reference["checks"])


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
