"""Histories of a reverb that never was: runs of the gate over releases, with what moved in them known."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

IMPULSES = "0" * 64


def finding(name: str, value: float, golden: float = 30.0, tolerance: float = 0.1, **rest: Any) -> dict[str, Any]:
    """A finding of an arrival, ``value`` off its golden in ms."""
    return {
        "quantity": "arrival", "where": name, "unit": "ms", "golden": golden, "candidate": golden + value,
        "deviation": value, "uncertainty": 0.0005, "tolerance": tolerance,
        "share_of_tolerance": abs(value) / tolerance if tolerance else None,
        "outcome": "pass" if not tolerance or abs(value) <= tolerance else "fail",
        "reason": "", "cell": "",
    } | rest  # fmt: skip


def run(number: int, findings: Sequence[Mapping[str, Any]], **rest: Any) -> dict[str, Any]:
    """A kept run of release 1.``number``. ``reference`` and ``identity`` are of its only reference."""
    identity = {"formerly": [], "approved_at": "", "approved_build": "", "sha256": [IMPULSES]} | rest.pop(
        "identity", {}
    )
    outcome = "fail" if any(one["outcome"] == "fail" for one in findings) else "pass"
    check = {
        "check": rest.pop("check", "echo-timing"), "outcome": outcome, "reason": "", "closes_gate": outcome == "fail",
        "findings": list(findings),
    }  # fmt: skip
    name = rest.pop("reference", "tank")
    build = {"name": "spring", "version": f"1.{number}", "kind": "library", "commit": f"{number:040x}", "about": ""}
    return {
        "schema": 1, "outcome": outcome, "build": build | rest.pop("build", {}),
        "judged_at": f"2026-{1 + number // 28:02d}-{1 + number % 28:02d}T09:00:00+00:00", "suite_version": "0",
        "analysis_version": 1, "machine": {"class": "x86_64", "processor": "one"}, "errors": [],
        "references": [{"name": name, "title": "", "outcome": outcome, "checks": [check], "golden_identity": identity}],
        **rest,
    }  # fmt: skip


def write(folder: Path, runs: Sequence[Mapping[str, Any]]) -> Path:
    """Put runs into a folder, as ``gate --runs`` would."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, one in enumerate(runs):
        (folder / f"{number:05d}.json").write_text(json.dumps(one), encoding="utf-8")
    return folder


def quiet_rows(count: int, releases: int, rng: np.random.Generator) -> NDArray[Any]:
    """Rows in which nothing moves, shape (count, releases), in shares of tolerance, of three realistic kinds.

    Builds that repeat exactly but for a rare last digit; noise of a measurement; times, with now and then a slow run.
    """
    rows = np.zeros((count, releases))
    for number, row in enumerate(rows):
        kind = number % 3
        if kind == 0:
            row[:] = 0.1 * rng.standard_normal() + 0.01 * rng.standard_normal(releases) * (rng.random(releases) < 0.1)
        elif kind == 1:
            row[:] = 0.1 * rng.standard_normal() + rng.uniform(0.02, 0.3) * rng.standard_normal(releases)
        else:
            row[:] = 0.15 * rng.standard_normal(releases) + rng.exponential(0.4, releases) * (
                rng.random(releases) < 0.07
            )
    return rows
