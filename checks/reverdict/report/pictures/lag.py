"""How late a build is over the tail, with its uncertainty as a band, and below it how alike the two are (coherence)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reverdict.report.pictures.line_chart import (
    LEFT,
    RIGHT,
    WIDTH,
    Axis,
    Picture,
    Table,
    band,
    chart,
    line,
    moved,
    rounded,
    side_axis,
    span,
    time_axis,
)
from reverdict.report.wording.basics import figure, plain
from reverdict.report.wording.lag import about_lag

TOP, LAG_PX, GAP_PX, COHERENCE_PX = 18, 90, 26, 60
TABLE_ROWS = 12
LEAST_US = 1.0
"""Half the height of the lag's axis at least: a rebuild's nanoseconds are drawn as the line they are."""


def lag_picture(identity: str, lag: Mapping[str, Any]) -> Picture | None:
    """Draw the lag curve of one path. None where no window has a lag."""
    late_us = [None if value is None else 1e6 * value for value in lag["lag_s"]]
    levels = span(late_us)
    if levels is None:
        return None
    unsure_us = [None if value is None else 1e6 * value for value in lag["uncertainty_s"]]
    x = Axis(0.0, max(max(lag["time_s"]), 1e-3), LEFT, WIDTH - RIGHT)
    middle_us = (levels[0] + levels[1]) / 2
    half_us = max(0.6 * (levels[1] - levels[0]), LEAST_US)
    foot = TOP + LAG_PX + GAP_PX + COHERENCE_PX
    y = Axis(middle_us - half_us, middle_us + half_us, TOP + LAG_PX, TOP)
    alike = Axis(0.0, 1.0, foot, foot - COHERENCE_PX)
    drawn = [
        time_axis(x, foot, "time after the click, s", TOP),
        side_axis(y, "late, µs"),
        band(lag["time_s"], moved(late_us, unsure_us, -1), moved(late_us, unsure_us, 1), x, y),
        _golden(x, y),
        line(lag["time_s"], late_us, x, y, "build"),
        side_axis(alike, "coherence", 2),
        line(lag["time_s"], _clipped(lag["coherence"]), x, alike, "build"),
    ]
    path = plain(lag["path"])
    said = " ".join(about_lag(lag))
    title = f"Lag{f' {path}' if path else ''} over time, build after golden, and their coherence"
    edges = [rounded(moved(late_us, unsure_us, sign), 3) for sign in (-1, 1)]
    return Picture(
        chart(identity, title, said, foot + 32, drawn),
        f"Lag over time: {said}".removesuffix("."),
        [_table(lag, late_us, unsure_us)],
        [
            {
                "name": "lag",
                "x": rounded(lag["time_s"], 4),
                "x_label": "time after the click, s",
                "y_label": "build later than golden by, µs",
                "golden": 0,
                "build": rounded(late_us, 3),
                "low": edges[0],
                "high": edges[1],
                "of_band": "uncertainty",
            }
        ],
    )


def _table(lag: Mapping[str, Any], late_us: Sequence[float | None], unsure_us: Sequence[float | None]) -> Table:
    """Every few windows of the tail."""
    step = max(round(len(late_us) / TABLE_ROWS), 1)
    rows = [
        (figure(at, 2), figure(late, 3), figure(unsure, 3), figure(alike, 3))
        for at, late, unsure, alike in list(zip(lag["time_s"], late_us, unsure_us, lag["coherence"], strict=False))[
            ::step
        ]
    ]
    return Table("Lag over time", ("time, s", "build later by, µs", "± U, µs", "coherence"), rows)


def _golden(x: Axis, y: Axis) -> str:
    """The golden is where nothing is late; drawn where that is in the picture."""
    return line([x.low, x.high], [0.0, 0.0], x, y, "golden slim") if y.low <= 0 <= y.high else ""


def _clipped(values: Sequence[float]) -> list[float | None]:
    return [max(value, 0.0) for value in values]
