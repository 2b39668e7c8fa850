"""Line charts as SVG, drawn here so that a page needs no script: axes, golden beds, candidate lines, tolerance bands.

Lines are thinned to what pixels can show. Classes carry the meaning, the page brings the colours: ``band`` is a
tolerance, ``golden`` a wide pale line, ``build`` a thin dark line, ``astray`` what leaves its tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

WIDTH = 440
LEFT, RIGHT = 46, 12

Values = Sequence[float | None]

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

    def along(self, values: NDArray[Any]) -> NDArray[Any]:
        """``at`` for many values; what is not a number stays so."""
        inside = np.clip(values, self.low, self.high)
        return np.asarray(self.start + (inside - self.low) / (self.high - self.low) * (self.end - self.start))

    def ticks(self, wanted: int) -> list[float]:
        """Round values on the axis, about as many as wanted."""
        step = _round_step((self.high - self.low) / max(wanted, 1))
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [step * index for index in range(first, last + 1)]


@dataclass(frozen=True)
class Table:
    """What a picture shows, in figures."""

    caption: str
    heads: Sequence[str]
    rows: Sequence[Sequence[str]]


@dataclass(frozen=True)
class Picture:
    """A chart and what it shows: in a sentence, the caption under it; in tables; as numbers to look closer at.

    Each of ``closer`` holds name, x (values, or first, last and how many), x_label, y_label, golden, build, low, high,
    and upright where x runs upward. A ``tall`` picture stands beside two others.
    """

    svg: str
    said: str
    tables: Sequence[Table] = ()
    closer: Sequence[Mapping[str, Any]] = ()
    tall: bool = False


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
    path = "".join(_path(_thinned(run)) for run in _runs(x.along(_array(xs)), y.along(_array(ys))))
    return f'<path class="{kind}" d="{path}"/>' if path else ""


def band(xs: Values, lows: Values, highs: Values, x: Axis, y: Axis) -> str:
    """Fill between two lines over the same x values (a tolerance)."""
    there, low, high = x.along(_array(xs)), y.along(_within(lows, y)), y.along(_within(highs, y))
    return _filled([(run[:, [0, 1]], run[:, [0, 2]]) for run in _runs(there, low, high)])


def upright_band(ys: Values, lows: Values, highs: Values, x: Axis, y: Axis) -> str:
    """Fill between two lines over the same y values, for charts whose frequency runs upward."""
    there, low, high = y.along(_array(ys)), x.along(_within(lows, x)), x.along(_within(highs, x))
    return _filled([(run[:, [1, 0]], run[:, [2, 0]]) for run in _runs(there, low, high)])


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


def side_axis(axis: Axis, label: str, wanted: int = 4) -> str:
    """Draw an axis on the left with grid lines; the label stands above its upper end."""
    marks = []
    for value in axis.ticks(wanted):
        place = axis.at(value)
        marks.append(f'<path class="grid" d="M{LEFT} {place:.1f}H{WIDTH - RIGHT}"/>')
        marks.append(f'<text x="{LEFT - 5}" y="{place + 4:.1f}" text-anchor="end">{tick(value)}</text>')
    name = f'<text x="2" y="{min(axis.start, axis.end) - 7:g}">{escape(label)}</text>' if label else ""
    return "".join(marks) + name


def tick(value: float) -> str:
    """Write the value of a tick with a true minus sign."""
    return f"{value:.10g}".replace("-", "−") if abs(value) > 1e-9 else "0"


def differences(golden: Values, candidate: Values) -> list[float | None]:
    """Candidate minus golden, None where either is unknown."""
    return [None if a is None or b is None else b - a for a, b in zip(golden, candidate, strict=False)]


def rounded(values: Values, places: int) -> list[float | None]:
    """Values with as many decimals as are drawn; what is not finite becomes None."""
    return [None if value is None or not math.isfinite(value) else round(value, places) for value in values]


def sparser(values: Sequence[Any], most: int) -> list[Any]:
    """Every so many of them, the first among them, so that no more than ``most`` are left."""
    return list(values[:: math.ceil(len(values) / most) or 1])


def moved(values: Values, by: Values, sign: int) -> list[float | None]:
    """Values moved up or down by others: the edges of a tolerance."""
    return [None if a is None or b is None else a + sign * b for a, b in zip(values, by, strict=False)]


def limits_of(curve: Mapping[str, Any], unit: str) -> tuple[list[float | None], list[float | None]]:
    """Tolerances of a curve below and above golden, as it gives them for each of its points or for all of them.

    Infinity where any departure is well; None where nothing was asked.
    """
    above = curve[f"tolerance_{unit}"]
    several = above if isinstance(above, list) else [above]
    below = curve.get(f"tolerance_below_{unit}", several)
    return _open(below if isinstance(below, list) else [below]), _open(several)


def limit_told(below: float | None, above: float | None) -> str:
    """A tolerance for a table: one figure, or two where it differs below and above."""
    sides = ["none" if side is None else "any" if math.isinf(side) else f"{side:.3g}" for side in (below, above)]
    return sides[1] if sides[0] == sides[1] else f"−{sides[0]}, +{sides[1]}"


def _open(limits: Sequence[float | str | None]) -> list[float | None]:
    return [math.inf if isinstance(limit, str) else limit for limit in limits]


def astray(differing: Values, below: Values, above: Values) -> list[float | None]:
    """Keep the differences that leave their tolerance, None elsewhere."""
    return [
        off if off is not None and low is not None and high is not None and not -low <= off <= high else None
        for off, low, high in zip(differing, below, above, strict=False)
    ]


def room_for(differing: Iterable[float | None], tolerances: Iterable[float | None]) -> float:
    """Half the height of a chart of differences: holds the tolerance and, up to eight tolerances, what leaves it."""
    limit = max((value for value in tolerances if value is not None and math.isfinite(value)), default=0.0)
    most = max((abs(value) for value in differing if value is not None), default=0.0)
    return max(1.6 * limit, 1.1 * (min(most, 8 * limit) if limit else most)) or 1.0


def cut_marks(xs: Values, ys: Values, x: Axis, y: Axis) -> list[str]:
    """A small arrow where a line leaves its axis, so that what is cut does not read as what stops there."""
    pairs = list(zip(xs, ys, strict=False))
    beyond = [0 if a is None or b is None or y.low <= b <= y.high else int(math.copysign(1, b)) for a, b in pairs]
    marks = []
    for index, way in enumerate(beyond):
        left, at = beyond[index - 1] if index else 0, pairs[index][0]
        if way and way != left and at is not None:
            edge, reach = y.at(y.high if way > 0 else y.low), -6 if way > 0 else 6
            marks.append(f'<path class="cut" d="M{x.at(at) - 4:.1f} {edge:.1f}h8l-4 {reach}z"/>')
    return marks


def _round_step(raw: float) -> float:
    power = 10.0 ** math.floor(math.log10(raw))
    return next((factor * power for factor in (1, 2, 5) if factor * power >= raw * 0.999), 10 * power)


def _array(values: Values) -> NDArray[Any]:
    return np.array([math.nan if value is None else value for value in values], dtype=float)


def _within(values: Values, axis: Axis) -> NDArray[Any]:
    return np.clip(_array(values), axis.low, axis.high)


def _runs(*columns: NDArray[Any]) -> list[NDArray[Any]]:
    """Cut columns of equal meaning at their gaps; runs of shape (points, columns)."""
    shortest = min(column.size for column in columns)
    rows = np.column_stack([column[:shortest] for column in columns])
    known = np.flatnonzero(np.isfinite(rows).all(axis=1))
    pieces = np.split(known, np.flatnonzero(np.diff(known) > 1) + 1)
    return [rows[piece] for piece in pieces if piece.size]


def _filled(edges: list[tuple[NDArray[Any], NDArray[Any]]]) -> str:
    shapes = [_path(np.concatenate([_thinned(low), _thinned(high)[::-1]])) + "z" for low, high in edges if len(low) > 1]
    return f'<path class="band" d="{"".join(shapes)}"/>' if shapes else ""


def _path(points: NDArray[Any]) -> str:
    if len(points) == 1:
        points = np.concatenate([points, points + np.array([0.1, 0.0])])  # a dot with the line's round ends
    return "M" + " ".join(f"{a:.1f} {b:.1f}" for a, b in points.tolist())


def _thinned(points: NDArray[Any]) -> NDArray[Any]:
    """Drop the points that cannot be seen (Ramer, Douglas and Peucker, without recursion)."""
    points = _one_pixel_apart(points)
    keep, open_spans = {0, len(points) - 1}, [(0, len(points) - 1)]
    while open_spans:
        first, last = open_spans.pop()
        if last - first < 2:
            continue
        distances = _distances(points[first + 1 : last], points[first], points[last])
        farthest = int(distances.argmax())
        if distances[farthest] > _VISIBLE_PX:
            where = first + 1 + farthest
            keep.add(where)
            open_spans += [(first, where), (where, last)]
    return points[sorted(keep)]


def _one_pixel_apart(points: NDArray[Any]) -> NDArray[Any]:
    """Of the points in one pixel column keep the first, the lowest, the highest and the last, in their order."""
    if len(points) <= 2 * WIDTH:
        return points
    columns = np.split(np.arange(len(points)), np.flatnonzero(np.diff(np.round(points[:, 0]))) + 1)
    kept: set[int] = set()
    for column in columns:
        heights = points[column, 1]
        kept |= {int(column[index]) for index in (0, heights.argmin(), heights.argmax(), -1)}
    return points[sorted(kept)]


def _distances(points: NDArray[Any], start: NDArray[Any], end: NDArray[Any]) -> NDArray[Any]:
    """Distances of points, shape (points, 2), from the line between two others, shape (2,)."""
    way, off = end - start, points - start
    length = math.hypot(way[0], way[1])
    if length == 0:
        return np.asarray(np.hypot(off[:, 0], off[:, 1]))
    return np.asarray(np.abs(way[1] * off[:, 0] - way[0] * off[:, 1]) / length)
