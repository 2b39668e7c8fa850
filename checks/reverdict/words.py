"""The words of the trade as data: what flows from rendering to reporting. No logic lives here.

reference, build -> Response -> measurements -> Finding -> CheckVerdict -> ReferenceVerdict -> Verdict
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from numpy.typing import NDArray

CHECKS = ("echo-timing", "group-delay", "energy-decay", "cost", "conduct")
"""Every check of the suite in the order it is shown; none is absent by accident. What packages bring comes after."""

CHECK_TABLES = tuple(check.replace("-", "_") for check in CHECKS)
"""What their tables are called in TOML."""

PATHS = {
    "mono": ("",),
    "mono-to-stereo": ("left", "right"),
    "stereo-to-stereo": ("left→left", "left→right", "right→left", "right→right"),
}
"""Names of the signal paths of each channel layout, in the order of ``Response.samples``."""

INPUTS = {"mono": ("mono",), "mono-to-stereo": ("mono",), "stereo-to-stereo": ("left", "right")}
"""Inputs that get a click of their own, one render (and one impulse file) each."""


class Outcome(str, Enum):
    """How a finding, a check or a reference ends. Only PASS is good; NOT_ASKED is counted and shown."""

    PASS = "pass"
    FAIL = "fail"
    UNSURE = "unsure"
    NOT_ASKED = "not asked"

    def __str__(self) -> str:
        return self.value


@dataclass(frozen=True)
class Response:
    """An impulse response as the suite measures it.

    samples : ndarray, shape (paths, samples), float64
        One row per signal path, normalised to a unit click at the input. Finite and below 1e30; other floating point is
        converted, whole numbers are to be scaled first.
    rate_hz : int
        Sample rate; what is measured is from 8 to 192 kHz.
    click_at_s : float
        When the click went in, seconds from the first sample, within the sound. Times in measurements count from there.
    paths : tuple of str
        Name of each row, all different: for goldens ("",) of mono, ("left", "right") of mono-to-stereo, ("left→left",
        "left→right", "right→left", "right→right"), input→output, of stereo-to-stereo. Recordings that are not mono have
        ("channel 1", "channel 2", …). Measuring only repeats the names: any others will do.
    """

    samples: NDArray[Any]
    rate_hz: int
    click_at_s: float = 0.0
    paths: tuple[str, ...] = ("",)

    @property
    def seconds_after_click(self) -> float:
        """How long it sounds from the click on."""
        return float(self.samples.shape[-1]) / self.rate_hz - self.click_at_s


@dataclass(frozen=True)
class Finding:
    """One measured quantity against its tolerance: a candidate, a golden value, and what that means.

    ``deviation`` is candidate minus golden, ``uncertainty`` its expanded uncertainty (k = 2), all in ``unit``.
    A value that could not be measured is None and ``reason`` says why. ``cell`` is the one of the render matrix in
    which it was found, as ``cells.Cell`` names it; empty for the main cell.
    """

    quantity: str
    where: str
    unit: str
    golden: float | None
    candidate: float | None
    deviation: float | None
    uncertainty: float | None
    tolerance: float | None
    outcome: Outcome
    reason: str = ""
    cell: str = ""

    @property
    def share_of_tolerance(self) -> float | None:
        """|deviation| over tolerance: 1 is at the limit. None where there is nothing to divide."""
        if self.deviation is None or not self.tolerance:
            return None
        return abs(self.deviation) / self.tolerance


@dataclass(frozen=True)
class CheckVerdict:
    """One check of one reference. ``closes_gate`` is false for an unsure the reference chose to accept.

    brought_by : name and version of the package whose check it is; empty for the checks of ``CHECKS``.
    """

    check: str
    outcome: Outcome
    reason: str = ""
    findings: tuple[Finding, ...] = ()
    closes_gate: bool = False
    brought_by: str = ""


@dataclass(frozen=True)
class CellVerdict:
    """What came of the checks in one cell of the render matrix.

    cell : its name, empty for the main one.
    block_size : frames, or "whole".
    checks : those put in this cell; their findings stand in the checks of the reference, under the name of the cell.
    """

    cell: str
    sample_rate_hz: int
    block_size: int | str
    level_dbfs: float
    preset: str
    checks: tuple[CheckVerdict, ...]


@dataclass(frozen=True)
class ReferenceVerdict:
    """One reference: its checks and the curves that pages draw (JSON-ready, see report.data.verdict).

    ``checks`` sum up all cells; curves are those of the main cell, diagnosis is of the first that does not pass.
    ``remarks`` are what to know of the golden itself: tolerances that nobody approved, another analysis.
    diagnosis : what change of the algorithm explains the deviation, what explains most first (JSON-ready too).
    diagnosis_failed : why there is none though one was tried; a bug of the suite, which changes no outcome.
    cost : what a sample costs, in more detail than findings tell (JSON-ready, see report.data.verdict).
    sounds : what of it can be heard beside a report (JSON-ready, see report.data.verdict).
    golden_identity : which golden it was held against (JSON-ready, see report.data.verdict).
    """

    name: str
    title: str
    outcome: Outcome
    checks: tuple[CheckVerdict, ...]
    curves: dict[str, Any] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    diagnosis: tuple[dict[str, Any], ...] = ()
    diagnosis_failed: str = ""
    cells: tuple[CellVerdict, ...] = ()
    cost: dict[str, Any] = field(default_factory=dict)
    golden_identity: dict[str, Any] = field(default_factory=dict)
    sounds: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class BuildIdentity:
    """Which build was judged. ``commit`` is None where neither the TOML nor git knows one."""

    name: str
    version: str
    kind: str
    commit: str | None = None
    about: str = ""


@dataclass(frozen=True)
class Verdict:
    """What the gate says of one build. ``outcome`` is pass, fail, unsure or error ("cannot judge").

    ``suite_version`` and ``analysis_version`` tell by what it was judged and measured.
    ``machine`` describes where it was judged, for costs depend on it (JSON-ready).
    ``prepare_log`` is all that a failed ``prepare`` of the build said; empty where it went well.
    ``part`` tells what this is a part of, where only some of a run was put (JSON-ready, see report.data.verdict).
    """

    outcome: str
    build: BuildIdentity
    references: tuple[ReferenceVerdict, ...]
    errors: tuple[str, ...] = ()
    judged_at: str = ""
    suite_version: str = ""
    prepare_log: str = ""
    analysis_version: int | None = None
    machine: dict[str, Any] = field(default_factory=dict)
    part: dict[str, Any] = field(default_factory=dict)
