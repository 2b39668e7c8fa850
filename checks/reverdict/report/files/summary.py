"""``summary.md``: the verdict for a merge request. Sentences first, then why, then a references × checks table.

Names and reasons are escaped, so that neither Markdown nor HTML in them takes effect, nobody is called by an "@" and no
address becomes a link.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from reverdict import words
from reverdict.report import cells, margin_ruler
from reverdict.report.ranking import not_reached, reached, references_worst_first, worst_finding
from reverdict.report.wording.basics import (
    CHECK_NAMES,
    CONDUCT_FAILED,
    about_unreached,
    figure,
    in_short,
    listed,
    plain,
    questions_not_put,
    reason_lines,
    sentence,
    share,
    shorten,
)
from reverdict.report.wording.cost import (
    about_counting,
    about_timing,
    details,
    in_percent,
    part,
    places_of,
    share_of,
    signed,
    stages_of,
    unit_of,
    whole_of,
)
from reverdict.report.wording.sentences import about_diagnosis, headline, opening

REFERENCES_EXPLAINED = 10
ROWS = 100
STAGES = 12

_WORD_JOINER = "\u2060"


def summary_md(verdict: Mapping[str, Any]) -> str:
    """Give the verdict as Markdown."""
    parts = [f"## {escape(headline(verdict))}", *(escape(paragraph) for paragraph in opening(verdict))]
    references = references_worst_first(verdict)
    kind = str(verdict["build"]["kind"])
    unwell = [reference for reference in references if _reasons(reference, kind)]
    parts += [_explained(reference, kind) for reference in unwell[:REFERENCES_EXPLAINED]]
    if len(unwell) > REFERENCES_EXPLAINED:
        parts.append(f"{len(unwell) - REFERENCES_EXPLAINED} more references are explained in index.html.")
    if references:
        parts.append(_table(references))
    parts += [_stages(reference) for reference in references[:REFERENCES_EXPLAINED] if stages_of(reference)]
    parts += [_cells(reference) for reference in references[:ROWS] if cells.cells_of(reference)]
    if remarks := [f"- {_name(one)}: {escape(remark)}" for one in references for remark in one.get("remarks", ())]:
        left_out = [f"- and {len(remarks) - ROWS} more in verdict.json"] if len(remarks) > ROWS else []
        parts.append("\n".join([*remarks[:ROWS], *left_out]))
    parts.append(_origin(verdict))
    return "\n\n".join(parts) + "\n"


def escape(text: object) -> str:
    """Make text safe in Markdown and in a table cell; it reads the same once rendered."""
    visible = plain(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    escaped = re.sub(r"([\\`*_{}\[\]#|~$])", r"\\\1", visible)
    escaped = re.sub(r"(?i)(\bwww)\.", r"\1\\.", escaped.replace("://", r"\://"))
    escaped = re.sub(r"^([-+])", r"\\\1", re.sub(r"^(\d+)([.)])", r"\1\\\2", escaped))  # neither starts a list
    return escaped.replace("@", f"@{_WORD_JOINER}")


def _reasons(reference: Mapping[str, Any], kind: str) -> list[tuple[Mapping[str, Any], list[str]]]:
    told = [(check, reason_lines(check, reference, kind)) for check in reached(reference)[0]]
    return [(check, [*lines, *questions_not_put(check)]) for check, lines in told if lines]


def _explained(reference: Mapping[str, Any], kind: str) -> str:
    blocks = [f"### {_name(reference)}", *(escape(said) for said in about_diagnosis(reference))]
    for check, lines in _reasons(reference, kind):
        word = check["outcome"] if check["outcome"] == "fail" or check["closes_gate"] else "unsure, accepted"
        blocks.append(f"**{CHECK_NAMES[check['check']]}: {word}**")
        blocks.append("\n".join(f"- {escape(line)}" for line in lines))
    if waiting := reached(reference)[1]:
        blocks += [escape(f"{sentence(said)[:-1]}: {CONDUCT_FAILED}.") for said in about_unreached(waiting, reference)]
    return "\n\n".join(blocks)


def _table(references: list[dict[str, Any]]) -> str:
    columns = cells.checks_of(references)
    rows = [
        f"| reference | {' | '.join(CHECK_NAMES[check] for check in columns)} |",
        f"|---|{'---|' * len(columns)}",
    ]
    for reference in references[:ROWS]:
        checks = {check["check"]: check for check in reference["checks"]}
        row = " | ".join(_cell(checks.get(check), check, reference) for check in columns)
        rows.append(f"| {_name(reference)} | {row} |")
    if len(references) > ROWS:
        rows.append(f"\n{len(references) - ROWS} more references stand in index.html.")
    return "\n".join(rows)


def _cell(check: Mapping[str, Any] | None, name: str, reference: Mapping[str, Any]) -> str:
    if check is None:
        return "missing" if name in words.CHECKS else "no table"
    if not_reached(check, reference):
        return "not reached"
    worst = worst_finding(check)
    drawn = margin_ruler.text(margin_ruler.ruler_of(worst, check["outcome"])).rstrip()
    told = [f"**{check['outcome']}**" if check["outcome"] == "fail" else check["outcome"]]
    if check["outcome"] == "not asked":
        told.append(escape(shorten(plain(check["reason"]), 80)))
    elif share(worst):
        told.append(share(worst))
    return f"`{drawn.strip()}`<br>{', '.join(part for part in told if part)}"


def _stages(reference: Mapping[str, Any]) -> str:
    """What a sample costs, stage by stage, the dearest first."""
    whole, stages, places = whole_of(reference), stages_of(reference), places_of(reference)
    rows = [f"| cost of {_name(reference)}, {escape(unit_of(reference))} | golden | build | change | share |"]
    rows.append("|---|--:|--:|--:|--:|")
    for one in stages[:STAGES]:
        numbers = [figure(one.golden, places), figure(one.candidate, places), signed(one.change, places)]
        told = [escape(shorten(one.name)), *numbers, share_of(one.candidate, whole.candidate)]
        rows.append(f"| {' | '.join(told)} |")
    if len(stages) > STAGES:
        rows.append(f"| {len(stages) - STAGES} more in verdict.json | | | | |")
    if whole.candidate is not None:
        percent = in_percent(whole.change, whole.golden)
        change = " ".join([signed(whole.change, places), f"({percent})" if percent else ""]).strip()
        rows.append(
            f"| whole | {figure(whole.golden, places)} | {figure(whole.candidate, places)} | {change} | 100 % |"
        )
    by = [about_counting(part(details(reference), "counted")), about_timing(part(details(reference), "timed"))]
    below = [escape(sentence("; ".join(said for said in by if said)))] if any(by) else []
    return "\n\n".join(["\n".join(rows), *below])


def _cells(reference: Mapping[str, Any]) -> str:
    """Cells of the render matrix × checks: the word, and the share of its limit that the worst finding uses."""
    told, unasked = cells.table(reference)
    left_out = [f"Not asked of {escape(listed(names))}: {escape(shorten(plain(why)))}." for why, names in unasked]
    if len(told) < 2:
        return "\n\n".join([f"{_name(reference)}:", *left_out])
    checks = cells.columns([cell for cell, _ in told])
    rows = [f"| cell of {_name(reference)} | {' | '.join(CHECK_NAMES[check] for check in checks)} |"]
    rows.append(f"|---|{'---|' * len(checks)}")
    for cell, there in told:
        put = {check["check"]: check for check in there["checks"]}
        words = (in_short(put[check], there).partition(" ") for check in checks)
        said = " | ".join(f"{f'**{word}**' if word == 'fail' else word} {rest}".strip() for word, _, rest in words)
        rows.append(f"| {escape(shorten(plain(cells.label(cell))))} | {said} |")
    return "\n\n".join(["\n".join(rows), *left_out])


def _name(reference: Mapping[str, Any]) -> str:
    return escape(shorten(plain(reference["name"])))


def _origin(verdict: Mapping[str, Any]) -> str:
    build = verdict["build"]
    told = [f"{build['kind']} build", f"commit {build['commit']}" if build["commit"] else "commit unknown"]
    if verdict["judged_at"]:
        told.append(f"judged {verdict['judged_at']}")
    if verdict["suite_version"]:
        told.append(f"reverdict {verdict['suite_version']}")
    if verdict.get("analysis_version"):
        told.append(f"analysis {verdict['analysis_version']}")
    return escape(shorten(plain(", ".join(told)), 300))
