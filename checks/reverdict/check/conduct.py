"""Manners: does the build give usable output, and nothing that does not belong?

Aim. A build that crashes, hangs, goes silent or gives samples that are not numbers must say so in one plain finding.
Where the reference asks for it, nothing may sound where the golden is silent: clicks, hum, offsets, gaps in blocks.

Method. Rendering has looked at the output once: finite, at the right rate, with the right channels, long enough and not
silent (peak above −120 dB of the click). This check turns what it found into a finding, which has no number and no
tolerance: it passes or it fails. Stray sound is that of ``measure.stray``, in windows of 10 ms and half octaves.

Conventions. "stray sound" is positive where the build is louder than anything near by in the golden, dB.

Limits of validity. One render of one click: faults at other block sizes, levels or rates are not looked for. Nor is
stray sound more than 60 dB below the golden's loudest 10 ms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reverdict.judging import judge_deviation
from reverdict.phrases import true_minus
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from reverdict.measure.measurement import Comparison
    from reverdict.measure.stray import StraySound
    from reverdict.reference import Conduct, Tolerance
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


def judge(rendering: Rendering, beside: Comparison | None, settings: Conduct) -> list[Finding]:
    """A finding "output", pass with the notes as its reason or fail with what happened; "stray sound" per path."""
    measured = measure(rendering)
    outcome = Outcome.FAIL if measured.why_not else Outcome.PASS
    reason = measured.why_not or "; ".join(measured.notes)
    findings = [Finding("output", "", "", None, None, None, None, None, outcome, reason)]
    if beside is not None and settings.stray_db is not None:
        findings += [_stray(path.path, path.stray, settings.stray_db) for path in beside.paths if path.stray]
    return findings


def _stray(path: str, stray: StraySound, tolerance: Tolerance) -> Finding:
    place = f"at {stray.time_s:.2f} s, {stray.low_hz:.0f} to {stray.high_hz:.0f} Hz"
    return judge_deviation(
        "stray sound", ", ".join(part for part in (path, place) if part), "dB", 0.0, stray.excess_db, stray.excess_db,
        0.0, tolerance.at().above, tolerance_below=math.inf,
        reason=true_minus(f"{stray.level_db:.0f} dB re the golden's loudest"),
    )  # fmt: skip
