"""The render matrix in reports: each cell of a reference seen as if it were judged alone, and a table of all cells.

A verdict sums up every check over its cells, and a finding names its cell. Where a reference has one cell only, or the
verdict is from before there were cells, there is nothing to tell of here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from reverdict import words
from reverdict.phrases import true_minus

Json = Mapping[str, Any]


def cells_of(reference: Json) -> list[dict[str, Any]]:
    """The cells of a reference that has several, the main one first; else none."""
    cells = list(reference.get("cells", ()))
    return cells if len(cells) > 1 else []


def alone(reference: Json, cell: Json) -> dict[str, Any]:
    """A reference as it came out in one cell: the checks put there, with the findings made there."""
    summed_up = {check["check"]: check for check in reference["checks"]}
    checks = [
        {**put, "findings": [one for one in summed_up[put["check"]]["findings"] if one["cell"] == cell["cell"]]}
        for put in cell["checks"]
    ]
    return {**reference, "checks": checks}


def axis_of(reference: Json, name: str) -> str:
    """In which axis a cell differs from the main one, as the tables under [cells] of a reference call it."""
    main, *others = cells_of(reference)
    (cell,) = [other for other in others if other["cell"] == name]
    return next(axis for axis, key in _KEYS_OF_AXES.items() if cell[key] != main[key])


_KEYS_OF_AXES = {
    "sample_rate": "sample_rate_hz", "block_size": "block_size", "level": "level_dbfs", "preset": "preset",
}  # fmt: skip


def label(cell: Json) -> str:
    """What is other than in the main cell; of the main cell, all it is."""
    if cell["cell"]:
        return str(cell["cell"])
    blocks = "one block" if cell["block_size"] == "whole" else f"blocks of {cell['block_size']}"
    parts = [f"{cell['sample_rate_hz'] / 1000:g} kHz", blocks, true_minus(f"{cell['level_dbfs']:g} dBFS")]
    return ", ".join([*parts, *([f"preset {cell['preset']}"] if cell["preset"] else [])])


def split(findings: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], list[str]]:
    """Of findings, the worst first: those of the cell to speak of, and the names of the other cells that have some.

    The main cell is spoken of where it is among them, else that of the worst finding: a fault that is everywhere shows
    in the main cell, and the others only repeat it.
    """
    cells = list(dict.fromkeys(finding.get("cell", "") for finding in findings))
    spoken = "" if "" in cells or not cells else cells[0]
    return [one for one in findings if one.get("cell", "") == spoken], [cell for cell in cells if cell != spoken]


def columns(cells: list[dict[str, Any]]) -> list[str]:
    """The checks a table of cells has a column for: those put in any cell but the main one, and asked somewhere."""
    asked = {check["check"] for cell in cells for check in cell["checks"] if check["outcome"] != "not asked"}
    return in_order(asked)


def in_order(checks: Iterable[str]) -> list[str]:
    """Names of checks as they are shown: those of the suite, then those that packages brought."""
    there = set(checks)
    return [check for check in words.CHECKS if check in there] + sorted(there - set(words.CHECKS))


def checks_of(references: Iterable[Json]) -> list[str]:
    """The checks a table of references has a column for: all of the suite, and what packages brought to any of them."""
    return in_order([*words.CHECKS, *(check["check"] for one in references for check in one["checks"])])


def why_not_asked(cell: Json) -> str:
    """Why nothing at all was asked in a cell; empty where something was."""
    if any(check["outcome"] != "not asked" for check in cell["checks"]):
        return ""
    return str(cell["checks"][-1]["reason"])


def table(reference: Json) -> tuple[list[tuple[dict[str, Any], dict[str, Any]]], list[tuple[str, list[str]]]]:
    """For a table of cells: each with the reference as it came out there; and which were not asked, by reason."""
    cells = cells_of(reference)
    unasked: dict[str, list[str]] = {}
    for cell in cells:
        if why := why_not_asked(cell):
            unasked.setdefault(why, []).append(label(cell))
    return [(cell, alone(reference, cell)) for cell in cells if not why_not_asked(cell)], list(unasked.items())
