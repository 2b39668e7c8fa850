"""What every page of a board shares: head, content policy, stylesheet, script, foot.

The policy lets a page load the board's own files and nothing else: no request leaves, no markup of others runs.
Files beside the pages are named in the policy by 'self', which Chromium honours from disk and from a server alike; a
digest of a file is honoured from a server only, and a script inside every page would be there 300 times. Without
script, and without stylesheet, a page says the same.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from reverdict.page_folders import GENERATOR
from reverdict.report import look
from reverdict.report.pages.drift import STYLE as DRIFT_STYLE
from reverdict.report.pages.figures import STYLE as CLOSER_STYLE
from reverdict.report.pages.markup import text_of
from reverdict.report.pages.sounds import STYLE as SOUNDS_STYLE
from reverdict.report.pictures.cost import STYLE as COST_STYLE
from reverdict.report.pictures.sensitivity import STYLE as SENSE_STYLE
from reverdict.report.wording.basics import plain
from reverdict.report.wording.cost import machine_told

Json = Mapping[str, Any]

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; media-src 'self' blob:; "
    "base-uri 'none'; form-action 'none'"
)
SCRIPTS = ("board.js", "listen.js", "look-closer.js")
LIBRARY = ("uplot/uPlot.iife.min.js", "uplot/LICENSE")
"""The chart library, as others wrote it; ``look-closer.js`` loads it when it is first needed."""

_ASSETS = Path(__file__).with_name("assets")


def assets() -> dict[str, str]:
    """Files that the pages of a board load, by their place in its folder."""
    style = (
        look.INK_AND_PAPER
        + look.RULER_STYLE
        + look.CHART_STYLE
        + look.PAGE_STYLE
        + look.BOARD_STYLE
        + COST_STYLE
        + SENSE_STYLE
        + DRIFT_STYLE
        + SOUNDS_STYLE
        + _asset("uplot/uPlot.min.css")
        + CLOSER_STYLE
    )
    return {"assets/board.css": style, **{f"assets/{name}": _asset(name) for name in (*SCRIPTS, *LIBRARY)}}


def _asset(name: str) -> str:
    return (_ASSETS / name).read_text(encoding="utf-8")


def whole(title: str, outcome: str, body: list[str], root: str = "") -> str:
    """A whole page; ``root`` leads from it to the folder of the board ("../")."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n{GENERATOR}\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f'<link rel="icon" href="{_icon(outcome)}">\n<link rel="stylesheet" href="{root}assets/board.css">\n'
        + "".join(f'<script src="{root}assets/{name}" defer></script>\n' for name in SCRIPTS)
        + f"<title>{text_of(title)}</title>\n</head>\n<body>\n"
        + "\n".join(part for part in body if part)
        + "\n</body>\n</html>\n"
    )


def safe_name(name: str) -> str:
    """A file name for any name, the same in every run: the name itself where every system and address can hold it.

    Two names that differ never share one, in capitals neither.
    """
    plain_name = plain(name)
    if re.fullmatch(r"(?!(con|nul|aux|prn|com\d|lpt\d)$)[a-z0-9][a-z0-9_-]{0,59}", plain_name):
        return plain_name
    slug = re.sub(r"[^a-z0-9]+", "-", plain_name.lower()).strip("-")[:50]
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{slug}.{digest}" if slug else digest


def page_of(reference: Json) -> str:
    """Where the page of a reference lies in the folder of its verdict."""
    return f"references/{safe_name(str(reference['name']))}.html"


def foot(verdict: Json, root: str = "") -> str:
    """Where a verdict comes from, and how to have it again."""
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
        f'<dd><a href="{root}verdict.json">verdict.json</a>, <a href="{root}junit.xml">junit.xml</a>, '
        f'<a href="{root}summary.md">summary.md</a></dd></dl></footer>'
    )


def _machine(machine: Json) -> str:
    """Where costs were measured, in a line."""
    leads = {"counter": "counted by", "python": "Python"}
    told = [
        f"{value} cores" if key == "cores" else f"{leads.get(key, '')} {value}" for key, value in machine_told(machine)
    ]
    return ", ".join(one.strip() for one in told)


def _icon(outcome: str) -> str:
    """A ruler as the page's icon: the mark inside or outside the end."""
    place_px = {"pass": 8, "unsure": 12}.get(outcome, 14)
    drawn = (
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'><path d='M0 0h16v16H0z' fill='#faf7ef'/>"
        "<path d='M1 8h11M1 4v8M12 4v8' stroke='#1f1c18'/>"
        f"<circle cx='{place_px}' cy='8' r='2' fill='#123f66'/></svg>"
    )
    return f"data:image/svg+xml,{quote(drawn)}"
