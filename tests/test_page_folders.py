"""Folders that pages are written into: what is not ours is neither replaced nor taken away, what is ours makes room."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from conftest import Workspace
from fuzz_targets import old_verdict
from made_history import finding, run
from reverdict import report
from reverdict.command_line import main
from reverdict.history import runs
from reverdict.page_folders import COMPARISON, DRIFT, REPORT, SENSITIVITY, stranger, take_sounds_away

REFUSED = "is of no earlier report"
OURS = "globalThis.reverdictSounds = {};"


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def put(place: Path, content: str = "") -> Path:
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_text(content, encoding="utf-8")
    return place


def sounds_of(folder: Path, name: str) -> Path:
    """Sounds of a reference, as a report has them."""
    put(folder / "sounds" / name / "golden.flac", "of a golden")
    return put(folder / "sounds" / name / "sounds.js", OURS).parent


def heard(folder: Path) -> Path:
    """A report of one reference with sounds."""
    verdict = old_verdict("8-grids")
    name = sounds_of(folder, "one").name
    verdict["references"][0]["sounds"] = {
        "folder": f"sounds/{name}",
        "channels": 1,
        "cues": [],
        "candidate_db": None,
        "difference_db": None,
    }
    report.write_report({**verdict, "references": [{**verdict["references"][0], "sounds": {}}]}, folder)
    put(folder / "verdict.json", json.dumps(verdict))
    return folder


# What is not ours.


FOREIGN = [
    "sounds/kick.wav",
    "sounds/drums/kick.wav",
    "sounds/drums/golden.flac",
    "index.html",
    "verdict.json",
    "junit.xml",
    "summary.md",
    "prepare.log",
    "references/tank.html",
    "assets/board.js",
]


@pytest.mark.parametrize("name", FOREIGN)
def test_what_lies_where_a_report_would_is_left_alone(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / name, '{"mine": true}')
    before = files_in(tmp_path)
    assert main(["gate", str(tmp_path / "nope.toml"), "--report", str(tmp_path)]) == 2
    assert files_in(tmp_path) == before
    assert REFUSED in capsys.readouterr().err


def test_files_of_other_names_are_no_matter(tmp_path: Path) -> None:
    names = ["said.txt", "assets/photo.png", "references/list.txt", ".hidden", "sounds/.DS_Store", "kick.wav"]
    for name in names:
        put(tmp_path / name, "mine")
    assert main(["gate", str(tmp_path / "nope.toml"), "--report", str(tmp_path)]) == 2
    assert (tmp_path / "verdict.json").is_file()
    assert {(tmp_path / name).read_text(encoding="utf-8") for name in names} == {"mine"}


@pytest.mark.parametrize("names", [COMPARISON, SENSITIVITY, DRIFT])
def test_every_page_has_its_place(names: tuple[str, ...], tmp_path: Path) -> None:
    for name in names:
        file = put(tmp_path / name, "<title>My site</title>")
        assert stranger(tmp_path, names) == file
        put(file, "")  # holds nothing that could be lost
        assert stranger(tmp_path, names) is None
        file.unlink()


def test_a_history_is_not_drawn_over_a_page_of_others(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runs.keep(run(1, [finding("spring 1", 0.0)]), tmp_path / "runs")
    page = put(tmp_path / "out" / "drift.html", "<title>My site</title>")
    for _ in range(2):
        assert main(["drift", "--runs", str(tmp_path / "runs"), "--report", str(page.parent)]) == 2
    assert files_in(page.parent) == {"drift.html": b"<title>My site</title>"}
    assert REFUSED in capsys.readouterr().err
    page.unlink()
    for _ in range(2):
        assert main(["drift", "--runs", str(tmp_path / "runs"), "--report", str(page.parent)]) == 0


def test_a_comparison_is_not_written_over_a_page_of_others(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    builds = [str(workspace.build()), str(workspace.build(version="2"))]
    page = put(workspace.root / "out" / "1-player" / "index.html", "<title>My site</title>")
    arguments = ["compare", *builds, "--golden", str(workspace.golden), "--report", str(workspace.root / "out")]
    assert main(arguments) == 2
    assert str(page) in capsys.readouterr().err
    assert files_in(workspace.root / "out") == {"1-player/index.html": b"<title>My site</title>"}


# What is read.


def test_a_board_is_not_written_onto_what_it_shows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shown = heard(tmp_path / "shown")
    before = files_in(shown)
    for place in (shown, shown / "verdict.json"):
        assert main(["board", str(place), "--out", str(shown)]) == 2
        assert "is read by this command" in capsys.readouterr().err
    assert files_in(shown) == before
    for _ in range(2):  # where a board lies, too
        assert main(["board", str(shown), "--out", str(tmp_path / "board")]) == 0
        assert (tmp_path / "board" / "sounds" / "one" / "golden.flac").read_text() == "of a golden"


def test_parts_are_not_merged_onto_a_part(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    parts = [tmp_path / "p1", tmp_path / "p2"]
    for number, part in enumerate(parts, start=1):
        put(part / "verdict.json", json.dumps(old_verdict(f"6-part-{number}-of-2")))
    before = files_in(tmp_path)
    for place in (str(parts[0]), f"{parts[1]}/../p2"):
        assert main(["merge", *map(str, parts), "--report", place]) == 2
        assert "is read by this command" in capsys.readouterr().err
    assert files_in(tmp_path) == before


def test_a_report_is_not_written_among_takes_or_runs(
    workspace: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    takes = ["gate", str(workspace.takes), "--golden", str(workspace.golden)]
    for more in (["--report", str(workspace.takes)], ["--report", str(tmp_path / "r"), "--runs", str(tmp_path / "r")]):
        assert main([*takes, *more]) == 2
        assert "is read by this command" in capsys.readouterr().err
    assert not (tmp_path / "r").exists()


# What is ours.


@pytest.mark.parametrize("version", ["0-first", "8-grids"])
def test_reports_of_earlier_versions_make_room(version: str, tmp_path: Path) -> None:
    """There pages had no mark."""
    put(tmp_path / "verdict.json", json.dumps(old_verdict(version)))
    for name in ("index.html", "junit.xml", "summary.md", "badge.svg", "prepare.log"):
        put(tmp_path / name, "of an earlier version")
    gone, kept = sounds_of(tmp_path, "gone"), put(tmp_path / "sounds" / "kick.wav", "mine")
    put(tmp_path / "sounds" / "gone" / ".golden.flac.123.new", "half of it")
    assert main(["gate", str(tmp_path / "nope.toml"), "--report", str(tmp_path)]) == 2
    assert json.loads((tmp_path / "verdict.json").read_text())["outcome"] == "error"
    assert not gone.exists()
    assert kept.exists()


def test_what_was_cut_off_makes_room(tmp_path: Path) -> None:
    """Sounds come first: a run that was killed leaves them, or a folder of them, without a verdict."""
    sounds_of(tmp_path, "one")
    (tmp_path / "sounds" / "two").mkdir()
    assert stranger(tmp_path, REPORT) is None
    take_sounds_away(tmp_path)
    assert list(tmp_path.iterdir()) == []
