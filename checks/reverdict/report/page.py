"""``index.html``: the dashboard. One static page, no script, no outside request, a pure function of the verdict.

It opens with sentences, then shows references × checks as margin rulers (the worst reference first), then each
reference with why, its pictures and the full table of findings. It obeys a strict content policy, follows the reader's
light or dark setting, prints, and folds to the width of a phone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import quote

from reverdict import words
from reverdict.report import cells, look
from reverdict.report.cost_page import cost_html
from reverdict.report.cost_picture import STYLE as COST_STYLE
from reverdict.report.cost_words import machine_told
from reverdict.report.decay_picture import decay_picture
from reverdict.report.echogram_picture import echogram_picture
from reverdict.report.group_delay_picture import group_delay_picture
from reverdict.report.lag_picture import lag_picture
from reverdict.report.line_chart import Picture
from reverdict.report.margin_ruler import Ruler, ruler_of, svg
from reverdict.report.markup import aligned, text_of, thin
from reverdict.report.ranking import (
    checks_worst_first,
    not_reached,
    reached,
    references_worst_first,
    worst_finding,
    worst_first,
)
from reverdict.report.sensitivity_page import faults_table, reading_key
from reverdict.report.sensitivity_picture import STYLE as SENSE_STYLE
from reverdict.report.sensitivity_words import about_slips
from reverdict.report.sentences import ERRORS_SPOKEN_OF, about_reference, headline, opening
from reverdict.report.wording import (
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
    tally,
    unreached,
)

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"

Json = Mapping[str, Any]


def page_html(verdict: Json, sensitivity: Json | None = None) -> str:
    """Give the dashboard page. ``sensitivity`` is what sensitivity.json holds of these references, if there is one."""
    references = references_worst_first(verdict)
    anchors = _anchors(references)
    body = [
        '<a class="skip" href="#references">Skip to the references</a>',
        f"<header>{_heading(verdict)}{_said(opening(verdict))}</header>",
        f'<main id="references" tabindex="-1">{_errors(verdict)}',
        _overview(references, anchors, verdict) if references else "",
        *(_reference(one, anchors[index], verdict, _of(one, sensitivity)) for index, one in enumerate(references)),
        f"</main>{_foot(verdict)}",
    ]
    style = (
        look.INK_AND_PAPER
        + look.RULER_STYLE
        + look.CHART_STYLE
        + look.PAGE_STYLE
        + (COST_STYLE if any(one.get("cost") for one in references) else "")
        + (SENSE_STYLE if sensitivity else "")
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f'<link rel="icon" href="{_icon(verdict)}">\n'
        f"<title>{text_of(headline(verdict))}</title>\n<style>{style}</style>\n</head>\n<body>\n"
        + "\n".join(part for part in body if part)
        + "\n</body>\n</html>\n"
    )


def _heading(verdict: Json) -> str:
    who, _, outcome = headline(verdict).rpartition(": ")
    return f"<h1>reverdict on <b><bdi>{text_of(who)}</bdi></b>: {_word(verdict['outcome'], outcome)}</h1>"


def _said(paragraphs: Iterable[str]) -> str:
    return "".join(f'<p class="said">{thin(text_of(paragraph))}</p>' for paragraph in paragraphs)


def _errors(verdict: Json) -> str:
    """The errors that the opening sentences had no room for."""
    items = "".join(f"<li>{text_of(error)}</li>" for error in verdict["errors"][ERRORS_SPOKEN_OF:])
    return f'<h2>Further errors</h2><ul class="why">{items}</ul>' if items else ""


def _overview(references: list[dict[str, Any]], anchors: list[str], verdict: Json) -> str:
    heads = "".join(f'<th scope="col" role="columnheader">{CHECK_NAMES[check]}</th>' for check in words.CHECKS)
    rows = "".join(_overview_row(reference, anchors[index]) for index, reference in enumerate(references))
    return (
        f'{_key()}<table class="overview" role="table"><caption>Checks: {tally(verdict)}. Each rule shows the '
        f'worst finding of a check, the worst reference first.</caption><thead role="rowgroup"><tr role="row">'
        f'<th scope="col" role="columnheader">reference</th>{heads}</tr></thead>'
        f'<tbody role="rowgroup">{rows}</tbody></table>'
    )


def _key() -> str:
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


def _overview_row(reference: Json, anchor: str) -> str:
    name, title = plain(reference["name"]), plain(reference["title"])
    below = f'<span class="title">{text_of(shorten(title))}</span>' if title and title != name else ""
    checks = {check["check"]: check for check in reference["checks"]}
    cells = "".join(_overview_cell(checks.get(check), check, anchor, reference) for check in words.CHECKS)
    link = f'<a href="#{anchor}"><bdi>{text_of(shorten(name))}</bdi></a>'
    return f'<tr role="row"><th scope="row" role="rowheader">{link}{below}</th>{cells}</tr>'


def _overview_cell(check: Json | None, name: str, anchor: str, reference: Json) -> str:
    label = f'<span class="check">{CHECK_NAMES[name]}</span>'
    if check is None:
        missing = f'<span class="blank">{label}<span class="told">missing</span></span>'
        return f'<td role="cell" class="not-asked">{missing}</td>'
    worst, outcome = worst_finding(check), check["outcome"]
    where = place(worst) if worst else ""
    told = _told(check)
    if not_reached(check, reference):
        told, where = _word("unsure", "not reached"), "conduct failed"
    elif outcome == "not asked" or not where:
        where = plain(check["reason"])
    return (
        f'<td role="cell" class="{_css(outcome)}"><a href="#{anchor}-{name}">{label}'
        f"{svg(ruler_of(worst, outcome))}"
        f'<span class="told">{told}</span>'
        f'<span class="where">{thin(text_of(shorten(where, 90)))}</span></a></td>'
    )


def _of(reference: Json, sensitivity: Json | None) -> str:
    """What the tolerances of a reference catch, folded; nothing where that was not searched."""
    known = [one for one in (sensitivity or {}).get("references", ()) if one["name"] == reference["name"]]
    if not known:
        return ""
    said = "".join(f"<p>{thin(text_of(sentence))}</p>" for sentence in about_slips(known[0]))
    return (
        f"<details><summary>What these tolerances catch, and what slips through</summary>{said}{reading_key()}"
        f"{faults_table(known[0])}</details>"
    )


def _reference(reference: Json, anchor: str, verdict: Json, sensitivity: str) -> str:
    kind = str(verdict["build"]["kind"])
    name, title = plain(reference["name"]), plain(reference["title"])
    below = f' <span class="quiet">{text_of(title)}</span>' if title and title != name else ""
    said = " ".join([*about_reference(reference), *(sentence(plain(one)) for one in reference.get("remarks", ()))])
    put, waiting = reached(reference)
    checks = "".join(_check(check, reference, anchor, kind) for check in put) + _not_reached(waiting, reference, anchor)
    return (
        f'<section class="reference" id="{anchor}" aria-labelledby="{anchor}-h">'
        f'<h2 id="{anchor}-h"><bdi>{text_of(name)}</bdi>{below}</h2><p class="said">{thin(text_of(said))}</p>'
        f'<div class="checks">{checks}</div>{_cells(reference, anchor)}{_pictures(reference, anchor)}'
        f"{cost_html(reference, anchor, verdict.get('machine') or {})}"
        f"{_findings(reference, anchor)}{sensitivity}</section>"
    )


def _not_reached(checks: list[dict[str, Any]], reference: Json, anchor: str) -> str:
    """One row for all the checks that conduct kept from being put."""
    if not checks:
        return ""
    names = listed(f'<span id="{anchor}-{check["check"]}">{CHECK_NAMES[check["check"]]}</span>' for check in checks)
    where = unreached(checks[0], reference)
    return (
        f'<div class="check-row unsure"><h3>{names}</h3><div>{svg(Ruler("unsure"))}</div>'
        f'<div class="told">{_word("unsure", where)}</div><ul class="why"><li>conduct failed</li></ul></div>'
    )


def _check(check: Json, reference: Json, anchor: str, kind: str) -> str:
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
        f'<div class="check-row {_css(outcome)}" id="{anchor}-{check["check"]}"><h3>{CHECK_NAMES[check["check"]]}</h3>'
        f"<div>{svg(ruler_of(worst, outcome))}</div>"
        f'<div class="told">{_told(check)}</div><ul class="why">{items}</ul></div>'
    )


def _cells(reference: Json, anchor: str) -> str:
    """Cells of the render matrix × checks, a small ruler each; nothing where there is one cell only."""
    told, unasked = cells.table(reference)
    left_out = "".join(
        f'<p class="quiet">Not asked of {thin(text_of(listed(names)))}: {thin(text_of(why))}.</p>'
        for why, names in unasked
    )
    if len(told) < 2:
        return left_out
    checks = cells.columns([cell for cell, _ in told])
    heads = "".join(f'<th scope="col">{CHECK_NAMES[check]}</th>' for check in checks)
    rows = "".join(_cell_row(cell, there, checks) for cell, there in told)
    return (
        f'<p class="quiet" id="{anchor}-m">Cell by cell: what is other than in the first, all held against the same '
        f"golden. Figures are the share of its limit that the worst finding uses.</p>"
        f'<div class="scroll" tabindex="0" role="region" aria-labelledby="{anchor}-m"><table class="cells">'
        f'<thead><tr><th scope="col">cell</th>{heads}</tr></thead><tbody>{rows}</tbody></table></div>{left_out}'
    )


def _cell_row(cell: Json, there: Json, checks: list[str]) -> str:
    put = {check["check"]: check for check in there["checks"]}
    drawn = "".join(
        f'<td class="{_css(put[check]["outcome"])}">{svg(ruler_of(worst_finding(put[check]), put[check]["outcome"]))} '
        f"{_word(put[check]['outcome'], in_short(put[check], there))}</td>"
        for check in checks
    )
    return f'<tr><th scope="row">{thin(text_of(cells.label(cell)))}</th>{drawn}</tr>'


def _pictures(reference: Json, anchor: str) -> str:
    """Echogram, group delay, decay and lag, a plate for each path."""
    curves = reference["curves"]
    echograms, delays, decays, lags = (curves.get(key) or [] for key in ("echogram", "group_delay", "decay", "lag"))
    paths = list(dict.fromkeys(curve["path"] for curve in [*echograms, *delays, *decays, *lags]))
    plates = []
    for number, path in enumerate(paths):
        identity = f"{anchor}-p{number}"
        own_delays = [curve for curve in delays if curve["path"] == path]
        own_echograms = [curve for curve in echograms if curve["path"] == path]
        pictures = [
            *(echogram_picture(f"{identity}-e{index}", one, own_delays) for index, one in enumerate(own_echograms)),
            group_delay_picture(f"{identity}-g", own_delays),
            decay_picture(f"{identity}-d", [curve for curve in decays if curve["path"] == path]),
            *(lag_picture(f"{identity}-l{index}", lag) for index, lag in enumerate(lags) if lag["path"] == path),
        ]
        figures = "".join(_figure(picture, path) for picture in pictures if picture)
        plates.append(f'<div class="plate">{figures}</div>' if figures else "")
    drawn = "".join(plates)
    of_main = f" All of the cell {cells.label(several[0])}." if (several := cells.cells_of(reference)) else ""
    said = f"Golden is the wide pale line, its tolerance the band, the build the thin dark line.{of_main}"
    key = f'<p class="quiet">{thin(text_of(said))}</p>'
    return f"{key}{drawn}" if drawn else ""


def _figure(picture: Picture, path: str) -> str:
    said = f"{plain(path)}: {picture.said}." if path else f"{picture.said}."
    return f"<figure>{picture.svg}<figcaption>{thin(text_of(said))}</figcaption></figure>"


def _findings(reference: Json, anchor: str) -> str:
    rows = [(check, finding) for check in checks_worst_first(reference) for finding in worst_first(check["findings"])]
    if not rows:
        return '<p class="quiet">No findings: nothing was measured.</p>'
    columns = [aligned([_figures(finding)[index] for _, finding in rows]) for index in range(len(_NUMBERS))]
    lines = "".join(
        _finding_row(check, finding, [column[index] for column in columns])
        for index, (check, finding) in enumerate(rows)
    )
    numbers = "".join(f'<th scope="col" class="n">{name}</th>' for _, name in _NUMBERS)
    return (
        f"<details><summary>{_every(len(rows))}</summary>"
        f'<div class="scroll" tabindex="0" role="region" aria-labelledby="{anchor}-c"><table class="findings">'
        f'<caption id="{anchor}-c">Findings of <bdi>{text_of(reference["name"])}</bdi>, the worst first in each check. '
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


def _finding_row(check: Json, finding: Json, figures: list[str]) -> str:
    outcome = finding["outcome"]
    numbers = "".join(f'<td class="n">{written}</td>' for written in figures)
    return (
        f'<tr><th scope="row">{CHECK_NAMES[check["check"]]}: {thin(text_of(place(finding)))}</th>'
        f"<td>{svg(ruler_of(finding, outcome))}</td>"
        f"<td>{_word(outcome, outcome)} {text_of(share(finding))}</td>{numbers}"
        f'<td class="u">{text_of(finding["unit"])}</td><td class="note">{text_of(finding["reason"])}</td></tr>'
    )


def _foot(verdict: Json) -> str:
    build = verdict["build"]
    told = (
        ("build", f"{build['name']} {build['version']}"),
        ("about", build["about"]),
        ("kind", build["kind"]),
        ("commit", build["commit"] or "unknown"),
        ("judged", verdict["judged_at"] or "no time given"),
        ("by", f"reverdict {verdict['suite_version']}".strip()),
        ("analysis", verdict.get("analysis_version") and str(verdict["analysis_version"])),
        ("machine", _machine(verdict.get("machine") or {})),
    )
    lines = "".join(f"<dt>{key}</dt><dd><bdi>{text_of(value)}</bdi></dd>" for key, value in told if value)
    return (
        f"<footer><h2>Where this comes from</h2><dl>{lines}<dt>again</dt>"
        "<dd><code>reverdict gate BUILD --report DIR</code> with the TOML file of this build as BUILD; "
        "<code>--only NAME</code> judges one reference alone</dd><dt>data</dt>"
        '<dd><a href="verdict.json">verdict.json</a>, <a href="junit.xml">junit.xml</a>, '
        '<a href="summary.md">summary.md</a></dd></dl></footer>'
    )


def _machine(machine: Json) -> str:
    """Where costs were measured, in a line."""
    leads = {"counter": "counted by", "python": "Python"}
    told = [
        f"{value} cores" if key == "cores" else f"{leads.get(key, '')} {value}" for key, value in machine_told(machine)
    ]
    return ", ".join(one.strip() for one in told)


def _icon(verdict: Json) -> str:
    """A ruler as the page's icon: the mark inside or outside the end."""
    place_px = {"pass": 8, "unsure": 12}.get(verdict["outcome"], 14)
    drawn = (
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'><path d='M0 0h16v16H0z' fill='#faf7ef'/>"
        "<path d='M1 8h11M1 4v8M12 4v8' stroke='#1f1c18'/>"
        f"<circle cx='{place_px}' cy='8' r='2' fill='#123f66'/></svg>"
    )
    return f"data:image/svg+xml,{quote(drawn)}"


def _anchors(references: list[dict[str, Any]]) -> list[str]:
    """An address per reference that survives from run to run: its name where that is unambiguous."""
    anchors: list[str] = []
    for number, reference in enumerate(references, start=1):
        slug = re.sub(r"[^a-z0-9]+", "-", plain(reference["name"]).lower()).strip("-")[:60]
        anchor = f"at-{slug}" if slug else f"at-{number}"
        anchors.append(anchor if anchor not in anchors else f"{anchor}--{number}")
    return anchors


def _told(check: Json) -> str:
    """The word of a check and the share of its worst finding."""
    accepted = check["outcome"] == "unsure" and not check["closes_gate"]
    word = _word(check["outcome"], "unsure, accepted" if accepted else check["outcome"])
    used = share(worst_finding(check))
    return f"{word}, {text_of(used)}" if used else word


def _word(outcome: str, said: str) -> str:
    return f'<span class="word {_css(outcome)}">{text_of(said)}</span>'


def _css(outcome: str) -> str:
    return {"error": "fail"}.get(outcome, outcome.replace(" ", "-"))


def _options(text: str) -> str:
    """Keep each option of a command together with its value, where a browser would break it at its hyphens."""
    return re.sub(r"(?<!\S)--[a-z][a-z-]*(?: [A-Z]+\b)?", r"<code>\g<0></code>", text)
