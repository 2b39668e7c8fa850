"""``references/NAME.html``: all there is to know of one reference, a pure function of the verdict.

Sentences first, then each check with why, the cells of its render matrix, pictures, cost, and the full table of
findings. Neighbours in the order of the overview, the worst first, are a step away.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from reverdict.report import cells
from reverdict.report.margin_ruler import Ruler, ruler_of, svg
from reverdict.report.pages.cost import cost_html
from reverdict.report.pages.figures import figure_html, of_path
from reverdict.report.pages.frame import foot, page_of, whole
from reverdict.report.pages.marks import css, told, word
from reverdict.report.pages.markup import aligned, text_of, thin
from reverdict.report.pages.sensitivity import faults_table, reading_key
from reverdict.report.pages.sounds import sounds_html
from reverdict.report.pictures.decay import decay_picture
from reverdict.report.pictures.echogram import echogram_picture
from reverdict.report.pictures.group_delay import group_delay_picture
from reverdict.report.pictures.lag import lag_picture
from reverdict.report.ranking import checks_worst_first, reached, worst_finding, worst_first
from reverdict.report.wording.basics import (
    CHECK_NAMES,
    decimals,
    extent,
    figure,
    in_short,
    listed,
    place,
    plain,
    questions_not_put,
    reason_lines,
    sentence,
    share,
    shorten,
    unreached,
)
from reverdict.report.wording.sensitivity import about_slips
from reverdict.report.wording.sentences import about_reference, headline

Json = Mapping[str, Any]
Neighbours = tuple[Json | None, Json | None]


def _slips(reference: Json, sensitivity: Json | None) -> str:
    """What the tolerances of a reference catch, folded; nothing where that was not searched."""
    known = [one for one in (sensitivity or {}).get("references", ()) if one["name"] == reference["name"]]
    if not known:
        return ""
    said = "".join(f"<p>{thin(text_of(sentence))}</p>" for sentence in about_slips(known[0]))
    return (
        f"<details><summary>What these tolerances catch, and what slips through</summary>{said}{reading_key()}"
        f"{faults_table(known[0])}</details>"
    )


def reference_html(
    reference: Json, verdict: Json, sensitivity: Json | None = None, neighbours: Neighbours = (None, None),
    root: str = "../",
) -> str:  # fmt: skip
    """Give the page of a reference.

    sensitivity : what sensitivity.json holds of the references, if there is one.
    neighbours : the reference before and the one after in the overview.
    root : leads from the page to the files of the board.
    """
    name, title = plain(reference["name"]), plain(reference["title"])
    below = f' <span class="quiet">{text_of(title)}</span>' if title and title != name else ""
    outcome = reference["outcome"]
    said = " ".join([*about_reference(reference), *(sentence(plain(one)) for one in reference.get("remarks", ()))])
    body = [
        f'<a class="skip" href="#checks">Skip to the checks</a>{_way(verdict, neighbours)}',
        f"<header><h1>{word(outcome, outcome)}: <b><bdi>{text_of(name)}</bdi></b>{below}</h1>",
        f'<p class="said">{thin(text_of(said))}</p></header><main id="checks" tabindex="-1">',
        _checks(reference, str(verdict["build"]["kind"])),
        _cells(reference),
        sounds_html(reference, "../"),
        _pictures(reference),
        cost_html(reference, "cost", verdict.get("machine") or {}),
        _findings(reference),
        _slips(reference, sensitivity),
        f"</main>{foot(verdict, '../')}",
    ]
    return whole(f"{shorten(name)}: {headline(verdict)}", outcome, body, root)


def _way(verdict: Json, neighbours: Neighbours) -> str:
    """Back to the overview, and on to the neighbours."""
    who = headline(verdict).rpartition(": ")[0]
    links = [f'<a href="../index.html">Overview of <bdi>{text_of(who)}</bdi></a>']
    for said, rel, one in zip(("worse", "better"), ("prev", "next"), neighbours, strict=True):
        if one:
            page = page_of(one).rpartition("/")[2]
            link = f'<a href="{page}" rel="{rel}"><bdi>{text_of(shorten(plain(one["name"])))}</bdi></a>'
            links.append(f"<span>{said}: {link}</span>")
    return f'<nav class="way" aria-label="References, the worst first">{"".join(links)}</nav>'


def _checks(reference: Json, kind: str) -> str:
    put, waiting = reached(reference)
    rows = "".join(_check(check, reference, kind) for check in put) + _not_reached(waiting, reference)
    return f'<div class="checks"><h2>Checks</h2>{rows}</div>'


def _not_reached(checks: list[dict[str, Any]], reference: Json) -> str:
    """One row for all the checks that conduct kept from being put."""
    if not checks:
        return ""
    names = listed(f'<span id="{text_of(check["check"])}">{CHECK_NAMES[check["check"]]}</span>' for check in checks)
    where = unreached(checks[0], reference)
    return (
        f'<div class="check-row unsure"><h3>{names}</h3><div>{svg(Ruler("unsure"))}</div>'
        f'<div class="told">{word("unsure", where)}</div><ul class="why"><li>conduct failed</li></ul></div>'
    )


def _check(check: Json, reference: Json, kind: str) -> str:
    """Why a check does not simply pass. A passing check gets its anchor and one line."""
    worst, outcome = worst_finding(check), check["outcome"]
    lines = reason_lines(check, reference, kind)
    if not lines and outcome == "not asked":
        lines = [plain(check["reason"])]
    elif not lines and worst:
        leading = "nearest to its limit: " if worst["share_of_tolerance"] else ""
        lines = [leading + ": ".join(part for part in (place(worst), extent(worst), plain(worst["reason"])) if part)]
    lines = [*lines, *questions_not_put(check)]
    items = "".join(f"<li>{_options(thin(text_of(line)))}</li>" for line in lines if line)
    return (
        f'<div class="check-row {css(outcome)}" id="{text_of(check["check"])}"><h3>{CHECK_NAMES[check["check"]]}</h3>'
        f"<div>{svg(ruler_of(worst, outcome))}</div>"
        f'<div class="told">{told(check)}{_to_findings(check)}</div><ul class="why">{items}</ul></div>'
    )


def _to_findings(check: Json) -> str:
    """A way to the findings of a check, which a browser unfolds when it is taken."""
    number = len(check["findings"])
    return f' <a class="more" href="#{_row_of(check)}">{_every(number).lower()}</a>' if number else ""


def _row_of(check: Json) -> str:
    """Where the findings of a check begin in the table of all."""
    return f"{text_of(check['check'])}-findings"


def _cells(reference: Json) -> str:
    """Cells of the render matrix × checks, a small ruler each; nothing where there is one cell only."""
    seen, unasked = cells.table(reference)
    left_out = "".join(
        f'<p class="quiet">Not asked of {thin(text_of(listed(names)))}: {thin(text_of(why))}.</p>'
        for why, names in unasked
    )
    if len(seen) < 2:
        return left_out
    checks = cells.columns([cell for cell, _ in seen])
    heads = "".join(f'<th scope="col">{CHECK_NAMES[check]}</th>' for check in checks)
    rows = "".join(_cell_row(cell, there, checks) for cell, there in seen)
    return (
        f'<p class="quiet" id="cells">Cell by cell: what is other than in the first, all held against the same '
        f"golden. Figures are the share of its limit that the worst finding uses.</p>"
        f'<div class="scroll" tabindex="0" role="region" aria-labelledby="cells"><table class="cells">'
        f'<thead><tr><th scope="col">cell</th>{heads}</tr></thead><tbody>{rows}</tbody></table></div>{left_out}'
    )


def _cell_row(cell: Json, there: Json, checks: list[str]) -> str:
    put = {check["check"]: check for check in there["checks"]}
    drawn = "".join(
        f'<td class="{css(put[check]["outcome"])}">{svg(ruler_of(worst_finding(put[check]), put[check]["outcome"]))} '
        f"{word(put[check]['outcome'], in_short(put[check], there))}</td>"
        for check in checks
    )
    return f'<tr><th scope="row">{thin(text_of(cells.label(cell)))}</th>{drawn}</tr>'


def _pictures(reference: Json) -> str:
    """Echogram with impulse and grids, group delay, decay and lag, a plate for each path."""
    curves = reference["curves"]
    if reference.get("curves_left_out"):
        return (
            '<p class="quiet">Pictures are drawn of the worst references only; <code>reverdict gate BUILD --only NAME '
            "--report DIR</code> with this reference as NAME draws its own.</p>"
        )
    keys = ("echogram", "group_delay", "decay", "lag")
    paths = list(dict.fromkeys(curve["path"] for key in keys for curve in curves.get(key) or []))
    plates = []
    for number, path in enumerate(paths):
        identity = f"p{number}"
        delays = of_path(curves, "group_delay", path)
        impulse, grids = (next(iter(of_path(curves, key, path)), None) for key in ("impulse", "time_frequency"))
        pictures = [
            *(
                echogram_picture(f"{identity}-e{index}", one, delays, impulse, grids)
                for index, one in enumerate(of_path(curves, "echogram", path))
            ),
            group_delay_picture(f"{identity}-g", delays),
            decay_picture(f"{identity}-d", of_path(curves, "decay", path)),
            *(lag_picture(f"{identity}-l{index}", lag) for index, lag in enumerate(of_path(curves, "lag", path))),
        ]
        figures = "".join(figure_html(picture, path) for picture in pictures if picture)
        plates.append(f'<div class="plate">{figures}</div>' if figures else "")
    drawn = "".join(plates)
    of_main = f" All of the cell {cells.label(several[0])}." if (several := cells.cells_of(reference)) else ""
    said = f"Golden is the wide pale line, its tolerance the band, the build the thin dark line.{of_main}"
    key = f'<p class="quiet">{thin(text_of(said))}</p>'
    return f"{key}{drawn}" if drawn else ""


def _findings(reference: Json) -> str:
    rows = [(check, finding) for check in checks_worst_first(reference) for finding in worst_first(check["findings"])]
    if not rows:
        return '<p class="quiet">No findings: nothing was measured.</p>'
    columns = [aligned([_figures(finding)[index] for _, finding in rows]) for index in range(len(_NUMBERS))]
    lines = "".join(
        _finding_row(
            check, finding, [column[index] for column in columns], index == 0 or rows[index - 1][0] is not check
        )
        for index, (check, finding) in enumerate(rows)
    )
    numbers = "".join(f'<th scope="col" class="n">{name}</th>' for _, name in _NUMBERS)
    return (
        f"<details><summary>{_every(len(rows))}</summary>"
        f'<div class="scroll" tabindex="0" role="region" aria-labelledby="findings"><table class="findings">'
        f'<caption id="findings">Findings of <bdi>{text_of(reference["name"])}</bdi>, the worst first in each check. '
        f"Deviation is build minus golden; U is its expanded uncertainty (k = 2).</caption>"
        f'<thead><tr><th scope="col">finding</th><th scope="col">against its limit</th><th scope="col">outcome</th>'
        f'{numbers}<th scope="col">unit</th><th scope="col">reason</th></tr></thead><tbody>{lines}</tbody></table>'
        "</div></details>"
    )


def _every(number: int) -> str:
    return "The one finding" if number == 1 else f"All {number} findings"


_NUMBERS = (
    ("deviation", "deviation"),
    ("uncertainty", "± U"),
    ("tolerance", "limit"),
    ("golden", "golden"),
    ("candidate", "build"),
)


def _figures(finding: Json) -> list[str]:
    places = decimals(finding)
    return [
        figure(finding[key], places if key != "uncertainty" else _places_of(finding[key], places))
        for key, _ in _NUMBERS
    ]


def _places_of(uncertainty: float | None, places: int) -> int:
    """As many decimals as keep a small uncertainty from reading as none."""
    return max(places, min(9, -math.floor(math.log10(uncertainty)))) if uncertainty else places


def _finding_row(check: Json, finding: Json, figures: list[str], leads: bool) -> str:
    outcome = finding["outcome"]
    numbers = "".join(f'<td class="n">{written}</td>' for written in figures)
    mark = f' id="{_row_of(check)}" tabindex="-1"' if leads else ""
    return (
        f'<tr{mark}><th scope="row">{CHECK_NAMES[check["check"]]}: {thin(text_of(place(finding)))}</th>'
        f"<td>{svg(ruler_of(finding, outcome))}</td>"
        f"<td>{word(outcome, outcome)} {text_of(share(finding))}</td>{numbers}"
        f'<td class="u">{text_of(finding["unit"])}</td><td class="note">{text_of(finding["reason"])}</td></tr>'
    )


def _options(text: str) -> str:
    """Keep each option of a command together with its value, where a browser would break it at its hyphens."""
    return re.sub(r"(?<!\S)--[a-z][a-z-]*(?: [A-Z]+\b)?", r"<code>\g<0></code>", text)
