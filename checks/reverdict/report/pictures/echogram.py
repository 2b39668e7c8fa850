"""The echogram: level against time, golden as a bed and the candidate over it; found passes numbered spring.pass.

Below it, on the same time axis: how late each pass comes against its tolerance, the impulse, and golden, build and
difference in time and frequency; where a verdict has none of these, the curves of the first passes alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

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
    limit_told,
    limits_of,
    line,
    moved,
    room_for,
    rounded,
    side_axis,
    span,
    sparser,
    time_axis,
    upright_band,
)
from reverdict.report.pictures.peak_meter import FALL_DB_PER_MS, peak_meter
from reverdict.report.pictures.time_frequency import about_grids, grid_strips, impulse_strip, octaves_table
from reverdict.report.wording.basics import figure, plain

LANE_PX, LEVEL_PX, LATENESS_PX, CHIRP_PX, GAP_PX = 13, 120, 60, 114, 32
ALONE_PX = 384  # no strips below it: as high as the decay picture beside it
SHOWN_DB = 60.0
MOST_CLOSER = 800


def echogram_picture(
    identity: str,
    echogram: Mapping[str, Any],
    curves: Sequence[Mapping[str, Any]],
    impulse: Mapping[str, Any] | None = None,
    grids: Mapping[str, Any] | None = None,
) -> Picture | None:
    """Draw one path's echogram; ``curves`` are the group-delay curves of the same path. None without data."""
    times, levels = echogram["time_ms"], span(echogram["golden_db"], echogram["candidate_db"])
    if not times or levels is None:
        return None
    passes = [one for one in echogram["passes"] if one["golden_ms"] is not None]
    x = Axis(0.0, _last_time(times, passes), LEFT, WIDTH - RIGHT)
    alone = not passes and impulse is None and grids is None
    drawn, foot = _levels(echogram, passes, levels, x, ALONE_PX if alone else LEVEL_PX)
    if passes:
        strip, foot = _lateness(echogram, passes, x, foot + GAP_PX)
        drawn += strip
    if impulse is not None:
        strip, foot = impulse_strip(impulse, x, foot + GAP_PX)
        drawn += strip
    if grids is not None:
        strip, foot = grid_strips(identity, grids, passes, curves, x, foot + GAP_PX)
        drawn += strip
    elif passes:
        strip, foot = _chirps(curves, x, foot + GAP_PX)
        drawn += strip
    drawn.insert(0, time_axis(x, foot, "time after the click, ms", 12))
    path = plain(echogram["path"])
    title = f"Echogram{f' {path}' if path else ''}: level against time, golden and build"
    said = f"{_said(passes)}. Peak level, drawn falling by {FALL_DB_PER_MS:g} dB/ms at most"
    if grids is not None:
        said = f"{said}. {about_grids(grids)}"
    tables = [*([_passes_table(echogram, passes)] if passes else []), *([octaves_table(grids)] if grids else [])]
    return Picture(
        chart(identity, title, _told(passes), foot + 32, drawn), said, tables, [_closer(echogram)], grids is not None
    )


def _passes_table(echogram: Mapping[str, Any], passes: list[Mapping[str, Any]]) -> Table:
    (below,), (above,) = limits_of(echogram, "ms")
    rows = [
        (
            plain(one["label"]),
            figure(one["golden_ms"], 3),
            figure(one["candidate_ms"], 3),
            "not found" if one["candidate_ms"] is None else figure(one["candidate_ms"] - one["golden_ms"], 4),
        )
        for one in passes
    ]
    return Table(
        f"Passes; limit {limit_told(below, above)} ms",
        ("spring.pass", "golden, ms", "build, ms", "build later by, ms"),
        rows,
    )


def _closer(echogram: Mapping[str, Any]) -> dict[str, Any]:
    times = sparser(echogram["time_ms"], MOST_CLOSER)
    golden, build = (rounded(sparser(echogram[f"{who}_db"], MOST_CLOSER), 1) for who in ("golden", "candidate"))
    return {
        "name": "echogram",
        "x": [times[0], times[-1], len(times)],
        "x_label": "time after the click, ms",
        "y_label": "peak level, dB",
        "golden": golden,
        "build": build,
    }


def _last_time(times: Sequence[float], passes: list[Mapping[str, Any]]) -> float:
    """The end of the time axis: a little after the last judged pass, else all there is."""
    last = max(times)
    if not passes:
        return last or 1.0
    arrivals = span(*([one["golden_ms"], one["candidate_ms"]] for one in passes))
    return min(last, 1.15 * arrivals[1]) if arrivals and arrivals[1] > 0 else last or 1.0


def _levels(
    echogram: Mapping[str, Any],
    passes: list[Mapping[str, Any]],
    levels: tuple[float, float],
    x: Axis,
    height_px: float,
) -> tuple[list[str], float]:
    springs = sorted({_spring(one) for one in passes})
    top = 18 + LANE_PX * len(springs)
    foot = top + height_px
    y = Axis(max(levels[0], levels[1] - SHOWN_DB) if levels[0] < levels[1] else levels[0] - 1, levels[1], foot, top)
    drawn = [side_axis(y, "dB")]
    for one in passes:
        height = 18 + LANE_PX * springs.index(_spring(one))
        drawn.append(_pass_mark(one, x, height, foot))
    drawn.append(line(*_metered(echogram, "golden_db", x, y), x, y, "golden"))
    drawn.append(line(*_metered(echogram, "candidate_db", x, y), x, y, "build"))
    return drawn, foot


def _metered(echogram: Mapping[str, Any], who: str, x: Axis, y: Axis) -> tuple[list[float], list[float | None]]:
    """A level as far as the axes reach: not piled up at the right edge, and not drawn along the foot."""
    pairs = [(at, math.nan if db is None else db) for at, db in zip(echogram["time_ms"], echogram[who], strict=False)]
    inside = [(at, db) for at, db in pairs if at <= x.high]
    if not inside:
        return [], []
    times = [at for at, _ in inside]
    levels = peak_meter(times, [db for _, db in inside])
    near = np.convolve(levels > y.low, np.ones(3))[1:-1] > 0  # the way up from the foot is drawn too
    return times, [float(db) if seen and not math.isnan(db) else None for db, seen in zip(levels, near, strict=True)]


def _pass_mark(one: Mapping[str, Any], x: Axis, height: float, foot: float) -> str:
    place = x.at(one["golden_ms"])
    label = escape(plain(one["label"]))
    text = f'<text class="strong" x="{place:.1f}" y="{height:g}" text-anchor="middle">{label}</text>'
    return f'{text}<path class="tie" d="M{place:.1f} {height + 3:g}V{foot:g}"/>'


def _lateness(
    echogram: Mapping[str, Any], passes: list[Mapping[str, Any]], x: Axis, top: float
) -> tuple[list[str], float]:
    """How late each pass comes, a dot on the tolerance band; a pass that was not found has no dot."""
    (below,), (above,) = limits_of(echogram, "ms")
    late = [(one, one["candidate_ms"] - one["golden_ms"]) for one in passes if one["candidate_ms"] is not None]
    foot = top + LATENESS_PX
    room = room_for((off for _, off in late), [below, above])
    y = Axis(-room, room, foot, top)
    drawn = [side_axis(y, "late, ms", 3)]
    if below and above:
        drawn.append(band([x.low, x.high], [-below] * 2, [above] * 2, x, y))
    drawn.append(line([x.low, x.high], [0.0, 0.0], x, y, "golden slim"))
    for one, off in late:
        kind = "dot astray" if any(astray([off], [below], [above])) else "dot"
        drawn.append(_dot(x.at(one["golden_ms"]), y.at(off), kind))
    return drawn, foot


def _dot(a: float, b: float, kind: str) -> str:
    """A round dot inside its tolerance, a lozenge outside."""
    if "astray" in kind:
        return f'<path class="{kind}" d="M{a:.1f} {b - 5:.1f}l5 5l-5 5l-5-5z"/>'
    return f'<circle class="{kind}" cx="{a:.1f}" cy="{b:.1f}" r="3.2"/>'


def _chirps(curves: Sequence[Mapping[str, Any]], x: Axis, top: float) -> tuple[list[str], float]:
    """The first passes in time and frequency, where their curves lie on this time axis."""
    known = [curve for curve in curves if span(curve["golden_ms"]) and span(curve["frequency_hz"])]
    if not known:
        return [], top - GAP_PX
    foot = top + CHIRP_PX
    highest = max(high for curve in known for _, high in [span(curve["frequency_hz"]) or (0.0, 1.0)])
    y = Axis(0.0, highest / 1000, foot, top)
    drawn = [side_axis(y, "kHz", 3)]
    for index, curve in enumerate(known):
        frequencies = [None if hz is None else hz / 1000 for hz in curve["frequency_hz"]]
        golden = curve["golden_ms"]
        below, above = limits_of(curve, "ms")
        edges = moved(golden, below, -1), moved(golden, above, 1)
        drawn.append(upright_band(frequencies, edges[0], edges[1], x, y))
        drawn.append(line(golden, frequencies, x, y, "golden"))
        drawn.append(line(curve["candidate_ms"], frequencies, x, y, "build"))
        start = next(ms for ms in golden if ms is not None)
        drawn.append(
            f'<text class="strong small" x="{x.at(start) - 3:.1f}" y="{foot - 4 - 11 * index:g}" text-anchor="end">'
            f"{escape(plain(curve['spring']))}.1</text>"
        )
    return drawn, foot


def _spring(one: Mapping[str, Any]) -> str:
    return str(one["label"]).partition(".")[0]


def _said(passes: list[Mapping[str, Any]]) -> str:
    late = [(abs(one["candidate_ms"] - one["golden_ms"]), one) for one in passes if one["candidate_ms"] is not None]
    if not passes:
        return "Echogram; no separate passes"
    if not late:
        return "Echogram; none of the passes was found in the build"
    most, one = max(late, key=lambda pair: pair[0])
    lost = len(passes) - len(late)
    missing = f"; {lost} of {len(passes)} passes not found in the build" if lost else ""
    return (
        f"Echogram, passes numbered spring.pass; at most {_later(one)}, pass {plain(one['label'])}{missing}"
        if most
        else (f"Echogram, passes numbered spring.pass; all in place{missing}")
    )


def _told(passes: list[Mapping[str, Any]]) -> str:
    told = [
        f"pass {plain(one['label'])} at {figure(one['golden_ms'], 2)} ms, "
        f"{'not found in the build' if one['candidate_ms'] is None else 'build ' + _later(one)}"
        for one in passes
    ]
    return "; ".join(told) or "No separate passes."


def _later(one: Mapping[str, Any]) -> str:
    off = one["candidate_ms"] - one["golden_ms"]
    return f"{figure(abs(off), 3)} ms {'early' if off < 0 else 'late'}"
