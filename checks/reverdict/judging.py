"""The rule by which every check decides, and how findings add up to a verdict.

Guard bands (JCGM 106:2012, ISO 14253-1): with deviation d, expanded uncertainty U (k = 2) and tolerance,

    |d| + U ≤ tolerance   pass
    |d| − U > tolerance   fail
    otherwise             unsure

so a build passes only where it is surely inside, and fails only where it is surely outside. Limits may differ above and
below; a way in which any departure is well has no limit. Nothing passes because it could not be measured, and nothing
compared is no pass.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.phrases import decimals, direction, in_cell, in_percent, names_itself, true_minus
from reverdict.words import CheckVerdict, Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

TOO_ROUGH = "known too roughly to say"
NOT_MEASURED = "could not be measured"
ANY_THIS_WAY = "any departure this way is well"
NOTHING_COMPARED = "nothing compared"
NOTHING_ASKED = "nothing was asked of this reference"

_BADNESS = {Outcome.NOT_ASKED: 0, Outcome.PASS: 1, Outcome.UNSURE: 2, Outcome.FAIL: 3}


def judge_deviation(
    quantity: str,
    where: str,
    unit: str,
    golden: float | None,
    candidate: float | None,
    deviation: float | None,
    uncertainty: float | None,
    tolerance: float,
    *,
    tolerance_below: float | None = None,
    reason: str = "",
    unmeasured: Outcome = Outcome.UNSURE,
) -> Finding:
    """One finding by the guard-band rule.

    Parameters
    ----------
    quantity, where, unit : str
        What was measured ("arrival"), where ("spring 2, pass 1, 500 Hz") and in which unit ("ms").
    golden, candidate : float or None
        The two values, in ``unit`` or, where only their difference can be told, as the check sees fit.
    deviation : float or None
        Candidate minus golden in ``unit``. None (or not finite): it could not be measured.
    uncertainty : float or None
        Expanded uncertainty (k = 2) of the deviation. None (or not finite) is as good as not measured.
    tolerance : float
        Largest deviation that is well, 0 or more; infinity where any is.
    tolerance_below : float, optional
        The same for negative deviations, where it differs.
    reason : str
        Why there is no deviation, or a remark on a finding that has one.
    unmeasured : Outcome
        What a missing deviation means: UNSURE, or FAIL where the candidate lacks what the golden has.

    Returns
    -------
    Finding
        Pass, fail or unsure by guard bands (JCGM 106:2012, ISO 14253-1). Nothing is raised.
    """
    below = tolerance if tolerance_below is None else tolerance_below
    nearest = min(below, tolerance)
    if not (_known(deviation) and _known(uncertainty)):
        return Finding(
            quantity, where, unit, golden, candidate, deviation if _known(deviation) else None,
            uncertainty if _known(uncertainty) else None, nearest, unmeasured, true_minus(reason) or NOT_MEASURED,
        )  # fmt: skip
    assert deviation is not None
    assert uncertainty is not None
    outcome = _outcome(deviation, abs(uncertainty), below, tolerance)
    limit: float | None = below if deviation < 0 else tolerance
    if math.isinf(below if deviation < 0 else tolerance):
        # Only its uncertainty can carry it over the limit of the other way.
        limit = None if outcome is Outcome.PASS else nearest
        reason = reason or (ANY_THIS_WAY if limit is None else "")
    if outcome is Outcome.UNSURE:
        reason = f"{TOO_ROUGH}; {reason}" if reason else TOO_ROUGH
    return Finding(quantity, where, unit, golden, candidate, deviation, abs(uncertainty), limit, outcome, reason)


def _outcome(deviation: float, uncertainty: float, below: float, above: float) -> Outcome:
    if -below <= deviation - uncertainty and deviation + uncertainty <= above:
        return Outcome.PASS
    if deviation - uncertainty > above or deviation + uncertainty < -below:
        return Outcome.FAIL
    return Outcome.UNSURE


def worst_of_course(
    deviation: NDArray[Any],
    uncertainty: NDArray[Any],
    limits: tuple[NDArray[Any], NDArray[Any]],
    needed: NDArray[np.bool_],
) -> int:
    """Which point of a curve to judge it by, shapes (points,): what ``judge_deviation`` would say the worst of.

    The worst point that fails, wherever it lies; else the worst of the points that are ``needed``, at least one. What
    is not known where it is not needed is left alone.

    limits : how far a point may lie below and above.
    """
    below, above = limits
    spread, nearest = np.abs(uncertainty), np.minimum(below, above)
    known = np.isfinite(deviation) & np.isfinite(spread)
    inside = known & (-below <= deviation - spread) & (deviation + spread <= above)
    outside = known & ((deviation - spread > above) | (deviation + spread < -below))
    limit = np.where(deviation < 0, below, above)
    limit = np.where(np.isinf(limit) | ~known, np.where(inside, 0.0, nearest), limit)
    share = np.where(inside, 0.0, np.inf)
    np.divide(np.abs(deviation), limit, out=share, where=(limit > 0) & np.isfinite(deviation))
    asked = np.flatnonzero(outside if outside.any() else needed)
    not_inside = asked[~inside[asked]]
    asked = not_inside if not_inside.size else asked
    return int(asked[np.argmax(share[asked])])


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def worst(findings: Iterable[Finding]) -> Finding | None:
    """The finding to speak of first: by outcome, then by share of its tolerance; a missing value is the worst share."""
    return max(findings, key=badness, default=None)


def badness(finding: Finding) -> tuple[int, float]:
    """Order of speaking: by outcome, then by share of the tolerance, a missing value before any number."""
    share = finding.share_of_tolerance
    if share is None:
        share = 0.0 if finding.outcome is Outcome.PASS else math.inf
    return _BADNESS[finding.outcome], share


def close(check: str, findings: Sequence[Finding], accept_unsure: str | None = None) -> CheckVerdict:
    """Sum up a check: the outcome of its worst finding, and that finding in a sentence.

    An unsure closes the gate unless ``accept_unsure`` says why not. That does not cover a check without any finding,
    which is unsure for having compared nothing.
    """
    leading = worst(findings)
    if leading is None:
        return CheckVerdict(check, Outcome.UNSURE, NOTHING_COMPARED, (), closes_gate=True)
    accepted = leading.outcome is Outcome.UNSURE and bool(accept_unsure)
    reason = "" if leading.outcome is Outcome.PASS else sentence(leading)
    if accepted:
        reason += f" (accepted: {accept_unsure})"
    closes = leading.outcome is Outcome.FAIL or (leading.outcome is Outcome.UNSURE and not accepted)
    return CheckVerdict(check, leading.outcome, reason, tuple(findings), closes)


def not_asked(check: str, reason: str) -> CheckVerdict:
    """A check that is not put to this reference or this build, and why."""
    return CheckVerdict(check, Outcome.NOT_ASKED, reason)


def over_cells(verdicts: Sequence[tuple[str, CheckVerdict]]) -> CheckVerdict:
    """Sum up a check over the cells it was put in, each under its name: the worst of them, and all findings.

    An accepted unsure is not as bad as one that closes the gate; of equals that with the worst finding counts, then
    the first.
    """
    cell, leading = max(verdicts, key=lambda one: (one[1].closes_gate, _BADNESS[one[1].outcome], _worst_share(one[1])))
    findings = [replace(finding, cell=name) for name, verdict in verdicts for finding in verdict.findings]
    closes = any(verdict.closes_gate for _, verdict in verdicts)
    where = f"{in_cell(cell)}: " if cell and leading.reason else ""
    return replace(leading, reason=where + leading.reason, findings=tuple(findings), closes_gate=closes)


def _worst_share(verdict: CheckVerdict) -> float:
    leading = worst(verdict.findings)
    return 0.0 if leading is None else badness(leading)[1]


def reference_outcome(checks: Sequence[CheckVerdict]) -> Outcome:
    """Sum up a reference. PASS needs at least one check that passes and none that closes the gate.

    FAIL where a check fails, and where nothing was asked at all. UNSURE where a check is unsure and closes the gate,
    and where there is nothing but accepted unsures.
    """
    outcomes = {check.outcome for check in checks}
    if Outcome.FAIL in outcomes or outcomes <= {Outcome.NOT_ASKED}:
        return Outcome.FAIL
    if any(check.closes_gate for check in checks) or Outcome.PASS not in outcomes:
        return Outcome.UNSURE
    return Outcome.PASS


def reference_reason(checks: Sequence[CheckVerdict]) -> str:
    """Why a reference does not pass: the reason of its worst check, by name. Empty when it passes."""
    outcome = reference_outcome(checks)
    if outcome is Outcome.PASS:
        return ""
    if all(check.outcome is Outcome.NOT_ASKED for check in checks):
        return NOTHING_ASKED
    of_this_kind = [check for check in checks if check.outcome is outcome]
    leading = next((check for check in of_this_kind if check.closes_gate), of_this_kind[0])
    return f"{leading.check}: {leading.reason}"


def sentence(finding: Finding) -> str:
    """What a colleague would say of a finding: "spring 2, pass 1, 500 Hz: 0.52 ms late, limit 0.10 ms".

    Of another cell than the main one it begins with that: "at 96 kHz: spring 2, …".
    """
    head = "".join(f"{place}: " for place in (in_cell(finding.cell), finding.where) if place)
    # Lateness says by itself that it is the arrival that is late.
    subject = "" if finding.quantity == "arrival" else f"{finding.quantity} "
    if finding.deviation is None or finding.tolerance is None or finding.uncertainty is None:
        subject = "" if names_itself(subject.strip(), finding.reason) else subject
        return f"{head}{subject}{finding.reason}".strip()
    places = decimals(finding.deviation, finding.tolerance or abs(finding.deviation) or 1.0)
    which_way = direction(finding.quantity, finding.unit, finding.deviation)
    said = f"{head}{subject}{_amount(abs(finding.deviation), places, finding.unit)} {which_way}"
    if finding.outcome is Outcome.UNSURE:
        said += f" ± {_amount(finding.uncertainty, places, finding.unit)}"
    said += in_percent(finding.deviation, finding.golden, finding.unit)
    remark = f"; {finding.reason}" if finding.reason else ""
    return f"{said}, limit {_amount(finding.tolerance, places, finding.unit)}{remark}"


def _amount(value: float, places: int, unit: str) -> str:
    return f"{value:.{places}f} {unit}".rstrip()
