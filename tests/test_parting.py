"""A run in parts: every reference in exactly one shard, and merged parts are what one run would have said."""

from __future__ import annotations

import json
import re
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from conftest import Workspace
from reverdict.command_line import main
from reverdict.errors import BadInput
from reverdict.merging import merged, read_part
from reverdict.parting import Shard, dealt, read_shard
from reverdict.report.data.verdict import json_schema
from reverdict.report.files.annotations import code_quality, log_lines

PAGES = ("junit.xml", "summary.md", "index.html", "badge.svg", "references/short.html")


@given(st.dictionaries(st.text(min_size=1, max_size=8), st.integers(1, 30), max_size=40), st.integers(1, 12))
def test_every_reference_is_in_one_shard_and_loads_are_near(loads: dict[str, int], count: int) -> None:
    shards = [dealt(loads, Shard(index, count)) for index in range(1, count + 1)]
    assert sorted(name for shard in shards for name in shard) == sorted(loads)
    totals = [sum(loads[name] for name in shard) for shard in shards]
    assert max(totals) - min(totals) <= max(loads.values(), default=0)


def test_the_order_in_which_references_are_found_does_not_matter() -> None:
    loads = {"a": 3, "b": 1, "c": 3, "d": 1, "e": 7}
    backwards = dict(reversed(loads.items()))
    assert dealt(loads, Shard(2, 3)) == dealt(backwards, Shard(2, 3)) == ("a", "b")


@pytest.mark.parametrize("text", ["0/3", "4/3", "1", "1/0", "-1/2", "a/b", "1/2/3", "1.5/2", "", "1/ 2"])
def test_what_is_no_shard_is_refused(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ValueError, match="is no shard; need i/n"):
        read_shard(text)
    with pytest.raises(SystemExit) as ended:
        main(["gate", "build.toml", f"--shard={text}"])
    assert ended.value.code == 2
    assert (
        f"argument --shard: {text!r} is no shard; need i/n with i from 1 to n, such as 2/4" in capsys.readouterr().err
    )


def gate(workspace: Workspace, build: Path, report: str, *more: str) -> int:
    return main(
        ["gate", str(build), "--golden", str(workspace.golden), "--report", str(workspace.root / report), *more]
    )


def merge(workspace: Workspace, *parts: str) -> int:
    folders = [str(workspace.root / part) for part in parts]
    return main(["merge", *folders, "--golden", str(workspace.golden), "--report", str(workspace.root / "merged")])


def verdict(workspace: Workspace, report: str) -> dict[str, Any]:
    told: dict[str, Any] = json.loads((workspace.root / report / "verdict.json").read_text(encoding="utf-8"))
    return told


def without_times(told: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in told.items() if key != "judged_at"}


@pytest.mark.parametrize("fault", ["", "silence"])
def test_merged_shards_are_what_one_run_says(
    workspace: Workspace, fault: str, capsys: pytest.CaptureFixture[str]
) -> None:
    build = workspace.faulty(fault, "short") if fault else workspace.build()
    status = gate(workspace, build, "whole")
    assert status == bool(fault)
    said = capsys.readouterr().out
    statuses = [gate(workspace, build, f"part-{index}", f"--shard={index}/2") for index in (1, 2)]
    assert statuses == ([0, 1] if fault else [0, 0])
    capsys.readouterr()
    assert merge(workspace, "part-2", "part-1") == status
    assert capsys.readouterr().out == said.replace("whole/index.html", "merged/index.html")
    whole, together = verdict(workspace, "whole"), verdict(workspace, "merged")
    assert list(together) == list(whole)
    assert without_times(together) == without_times(whole)
    for page in PAGES:
        texts = [(workspace.root / report / page).read_text(encoding="utf-8") for report in ("whole", "merged")]
        one, two = (re.sub(r"20\d\d-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\+00:00)?)?", "", text) for text in texts)
        assert one == two, page
    flac = sorted(path.relative_to(workspace.root / "whole") for path in (workspace.root / "whole").rglob("*.flac"))
    assert flac
    for path in flac:
        assert (workspace.root / "merged" / path).read_bytes() == (workspace.root / "whole" / path).read_bytes()


def test_a_part_says_that_it_is_no_verdict(workspace: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    assert gate(workspace, workspace.build(), "part", "--shard=1/2", "--checks=sound") == 0
    said = capsys.readouterr().out
    assert said.startswith("player 1, part of a run: pass\nThis is part of a run: 1 of 2 references, ")
    assert "Alone it is no verdict on the build." in said.replace("\n", " ")
    part = verdict(workspace, "part")["part"]
    assert (part["shard"], part["references"]) == ("1/2", ["long", "short"])
    assert part["checks"] == ["echo-timing", "group-delay", "energy-decay", "conduct"]
    (reference,) = verdict(workspace, "part")["references"]
    (cost,) = (check for check in reference["checks"] if check["check"] == "cost")
    assert cost["outcome"] == "not asked"
    assert "part of a run" in (workspace.root / "part" / "summary.md").read_text(encoding="utf-8")


def test_cost_in_a_job_of_its_own_is_needed_for_a_verdict(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    build = workspace.build()
    assert gate(workspace, build, "sound", "--checks=sound") == 0
    assert merge(workspace, "sound") == 2
    assert "long: cost and 1 more: in none of the parts given (sound); a part is missing" in capsys.readouterr().err
    assert verdict(workspace, "merged")["outcome"] == "error"
    assert verdict(workspace, "merged")["build"]["name"] == "player"
    # Cost is not asked of these references: of a part that asks nothing, nothing can be said, and it merges.
    assert gate(workspace, build, "cost", "--checks=cost") == 2
    assert verdict(workspace, "cost")["errors"] == ["nothing was asked of any reference in this part"]
    assert merge(workspace, "sound", "cost") == gate(workspace, build, "whole") == 0
    assert without_times(verdict(workspace, "merged")) == without_times(verdict(workspace, "whole"))


def test_an_empty_shard_is_no_pass_and_merges(workspace: Workspace) -> None:
    build = workspace.build()
    assert [gate(workspace, build, f"part-{index}", f"--shard={index}/3") for index in (1, 2, 3)] == [0, 0, 2]
    assert verdict(workspace, "part-3")["outcome"] == "error"
    assert verdict(workspace, "part-3")["errors"] == [
        "shard 3/3: holds no reference, there are 2; nothing was judged here"
    ]
    assert '<error message="shard 3/3' in (workspace.root / "part-3" / "junit.xml").read_text(encoding="utf-8")
    assert merge(workspace, "part-1", "part-2", "part-3") == 0
    assert verdict(workspace, "merged")["errors"] == []


@pytest.fixture(scope="module")
def halves() -> tuple[dict[str, Any], dict[str, Any]]:
    """Two parts with a reference each, as small as the schema allows."""
    parts = []
    for shard, name in (("1/2", "a"), ("2/2", "b")):
        checks = [
            {"check": check, "outcome": "pass", "reason": "", "closes_gate": False, "findings": []}
            for check in ("echo-timing", "group-delay", "energy-decay", "cost", "conduct")
        ]
        reference = {
            "name": name, "title": name, "outcome": "pass", "checks": checks, "diagnosis": [], "diagnosis_failed": "",
            "curves": {}, "cost": {}, "cells": [],
        }  # fmt: skip
        parts.append(
            {
                "schema": 1, "outcome": "pass", "judged_at": "2026-01-01T00:00:00+00:00", "suite_version": "1",
                "build": {"name": "w", "version": "1", "kind": "python", "commit": "c", "about": ""},
                "analysis_version": 3, "machine": {"class": "x86_64", "cores": 2 * len(parts)}, "errors": [],
                "part": {
                    "shard": shard, "checks": [check["check"] for check in checks], "references": ["a", "b"],
                    "golden_sha256": "g", "build_sha256": "b",
                },
                "references": [reference], "counts": {},
            }
        )  # fmt: skip
    first, second = parts
    return first, second


def test_a_machine_is_what_all_have_in_common(halves: Any) -> None:
    together = merged([("one", halves[0]), ("two", halves[1])])
    assert together["machine"] == {"class": "x86_64", "cores": None}
    assert (together["outcome"], together["counts"]["references"]["pass"]) == ("pass", 2)
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.validate(together, json_schema())


@pytest.mark.parametrize(
    ("keys", "value", "said"),
    [
        (("build", "commit"), "d", r"two: another build \(w 1, commit d, not w 1, commit c\) than in one"),
        (("part", "build_sha256"), "x", "two: another build file than in one; only parts of one run"),
        (("part", "golden_sha256"), "x", "two: other golden references than in one"),
        (("part", "references"), ["b"], "two: another selection of references than in one"),
        (("analysis_version",), 4, r"two: another analysis version \(4, not 3\) than in one"),
        (("suite_version",), "2", r"two: another suite version \(2, not 1\) than in one"),
        (("references", 0, "name"), "a", "two: holds a: echo-timing, as does one; give each part once"),
        (("references",), [], r"b: echo-timing and 4 more: in none of the parts given \(shard 1/2; shard 2/2\)"),
    ],
)
def test_parts_that_do_not_belong_together_are_refused_in_one_line(
    halves: Any, keys: Any, value: Any, said: str
) -> None:
    second = deepcopy(halves[1])
    place = second
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = value
    with pytest.raises(BadInput, match=said) as refused:
        merged([("one", halves[0]), ("two", second)])
    assert "\n" not in str(refused.value)


def test_parts_of_different_divisions_are_told(halves: Any) -> None:
    second = deepcopy(halves[1])
    second["part"]["shard"], second["references"][0]["name"] = "2/3", "a"
    with pytest.raises(BadInput, match=r"as does one; they are parts of different divisions \(shards 1/2, 2/3\)$"):
        merged([("one", halves[0]), ("two", second)])


def test_what_is_no_part_is_refused(workspace: Workspace, tmp_path: Path) -> None:
    for content, said in [
        ("no json", "no JSON that can be read"),
        ("[]", "not a verdict of reverdict gate"),
        ('{"schema": 1, "references": [], "errors": ["x.toml: slip"]}', "could not judge: x.toml: slip"),
        ('{"schema": 1, "references": [], "errors": []}', "is a whole run, no part of one"),
    ]:
        (tmp_path / "verdict.json").write_text(content, encoding="utf-8")
        with pytest.raises(BadInput, match=said):
            read_part(tmp_path)
    with pytest.raises(BadInput, match="no report; need a folder that gate --report wrote"):
        read_part(tmp_path / "none")
    assert gate(workspace, workspace.build(), "part", "--shard=1/2", f"--runs={tmp_path}") == 2


HOSTILE = {
    "name": "x%0A,y:z", "title": "", "outcome": "fail",
    "checks": [{
        "check": "conduct", "outcome": "fail", "closes_gate": True, "findings": [],
        "reason": "::error::\r\n::stop 100% <b>",
    }],
}  # fmt: skip


def test_annotations_keep_hostile_names_text() -> None:
    told = {"build": {"kind": "python"}, "errors": ["a\n::set-output name=x::y"], "references": [HOSTILE]}
    trouble, line = log_lines(told, "./golden/")
    assert trouble.startswith("::error file=golden,line=1,title=reverdict%3A cannot judge::a")
    head, _, said = line.removeprefix("::error ").partition("::")
    assert head == "file=golden/x%250A%2Cy%3Az/reference.toml,line=1,title=x%250A%2Cy%3Az%3A conduct%3A fail"
    assert "100%25 <b>" in said
    assert not set("\r\n") & set(trouble + line)
    first, second = code_quality(told, "golden")
    assert (second["location"]["path"], second["severity"]) == ("golden/x%0A,y:z/reference.toml", "major")
    assert first["fingerprint"] != second["fingerprint"]


def test_a_log_that_is_read_for_commands_takes_none_from_names(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    workspace.edit('title = "the short spring"', 'title = "::warning::hello"')
    assert gate(workspace, workspace.faulty("silence", "short"), "report", "--annotations=log") == 1
    lines = capsys.readouterr().out.splitlines()
    token = lines[0].removeprefix("::stop-commands::")
    assert len(token) == 32
    end = lines.index(f"::{token}::")
    assert any("::warning::hello" in line for line in lines[1:end])
    assert lines[end + 1 :]
    assert all(re.match(r"::error file=\S*/golden/short/reference\.toml,", line) for line in lines[end + 1 :])
    assert gate(workspace, workspace.build(), "report", "--annotations=code-quality") == 0
    assert json.loads((workspace.root / "report" / "code-quality.json").read_text(encoding="utf-8")) == []


def test_a_log_gets_a_line_now_and_then(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    import sys

    from reverdict.commands import console

    now = [100.0]
    monkeypatch.setattr(console.time, "monotonic", lambda: now[0])
    progress = console.Progress(sys.stderr)
    for number in range(1, 101):
        progress.show(f"{number} of 100")
        now[0] += 1
    assert capsys.readouterr().err.splitlines() == [f"reverdict: {number} of 100" for number in (1, 21, 41, 61, 81)]
