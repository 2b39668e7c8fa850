"""Reports: pure functions of the verdict dict, and the one writer that puts them into a folder.

Data flows one way here, too: ``data`` is what programs read; ``wording`` puts it into words; ``pictures`` draw;
``printed`` is what a terminal shows, ``files`` what CI services read, ``pages`` the dashboard and pages that stand
alone. All share what is read first (``ranking``), the cells of the render matrix (``cells``), the figure of the suite
(``margin_ruler``) and its colours (``look``).
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict import words
from reverdict.errors import BadInput
from reverdict.page_folders import LATE, is_our_page

if TYPE_CHECKING:
    from reverdict.choosing import Choice
    from reverdict.history.lines import History


def write_report(
    verdict: words.Verdict | Mapping[str, Any],
    folder: Path,
    sensitivity: Mapping[str, Any] | None = None,
    history: str = "",
) -> Path:
    """Write verdict.json, junit.xml, summary.md, badge.svg and the pages of a board; give the path of index.html.

    verdict : as judged, or as ``data.verdict.to_json`` gives it.
    The folder is made if need be, and pages of references that are gone are taken away. Each file is written beside its
    place and renamed, index.html last, so no half page is ever seen.
    ``sensitivity`` is what sensitivity.json holds of these references, for the dashboard to show, and ``history`` what
    ``pages.drift.drift_html`` gives.

    Raises
    ------
    BadInput
        The folder cannot be made or written to.
    """
    from reverdict.report.data.verdict import to_json
    from reverdict.report.pages.board import data, pages, with_pictures_of_the_worst
    from reverdict.report.pages.frame import assets

    judged = with_pictures_of_the_worst(to_json(verdict) if isinstance(verdict, words.Verdict) else verdict)
    files = {**data([judged]), **assets(), **pages(judged, sensitivity, history)}
    _write_all(folder, files)
    return folder / "index.html"


def write_board(verdicts: Sequence[Mapping[str, Any]], history: str, folder: Path) -> Path:
    """Write the board of some builds, a verdict each as verdict.json holds it, and give the path of index.html.

    Raises
    ------
    BadInput
        The folder cannot be made or written to.
    """
    from reverdict.report.pages.board import board, data

    _write_all(folder, {**data(verdicts), **board(verdicts, history)})
    return folder / "index.html"


def write_comparison(choice: Choice, verdicts: Mapping[str, words.Verdict], folder: Path) -> Path:
    """Write index.html, compare.json and summary.md, and each build's report in a folder of its own beside them.

    Raises
    ------
    BadInput
        The folder cannot be made or written to.
    """
    from reverdict.report.files.comparison import summary
    from reverdict.report.pages.comparison import page
    from reverdict.report.wording.comparison import as_json, folders

    places = folders(choice)
    for label, verdict in verdicts.items():
        write_report(verdict, folder / places[label])
    told = json.dumps(as_json(choice), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    _write_all(folder, {"compare.json": told, "summary.md": summary(choice), "index.html": page(choice)})
    return folder / "index.html"


def write_code_quality(issues: list[dict[str, Any]], folder: Path) -> None:
    """Write code-quality.json beside the report. Raises BadInput as ``write_report``."""
    _write_all(folder, {"code-quality.json": json.dumps(issues, indent=1, ensure_ascii=False) + "\n"})


def write_drift(history: History, within: float, folder: Path) -> Path:
    """Write drift.json and drift.html, and give the path of the page.

    Raises
    ------
    BadInput
        The folder cannot be made or written to.
    """
    from reverdict.report.pages.drift import page
    from reverdict.report.wording.drift import as_json

    told = json.dumps(as_json(history, within), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    _write_all(folder, {"drift.json": told, "drift.html": page(history, within)})
    return folder / "drift.html"


def write_sensitivity(result: Mapping[str, Any], folder: Path) -> Path:
    """Write the page of ``reverdict sensitivity`` and give its path.

    It is index.html, and sensitivity.html where the gate's dashboard has that name.

    Raises
    ------
    BadInput
        The folder cannot be made or written to.
    """
    from reverdict.report.pages.sensitivity import sensitivity_html

    name = "sensitivity.html" if (folder / "verdict.json").exists() else "index.html"
    _write_all(folder, {name: sensitivity_html(result)})
    return folder / name


def _write_all(folder: Path, pages: Mapping[str, str]) -> None:
    try:
        for name, content in pages.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            _write(folder / name, content)
        for page in folder.glob("references/*.html"):
            if f"references/{page.name}" not in pages and "index.html" in pages and is_our_page(page):
                page.unlink()
    except OSError as error:
        # Better none than one of an earlier build, or pages of both.
        for name in (*pages, *(LATE if "index.html" in pages else ())):
            with contextlib.suppress(OSError):
                (folder / name).unlink(missing_ok=True)
        raise BadInput(folder, f"cannot write the report here ({error.strerror or error})") from error


def _write(path: Path, content: str) -> None:
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        # A lone surrogate (a file name that is no UTF-8) cannot be encoded; as an escape it is still valid JSON.
        beside.write_bytes(content.encode("utf-8", "backslashreplace"))
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
