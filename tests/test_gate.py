"""The gate: what a build does to one reference stays there; what nobody can judge never reads as a pass."""

from __future__ import annotations

import json
import math
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree as ET

import jsonschema
import numpy as np
import pytest
import xdist.dsession

from conftest import RATE_HZ, Workspace, spring
from reverdict.check import conduct
from reverdict.command_line import main
from reverdict.commands import console
from reverdict.errors import BadInput
from reverdict.gate import _Watch, gate
from reverdict.report.data.verdict import json_schema
from reverdict.sound import read_sound, write_sound
from reverdict.words import CheckVerdict, Verdict

REPORT = ["assets", "badge.svg", "index.html", "junit.xml", "references", "sounds", "summary.md", "verdict.json"]


def outcomes(verdict: Verdict) -> dict[str, str]:
    return {reference.name: str(reference.outcome) for reference in verdict.references}


def check_of(verdict: Verdict, reference: str, check: str) -> CheckVerdict:
    (found,) = [one for one in verdict.references if one.name == reference]
    return next(one for one in found.checks if one.check == check)


def run_main(*arguments: str | Path) -> int:
    return main([str(argument) for argument in arguments])


def written(report: Path) -> dict[str, Any]:
    verdict: dict[str, Any] = json.loads((report / "verdict.json").read_text(encoding="utf-8"))
    return verdict


# What comes out, and its exit status.


def test_a_build_that_is_its_golden_passes_with_nothing_off(workspace: Workspace) -> None:
    verdict = gate(workspace.build(), workspace.golden)
    assert verdict.outcome == "pass"
    assert outcomes(verdict) == {"long": "pass", "short": "pass"}
    assert [check.check for check in verdict.references[0].checks] == [
        "echo-timing", "group-delay", "energy-decay", "cost", "conduct",
    ]  # fmt: skip
    arrivals = check_of(verdict, "short", "echo-timing").findings
    # The player's gain of 2 and ours of 1/2 leave rounding: far less than a nanosecond.
    assert [f.deviation for f in arrivals if f.quantity == "arrival"] == pytest.approx([0, 0, 0], abs=1e-6)
    assert check_of(verdict, "short", "cost").reason == "not asked of a player"


def test_a_build_that_departs_fails_and_names_what_is_off(workspace: Workspace, capsys: Any) -> None:
    build = workspace.build("[build.parameters]\ngain = 1.2")
    assert run_main("gate", build, "--golden", workspace.golden, "--only", "short") == 1
    said = capsys.readouterr().out
    assert said.startswith("player 1: fail\n")
    # 20 log10(1.2) = 1.58 dB, limit 0.5 dB.
    # Every band is off alike, so rounding decides which one is named first.
    assert "The build is 1.58 dB louder in every band." in said
    assert re.search(r"level, \d+ Hz: 1\.58 dB louder, limit 0\.50 dB", said)


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ("crash", "died by SIGSEGV (segmentation fault)"),
        ("nan", "31200 samples are not finite, first at sample 0 (0.000 s)"),
        ("silence", "output is silent (peak below −120 dB of the click)"),
        ("length", "process() returned shape (1, 511), needs (channels, 512)"),
        ("raise", "process() failed: ValueError: no such tap (player.py, line 25)"),
    ],
)
def test_what_a_build_does_in_one_reference_stays_there(workspace: Workspace, fault: str, reason: str) -> None:
    verdict = gate(workspace.faulty(fault, at="short"), workspace.golden)
    assert verdict.outcome == "fail"
    assert outcomes(verdict) == {"long": "pass", "short": "fail"}
    assert check_of(verdict, "short", "conduct").reason in (reason, f"output {reason}")
    for check in ("echo-timing", "group-delay", "energy-decay"):
        judged = check_of(verdict, "short", check)
        assert (str(judged.outcome), judged.closes_gate) == ("unsure", True)
        assert judged.reason == "nothing to measure: the build gave no usable output"


def test_a_build_that_hangs_is_stopped_and_the_others_go_on(workspace: Workspace) -> None:
    build = workspace.build('[build.parameters]\nfault = "hang"\nat = "short"\n[build.limits]\nseconds = 2')
    verdict = gate(build, workspace.golden)
    assert outcomes(verdict) == {"long": "pass", "short": "fail"}
    assert check_of(verdict, "short", "conduct").reason == "output did not finish within 2 s and was stopped"


COPY = "import shutil, sys; name, source, target = sys.argv[1:]; {body}"


def command_build(workspace: Workspace, body: str) -> Path:
    argv = [sys.executable, "-c", COPY.format(body=body), "{parameters.program}", "{input}", "{output}"]
    return workspace.build(kind="command", argv=argv)


@pytest.mark.usefixtures("undiagnosed")
def test_a_program_is_judged_like_any_build(workspace: Workspace) -> None:
    """It hands the click on: in time, yet no spring. One reference gets no file at all, the other one too short."""
    body = "name == 'short' or shutil.copy(source, target)"
    verdict = gate(command_build(workspace, body), workspace.golden)
    assert check_of(verdict, "short", "conduct").reason == "output wrote no output file"
    assert str(check_of(verdict, "long", "conduct").outcome) == "pass"
    assert str(check_of(verdict, "long", "echo-timing").outcome) == "fail"
    assert str(check_of(verdict, "long", "energy-decay").outcome) == "fail"


def test_a_parameter_that_a_reference_does_not_say_is_told_before_anything_is_rendered(
    workspace: Workspace, capsys: Any
) -> None:
    workspace.edit('program = "short"', "")
    body = f"open({str(workspace.root / 'ran')!r}, 'w')"
    argv = [sys.executable, "-c", COPY.format(body=body), "{parameters.program}{parameters.program}", "{input}{output}"]
    build = workspace.build("[build.parameters]\ngain = 1", kind="command", argv=[*argv, "{parameters.gain}"])
    assert run_main("gate", build, "--golden", workspace.golden) == 2
    assert capsys.readouterr().err.splitlines()[-1] == (
        f'reverdict: {workspace.reference()}: render.parameters: no "program", which build.argv of {build} asks for; '
        'write program = "…" under [render.parameters]'
    )
    assert not (workspace.root / "ran").exists()


def test_a_misspelt_parameter_of_the_build_itself_is_told_there(workspace: Workspace, capsys: Any) -> None:
    argv = [sys.executable, "-c", "pass", "{input}{output}", "{parameters.decay}"]
    build = workspace.build("[build.parameters]\ndecai = 3", kind="command", argv=argv)
    assert run_main("gate", build, "--golden", workspace.golden, "--only", "short") == 2
    assert capsys.readouterr().err.splitlines()[-1] == (
        f'reverdict: {build}: build.argv: asks for "decay", which nobody gives; is decai meant?'
    )


def test_every_reference_that_does_not_fit_the_build_is_named(workspace: Workspace) -> None:
    workspace.edit('program = "short"', "")
    workspace.edit('program = "long"', "", workspace.reference("long"))
    with pytest.raises(BadInput) as error:
        gate(command_build(workspace, "pass"), workspace.golden)
    assert [line.split(": ")[0] for line in str(error.value).splitlines()] == [
        str(workspace.reference(name)) for name in ("long", "short")
    ]


def test_the_baseline_must_fit_too_where_cost_is_asked(workspace: Workspace) -> None:
    workspace.edit('program = "short"', "")
    baseline = command_build(workspace, "pass")
    build = workspace.build(kind="python", object="player:Through", baseline=baseline.name)
    asking_cost(workspace)
    with pytest.raises(BadInput, match=f'render.parameters: no "program", which build.argv of .*{baseline.name} asks'):
        gate(build, workspace.golden, only="short")
    baseline.unlink()
    with pytest.raises(BadInput, match=f"{build.name}: build.baseline: .*{baseline.name}: no such file"):
        gate(build, workspace.golden, only="short")


def test_a_program_whose_output_is_too_short_fails_in_plain_words(workspace: Workspace) -> None:
    body = "import soundfile; x, hz = soundfile.read(source); soundfile.write(target, x[: len(x) // 2], hz)"
    verdict = gate(command_build(workspace, body), workspace.golden, only="short")
    # 0.05 s before the click and 0.6 s after it, halved.
    assert check_of(verdict, "short", "conduct").reason.endswith("output stops after 0.33 s, needs 0.65 s")


@pytest.mark.few(1)
@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_build_that_does_not_compile_fails_every_reference_and_leaves_its_log(
    workspace: Workspace, capsys: Any, jobs: str
) -> None:
    report = workspace.root / "report"
    said = "reverb.c:3: error: no tap\n  3 | ^~~\nmake: *** Error 1\n"
    failing = [sys.executable, "-c", f"import sys; sys.stderr.write({said!r}); sys.exit(2)"]
    build = workspace.build(prepare=failing)
    assert run_main("gate", build, "--golden", workspace.golden, "--report", report, "--jobs", jobs) == 1
    for reference in written(report)["references"]:
        judged = {check["check"]: check for check in reference["checks"]}
        assert judged["conduct"]["outcome"] == "fail"
        assert judged["conduct"]["reason"].startswith("output prepare failed: ")
        assert judged["conduct"]["reason"].endswith(" ended with status 2: reverb.c:3: error: no tap")
    assert (report / "prepare.log").read_text(encoding="utf-8") == said
    assert f"What prepare said: {report / 'prepare.log'}" in capsys.readouterr().out
    assert run_main("gate", workspace.takes, "--golden", workspace.golden, "--report", report) == 0
    assert sorted(file.name for file in report.iterdir()) == REPORT


# Recordings.


def test_a_folder_of_recordings_is_a_build_without_cost(workspace: Workspace) -> None:
    workspace.edit('not_asked = "not asked of a player"', "kernel_ratio = 1.0")
    verdict = gate(workspace.takes, workspace.golden)
    assert outcomes(verdict) == {"long": "pass", "short": "pass"}
    assert verdict.build.kind == "recordings"
    assert check_of(verdict, "short", "cost").reason == "recordings have no cost"


def test_a_recording_stands_for_the_reference_of_its_name(workspace: Workspace) -> None:
    assert outcomes(gate(workspace.takes / "short.wav", workspace.golden)) == {"short": "pass"}


@pytest.mark.usefixtures("undiagnosed")
def test_a_recording_stands_for_the_reference_that_only_names(workspace: Workspace) -> None:
    take = (workspace.takes / "short.wav").rename(workspace.root / "take 7 [best].wav")
    assert outcomes(gate(take, workspace.golden, only="short")) == {"short": "pass"}
    assert outcomes(gate(take, workspace.golden, only="long")) == {"long": "fail"}


def test_the_name_of_a_recording_is_no_pattern(workspace: Workspace) -> None:
    take = (workspace.takes / "short.wav").rename(workspace.root / "[s]hort.wav")
    with pytest.raises(BadInput, match="is named after no reference"):
        gate(take, workspace.golden)


def test_a_missing_recording_fails_its_reference_alone(workspace: Workspace) -> None:
    (workspace.takes / "short.wav").unlink()
    verdict = gate(workspace.takes, workspace.golden)
    assert outcomes(verdict) == {"long": "pass", "short": "fail"}
    assert "no recording: expected short.wav or short.flac" in check_of(verdict, "short", "conduct").reason


def with_bad_take(workspace: Workspace, spoil: Callable[[Path], object]) -> str:
    spoil(workspace.takes / "short.wav")
    verdict = gate(workspace.takes, workspace.golden)
    assert outcomes(verdict) == {"long": "pass", "short": "fail"}
    return check_of(verdict, "short", "conduct").reason


def resampled(path: Path) -> None:
    samples, _ = read_sound(path)
    write_sound(path, samples, 44100)


def with_nan(path: Path) -> None:
    samples, rate_hz = read_sound(path)
    samples[0, 100:103] = np.nan
    write_sound(path, samples, rate_hz)


@pytest.mark.few(4)
@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (resampled, "recording has 44100 Hz, needs 48000"),
        (with_nan, "short.wav: 3 samples are not finite, first at sample 100"),
        (lambda path: path.write_text("RIFF, in a way"), "short.wav: not a readable WAV or FLAC file"),
        (lambda path: path.write_bytes(b""), "short.wav: the file is empty (0 bytes); was its recording cut off?"),
        (lambda path: write_sound(path, np.zeros((1, 0)), RATE_HZ), "short.wav: holds no samples"),
        (lambda path: write_sound(path, np.zeros((1, RATE_HZ)), RATE_HZ), "recording is silent"),
        (lambda path: write_sound(path, np.ones((2, RATE_HZ)), RATE_HZ), "recording has 2 channels, needs 1"),
        (lambda path: write_sound(path, spring(300)[np.newaxis, :4800], RATE_HZ), "recording stops after 0.10 s"),
    ],
)
def test_an_unusable_recording_fails_in_plain_words(
    workspace: Workspace, spoil: Callable[[Path], object], reason: str
) -> None:
    assert reason in with_bad_take(workspace, spoil)


# Not asked, unsure.


def test_what_a_build_is_not_asked_is_shown_with_its_reason(workspace: Workspace) -> None:
    build = workspace.build('[build.not_asked]\nenergy_decay = "another gain"\n[build.parameters]\ngain = 1.2')
    verdict = gate(build, workspace.golden, only="short")
    assert outcomes(verdict) == {"short": "pass"}
    judged = check_of(verdict, "short", "energy-decay")
    assert (str(judged.outcome), judged.reason, judged.closes_gate) == ("not asked", "another gain", False)


def test_a_reference_of_which_nothing_is_asked_closes_the_gate(workspace: Workspace) -> None:
    checks = ("echo_timing", "group_delay", "energy_decay", "cost", "conduct")
    reasons = "\n".join(f'{check} = "not today"' for check in checks)
    verdict = gate(workspace.build(f"[build.not_asked]\n{reasons}"), workspace.golden)
    assert verdict.outcome == "fail"
    assert outcomes(verdict) == {"long": "fail", "short": "fail"}


def asking_cost(workspace: Workspace, also: str = "") -> None:
    """Ask cost of "short" without anything to hold it against, which is unsure."""
    workspace.edit('not_asked = "not asked of a player"', f"{also}\ndearer_percent = 10\ncheaper_percent = 100")


def test_an_unsure_closes_the_gate(workspace: Workspace) -> None:
    asking_cost(workspace)
    verdict = gate(workspace.build(), workspace.golden, only="short")
    assert verdict.outcome == "unsure"
    assert outcomes(verdict) == {"short": "unsure"}
    assert "no golden cost" in check_of(verdict, "short", "cost").reason


def test_an_unsure_that_the_reference_accepts_does_not(workspace: Workspace) -> None:
    asking_cost(workspace, 'accept_unsure = "CI machines are noisy"')
    verdict = gate(workspace.build(), workspace.golden, only="short")
    assert verdict.outcome == "pass"
    judged = check_of(verdict, "short", "cost")
    assert (str(judged.outcome), judged.closes_gate) == ("unsure", False)
    assert judged.reason.endswith("(accepted: CI machines are noisy)")


# Reports.


def test_a_report_holds_the_contract_and_agrees_with_itself(workspace: Workspace) -> None:
    report = workspace.root / "new" / "report"
    build = workspace.faulty("silence", at="short")
    assert run_main("gate", build, "--golden", workspace.golden, "--report", report) == 1
    assert sorted(file.name for file in report.iterdir()) == REPORT
    verdict = written(report)
    jsonschema.validate(verdict, json_schema())
    assert verdict["outcome"] == "fail"
    assert verdict["build"]["name"] == "player"
    assert {reference["name"] for reference in verdict["references"]} == {"long", "short"}
    for reference in verdict["references"]:
        finding = reference["checks"][0]["findings"]
        assert reference["name"] == "short" or set(finding[0]) >= {
            "quantity", "where", "unit", "golden", "candidate", "deviation", "uncertainty", "tolerance", "outcome",
            "reason",
        }  # fmt: skip
    echogram, *_ = verdict["references"][0]["curves"]["echogram"]
    assert [one["label"] for one in echogram["passes"]] == ["1.1", "1.2", "1.3"]
    (lag,) = verdict["references"][0]["curves"]["lag"]
    assert abs(lag["fit"]["offset_s"]) < 1e-9
    assert len(json.dumps(lag)) < 10_000
    assert verdict["references"][1]["curves"] == {}
    junit = ET.parse(report / "junit.xml").getroot()  # noqa: S314 - written a moment ago by ourselves
    cases = {
        (case.get("classname"), case.get("name")): [child.tag for child in case] for case in junit.iter("testcase")
    }
    for reference in verdict["references"]:
        for check in reference["checks"]:
            expected = {"pass": [], "not asked": ["skipped"]}.get(check["outcome"], ["failure"])
            assert cases.pop((reference["name"], check["check"])) == expected
    assert not cases
    assert "fail" in (report / "summary.md").read_text(encoding="utf-8").splitlines()[0].lower()
    ET.parse(report / "badge.svg")  # noqa: S314
    assert "</html>" in (report / "index.html").read_text(encoding="utf-8")


def without_time_and_cost(verdict: Verdict) -> Any:
    return [
        (one.name, one.outcome, one.curves, [check for check in one.checks if check.check != "cost"])
        for one in verdict.references
    ]


def flattened(verdict: Verdict) -> list[Any]:
    """Everything but the curves; numbers to a billionth, as sums may come out in another order in another process."""
    return [
        (reference.name, check.check, check.outcome, check.reason, finding.quantity, finding.where, finding.outcome,
         *(None if v is None else round(v, 9) for v in (finding.golden, finding.deviation, finding.uncertainty)))
        for reference in verdict.references for check in reference.checks for finding in check.findings
    ]  # fmt: skip


def test_two_workers_say_what_one_says(workspace: Workspace) -> None:
    build = workspace.build("[build.parameters]\ngain = 1.2")
    seen: list[str] = []
    alone, together = gate(build, workspace.golden), gate(build, workspace.golden, jobs=2, progress=seen.append)
    assert flattened(together) == flattened(alone)
    checks = ("echo-timing", "group-delay", "energy-decay", "cost", "conduct")
    assert seen.pop(0) == "judging player: references 2, checks 10"
    assert {said.partition(", ")[0] for said in seen} <= {f"{number} of 10" for number in range(1, 11)}
    assert seen[-1].startswith(("9 of 10, ", "10 of 10, "))  # the last but one may end after the last began
    items = sorted(said.partition(", ")[2] for said in seen)
    assert items == sorted(f"{name}: {check}" for name in ("long", "short") for check in checks)


@pytest.mark.parametrize("asked", [True, False])
def test_cost_is_put_apart_from_the_workers_where_it_is_asked(
    workspace: Workspace, monkeypatch: pytest.MonkeyPatch, asked: bool
) -> None:
    """Timed on one core of two that are busy, it would be another."""
    if asked:
        asking_cost(workspace, "kernel_ratio = 1000.0")
    put: list[str] = []

    def run_items(command: list[str], *_: Any) -> None:
        put.extend(one.partition("=")[2] for one in command if one.startswith("--reverdict-checks="))

    monkeypatch.setattr("reverdict.gate._run_items", run_items)
    with pytest.raises(RuntimeError, match="ended before it was judged"):
        gate(workspace.build(), workspace.golden, only="short", jobs=2)
    sound = "echo-timing,group-delay,energy-decay"
    assert put == ([f"{sound},conduct", "cost"] if asked else [f"{sound},cost,conduct"])


@pytest.mark.slow
def test_cost_is_timed_alone_after_the_workers(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    """In parallel runs timing is switched off, and so it would be if we took ourselves for somebody's worker."""
    monkeypatch.setenv("PYTEST_XDIST_WORKER", "gw1")
    asking_cost(workspace, "kernel_ratio = 1000.0")
    others = "\n".join(f'{check} = "it only hands through"' for check in ("echo_timing", "group_delay", "energy_decay"))
    build = workspace.build(f"[build.not_asked]\n{others}", kind="python", object="player:Busy")
    verdict = gate(build, workspace.golden, only="short", jobs=2)
    (finding,) = check_of(verdict, "short", "cost").findings
    assert finding.deviation is not None
    assert -100 < finding.deviation < -50  # it costs far less than a thousand kernels
    assert verdict.outcome == "pass"


# Where nothing can be judged.


def passing_report(workspace: Workspace) -> Path:
    report = workspace.root / "report"
    assert run_main("gate", workspace.takes, "--golden", workspace.golden, "--only", "short", "--report", report) == 0
    assert written(report)["outcome"] == "pass"
    return report


def test_bad_input_leaves_no_older_pass_in_the_report(workspace: Workspace, capsys: Any) -> None:
    report = passing_report(workspace)
    workspace.impulse().unlink()
    assert run_main("gate", workspace.takes, "--golden", workspace.golden, "--report", report) == 2
    verdict = written(report)
    assert verdict["outcome"] == "error"
    assert verdict["errors"] == [capsys.readouterr().err.splitlines()[-1].removeprefix("reverdict: ")]
    assert verdict["build"]["name"] == "takes"
    assert "missing, but named in reference.toml" in verdict["errors"][0]
    assert "<error " in (report / "junit.xml").read_text(encoding="utf-8")


@pytest.mark.few(1)
@pytest.mark.parametrize("jobs", [1, 2])
def test_what_only_shows_when_the_build_runs_is_bad_input_too(workspace: Workspace, capsys: Any, jobs: int) -> None:
    report = passing_report(workspace)
    build = workspace.build(kind="command", argv=["no-such-reverb", "{input}", "{output}"])
    status = run_main("gate", build, "--golden", workspace.golden, "--report", report, "--jobs", str(jobs))
    *ahead, said = capsys.readouterr().err.splitlines()
    assert status == 2
    assert said == f"reverdict: {build}: build.argv: no-such-reverb: no such program; is it built, and its name right?"
    assert all(line.startswith("reverdict: judging ") for line in ahead)
    assert written(report)["outcome"] == "error"


def test_a_bug_of_ours_is_no_verdict_on_the_build(
    workspace: Workspace, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    report = passing_report(workspace)
    monkeypatch.setattr(conduct, "judge", broken)
    arguments = ("gate", workspace.takes, "--golden", workspace.golden, "--report", report, "--only", "short")
    assert run_main(*arguments) == 3
    *_, first, second = capsys.readouterr().err.splitlines()
    assert first == "reverdict: internal error, RuntimeError: ZeroDivisionError: nothing to divide by"
    assert "REVERDICT_TRACEBACK=1" in second
    assert written(report)["outcome"] == "error"
    monkeypatch.setenv("REVERDICT_TRACEBACK", "1")
    with pytest.raises(RuntimeError, match=r"test_gate\.py.*in broken"):
        run_main(*arguments)


def test_a_worker_that_is_lost_is_no_verdict_on_the_build(
    workspace: Workspace, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("reverdict.parts.write_verdict", lambda *_: None)
    assert run_main("gate", workspace.takes, "--golden", workspace.golden) == 3
    assert "long: echo-timing: its process ended before it was judged" in capsys.readouterr().err


# Diagnosis.


def broken(*_: object) -> Any:
    raise ZeroDivisionError("nothing to divide by")


LOUDER = "[build.parameters]\ngain = 2.0"


def test_a_diagnosis_leads_and_is_written_down(workspace: Workspace, capsys: Any) -> None:
    report = workspace.root / "report"
    build = workspace.build(LOUDER)
    assert run_main("gate", build, "--golden", workspace.golden, "--only", "short", "--report", report) == 1
    (reference,) = written(report)["references"]
    (one,) = reference["diagnosis"]
    assert (one["kind"], one["where"], one["unit"], one["words"]) == ("gain", "", "dB", "gain +6.02 dB")
    assert abs(one["amount"] - 20 * math.log10(2)) < 1e-6
    assert one["explains"] == pytest.approx(1)
    assert reference["diagnosis_failed"] == ""
    said = "Gain +6.02 dB; this explains all of the deviation."
    assert capsys.readouterr().out.splitlines()[1].startswith(said)
    assert said in (report / "summary.md").read_text(encoding="utf-8").replace("\\", "")
    assert "explains all of the deviation" in (report / "index.html").read_text(encoding="utf-8")


def test_a_build_that_passes_is_not_diagnosed(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reverdict.diagnose.diagnose", broken)
    report = workspace.root / "report"
    assert run_main("gate", workspace.takes, "--golden", workspace.golden, "--report", report) == 0
    assert all(one["diagnosis"] == [] and not one["diagnosis_failed"] for one in written(report)["references"])


def test_a_bug_in_diagnosing_is_told_and_changes_no_verdict(
    workspace: Workspace, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    report = workspace.root / "report"
    arguments = ("gate", workspace.build(LOUDER), "--golden", workspace.golden, "--only", "short", "--report", report)
    assert run_main(*arguments) == 1
    (before,) = written(report)["references"]
    monkeypatch.setattr("reverdict.diagnose.diagnose", broken)
    assert run_main(*arguments) == 1
    (after,) = written(report)["references"]
    assert after["outcome"] == before["outcome"] == "fail"
    assert [check["outcome"] for check in after["checks"]] == [check["outcome"] for check in before["checks"]]
    assert after["diagnosis"] == []
    assert "in broken" in after["diagnosis_failed"]
    assert "There is no diagnosis, for a bug in the suite" in capsys.readouterr().out


# Ctrl-C, and a reader who leaves.

REVERDICT = [sys.executable, "-m", "reverdict"]
AHEAD = "reverdict: judging player: references 2, checks 10\n"


def running_below(pid: int) -> set[int]:
    """Process and all its descendants, read from /proc."""
    found, new = {pid}, [pid]
    while new:
        listing = Path(f"/proc/{new.pop()}/task")
        try:
            texts = [(task / "children").read_text() for task in listing.iterdir()]
        except OSError:
            continue
        fresh = {int(child) for text in texts for child in text.split()} - found
        found |= fresh
        new += fresh
    return found


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.few(2)
@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
@pytest.mark.parametrize("jobs", ["1", "2"])
@pytest.mark.parametrize(("blow", "status", "name"), [(signal.SIGINT, 130, "Ctrl-C"), (signal.SIGTERM, 143, "SIGTERM")])
def test_a_stop_ends_promptly_and_leaves_nothing(
    workspace: Workspace, jobs: str, blow: signal.Signals, status: int, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C goes to all that run in the terminal, the SIGTERM of a CI service to the command."""
    temporary = workspace.root / "temporary"
    temporary.mkdir()
    monkeypatch.setenv("TMPDIR", str(temporary))
    report = workspace.root / "report"
    mark = workspace.root / "hanging"
    argv = [sys.executable, "-S", "-c", f"open({str(mark)!r}, 'w'); import time; time.sleep(600)", "{input}{output}"]
    build = workspace.build(kind="command", argv=argv)
    command = [*REVERDICT, "gate", build, "--golden", workspace.golden, "--report", report, "--jobs", jobs]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as run:
        for _ in range(600):
            if mark.exists():
                break
            time.sleep(0.05)
        assert mark.exists(), run.poll()
        family = running_below(run.pid)
        assert len(family) >= 3  # the gate, the launcher, the build
        (os.killpg if blow == signal.SIGINT else os.kill)(run.pid, blow)
        said, errors = run.communicate(timeout=20)
    assert (run.returncode, said, errors) == (status, "", f"{AHEAD}reverdict: stopped by {name}\n")
    for _ in range(100):
        if not any(map(alive, family)):
            break
        time.sleep(0.05)
    assert not [pid for pid in family if alive(pid)]
    assert written(report)["errors"] == [f"stopped by {name}"]
    assert not list(temporary.iterdir())


@pytest.mark.parametrize("early", [pytest.Session.Interrupted, xdist.dsession.Interrupted])
def test_pytests_own_way_to_end_early_is_nobodys_signal(early: type[BaseException]) -> None:
    """Pytest derives it from KeyboardInterrupt, with what it could not collect as its text."""
    watch = _Watch(lambda _: None, 1)
    watch.pytest_keyboard_interrupt(SimpleNamespace(value=early("1 error during collection")))
    assert watch.interrupted is None
    watch.pytest_keyboard_interrupt(SimpleNamespace(value=KeyboardInterrupt("SIGTERM")))
    assert console.told(watch.interrupted or AssertionError()) == (143, ["stopped by SIGTERM"])
    assert console.told(KeyboardInterrupt("1 error during collection")) == (130, ["stopped by Ctrl-C"])


def test_a_reader_who_leaves_early_does_not_open_the_gate(workspace: Workspace) -> None:
    """As in ``reverdict gate … | head -1`` with pipefail."""
    read, write = os.pipe()
    os.close(read)
    try:
        command = [*REVERDICT, "gate", workspace.faulty("silence"), "--golden", workspace.golden]
        ended = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, text=True, check=False)
    finally:
        os.close(write)
    assert (ended.returncode, ended.stderr) == (1, AHEAD)


# What lies around us is none of our business.

HOSTILE = "raise SystemExit('this was run')"


def test_nothing_around_the_golden_folder_is_run_or_obeyed(
    workspace: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    for folder in (workspace.root, workspace.golden, workspace.golden / "short"):
        for name in ("conftest.py", "__init__.py", "test_evil.py", "evil_test.py", "sitecustomize.py"):
            (folder / name).write_text(HOSTILE, encoding="utf-8")
        (folder / "pytest.ini").write_text("[pytest]\naddopts = --no-such-option\n", encoding="utf-8")
        (folder / "pyproject.toml").write_text("[tool.pytest.ini_options]\naddopts = '--nope'\n", encoding="utf-8")
        (folder / "tox.ini").write_text("[pytest]\naddopts = --no-such-option\n", encoding="utf-8")
        (folder / "test_evil.txt").write_text(">>> 1\n2\n", encoding="utf-8")
    environment = {"PYTEST_ADDOPTS": "--no-such-option", "PYTEST_PLUGINS": "no_such_plugin"}
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(workspace.root)
    before = sorted(workspace.root.rglob("*"))
    assert gate(Path("takes"), Path("golden")).outcome == "pass"
    assert sorted(workspace.root.rglob("*")) == before
    assert {name: os.environ[name] for name in environment} == environment


@pytest.mark.few(3)
@pytest.mark.parametrize("folder", ["[draft] golden", "build", "a::b", "-golden", ".golden", "größe µ"])
def test_a_golden_folder_may_have_any_name(workspace: Workspace, monkeypatch: pytest.MonkeyPatch, folder: str) -> None:
    monkeypatch.chdir(workspace.root)
    workspace.golden.rename(folder)
    assert outcomes(gate(Path("takes"), Path(folder), only="short")) == {"short": "pass"}
    assert outcomes(gate(Path("takes"), Path(folder).absolute(), only="l*")) == {"long": "pass"}


@pytest.mark.few(2)
@pytest.mark.parametrize("name", ["build", "dist", "venv", "test_short.py", "short.json", "1"])
def test_a_reference_may_have_a_name_that_pytest_would_not_look_into(workspace: Workspace, name: str) -> None:
    (workspace.golden / "short").rename(workspace.golden / name)
    (workspace.takes / "short.wav").rename(workspace.takes / f"{name}.wav")
    assert outcomes(gate(workspace.takes, workspace.golden)) == {"long": "pass", name: "pass"}


def test_a_report_never_lands_among_the_references(workspace: Workspace, capsys: Any) -> None:
    before = sorted(workspace.golden.rglob("*"))
    for report in (workspace.golden, workspace.golden / "short"):
        assert run_main("gate", workspace.takes, "--golden", workspace.golden, "--report", report) == 2
        assert "holds golden references" in capsys.readouterr().err
    assert sorted(workspace.golden.rglob("*")) == before
    for _ in range(2):
        report = workspace.golden / "report"
        only = ("--only", "short", "--report", report)
        assert run_main("gate", workspace.takes, "--golden", workspace.golden, *only) == 0
    assert run_main("golden", "verify", "--golden", workspace.golden) == 0
