"""The render matrix: the same reverb at other rates, block sizes, levels and presets, and builds with one fault each.

The truth at every rate is the spring's own spectrum (``demo.physical_springs``), sampled at that rate: nothing is
resampled to make it.
"""

from __future__ import annotations

import json
import math
import re
import shutil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import jsonschema
import numpy as np
import pytest
from numpy.typing import NDArray

from conftest import RATE_HZ, SECONDS, TURNS, Workspace
from reverdict.cells import cells_of
from reverdict.command_line import main
from reverdict.demo import BUILDS, golden_folder
from reverdict.demo.physical_springs import Spring, impulse_response
from reverdict.gate import gate
from reverdict.golden_set import references
from reverdict.report import write_report
from reverdict.report.data.verdict import json_schema, to_json
from reverdict.words import CellVerdict, Verdict

BLEED = 0.01

ANY_RATE = '''
"""A spring at any rate, and one fault of each kind that shows in one cell of the matrix only."""

import os
import signal
from pathlib import Path

import numpy as np

PREDELAY_MS = 0.25


class Spring:
    def __init__(self, sample_rate, program, fault="", gain=1.0):
        response = np.load(Path(__file__).with_name(f"{program}-{sample_rate}.npy"))
        own = round(PREDELAY_MS * sample_rate / 1000)
        line = 12 if fault == "samples" else own  # the line was written for 48 kHz
        self.response = gain * np.concatenate([np.zeros(line), response[own:]])[: response.size]
        self.response[0] += gain * 0.01  # the drive, heard directly
        self.coming = np.zeros(10 * self.response.size)
        self.now = 0
        self.fault = fault
        if fault == "crash" and sample_rate == 96000:
            os.kill(os.getpid(), signal.SIGSEGV)

    def process(self, block):
        frames = block.shape[1]
        if self.fault == "vectors":  # what does not fill a vector of 16 is forgotten
            frames -= frames % 16
        for click in np.flatnonzero(block[0, :frames]):
            start = self.now + click
            self.coming[start : start + self.response.size] += block[0, click] * self.response
        out = np.zeros(block.shape)
        out[0, :frames] = self.coming[self.now : self.now + frames]
        self.now += frames
        if self.fault == "saturates":
            out = np.tanh(2 * out) / 2
        return out
'''


def truth(rate_hz: int, turns: float) -> NDArray[Any]:
    """The spring of ``conftest`` at a rate, the drive left out: its spectrum is that of the golden."""
    time_s = np.arange(round(SECONDS * rate_hz)) / rate_hz
    fading = np.exp(-time_s * np.log(1000) / 0.4)
    wound = Spring.wound(0.2, 2.38, turns)
    return impulse_response(rate_hz, SECONDS, (wound,), crosstalk_db=-math.inf, noise_db=None) * fading


@pytest.fixture(scope="session")
def responses(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The short spring at every rate asked of it, at the level of the golden."""
    folder = tmp_path_factory.mktemp("responses")
    golden = truth(RATE_HZ, TURNS["short"])
    for rate_hz in (44100, RATE_HZ, 96000):
        own = truth(rate_hz, TURNS["short"])
        # A peak between samples is missed by a little; the energy of the spectrum is not.
        own *= math.sqrt(np.sum(golden**2) * RATE_HZ / (np.sum(own**2) * rate_hz))
        np.save(folder / f"short-{rate_hz}.npy", own)
    return folder


@pytest.fixture
def matrix(workspace: Workspace, responses: Path) -> Workspace:
    """The workspace with a reference "short" of eight cells."""
    shutil.copytree(responses, workspace.builds, dirs_exist_ok=True)
    (workspace.builds / "any_rate.py").write_text(ANY_RATE, encoding="utf-8")
    shutil.rmtree(workspace.golden / "long")
    path = workspace.reference()
    text = re.sub(
        r"^sample_rates_hz.*$", "sample_rates_hz = [48000, 96000, 44100]", path.read_text("utf-8"), flags=re.M
    )
    text = re.sub(r"^block_sizes.*$", 'block_sizes = [512, 1, 17, 64, "whole"]', text, flags=re.M)
    path.write_text(text.replace("[render]", "[render]\nlevels_dbfs = [-6, -40]", 1), encoding="utf-8")
    return workspace


def a_build(workspace: Workspace, parameters: str = "", tables: str = "") -> Path:
    return workspace.build(f"[build.parameters]\n{parameters}\n{tables}", object="any_rate:Spring")


def cells(verdict: Verdict) -> dict[str, CellVerdict]:
    (reference,) = verdict.references
    return {cell.cell: cell for cell in reference.cells}


def outcomes(verdict: Verdict) -> dict[str, dict[str, str]]:
    """Checks that do not pass, by cell."""
    return {
        name: {one.check: str(one.outcome) for one in cell.checks if str(one.outcome) not in ("pass", "not asked")}
        for name, cell in cells(verdict).items()
        if any(str(one.outcome) not in ("pass", "not asked") for one in cell.checks)
    }


def reasons(verdict: Verdict) -> dict[str, str]:
    return {check.check: check.reason for check in verdict.references[0].checks if check.reason}


def furthest(verdict: Verdict, cell: str) -> list[str]:
    """How far each quantity is off at most in a cell, decay times in percent of the golden's."""
    off: dict[str, float] = {}
    for check in verdict.references[0].checks:
        for one in check.findings:
            if one.cell == cell and one.deviation is not None and one.unit in ("ms", "s", "dB", "Hz"):
                share = 100 / one.golden if one.unit in ("s", "Hz") and one.golden else 1.0
                off[one.quantity] = max(off.get(one.quantity, 0.0), abs(one.deviation * share))
    return [f"{quantity} {value:.2g}" for quantity, value in off.items()]


ALL = ["", "96 kHz", "44.1 kHz", "blocks of 1", "blocks of 17", "blocks of 64", "one block", "−40 dBFS"]


def test_a_reverb_that_is_the_same_at_every_rate_passes_in_every_cell(matrix: Workspace) -> None:
    verdict = gate(a_build(matrix), matrix.golden)
    assert list(cells(verdict)) == ALL
    assert outcomes(verdict) == {}
    assert verdict.outcome == "pass"
    put = {name: [one.check for one in cell.checks] for name, cell in cells(verdict).items()}
    assert put[""] == ["echo-timing", "group-delay", "energy-decay", "cost", "conduct"]
    assert all(checks == ["echo-timing", "group-delay", "energy-decay", "conduct"] for checks in list(put.values())[1:])
    timing = verdict.references[0].checks[0].findings
    late = {one.cell: abs(one.deviation or 0.0) for one in timing if one.quantity == "arrival"}
    assert set(late) == set(ALL)
    assert max(late.values()) < 1e-4  # ms: a tenth of a microsecond, at any rate
    levels = [one for one in verdict.references[0].checks[2].findings if one.quantity == "level"]
    assert max(abs(one.deviation or 0.0) for one in levels) < 0.02
    for cell in ("96 kHz", "44.1 kHz"):
        print(f"| {cell} | {' | '.join(furthest(verdict, cell))} |")


def test_a_line_counted_in_samples_fails_at_other_rates_alone(matrix: Workspace) -> None:
    verdict = gate(a_build(matrix, 'fault = "samples"'), matrix.golden)
    assert outcomes(verdict) == {"96 kHz": {"echo-timing": "fail"}}
    # 12 samples are 0.125 ms at 96 kHz, where 0.25 ms are asked; at 44.1 kHz one sample, 0.023 ms, too many.
    found = [one for one in verdict.references[0].checks[0].findings if one.quantity == "arrival"]
    off = {cell: {round(one.deviation or 0, 3) for one in found if one.cell == cell} for cell in ALL}
    assert off["96 kHz"] == {-0.125}
    assert off["44.1 kHz"] == {0.023}
    assert off[""] == off["blocks of 1"] == off["−40 dBFS"] == {0.0}
    assert re.fullmatch(
        r"at 96 kHz: spring 1, pass \d, 500 Hz: 0\.1[23] ms early, limit 0\.10 ms", reasons(verdict)["echo-timing"]
    )


def test_a_state_lost_at_the_end_of_odd_blocks_fails_at_those_sizes_alone(matrix: Workspace) -> None:
    verdict = gate(a_build(matrix, 'fault = "vectors"'), matrix.golden)
    assert set(outcomes(verdict)) == {"blocks of 1", "blocks of 17"}
    # Blocks of 1 are never processed, which ends the cell; of 17 one sample is lost, so that all comes 17/16 later.
    assert outcomes(verdict)["blocks of 1"]["conduct"] == "fail"
    assert outcomes(verdict)["blocks of 17"]["echo-timing"] == "fail"
    assert reasons(verdict)["conduct"].startswith("in blocks of 1: output is silent")


def test_saturation_fails_at_another_level_alone(matrix: Workspace, capsys: Any) -> None:
    """Approved at −6 dBFS as it sounds there, it is louder where it does not saturate."""
    build = a_build(matrix, 'fault = "saturates"\ngain = 2')
    approve = ["golden", "approve", "short", "--from", str(build), "--why", "drive", "--golden", str(matrix.golden)]
    assert main(approve) == 0
    capsys.readouterr()
    verdict = gate(build, matrix.golden)
    # A click of one sample drives it less at 96 kHz, too, and more at 44.1 kHz, as its area is 1/rate.
    assert set(outcomes(verdict)) == {"−40 dBFS", "96 kHz", "44.1 kHz"}
    assert outcomes(verdict)["−40 dBFS"]["energy-decay"] == "fail"
    levels = [one for one in verdict.references[0].checks[2].findings if one.quantity == "level"]
    louder = [one.deviation or 0.0 for one in levels if one.cell == "−40 dBFS"]
    assert min(louder) > 0.1  # dB, in every band
    assert max(louder) > 1.0


PRESETS = "[build.presets.spring]\n[build.presets.spring-eco]\ngain = {gain}"


def ask_presets(matrix: Workspace, more: str = "") -> None:
    text = matrix.reference().read_text("utf-8")
    text = re.sub(r"^(sample_rates_hz|block_sizes) = \[(\w+),.*$", r"\1 = [\2]", text, flags=re.M)
    text = text.replace("levels_dbfs = [-6, -40]", 'presets = ["spring", "spring-eco"]' + more)
    matrix.reference().write_text(text, encoding="utf-8")


def test_a_wrong_preset_fails_alone_and_a_right_one_passes(matrix: Workspace) -> None:
    ask_presets(matrix)
    assert outcomes(gate(a_build(matrix, tables=PRESETS.format(gain=0.98)), matrix.golden)) == {}
    verdict = gate(a_build(matrix, tables=PRESETS.format(gain=0.8)), matrix.golden)
    assert outcomes(verdict) == {"preset spring-eco": {"energy-decay": "fail"}}
    # 20 log10(0.8) = -1.94 dB
    assert re.match(r"with preset spring-eco: .*level 1\.94 dB quieter", reasons(verdict)["energy-decay"])


def test_a_preset_overrides_the_builds_own_parameters(matrix: Workspace) -> None:
    ask_presets(matrix)
    build = a_build(matrix, "gain = 0.5", "[build.presets.spring]\ngain = 1\n[build.presets.spring-eco]\ngain = 1")
    assert outcomes(gate(build, matrix.golden)) == {}


def test_a_preset_that_the_build_lacks_is_told_before_anything_is_rendered(matrix: Workspace, capsys: Any) -> None:
    ask_presets(matrix)
    build = a_build(matrix, tables="[build.presets.spring]\n[build.presets.eco]")
    assert main(["gate", str(build), "--golden", str(matrix.golden)]) == 2
    asked = f'no "spring-eco", which {matrix.reference()} asks for; there are spring, eco'
    assert capsys.readouterr().err.splitlines()[-1] == f"reverdict: {build}: build.presets: {asked}"


def test_tolerances_of_their_own_hold_for_cells_that_differ_in_that_axis(matrix: Workspace) -> None:
    text = matrix.reference().read_text("utf-8")
    own = '\n[cells.sample_rate.echo_timing]\narrival_ms = 0.3\n[cells.block_size.conduct]\nnot_asked = "why not"\n'
    matrix.reference().write_text(text + own, encoding="utf-8")
    verdict = gate(a_build(matrix, 'fault = "samples"'), matrix.golden)
    assert outcomes(verdict) == {}
    limits = {one.cell: one.tolerance for one in verdict.references[0].checks[0].findings if one.quantity == "arrival"}
    assert limits["96 kHz"] == limits["44.1 kHz"] == 0.3
    assert limits[""] == limits["blocks of 17"] == 0.1
    put = {name: {one.check: one for one in cell.checks} for name, cell in cells(verdict).items()}
    assert put["blocks of 17"]["conduct"].reason == "why not"
    assert str(put["96 kHz"]["conduct"].outcome) == "pass"
    # They loosen the judge, so they are part of what an approval seals.
    (remark,) = verdict.references[0].remarks
    assert "cells.sample_rate.echo_timing.arrival_ms: not set → 0.3" in remark


def test_a_crash_in_one_cell_leaves_the_others_unaffected(matrix: Workspace, tmp_path: Path) -> None:
    verdict = gate(a_build(matrix, 'fault = "crash"'), matrix.golden)
    assert set(outcomes(verdict)) == {"96 kHz"}
    assert outcomes(verdict)["96 kHz"]["conduct"] == "fail"
    assert reasons(verdict)["conduct"] == "at 96 kHz: output died by SIGSEGV (segmentation fault)"
    assert reasons(verdict)["echo-timing"].startswith("at 96 kHz: nothing to measure")
    write_report(verdict, tmp_path / "report")
    said = (tmp_path / "report" / "summary.md").read_text("utf-8")
    assert "Echo timing, group delay and energy decay not reached at 96 kHz: conduct failed." in said
    assert "| 96 kHz | not reached | not reached | not reached | **fail** |" in said


def test_a_recording_answers_for_the_main_cell_alone(matrix: Workspace) -> None:
    verdict = gate(matrix.takes, matrix.golden)
    assert verdict.outcome == "pass"
    put = {name: {str(one.outcome) for one in cell.checks} for name, cell in cells(verdict).items()}
    assert put.pop("") == {"pass", "not asked"}  # cost is not asked
    assert all(found == {"not asked"} for found in put.values())
    assert cells(verdict)["96 kHz"].checks[0].reason == "a recording is one render, and answers for the main cell alone"


def test_the_verdict_and_every_report_tell_the_cells(matrix: Workspace, tmp_path: Path, capsys: Any) -> None:
    build = a_build(matrix, 'fault = "samples"')
    assert main(["gate", str(build), "--golden", str(matrix.golden), "--report", str(tmp_path / "report")]) == 1
    told = capsys.readouterr()
    assert "At 96 kHz: spring 1 answers 0.13 ms early on every pass." in told.out.replace("\n", " ")
    assert re.search(r"^  96 kHz +fail 1\.2[56] +pass 0\.\d\d +pass 0\.\d\d +pass$", told.out, re.M)
    limits = "if such cells may differ, give them limits of their own under [cells.sample_rate.echo_timing] of short"
    assert f"next: mend the build; {limits}" in " ".join(told.out.split())
    assert re.search(r"^  48 kHz, blocks of 512, −6 dBFS +pass ", told.out, re.M)
    judged = json.loads((tmp_path / "report" / "verdict.json").read_text("utf-8"))
    jsonschema.validate(judged, json_schema())
    (reference,) = judged["references"]
    assert [check["check"] for check in reference["checks"]] == [
        "echo-timing", "group-delay", "energy-decay", "cost", "conduct",
    ]  # fmt: skip
    assert {finding["cell"] for finding in reference["checks"][0]["findings"]} == set(ALL)
    at_96 = reference["cells"][1]
    assert {key: at_96[key] for key in ("cell", "sample_rate_hz", "block_size", "level_dbfs", "preset")} == {
        "cell": "96 kHz", "sample_rate_hz": 96000, "block_size": 512, "level_dbfs": -6.0, "preset": "",
    }  # fmt: skip
    assert [one["outcome"] for one in at_96["checks"]] == ["fail", "pass", "pass", "pass"]
    cases = {case.get("name"): case for case in ET.parse(tmp_path / "report" / "junit.xml").iter("testcase")}  # noqa: S314
    assert len(cases) == 5 + 7 * 4
    failed = [name for name, case in cases.items() if case.find("failure") is not None]
    assert failed == ["echo-timing[96-kHz]"]
    (file,) = (tmp_path / "report" / "references").iterdir()
    page = file.read_text("utf-8")
    assert page.count('<table class="cells">') == 1
    overview = (tmp_path / "report" / "index.html").read_text("utf-8")
    assert overview.count('<tr role="row" class="cell">') == page.partition('<table class="cells">')[2].partition(
        "</table>"
    )[0].count('<tr><th scope="row">')


def test_a_fault_that_is_everywhere_is_told_once(matrix: Workspace) -> None:
    verdict = gate(a_build(matrix, "gain = 1.2"), matrix.golden)
    assert set(outcomes(verdict)) == set(ALL)
    said = " ".join(to_text(verdict).split())
    assert "The build is 1.58 dB louder in every band; out in every other cell, too." in said
    assert re.search(
        r"; golden [\d.]+, build [\d.]+ dB and 4 more out (in|at) .*, .* and in 4 more cells, too next", said
    )


def to_text(verdict: Verdict) -> str:
    from reverdict.report.printed.verdict import text

    return text(to_json(verdict))


def test_a_verdict_from_before_there_were_cells_is_still_read(matrix: Workspace) -> None:
    from boards import everything
    from reverdict.report.files.junit import junit_xml
    from reverdict.report.files.summary import summary_md

    judged = to_json(gate(a_build(matrix, "gain = 1.2"), matrix.golden))
    (reference,) = judged["references"]
    del reference["cells"]
    for check in reference["checks"]:
        check["findings"] = [finding for finding in check["findings"] if not finding.pop("cell")]
    from reverdict.report.printed.verdict import text

    assert "The build is 1.58 dB louder in every band." in text(judged)
    assert "cell" not in summary_md(judged)
    assert len(list(ET.fromstring(junit_xml(judged)).iter("testcase"))) == 5  # noqa: S314 - our own
    assert '<table class="cells">' not in everything(judged)


def test_a_full_matrix_has_every_combination(matrix: Workspace) -> None:
    matrix.edit("[render]", '[render]\nmatrix = "full"')
    (reference,) = references(matrix.golden)
    found = cells_of(reference)
    assert len(found) == 3 * 5 * 2
    names = [cell.name for cell in found]
    assert names[: len(ALL)] == ALL
    assert "96 kHz, blocks of 1, −40 dBFS" in names
    assert len({cell.key for cell in found}) == len(found)
    assert next(cell.key for cell in found if cell.name == "96 kHz, blocks of 1") == "96-kHz+blocks-of-1"


def test_block_whole_hands_over_everything_at_once(matrix: Workspace) -> None:
    from reverdict.asked import request_of

    (reference,) = references(matrix.golden)
    whole = next(cell for cell in cells_of(reference) if cell.block_size == "whole")
    request = request_of(reference, whole)
    assert request.block_size == request.total_samples == round((0.05 + SECONDS) * RATE_HZ)


STRETCHED = """\
[build]
name = "workshop"
version = "1.0"
kind = "python"
object = "workshop:Reverb"
[build.not_asked]
cost = "not asked here"
"""


@pytest.mark.slow
def test_an_integer_stretch_moves_the_transition_at_44100_hz(tmp_path: Path) -> None:
    """K = round(rate / (2 · 4800 Hz)) is 5 at 48 kHz and at 44.1 kHz: the transition goes from 4800 to 4410 Hz."""
    shutil.copytree(golden_folder() / "workshop-spring", tmp_path / "golden" / "workshop-spring")
    shutil.copy(golden_folder() / "tolerances.toml", tmp_path / "golden")
    shutil.copy(BUILDS / "workshop.py", tmp_path)
    path = tmp_path / "golden" / "workshop-spring" / "reference.toml"
    text = path.read_text("utf-8")
    assert "sample_rates_hz = [48000]" in text
    path.write_text(text.replace("sample_rates_hz = [48000]", "sample_rates_hz = [48000, 44100, 96000]"), "utf-8")
    (tmp_path / "build.toml").write_text(STRETCHED, encoding="utf-8")
    verdict = gate(tmp_path / "build.toml", tmp_path / "golden")
    assert set(outcomes(verdict)) == {"44.1 kHz"}
    assert set(outcomes(verdict)["44.1 kHz"]) == {"group-delay", "energy-decay"}  # echoes are on time at 500 Hz
    moved = {
        (one.cell, one.where): one.deviation / one.golden
        for one in verdict.references[0].checks[1].findings
        if one.quantity == "transition frequency" and one.deviation is not None and one.golden
    }
    for (cell, _), share in moved.items():
        expected = 4410 / 4800 - 1 if cell == "44.1 kHz" else 0.0
        assert share == pytest.approx(expected, abs=0.015)
    # The main cell passes; what happened in the first cell that does not is named, and its size: 4410 / 4800.
    found = verdict.references[0].diagnosis[0]
    assert (found["cell"], found["kind"]) == ("44.1 kHz", "transition frequency, trip time kept")
    assert found["amount"] == pytest.approx(100 * (4410 / 4800 - 1), abs=0.1)


@pytest.mark.slow
def test_how_the_demo_fares_in_a_wide_matrix(tmp_path: Path) -> None:
    """Release 1.0 at other rates, block sizes and levels: what is not of its rate is exact."""
    from reverdict.report.printed.verdict import text

    shutil.copytree(golden_folder(), tmp_path / "golden")
    shutil.copy(BUILDS / "workshop.py", tmp_path)
    for path in (tmp_path / "golden").glob("*/reference.toml"):
        told = path.read_text("utf-8").replace("sample_rates_hz = [48000]", f"sample_rates_hz = {WIDE_RATES_HZ}")
        told = told.replace("block_sizes = [512]", 'block_sizes = [512, 17, 64, "whole"]')
        path.write_text(told.replace("level_dbfs = -6.0", "levels_dbfs = [-6.0, -40.0]"), encoding="utf-8")
    (tmp_path / "build.toml").write_text(STRETCHED, encoding="utf-8")
    verdict = gate(tmp_path / "build.toml", tmp_path / "golden")
    print(text(to_json(verdict)))
    for reference in verdict.references:
        found = {cell.cell: {str(one.outcome) for one in cell.checks} for cell in reference.cells}
        assert all(outcome <= {"pass", "not asked"} for cell, outcome in found.items() if "kHz" not in cell), (
            reference.name
        )
        assert "fail" in found["44.1 kHz"], reference.name
    (spring,) = [one for one in verdict.references if one.name == "workshop-spring"]
    assert {str(one.outcome) for one in spring.cells[1].checks} == {"pass"}


WIDE_RATES_HZ = [48000, 96000, 44100, 88200, 192000]
