"""What a sample costs as two stacked rules of stages on one scale, golden above the build.

    golden  ├─1 dispersion────────┼─2 delay───┼─3 filter─┼4┤
    build   ├─1 dispersion──────────┼─2 delay───┼─3 filter─┼4┤

The dearest stage comes first. Each has its own hatching, its number and, where there is room, its name and its cost, so
that it can be told in black and white; dotted lines tie the ends of a stage, between them stands what it changed by
where that is beyond its uncertainty.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Any

from reverdict.report.pictures.line_chart import WIDTH, Axis, Picture, chart, time_axis
from reverdict.report.wording.basics import figure, shorten
from reverdict.report.wording.cost import (
    Stage,
    in_percent,
    moved,
    places_of,
    share_of,
    short_unit_of,
    signed,
    stages_of,
    unit_of,
    whole_of,
)

Json = Mapping[str, Any]

START, END = 8, WIDTH - 44
GOLDEN_TOP, BUILD_TOP, RULE_PX, FOOT = 20, 96, 38, 156
CHANGE_AT = 73
NUMBER_PX, GLYPH_PX, NAME_PX = 13.0, 7.6, 24.0
HATCH_PX = 5.0

STYLE = """
.chart .stage{stroke-width:1}
.chart .stage.golden-stage{fill:var(--band);stroke:var(--golden)}
.chart .stage.build-stage{fill:var(--paper);stroke:var(--build)}
.chart .weave{fill:none;stroke-width:.8}
.chart .weave.golden-stage{stroke:var(--soft);opacity:.6}
.chart .weave.build-stage{stroke:var(--build);opacity:.5}
.chart .edge{fill:none;stroke:var(--ink);stroke-width:1.2}
.chart .name{fill:var(--ink);font-size:11px;stroke-width:3;stroke-linejoin:round;paint-order:stroke}
.chart .name.golden-stage{stroke:var(--band)}
.chart .name.build-stage{stroke:var(--paper)}
.chart .by{fill:var(--ink);font-size:11px;font-weight:600;stroke:var(--paper);stroke-width:3;paint-order:stroke}
.cost h3{margin:1.4rem 0 .4rem}
.cost .findings{margin-bottom:1rem}
.cost .findings td,.cost .findings th{padding-right:1.2rem}
.cost .findings tbody th{white-space:normal;min-width:7rem}
.cost .findings code{white-space:normal}
.cost .findings thead td{border-bottom:1px solid var(--ink)}
.cost caption span{display:block;position:sticky;left:0;max-width:min(44em,calc(100vw - 3rem));white-space:normal}
.cost .findings tfoot td,.cost .findings tfoot th{border-top:1.5px solid var(--ink);border-bottom:0}
.cost .findings th.n{text-align:right}
.cost .why{margin:.4rem 0 1rem}
.cost .beside{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,22rem),1fr));gap:.6rem 2rem;
 align-items:start}
@media screen and (max-width:30rem){.chart .name,.chart .by{font-size:13px}.cost .findings td,
.cost .findings th{padding-right:.7rem}}
@media print{.cost .beside{grid-template-columns:1fr 1fr}}
"""


def cost_picture(identity: str, reference: Json) -> Picture | None:
    """Draw the stages of a reference. None where nothing was counted by stage."""
    stages, whole = stages_of(reference), whole_of(reference)
    sums = [sum(getattr(one, who) or 0.0 for one in stages) for who in ("golden", "candidate")]
    most = max([*sums, whole.size])
    if not stages or most <= 0:
        return None
    x = Axis(0.0, most, START, END)
    drawn = [time_axis(x, FOOT, unit_of(reference), GOLDEN_TOP), *_ties(stages, x)]
    drawn += [*_rule(stages, "golden", x, GOLDEN_TOP, reference), *_rule(stages, "candidate", x, BUILD_TOP, reference)]
    drawn += _changes(moved(reference), stages, x, places_of(reference))
    told = "; ".join(_told(one, whole, places_of(reference)) for one in stages)
    title = "Cost of a sample by stages, golden above the build"
    return Picture(chart(identity, title, told, FOOT + 32, drawn), _said(reference))


def _rule(stages: Sequence[Stage], who: str, x: Axis, top: float, reference: Json) -> Iterator[str]:
    css = "golden-stage" if who == "golden" else "build-stage"
    whole = getattr(whole_of(reference), who)
    head = "golden" if who == "golden" else "build"
    said = f"{head} {figure(whole, places_of(reference))}" if whole is not None else f"{head}: not known"
    yield f'<text class="strong" x="{START}" y="{top - 6:g}">{escape(said)}</text>'
    unlabelled: list[int] = []
    edge = 0.0
    for number, (stage, start, end) in enumerate(_laid(stages, who, x), start=1):
        edge = end
        if end - start < 0.05:
            continue
        box = f'x="{start:.1f}" y="{top:g}" width="{max(end - start, 0.4):.1f}" height="{RULE_PX}"'
        yield f'<rect class="stage {css}" {box}/>'
        if strokes := _weave(number - 1, start, top, end, top + RULE_PX):
            yield f'<path class="weave {css}" d="{strokes}"/>'
        if end - start < NUMBER_PX:
            unlabelled.append(number)
            continue
        yield from _label(number, stage, getattr(stage, who), (start, end), top, css, places_of(reference))
    if edge > START:
        yield f'<path class="edge" d="M{START} {top:g}v{RULE_PX}M{edge:.1f} {top:g}v{RULE_PX}"/>'
    if unlabelled:
        few = f"{unlabelled[0]}–{unlabelled[-1]}" if len(unlabelled) > 1 else str(unlabelled[0])
        yield f'<text class="name" x="{edge + 4:.1f}" y="{top + RULE_PX / 2 + 4:g}">{few}</text>'


def _label(
    number: int, stage: Stage, cost: float | None, span: tuple[float, float], top: float, css: str, places: int
) -> Iterator[str]:
    """The number of a stage, and its name and cost where they have room."""
    start, end = span
    yield f'<text class="name {css}" x="{start + 4:.1f}" y="{top + 15:g}">{number}</text>'
    after = start + 4 + GLYPH_PX * (len(str(number)) + 0.8)
    if name := _fitted(stage.name, end - after - 3):
        yield f'<text class="name {css}" x="{after:.1f}" y="{top + 15:g}">{escape(name)}</text>'
        written = figure(cost, places)
        if _wide(written) <= end - start - 6:
            yield f'<text class="name {css}" x="{start + 4:.1f}" y="{top + 31:g}">{written}</text>'


def _fitted(name: str, room: float) -> str:
    """A name as it fits, shortened if much of it stays; else nothing."""
    if _wide(name) <= room:
        return name
    glyphs = int(len(name) * room / _wide(name))
    return shorten(name, glyphs) if glyphs >= 7 else ""


def _wide(text: str) -> float:
    return GLYPH_PX * sum(2 if unicodedata.east_asian_width(sign) in "WF" else 1 for sign in text)


def _laid(stages: Sequence[Stage], who: str, x: Axis) -> list[tuple[Stage, float, float]]:
    """Each stage with its two ends in px."""
    ends, total = [], 0.0
    for stage in stages:
        start, total = total, total + max(getattr(stage, who) or 0.0, 0.0)
        ends.append((stage, x.at(start), x.at(total)))
    return ends


def _ties(stages: Sequence[Stage], x: Axis) -> list[str]:
    above, below = GOLDEN_TOP + RULE_PX, BUILD_TOP
    pairs = zip(_laid(stages, "golden", x), _laid(stages, "candidate", x), strict=True)
    if not any(one.golden for one in stages):
        return []
    return [f'<path class="tie" d="M{a:.1f} {above}L{b:.1f} {below}"/>' for (_, _, a), (_, _, b) in pairs]


def _changes(changed: Sequence[Stage], stages: Sequence[Stage], x: Axis, places: int) -> list[str]:
    """What stages changed by, the largest first, as long as there is room between the rules."""
    middles = {stage.name: (start + end) / 2 for stage, start, end in _laid(stages, "candidate", x)}
    drawn: list[str] = []
    taken: list[tuple[float, float]] = []
    for stage in changed:
        written = signed(stage.change, places)
        half = _wide(written) / 2 + 3
        middle = min(max(middles[stage.name], START + half), WIDTH - half)
        if all(abs(middle - other) > half + room for other, room in taken):
            taken.append((middle, half))
            drawn.append(f'<text class="by" x="{middle:.1f}" y="{CHANGE_AT}" text-anchor="middle">{written}</text>')
    return drawn


def _weave(kind: int, left: float, top: float, right: float, foot: float) -> str:
    """Strokes that tell a stage from its neighbours: none, rising, level, falling, upright, crossed."""
    wide, high = right - left, foot - top
    rising, falling, kind = [], [], kind % 6
    for step in range(1, int((wide + high) / HATCH_PX) + 1):
        c = step * HATCH_PX
        a, b = max(0.0, c - high), min(c, wide)
        if b - a > 0.3:
            rising.append(f"M{left + a:.1f} {top + c - a:.1f}L{left + b:.1f} {top + c - b:.1f}")
            falling.append(f"M{left + a:.1f} {foot - c + a:.1f}L{left + b:.1f} {foot - c + b:.1f}")
    if kind in (1, 3, 5):
        return "".join(rising if kind != 3 else []) + "".join(falling if kind != 1 else [])
    if kind == 2:
        return "".join(f"M{left:.1f} {top + step * HATCH_PX:.1f}h{wide:.1f}" for step in range(1, int(high / HATCH_PX)))
    if kind == 4:
        return "".join(f"M{left + step * HATCH_PX:.1f} {top:g}v{high:g}" for step in range(1, int(wide / HATCH_PX) + 1))
    return ""


def _told(stage: Stage, whole: Stage, places: int) -> str:
    share = share_of(stage.candidate, whole.candidate)
    return (
        f"{stage.name}: golden {figure(stage.golden, places)}, build {figure(stage.candidate, places)}"
        f"{f', {share} of the whole' if share else ''}"
    )


def _said(reference: Json) -> str:
    whole, changed = whole_of(reference), moved(reference)
    stages = stages_of(reference)
    first = max(stages, key=lambda one: one.candidate or 0.0)
    share = share_of(first.candidate, whole.candidate)
    said = (
        f"Where a sample costs what: {shorten(first.name, 40)} takes {share}" if share else "Where a sample costs what"
    )
    if whole.golden is None:
        return f"{said}; what golden costs is not known"
    if not changed:
        return f"{said}; no stage moved beyond its uncertainty"
    led = changed[0]
    by, percent = signed(led.change, places_of(reference)), in_percent(led.change, led.golden)
    beside = f" ({percent})" if percent else ""
    return f"{said}; {shorten(led.name, 40)} moved most, {by} {short_unit_of(reference)}{beside}"
