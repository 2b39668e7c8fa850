"""Manners: does the build give usable output at all?

Aim. A build that crashes, hangs, goes silent or gives samples that are not numbers must say so in one plain finding.

Method. Rendering has looked at the output once: finite, at the right rate, with the right channels, long enough and not
silent (peak above −120 dB of the click). This check turns what it found into a finding, which has no number and no
tolerance: it passes or it fails.

Limits of validity. One render of one click: faults at other block sizes, levels or rates are not looked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from reverdict.render.build import Rendering


@dataclass(frozen=True)
class ConductMeasurement:
    """How a render went.

    why_not : str
        Why there is no usable output; empty when there is.
    notes : tuple of str
        What is odd about a usable output.
    peak_db : float or None
        Loudest sample of all paths, relative to the click.
    """

    why_not: str = ""
    notes: tuple[str, ...] = ()
    peak_db: float | None = None


def measure(rendering: Rendering) -> ConductMeasurement:
    """What rendering found. A Failure gives ``why_not``."""
    if rendering.response is None:
        return ConductMeasurement(why_not=rendering.reason)
    peak = float(np.abs(rendering.response.samples).max())
    return ConductMeasurement(notes=rendering.notes, peak_db=20.0 * math.log10(peak))


def judge(rendering: Rendering) -> list[Finding]:
    """One finding, "output": pass with the notes as its reason, or fail with what happened."""
    measured = measure(rendering)
    outcome = Outcome.FAIL if measured.why_not else Outcome.PASS
    reason = measured.why_not or "; ".join(measured.notes)
    return [Finding("output", "", "", None, None, None, None, None, outcome, reason)]
