"""The page of ``reverdict sensitivity``, and its section on the dashboard: one static page without a script.

It opens with what slips through at any size, reference by reference; then every fault has its rule, what slips through
first. A pure function of ``sensitivity.json``.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from reverdict.report import look
from reverdict.report.pages.lone import lone_page
from reverdict.report.pictures.sensitivity import STYLE, key_svg_notes, rule_svg
from reverdict.report.wording.basics import plain, sentence
from reverdict.report.wording.sensitivity import about_slips, in_order, one_liner, told

Json = Mapping[str, Any]


def sensitivity_html(result: Json) -> str:
    """Give the page."""
    opening = "".join(
        f'<p class="said">{_text(sentence(one_liner(one), as_written=True))}</p>' for one in result["references"]
    )
    sections = "".join(_reference(one, number) for number, one in enumerate(result["references"]))
    return lone_page(
        "reverdict: what the tolerances catch",
        look.PAGE_STYLE + STYLE,
        f"<header><h1>reverdict: <b>what the tolerances catch</b></h1>{opening}</header>\n"
        f"<main>{reading_key()}{sections}</main>\n{_foot(result)}",
    )


def reading_key() -> str:
    """How to read the rules."""
    items = "".join(f"<li>{_text(note)}</li>" for note in key_svg_notes())
    return f'<ul class="key" aria-label="How to read the rules">{items}</ul>'


def faults_table(reference: Json) -> str:
    """Every fault of a reference with its rule, what slips through first."""
    rows = "".join(
        f'<tr><th scope="row">{_text(fault["fault"])}<span class="quiet">{_text(_what(fault))}</span></th>'
        f'<td class="drawn">{rule_svg(fault, reference)}</td><td>{_text(told(fault, reference))}</td></tr>'
        for fault in in_order(reference)
    )
    return f'<table class="faults"><tbody>{rows}</tbody></table>' if rows else ""


def _what(fault: Json) -> str:
    ways = " or ".join(plain(way) for way in fault["ways"])
    unit = "" if plain(fault["unit"]) in plain(fault["about"]) else plain(fault["unit"])
    return ", ".join(part for part in (plain(fault["about"]), ways, unit) if part)


def _reference(reference: Json, number: int) -> str:
    said = " ".join(about_slips(reference))
    title = f' <span class="quiet">{_text(reference["title"])}</span>' if reference["title"] else ""
    return (
        f'<section class="reference" aria-labelledby="r{number}"><h2 id="r{number}"><bdi>{_text(reference["name"])}'
        f'</bdi>{title}</h2><p class="said">{_text(said)}</p>{faults_table(reference)}</section>'
    )


def _foot(result: Json) -> str:
    return (
        "<footer><h2>Where this comes from</h2><dl><dt>by</dt>"
        f"<dd>reverdict {_text(result['suite_version'])}</dd><dt>again</dt><dd><code>reverdict sensitivity</code> "
        'with the same folders does what has changed</dd><dt>data</dt><dd><a href="sensitivity.json">'
        "sensitivity.json</a></dd></dl></footer>\n"
    )


def _text(value: object) -> str:
    return escape(plain(value))
