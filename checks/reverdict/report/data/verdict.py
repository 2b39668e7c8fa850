"""``verdict.json``: the verdict as data. Pages, badges and other people's scripts read this and nothing else.

A finding's numbers are finite or null; a value that could not be measured is null and its ``reason`` says why.
``share_of_tolerance`` is |deviation| over tolerance (1 is at the limit), null where the tolerance is zero or missing.
``closes_gate`` tells whether a check alone keeps a merge out. ``counts`` tallies outcomes, so that nothing that was
not asked or not told gets lost.

A check sums up all cells of the render matrix: the outcome of the worst, the findings of all. ``cell`` of a finding
names its cell, empty for the main one. ``cells`` of a reference tells of each cell what it is and how every check put
there came out; cost is timed in the main one alone. Curves are of the main cell.

``machine`` says where costs were measured: class (the instruction set), processor, cores, system, libc, compiler,
counter, python; null where unknown. ``cost`` of a reference tells more than its findings do, every part of it null or
missing where there is none (``why_not`` may say why); golden and candidate stand beside each other:

    counted      golden, candidate, uncertainty, unit; golden_from ("baseline", "reference"), tool; stages and the
                 dearest functions (stage, function, golden, candidate in the same unit); reads, writes, misses
                 (first_level, last_level)
    timed        against ("baseline", "calibration kernel"), ratio, low, high, uncertainty, pairs, pairs_needed,
                 seconds_per_sample; blocks (block_size, count, budget_us; minimum_us, median_us, p99_us, p999_us,
                 worst_us and real_time_factor of golden and candidate)
    growth       axis, unit, exponent, uncertainty, points (at, cost), not_put, why_not
    levels       sound, seconds (of CPU for a second of it)
    setup_s, memory_mb, leak_kb_per_s (candidate, uncertainty)

``diagnosis`` of a reference that does not pass says which changes of the algorithm explain the deviation in the first
cell that does not pass (``cell``), what explains most first, none where nothing does:

    words        "spring 2: delay line 0.52 ms (25.0 samples at 48 kHz) longer"
    kind, where  "delay line", "spring 2"; where is empty for the whole response
    amount, unit, uncertainty   size of the change, k = 2; null where it has none, as a flipped polarity
    explains     share of the deviation's energy, 0 to 1

``golden_identity`` tells which golden a reference was held against: approved_at, approved_build, sha256 (of the samples
of each impulse) and formerly (names that the reference had before).

``sounds`` of a reference that can be heard: folder (in the report), channels, cues (name, from_s, to_s), candidate_db
(gain by which the candidate was made as loud as the golden), difference_db (level of the difference, golden being 0).

``part`` is null for a whole run. A part of one (``gate --shard``, ``--checks``) is no verdict on the build, and says
what it is a part of: shard ("2/3" or null), checks (those put here; others stand as not asked), references (of the
whole run), golden_sha256 and build_sha256 (of the files that asked; parts of one run have the same).

``diagnosis_failed`` is the traceback of a bug in that, else empty; it changes no outcome.
``curves`` are what pages draw; ``curves_left_out`` is true where there were some and many references were worse:

    echogram     path, time_ms, golden_db, candidate_db, tolerance_ms, passes (label "spring.pass", golden_ms,
                 candidate_ms)
    impulse      path, time_ms (first and last), full; golden and candidate: lowest and highest sample of each of many
                 equal stretches of that time, int8 in base64, ``full`` is the golden's peak
    time_frequency  path, time_ms, frequency_hz (outer edges), lowest_db, highest_db, scale (in words); golden,
                 candidate and difference (candidate minus golden): a greyscale PNG of 8 bits in base64 each; octaves
                 (centre_hz; golden, candidate, difference: the loudest, in dB of the golden's loudest of all, and
                 when, in ms)
    group_delay  path, spring, frequency_hz, golden_ms, candidate_ms, tolerance_ms
    decay        path, band_hz (null is broadband), time_s, golden_db, candidate_db, tolerance_db
                 (a tolerance is what is well above golden, a number or one for each point, "any" where all is;
                 tolerance_below_ms and _db are there where it differs below)
    lag          path, time_s, lag_s, uncertainty_s, coherence (1 is alike but for level and lag); fit (offset_s,
                 drift_ppm, steps, each with its uncertainty), agrees_until_s (null: to the end), heard_until_s,
                 shares (of the energy between from_s and to_s that comes lag_s late), polarity, time_scale, reason
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from reverdict import words

SCHEMA = 1
"""Version of the format. New keys do not raise it (see ``LATER``); what an older reader would misread does."""

OUTCOMES = tuple(outcome.value for outcome in words.Outcome)

LATER = ("analysis_version", "remarks", "cell", "cells", "cost", "machine", "golden_identity", "part", "sounds")
"""Keys that came later: a verdict.json of before has none."""

EARLY = (*LATER, "diagnosis", "diagnosis_failed")
"""What the first files, of before the first release, lack besides."""

Verdict = Mapping[str, Any]
"""A verdict as ``to_json`` gives it, or as read back from a ``verdict.json``."""


def verdict_text(verdict: Verdict) -> str:
    """A verdict as the text of its file: indented, but what holds no more lists or objects on one line."""
    text = json.dumps(verdict, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    # No string holds a line break, so that nothing but the space between values is taken out.
    return re.sub(r"[\[{]\n[^\[\]{}]*[\]}]", lambda flat: re.sub(r"\n *", "", flat[0]), text)


def to_json(verdict: words.Verdict) -> dict[str, Any]:
    """Give the JSON-ready dict of a verdict: dicts, lists, strings, finite numbers and None only.

    It is what verdict.json holds; ``reverdict schema verdict`` prints its JSON Schema. Nothing is raised.
    """
    judged = {
        "schema": SCHEMA,
        "outcome": str(verdict.outcome),
        "build": {
            "name": verdict.build.name,
            "version": verdict.build.version,
            "kind": verdict.build.kind,
            "commit": verdict.build.commit,
            "about": verdict.build.about,
        },
        "judged_at": verdict.judged_at,
        "suite_version": verdict.suite_version,
        "analysis_version": verdict.analysis_version,
        "machine": _ready(verdict.machine),
        "errors": list(verdict.errors),
        "part": _ready(verdict.part) or None,
        "references": [_reference(reference) for reference in verdict.references],
    }
    return {**judged, "counts": counts(judged)}


def counts(verdict: Verdict) -> dict[str, dict[str, int]]:
    """Tally outcomes: ``{"references": {"pass": 3, …}, "checks": {…}, "findings": {…}}``, every outcome named."""
    references = verdict["references"]
    checks = [check for reference in references for check in reference["checks"]]
    findings = [finding for check in checks for finding in check["findings"]]
    return {"references": _tally(references), "checks": _tally(checks), "findings": _tally(findings)}


def json_schema() -> dict[str, Any]:
    """Give the JSON Schema of ``verdict.json``, for those who read it from scripts. Unknown keys are allowed."""
    text, number = {"type": "string"}, {"type": ["number", "null"]}
    outcome = {"enum": list(OUTCOMES)}
    name_of_check = {"type": "string", "pattern": "^[a-z][a-z0-9]*(-[a-z0-9]+)*$"}
    ours_or_brought = {
        "properties": {"brought_by": text},
        "anyOf": [{"properties": {"check": {"enum": list(words.CHECKS)}}}, {"required": ["brought_by"]}],
    }
    finding = _object(
        quantity=text,
        where=text,
        unit=text,
        golden=number,
        candidate=number,
        deviation=number,
        uncertainty=number,
        tolerance=number,
        share_of_tolerance=number,
        outcome=outcome,
        reason=text,
        cell=text,
    )
    check = _object(
        check=name_of_check,
        outcome=outcome,
        reason=text,
        closes_gate={"type": "boolean"},
        findings={"type": "array", "items": finding},
    )
    explanation = _object(
        words=text,
        kind=text,
        where=text,
        amount=number,
        unit=text,
        uncertainty=number,
        explains={"type": "number"},
        cell=text,
    )
    put = _object(check=name_of_check, outcome=outcome, reason=text, closes_gate={"type": "boolean"})
    cell = {
        "type": "object",
        "required": ["cell", "sample_rate_hz", "block_size", "level_dbfs", "preset", "checks"],
        "properties": {
            "cell": text,
            "sample_rate_hz": {"type": "integer"},
            "block_size": {"anyOf": [{"type": "integer"}, {"const": "whole"}]},
            "level_dbfs": {"type": "number"},
            "preset": text,
            "checks": {"type": "array", "items": {"allOf": [put, ours_or_brought]}},
        },
    }
    reference = _object(
        name=text,
        title=text,
        outcome=outcome,
        checks={"type": "array", "items": {"allOf": [check, ours_or_brought]}},
        diagnosis={"type": "array", "items": explanation},
        diagnosis_failed=text,
        curves={"type": "object"},
        remarks={"type": "array", "items": text},
        cells={"type": "array", "items": cell},
        cost={"type": "object"},
        golden_identity={"type": "object"},
        sounds={"type": "object"},
    )
    part = _object(
        shard={"type": ["string", "null"]},
        checks={"type": "array", "items": text},
        references={"type": "array", "items": text},
        golden_sha256=text,
        build_sha256=text,
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "reverdict verdict",
        **_object(
            schema={"const": SCHEMA},
            outcome={"enum": ["pass", "fail", "unsure", "error"]},
            build=_object(name=text, version=text, kind=text, commit={"type": ["string", "null"]}, about=text),
            judged_at=text,
            suite_version=text,
            analysis_version={"type": ["integer", "null"]},
            machine={"type": "object"},
            errors={"type": "array", "items": text},
            part={**part, "type": ["object", "null"]},
            references={"type": "array", "items": reference},
            counts={"type": "object"},
        ),
    }


def _reference(reference: words.ReferenceVerdict) -> dict[str, Any]:
    return {
        "name": reference.name,
        "title": reference.title,
        "outcome": str(reference.outcome),
        "checks": [_check(check) for check in reference.checks],
        "diagnosis": [_ready(explanation) for explanation in reference.diagnosis],
        "diagnosis_failed": reference.diagnosis_failed,
        "curves": _ready(reference.curves),
        "remarks": list(reference.remarks),
        "cells": [_cell(cell) for cell in reference.cells],
        "cost": _ready(reference.cost),
        "golden_identity": _ready(reference.golden_identity),
        "sounds": _ready(reference.sounds),
    }


def _cell(cell: words.CellVerdict) -> dict[str, Any]:
    return {
        "cell": cell.cell,
        "sample_rate_hz": cell.sample_rate_hz,
        "block_size": cell.block_size,
        "level_dbfs": cell.level_dbfs,
        "preset": cell.preset,
        "checks": [_outcome(check) for check in cell.checks],
    }


def _outcome(check: words.CheckVerdict) -> dict[str, Any]:
    return {
        **({"brought_by": check.brought_by} if check.brought_by else {}),
        "check": check.check,
        "outcome": str(check.outcome),
        "reason": check.reason,
        "closes_gate": bool(check.closes_gate),
    }


def _check(check: words.CheckVerdict) -> dict[str, Any]:
    return {**_outcome(check), "findings": [_finding(finding) for finding in check.findings]}


def _finding(finding: words.Finding) -> dict[str, Any]:
    return {
        "quantity": finding.quantity,
        "where": finding.where,
        "unit": finding.unit,
        "golden": _ready(finding.golden),
        "candidate": _ready(finding.candidate),
        "deviation": _ready(finding.deviation),
        "uncertainty": _ready(finding.uncertainty),
        "tolerance": _ready(finding.tolerance),
        "share_of_tolerance": _ready(finding.share_of_tolerance),
        "outcome": str(finding.outcome),
        "reason": finding.reason,
        "cell": finding.cell,
    }


def _ready(value: Any) -> Any:
    """Make a value JSON-ready: arrays become lists, numbers that are not finite become None."""
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {str(key): _ready(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_ready(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _tally(judged: Iterable[Mapping[str, Any]]) -> dict[str, int]:
    tally = dict.fromkeys(OUTCOMES, 0)
    for one in judged:
        tally[one["outcome"]] += 1
    return tally


def _object(**properties: Any) -> dict[str, Any]:
    required = [name for name in properties if name not in LATER]
    return {"type": "object", "required": required, "properties": properties}
