"""``badge.svg``: a margin ruler with the word, on a strip of paper. Readable in black and white."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from reverdict.report.look import INK_AND_PAPER, RULER_STYLE
from reverdict.report.margin_ruler import HALF_PX, OUTER_PX, Ruler, ruler_of, svg_figure
from reverdict.report.ranking import checks_worst_first, references_worst_first, worst_finding
from reverdict.report.wording.basics import plain, shorten
from reverdict.report.wording.sentences import headline, opening

HEIGHT = 24
_LETTER_PX = 6.7  # generous width of a letter at the badge's type size, so that no system font spills over


def badge_svg(verdict: Mapping[str, Any]) -> str:
    """Give the badge: the ruler of the finding that decides and the word of the verdict."""
    word = "cannot judge" if verdict["outcome"] == "error" else str(verdict["outcome"])
    label = f"reverb {word}"
    ruler_end = 2 * (HALF_PX + OUTER_PX)
    width = ruler_end + 8 + len(label) * _LETTER_PX + 10
    told = escape(shorten(plain(f"{headline(verdict)}. {opening(verdict)[0]}"), 300))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="t" width="{width:.0f}" '
        f'height="{HEIGHT}" viewBox="0 0 {width:.0f} {HEIGHT}"><title id="t">{told}</title>'
        f"<style>{INK_AND_PAPER}{RULER_STYLE}text{{font:13px Georgia,serif;fill:var(--ink)}}"
        f".w{{font-weight:700}}</style>"
        f'<path d="M0 0H{width:.0f}V{HEIGHT}H0z" style="fill:var(--paper)"/>'
        f'<g transform="translate({ruler_end / 2:g} {HEIGHT / 2:g})">{svg_figure(_deciding_ruler(verdict))}</g>'
        f'<text x="{ruler_end + 4:g}" y="16.5">reverb <tspan class="w">{word}</tspan></text></svg>\n'
    )


def _deciding_ruler(verdict: Mapping[str, Any]) -> Ruler:
    """The worst ruler among the checks that end as the verdict does."""
    for reference in references_worst_first(verdict):
        for check in checks_worst_first(reference):
            if check["outcome"] == verdict["outcome"]:
                return ruler_of(worst_finding(check), check["outcome"])
    return Ruler("not asked")
