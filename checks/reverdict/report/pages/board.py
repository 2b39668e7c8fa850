"""A board: pages that lie in one folder and lead to one another, of one build or of several.

    index.html             the overview (of several builds: all of them, each leading to its own overview)
    references/NAME.html   a page for each reference
    assets/                stylesheet and script of all pages
    NAME/                  of several builds, the same for each of them

Pure functions: files as text, by their place in the folder.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reverdict.report.data.verdict import verdict_text
from reverdict.report.files.badge import badge_svg
from reverdict.report.files.junit import junit_xml
from reverdict.report.files.summary import summary_md
from reverdict.report.pages.builds import builds_html
from reverdict.report.pages.frame import assets, page_of, safe_name
from reverdict.report.pages.overview import overview_html
from reverdict.report.pages.reference import reference_html
from reverdict.report.ranking import references_worst_first

Json = Mapping[str, Any]


PICTURES = 40
"""So many references have pictures, the worst first: those of hundreds would weigh more than anybody looks at."""


def with_pictures_of_the_worst(verdict: Json) -> dict[str, Any]:
    """The same verdict without the curves of references that are not among the worst."""
    ranked = references_worst_first(verdict)
    shown = {str(one["name"]) for one in ranked[:PICTURES]}
    return {
        **verdict,
        "references": [
            one
            if str(one["name"]) in shown or not any(one["curves"].values())
            else {**one, "curves": {}, "curves_left_out": True}
            for one in verdict["references"]
        ],
    }


def pages(verdict: Json, sensitivity: Json | None = None, history: str = "", up: str = "") -> dict[str, str]:
    """Give the pages of one build, the overview last; ``up`` leads from its folder to that of the board ("../")."""
    ranked = references_worst_first(verdict)
    around = [None, *ranked, None]
    made = {
        page_of(one): reference_html(one, verdict, sensitivity, (around[place], around[place + 2]), f"../{up}")
        for place, one in enumerate(ranked)
    }
    return {**made, "index.html": overview_html(verdict, history, up)}


def board(verdicts: Sequence[Json], history: str = "") -> dict[str, str]:
    """Give all files of the board of some builds, one verdict each, the overview last."""
    verdicts = [with_pictures_of_the_worst(verdict) for verdict in verdicts]
    if len(verdicts) == 1:
        return {**assets(), **pages(verdicts[0], history=history)}
    files = assets()
    for verdict, place in zip(verdicts, places_of(verdicts), strict=True):
        files |= {f"{place}/{name}": page for name, page in pages(verdict, up="../").items()}
    return {**files, "index.html": builds_html(verdicts, places_of(verdicts), history)}


def places_of(verdicts: Sequence[Json]) -> list[str]:
    """A folder for each build, which no file of a board can be in the way of."""
    return [f"build-{safe_name(str(verdict['build']['name']))}" for verdict in verdicts]


def data(verdicts: Sequence[Json]) -> dict[str, str]:
    """What the foot of every overview leads to: each verdict as data, for CI servers and as text."""
    places = [""] if len(verdicts) == 1 else [f"{place}/" for place in places_of(verdicts)]
    files: dict[str, str] = {}
    for verdict, place in zip(verdicts, places, strict=True):
        files |= {
            f"{place}verdict.json": verdict_text(with_pictures_of_the_worst(verdict)),
            f"{place}junit.xml": junit_xml(verdict),
            f"{place}summary.md": summary_md(verdict),
            f"{place}badge.svg": badge_svg(verdict),
        }
    return files
