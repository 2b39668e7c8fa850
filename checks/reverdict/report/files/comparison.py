"""``summary.md`` of a comparison."""

from __future__ import annotations

from reverdict.choosing import Choice
from reverdict.report.files.summary import escape
from reverdict.report.wording.comparison import (
    called,
    distance_of,
    opening,
    price_of,
    remarks,
    worst_of,
)


def summary(choice: Choice) -> str:
    """The comparison as Markdown."""
    rows = [
        f"| {escape(called(one))} | {one.outcome} | {distance_of(one.distance)} | {price_of(one.price)} "
        f"| {escape(worst_of(one) or one.why_not)} |"
        for one in choice.candidates
    ]
    lines = [*(escape(said) for said in opening(choice)), "", "| build | gate | distance | cost | worst |"]
    return "\n".join([*lines, "|---|---|---|---|---|", *rows, "", *(escape(said) for said in remarks(choice)), ""])
