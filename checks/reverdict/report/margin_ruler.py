"""The margin ruler: the one figure of every report. It shows a finding against its tolerance without any colour.

    ├─────┼──●──┤          inside: the middle is the golden value, the ends are the tolerance, the mark is the build
    ├─────┼─━━○━┿━         unsure: the uncertainty bar through the mark crosses an end
    ├─────┼─────┤  ◆       outside
    ├─────┼─────┤   ▶      so far outside that the rule cannot show it
    ├╌╌╌╌╌?╌╌╌╌╌┤          unsure, no value could be had (✕ for a fail without a value)
    ├╌╌╌╌╌╌╌╌╌╌╌┤          not asked

The mark stands in proportion to the deviation. Rounding never carries a mark or a bar across an end: what is inside is
drawn inside and what is outside is drawn outside. Left is below or earlier than golden, right is above or later.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import Any, TextIO

from reverdict.report.ranking import signed_share

HALF_CELLS = 6
OUTER_CELLS = 4
TEXT_WIDTH = 2 * (HALF_CELLS + OUTER_CELLS) + 1

HALF_PX = 50.0
OUTER_PX = 30.0

_ROUNDING = 1e-9  # a sum of two quotients may land this far beyond the limit it was judged to keep

_MARKS = {"pass": "●", "fail": "◆", "unsure": "○", "not asked": "╌"}
_MARKS_WITHOUT_VALUE = {"pass": "●", "fail": "✕", "unsure": "?", "not asked": "╌"}
_ASCII = str.maketrans("├┤┼┿─╌━●◆○✕▶◀", "||++-.=o#OX><")


@dataclass(frozen=True)
class Ruler:
    """What a ruler shows, in tolerances.

    position : the deviation; ±1 is at an end, ±inf off a tolerance of zero, None where there is no value or no limit
    spread : expanded uncertainty of the position, never negative
    """

    outcome: str
    position: float | None = None
    spread: float = 0.0

    @property
    def low(self) -> float:
        return -math.inf if self.position is None else self.position - self.spread

    @property
    def high(self) -> float:
        return math.inf if self.position is None else self.position + self.spread


def ruler_of(finding: Mapping[str, Any] | None, outcome: str) -> Ruler:
    """Give the ruler of a finding, or of a check without findings (then only the outcome is known)."""
    if finding is None:
        return Ruler(outcome)
    tolerance, uncertainty = finding["tolerance"], finding["uncertainty"]
    spread = uncertainty / tolerance if uncertainty and tolerance else 0.0
    return Ruler(finding["outcome"], signed_share(finding), abs(spread))


def text(ruler: Ruler) -> str:
    """Draw the ruler for a terminal, always ``TEXT_WIDTH`` characters."""
    if ruler.position is None:
        return _text_without_value(ruler.outcome)
    last = HALF_CELLS + OUTER_CELLS
    cells = dict.fromkeys(range(-last, last + 1), " ")
    cells.update(dict.fromkeys(range(-HALF_CELLS, HALF_CELLS + 1), "─"))
    cells.update({-HALF_CELLS: "├", 0: "┼", HALF_CELLS: "┤"})
    mark = _cell(ruler.position)
    if ruler.spread:
        for cell in range(_cell(ruler.low), _cell(ruler.high) + 1):
            cells[cell] = "┿" if cells[cell] in "├┼┤" else "━"
    cells[mark] = _mark(ruler)
    return "".join(cells[cell] for cell in sorted(cells))


def in_ascii(drawn: str) -> str:
    """Redraw a text ruler with ASCII characters, cell by cell."""
    return drawn.translate(_ASCII)


def can_draw(stream: TextIO) -> bool:
    """Whether the stream's encoding has the characters of the ruler."""
    try:
        "├─┼━┿┤╌●◆○✕▶◀".encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def svg(ruler: Ruler, label: str = "") -> str:
    """Draw the ruler as SVG; page and badge bring the colours. Without a label it is hidden from screen readers."""
    width, height = 2 * (HALF_PX + OUTER_PX), 18
    spoken = f'role="img" aria-label="{escape(label)}"' if label else 'aria-hidden="true"'
    title = f"<title>{escape(label)}</title>" if label else ""
    return (
        f'<svg class="ruler" {spoken} viewBox="{-width / 2:g} {-height / 2:g} {width:g} {height}">'
        f"{title}{svg_figure(ruler)}</svg>"
    )


def svg_figure(ruler: Ruler) -> str:
    """Draw the ruler's strokes around the origin, for use inside another SVG."""
    if ruler.position is None:
        return _svg_without_value(ruler.outcome)
    rule = f'<path class="rule" d="M{-HALF_PX:g} 0h{2 * HALF_PX:g}M{-HALF_PX:g}-7v14M0-3v6M{HALF_PX:g}-7v14"/>'
    return rule + _svg_bar(ruler) + _svg_mark(ruler)


def mark_px(share: float) -> float:
    """Where a share of tolerance stands on the SVG ruler, in px from the middle; far values stop at the edge."""
    edge = HALF_PX + OUTER_PX - 5
    return max(-edge, min(edge, share * HALF_PX))


def _text_without_value(outcome: str) -> str:
    rule = list("╌" * (2 * HALF_CELLS + 1))
    rule[0], rule[-1], rule[HALF_CELLS] = "├", "┤", _MARKS_WITHOUT_VALUE[outcome]
    return "".join(rule).center(TEXT_WIDTH)


def _cell(share: float) -> int:
    """Nearest cell of a share, but never on an end and never across one."""
    last = HALF_CELLS + OUTER_CELLS
    size = round(min(abs(share) * HALF_CELLS, last))
    size = min(size, HALF_CELLS - 1) if abs(share) <= 1 + _ROUNDING else max(size, HALF_CELLS + 1)
    return size if share > 0 else -size


def _mark(ruler: Ruler) -> str:
    assert ruler.position is not None
    if abs(ruler.position) * HALF_CELLS > HALF_CELLS + OUTER_CELLS + 0.5:
        return "▶" if ruler.position > 0 else "◀"
    return _MARKS[ruler.outcome]


def _svg_without_value(outcome: str) -> str:
    sign = {"fail": "✕", "unsure": "?", "pass": "●"}.get(outcome, "")
    ends = f'<path class="rule" d="M{-HALF_PX:g}-7v14M{HALF_PX:g}-7v14"/>'
    gap = 10 if sign else 0
    empty = f'<path class="empty" d="M{-HALF_PX:g} 0H{-gap:g}M{gap:g} 0H{HALF_PX:g}"/>'
    word = f'<text class="sign {outcome}" y="5" text-anchor="middle">{sign}</text>' if sign else ""
    return ends + empty + word


def _svg_bar(ruler: Ruler) -> str:
    left, right = mark_px(ruler.low), mark_px(ruler.high)
    if right - left < 1:
        return ""
    if ruler.outcome != "unsure":
        return f'<path class="bar" d="M{left:.1f} 0H{right:.1f}"/>'
    steps = int((right - left) // 4) + 1
    strokes = "".join(f"M{left + 4 * step:.1f} 4l4-8" for step in range(steps) if left + 4 * step + 4 <= right + 2)
    return f'<path class="hatch" d="M{left:.1f}-4H{right:.1f}M{left:.1f} 4H{right:.1f}{strokes}"/>'


def _svg_mark(ruler: Ruler) -> str:
    assert ruler.position is not None
    x = mark_px(ruler.position)
    if x != ruler.position * HALF_PX:
        way = 7 if x > 0 else -7
        return f'<path class="mark fail" d="M{x - way / 2:.1f}-6l{way} 6l{-way} 6z"/>'
    if ruler.outcome == "fail":
        return f'<path class="mark fail" d="M{x:.1f}-6l5 6l-5 6l-5-6z"/>'
    return f'<circle class="mark {ruler.outcome.replace(" ", "-")}" cx="{x:.1f}" r="4.5"/>'
