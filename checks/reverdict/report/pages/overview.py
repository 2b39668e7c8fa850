"""``index.html``: the overview of a verdict. Sentences first, then references × checks as margin rulers, worst first.

A row is a reference; below it stand the cells of its render matrix, where it has several. Every rule leads to its check
on the page of its reference (``pages.reference``). A pure function of the verdict.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from reverdict import words
from reverdict.report import cells
from reverdict.report.margin_ruler import Ruler, ruler_of, svg
from reverdict.report.pages.frame import foot, page_of, whole
from reverdict.report.pages.marks import css, told, word
from reverdict.report.pages.markup import text_of, thin
from reverdict.report.ranking import not_reached, references_worst_first, worst_finding
from reverdict.report.wording.basics import CHECK_NAMES, in_short, place, plain, shorten, tally
from reverdict.report.wording.sentences import ERRORS_SPOKEN_OF, headline, opening

Json = Mapping[str, Any]


def overview_html(verdict: Json, history: str = "", root: str = "") -> str:
    """Give the overview; ``history`` is a section of how quantities moved, ``root`` leads to the board's files."""
    references = references_worst_first(verdict)
    body = [
        '<a class="skip" href="#references">Skip to the references</a>',
        f"<header>{_heading(verdict)}{_said(opening(verdict))}</header>",
        f'<main id="references" tabindex="-1">{_errors(verdict)}',
        _overview(references, verdict) if references else "",
        f"{history_section(history)}</main>{foot(verdict)}",
    ]
    return whole(headline(verdict), verdict["outcome"], body, root)


def _heading(verdict: Json) -> str:
    who, _, outcome = headline(verdict).rpartition(": ")
    return f"<h1>reverdict on <b><bdi>{text_of(who)}</bdi></b>: {word(verdict['outcome'], outcome)}</h1>"


def _said(paragraphs: Iterable[str]) -> str:
    return "".join(f'<p class="said">{thin(text_of(paragraph))}</p>' for paragraph in paragraphs)


def _errors(verdict: Json) -> str:
    """The errors that the opening sentences had no room for."""
    items = "".join(f"<li>{text_of(error)}</li>" for error in verdict["errors"][ERRORS_SPOKEN_OF:])
    return f'<h2>Further errors</h2><ul class="why">{items}</ul>' if items else ""


def history_section(history: str) -> str:
    """How quantities moved over releases; nothing where nothing is known of that."""
    return f'<section class="history"><h2>Over releases</h2>{history}</section>' if history else ""


def _overview(references: list[dict[str, Any]], verdict: Json) -> str:
    columns = cells.checks_of(references)
    heads = "".join(f'<th scope="col" role="columnheader">{CHECK_NAMES[check]}</th>' for check in columns)
    rows = "".join(
        f'<tbody role="rowgroup" data-outcome="{css(one["outcome"])}">{_row(one, columns)}'
        f"{_cell_rows(one, columns)}</tbody>"
        for one in references
    )
    return (
        f'{key()}<table class="overview" role="table"><caption>Checks: {tally(verdict)}. Each rule shows the '
        f'worst finding of a check, the worst reference first.</caption><thead role="rowgroup"><tr role="row">'
        f'<th scope="col" role="columnheader">reference</th>{heads}</tr></thead>{rows}</table>'
    )


def key() -> str:
    """How to read a ruler, in rulers."""
    examples = (
        (Ruler("pass", 0.4, 0.15), "inside: the middle is golden, the ends are the limit, the bar is the uncertainty"),
        (Ruler("unsure", 0.8, 0.45), "unsure: the hatched bar crosses an end"),
        (Ruler("fail", 1.25, 0.1), "outside its limit"),
        (Ruler("fail", 9.0), "so far outside that the rule ends before it"),
        (Ruler("not asked"), "not asked, or no value"),
    )
    items = "".join(f"<li>{svg(ruler)} {said}</li>" for ruler, said in examples)
    return f'<ul class="key" aria-label="How to read the rules">{items}</ul>'


def _row(reference: Json, columns: list[str]) -> str:
    name, title, page = plain(reference["name"]), plain(reference["title"]), page_of(reference)
    below = f'<span class="title">{text_of(shorten(title))}</span>' if title and title != name else ""
    checks = {check["check"]: check for check in reference["checks"]}
    drawn = "".join(_check(checks.get(check), check, page, reference) for check in columns)
    link = f'<a href="{page}"><bdi>{text_of(shorten(name))}</bdi></a>'
    return f'<tr role="row"><th scope="row" role="rowheader">{link}{below}</th>{drawn}</tr>'


def _check(check: Json | None, name: str, page: str, reference: Json) -> str:
    label = f'<span class="check">{CHECK_NAMES[name]}</span>'
    if check is None:
        missing = f'<span class="blank">{label}<span class="told">{absent(name)}</span></span>'
        return f'<td role="cell" class="not-asked">{missing}</td>'
    worst, outcome = worst_finding(check), check["outcome"]
    where = place(worst) if worst else ""
    said = told(check)
    if not_reached(check, reference):
        said, where = word("unsure", "not reached"), "conduct failed"
    elif outcome == "not asked" or not where:
        where = plain(check["reason"])
    return (
        f'<td role="cell" class="{css(outcome)}"><a href="{page}#{text_of(name)}">{label}'
        f"{svg(ruler_of(worst, outcome))}"
        f'<span class="told">{said}</span>'
        f'<span class="where">{thin(text_of(shorten(where, 90)))}</span></a></td>'
    )


def absent(check: str) -> str:
    """What stands where a reference has no such check: one of the suite is missing, a package's has no table there."""
    return "missing" if check in words.CHECKS else "no table"


def _cell_rows(reference: Json, columns: list[str]) -> str:
    """A row of small rules for each cell of the render matrix; none where there is one cell only."""
    seen, _ = cells.table(reference)
    page = page_of(reference)
    return "".join(_cell_row(cell, there, page, columns) for cell, there in seen) if len(seen) > 1 else ""


def _cell_row(cell: Json, there: Json, page: str, columns: list[str]) -> str:
    put = {check["check"]: check for check in there["checks"]}
    drawn = "".join(
        f'<td role="cell" class="{css(put[name]["outcome"])}"><span class="check">{CHECK_NAMES[name]}</span>'
        f"{svg(ruler_of(worst_finding(put[name]), put[name]['outcome']))} "
        f"{word(put[name]['outcome'], in_short(put[name], there))}</td>"
        if name in put
        else '<td role="cell" class="absent"></td>'
        for name in columns
    )
    label = f'<a href="{page}#cells">{thin(text_of(cells.label(cell)))}</a>'
    return f'<tr role="row" class="cell"><th scope="row" role="rowheader">{label}</th>{drawn}</tr>'
