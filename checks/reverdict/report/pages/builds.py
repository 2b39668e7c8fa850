"""``index.html`` of a board of several builds: each with its sentences and the worst of every check, worst first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reverdict.report.cells import checks_of
from reverdict.report.margin_ruler import ruler_of, svg
from reverdict.report.pages.frame import page_of, whole
from reverdict.report.pages.marks import css, told, word
from reverdict.report.pages.markup import text_of, thin
from reverdict.report.pages.overview import absent, history_section, key
from reverdict.report.ranking import references_worst_first, worst_check, worst_finding
from reverdict.report.wording.basics import CHECK_NAMES, listed, place, plain, shorten
from reverdict.report.wording.sentences import headline, opening

Json = Mapping[str, Any]
_ORDER = ("error", "fail", "unsure", "pass")


def builds_html(verdicts: Sequence[Json], places: Sequence[str], history: str = "") -> str:
    """Give the page; ``places`` are the folders of the builds, ``history`` a section of how quantities moved."""
    several = sorted(zip(verdicts, places, strict=True), key=lambda one: _ORDER.index(one[0]["outcome"]))
    outcome = several[0][0]["outcome"]
    tally = listed(f"{number} {name}" for name in _ORDER if (number := sum(v["outcome"] == name for v in verdicts)))
    said = f"{len(verdicts)} builds: {tally}."
    body = [
        '<a class="skip" href="#builds">Skip to the builds</a>',
        f'<header><h1>reverdict on <b>{len(verdicts)} builds</b></h1><p class="said">{text_of(said)}</p></header>',
        f'<main id="builds" tabindex="-1">{key()}{_table(several)}{history_section(history)}</main>',
    ]
    return whole(f"{len(verdicts)} builds: {tally}", outcome, body)


def _table(several: Sequence[tuple[Json, str]]) -> str:
    columns = checks_of(reference for verdict, _ in several for reference in verdict["references"])
    heads = "".join(f'<th scope="col" role="columnheader">{CHECK_NAMES[check]}</th>' for check in columns)
    rows = "".join(_row(verdict, folder, columns) for verdict, folder in several)
    return (
        '<table class="overview builds" role="table"><caption>The newest run of each build, the worst first. Each rule '
        'shows the worst finding of a check in all references.</caption><thead role="rowgroup"><tr role="row">'
        f'<th scope="col" role="columnheader">build</th>{heads}</tr></thead>'
        f'<tbody role="rowgroup">{rows}</tbody></table>'
    )


def _row(verdict: Json, folder: str, columns: Sequence[str]) -> str:
    who, _, outcome = headline(verdict).rpartition(": ")
    said = " ".join(opening(verdict)[:1])
    link = f'<a href="{folder}/index.html"><bdi>{text_of(who)}</bdi></a>: {word(verdict["outcome"], outcome)}'
    drawn = "".join(_check(verdict, check, folder) for check in columns)
    return (
        f'<tr role="row"><th scope="row" role="rowheader">{link}<span class="title">{thin(text_of(shorten(said, 300)))}'
        f"</span></th>{drawn}</tr>"
    )


def _check(verdict: Json, name: str, folder: str) -> str:
    label = f'<span class="check">{CHECK_NAMES[name]}</span>'
    found = worst_check(references_worst_first(verdict), name)
    if found is None:
        blank = f'<span class="blank">{label}<span class="told">{absent(name)}</span></span>'
        return f'<td role="cell" class="not-asked">{blank}</td>'
    reference, check = found
    worst = worst_finding(check)
    where = ": ".join(part for part in (shorten(plain(reference["name"])), place(worst) if worst else "") if part)
    return (
        f'<td role="cell" class="{css(check["outcome"])}"><a href="{folder}/{page_of(reference)}'
        f'#{text_of(name)}">{label}'
        f'{svg(ruler_of(worst, check["outcome"]))}<span class="told">{told(check)}</span>'
        f'<span class="where">{thin(text_of(shorten(where, 90)))}</span></a></td>'
    )
