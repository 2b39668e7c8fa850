"""The search on judges whose thresholds are known; results that survive a kill; the command, its table and its page."""

from __future__ import annotations

import json
import math
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import validate

from conftest import RATE_HZ, Workspace, once
from reverdict import golden_set, sensitivity, trial
from reverdict.command_line import main
from reverdict.faults import Catalogue, Fault, Heard
from reverdict.golden_set import writing
from reverdict.measure.measurement import measure
from reverdict.report import write_sensitivity
from reverdict.report.data.sensitivity import json_schema
from reverdict.report.pages.sensitivity import sensitivity_html
from reverdict.report.pictures.sensitivity import place, rule_svg, stretches
from reverdict.report.printed import sensitivity as sensitivity_terminal
from reverdict.report.wording import sensitivity as sensitivity_words
from reverdict.searching import GATE, Outcomes, edge, search
from reverdict.sensitivity import RESULTS_FILE, record
from reverdict.sound import write_sound
from reverdict.words import PATHS, Outcome, Response

PASS, UNSURE, FAIL, NOT_ASKED = Outcome.PASS, Outcome.UNSURE, Outcome.FAIL, Outcome.NOT_ASKED
REVERDICT = [sys.executable, "-m", "reverdict"]
GOLDEN = Path(__file__).parents[1] / "golden"


def scaled(mild: float, grave: float, **more: Any) -> Fault:
    return Fault("a fault", "something moved", "ms", mild, grave, lambda one, by: one.samples * by, **more)


def judged_by(unsure_from: float, fails_from: float) -> Callable[[float], Outcomes]:
    """A judge of two checks, one of which catches nothing, and one that is not asked."""

    def judge(size: float) -> Outcomes:
        said = FAIL if abs(size) >= fails_from else UNSURE if abs(size) >= unsure_from else PASS
        return {"echo-timing": said, "energy-decay": PASS, "group-delay": NOT_ASKED, GATE: said}

    return judge


# The search


@pytest.mark.parametrize("unsure_from", [0.0113, 0.7, 5.1])
def test_thresholds_are_found_to_a_tenth_with_few_judgements(unsure_from: float) -> None:
    fails_from = 1.6 * unsure_from
    tried = search(scaled(0.01, 10.0), judged_by(unsure_from, fails_from))
    for level, truth in ((UNSURE, unsure_from), (FAIL, fails_from)):
        assert truth <= (edge(tried, GATE, level).size or 0) <= 1.1 * truth
        assert not edge(tried, GATE, level).slips_again
        assert edge(tried, "energy-decay", level).size is None
        assert edge(tried, "group-delay", level).size is None
    assert len(tried) <= 22
    assert [one.size for one in tried] == sorted(one.size for one in tried)


def test_levels_are_halved_in_db_and_bits_one_by_one() -> None:
    def louder_than(threshold: float) -> Callable[[float], Outcomes]:
        return lambda db: {GATE: FAIL if db > threshold else PASS}

    found = edge(search(scaled(-120.0, 0.0, scale="linear"), louder_than(-66.3)), GATE, FAIL).size
    assert found is not None
    assert -66.3 < found <= -65.8

    def fewer_than(threshold: float) -> Callable[[float], Outcomes]:
        return lambda bits: {GATE: FAIL if bits < threshold else PASS}

    tried = search(scaled(24.0, 2.0, scale="linear", step=1.0), fewer_than(12))
    assert edge(tried, GATE, FAIL).size == 11
    assert all(one.size == round(one.size) for one in tried)


def test_small_whole_numbers_are_found_exactly() -> None:
    for truth in (2, 3, 7):
        assert edge(search(scaled(1.0, 49.0, step=1.0), judged_by(truth, truth)), GATE, FAIL).size == truth


def test_what_is_caught_at_the_mildest_size_says_so() -> None:
    found = edge(search(scaled(1.0, 100.0), judged_by(0.2, 0.3)), GATE, FAIL)
    assert (found.size, found.at_mildest) == (1.0, True)


def test_a_graver_fault_that_slips_through_again_is_told_and_not_passed_over() -> None:
    def judge(size: float) -> Outcomes:
        return {GATE: FAIL if size >= 0.1 and not 1.0 <= size <= 4.0 else PASS}

    found = edge(search(scaled(0.01, 10.0), judge), GATE, FAIL)
    assert found.size is not None
    assert 4.0 < found.size <= 4.4
    assert found.slips_again
    assert all(1.0 <= size <= 4.0 for size in found.slips_again)


def test_a_gravest_size_that_slips_through_outweighs_all_milder_ones_that_are_caught() -> None:
    found = edge(search(scaled(0.01, 10.0), lambda size: {GATE: FAIL if size < 5 else PASS}), GATE, FAIL)
    assert found.size is None
    assert 10.0 in found.slips_again


def test_of_two_ways_the_milder_outcome_counts_and_is_named() -> None:
    def judge(size: float) -> Outcomes:
        return {GATE: FAIL if size > 0.1 or size < -3.0 else PASS}

    tried = search(scaled(0.01, 10.0, ways=("later", "earlier")), judge)
    found = edge(tried, GATE, FAIL).size
    assert found is not None
    assert 3.0 < found <= 3.3
    assert {one.way for one in tried if 0.1 < one.size < 3.0} == {"earlier"}
    assert {one.way for one in tried if not 0.1 < one.size < 3.0} == {""}


def test_a_fault_that_one_check_stops_one_way_and_another_the_other_way_is_stopped_by_both() -> None:
    def judge(size: float) -> Outcomes:
        return {"echo-timing": FAIL if size > 1 else PASS, "energy-decay": FAIL if size < -1 else PASS,
                GATE: FAIL if abs(size) > 1 else PASS}  # fmt: skip

    fault = scaled(0.01, 10.0, ways=("later", "earlier"))
    told = record(fault, search(fault, judge))
    assert told["caught"]["echo-timing"]["stopped_from"] is None
    assert told["caught"]["gate"]["stopped_from"] <= 1.1
    assert sensitivity_words.first_to_catch(told) == ["echo-timing", "energy-decay"]


def test_a_fault_without_sizes_is_judged_once() -> None:
    tried = search(scaled(1.0, 1.0), judged_by(0.5, 0.5))
    assert [one.size for one in tried] == [1.0]


# Words, table, rules and page


def entry(*faults: dict[str, Any], **more: Any) -> dict[str, Any]:
    plain = {
        "name": "tank", "title": "A <tank>", "rate_hz": 48000, "key": "k", "complete": True, "why_none": "",
        "residual_db": [-82.0], "not_injected": [], "faults": list(faults),
    }  # fmt: skip
    return {**plain, **more}


def told_of(judge: Callable[[float], Outcomes], name: str = "delay line of spring 2", **more: Any) -> dict[str, Any]:
    fault = Fault(name, "something moved", "ms", 0.01, 10.0, lambda one, by: one.samples * by, **more)
    return record(fault, search(fault, judge))


def result(*entries: dict[str, Any]) -> dict[str, Any]:
    return {"schema": 1, "suite_version": "0", "references": list(entries)}


def test_sentences_tell_what_slips_through_first_then_what_is_caught_and_by_whom() -> None:
    caught = told_of(judged_by(0.1, 0.1))
    slips = told_of(judged_by(99, 99), "leak")
    late = told_of(judged_by(5, 5), "reflection", heard=Heard(1.0, "somebody"))
    said = sensitivity_words.about_reference(entry(caught, slips, late))
    assert said[0] == "Slips through at any size tried: leak (up to 10 ms (480 samples))."
    assert said[1].startswith("Slips through although it is heard: reflection below 5.")
    assert "heard from about 1 ms" in said[1]
    assert re.search(r"Smallest sizes caught by echo timing: delay line of spring 2 0\.10\d* ms", said[2])
    one_line = sensitivity_words.one_liner(entry(caught, slips))
    assert one_line == "tank: of 2 faults 1 slips through at any size: leak (up to 10 ms (480 samples))"
    order = sensitivity_words.in_order(entry(caught, late, slips))
    assert [one["fault"] for one in order] == ["leak", "reflection", "delay line of spring 2"]


def test_a_fault_that_slips_through_one_way_says_which() -> None:
    one_way = told_of(lambda size: {GATE: FAIL if size > 0.1 else PASS}, ways=("later", "earlier"))
    assert "when earlier" in sensitivity_words.told(one_way, entry(one_way))


def test_the_table_tells_unsure_from_fail_and_what_slips_again() -> None:
    def judge(size: float) -> Outcomes:
        said = FAIL if size >= 0.1 and not 1 <= size <= 4 else PASS
        return {"echo-timing": said, GATE: said}

    again = told_of(judge, "again")
    said = sensitivity_terminal.text(result(entry(told_of(judged_by(0.1, 1.0)), again)))
    row = next(line for line in said.splitlines() if line.strip().startswith("delay line") and " ms" in line)
    assert re.search(r"0\.10\d*\? 1\.0\d*", row)
    assert row.rstrip().endswith("echo timing")
    assert "~" in next(line for line in said.splitlines() if line.strip().startswith("again"))


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (0.0339, "0.034"),
        (1.0, "1"),
        (-66.09, "−66"),
        (1057.0, "1057"),
        (0.136, "0.136"),
        (4500.0, "4500"),
        (12.0, "12"),
        (0.001, "0.001"),
    ],
)
def test_sizes_are_written_short(value: float, written: str) -> None:
    assert sensitivity_words.number(value) == written


def test_a_rule_is_pale_where_it_slips_hatched_where_unsure_and_bare_where_it_fails() -> None:
    fault = told_of(judged_by(0.1, 1.0))
    runs = stretches(fault)
    assert [outcome for outcome, *_ in runs] == ["pass", "unsure", "fail"]
    assert runs[0][2] == pytest.approx(place(fault, fault["caught"]["gate"]["stopped_from"]))
    middle = place(fault, math.sqrt(0.01 * 10.0))
    assert middle == pytest.approx((place(fault, 0.01) + place(fault, 10.0)) / 2)
    drawn = rule_svg(fault, entry(fault))
    assert drawn.count('class="slip"') == 1
    assert re.findall(r'class="letter( fails)?"[^>]*>(\w)', drawn) == [("", "t"), (" fails", "t")]


def test_the_page_is_one_file_without_script_and_holds_no_foreign_markup() -> None:
    page = sensitivity_html(result(entry(told_of(judged_by(0.1, 1.0)), name="<b>tank</b>")))
    assert "<b>tank</b>" not in page
    assert "<script" not in page
    assert not re.search(r'(src|href)="https?:', page)


# The command


def few(names: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a search know these faults only; all of them take minutes."""
    whole = sensitivity.Subject.catalogue

    def some(self: sensitivity.Subject) -> Catalogue:
        found = whole(self)
        return Catalogue(tuple(one for one in found.faults if one.name in names), found.not_injected)

    monkeypatch.setattr(sensitivity.Subject, "catalogue", some)


def run(*arguments: object) -> int:
    try:
        return main([str(argument) for argument in arguments])
    except SystemExit as end:
        return int(end.code or 0)


def results(folder: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((folder / RESULTS_FILE).read_text(encoding="utf-8"))
    return content


FEW = ("gain", "latency", "channels")


@pytest.fixture
def dense(workspace: Workspace) -> Workspace:
    """The workspace with one more reference, "dense": noise that decays within 0.3 s, left and right."""
    time_s = np.arange(24000) / RATE_HZ
    samples = np.random.default_rng(5).standard_normal((2, time_s.size)) * 10.0 ** (-3 * time_s / 0.3)
    tables = {
        "title": "a small room",
        "origin": "build",
        "render": {"seconds": 0.5, "preroll_s": 0.05, "sample_rates_hz": [RATE_HZ], "block_sizes": [512]},
        "approval": {"who": "First ear", "build": "room 1", "why": "It is the room"},
        "echo_timing": {"springs": 0, "pass_law": "none", "passes": 0},
        "group_delay": {"not_asked": "no passes"},
        "cost": {"not_asked": "not asked of a room"},
    }
    response = Response(0.3 * samples, RATE_HZ, 0.0, PATHS["mono-to-stereo"])
    writing.new("dense", response, tables, workspace.golden)
    write_sound(workspace.takes / "dense.wav", response.samples, RATE_HZ)
    return workspace


def test_the_command_end_to_end_and_again(
    dense: Workspace, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    few(FEW, monkeypatch)
    measured_once = once(measure)
    for room in (sensitivity, trial):
        monkeypatch.setattr(room, "measure", measured_once)
    before = {path: path.read_bytes() for path in dense.golden.rglob("*") if path.is_file()}
    report = dense.root / "report"
    command = ("sensitivity", "--golden", dense.golden, "--only", "dense", "--report", report, "--jobs", 1)
    assert run(*command) == 0
    said = capsys.readouterr().out
    content = results(report)
    validate(content, json_schema())
    (found,) = content["references"]
    assert found["complete"]
    caught = {one["fault"]: one["caught"] for one in found["faults"]}
    assert set(caught) == set(FEW)
    # Tolerances of the workspace: 0.1 ms, which is 4.8 samples, and 0.5 dB.
    assert 4.8 <= caught["latency"]["echo-timing"]["stopped_from"] <= 1.3 * 4.8
    assert 0.5 <= caught["gain"]["energy-decay"]["fails_from"] <= 1.3 * 0.5
    assert caught["latency"]["group-delay"] is None
    assert "latency" in said
    assert f"Page: {report / 'index.html'}" in said
    assert {path: path.read_bytes() for path in dense.golden.rglob("*") if path.is_file()} == before

    # Again: nothing is judged anew. A changed tolerance: this reference is.
    monkeypatch.setattr(sensitivity, "_complete", lambda *_: pytest.fail("done twice"))
    assert run(*command) == 0
    monkeypatch.undo()
    for room in (sensitivity, trial):
        monkeypatch.setattr(room, "measure", measured_once)
    few(("gain",), monkeypatch)
    tolerances = dense.golden / "tolerances.toml"
    dense.edit("level_db = 0.5", "level_db = 2.0", tolerances)
    assert run(*command) == 0
    (again,) = results(report)["references"]
    assert [one["fault"] for one in again["faults"]] == ["gain"]
    assert 2.0 <= again["faults"][0]["caught"]["energy-decay"]["fails_from"] <= 1.3 * 2.0

    # The gate's dashboard shows it as long as it is of these references.
    build = dense.takes / "dense.wav"
    assert run("gate", build, "--golden", dense.golden, "--report", report) == 0
    assert "What these tolerances catch" in (report / "references" / "dense.html").read_text(encoding="utf-8")
    assert write_sensitivity(results(report), report).name == "sensitivity.html"
    dense.edit("level_db = 2.0", "level_db = 1.0", tolerances)
    assert sensitivity.current(report, golden_set.references(dense.golden)) is None


def test_a_golden_that_does_not_pass_beside_itself_says_so_and_gets_no_fault(
    workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    workspace.edit("springs = 1", "springs = 2")
    report = workspace.root / "report"
    assert run("sensitivity", "--golden", workspace.golden, "--only", "short", "--report", report) == 0
    assert "beside itself the golden does not pass: echo-timing" in capsys.readouterr().out
    assert results(report)["references"][0]["faults"] == []


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (
            lambda w: (w.root / "report").mkdir() or (w.root / "report" / RESULTS_FILE).write_text("{}"),
            "is no result of",
        ),
        (lambda w: (w.root / "report").write_text("here"), "is a file; the report needs a folder"),
        (lambda w: w.edit("passes = 3", "pases = 3"), "unknown key; did you mean passes?"),
        (lambda w: w.impulse().unlink(), "missing, but named in reference.toml"),
    ],
)
def test_bad_input_ends_with_status_2_and_a_line(
    workspace: Workspace, capsys: pytest.CaptureFixture[str], spoil: Callable[[Workspace], object], said: str
) -> None:
    spoil(workspace)
    assert run("sensitivity", "--golden", workspace.golden, "--report", workspace.root / "report") == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert said in captured.err
    assert "Traceback" not in captured.err


@pytest.mark.parametrize("more", [("--only", "nothing"), ("--jobs", "0"), ("--report", GOLDEN)])
def test_bad_arguments_end_with_status_2(tmp_path: Path, more: tuple[object, ...]) -> None:
    report = () if "--report" in more else ("--report", tmp_path)
    assert run("sensitivity", "--golden", GOLDEN, *report, *more) == 2


def test_the_format_of_results_is_printed_as_a_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("schema", "sensitivity") == 0
    assert json.loads(capsys.readouterr().out) == json_schema()


# Cut off


def waited(condition: Callable[[], bool], seconds: float = 240.0) -> None:
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "nothing came of it"
        time.sleep(0.05)


def finished(report: Path) -> list[dict[str, Any]]:
    """The faults that stand in the file, which must read at any moment."""
    if not (report / RESULTS_FILE).exists():
        return []
    references = results(report)["references"]
    return list(references[0]["faults"]) if references else []


@pytest.fixture
def searching(dense: Workspace) -> Iterator[Callable[[], subprocess.Popen[bytes]]]:
    started: list[subprocess.Popen[bytes]] = []

    def start() -> subprocess.Popen[bytes]:
        report = dense.root / "report"
        command = [
            *REVERDICT,
            "sensitivity",
            "--golden",
            dense.golden,
            "--only",
            "dense",
            "--report",
            report,
            "--jobs",
            "2",
        ]
        with (dense.root / "said").open("wb") as said:
            started.append(subprocess.Popen(command, stdout=said, stderr=said, start_new_session=True))
        return started[-1]

    yield start
    for one in started:
        one.kill()
        one.wait()


def members(session: int) -> list[int]:
    """Processes of a session that are still there."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                fields = (folder / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[3]) == session and fields[0] != "Z":
                found.append(int(folder.name))
    return found


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for left-over processes in /proc")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_cut_off_at_any_moment_it_goes_on_where_it_was(
    dense: Workspace, searching: Callable[[], subprocess.Popen[bytes]], how: signal.Signals
) -> None:
    report = dense.root / "report"
    process = searching()
    waited(lambda: len(finished(report)) >= 2)
    os.kill(process.pid, how)
    assert process.wait(30) in (-signal.SIGKILL, 130)
    waited(lambda: not members(process.pid), 30)
    kept = finished(report)
    assert not results(report)["references"][0]["complete"]

    # What is done is marked: done anew it would lose its mark.
    content = results(report)
    for one in content["references"][0]["faults"]:
        one["marked"] = True
    (report / RESULTS_FILE).write_text(json.dumps(content), encoding="utf-8")
    searching()
    waited(lambda: len(finished(report)) > len(kept))
    marked = [one["fault"] for one in finished(report) if one.get("marked")]
    assert marked == [one["fault"] for one in kept]
    left = [path.name for path in report.iterdir() if path.name != RESULTS_FILE]
    assert how is signal.SIGKILL or not left


# The demo


def as_markdown(content: dict[str, Any]) -> str:
    """The table of tests/README.md: size from which the gate stops a fault, and the checks that do."""
    names = [one["name"] for one in content["references"]]
    faults = {one["name"]: {fault["fault"]: fault for fault in one["faults"]} for one in content["references"]}
    rows = [["fault, unit", *names], ["---"] * (len(names) + 1)]
    for fault in dict.fromkeys(name for one in faults.values() for name in one):
        unit = next(one[fault]["unit"] for one in faults.values() if fault in one)
        cells = [stopped_from(one[fault]) if fault in one else "" for one in faults.values()]
        rows.append([f"{fault}, {unit}" if unit else fault, *cells])
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def stopped_from(fault: dict[str, Any]) -> str:
    gate = fault["caught"]["gate"]
    by = " ".join(one.rpartition("-")[2] for one in sensitivity_words.first_to_catch(fault)) or "slips through"
    if gate["stopped_from"] is None or sensitivity_words.sizeless(fault):
        return f"**{by}**" if gate["stopped_from"] is None else by
    signs = "?" * (gate["fails_from"] != gate["stopped_from"]) + "~" * bool(gate["slips_again_at"])
    return f"{'≤' * gate['at_mildest']}{sensitivity_words.number(gate['stopped_from'])}{signs} {by}"


@pytest.mark.slow
def test_what_the_demos_tolerances_catch(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Print the table of tests/README.md; sizes stand in proportion to the tolerances that catch them."""
    assert run("sensitivity", "--golden", GOLDEN, "--report", tmp_path) == 0
    content = results(tmp_path)
    with capsys.disabled():
        print(f"\n{as_markdown(content)}")
    validate(content, json_schema())
    in_proportion(content)


def in_proportion(content: dict[str, Any]) -> None:
    faults = {
        one["name"]: {fault["fault"]: fault["caught"] for fault in one["faults"]} for one in content["references"]
    }
    spring = faults["workshop-spring"]
    for number in (1, 2):
        # Its second pass takes three trips: a third of 0.1 ms moves it by the tolerance.
        assert 0.1 / 3 <= spring[f"delay line of spring {number}"]["echo-timing"]["stopped_from"] <= 1.3 * 0.1 / 3
        assert spring[f"polarity of spring {number}"]["echo-timing"]["fails_from"] is not None
    assert 4.8 <= spring["latency"]["gate"]["stopped_from"] <= 1.1 * 4.8
    assert 0.75 <= spring["gain"]["energy-decay"]["stopped_from"] <= 1.1 * 0.75
    # 2 % of any band; those that ring longer than the whole move by more than the whole does.
    assert 1.0 <= faults["workshop-hall"]["decay time"]["energy-decay"]["stopped_from"] <= 1.1 * 2.0
    for caught in faults.values():
        for name in ("wrong rate", "polarity"):
            assert caught[name]["gate"]["fails_from"] is not None


def test_a_reference_of_which_no_sound_is_asked_gets_no_fault(workspace: Workspace, tmp_path: Path) -> None:
    for table in ("echo_timing", "group_delay", "energy_decay", "conduct"):
        text = workspace.reference().read_text(encoding="utf-8")
        if f"[{table}]" in text:
            workspace.edit(f"[{table}]", f'[{table}]\nnot_asked = "not wanted"')
    assert run("sensitivity", "--golden", workspace.golden, "--only", "short", "--report", tmp_path / "r") == 0
    assert "nothing was asked" in results(tmp_path / "r")["references"][0]["why_none"]
