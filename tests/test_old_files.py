"""Files of earlier versions are read by everything that reads them; those of newer ones are refused in words."""

from __future__ import annotations

import json
import lzma
from pathlib import Path
from typing import Any

import pytest
from jsonschema import validate

from conftest import Workspace
from reverdict import report
from reverdict.choosing import choose
from reverdict.command_line import main
from reverdict.history import runs
from reverdict.phrases import of_another_version
from reverdict.report.data.verdict import SCHEMA, json_schema

FILES = sorted((Path(__file__).parent / "examples" / "verdicts").glob("*.json.xz"))
WHOLE = [file for file in FILES if "of-2" not in file.name]
PARTS = [file for file in FILES if "of-2" in file.name]


def content(file: Path) -> dict[str, Any]:
    return dict(json.loads(lzma.decompress(file.read_bytes())))


def laid_out(folder: Path, files: list[Path], **changed: Any) -> list[Path]:
    """The files as JSON, a release after the other, each of a version of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for number, file in enumerate(files):
        told = {**content(file), **changed}
        told["build"] = {**told["build"], "version": f"1.{number}"}
        written.append(folder / file.name.removesuffix(".xz"))
        written[-1].write_text(json.dumps(told), encoding="utf-8")
    return written


def test_there_is_a_file_of_each_change_of_the_format() -> None:
    """What a verdict holds today and did not at first came with one of them."""
    assert len(WHOLE) == 9
    assert len(PARTS) == 2
    first, last = content(WHOLE[0]), content(WHOLE[-1])
    assert not {"machine", "part", "analysis_version"} & set(first)
    assert not {"cells", "cost", "diagnosis", "golden_identity", "remarks", "sounds"} & set(first["references"][0])
    required = json_schema()["properties"]
    assert set(required) <= set(last)
    assert set(required["references"]["items"]["properties"]) <= set(last["references"][0])


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name.partition(".")[0])
def test_each_is_a_verdict_by_what_must_be_in_one(file: Path) -> None:
    schema = json_schema()
    # Diagnosis came two days after the first file, before anything was released.
    missing = {"diagnosis", "diagnosis_failed"}
    of_reference = schema["properties"]["references"]["items"]
    of_reference["required"] = [name for name in of_reference["required"] if name not in missing]
    validate(content(file), schema)


@pytest.mark.parametrize("file", WHOLE, ids=lambda file: file.name.partition(".")[0])
def test_each_is_a_run_and_makes_a_report(file: Path, tmp_path: Path) -> None:
    (written,) = laid_out(tmp_path / "runs", [file])
    run = runs.read(written)
    assert isinstance(run, dict), run
    page = report.write_report(run, tmp_path / "report")
    said = page.read_text(encoding="utf-8")
    assert "workshop-spring" in said
    assert {path.name for path in page.parent.iterdir()} >= {"verdict.json", "junit.xml", "summary.md", "badge.svg"}
    again = json.loads((page.parent / "verdict.json").read_text(encoding="utf-8"))
    assert again["counts"] == run["counts"]


def test_together_they_are_a_history(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    laid_out(tmp_path / "runs", WHOLE)
    assert main(["drift", "--runs", str(tmp_path / "runs"), "--json"]) in (0, 1)
    told = json.loads(capsys.readouterr().out)
    assert told["no_runs"] == []
    # The first two know no version of their analysis.
    assert [len(releases) for releases in told["releases"].values()] == [len(WHOLE) - 2]
    assert told["notes"] == ["2 runs of an older analysis stand apart and are not followed"]
    assert main(["board", str(tmp_path / "runs"), "--out", str(tmp_path / "board")]) == 0
    assert "workshop" in (tmp_path / "board" / "index.html").read_text(encoding="utf-8")


def test_together_they_can_be_chosen_among() -> None:
    choice = choose({file.name: content(file) for file in WHOLE})
    assert len(choice.candidates) == len(WHOLE)
    assert choice.taken == ""  # each has the fault


def test_parts_of_an_earlier_version_are_merged(tmp_path: Path) -> None:
    parts = laid_out(tmp_path, PARTS)
    for part in parts:  # one build, whatever its file
        told = json.loads(part.read_text(encoding="utf-8"))
        part.write_text(json.dumps({**told, "build": {**told["build"], "version": "1"}}), encoding="utf-8")
    assert main(["merge", *map(str, parts), "--report", str(tmp_path / "report")]) == 0
    merged = json.loads((tmp_path / "report" / "verdict.json").read_text(encoding="utf-8"))
    assert [one["name"] for one in merged["references"]] == ["workshop-hall", "workshop-spring"]


# From the other side.

NEWER = SCHEMA + 1


def test_a_newer_run_is_left_out_and_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    laid_out(tmp_path / "runs", WHOLE[-2:])
    laid_out(tmp_path / "newer", WHOLE[-1:], schema=NEWER)[0].rename(tmp_path / "runs" / "newer.json")
    assert main(["drift", "--runs", str(tmp_path / "runs"), "--json"]) in (0, 1)
    (left_out,) = json.loads(capsys.readouterr().out)["no_runs"]
    assert left_out["file"] == "newer.json"
    assert left_out["why"].startswith(f"schema {NEWER}, which a newer reverdict wrote; this one reads {SCHEMA}")


@pytest.mark.parametrize("command", ["drift --runs runs", "board runs --out board", "merge runs"])
def test_nothing_but_newer_files_is_refused_in_a_line(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    laid_out(tmp_path / "runs", PARTS[:1], schema=NEWER)[0].rename(tmp_path / "runs" / "verdict.json")
    monkeypatch.chdir(tmp_path)
    assert main(command.split()) == 2
    said = capsys.readouterr().err
    assert "which a newer reverdict wrote" in said
    assert len(said.splitlines()) <= 2
    assert {path.name for path in tmp_path.iterdir()} == {"runs"}


def test_newer_results_of_sensitivity_are_not_overwritten(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = workspace.root / "report" / "sensitivity.json"
    kept.parent.mkdir()
    kept.write_text('{"schema": 2, "references": []}', encoding="utf-8")
    command = ["sensitivity", "--golden", str(workspace.golden), "--report", str(kept.parent)]
    assert main(command) == 2
    assert "schema 2, which a newer reverdict wrote" in capsys.readouterr().err
    assert kept.read_text(encoding="utf-8") == '{"schema": 2, "references": []}'


def test_a_newer_reference_is_told_to_be_one(workspace: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    workspace.edit("schema = 1", "schema = 2")
    assert main(["golden", "verify", "--golden", str(workspace.golden)]) == 2
    assert "schema: need 1, got 2; a newer reverdict wrote it, update this one" in "".join(capsys.readouterr())


@pytest.mark.parametrize("schema", [None, "1", 0, True, 1.5])
def test_what_is_no_version_is_named(schema: object) -> None:
    assert of_another_version(schema, 1) == f"schema {schema!r}; this version reads 1"
    assert of_another_version(1, 1) == ""


def test_the_index_forgets_what_an_earlier_version_could_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    laid_out(tmp_path / "runs", WHOLE[-1:], schema=NEWER)
    assert main(["drift", "--runs", str(tmp_path / "runs")]) == 2
    monkeypatch.setattr(runs, "SCHEMA", NEWER)
    assert main(["drift", "--runs", str(tmp_path / "runs")]) in (0, 1)
    assert "newer" not in capsys.readouterr().out
