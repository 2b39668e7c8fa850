"""Cycle logs of firmware: read strictly, averaged honestly, judged against the reference's figure."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from conftest import Workspace
from reverdict.check import cycles
from reverdict.command_line import main
from reverdict.cycle_log import read_cycle_log
from reverdict.errors import BadInput
from reverdict.gate import gate
from reverdict.reference import Budget, Cost
from reverdict.words import CheckVerdict, Outcome

HEADER = "reference,block_frames,cycles\n"
BLOCK = {"reference": "short", "block_frames": 64, "cycles": 5120}


def written(path: Path, text: str | dict[str, Any]) -> Path:
    path.write_text(text if isinstance(text, str) else json.dumps(text), encoding="utf-8")
    return path


def test_both_formats_say_the_same(tmp_path: Path) -> None:
    rows = "short,64,5120\nlong,64,9000\nshort,32,2600\n"
    of_csv = read_cycle_log(written(tmp_path / "a.csv", "\ufeff" + HEADER + rows))
    blocks = [BLOCK, BLOCK | {"reference": "long", "cycles": 9000}, BLOCK | {"block_frames": 32, "cycles": 2600}]
    of_json = read_cycle_log(written(tmp_path / "a.json", {"target": "board 3", "clock_hz": 48e7, "blocks": blocks}))
    for log in (of_csv, of_json):
        assert list(log.blocks) == ["short", "long"]
        assert log.blocks["short"].frames.tolist() == [64, 32]
        assert log.blocks["short"].cycles.tolist() == [5120, 2600]
    assert (of_csv.clock_hz, of_json.clock_hz, of_json.target) == (None, 48e7, "board 3")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "holds no block"),
        (HEADER, "holds no block"),
        ("short,64,5120\n", 'row 1: need the header "reference,block_frames,cycles", got "short,64,5120"'),
        ("reference;block_frames;cycles\n", "separated by semicolons, need commas"),
        (HEADER + "short,64\n", "row 2: 2 fields, need 3: reference,block_frames,cycles; was the log cut off?"),
        (
            HEADER + "short,64,5,120\n",
            "row 2: 4 fields, need 3: reference,block_frames,cycles; are thousands separated?",
        ),
        (HEADER + "short,64,5120\n\nshort,64,5120\n", "row 3: 0 fields"),
        (HEADER + "short,64,nan\n", 'row 2: cycles = "nan" is no whole number; need a whole number such as 51234'),
        (HEADER + "short,64,-5\n", 'cycles = "-5" is a negative number'),
        (HEADER + "short,64.0,5\n", 'block_frames = "64.0" is a decimal point'),
        (HEADER + "short,64,1e5\n", 'cycles = "1e5" is no whole number'),
        (HEADER + "short,64,0\n", "cycles = 0; did the counter run?"),
        (HEADER + "short,64,999999999999999999\n", "did it wrap round?"),
        (HEADER + "short,0,10\n", "block_frames = 0; need 1 to 1048576"),
        (HEADER + " ,64,10\n", "row 2: names no reference"),
        (HEADER + '"short,64,10\n', "not CSV"),
    ],
)
def test_slips_in_csv_are_told_with_their_row(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(BadInput, match=re.escape(said)):
        read_cycle_log(written(tmp_path / "cycles.csv", text))


def a_log(**changed: Any) -> dict[str, Any]:
    return {"target": "board", "clock_hz": 1e8, "blocks": [BLOCK], **changed}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "line 1: not JSON"),
        ("[" * 100000, "nested too deep"),
        ("[1]", "need an object with target, clock_hz, blocks; got a list"),
        ({"blocks": []}, "need an object with target, clock_hz, blocks; got blocks"),
        (a_log(blocks=[]), "holds no block"),
        (a_log(blocks={}), "blocks: need a list"),
        (a_log(target=3), "target: need text"),
        (a_log(clock_hz=0), "clock_hz: need the processor's clock in Hz"),
        (a_log(clock_hz=True), "clock_hz: need the processor's clock in Hz"),
        (a_log(blocks=[BLOCK, BLOCK | {"cycles": 1.5}]), "block 2: cycles = 1.5 is no whole number"),
        (a_log(blocks=[BLOCK | {"cycles": True}]), "block 1: cycles = true is no whole number"),
        (a_log(blocks=[BLOCK | {"cycles": float("nan")}]), "holds NaN, which is no number of JSON"),
        (a_log(blocks=[BLOCK | {"cycles": -1}]), "block 1: cycles = -1"),
        (a_log(blocks=[BLOCK | {"reference": 3}]), "block 1: reference: need the name of a reference"),
        (a_log(blocks=[BLOCK | {"more": 1}]), "block 1: need an object with reference, block_frames, cycles"),
    ],
)
def test_slips_in_json_are_told(tmp_path: Path, text: str | dict[str, Any], said: str) -> None:
    with pytest.raises(BadInput, match=re.escape(said)):
        read_cycle_log(written(tmp_path / "cycles.json", text))


def test_other_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"is a \.csv or a \.json"):
        read_cycle_log(tmp_path / "cycles.txt")
    with pytest.raises(BadInput, match="no such file"):
        read_cycle_log(tmp_path / "cycles.csv")
    (tmp_path / "binary.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadInput, match="not UTF-8"):
        read_cycle_log(tmp_path / "binary.csv")
    with (tmp_path / "huge.csv").open("wb") as huge:
        huge.truncate((64 << 20) + 1)
    with pytest.raises(BadInput, match="larger than 64 MB"):
        read_cycle_log(tmp_path / "huge.csv")


# The mean and what it is worth.


def test_equal_blocks_leave_no_doubt() -> None:
    measured = cycles.measure(np.full(100, 64), np.full(100, 6400))
    assert (measured.per_sample, measured.uncertainty, measured.worst_block) == (100.0, 0.0, 6400)


def test_the_mean_weighs_blocks_by_their_frames() -> None:
    frames = np.tile([64, 1], 50)
    assert cycles.measure(frames, np.tile([6400, 300], 50)).per_sample == pytest.approx(6700 / 65)


def test_the_uncertainty_is_the_largest_of_all_lengths_of_which_eight_are_left() -> None:
    """Student's t of 15 and of 7 degrees is 2.131 and 2.365 (JCGM 100:2008, Table G.2: 2.13, 2.36)."""
    frames, off = np.full(16, 64), 100 / 64
    by_turns = cycles.measure(frames, np.tile([6300, 6500], 8))  # two in a row make 100 exactly
    assert by_turns.uncertainty == pytest.approx(2.13145 * off * np.sqrt(16 / 15) / 4, rel=1e-5)
    (finding,) = cycles.judge(by_turns, replace(SETTINGS, worst_block_cycles=None), rate_hz=48000)
    assert finding.uncertainty == pytest.approx(by_turns.uncertainty)  # in percent of 100 cycles
    by_pairs = cycles.measure(frames, np.tile([6300, 6300, 6500, 6500], 4))
    assert by_pairs.uncertainty == pytest.approx(2.36462 * off * np.sqrt(8 / 7) / np.sqrt(8), rel=1e-5)


def coverage(draw: Callable[[np.random.Generator], Any], mean: float, runs: int) -> float:
    """How often mean ± U holds the true mean."""
    inside = 0
    for seed in range(runs):
        measured = cycles.measure(np.full(512, 64), np.round(draw(np.random.default_rng(seed))))
        assert measured.per_sample is not None
        assert measured.uncertainty is not None
        inside += abs(measured.per_sample - mean / 64) <= measured.uncertainty
    return inside / runs


def correlated(generator: np.random.Generator) -> Any:
    """Blocks of which each remembers 0.9 of the one before: naive uncertainty is then 4.4 times too small."""
    from scipy.signal import lfilter

    return 6400 + lfilter([1.0], [1.0, -0.9], generator.normal(0, 50, 1024))[512:]


def test_the_uncertainty_holds_the_mean_of_blocks_that_are_alike_and_of_such_that_remember() -> None:
    independent = coverage(lambda generator: generator.normal(6400, 100, 512), 6400, 300)
    remembering = coverage(correlated, 6400, 300)
    print(f"\n| independent | {independent:.3f} |\n| remembering 0.9 | {remembering:.3f} |")
    assert independent >= 0.95
    assert remembering >= 0.90


def test_a_handful_of_blocks_tells_no_mean() -> None:
    measured = cycles.measure(np.full(7, 64), np.full(7, 6400))
    assert measured.per_sample is None
    assert measured.why_not == "7 blocks tell no spread; log 8 or more"
    assert measured.worst_block == 6400


SETTINGS = Cost(dearer_percent=10.0, cheaper_percent=50.0, cycles_per_sample=100.0, worst_block_cycles=7000)


@pytest.mark.parametrize(
    ("per_block", "outcome"), [(6400, "pass"), (6976, "pass"), (7104, "fail"), (3264, "pass"), (3136, "fail")]
)
def test_the_mean_is_judged_both_ways(per_block: int, outcome: str) -> None:
    """64 frames of 100 cycles: limits at 110 and 50 cycles a sample, 7040 and 3200 a block."""
    finding = cycles.judge(cycles.measure(np.full(64, 64), np.full(64, per_block)), SETTINGS, rate_hz=48000)[0]
    assert str(finding.outcome) == outcome
    assert finding.deviation == pytest.approx(per_block / 64 - 100.0)
    assert (finding.golden, finding.candidate) == (0.0, pytest.approx(finding.deviation))


def test_the_worst_block_has_a_budget_of_its_own() -> None:
    counts = np.full(64, 6400)
    for worst, outcome in ((7000, Outcome.PASS), (7001, Outcome.FAIL)):
        counts[17] = worst
        measured = cycles.measure(np.full(64, 64), counts)
        mean, block = cycles.judge(measured, SETTINGS, rate_hz=48000, clock_hz=2e7)
        assert block.outcome is outcome
        assert block.where == "worst block"
        assert block.reason.startswith("block 18: ")
        assert f"worst block {worst} cycles (block 18, 64 frames, 26 % of its time)" in mean.reason


# Through the gate.


def firmware(workspace: Workspace, per_block: int, name: str = "short", cost: str = "cycles_per_sample = 100") -> Path:
    workspace.edit('not_asked = "not asked of a player"', cost)
    written(workspace.takes / "cycles.csv", HEADER + f"{name},64,{per_block}\n" * 64)
    return workspace.build(kind="recordings", folder="../takes", cycles="../takes/cycles.csv")


def cost_of(workspace: Workspace, build: Path) -> CheckVerdict:
    (reference,) = gate(build, workspace.golden, "short").references
    return next(check for check in reference.checks if check.check == "cost")


def test_firmware_is_judged_by_its_own_counter(workspace: Workspace) -> None:
    check = cost_of(workspace, firmware(workspace, 6500))
    assert str(check.outcome) == "pass"
    assert check.findings[0].deviation == pytest.approx(1.5625)
    assert check.findings[0].reason == "101.6 cycles a sample, worst block 6500 cycles (block 1, 64 frames)"


@pytest.mark.few(1)
@pytest.mark.parametrize(
    ("per_block", "status", "said"), [(6500, 0, "Costs 1.6 % more."), (7200, 1, "7200 cycles spent, limit 7000")]
)
def test_reports_tell_of_cycles(workspace: Workspace, per_block: int, status: int, said: str) -> None:
    build = firmware(workspace, per_block, cost="cycles_per_sample = 100\nworst_block_cycles = 7000")
    report = workspace.root / "report"
    asked = ["--golden", str(workspace.golden), "--only", "short", "--report", str(report)]
    assert main(["gate", str(build), *asked]) == status
    assert said in (report / "summary.md").read_text(encoding="utf-8")
    assert "worst block" in (report / "references" / "short.html").read_text(encoding="utf-8")
    assert f"{per_block} cycles of 7000" in (report / "verdict.json").read_text(encoding="utf-8")


def test_dearer_firmware_is_stopped(workspace: Workspace) -> None:
    check = cost_of(workspace, firmware(workspace, 7200, cost="cycles_per_sample = 100\nworst_block_cycles = 7000"))
    assert check.closes_gate
    reasons = [finding.outcome for finding in check.findings]
    assert reasons == [Outcome.FAIL, Outcome.FAIL]
    assert check.reason.startswith("cost 12 % dearer, limit 10 %; 112.5 cycles a sample")
    assert check.findings[1].reason == "block 1: 7200 cycles of 7000"
    assert check.findings[0].deviation == pytest.approx(12.5)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        (
            {"cost": "kernel_ratio = 3.0"},
            "cost not measured: 100.0 cycles a sample were counted, but the reference has no",
        ),
        ({"name": "shrot"}, "cost not measured: cycles.csv has no block of short, only of shrot"),
    ],
)
def test_what_cannot_be_held_against_anything_closes_the_gate(
    workspace: Workspace, keys: dict[str, str], said: str
) -> None:
    check = cost_of(workspace, firmware(workspace, 6400, **keys))
    assert (check.outcome, check.closes_gate) == (Outcome.UNSURE, True)
    assert check.reason.startswith(said)


def test_a_log_that_cannot_be_read_is_bad_input_before_anything_is_judged(workspace: Workspace) -> None:
    build = firmware(workspace, 6400)
    written(workspace.takes / "cycles.csv", HEADER + "short,64,many\n")
    with pytest.raises(BadInput, match=r'cycles\.csv: row 2: cycles = "many"'):
        gate(build, workspace.golden, "short")


def test_a_new_figure_is_approved_with_a_reason(workspace: Workspace, capsys: Any) -> None:
    workspace.edit('not_asked = "not asked of a player"', "cycles_per_sample = 100")
    told = ("--set", "cost.cycles_per_sample=112.5", "--why", "the new damping costs more")
    assert main(["golden", "approve", "short", "--golden", str(workspace.golden), *told]) == 0
    assert "cost.cycles_per_sample: 100 → 112.5" in capsys.readouterr().out
    check = cost_of(workspace, workspace.build(kind="recordings", folder="../takes", cycles=_log(workspace, 7200)))
    assert str(check.outcome) == "pass"


def _log(workspace: Workspace, per_block: int) -> str:
    return str(written(workspace.takes / "cycles.csv", HEADER + f"short,64,{per_block}\n" * 64))


def test_recordings_without_a_log_cannot_be_judged_by_cycles(workspace: Workspace) -> None:
    firmware(workspace, 6400)
    check = cost_of(workspace, workspace.build(kind="recordings", folder="../takes"))
    assert (check.outcome, check.closes_gate) == (Outcome.UNSURE, True)


# Budgets by target.


@pytest.mark.parametrize(
    ("target", "per_block", "said"),
    [
        ("pedal rev B, -O2", 6400, {("budget", "pedal"): "pass", ("budget", "pedal, worst block"): "pass"}),
        ("Pedal", 6720, {("budget", "pedal"): "fail", ("budget", "pedal, worst block"): "pass"}),
        ("rack", 6400, {("budget", "rack"): "fail"}),
        ("", 6400, {("budget", ""): "unsure"}),
        ("toy", 6400, {("budget", ""): "unsure"}),
    ],
)
def test_a_budget_holds_for_its_target(target: str, per_block: int, said: dict[tuple[str, str], str]) -> None:
    """64 frames of 100 or 105 cycles against 102 and 6800 on the pedal, 90 on the rack."""
    settings = Cost(budgets={"pedal": Budget(102.0, 6800), "rack": Budget(90.0)})
    measured = cycles.measure(np.full(64, 64), np.full(64, per_block))
    findings = cycles.judge(measured, settings, rate_hz=48000, target=target)
    assert {(one.quantity, one.where): str(one.outcome) for one in findings} == said


def test_a_log_without_a_target_is_of_the_only_one() -> None:
    settings = Cost(budgets={"pedal": Budget(102.0)})
    (finding,) = cycles.judge(cycles.measure(np.full(64, 64), np.full(64, 6400)), settings, rate_hz=48000)
    assert (finding.tolerance, finding.candidate, str(finding.outcome)) == (102.0, 100.0, "pass")
    assert finding.golden == 0.0


def test_a_budget_of_the_target_is_kept_without_a_golden_cost(workspace: Workspace) -> None:
    check = cost_of(workspace, firmware(workspace, 6400, cost='[cost.budgets."pedal"]\ncycles_per_sample = 99'))
    assert check.reason.startswith("pedal: budget 100 cycles/sample spent, limit 99 cycles/sample")


# The log of checks/COST.md.

COST_PAGE = Path(__file__).parents[1] / "checks" / "COST.md"
HOST = """
#include <stdint.h>
static uint32_t ticks;
static uint32_t now(void) { return ticks; }
#define CYCLES_NOW() now()
%s
int main(void) {
    for (uint32_t block = 0; block < 20; block++) {
        ticks = 0xFFFFFFFFu - 100; /* turns within every block */
        uint32_t began = CYCLES_NOW();
        ticks += 6400 + block;
        cycle_log_add(64, began);
    }
    cycle_log_print(stdout, "short");
    return 0;
}
"""


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler called cc")
def test_the_log_of_the_page_is_one_that_is_read(tmp_path: Path) -> None:
    (code,) = re.findall(r"^```c\n(/\* cycle_log\.h.*?)^```$", COST_PAGE.read_text(encoding="utf-8"), re.M | re.S)
    source = written(tmp_path / "host.c", HOST % code)
    subprocess.run(["cc", "-Wall", "-Wextra", "-Werror", "-o", tmp_path / "host", source], check=True)
    said = subprocess.run([tmp_path / "host"], check=True, capture_output=True, text=True).stdout
    blocks = read_cycle_log(written(tmp_path / "cycles.csv", said)).blocks["short"]
    assert blocks.cycles.tolist() == [6400 + block for block in range(20)]
    assert set(blocks.frames) == {64}
