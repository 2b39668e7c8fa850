"""What a build costs, put together: which of counts, time and growth decide, and what is told when one is missing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from conftest import RATE_HZ, Workspace
from counted_builds import compiled_command, compiled_library, lack
from reverdict import costing, golden_set, judging
from reverdict.check.cost import PARALLEL
from reverdict.reference import Cost, Tolerance
from reverdict.render import Build, Limits, Request, counting, working_folder
from reverdict.render.counting import Count
from reverdict.render.timing import open_timer
from reverdict.words import BuildIdentity, CheckVerdict, Outcome
from test_cost import Rounds

needs_counter = pytest.mark.skipif(bool(lack()), reason=f"not countable here: {lack()}")
REQUEST = Request("short", rate_hz=RATE_HZ, block_size=512)
ONE_PERCENT = Cost(dearer_percent=1000.0, cheaper_percent=100.0, instructions_percent=Tolerance.both_ways(1.0))


def observed(
    workspace: Workspace, build: Build, baseline: Build | None, settings: Cost, *, timed: bool = False
) -> tuple[CheckVerdict, dict[str, Any]]:
    """The check cost as ``trial`` closes it, and what is told besides. Without ``timed``, as in a parallel run."""
    reference = replace(golden_set.references(workspace.golden)[0], cost=settings)
    asked = costing.Asked(build, baseline, reference, REQUEST)
    with working_folder() as work:
        findings, told = costing.observe(asked, work, Rounds(disabled=not timed))
    return judging.close("cost", findings, settings.accept_unsure), told


@needs_counter
def test_counts_open_the_gate_where_time_cannot_be_told(workspace: Workspace, tmp_path: Path) -> None:
    same = compiled_command(tmp_path)
    verdict, told = observed(workspace, same, same, ONE_PERCENT)
    assert (verdict.outcome, verdict.closes_gate) == (Outcome.PASS, False)
    by_count, by_time = verdict.findings
    assert (by_count.quantity, by_count.deviation) == ("instructions", pytest.approx(0.0, abs=1e-3))
    assert (by_time.quantity, by_time.outcome) == ("cost", Outcome.NOT_ASKED)
    assert by_time.reason == f"counts decide; by time {PARALLEL}"
    assert told["counted"]["golden_from"] == "baseline"
    assert told["timed"]["why_not"] == PARALLEL


def test_counts_close_it_whatever_time_says(
    workspace: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is counted is made up: the same build, once without and once with two percent more."""
    same = spinning(tmp_path)
    dearer = replace(same, identity=replace(same.identity, version="2"))
    counts = {"1": Count(100.0, 0.0, samples=1), "2": Count(102.0, 0.0, samples=1)}
    monkeypatch.setattr(costing, "count", lambda build, *_, **__: counts[build.identity.version])
    verdict, _ = observed(workspace, dearer, same, ONE_PERCENT, timed=True)
    assert verdict.closes_gate
    assert [(one.quantity, str(one.outcome)) for one in verdict.findings] == [
        ("instructions", "fail"),
        ("cost", "pass"),
    ]


def test_time_alone_that_cannot_be_told_closes_it(workspace: Workspace, tmp_path: Path) -> None:
    build = spinning(tmp_path)
    verdict, _ = observed(workspace, build, build, Cost(dearer_percent=1000.0, cheaper_percent=100.0))
    assert (verdict.outcome, verdict.closes_gate, verdict.reason) == (Outcome.UNSURE, True, f"cost {PARALLEL}")


@pytest.mark.few(1)
@pytest.mark.parametrize(("enough", "closes"), [("", True), ("this machine has none", False)])
def test_without_a_counter_it_closes_unless_time_is_enough(
    workspace: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, enough: str, closes: bool
) -> None:
    monkeypatch.setattr(counting, "counter_version", lambda: "")
    build = spinning(tmp_path)
    settings = replace(ONE_PERCENT, timed_is_enough=enough)
    verdict, told = observed(workspace, build, build, settings, timed=True)
    assert verdict.closes_gate == closes
    assert "not measured: no valgrind here" in verdict.findings[0].reason
    assert verdict.findings[0].outcome is (Outcome.UNSURE if closes else Outcome.NOT_ASKED)
    assert verdict.findings[1].outcome is Outcome.PASS
    assert told["counted"]["candidate"] is None


@pytest.mark.slow
@needs_counter
def test_what_the_reference_keeps_holds_on_its_class_of_machine(workspace: Workspace, tmp_path: Path) -> None:
    build = replace(compiled_library(tmp_path), stages={"dispersion": ("chain_step",)})
    with working_folder() as work:
        kept = costing.price(build, REQUEST, work, ["instructions_per_sample"]).keys
    assert 0.8 < kept["stages"]["dispersion"] / kept["instructions_per_sample"] < 1.0
    settings = replace(ONE_PERCENT, **kept)
    verdict, told = observed(workspace, build, None, settings)
    assert (verdict.outcome, told["counted"]["golden_from"]) == (Outcome.PASS, "reference")
    assert told["counted"]["stages"][0]["golden"] == pytest.approx(kept["stages"]["dispersion"])
    dearer = replace(compiled_library(tmp_path, "SECTIONS=110"), stages=build.stages)
    verdict, _ = observed(workspace, dearer, None, settings)
    assert verdict.outcome is Outcome.FAIL
    assert "dispersion +" in verdict.reason
    verdict, _ = observed(workspace, build, None, replace(settings, counted_on="another"))
    assert (verdict.outcome, verdict.closes_gate) == (Outcome.UNSURE, True)
    assert "the golden was counted on another" in verdict.reason


@pytest.mark.slow
def test_growth_and_leaks_are_judged_where_they_are_asked(workspace: Workspace, tmp_path: Path) -> None:
    leaking = spinning(tmp_path, keeps=True)
    settings = Cost(dearer_percent=1000.0, cheaper_percent=100.0, leak_kb_per_s=20.0)
    verdict, told = observed(workspace, leaking, leaking, settings, timed=True)
    assert verdict.outcome is Outcome.FAIL
    assert verdict.reason.startswith("leak ")
    assert told["leak_kb_per_s"]["candidate"] > 20.0
    _, told = observed(workspace, leaking, leaking, replace(settings, leak_kb_per_s=None), timed=True)
    assert "leak_kb_per_s" not in told


def test_work_of_threads_that_end_is_timed(tmp_path: Path) -> None:
    """The same work in the thread that calls, and in one that is started and ended in every block."""
    costs = []
    for threaded in (False, True):
        working = spinning(tmp_path, threaded=threaded, size=1 << 20)
        with working_folder() as work, open_timer(working, REQUEST, work) as timer:
            costs.append(min(timer.seconds_per_sample() or 0.0 for _ in range(5)))
    assert 0.8 < costs[1] / costs[0] < 3.0


SPINNING = """
import hashlib, threading
import numpy as np
class Reverb:
    def __init__(self, sample_rate, size=1 << 17, keeps=False, threaded=False):
        self.sound, self.keeps, self.threaded, self.kept = bytes(size), keeps, threaded, []
    def process(self, block):
        if self.threaded:
            thread = threading.Thread(target=hashlib.sha256, args=(self.sound,))
            thread.start()
            thread.join()
        else:
            hashlib.sha256(self.sound)
        if self.keeps:
            self.kept.append(np.ones(512))
        return block.copy()
"""


def spinning(folder: Path, **parameters: float) -> Build:
    (folder / "spinning.py").write_text(SPINNING)
    identity = BuildIdentity("spinning", "1", "python")
    return Build(
        identity, "python", folder, object="spinning:Reverb", parameters=parameters, limits=Limits(seconds=60.0)
    )
