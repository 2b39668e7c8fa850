"""One item of a gate: a check of a cell judged, and handed on as a file to whoever makes one verdict of all.

Items run in pytest, in its parallel workers or on the workers of a cluster; this is what they have in common.
"""

from __future__ import annotations

import traceback
from typing import TYPE_CHECKING, Any

from reverdict import parts

if TYPE_CHECKING:
    from pathlib import Path

    from reverdict.trial import Trial
    from reverdict.words import CheckVerdict


def judge_and_hand_on(
    trial: Trial,
    check: str,
    cell: int,
    folder: Path,
    *,
    pictures: bool,
    responses: Path | None = None,
    benchmark: Any = None,
) -> CheckVerdict:
    """Judge a check in a cell, given by its number, and write what came of it into a folder.

    pictures : whether to measure what pages draw beyond what is judged.
    responses : folder for golden and candidate of the main cell, for ``auditioning``.
    benchmark : what cost needs, see ``Trial.judge``.

    Raises whatever kept it from being judged, which is handed on, too.
    """
    try:
        verdict = trial.judge(check, benchmark)
        besides = parts.Besides(cost=trial.cost)
        if check == "conduct":
            besides = _besides(trial, curves=pictures and not cell)
            if responses and not cell:
                trial.hand_on_responses(responses)
        parts.write_verdict(folder, trial.golden.name, cell, verdict, besides)
    except Exception as error:
        parts.write_trouble(folder, f"{trial.golden.name}.{check}.{cell}", error)
        raise
    return verdict


def _besides(trial: Trial, *, curves: bool) -> parts.Besides:
    """Curves and diagnosis. The latter explains a verdict and must not change it, so a bug in it is only told."""
    drawn = trial.curves() if curves else {}
    try:
        return parts.Besides(drawn, trial.diagnosis())
    except Exception as error:
        return parts.Besides(drawn, (), "".join(traceback.format_exception(error)))
