"""Impulse, and golden, build and difference in time and frequency: strips that share the time axis of an echogram.

A grid is the mask of a field of ink: the louder, the more ink, from bare paper on. Its lightness falls evenly with the
level, in dark as in light and on paper, and says all there is to see; no hue is needed. Passes are numbered spring.pass
where they were found, and the first pass of each spring is drawn through its chirp.
"""

from __future__ import annotations

import re
from base64 import b64decode
from binascii import Error
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

from reverdict.report.pictures.line_chart import LEFT, RIGHT, WIDTH, Axis, Table, line, side_axis, span, tick
from reverdict.report.wording.basics import figure, plain

Json = Mapping[str, Any]

IMPULSE_PX, GRID_PX, GAP_PX, KEY_PX = 64, 84, 24, 54
STEPS_OF_KEY = 9
NOTHING_DB = -120.0
"""Where a grid says that there is nothing at all."""
WHOSE = {"golden": "golden", "candidate": "build", "difference": "build minus golden"}


def impulse_strip(impulse: Json, x: Axis, top: float) -> tuple[list[str], float]:
    """Lowest and highest sample over time, golden as the bed and the build as a thin outline; nothing without data."""
    golden, build = (_extremes(impulse, who) for who in ("golden", "candidate"))
    if golden is None or build is None:
        return [], top
    foot = top + IMPULSE_PX
    most = max(1.0, float(np.abs(golden).max()), float(np.abs(build).max()))
    y = Axis(-most, most, foot, top)
    drawn = [side_axis(y, "impulse, golden's peak is 1", 2)]
    for kind, edges in (("golden", golden), ("build", build)):
        times = _middles(impulse["time_ms"], len(edges))
        shown = [index for index, at in enumerate(times) if at <= x.high]
        inside = [times[index] for index in shown]
        drawn += [line(inside, [float(edge[index]) for index in shown], x, y, kind) for edge in edges.T]
    return drawn, foot


def grid_strips(
    identity: str, grids: Json, passes: Sequence[Json], curves: Sequence[Json], x: Axis, top: float
) -> tuple[list[str], float]:
    """Golden, build and difference, one below the other, with the passes found in golden and build."""
    low_hz, high_hz = (float(value) for value in grids["frequency_hz"])
    drawn, foot = [], top
    for index, who in enumerate(WHOSE):
        start = top + index * (GRID_PX + GAP_PX)
        foot = start + GRID_PX
        y = Axis(low_hz / 1000, high_hz / 1000, foot, start)
        drawn.append(_shade(f"{identity}-m{index}", str(grids[who]), grids["time_ms"], x, y))
        drawn.append(side_axis(y, "", 4))
        drawn.append(f'<text x="2" y="{start - 7:g}">kHz</text>')
        drawn.append(f'<text class="strong" x="{LEFT}" y="{start - 7:g}">{WHOSE[who]}</text>')
        if index == 0:
            drawn.append(_key(grids, start - 15))
        if who != "difference":
            drawn += _found(who, passes, curves, x, y)
    return drawn, foot


def octaves_table(grids: Json) -> Table:
    """How loud each octave is at most, and when."""
    heads = ("octave", "golden, dB", "at, ms", "build, dB", "at, ms", "difference, dB")
    rows = [
        (
            f"{tick(octave['centre_hz'])} Hz",
            *(figure(value, 1) for value in octave["golden"]),
            *(figure(value, 1) for value in octave["candidate"]),
            figure(octave["difference"][0], 1),
        )
        for octave in grids["octaves"]
    ]
    return Table("Loudest cell of each octave, in dB of the golden's loudest of all", heads, rows)


def about_grids(grids: Json) -> str:
    """Say how grids are to be read, and where the difference is loudest."""
    read = (
        f"In time and frequency, bare paper is {_beside(grids['lowest_db'])} and full ink "
        f"{_beside(grids['highest_db'])} the golden's loudest at each frequency"
    )
    loudest = max(grids["octaves"], key=lambda octave: float(octave["difference"][0]), default=None)
    if loudest is None:
        return read
    level, at = loudest["difference"]
    if level <= NOTHING_DB:
        return f"{read}; build and golden do not differ"
    return (
        f"{read}; the difference is loudest about {tick(loudest['centre_hz'])} Hz at {figure(at, 0)} ms, "
        f"{_beside(level)} the golden's loudest of all"
    )


def _beside(level_db: float) -> str:
    return f"{figure(abs(level_db), 0)} dB {'below' if level_db < 0 else 'above'}"


def _shade(mask: str, png: str, time_ms: Sequence[float], x: Axis, y: Axis) -> str:
    """A field of ink, let through where the grid is light."""
    start, end = (x.start + (at - x.low) / (x.high - x.low) * (x.end - x.start) for at in time_ms)
    top, height = y.end, y.start - y.end
    data = png if re.fullmatch(r"[A-Za-z0-9+/]*={0,2}", png) else ""
    return (
        f'<mask id="{mask}"><image href="data:image/png;base64,{data}" x="{start:.1f}" y="{top:g}" '
        f'width="{end - start:.1f}" height="{height:g}" preserveAspectRatio="none"/></mask>'
        f'<rect class="ink" x="{x.start:g}" y="{top:g}" width="{x.end - x.start:g}" height="{height:g}" '
        f'mask="url(#{mask})"/>'
    )


def _key(grids: Json, top: float) -> str:
    """Which ink is how loud."""
    start, wide = WIDTH - RIGHT - KEY_PX - 34, KEY_PX / STEPS_OF_KEY
    steps = "".join(
        f'<path class="ink" fill-opacity="{step / (STEPS_OF_KEY - 1):.2f}" '
        f'd="M{start + step * wide:.1f} {top:g}h{wide:.1f}v8h-{wide:.1f}z"/>'
        for step in range(STEPS_OF_KEY)
    )
    return (
        f'<text x="{start - 4:g}" y="{top + 8:g}" text-anchor="end">{tick(grids["lowest_db"])}</text>{steps}'
        f'<path class="axis" d="M{start:g} {top:g}h{KEY_PX}v8h-{KEY_PX}z"/>'
        f'<text x="{start + KEY_PX + 4:g}" y="{top + 8:g}">{tick(grids["highest_db"])} dB</text>'
    )


def _found(who: str, passes: Sequence[Json], curves: Sequence[Json], x: Axis, y: Axis) -> list[str]:
    drawn = []
    kind = "golden slim" if who == "golden" else "build"
    for curve in curves:
        if span(curve["golden_ms"]) and span(curve["frequency_hz"]):
            points = zip(curve[f"{who}_ms"], curve["frequency_hz"], strict=False)
            inside = [(ms, hz / 1000) for ms, hz in points if ms is not None and hz is not None and ms <= x.high]
            places = [ms for ms, _ in inside], [khz for _, khz in inside]
            drawn += [line(*places, x, y, "halo"), line(*places, x, y, kind)]
    springs = sorted({_spring(one) for one in passes})
    for one in passes:
        at = one[f"{who}_ms"]
        if at is not None and x.low <= at <= x.high:
            height = y.end + 11 + 11 * springs.index(_spring(one))
            drawn.append(
                f'<path class="tie" d="M{x.at(at):.1f} {y.end:g}V{y.start:g}"/><text class="strong small" '
                f'x="{x.at(at):.1f}" y="{height:g}" text-anchor="middle">{escape(plain(one["label"]))}</text>'
            )
    return drawn


def _spring(one: Json) -> str:
    return str(one["label"]).partition(".")[0]


def _extremes(impulse: Json, who: str) -> Any:
    """Lowest and highest of each stretch, shape (stretches, 2), 1 is the golden's peak; None if they cannot be read."""
    try:
        pairs = np.frombuffer(b64decode(str(impulse[who]), validate=True), dtype=np.int8)
    except (Error, ValueError):
        return None
    return pairs.reshape(-1, 2) / float(impulse["full"]) if pairs.size and pairs.size % 2 == 0 else None


def _middles(time_ms: Sequence[float], count: int) -> list[float]:
    start, end = time_ms
    return [start + (end - start) * (index + 0.5) / count for index in range(count)]
