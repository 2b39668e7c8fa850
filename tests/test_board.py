"""reverdict board: reports and kept runs set out again as pages."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from reverdict.command_line import main
from reverdict.history.runs import keep
from reverdict.report import write_report
from reverdict.report.data.verdict import to_json, verdict_text
from reverdict.report.pages.board import PICTURES, with_pictures_of_the_worst
from test_report import HOSTILE, passing, tank, verdict_of, whole


def run(day: int, build: str = "workshop", version: str = "1.1") -> dict[str, Any]:
    verdict = to_json(verdict_of(passing(), tank()))
    return {
        **verdict,
        "judged_at": f"2026-11-{day:02d}T09:00:00Z",
        "build": {**verdict["build"], "name": build, "version": version},
    }


def test_a_report_is_set_out_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    index = write_report(whole(), tmp_path / "report")
    assert main(["board", str(index.parent), "--out", str(tmp_path / "board")]) == 0
    assert f"Dashboard: {tmp_path / 'board' / 'index.html'}" in capsys.readouterr().out
    for page in (page.relative_to(index.parent) for page in index.parent.rglob("*.html")):
        assert (tmp_path / "board" / page).read_bytes() == (index.parent / page).read_bytes()


def test_of_each_build_the_newest_run_is_shown(tmp_path: Path) -> None:
    for day, build, version in ((1, "a", "1"), (2, "a", "2"), (1, "b", "1"), (3, HOSTILE.replace("\ud800", ""), "3")):
        keep(run(day, build, version), tmp_path / "runs")
    assert main(["board", str(tmp_path / "runs"), "--out", str(tmp_path / "board")]) == 0
    index = (tmp_path / "board" / "index.html").read_text(encoding="utf-8")
    assert "3 builds: 3 fail." in index
    assert "Over releases" in index
    for link in re.findall(r'href="(build-[^"#]+)', index):
        assert (tmp_path / "board" / link).is_file()
    shown = json.loads((tmp_path / "board" / "build-a" / "verdict.json").read_text(encoding="utf-8"))
    assert shown["build"]["version"] == "2"


def test_a_run_that_is_there_twice_is_shown_once_with_its_pictures(tmp_path: Path) -> None:
    keep(run(1), tmp_path / "runs")
    (tmp_path / "report").mkdir()
    (tmp_path / "report" / "verdict.json").write_text(verdict_text(run(1)), encoding="utf-8")
    for order in (("runs", "report"), ("report", "runs")):
        assert main(["board", *(str(tmp_path / place) for place in order), "--out", str(tmp_path / "board")]) == 0
        index = (tmp_path / "board" / "index.html").read_text(encoding="utf-8")
        assert "Over releases" not in index
        assert '<svg class="chart"' in (tmp_path / "board" / "references" / "tank.html").read_text(encoding="utf-8")


def test_where_there_is_no_run_it_is_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "own.json").write_text("{}")
    assert main(["board", str(tmp_path), "--out", str(tmp_path / "board")]) == 2
    assert "no run that could be read; own.json: not a verdict of reverdict" in capsys.readouterr().err
    assert not (tmp_path / "board").exists()


def test_pictures_are_of_the_worst() -> None:
    references = [{**run(1)["references"][0], "name": f"room-{number}"} for number in range(PICTURES)]
    verdict = {**run(1), "references": [*references, {**run(1)["references"][1], "name": "zz"}]}
    kept = with_pictures_of_the_worst(verdict)["references"]
    assert sum("curves_left_out" in one for one in kept) == 1
    assert any(kept[-1]["curves"].values())


def test_a_list_of_numbers_stands_on_one_line_and_nothing_else_changes() -> None:
    verdict = run(1, HOSTILE + "[\n 1,\n 2\n]")
    text = verdict_text(verdict)
    assert json.loads(text) == verdict
    assert len(text.splitlines()) < len(json.dumps(verdict, indent=1).splitlines()) / 5
