"""A comparison as a page: sentences, cost against distance with the front drawn, and a table of all candidates."""

from __future__ import annotations

import math
from urllib.parse import quote

from reverdict.choosing import Candidate, Choice
from reverdict.report import look
from reverdict.report.margin_ruler import ruler_of, svg
from reverdict.report.pages.lone import lone_page
from reverdict.report.pages.markup import text_of, thin
from reverdict.report.pictures.line_chart import LEFT, RIGHT, WIDTH, Axis, chart, side_axis, time_axis
from reverdict.report.wording.basics import CHECK_NAMES, plain, shorten
from reverdict.report.wording.comparison import (
    called,
    checks_of,
    distance_in,
    distance_of,
    folders,
    opening,
    price_of,
    remarks,
    worst_of,
)

TOP, FOOT, HEIGHT = 30, 250, 290
MARK_PX = 6.0

STYLE = """
.chart .front{fill:none;stroke:var(--build);stroke-width:1;stroke-dasharray:5 4}
.chart .hollow{fill:var(--paper);stroke:var(--out);stroke-width:1.6}
.chart .ring{fill:none;stroke:var(--build);stroke-width:1.4}
.candidates{width:100%;margin:1rem 0 2rem}
.candidates td,.candidates th{vertical-align:top;padding:.5rem 1rem .5rem 0;border-bottom:1px solid var(--line)}
.candidates thead th{color:var(--soft);font-weight:400;border-bottom:1px solid var(--ink)}
.candidates .n,.candidates .word{white-space:nowrap}
.candidates th:first-child{min-width:9rem}
.candidates td:last-child{min-width:13rem}
.candidates caption{max-width:calc(100vw - 3rem)}
.candidates .quiet{font-weight:400}
figure.wide{max-width:44rem}
@media (max-width:46rem){
.candidates,.candidates caption,.candidates tbody,.candidates tr,.candidates td,.candidates th{display:block}
.candidates thead{display:none}
.candidates tr{border-bottom:1px solid var(--line);padding:.7rem 0}
.candidates tbody td,.candidates tbody th{border:0;padding:.05rem 0}
.candidates [data-of]::before{content:attr(data-of) ": ";color:var(--soft)}
}
@media print{
.candidates{font-size:7.5pt}
.candidates td,.candidates th{padding-right:.5rem}
.candidates .n{white-space:normal}
.candidates .ruler{width:5rem}
}
"""


def page(choice: Choice) -> str:
    """Give the whole page."""
    head = "".join(f'<p class="said">{thin(text_of(said))}</p>' for said in opening(choice))
    told = "".join(f'<p class="quiet">{thin(text_of(said))}</p>' for said in remarks(choice))
    return lone_page(
        "reverdict: which build to take",
        look.CHART_STYLE + look.PAGE_STYLE + STYLE,
        f"<header><h1>reverdict: <b>which of {len(choice.candidates)} builds to take</b></h1>{head}"
        f"</header>\n<main>{_front(choice)}{_table(choice)}{told}</main>\n"
        '<footer><dl><dt>data</dt><dd><a href="compare.json">compare.json</a></dd></dl></footer>\n',
    )


def _table(choice: Choice) -> str:
    checks, places = checks_of(choice), folders(choice)
    heads = "".join(f'<th scope="col">{text_of(CHECK_NAMES.get(check, check))}</th>' for check in checks)
    rows = "".join(_row(one, checks, places[one.label], one.label == choice.taken) for one in choice.candidates)
    return (
        '<div class="scroll" tabindex="0" role="region" aria-label="All builds"><table class="candidates">'
        "<caption>Distance from the goldens, in tolerances: 0 is the golden, 1 is what would just pass if every value "
        "were at its limit. Builds that pass come first, the closest first. A rule shows the worst finding of a build."
        '</caption><thead><tr><th scope="col">build</th><th scope="col">gate</th><th scope="col">distance</th>'
        f"{heads}"
        f'<th scope="col">cost</th><th scope="col">worst finding</th></tr></thead><tbody>{rows}</tbody></table></div>'
    )


def _row(one: Candidate, checks: list[str], place: str, taken: bool) -> str:
    own = "".join(
        f'<td class="n" data-of="{text_of(CHECK_NAMES.get(check, check))}">{distance_in(check, one)}</td>'
        for check in checks
    )  # fmt: skip
    rule = svg(ruler_of(one.worst, str(one.worst["outcome"]))) + "<br>" if one.worst else ""
    why = worst_of(one) or plain(one.why_not)
    mark = ' <span class="quiet">recommended</span>' if taken else ""
    source = plain(one.verdict.get("place", ""))
    mark += f'<br><bdi class="quiet">{text_of(shorten(source, 60))}</bdi>' if source else ""
    return (
        f'<tr><th scope="row"><a href="{quote(place)}/index.html"><bdi>{text_of(called(one))}</bdi></a>{mark}</th>'
        f'<td class="{text_of(one.outcome)}"><span class="word">{text_of(one.outcome)}</span></td>'
        f'<td class="n" data-of="distance">{distance_of(one.distance)}</td>{own}'
        f'<td class="n" data-of="cost">{price_of(one.price)}</td>'
        f"<td>{rule}{thin(text_of(shorten(why, 200)))}</td></tr>"
    )


def _front(choice: Choice) -> str:
    """Distance to the right, cost upward: what is low and left is better."""
    placed = [one for one in choice.candidates if one.distance and one.price]
    if len(placed) < 2:
        return ""
    across = [one.distance.value for one in placed if one.distance]
    up = [one.price.percent for one in placed if one.price]
    x = Axis(0.0, 1.12 * max(*across, 0.05), LEFT + 6, WIDTH - RIGHT - 6)
    room = 0.12 * max(max(up) - min(up), 1.0)
    y = Axis(min(up) - room, max(up) + room, FOOT, TOP)
    front = sorted(
        ((one.distance.value, one.price.percent) for one in placed if one.label in choice.front and one.distance
         and one.price),
    )  # fmt: skip
    joined = "L".join(f"{x.at(at):.1f} {y.at(cost):.1f}" for at, cost in front)
    title = "Cost against distance"
    said = (
        "Each build by its distance from the goldens and its cost; low and left is better. A hollow mark does not pass."
    )
    if len(front) > 1:
        said += " The dashed line joins builds than which none is both closer and cheaper."
    if choice.taken:
        said += " The ring is round the one recommended."
    drawn = [
        time_axis(x, FOOT, "distance, tolerances", TOP),
        side_axis(y, "cost, %"),
        f'<path class="front" d="M{joined}"/>',
        *(_mark(one, x, y, choice) for one in placed),
        *_names(placed, x, y, choice.taken),
    ]
    return f'<figure class="wide">{chart("front", title, said, HEIGHT, drawn)}<figcaption>{said}</figcaption></figure>'


def _mark(one: Candidate, x: Axis, y: Axis, choice: Choice) -> str:
    assert one.distance is not None
    assert one.price is not None
    across, up = x.at(one.distance.value), y.at(one.price.percent)
    kind = "dot" if one.passes else "hollow"
    ring = f'<circle class="ring" cx="{across:.1f}" cy="{up:.1f}" r="8"/>' if one.label == choice.taken else ""
    return f'<circle class="{kind}" cx="{across:.1f}" cy="{up:.1f}" r="4"/>{ring}'


def _names(placed: list[Candidate], x: Axis, y: Axis, first: str) -> list[str]:
    """Names beside the marks, each where neither a name nor another mark is; one without room is in the table.

    Marks that lie on one another have their names together, ``first`` first.
    """
    marks: dict[tuple[int, int], list[str]] = {}
    for one in sorted(placed, key=lambda one: one.label != first):
        if one.distance and one.price:
            across, up = x.at(one.distance.value), y.at(one.price.percent)
            near = next((at for at in marks if math.hypot(at[0] - across, at[1] - up) < MARK_PX), None)
            marks.setdefault(near or (round(across), round(up)), []).append(plain(one.label))
    taken = [(across - MARK_PX, across + MARK_PX, up + 4.0) for across, up in marks]
    drawn = []
    for (across, up), names in marks.items():
        name = shorten(names[0], 24) + (f" and {len(names) - 1} more" if len(names) > 1 else "")
        wide = 5.6 * len(name)
        for left, foot in ((across + 10, up + 4), (across - wide - 10, up + 4), (across - wide / 2, up - 12),
                           (across - wide / 2, up + 20)):  # fmt: skip
            inside = left >= LEFT and left + wide <= WIDTH - 2 and TOP - 8 <= foot <= FOOT - 2
            if inside and all(left + wide < start or end < left or abs(foot - at) > 12 for start, end, at in taken):
                taken.append((left, left + wide, foot))
                drawn.append(f'<text class="small" x="{left:.1f}" y="{foot:.1f}">{text_of(name)}</text>')
                break
    return drawn
