"""How much later than golden each frequency of a spring comes: frequency upward, time to the right.

The golden curve is the straight bed in the middle, its tolerance the band around it, so that microseconds show which
the curves of the echogram's time axis cannot.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from itertools import chain
from typing import Any

from reverdict.report.pictures.line_chart import (
    LEFT,
    RIGHT,
    WIDTH,
    Axis,
    Picture,
    Table,
    astray,
    chart,
    differences,
    limit_told,
    limits_of,
    line,
    room_for,
    rounded,
    side_axis,
    span,
    time_axis,
    upright_band,
)
from reverdict.report.wording.basics import figure, plain

TOP, HEIGHT_PX, GAP_PX = 30, 372, 18
TABLE_ROWS = 12


def group_delay_picture(identity: str, curves: Sequence[Mapping[str, Any]]) -> Picture | None:
    """Draw the springs of one path side by side, on one frequency axis. None without data."""
    known = [curve for curve in curves if span(curve["golden_ms"]) and span(curve["frequency_hz"])]
    if not known:
        return None
    foot = TOP + HEIGHT_PX
    highest = max(high for curve in known for _, high in [span(curve["frequency_hz"]) or (0.0, 1.0)])
    y = Axis(0.0, highest / 1000, foot, TOP)
    late = [differences(curve["golden_ms"], curve["candidate_ms"]) for curve in known]
    room = max(room_for(off, chain(*limits_of(curve, "ms"))) for off, curve in zip(late, known, strict=True))
    width = (WIDTH - RIGHT - LEFT - GAP_PX * (len(known) - 1)) / len(known)
    drawn = [side_axis(y, "kHz", 5)]
    for index, (curve, off) in enumerate(zip(known, late, strict=True)):
        start = LEFT + index * (width + GAP_PX)
        drawn.append(_spring(curve, off, Axis(-room, room, start, start + width), y, foot))
    last = WIDTH - RIGHT
    drawn.append(f'<text x="{last}" y="{foot + 28}" text-anchor="end">build later than golden by, ms</text>')
    path = plain(known[0]["path"])
    title = f"Group delay{f' {path}' if path else ''}: how much later than golden each frequency comes"
    told = "; ".join(_told(curve, off) for curve, off in zip(known, late, strict=True))
    pairs = list(zip(known, late, strict=True))
    return Picture(
        chart(identity, title, told, foot + 32, drawn),
        f"Group delay; {told}",
        [_table(curve, off) for curve, off in pairs],
        [_closer(curve, off) for curve, off in pairs],
    )


def _table(curve: Mapping[str, Any], off: Sequence[float | None]) -> Table:
    """Every few frequencies of a spring's curve."""
    below, above = limits_of(curve, "ms")
    step = max(round(len(off) / TABLE_ROWS), 1)
    rows = [
        (figure(hz, 0), figure(golden, 3), figure(late, 4), limit_told(*limits))
        for hz, golden, late, *limits in list(
            zip(curve["frequency_hz"], curve["golden_ms"], off, below, above, strict=False)
        )[::step]
    ]
    heads = ("frequency, Hz", "golden, ms", "build later by, ms", "limit, ms")
    return Table(f"Spring {plain(curve['spring'])}, group delay", heads, rows)


def _closer(curve: Mapping[str, Any], off: Sequence[float | None]) -> dict[str, Any]:
    below, above = limits_of(curve, "ms")
    return {
        "name": f"spring {plain(curve['spring'])}",
        "x": rounded(curve["frequency_hz"], 1),
        "x_label": "frequency, Hz",
        "y_label": "build later than golden by, ms",
        "upright": True,
        "golden": 0,
        "build": rounded(off, 5),
        "low": rounded([None if limit is None else -limit for limit in below], 5),
        "high": rounded(above, 5),
    }


def _spring(curve: Mapping[str, Any], off: Sequence[float | None], x: Axis, y: Axis, foot: float) -> str:
    frequencies = [None if hz is None else hz / 1000 for hz in curve["frequency_hz"]]
    below, above = limits_of(curve, "ms")
    pairs = zip(frequencies, curve["golden_ms"], strict=False)
    known = [hz for hz, late in pairs if hz is not None and late is not None]
    drawn = [
        f'<text class="strong" x="{x.start:.1f}" y="{TOP - 7}">spring {escape(plain(curve["spring"]))}</text>',
        upright_band(frequencies, [None if limit is None else -limit for limit in below], above, x, y),
        time_axis(x, foot, "", TOP),
        line([0.0, 0.0], [min(known), max(known)], x, y, "golden"),
        line(off, frequencies, x, y, "build"),
        line(astray(off, below, above), frequencies, x, y, "astray"),
    ]
    return "".join(drawn)


def _told(curve: Mapping[str, Any], off: Sequence[float | None]) -> str:
    known = [(abs(late), late, hz) for late, hz in zip(off, curve["frequency_hz"], strict=False) if late is not None]
    if not known:
        return f"spring {plain(curve['spring'])}: not found in the build"
    _, late, hz = max(known)
    way = "early" if late < 0 else "late"
    return f"spring {plain(curve['spring'])}: at most {figure(abs(late), 3)} ms {way}, at {figure(hz, 0)} Hz"
