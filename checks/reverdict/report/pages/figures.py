"""A picture on a page: the chart, its caption, the same in tables, and its numbers for those who look closer.

The numbers stand in an attribute, which no policy takes for a script; `look-closer.js` reads them, where it is run.
"""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Mapping
from html import escape
from typing import Any

import numpy as np

from reverdict.report.pages.markup import aligned, text_of, thin
from reverdict.report.pictures.line_chart import Picture, Table
from reverdict.report.wording.basics import plain

PACKED = ("golden", "build", "low", "high")
FEW = 8
FULL, NONE = 32767, -32768

STYLE = """
.look,.closer button,.closer select{font:inherit;font-size:.875rem;color:inherit;background:var(--paper);
 border:1px solid var(--soft);padding:.2rem .6rem;cursor:pointer}
.look{margin:.4rem 0 0}
.closer{margin:.6rem 0 0}
figure:has(.closer:not([hidden])){grid-column:1/-1;grid-row:auto;max-width:none}
figure:has(.closer) .chart{max-width:34rem}
.closer[hidden]{display:none}
.closer .tools{display:flex;flex-wrap:wrap;gap:.4rem;align-items:baseline;font-size:.875rem;margin:0 0 .6rem}
.closer .canvas{width:100%;min-height:320px;overflow:hidden;margin:0 0 .5rem}
.closer output{display:block;font-size:.875rem;min-height:1.5em;font-variant-numeric:tabular-nums}
.closer .quiet{margin:.3rem 0 0}
.closer .u-select{background:var(--build);opacity:.15}
.closer .u-hz .u-cursor-x,.closer .u-vt .u-cursor-y{border-right-color:var(--soft)}
.closer .u-hz .u-cursor-y,.closer .u-vt .u-cursor-x{border-bottom-color:var(--soft)}
:is(.look,.closer button,.closer select,.closer .canvas):focus-visible{outline:2px solid var(--build);
 outline-offset:2px}
@media print{.look,.closer{display:none}}
"""


def figure_html(picture: Picture, path: str) -> str:
    """A figure of one path (empty where there is only one)."""
    said = f"{plain(path)}: {picture.said}." if path else f"{picture.said}."
    numbers = f" data-curves='{_attribute(picture.closer)}'" if picture.closer else ""
    tall = ' class="tall"' if picture.tall else ""
    tables = "".join(_table(table) for table in picture.tables)
    folded = f"<details><summary>The same in figures</summary>{tables}</details>" if tables else ""
    return f"<figure{tall}{numbers}>{picture.svg}<figcaption>{thin(text_of(said))}</figcaption>{folded}</figure>"


def _attribute(closer: Any) -> str:
    """Numbers as JSON for an attribute in single quotes."""
    told = [
        {key: _packed(value) if key in PACKED else value for key, value in one.items() if value is not None}
        for one in closer
    ]
    written = json.dumps(told, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return escape(written, quote=False).replace("'", "&#39;")


def _packed(values: Any) -> Any:
    """Many numbers as 16 bits each, in base64 and in parts of the largest: half as long as written out."""
    if not isinstance(values, list) or len(values) < FEW:
        return values
    known = np.array([np.nan if value is None else value for value in values], dtype=float)
    largest = float(np.nanmax(np.abs(known), initial=0.0)) or 1.0
    parts = np.where(np.isnan(known), NONE, np.round(FULL * np.nan_to_num(known) / largest)).astype("<i2")
    return {"largest": largest, "parts": b64encode(parts.tobytes()).decode("ascii")}


def _table(table: Table) -> str:
    columns = [aligned([row[index] for row in table.rows]) for index in range(1, len(table.heads))]
    heads = "".join(f'<th scope="col"{_numeric(index)}>{text_of(head)}</th>' for index, head in enumerate(table.heads))
    rows = "".join(
        f'<tr><th scope="row">{thin(text_of(row[0]))}</th>'
        + "".join(f'<td class="n">{column[index]}</td>' for column in columns)
        + "</tr>"
        for index, row in enumerate(table.rows)
    )
    return (
        f'<table class="figures"><caption>{thin(text_of(table.caption))}</caption>'
        f"<thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"
    )


def _numeric(index: int) -> str:
    return ' class="n"' if index else ""


def of_path(curves: Mapping[str, Any], key: str, path: str) -> list[Mapping[str, Any]]:
    """The curves of a kind that belong to one path."""
    return [curve for curve in curves.get(key) or [] if curve["path"] == path]
