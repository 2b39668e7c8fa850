"""Runs of the gate, kept: one JSON file each, a verdict.json without the curves that pages draw.

A folder of runs is the history of one line of development; keep those of the main branch there, not of every trial.
Files are written beside their place and linked to it, so that none is ever half there and none replaces another. What
is no run is named and left out.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4

from reverdict.durable import flush_folder, write_text
from reverdict.errors import BadInput
from reverdict.phrases import of_another_version
from reverdict.reading import json_of, misfit

SCHEMA = 1
FOLLOWED = ("quantity", "where", "unit", "outcome")
Verdict = Mapping[str, Any]


_TEXT = {"type": "string"}
_TEXTS = {"type": "array", "items": _TEXT}
_RUN = {
    "required": ["build", "judged_at"],
    "properties": {
        "build": {"type": "object", "required": ["name", "version"], "properties": {"name": _TEXT, "version": _TEXT}},
        "judged_at": _TEXT,
        "analysis_version": {"type": ["integer", "null"]},
        "machine": {"type": ["object", "null"]},
        "references": {
            "items": {
                "type": "object",
                "required": ["name", "checks"],
                "properties": {
                    "name": _TEXT,
                    "checks": {
                        "type": "array",
                        "items": {
                            "type": "object",
                            "required": ["check", "findings"],
                            "properties": {"check": _TEXT, "findings": {"type": "array"}},
                        },
                    },
                    "golden_identity": {
                        "type": ["object", "null"],
                        "properties": {"formerly": _TEXTS, "sha256": _TEXTS},
                    },
                },
            }
        },
    },
}
"""What a history needs of a run, whatever else is in it."""


@dataclass(frozen=True)
class NoRun:
    """A file that is no run, and why."""

    file: Path
    why: str


def keep(verdict: Verdict, folder: Path) -> Path:
    """Keep a verdict (as ``report.data.verdict.to_json`` gives it) and give the new file.

    Raises
    ------
    BadInput
        The folder cannot be made or written to.
    """
    slim = {
        **verdict,
        "references": [{**one, "curves": {}, "sounds": {}} for one in verdict["references"]],
    }
    text = json.dumps(slim, allow_nan=False, separators=(",", ":")) + "\n"
    beside = folder / f".{uuid4().hex}.new"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_text(beside, text)
        return _named(beside, folder, _stem(verdict))
    except OSError as error:
        raise BadInput(folder, f"cannot keep the run here ({error.strerror or error})") from error
    finally:
        beside.unlink(missing_ok=True)


def _named(beside: Path, folder: Path, stem: str) -> Path:
    """Give a written file the first name that is free."""
    number = 1
    while True:
        target = folder / (f"{stem}.json" if number == 1 else f"{stem}.{number}.json")
        try:
            os.link(beside, target)
        except FileExistsError:
            number += 1
            continue
        flush_folder(folder)
        return target


def _stem(verdict: Verdict) -> str:
    build = verdict["build"]
    when = re.sub(r"[-:]|\+00:?00$", "", str(verdict["judged_at"]))
    parts = [when, build["name"], build["version"], str(build["commit"] or "")[:7]]
    return "-".join(filter(None, (re.sub(r"[^\w.]+", "_", str(part)).strip("._")[:40] for part in parts)))


def files_of(place: Path) -> list[Path]:
    """Files that may be runs: the file itself, verdict.json of a report folder, or all JSON files of a folder of runs.

    Raises
    ------
    BadInput
        There is no such file or folder.
    """
    if place.is_file():
        return [place]
    if not place.is_dir():
        raise BadInput(place, "no such folder of runs; reverdict gate BUILD --runs DIR keeps them")
    verdict = place / "verdict.json"
    found = [verdict] if verdict.is_file() else sorted(place.glob("*.json"))
    return [file for file in found if not file.name.startswith(".")]


def read(file: Path) -> dict[str, Any] | NoRun:
    """One run, or why the file is none."""
    try:
        run = json_of(file)
    except BadInput as refusal:
        return NoRun(file, refusal.problem)
    why = _why_no_run(run)
    return NoRun(file, why) if why else run


def _why_no_run(run: Any) -> str:
    if not isinstance(run, dict) or not isinstance(run.get("references"), list):
        return "not a verdict of reverdict"
    if why := of_another_version(run.get("schema"), SCHEMA):
        return why
    if run.get("part"):
        return "a part of a run; reverdict merge puts parts together"
    if run.get("outcome") == "error" or not run["references"]:
        return "nothing was judged"
    if slip := misfit(run, _RUN):
        return f"not a whole verdict ({slip})"
    for reference in run["references"]:
        for check in reference["checks"]:
            for finding in check["findings"]:  # there are many: no schema, which takes ten times as long
                if not isinstance(finding, dict) or not all(isinstance(finding.get(key), str) for key in FOLLOWED):
                    return f"not a whole verdict (a finding of {reference['name']} lacks one of {', '.join(FOLLOWED)})"
    return ""
