"""Reports: pure functions of the verdict dict, and the one writer that puts them into a folder.

``margin_ruler`` is the figure all of them share; ``terminal`` prints, ``page`` is the dashboard, ``summary`` the text
of a merge request, ``junit`` what CI servers read, ``badge`` a small picture, ``verdict_json`` the data itself.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from reverdict import words
from reverdict.errors import BadInput


def write_report(verdict: words.Verdict, folder: Path) -> Path:
    """Write verdict.json, junit.xml, summary.md, index.html and badge.svg; give the path of index.html.

    The folder is made if need be. Each file is written beside its place and renamed, so no half page is ever seen.

    Raises
    ------
    BadInput
        The folder cannot be made or written to.
    """
    from reverdict.report.badge import badge_svg
    from reverdict.report.junit import junit_xml
    from reverdict.report.page import page_html
    from reverdict.report.summary import summary_md
    from reverdict.report.verdict_json import to_json

    judged = to_json(verdict)
    pages = {
        "verdict.json": json.dumps(judged, indent=1, ensure_ascii=False, allow_nan=False) + "\n",
        "junit.xml": junit_xml(judged),
        "summary.md": summary_md(judged),
        "badge.svg": badge_svg(judged),
        "index.html": page_html(judged),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in pages.items():
            _write(folder / name, content)
    except OSError as error:
        raise BadInput(folder, f"cannot write the report here ({error.strerror or error})") from error
    return folder / "index.html"


def _write(path: Path, content: str) -> None:
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        # A lone surrogate (a file name that is no UTF-8) cannot be encoded; as an escape it is still valid JSON.
        beside.write_bytes(content.encode("utf-8", "backslashreplace"))
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
