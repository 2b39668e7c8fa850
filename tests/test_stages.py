"""Functions gathered into stages."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from reverdict.measure.stages import OTHER, compare, group, most_changed, plain_name, stage_of


@dataclass(frozen=True)
class Function:
    name: str
    file: str = ""
    per_sample: float = 1.0


STAGES = {
    "dispersion": ("chain_step", "allpass_*", "Chain::*", "dispersion.c:*"),
    "delay": ("delay.[ch]:read", "*_line"),
    "mix": ("*",),
}


@pytest.mark.parametrize(
    ("name", "file", "stage"),
    [
        ("chain_step", "", "dispersion"),
        ("chain_step.constprop.0", "", "dispersion"),
        ("allpass_2.isra.0.part.1", "", "dispersion"),
        ("Chain::step(double, float const*)", "chain.cpp", "dispersion"),
        ("anything", "/home/me/src/dispersion.c", "dispersion"),
        ("read", "delay.h", "delay"),
        ("read", "delays.h", "mix"),
        ("delay_line", "", "delay"),
        ("Chain_Step", "", "mix"),
    ],
)
def test_the_first_stage_with_a_pattern_that_matches_takes_a_function(name: str, file: str, stage: str) -> None:
    assert stage_of(Function(name, file), STAGES) == stage


def test_what_no_pattern_matches_is_other() -> None:
    assert stage_of(Function("main"), {"dispersion": ("chain_*",)}) == OTHER
    assert group([Function("main", per_sample=3.0)], {"dispersion": ("chain_*",)}) == {"dispersion": 0.0, OTHER: 3.0}


def test_stages_add_up_to_the_whole() -> None:
    functions = [Function(name, per_sample=cost) for name, cost in (("chain_step", 5.0), ("a_line", 2.0), ("x", 0.5))]
    costs = group(functions, {"delay": ("*_line",), "dispersion": ("chain_*",)})
    assert list(costs) == ["delay", "dispersion", OTHER]
    assert costs == {"delay": 2.0, "dispersion": 5.0, OTHER: 0.5}


@pytest.mark.parametrize(
    ("given", "plain"),
    [
        ("f.constprop.0", "f"), ("f.isra.0.cold", "f"), ("fwrite@@GLIBC_2.2.5", "fwrite"), ("A::f(int) const", "A::f"),
        ("(anonymous namespace)::f(int)", "(anonymous namespace)::f"), ("g<int>(int)", "g<int>"), ("v1.2", "v1.2"),
        ("0x00000000000010f0", "0x00000000000010f0"),
    ],
)  # fmt: skip
def test_what_the_compiler_added_is_taken_off(given: str, plain: str) -> None:
    assert plain_name(given) == plain


def test_two_builds_are_compared_stage_by_stage() -> None:
    stages = compare({"old": 1.0, "dispersion": 10.0}, {"dispersion": 12.5, "new": 2.0})
    assert [(one.stage, one.golden, one.candidate) for one in stages] == [
        ("dispersion", 10.0, 12.5), ("new", 0.0, 2.0), ("old", 1.0, 0.0),
    ]  # fmt: skip
    moved = most_changed(stages)
    assert moved is not None
    assert (moved.stage, moved.change) == ("dispersion", 2.5)


def test_nothing_is_said_of_a_golden_whose_stages_are_not_known() -> None:
    (one,) = compare({}, {"dispersion": 12.5})
    assert (one.golden, one.change) == (None, None)
    assert most_changed([one]) is None
