"""How cost grows with the size of what is asked, log over log; linear growth is the pale line beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Any

from reverdict.report.pictures.line_chart import LEFT, RIGHT, WIDTH, Axis, Picture, chart, line, tick
from reverdict.report.wording.basics import figure, plain, shorten

Json = Mapping[str, Any]

TOP, FOOT = 22, 150
MOST_TICKS = 5


def growth_picture(identity: str, growth: Json) -> Picture | None:
    """Draw how cost grows along one axis. None where sizes or costs are no positive numbers, or fewer than two."""
    points = sorted((one["at"], one["cost"]) for one in growth.get("points") or () if _positive(one))
    if len(points) < 2 or points[0][0] == points[-1][0]:
        return None
    sizes, costs = [math.log10(at) for at, _ in points], [math.log10(cost) for _, cost in points]
    linear = [costs[0] + size - sizes[0] for size in sizes]
    low, high = min(*costs, *linear), max(*costs, *linear)
    room = max(0.06 * (high - low), 0.02)
    x = Axis(sizes[0], sizes[-1], LEFT, WIDTH - RIGHT - 8)
    y = Axis(low - room, high + room, FOOT, TOP)
    axis, unit = plain(growth["axis"]), plain(growth.get("unit") or "")
    drawn = [
        *_size_ticks([at for at, _ in points], x, ", ".join(part for part in (axis, unit) if part)),
        *_cost_ticks(y),
        line(sizes, linear, x, y, "golden"),
        line(sizes, costs, x, y, "build"),
        *(
            f'<circle class="dot" cx="{x.at(a):.1f}" cy="{y.at(b):.1f}" r="2.6"/>'
            for a, b in zip(sizes, costs, strict=True)
        ),
    ]
    told = "; ".join(f"{tick(at)} {unit}: {float(f'{cost:.3g}'):g}" for at, cost in points)
    said = about_growth(growth)
    return Picture(chart(identity, f"Growth of cost with {axis}", told, FOOT + 32, drawn), said)


def about_growth(growth: Json) -> str:
    """Say how cost grows along one axis, or why that is not known."""
    axis, exponent = plain(growth["axis"]), growth.get("exponent")
    if exponent is None:
        return f"growth with {axis} is not known: {plain(growth.get('why_not') or 'not measured')}"
    unsure = growth.get("uncertainty")
    known = f" ± {figure(unsure, 2)}" if unsure is not None else ""
    beyond = abs(exponent - 1.0) > (unsure or 0.0)
    kind = "linear within its uncertainty" if not beyond else "1 is linear"
    not_put = "; ".join(shorten(plain(one), 120) for one in growth.get("not_put") or ())
    return f"growth with {axis}: power {figure(exponent, 2)}{known}; {kind}{f'; not put: {not_put}' if not_put else ''}"


def _positive(point: Json) -> bool:
    values = (point.get("at"), point.get("cost"))
    return all(isinstance(one, int | float) and one > 0 for one in values)


def _size_ticks(sizes: Sequence[float], x: Axis, label: str) -> Iterator[str]:
    step = math.ceil(len(sizes) / MOST_TICKS)
    for size in sizes[::step]:
        at = x.at(math.log10(size))
        yield f'<path class="grid" d="M{at:.1f} {TOP}V{FOOT}"/>'
        yield f'<text x="{at:.1f}" y="{FOOT + 14}" text-anchor="middle">{tick(size)}</text>'
    yield f'<path class="axis" d="M{LEFT} {FOOT}H{x.end:g}"/>'
    yield f'<text x="{x.end:g}" y="{FOOT + 28}" text-anchor="end">{escape(shorten(label))}</text>'


def _cost_ticks(y: Axis) -> Iterator[str]:
    decades = range(math.floor(y.low), math.ceil(y.high) + 1)
    values = [factor * 10.0**decade for decade in decades for factor in (1, 2, 5)]
    inside = [value for value in values if y.low <= math.log10(value) <= y.high]
    for value in inside[:: math.ceil(len(inside) / MOST_TICKS) or 1]:
        at = y.at(math.log10(value))
        yield f'<path class="grid" d="M{LEFT} {at:.1f}H{WIDTH - RIGHT}"/>'
        yield f'<text x="{LEFT - 5}" y="{at + 4:.1f}" text-anchor="end">{tick(float(f"{value:.3g}"))}</text>'
    yield f'<text x="2" y="{TOP - 9}">cost; the pale line is linear growth</text>'
