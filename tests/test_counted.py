"""Counts against the golden's, against stages and against budgets: the judge, which runs nothing."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from reverdict import judging
from reverdict.check import counted
from reverdict.reference import Budget, Cost, Tolerance
from reverdict.render.counting import Count, FunctionCost, Misses
from reverdict.words import Outcome

STAGES = {"dispersion": ("chain_*",), "delay": ("delay_*",)}
ASKED = Cost(instructions_percent=Tolerance.both_ways(0.5))
IMPOSSIBLE = Count(why_not="no valgrind here", impossible_here=True)


def count(chain: float = 50.0, delay: float = 30.0, rest: float = 20.0, **more: object) -> Count:
    functions = (
        FunctionCost("chain_step", "chain.c", "a.so", chain),
        FunctionCost("delay_read.isra.0", "delay.c", "a.so", delay),
        FunctionCost("main", "main.c", "a.so", rest),
    )
    return replace(Count(chain + delay + rest, 0.0, functions, samples=1, tool="callgrind 3.19.0"), **more)


def judge(golden: Count, candidate: Count, settings: Cost = ASKED):
    return counted.judge(
        counted.of_build(golden, STAGES, "baseline"), counted.of_build(candidate, STAGES), settings
    )  # fmt: skip


def test_what_has_become_dearer_is_told_with_the_stage_that_did_it() -> None:
    (finding,) = judge(count(), count(chain=51.0))
    assert (finding.quantity, finding.unit, finding.outcome) == ("instructions", "instructions/sample", Outcome.FAIL)
    assert (finding.golden, finding.candidate, finding.deviation, finding.tolerance) == (100.0, 101.0, 1.0, 0.5)
    assert finding.reason == "+1 %, dispersion +1.0 instructions a sample, 50 % of the whole"
    assert "dearer" in judging.sentence(finding)


def test_cheaper_counts_too() -> None:
    assert judge(count(), count(chain=40.01))[0].reason.startswith("−10 %, dispersion −10.0 ")
    assert judge(count(), count(chain=59.94))[0].reason.startswith("+9.9 %, dispersion +9.9 ")
    (finding,) = judge(count(), count(delay=20.0))
    assert finding.outcome is Outcome.FAIL
    assert finding.reason.startswith("−10 %, delay −10.0 instructions a sample")
    one_way = Cost(instructions_percent=Tolerance(Tolerance.both_ways(50.0).below, ASKED.instructions_percent.above))
    assert judge(count(), count(delay=20.0), one_way)[0].outcome is Outcome.PASS


def test_without_stages_the_function_is_told() -> None:
    golden, candidate = counted.of_build(count(), {}, "baseline"), counted.of_build(count(chain=51.0), {})
    (finding,) = counted.judge(golden, candidate, ASKED)
    assert "chain_step +1.0 instructions a sample" in finding.reason


def test_the_same_passes_and_what_does_not_repeat_is_unsure() -> None:
    assert judge(count(), count())[0].outcome is Outcome.PASS
    assert judge(count(), count(uncertainty=0.6))[0].outcome is Outcome.UNSURE
    assert judge(count(), count(chain=51.0, uncertainty=2.0))[0].reason == "known too roughly to say; +1 %"
    assert judge(count(), count(uncertainty=0.3))[0].outcome is Outcome.PASS


def test_stages_are_held_in_percent_of_the_whole() -> None:
    settings = Cost(stages_percent=Tolerance.both_ways(1.0))
    # The whole stays: what one stage saves another one spends.
    findings = {one.where: one for one in judge(count(), count(chain=52.0, delay=28.0, rest=20.5), settings)}
    assert {where: one.outcome for where, one in findings.items()} == {
        "dispersion": Outcome.FAIL, "delay": Outcome.FAIL, "other": Outcome.PASS,
    }  # fmt: skip
    assert findings["dispersion"].tolerance == 1.0


def test_misses_are_held_in_percent_of_those_of_the_first_level() -> None:
    settings = Cost(cache_misses_percent=Tolerance.both_ways(10.0))
    golden, candidate = count(misses=Misses(2.0, 0.0, 0.0)), count(misses=Misses(2.1, 0.3, 0.0))
    first, last = judge(golden, candidate, settings)
    assert (first.where, first.outcome) == ("first level", Outcome.PASS)
    assert (last.where, last.outcome, last.tolerance) == ("last level", Outcome.FAIL, pytest.approx(0.2))
    (finding,) = judge(count(), candidate, settings)
    assert finding.outcome is Outcome.UNSURE


@pytest.mark.parametrize(("budget", "outcome"), [(100.0, Outcome.PASS), (99.0, Outcome.FAIL), (500.0, Outcome.PASS)])
def test_a_budget_is_an_upper_bound(budget: float, outcome: Outcome) -> None:
    settings = Cost(budgets={"pedal": Budget(instructions_per_sample=budget), "desk": Budget(cycles_per_sample=5.0)})
    assert counted.wanted(settings)
    (finding,) = judge(IMPOSSIBLE, count(), settings)  # needs no golden
    assert (finding.quantity, finding.where, finding.tolerance, finding.outcome) == ("budget", "pedal", budget, outcome)
    assert finding.share_of_tolerance == pytest.approx(100.0 / budget)


def test_nothing_passes_because_it_could_not_be_counted() -> None:
    (finding,) = judge(count(), IMPOSSIBLE)
    assert (finding.outcome, finding.reason) == (Outcome.UNSURE, "not measured: no valgrind here")
    assert judging.close("cost", [finding]).closes_gate
    (finding,) = judge(replace(IMPOSSIBLE, why_not="crashed"), count())
    assert finding.reason == "not measured: baseline: crashed"


def test_timed_cost_may_be_enough_where_nothing_can_be_counted() -> None:
    settings = replace(ASKED, timed_is_enough="the gate runs on a machine without valgrind")
    (finding,) = judge(IMPOSSIBLE, IMPOSSIBLE, settings)
    assert finding.outcome is Outcome.NOT_ASKED
    assert "(accepted: the gate runs on a machine without valgrind)" in finding.reason
    assert not judging.close("cost", [finding]).closes_gate
    # A build that crashes while it is counted is no machine that cannot count.
    assert judge(count(), Count(why_not="crashed"), settings)[0].outcome is Outcome.UNSURE
    assert judge(count(), count(chain=51.0), settings)[0].outcome is Outcome.FAIL


def test_the_reference_s_own_count_holds_on_its_class_of_machine_only() -> None:
    settings = replace(ASKED, instructions_per_sample=100.0, counted_on="x86_64", stages={"dispersion": 50.0})
    candidate = counted.of_build(count(chain=51.0), STAGES)
    here = counted.of_reference(settings, "x86_64")
    assert here.stages == {"dispersion": 50.0, "other": 50.0}
    (finding,) = counted.judge(here, candidate, settings)
    assert finding.outcome is Outcome.FAIL
    (finding,) = counted.judge(counted.of_reference(settings, "aarch64"), candidate, settings)
    assert finding.outcome is Outcome.UNSURE
    assert "counted on x86_64" in finding.reason
    assert counted.of_reference(settings, "aarch64").impossible_here
    (finding,) = counted.judge(counted.of_reference(ASKED, "x86_64"), candidate, ASKED)
    assert "no golden count" in finding.reason


def test_a_budget_that_cannot_be_counted_needs_no_golden_to_be_accepted() -> None:
    settings = Cost(budgets={"pedal": Budget(instructions_per_sample=100.0)}, timed_is_enough="no valgrind there")
    (finding,) = judge(IMPOSSIBLE, IMPOSSIBLE, settings)
    assert finding.outcome is Outcome.NOT_ASKED
    assert judge(IMPOSSIBLE, Count(why_not="crashed"), settings)[0].outcome is Outcome.UNSURE


def test_a_stage_that_no_function_fits_is_unsure_and_not_cheaper() -> None:
    settings = replace(ASKED, stages_percent=Tolerance.both_ways(0.5))
    misspelt = counted.of_build(count(), {"dispersion": ("chian_*",)})
    golden = counted.of_build(count(), {"dispersion": ("chain_*",)})
    whole, stage, other = counted.judge(golden, misspelt, settings)
    assert whole.outcome is Outcome.PASS
    assert [(one.where, one.outcome) for one in (stage, other)] == [
        ("dispersion", Outcome.UNSURE),
        ("other", Outcome.UNSURE),
    ]
    assert "misspelt" in stage.reason
    told = counted.as_json(golden, misspelt, {})["stages"]
    assert {one["stage"]: one["candidate"] for one in told} == {"dispersion": None, "other": None}


def test_a_build_that_names_no_stages_is_unsure_in_all_of_them() -> None:
    settings = replace(ASKED, stages_percent=Tolerance.both_ways(0.5))
    whole, *stages = counted.judge(counted.of_build(count(), STAGES), counted.of_build(count(), {}), settings)
    assert whole.outcome is Outcome.PASS
    assert {one.outcome for one in stages} == {Outcome.UNSURE}


def test_a_stage_that_nobody_has_is_not_passed_over() -> None:
    settings = replace(ASKED, stages_percent=Tolerance.both_ways(0.5))
    both = counted.of_build(count(), {"dispersion": ("chian_*",)})
    finding = next(one for one in counted.judge(both, both, settings) if one.where == "dispersion")
    assert finding.outcome is Outcome.NOT_ASKED
    assert "misspelt" in finding.reason


def test_what_was_counted_has_no_reason_why_not() -> None:
    golden, candidate = counted.of_build(count(), STAGES, "baseline"), counted.of_build(count(), STAGES)
    assert counted.as_json(golden, candidate, STAGES)["why_not"] == ""
    failed = counted.of_build(Count(why_not="crashed"), STAGES, "baseline")
    assert counted.as_json(failed, candidate, STAGES)["why_not"] == "baseline: crashed"


def test_nothing_is_found_where_nothing_is_asked() -> None:
    assert not counted.wanted(Cost())
    assert counted.wanted(ASKED)
    assert judge(count(), count(chain=90.0), Cost()) == []


def test_all_of_it_is_ready_for_json() -> None:
    golden, candidate = counted.of_build(count(), STAGES, "baseline"), counted.of_build(count(chain=51.0), STAGES)
    told = json.loads(json.dumps(counted.as_json(golden, candidate, STAGES)))
    assert (told["golden"], told["candidate"], told["golden_from"]) == (100.0, 101.0, "baseline")
    assert told["stages"][0] == {"stage": "dispersion", "golden": 50.0, "candidate": 51.0}
    many = tuple(FunctionCost(f"f{number}", "f.c", "a.so", number) for number in range(50))
    dearest = counted.as_json(golden, counted.of_build(count(functions=many), STAGES), STAGES)["functions"]
    assert [one["function"] for one in dearest[:3]] == ["chain_step", "f49", "f48"]
    assert len(dearest) == 20
    assert told["functions"][1] == {"function": "delay_read", "stage": "delay", "golden": 30.0, "candidate": 30.0}
    assert told["misses"] == {level: {"golden": None, "candidate": None} for level in ("first_level", "last_level")}
    nothing = json.loads(json.dumps(counted.as_json(golden, counted.of_build(IMPOSSIBLE, STAGES), STAGES)))
    assert (nothing["candidate"], nothing["stages"], nothing["why_not"]) == (None, [], "no valgrind here")
