"""Reports of invented verdicts: the contract, escaping in every format, the ruler's geometry, pages without a network."""

from __future__ import annotations

import io
import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import jsonschema
import numpy as np
import pytest
from reverdict.errors import BadInput
from reverdict.report import line_chart, margin_ruler, write_report
from reverdict.report.badge import badge_svg
from reverdict.report.junit import junit_xml
from reverdict.report.margin_ruler import HALF_CELLS, HALF_PX, OUTER_CELLS, OUTER_PX, Ruler, ruler_of
from reverdict.report.page import page_html
from reverdict.report.ranking import references_worst_first, worst_first
from reverdict.report.sentences import about_reference, opening
from reverdict.report.summary import escape, summary_md
from reverdict.report.terminal import in_ascii, show, text
from reverdict.report.verdict_json import counts, json_schema, to_json
from reverdict.report.wording import CHECK_NAMES, LINES_PER_CHECK, plain, reason_lines, share
from reverdict.words import (
    CHECKS,
    BuildIdentity,
    CheckVerdict,
    Finding,
    Outcome,
    ReferenceVerdict,
    Verdict,
)

PASS, FAIL, UNSURE, NOT_ASKED = Outcome.PASS, Outcome.FAIL, Outcome.UNSURE, Outcome.NOT_ASKED

HOSTILE = "</title><script>alert(1)</script>\"'`|*_[x](https://evil.example)\x00\x1b[31m\u202eabc\n# x\r\ud800\ufffe@all&amp;"


# An invented verdict: a tank that fails, a hall that is unsure, a plate that crashed, a room that passes.


def judged(quantity: str, where: str, unit: str, golden: float, off: float, limit: float, u: float = 0.0) -> Finding:
    """A finding judged by the rule of DESIGN: |d| + U ≤ t passes, |d| − U > t fails, else unsure."""
    outcome = PASS if abs(off) + u <= limit else FAIL if abs(off) - u > limit else UNSURE
    reason = "too noisy to say" if outcome is UNSURE else ""
    return Finding(quantity, where, unit, golden, golden + off, off, u, limit, outcome, reason)


def check_of(name: str, findings: list[Finding], **more: Any) -> CheckVerdict:
    outcomes = {finding.outcome for finding in findings}
    outcome = next(one for one in (FAIL, UNSURE, PASS) if one in outcomes)
    return CheckVerdict(name, outcome, findings=tuple(findings), closes_gate=outcome is not PASS, **more)


def conduct_holds() -> CheckVerdict:
    return check_of("conduct", [judged("samples not finite", "whole response", "samples", 0, 0, 0)])


def echo_timing(late_ms: tuple[float, float]) -> CheckVerdict:
    findings = []
    for spring, (first, late) in enumerate(zip((30.02, 41.17), late_ms, strict=True), start=1):
        for number, trips in enumerate((1, 3, 5), start=1):
            where = f"spring {spring}, pass {number}, 500 Hz"
            findings.append(judged("arrival", where, "ms", first * trips, late + 0.002 * number, 0.1, 0.004))
    findings.append(judged("onset", "whole response", "ms", 29.1, 0.01, 0.1, 0.02))
    return check_of("echo-timing", findings)


def group_delay(off_ms: float) -> CheckVerdict:
    return check_of(
        "group-delay",
        [
            judged("delay", f"spring {spring}, {hz} Hz", "ms", 3e-6 * hz**2 / 3, off_ms * hz / 4000, 0.25, 0.01)
            for spring in (1, 2)
            for hz in (100, 200, 500, 1000, 2000, 3000, 4000)
        ]
        + [judged("transition", f"spring {spring}", "Hz", 4300.0, -3.1, 43.0, 4.0) for spring in (1, 2)],
    )


def energy_decay(off_percent: float, u_percent: float = 0.3, path: str = "") -> CheckVerdict:
    where = f"{path}, " if path else ""
    return check_of(
        "energy-decay",
        [
            judged(quantity, f"{where}{band}", "s", t, t * off_percent / 100, 0.02 * t, t * u_percent / 100)
            for quantity in ("EDT", "T20", "T30")
            for band, t in (("125 Hz", 4.9), ("250 Hz", 4.1), ("500 Hz", 3.6), ("1 kHz", 2.8), ("2 kHz", 2.0))
        ],
    )


def cost(percent: float) -> CheckVerdict:
    return check_of("cost", [judged("cost", "tail and noise", "%", 100.0, percent, 100.0 if percent < 0 else 10.0, 0.5)])


def spring_curves(late_ms: tuple[float, float], seed: int = 7) -> dict[str, Any]:
    """Invented curves of a two-spring tank whose passes chirp upward."""
    times = np.arange(0, 300, 0.1)
    noise = np.random.default_rng(seed).normal(0, 1.2, times.size)
    hz = np.geomspace(100, 4200, 160)
    dispersion = 6 * (1 / np.sqrt(1 - (hz / 4700) ** 2) - 1)
    echoes, passes, delays = [], [], []
    for spring, (first, late) in enumerate(zip((30.02, 41.17), late_ms, strict=True), start=1):
        passes += [
            {"label": f"{spring}.{number}", "golden_ms": first * trips, "candidate_ms": first * trips + late}
            for number, trips in enumerate((1, 3, 5), start=1)
        ]
        delays.append(
            {
                "path": "",
                "spring": spring,
                "frequency_hz": hz,
                "golden_ms": first + dispersion,
                "candidate_ms": first + late + dispersion * (1 + 0.004 * np.sin(hz / 700)),
                "tolerance_ms": np.interp(np.log(hz), np.log([100, 3000]), [0.25, 1.0]),
            }
        )

    def level(shift: float) -> np.ndarray:
        power = np.full(times.size, 1e-7)
        for one in passes:
            since = times - one["golden_ms"] - shift * (one["label"][0] == "2")
            trips = one["golden_ms"] / (30.02 if one["label"][0] == "1" else 41.17)
            power += np.where(since > 0, 10 ** (-0.12 * trips) * np.exp(-np.maximum(since, 0) / (5 * trips)), 0)
        return 10 * np.log10(power) + noise

    echoes = [
        {
            "path": "",
            "time_ms": times,
            "golden_db": level(0),
            "candidate_db": level(late_ms[1]),
            "tolerance_ms": 0.1,
            "passes": passes,
        }
    ]
    return {"echogram": echoes, "group_delay": delays, "decay": decay_curves("", 0.4)}


def decay_curves(path: str, percent: float) -> list[dict[str, Any]]:
    """Invented decay curves, broadband and five octaves; the build's T is longer by ``percent``."""
    times = np.linspace(0, 3, 600)
    drawn = []
    for band, t in ((None, 3.2), (125, 4.9), (250, 4.1), (500, 3.6), (1000, 2.8), (2000, 2.0)):
        ripple = 0.15 * np.sin(9 * times + t)
        golden = -60 * times / t + ripple
        candidate = -60 * times / (t * (1 + percent / 100)) + ripple * 0.9
        candidate = np.where(golden < -55, np.nan, candidate)
        limit = 60 * times / t * 0.02 + 0.1
        drawn.append(
            {
                "path": path,
                "band_hz": band,
                "time_s": times,
                "golden_db": golden,
                "candidate_db": candidate,
                "tolerance_db": limit,
            }
        )
    return drawn


def hall_curves() -> dict[str, Any]:
    times = np.arange(0, 1500, 1.0)
    rng = np.random.default_rng(3)
    paths = ("left→left", "left→right", "right→left", "right→right")
    echoes = [
        {
            "path": path,
            "time_ms": times,
            "golden_db": -40 * times / 1500 - 8 + (noise := rng.normal(0, 2.5, times.size)),
            "candidate_db": -40 * times / 1500 - 8 + noise + rng.normal(0, 0.3, times.size),
            "tolerance_ms": 0.1,
            "passes": [],
        }
        for path in paths
    ]
    decays = [curve for path in paths for curve in decay_curves(path, 2.6 if path == "left→left" else 0.2)]
    return {"echogram": echoes, "group_delay": [], "decay": decays}


def tank() -> ReferenceVerdict:
    checks = (echo_timing((0.006, 0.52)), group_delay(0.05), energy_decay(0.4), cost(-3.0), conduct_holds())
    return ReferenceVerdict("tank", "Two springs, mono", FAIL, checks, spring_curves((0.006, 0.52)))


def hall() -> ReferenceVerdict:
    no_springs = "a hall has no separate passes"
    checks = (
        CheckVerdict("echo-timing", NOT_ASKED, no_springs),
        CheckVerdict("group-delay", NOT_ASKED, no_springs),
        energy_decay(1.6, 0.9, "left→left"),
        cost(2.0),
        conduct_holds(),
    )
    return ReferenceVerdict("hall", "A large hall, stereo to stereo", UNSURE, checks, hall_curves())


def crashed() -> ReferenceVerdict:
    """The build crashed here: conduct says so, nothing else could be measured."""
    fault = Finding("render", "click", "", None, None, None, None, None, FAIL, "the build ended with signal 11")
    unmeasured = tuple(
        CheckVerdict(name, UNSURE, "no response: the build ended with signal 11", closes_gate=True) for name in CHECKS[:4]
    )
    checks = (*unmeasured, CheckVerdict("conduct", FAIL, findings=(fault,), closes_gate=True))
    return ReferenceVerdict("plate", "A plate, mono", FAIL, checks)


def passing(name: str = "room") -> ReferenceVerdict:
    checks = (echo_timing((0.006, 0.01)), group_delay(0.05), energy_decay(0.4), cost(0.0), conduct_holds())
    return ReferenceVerdict(name, "Two springs after maintenance", PASS, checks, spring_curves((0.006, 0.01)))


def accepted() -> ReferenceVerdict:
    unsure = replace(energy_decay(1.6, 0.9), closes_gate=False, reason="the reference accepts it: an old capture")
    checks = (echo_timing((0.006, 0.01)), group_delay(0.05), unsure, cost(0.0), conduct_holds())
    return ReferenceVerdict("capture", "An old capture", PASS, checks)


def verdict_of(*references: ReferenceVerdict, outcome: str = "fail", **more: Any) -> Verdict:
    build = BuildIdentity("workshop", "1.1", "python", "3f2a91c", "an invented build for these tests")
    return Verdict(outcome, build, references, judged_at="2026-11-25T09:00:00Z", suite_version="0.1.0", **more)


def whole() -> Verdict:
    return verdict_of(passing(), hall(), tank(), crashed())


def hostile() -> Verdict:
    """Every text a build or a TOML file can bring is hostile."""
    finding = Finding(HOSTILE, HOSTILE, HOSTILE, 1.0, 2.0, 1.0, 0.1, 0.5, FAIL, HOSTILE)
    checks = (
        CheckVerdict("echo-timing", FAIL, HOSTILE, (finding,), closes_gate=True),
        CheckVerdict("group-delay", NOT_ASKED, HOSTILE),
        CheckVerdict("energy-decay", UNSURE, HOSTILE, closes_gate=True),
        CheckVerdict("cost", UNSURE, HOSTILE, closes_gate=False),
        conduct_holds(),
    )
    curves = spring_curves((0.0, 0.5))
    for curve in [*curves["echogram"], *curves["group_delay"], *curves["decay"]]:
        curve["path"] = HOSTILE
    curves["echogram"][0]["passes"][0]["label"] = HOSTILE
    curves["group_delay"][0]["spring"] = HOSTILE
    build = BuildIdentity(HOSTILE, "x" * 5000, HOSTILE, HOSTILE, HOSTILE)
    reference = ReferenceVerdict(HOSTILE, HOSTILE, FAIL, checks, curves)
    return Verdict("fail", build, (reference, replace(reference, name="y" * 3000)), (HOSTILE,), HOSTILE, HOSTILE)
