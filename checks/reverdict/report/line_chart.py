"""Line charts as SVG, drawn here so that a page needs no script: axes, golden beds, candidate lines, tolerance bands.

Lines are thinned to what pixels can show. Classes carry the meaning, the page brings the colours: ``band`` is a
tolerance, ``golden`` a wide pale line, ``build`` a thin dark line, ``astray`` what leaves its tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape

WIDTH = 440
LEFT, RIGHT = 46, 12

Values = Sequence[float | None]
Points = list[tuple[float, float]]

_VISIBLE_PX = 0.35  # a point nearer than this to the line through its neighbours cannot be seen


@dataclass(frozen=True)
class Axis:
    """Maps values to pixels: ``low`` to ``start``, ``high`` to ``end``; values outside are clipped."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        inside = max(self.low, min(self.high, value))
        return self.start + (inside - self.low) / (self.high - self.low) * (self.end - self.start)

    def ticks(self, wanted: int) -> list[float]:
        """Round values on the axis, about as many as wanted."""
        step = _round_step((self.high - self.low) / max(wanted, 1))
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [step * index for index in range(first, last + 1)]


def span(*series: Iterable[float | None]) -> tuple[float, float] | None:
    """Lowest and highest of all finite values, None where there are none."""
    known = [value for values in series for value in values if value is not None]
    return (min(known), max(known)) if known else None


def chart(identity: str, title: str, told: str, height: float, drawn: Iterable[str]) -> str:
    """Wrap strokes into an SVG with a title and a description for those who cannot see it."""
    return (
        f'<svg class="chart" role="img" viewBox="0 0 {WIDTH} {height:g}" aria-labelledby="{identity}-t {identity}-d">'
        f'<title id="{identity}-t">{escape(title)}</title><desc id="{identity}-d">{escape(told)}</desc>'
        f"{''.join(drawn)}</svg>"
    )


def line(xs: Values, ys: Values, x: Axis, y: Axis, kind: str) -> str:
    """Draw values as a line; a None leaves a gap."""
    runs = _runs(xs, ys, lambda a, b: (x.at(a), y.at(b)))
    path = "".join(_path(_thinned(run)) for run in runs)
    return f'<path class="{kind}" d="{path}"/>' if path else ""


def band(xs: Values, lows: Values, highs: Values, x: Axis, y: Axis) -> str:
    """Fill between two lines over the same x values (a tolerance)."""
    return _filled(_both(xs, lows, highs), lambda a, b: (x.at(a), y.at(b)))


def upright_band(ys: Values, lows: Values, highs: Values, x: Axis, y: Axis) -> str:
    """Fill between two lines over the same y values, for charts whose frequency runs upward."""
    return _filled(_both(ys, lows, highs), lambda a, b: (x.at(b), y.at(a)))


def time_axis(axis: Axis, foot: float, label: str, top: float) -> str:
    """Draw an axis along the foot of a chart with grid lines up to ``top``."""
    marks = []
    for value in axis.ticks(6):
        place = axis.at(value)
        marks.append(f'<path class="grid" d="M{place:.1f} {top:g}V{foot:g}"/>')
        marks.append(f'<text x="{place:.1f}" y="{foot + 14:g}" text-anchor="middle">{tick(value)}</text>')
    rule = f'<path class="axis" d="M{axis.start:g} {foot:g}H{axis.end:g}"/>'
    name = f'<text x="{axis.end:g}" y="{foot + 28:g}" text-anchor="end">{escape(label)}</text>'
    return "".join(marks) + rule + name


def side_axis(axis: Axis, label: str, wanted: int = 4, right: float = WIDTH - RIGHT) -> str:
    """Draw an axis on the left with grid lines; the label stands above its upper end."""
    return side_marks(axis, axis.ticks(wanted), label, right)


def side_marks(axis: Axis, values: Iterable[float], label: str, right: float = WIDTH - RIGHT) -> str:
    """Draw chosen marks of an axis on the left with grid lines."""
    marks = []
    for value in values:
        place = axis.at(value)
        marks.append(f'<path class="grid" d="M{LEFT} {place:.1f}H{right:g}"/>')
        marks.append(f'<text x="{LEFT - 5}" y="{place + 4:.1f}" text-anchor="end">{tick(value)}</text>')
    name = f'<text x="2" y="{min(axis.start, axis.end) - 7:g}">{escape(label)}</text>' if label else ""
    return "".join(marks) + name


def tick(value: float) -> str:
    """Write the value of a tick with a true minus sign."""
    return f"{value:.10g}".replace("-", "−") if abs(value) > 1e-9 else "0"


def differences(golden: Values, candidate: Values) -> list[float | None]:
    """Candidate minus golden, None where either is unknown."""
    return [None if a is None or b is None else b - a for a, b in zip(golden, candidate, strict=False)]


def moved(values: Values, by: Values, sign: int) -> list[float | None]:
    """Values moved up or down by others: the edges of a tolerance."""
    return [None if a is None or b is None else a + sign * b for a, b in zip(values, by, strict=False)]


def astray(differing: Values, tolerances: Values) -> list[float | None]:
    """Keep the differences that leave their tolerance, None elsewhere."""
    return [
        off if off is not None and limit is not None and abs(off) > limit else None
        for off, limit in zip(differing, tolerances, strict=False)
    ]


def room_for(differing: Iterable[float | None], tolerances: Iterable[float | None]) -> float:
    """Half the height of a chart of differences: holds the tolerance and, up to eight tolerances, what leaves it."""
    limit = max((value for value in tolerances if value is not None), default=0.0)
    most = max((abs(value) for value in differing if value is not None), default=0.0)
    return max(1.6 * limit, 1.1 * (min(most, 8 * limit) if limit else most)) or 1.0


def _round_step(raw: float) -> float:
    power = 10.0 ** math.floor(math.log10(raw))
    return next((factor * power for factor in (1, 2, 5) if factor * power >= raw * 0.999), 10 * power)


def _both(at: Values, lows: Values, highs: Values) -> list[list[tuple[float, float, float]]]:
    """Runs of positions where both edges are known."""
    runs: list[list[tuple[float, float, float]]] = [[]]
    for position, low, high in zip(at, lows, highs, strict=False):
        if position is None or low is None or high is None:
            runs.append([])
        else:
            runs[-1].append((position, low, high))
    return [run for run in runs if len(run) > 1]


def _filled(runs: list[list[tuple[float, float, float]]], place: Callable[[float, float], tuple[float, float]]) -> str:
    shapes = []
    for run in runs:
        there = _thinned([place(position, low) for position, low, _ in run])
        back = _thinned([place(position, high) for position, _, high in run])[::-1]
        shapes.append(_path(there + back) + "z")
    return f'<path class="band" d="{"".join(shapes)}"/>' if shapes else ""


def _runs(xs: Values, ys: Values, place: Callable[[float, float], tuple[float, float]]) -> list[Points]:
    runs: list[Points] = [[]]
    for a, b in zip(xs, ys, strict=False):
        if a is None or b is None:
            runs.append([])
        else:
            runs[-1].append(place(a, b))
    return [run for run in runs if run]


def _path(points: Points) -> str:
    if len(points) == 1:
        points = [points[0], (points[0][0] + 0.1, points[0][1])]
    return "M" + " ".join(f"{a:.1f} {b:.1f}" for a, b in points)


def _thinned(points: Points) -> Points:
    """Drop the points that cannot be seen (Ramer, Douglas and Peucker, without recursion)."""
    points = _one_pixel_apart(points)
    keep, open_spans = {0, len(points) - 1}, [(0, len(points) - 1)]
    while open_spans:
        first, last = open_spans.pop()
        far, where = max(
            ((_distance(points[index], points[first], points[last]), index) for index in range(first + 1, last)),
            default=(0.0, 0),
        )
        if far > _VISIBLE_PX:
            keep.add(where)
            open_spans += [(first, where), (where, last)]
    return [points[index] for index in sorted(keep)]


def _one_pixel_apart(points: Points) -> Points:
    """Of the points in one pixel column keep the first, the lowest, the highest and the last, in their order."""
    if len(points) <= 2 * WIDTH:
        return points
    columns: dict[int, Points] = {}
    for point in points:
        columns.setdefault(round(point[0]), []).append(point)
    kept: Points = []
    for column in columns.values():
        extremes = {0, len(column) - 1, *(_arg(column, choose) for choose in (min, max))}
        kept += [column[index] for index in sorted(extremes)]
    return kept


def _arg(column: Points, choose: Callable[..., int]) -> int:
    return choose(range(len(column)), key=lambda index: column[index][1])


def _distance(point: tuple[float, float], start: tuple[float, float], end: tuple[float, float]) -> float:
    """Distance of a point from the line between two others."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = math.hypot(dx, dy)
    if length == 0:
        return math.hypot(point[0] - start[0], point[1] - start[1])
    return abs(dy * (point[0] - start[0]) - dx * (point[1] - start[1])) / length
