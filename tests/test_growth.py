"""How cost grows, what a build needs and keeps: closed forms, the judge, and real builds that are stopped or pass."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from growing_builds import build
from growth_truth import FAULTS, REQUEST, SETTINGS, findings_of, made, stopped_by
from loads import load
from reverdict.check.growth import LONGER, as_json, judge
from reverdict.growing import observe
from reverdict.measure.growth import (
    AxisRuns,
    Figure,
    Grown,
    Growth,
    Needs,
    Play,
    PointRuns,
    growth_of,
    growth_with_length,
    leak_of,
    least,
)
from reverdict.reference import Cost
from reverdict.render import Build, Limits, working_folder
from reverdict.words import BuildIdentity, Outcome

needs_cc = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler")

# Closed forms


def runs(power: float, overhead: float = 0.0) -> AxisRuns:
    """C = overhead + (n/512)ᵖ; of five runs the first is undisturbed."""
    slower = (1.0, 1.0, 1.2, 1.7, 3.0)
    points = tuple(
        PointRuns(n, tuple(1e-3 * one * (overhead + (n / 512) ** power) for one in slower)) for n in (64, 512, 4096)
    )
    return AxisRuns("block size", "frames", points)


@pytest.mark.parametrize("power", [0.0, 1.0, 2.0, 3.0])
def test_the_exponent_of_a_power_is_exact(power: float) -> None:
    grown = growth_of(runs(power))
    assert grown.exponent == pytest.approx(power, abs=1e-12)
    assert grown.slope == pytest.approx(power, abs=1e-12)
    # Two ends of 5 % each over ln 8.
    assert grown.uncertainty == pytest.approx(np.hypot(0.05, 0.05) / np.log(8))


def test_overhead_hides_growth_at_small_sizes_so_the_last_step_counts() -> None:
    grown = growth_of(runs(2.0, overhead=1.0))
    assert grown.exponent == pytest.approx(np.log(65 / 2) / np.log(8))
    assert grown.slope is not None
    assert grown.slope < grown.exponent


def test_runs_that_differ_make_it_uncertain_and_too_few_or_none_tell_nothing() -> None:
    noisy = AxisRuns("sample rate", "Hz", tuple(PointRuns(at, (1.0, 1.5, 1.5, 1.5)) for at in (48e3, 96e3)))
    calm = AxisRuns("sample rate", "Hz", tuple(PointRuns(at, (1.0, 1.0, 1.5, 1.5)) for at in (48e3, 96e3)))
    assert growth_of(noisy).uncertainty > 3 * growth_of(calm).uncertainty
    for seconds in ((1.0, 1.0), (0.0, 1.0, 1.0), (-1e-3, 1.0, 1.0)):
        grown = growth_of(AxisRuns("sample rate", "Hz", (PointRuns(1, seconds), PointRuns(2, seconds))))
        assert grown.exponent is None
        assert grown.why_not


def played(cost: np.ndarray, resident: np.ndarray, seconds: float = 10.0) -> Play:
    at = np.linspace(0.0, seconds, resident.size + 1)[1:]
    return Play(0.1, 5.0, np.linspace(0.0, seconds, cost.size + 1)[1:], cost, at, resident)


FLAT = np.full(160, 5e4)


def test_length_is_linear_or_quadratic_whatever_one_play_suffers() -> None:
    even, rising = np.full(1000, 1e-4), np.arange(1, 1001) * 1e-6
    disturbed = even.copy()
    disturbed[300:420] *= 5
    for costs, expected in ((even, 1.0), (rising, 2.0)):
        grown = growth_with_length([played(costs, FLAT), played(costs, FLAT)])
        assert grown.exponent == pytest.approx(expected, abs=2e-3)
    assert growth_with_length([played(even, FLAT), played(disturbed, FLAT)]).exponent == pytest.approx(1.0)


@pytest.mark.parametrize("kb_per_s", [0.0, 5.0, 93.75, 5000.0])
def test_a_leak_is_the_slope_of_resident_memory_in_pages(kb_per_s: float) -> None:
    at = np.linspace(0.0, 10.0, 161)[1:]
    leak = leak_of([played(np.ones(160), 4.0 * np.floor((5e4 + kb_per_s * at) / 4.0))])
    assert leak.uncertainty is not None
    assert abs(leak.value - kb_per_s) <= leak.uncertainty
    assert leak.uncertainty <= 3.0 + 0.02 * kb_per_s


def test_steps_of_an_allocator_are_no_leak() -> None:
    """One step, anywhere; what was taken early; and what one play alone shows."""
    for place in range(1, 159):
        stepped = FLAT + 2000.0 * (np.arange(160) >= place)
        assert leak_of([played(np.ones(160), stepped)]).value == 0.0
    warming = FLAT + 500.0 * np.minimum(np.arange(160), 70)
    assert leak_of([played(np.ones(160), warming)]).value == 0.0
    leaking = FLAT + 10.0 * np.arange(160)
    assert leak_of([played(np.ones(160), leaking), played(np.ones(160), FLAT)]).value == 0.0


def test_memory_that_is_not_told_is_not_asked() -> None:
    assert not leak_of([played(np.ones(160), np.full(160, np.nan))]).applies
    assert not least([np.nan, np.nan], 0.1).applies
    assert least([3.0, 2.0, 2.5], 0.0) == Figure(2.0, 0.5)


# Judging


def test_only_what_grows_faster_than_linearly_is_stopped() -> None:
    for power, outcome in ((0.2, Outcome.PASS), (1.2, Outcome.PASS), (1.4, Outcome.UNSURE), (2.0, Outcome.FAIL)):
        (finding,) = judge(Grown((growth_of(runs(power)),)), SETTINGS)
        assert (finding.quantity, finding.where, finding.outcome) == ("growth", "block size", outcome)
    assert (finding.golden, finding.candidate, finding.deviation) == pytest.approx((1.0, 2.0, 1.0))
    assert finding.reason == "twice the block costs 4.0 times as much a block; linear would be 2"


def test_what_cannot_be_asked_is_not_and_what_failed_is_unsure() -> None:
    refused = AxisRuns("channels", "paths", (), ("stereo-to-stereo: no",), "stereo-to-stereo: no", applies=False)
    crashed = AxisRuns("sample rate", "Hz", (), ("96 kHz: died",), "96 kHz: died", applies=True)
    outcomes = [one.outcome for one in judge(Grown((growth_of(refused), growth_of(crashed))), SETTINGS)]
    assert outcomes == [Outcome.NOT_ASKED, Outcome.UNSURE]


def test_beside_growth_with_length_no_other_is_told() -> None:
    steep = growth_of(runs(2.0))
    length = Growth("length", "s", 2.0, 0.1)
    block, long = judge(Grown((steep, length)), SETTINGS)
    assert (block.outcome, block.reason, long.outcome) == (Outcome.NOT_ASKED, LONGER, Outcome.FAIL)


def test_needs_are_held_against_the_baseline_and_small_ones_against_nothing() -> None:
    def found(setup: float, memory: float, golden: Needs | None) -> set[str]:
        return stopped_by(
            judge(Grown(candidate=Needs(Figure(setup, 0.01), Figure(memory, 0.1)), golden=golden), SETTINGS)
        )

    usual, tiny = (Needs(Figure(s, 0.0), Figure(m, 0.0)) for s, m in ((1.0, 50.0), (0.001, 0.1)))
    assert found(1.2, 55.0, usual) == set()
    assert found(1.4, 55.0, usual) == {"set-up"}
    assert found(1.2, 70.0, usual) == {"memory"}
    assert found(0.6, 30.0, usual) == {"set-up", "memory"}
    assert found(9.0, 900.0, None) == set()
    assert (
        stopped_by(judge(Grown(candidate=Needs(Figure(0.004, 0.001), Figure(0.9, 0.05)), golden=tiny), SETTINGS))
        == set()
    )


def test_a_leak_is_held_against_nothing_and_is_not_asked_where_it_cannot_be() -> None:
    for kb_per_s, outcome in (
        (15.0, Outcome.PASS),
        (19.0, Outcome.UNSURE),
        (25.0, Outcome.FAIL),
        (-90.0, Outcome.PASS),
    ):
        (finding,) = judge(Grown(leak=Figure(kb_per_s, 3.0)), SETTINGS)
        assert (finding.quantity, finding.unit, finding.golden, finding.outcome) == ("leak", "kB/s", 0.0, outcome)
    (finding,) = judge(Grown(leak=Figure(why_not="no memory is told", applies=False)), SETTINGS)
    assert (finding.outcome, finding.reason) == (Outcome.NOT_ASKED, "no memory is told")
    (finding,) = judge(Grown(leak=Figure(why_not="died")), SETTINGS)
    assert (finding.outcome, finding.reason) == (Outcome.UNSURE, "died")


def test_needs_that_are_missing_say_why_and_both_uncertainties_count() -> None:
    """20 % of 50 MB are 10 MB."""
    well, rough = Figure(50.0, 3.0), Figure(50.0)
    no, died = Figure(why_not="not of recordings", applies=False), Figure(why_not="died")

    def memory(own: Figure, golden: Figure) -> tuple[Outcome, float | None, float | None, str]:
        grown = Grown(candidate=Needs(Figure(1.0, 0.0), own), golden=Needs(Figure(1.0, 0.0), golden))
        (found,) = [one for one in judge(grown, SETTINGS) if one.quantity == "memory"]
        return found.outcome, found.uncertainty, found.tolerance, found.reason

    assert memory(Figure(57.0, 4.0), well) == (Outcome.UNSURE, 5.0, 10.0, "known too roughly to say")
    assert memory(Figure(55.0, 4.0), rough) == (Outcome.PASS, 4.0, 10.0, "")
    assert memory(Figure(0.1, 0.0), Figure(0.9, 0.1))[:3] == (Outcome.PASS, pytest.approx(0.1), 1.0)
    nothing = Grown(candidate=Needs(Figure(0.2, 0.0), well), golden=Needs(Figure(0.0, 0.0), well))
    assert [one.tolerance for one in judge(nothing, SETTINGS)] == [0.01, 10.0]
    assert memory(Figure(0.5, 0.1), Figure(0.0, 0.0))[:3] == (Outcome.PASS, pytest.approx(0.1), 1.0)
    for one, other in ((no, well), (well, no)):
        assert memory(one, other) == (Outcome.NOT_ASKED, None, None, "not of recordings")
    for one, other in ((died, well), (well, died)):
        assert memory(one, other)[::3] == (Outcome.UNSURE, "died")


def test_nothing_is_judged_that_has_no_tolerance() -> None:
    needs = Needs(Figure(1.0, 0.0), Figure(1.0, 0.0))
    grown = Grown((growth_of(runs(2.0)),), needs, needs, Figure(100.0, 1.0))
    assert judge(grown, Cost()) == []
    assert {one.quantity for one in judge(grown, SETTINGS)} == {"growth", "leak", "set-up", "memory"}


def test_it_is_ready_for_json() -> None:
    told = as_json(
        Grown((growth_of(runs(1.0)),), Needs(Figure(1.0, 0.1), Figure(why_not="no")), None, Figure(2.0, 1.0))
    )
    assert told["growth"][0]["points"][1] == {"at": 512, "cost": pytest.approx(1e-3)}
    assert told["setup_s"] == {"golden": None, "candidate": 1.0}
    assert told["leak_kb_per_s"] == {"candidate": 2.0, "uncertainty": 1.0}
    both = as_json(Grown((), None, Needs(Figure(1.0, 0.1), Figure(5.0, 0.1))))
    assert both["setup_s"] == {"golden": 1.0, "candidate": None}
    assert both["memory_mb"] == {"golden": 5.0, "candidate": None}
    assert both["leak_kb_per_s"] is None


# Real builds. A busy machine may leave something unsure: up to three tries, and never a fail by another name.


def stopped_in_three(folder: Path, kind: str, fault: str) -> set[str]:
    expected = FAULTS.get(fault, set())
    for _ in range(3):
        with working_folder() as work:
            found = findings_of(made(folder, kind, fault), made(folder, kind), kind, work)
        if stopped_by(found) == expected:
            break
    return stopped_by(found)


SHORT = [("library", "BLOCK"), ("library", ""), ("library", "LEAK"), ("python", "LEAK"), ("command", "LEAK")]


@pytest.mark.few(2)
@needs_cc
@pytest.mark.parametrize(("kind", "fault"), SHORT)
def test_a_build_is_stopped_by_what_it_does_and_by_nothing_else(tmp_path: Path, kind: str, fault: str) -> None:
    assert stopped_in_three(tmp_path, kind, fault) == FAULTS.get(fault, set())


@needs_cc
@pytest.mark.slow
@pytest.mark.parametrize("fault", ["", *FAULTS])
@pytest.mark.parametrize("kind", ["library", "command", "python"])
def test_every_fault_is_stopped_twenty_times_of_twenty(tmp_path: Path, kind: str, fault: str) -> None:
    """Half of them while both cores are busy. A fault may be unsure, which closes the gate as well; innocents pass."""
    for turn in range(20 if fault else 30):
        with load("busy" if turn % 2 else "idle"), working_folder() as work:
            found = findings_of(made(tmp_path, kind, fault), made(tmp_path, kind), kind, work)
        assert stopped_by(found, Outcome.FAIL) <= FAULTS.get(fault, set()) <= stopped_by(found), turn
        assert fault or not stopped_by(found), turn


@pytest.mark.parametrize("name", ["Convolution"])
def test_n_log_n_in_bursts_passes(tmp_path: Path, name: str) -> None:
    convolution = build(tmp_path, "python", name=name)
    with working_folder() as work:
        found = judge(observe(convolution, convolution, REQUEST, SETTINGS, work), SETTINGS)
    assert stopped_by(found, Outcome.FAIL) == set()
    assert "leak" not in stopped_by(found, Outcome.UNSURE)  # its memory rises and falls, and stays


def test_a_build_that_sums_all_it_has_heard_grows_with_length_and_leaks(tmp_path: Path) -> None:
    with working_folder() as work:
        found = findings_of(build(tmp_path, "python", "APPEND"), build(tmp_path, "python"), "python", work, grows=False)
    assert stopped_by(found, Outcome.FAIL) == {"length", "leak"}


REFUSES = """
import os
class Reverb:
    def __init__(self, sample_rate, fault=""):
        if sample_rate > 48000 and fault == "refuses": raise ValueError("48 kHz only")
        if sample_rate > 48000 and fault == "dies": os.kill(os.getpid(), 9)
        if fault == "never": raise ValueError("not today")
    def process(self, block):
        return 0.5 * block
"""


@pytest.mark.parametrize(
    ("fault", "outcome", "reason"),
    [("refuses", Outcome.NOT_ASKED, "48 kHz only"), ("dies", Outcome.UNSURE, "96 kHz: died by SIGKILL")],
)
def test_a_rate_that_is_refused_is_not_put_and_one_that_kills_is_unsure(
    tmp_path: Path, fault: str, outcome: Outcome, reason: str
) -> None:
    (tmp_path / "narrow.py").write_text(REFUSES, encoding="utf-8")
    identity = BuildIdentity("narrow", "1", "python")
    own = Build(identity, "python", tmp_path, object="narrow:Reverb", parameters={"fault": fault}, limits=Limits(20.0))
    with working_folder() as work:
        found = {one.where: one for one in judge(observe(own, None, REQUEST, SETTINGS, work), SETTINGS)}
    assert found["sample rate"].outcome is outcome
    assert reason in found["sample rate"].reason
    assert found["block size"].outcome is not Outcome.NOT_ASKED


def test_a_build_that_never_starts_is_unsure_and_recordings_are_not_asked(tmp_path: Path) -> None:
    (tmp_path / "narrow.py").write_text(REFUSES, encoding="utf-8")
    identity = BuildIdentity("narrow", "1", "python")
    never = Build(identity, "python", tmp_path, object="narrow:Reverb", parameters={"fault": "never"})
    takes = Build(identity, "recordings", tmp_path)
    for own, outcome, why in (
        (never, Outcome.UNSURE, "not today"),
        (takes, Outcome.NOT_ASKED, "recordings have no cost"),
    ):
        with working_folder() as work:
            found = judge(observe(own, None, REQUEST, SETTINGS, work), SETTINGS)
        assert {one.outcome for one in found} == {outcome}
        assert all(why in one.reason for one in found)
