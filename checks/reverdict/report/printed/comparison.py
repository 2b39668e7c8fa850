"""A comparison in a terminal: sentences first, then a row for each candidate, the closest that passes first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TextIO

from reverdict.choosing import Choice
from reverdict.report import margin_ruler
from reverdict.report.printed.verdict import in_ascii, wrapped
from reverdict.report.wording.basics import CHECK_NAMES, plain
from reverdict.report.wording.comparison import (
    called,
    checks_of,
    distance_in,
    distance_of,
    opening,
    price_of,
    remarks,
    worst_of,
)


def show(choice: Choice, stream: TextIO) -> None:
    """Write a comparison to a stream in what the stream can show."""
    said = text(choice)
    stream.write(said if margin_ruler.can_draw(stream) else in_ascii(said))
    stream.flush()


def text(choice: Choice) -> str:
    """Give the comparison as text, a final newline included."""
    lines = [line for said in opening(choice) for line in wrapped(said)]
    checks = checks_of(choice)
    rows = [["build", "gate", "distance", *(CHECK_NAMES.get(check, check) for check in checks), "cost"]]
    for one in choice.candidates:
        own = [distance_in(check, one).partition(" ±")[0] for check in checks]
        mark = "→ " if one.label == choice.taken else "  "
        rows.append([mark + called(one), one.outcome, distance_of(one.distance), *own, price_of(one.price)])
    rows[0][0] = "  " + rows[0][0]
    lines += ["", *_columns(rows), "", *(f"  {line}" for line in _worst(choice)), ""]
    return "\n".join([*lines, *(line for said in remarks(choice) for line in wrapped(said)), ""])


def _worst(choice: Choice) -> list[str]:
    """What is nearest to its limit, or why a candidate does not pass."""
    told = []
    for one in choice.candidates:
        said = worst_of(one) if one.passes else plain(one.why_not)
        told += wrapped(f"{called(one)}: {said or 'nothing was compared'}", indent=2)
    return told


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
