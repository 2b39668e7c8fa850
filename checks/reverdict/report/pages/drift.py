"""How quantities moved over releases, as a page and as a section of the dashboard: no script, pure functions.

Each quantity that moved has its row of releases drawn in the original tolerance, the middle being the original golden:
points, what is fitted to them, where it stepped, where the golden was approved anew, and where it leads. A table of the
same numbers stands below.
"""

from __future__ import annotations

from reverdict.history.lines import History, Line
from reverdict.report import look
from reverdict.report.margin_ruler import svg
from reverdict.report.pages.lone import lone_page
from reverdict.report.pages.markup import aligned, text_of, thin
from reverdict.report.pictures.line_chart import LEFT, RIGHT, WIDTH, Axis, band, chart, line, side_axis
from reverdict.report.wording.basics import figure, plain, shorten
from reverdict.report.wording.drift import (
    FAR,
    called,
    check_of,
    name_of,
    opening,
    places_of,
    release_of,
    remarks,
    ruler_of,
    share_of,
    told_of,
)

SHOWN = 12
"""Quantities drawn; the others stand in the table."""
TOP, FOOT, HEIGHT = 26, 150, 190
AHEAD = 0.35
"""Of the releases there are, so many more are drawn for what is to come, at most."""

STYLE = """
.chart .ahead{fill:none;stroke:var(--build);stroke-width:1;stroke-dasharray:5 4}
.chart .limit{fill:none;stroke:var(--ink);stroke-width:1}
.chart .step{fill:none;stroke:var(--ink);stroke-width:1;stroke-dasharray:2 3}
.chart .fit{fill:none;stroke:var(--build);stroke-width:1.3}
.moved{width:100%;margin:.5rem 0 2rem}
.moved td,.moved th{vertical-align:top;padding:.5rem 1rem .5rem 0;border-bottom:1px solid var(--line)}
.moved thead th{color:var(--soft);font-weight:400;border-bottom:1px solid var(--ink)}
@media screen and (max-width:40rem){.moved .ruler{width:6rem}}
"""


def page(history: History, within: float) -> str:
    """Give the whole page of ``reverdict drift``."""
    head = "".join(f'<p class="said">{thin(text_of(said))}</p>' for said in opening(history, within))
    return lone_page(
        "reverdict: drift over releases",
        look.CHART_STYLE + look.PAGE_STYLE + STYLE,
        f"<header><h1>reverdict: <b>drift over releases</b></h1>{head}</header>\n<main>{drift_html(history)}</main>\n",
    )


def drift_html(history: History) -> str:
    """Give the section: pictures of what moved, and a table of it; a sentence where nothing did."""
    told = "".join(f'<p class="quiet">{thin(text_of(one))}</p>' for one in remarks(history))
    if not history.moved:
        return f'<p class="quiet">No quantity moved.</p>{told}'
    figures = "".join(_figure(one, number, history) for number, one in enumerate(history.moved[:SHOWN]))
    return f'<div class="plate">{figures}</div>{_table(history)}{told}'


def _table(history: History) -> str:
    rows = "".join(
        f'<tr><th scope="row"><bdi>{text_of(shorten(one.reference))}</bdi>, {thin(text_of(name_of(one)))}'
        f'<br><span class="quiet">{text_of(check_of(one))}</span></th><td>{svg(ruler_of(one))}<br>'
        f"{text_of(share_of(one))}</td><td>{thin(text_of(told_of(one, history)))}</td></tr>"
        for one in history.moved
    )
    return (
        '<div class="scroll" tabindex="0" role="region" aria-label="What moved"><table class="moved">'
        "<caption>What moved, the worst first. The middle of a rule is the original golden, its ends are the original "
        "tolerance.</caption>"
        '<thead><tr><th scope="col">quantity</th><th scope="col">newest</th><th scope="col">what happened</th></tr>'
        f"</thead><tbody>{rows}</tbody></table></div>"
    )


def _figure(one: Line, number: int, history: History) -> str:
    """Releases to the right, departure from the original golden upward."""
    identity = f"drift-{number}"
    title = f"{shorten(plain(one.reference))}: {name_of(one)}"
    said = told_of(one, history)
    return (
        f"<figure><figcaption><b><bdi>{thin(text_of(title))}</bdi></b></figcaption>"
        f"{_picture(one, identity, title, said, history)}<figcaption>{thin(text_of(said))}.</figcaption>"
        f"{_numbers(one, history)}</figure>"
    )


def _picture(one: Line, identity: str, title: str, said: str, history: History) -> str:
    count, forecast = len(one.values), one.moves.forecast
    coming = 0.0 if forecast is None or forecast.likely > FAR else min(forecast.likely, max(3.0, AHEAD * count))
    x = Axis(0.0, max(count - 1 + coming, 1.0), LEFT + 6, WIDTH - RIGHT - 6)
    reach = 1.15 * max(one.tolerance, *(abs(value) for value in one.values))
    y = Axis(-reach, reach, FOOT, TOP)
    there = [float(at) for at in range(count)]
    ends = [x.low, x.high]
    drawn = [
        band(ends, [-one.tolerance] * 2, [one.tolerance] * 2, x, y),
        side_axis(y, one.unit or "deviation"),
        line(ends, [0.0, 0.0], x, y, "golden slim"),
        *(line(ends, [limit, limit], x, y, "limit") for limit in (-one.tolerance, one.tolerance)),
        *_marks(one, x, history),
    ]
    first = count - len(one.moves.fitted)
    fitted = [value * one.tolerance for value in one.moves.fitted]
    if fitted:
        drawn.append(line(there[first:], fitted, x, y, "fit"))
        end = fitted[-1] + one.moves.rate * one.tolerance * coming
        drawn.append(line([there[-1], there[-1] + coming], [fitted[-1], end], x, y, "ahead") if coming else "")
    for at, value in zip(there, one.values, strict=True):
        kind = "dot astray" if abs(value) > one.tolerance else "dot"
        drawn.append(f'<circle class="{kind}" cx="{x.at(at):.1f}" cy="{y.at(value):.1f}" r="2.2"/>')
    return chart(identity, title, said, HEIGHT, drawn)


def _marks(one: Line, x: Axis, history: History) -> list[str]:
    """Releases along the foot: the first, the newest, and those at which something happened."""
    last = len(one.values) - 1
    happened = [step.at for step in one.moves.steps] + [slope.since for slope in one.moves.slopes]
    drawn = [f'<path class="step" d="M{x.at(at):.1f} {TOP}V{FOOT}"/>' for at in happened]
    drawn += [
        f'<text class="small" x="{x.at(at):.1f}" y="{TOP - 2}" text-anchor="middle">new golden</text>'
        for at in one.anew[-3:]
    ]
    taken: list[tuple[float, float, int]] = []
    for at in [0, last, *happened]:
        name = shorten(plain(release_of(one, at, history).label), 18)
        half = 3.2 * len(name)
        middle = min(max(x.at(at), LEFT + half), WIDTH - RIGHT - half)
        free = (row for row in range(2) if all(abs(middle - m) > half + h for m, h, r in taken if r == row))
        row = next(free, None)
        if row is not None:
            taken.append((middle, half, row))
            drawn.append(
                f'<text x="{middle:.1f}" y="{FOOT + 15 + 14 * row}" text-anchor="middle">{text_of(name)}</text>'
            )
    return [*drawn, f'<path class="axis" d="M{LEFT} {FOOT}H{WIDTH - RIGHT}"/>']


def _numbers(one: Line, history: History) -> str:
    """Every release in a table, folded away."""
    places = places_of(one)
    values = aligned([figure(value, places) for value in one.values])
    spreads = aligned([figure(value, places) for value in one.spreads])
    rows = "".join(
        f'<tr><th scope="row"><bdi>{text_of(called(release_of(one, at, history)))}</bdi></th>'
        f'<td class="n">{value}</td><td class="n">± {spread}</td></tr>'
        for at, (value, spread) in enumerate(zip(values, spreads, strict=True))
    )
    unit = text_of(one.unit)
    return (
        '<details><summary>Every release</summary><div class="scroll" tabindex="0" role="region" '
        f'aria-label="Every release of {text_of(name_of(one))}"><table class="findings"><thead><tr>'
        f'<th scope="col">release</th><th scope="col">from the original golden, {unit}</th>'
        f'<th scope="col">known to, {unit}</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></div></details>"
    )
