"""Of many runs, each one once, and the newest of each build, whole."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from reverdict.history.index import Kept, Runs
from reverdict.history.runs import NoRun, read


def each_once(runs: Runs) -> Runs:
    """Leave out runs that are there twice; of two the report's own stays, which holds curves for pictures."""
    found: dict[tuple[str, ...], Kept] = {}
    for kept in runs.kept:
        build = kept.about["build"]
        same = (str(kept.about["judged_at"]), *(str(build.get(key)) for key in ("name", "version", "commit")))
        if same not in found or kept.file.name == "verdict.json":
            found[same] = kept
    return replace(runs, kept=tuple(found.values()))


def newest_of_each_build(runs: Runs) -> dict[Path, dict[str, Any]]:
    """Read the newest run of each build name, in the order of the names, by its file."""
    newest = {str(kept.about["build"]["name"]): kept.file for kept in runs.kept}  # the last judged stays
    read_again = {newest[name]: read(newest[name]) for name in sorted(newest)}
    return {file: run for file, run in read_again.items() if not isinstance(run, NoRun)}
