"""How the energy decays: the curves of all bands, and below them each band's difference on its tolerance band.

Bands are stacked with frequency upward, broadband at the foot. A tolerance is often finer than the line of a curve
that falls by 60 dB; the differences show it.
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
    band,
    chart,
    cut_marks,
    differences,
    limit_told,
    limits_of,
    line,
    moved,
    room_for,
    rounded,
    side_axis,
    span,
    sparser,
    tick,
    time_axis,
)
from reverdict.report.wording.basics import figure, plain

TOP, CURVES_PX, STRIP_PX, GAP_PX = 18, 150, 26, 26
SHOWN_DB = 65.0
MOST_CLOSER = 120


def decay_picture(identity: str, decays: Sequence[Mapping[str, Any]]) -> Picture | None:
    """Draw the bands of one path. None without data."""
    known = [decay for decay in decays if span(decay["golden_db"]) and span(decay["time_s"])]
    if not known:
        return None
    known.sort(key=lambda decay: -(decay["band_hz"] or 0.0))
    times = span(*(decay["time_s"] for decay in known)) or (0.0, 1.0)
    x = Axis(0.0, times[1] or 1.0, LEFT, WIDTH - RIGHT)
    curves_foot = TOP + CURVES_PX
    foot = curves_foot + GAP_PX + STRIP_PX * len(known)
    drawn = [time_axis(x, foot, "time after the click, s", TOP), *_curves(known, x, curves_foot)]
    drawn += _strips(known, x, curves_foot + GAP_PX)
    path = plain(known[0]["path"])
    title = f"Energy decay{f' {path}' if path else ''}: curves of golden and build, and their difference in each band"
    told = "; ".join(_told(decay) for decay in known)
    said = f"Energy decay; {_worst(known)}. Brought to one level; shifts in time are judged elsewhere"
    return Picture(
        chart(identity, title, told, foot + 32, drawn), said, [_table(known)], [_closer(decay) for decay in known]
    )


def _table(known: Sequence[Mapping[str, Any]]) -> Table:
    """Of each band the largest difference, and what is well there."""
    rows = []
    for decay in known:
        below, above = _limits(decay)
        worst = _largest_difference(decay)
        if worst is None:
            rows.append((_band_name(decay), "none", "", ""))
            continue
        _, value, at = worst
        index = decay["time_s"].index(at)
        rows.append((_band_name(decay), figure(value, 3), figure(at, 2), limit_told(below[index], above[index])))
    heads = ("band", "largest difference, dB", "at, s", "limit there, dB")
    return Table("Decay, build minus golden", heads, rows)


def _closer(decay: Mapping[str, Any]) -> dict[str, Any]:
    off = differences(decay["golden_db"], decay["candidate_db"])
    columns = [sparser(column, MOST_CLOSER) for column in (decay["time_s"], off, *_limits(decay))]
    times, off, below, above = columns
    return {
        "name": _band_name(decay),
        "x": [times[0], times[-1], len(times)],
        "x_label": "time after the click, s",
        "y_label": "build minus golden, dB",
        "golden": 0,
        "build": rounded(off, 3),
        "low": None if below == above else rounded([None if limit is None else -limit for limit in below], 2),
        "high": rounded(above, 2),
    }


def _curves(known: Sequence[Mapping[str, Any]], x: Axis, foot: float) -> list[str]:
    levels = span(*(decay[who] for decay in known for who in ("golden_db", "candidate_db"))) or (-1.0, 0.0)
    y = Axis(max(levels[0], levels[1] - SHOWN_DB) if levels[0] < levels[1] else levels[0] - 1, levels[1], foot, TOP)
    drawn = [side_axis(y, "dB")]
    for decay in known:
        below, above = _limits(decay)
        edges = moved(decay["golden_db"], below, -1), moved(decay["golden_db"], above, 1)
        drawn.append(band(decay["time_s"], *edges, x, y))
    drawn += [line(*_above(decay, "golden_db", y), x, y, "golden") for decay in known]
    drawn += [line(*_above(decay, "candidate_db", y), x, y, "build") for decay in known]
    return drawn


def _above(decay: Mapping[str, Any], who: str, y: Axis) -> tuple[list[float | None], list[float | None]]:
    """A curve down to the foot of the axis, so that it ends there and does not run along it."""
    levels = [None if level is None or level < y.low else level for level in decay[who]]
    return decay["time_s"], levels


def _strips(known: Sequence[Mapping[str, Any]], x: Axis, top: float) -> list[str]:
    off = [differences(decay["golden_db"], decay["candidate_db"]) for decay in known]
    room = max(room_for(values, chain(*_limits(decay))) for values, decay in zip(off, known, strict=True))
    limits = [limit for decay in known for limit in chain(*_limits(decay)) if limit is not None]
    said = f"build minus golden, strips ± {tick(float(f'{room:.2g}'))} dB" + (", tolerance as band" if limits else "")
    drawn = [f'<text x="{LEFT}" y="{top - 5:g}">{escape(said)}</text>']
    for index, (decay, values) in enumerate(zip(known, off, strict=True)):
        y = Axis(-room, room, top + STRIP_PX * (index + 1) - 1, top + STRIP_PX * index + 1)
        drawn.append(_strip(decay, values, x, y))
    return drawn


def _strip(decay: Mapping[str, Any], off: Sequence[float | None], x: Axis, y: Axis) -> str:
    times, (below, above) = decay["time_s"], _limits(decay)
    known = [at for at, level in zip(times, decay["golden_db"], strict=False) if at is not None and level is not None]
    return "".join(
        [
            f'<text x="{LEFT - 5}" y="{y.at(0) + 4:.1f}" text-anchor="end">{escape(_band_name(decay))}</text>',
            band(times, [None if limit is None else -limit for limit in below], above, x, y),
            line([min(known), max(known)], [0.0, 0.0], x, y, "golden slim"),
            line(times, off, x, y, "build"),
            line(times, astray(off, below, above), x, y, "astray"),
            *cut_marks(times, off, x, y),
        ]
    )


def _limits(decay: Mapping[str, Any]) -> tuple[list[float | None], list[float | None]]:
    below, above = (one * (len(decay["time_s"]) if len(one) == 1 else 1) for one in limits_of(decay, "db"))
    return below, above


def _band_name(decay: Mapping[str, Any]) -> str:
    centre = decay["band_hz"]
    if not centre:
        return "all"
    return f"{tick(round(centre))} Hz" if centre < 1000 else f"{tick(float(f'{centre / 1000:.2g}'))} kHz"


def _told(decay: Mapping[str, Any]) -> str:
    worst = _largest_difference(decay)
    if worst is None:
        return f"{_band_name(decay)}: no difference could be had"
    size, value, at = worst
    return (
        f"{_band_name(decay)}: at most {figure(size, 2)} dB {'above' if value > 0 else 'below'}, at {figure(at, 2)} s"
    )


def _worst(known: Sequence[Mapping[str, Any]]) -> str:
    measured = [decay for decay in known if _largest_difference(decay)]
    if not measured:
        return "no difference could be had"
    return _told(max(measured, key=lambda decay: _largest_difference(decay) or (0.0, 0.0, 0.0)))


def _largest_difference(decay: Mapping[str, Any]) -> tuple[float, float, float] | None:
    """Size, value and time of the largest difference, None where golden or build has no curve."""
    off = differences(decay["golden_db"], decay["candidate_db"])
    known = [(abs(value), value, at) for value, at in zip(off, decay["time_s"], strict=False) if value is not None]
    return max(known, default=None)
