"""The guard-band rule at its very edges, and how findings add up."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from reverdict.judging import (
    badness,
    close,
    judge_deviation,
    not_asked,
    over_cells,
    reference_outcome,
    reference_reason,
    sentence,
    worst,
    worst_of_course,
)
from reverdict.phrases import true_minus
from reverdict.words import CheckVerdict, Finding, Outcome

PASS, FAIL, UNSURE, NOT_ASKED = Outcome.PASS, Outcome.FAIL, Outcome.UNSURE, Outcome.NOT_ASKED


def found(deviation, uncertainty=0.0, tolerance=0.5, quantity="arrival", unit="ms", where="", **more) -> Finding:
    candidate = None if deviation is None else 30.0 + deviation
    return judge_deviation(quantity, where, unit, 30.0, candidate, deviation, uncertainty, tolerance, **more)


TINY = 2.0**-40


# The edges, in binary fractions, so that they are exact. JCGM 106:2012 8.3: guarded acceptance and rejection.
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("deviation", "uncertainty", "outcome"),
    [
        (0.0, 0.0, PASS),
        (0.5, 0.0, PASS),
        (0.5 + TINY, 0.0, FAIL),
        (0.25, 0.25, PASS),
        (0.25, 0.25 + TINY, UNSURE),
        (0.0, 0.5, PASS),
        (0.0, 0.5625, UNSURE),
        (0.5, 0.0625, UNSURE),
        (0.75, 0.25, UNSURE),
        (0.75, 0.25 - TINY, FAIL),
        (0.625, 0.0625, FAIL),
        (9.0, 100.0, UNSURE),
    ],
)
def test_the_edges_of_the_guard_bands(deviation, uncertainty, outcome, sign):
    finding = found(sign * deviation, uncertainty)
    assert finding.outcome is outcome
    assert finding.reason == ("known too roughly to say" if outcome is UNSURE else "")
    assert (finding.golden, finding.deviation, finding.uncertainty) == (30.0, sign * deviation, uncertainty)


def drawn(count=500):
    """Deviation, uncertainty and a third number on a coarse grid, so that edges are met exactly."""
    draws = np.random.default_rng(3).integers(0, 17, (count, 3)) / 16.0
    draws[:, 0] -= 0.5
    return draws.tolist()


def test_the_rule_as_the_design_writes_it():
    outcomes = set()
    for deviation, uncertainty, tolerance in drawn():
        if abs(deviation) + uncertainty <= tolerance:
            expected = PASS
        elif abs(deviation) - uncertainty > tolerance:
            expected = FAIL
        else:
            expected = UNSURE
        assert found(deviation, uncertainty, tolerance).outcome is expected
        outcomes.add(expected)
    assert outcomes == {PASS, FAIL, UNSURE}


def test_more_uncertainty_never_decides():
    for deviation, uncertainty, more in drawn():
        before = found(deviation, uncertainty, 0.25).outcome
        after = found(deviation, uncertainty + more, 0.25).outcome
        assert after in (before, UNSURE)


@pytest.mark.parametrize(
    ("deviation", "outcome", "limit"),
    [(0.5, PASS, 0.5), (0.75, FAIL, 0.5), (-0.75, PASS, 4.0), (-4.0, PASS, 4.0), (-4.5, FAIL, 4.0)],
)
def test_a_limit_may_differ_below(deviation, outcome, limit):
    finding = found(deviation, tolerance_below=4.0)
    assert (finding.outcome, finding.tolerance) == (outcome, limit)


@pytest.mark.parametrize(
    ("deviation", "uncertainty", "outcome", "limit"),
    [(-99.0, 0.0, PASS, None), (0.25, 0.0, PASS, 0.5), (0.75, 0.0, FAIL, 0.5), (-1.0, 2.0, UNSURE, 0.5)],
)
def test_one_way_any_departure_may_be_well(deviation, uncertainty, outcome, limit):
    finding = found(deviation, uncertainty, tolerance_below=math.inf)
    assert (finding.outcome, finding.tolerance) == (outcome, limit)
    assert (finding.reason == "any departure this way is well") == (limit is None)


def test_of_a_way_without_limit_what_is_not_measured_has_the_other_ones():
    assert found(None, tolerance_below=math.inf).tolerance == 0.5


def course(points, needed):
    """Which of points (deviation, uncertainty) a curve is judged by, within 0.5 both ways."""
    deviation, uncertainty = np.array(points).T
    sides = np.full(len(points), 0.5), np.full(len(points), 0.5)
    return worst_of_course(deviation, uncertainty, sides, np.array(needed))


def test_a_course_is_judged_by_its_worst_needed_point_and_by_every_fail():
    well, rough, out = (0.25, 0.0), (0.0, 0.5625), (0.75, 0.0)
    assert course([well, (0.125, 0.0)], [True, True]) == 0
    assert course([well, rough], [True, False]) == 0
    assert course([well, rough], [True, True]) == 1
    assert course([well, rough, out], [True, True, False]) == 2


def test_a_course_is_judged_by_what_would_be_said_the_worst_of():
    """Every point judged by itself says the same; limits of nothing, none at all, and values that are not known."""
    random = np.random.default_rng(8)
    for _ in range(300):
        deviation = random.choice([-0.9, -0.5, -0.2, 0.0, 0.2, 0.5, 0.9, math.nan], 12)
        uncertainty = random.choice([0.0, 0.1, 0.4, math.inf], 12)
        below, above = random.choice([[0.5, 0.5], [0.3, 0.6], [math.inf, 0.5], [0.4, math.inf], [0.0, 0.5]], 12).T
        needed = random.random(12) < 0.7
        needed[0] = True
        findings = [
            found(*(float(one) for one in point[:2]), tolerance=float(point[3]), tolerance_below=float(point[2]))
            for point in zip(deviation, uncertainty, below, above, strict=True)
        ]
        failing = [at for at, one in enumerate(findings) if one.outcome is FAIL]
        asked = failing or np.flatnonzero(needed).tolist()
        expected = max(asked, key=lambda at: badness(findings[at]))
        assert worst_of_course(deviation, uncertainty, (below, above), needed) == expected


def test_an_interval_that_spans_both_limits_is_unsure():
    assert found(-1.0, 2.0, tolerance_below=4.0).outcome is UNSURE


@pytest.mark.parametrize("deviation", [None, math.nan, math.inf])
def test_what_was_not_measured_never_passes(deviation):
    finding = found(deviation, 0.0, tolerance=99.0)
    assert (finding.outcome, finding.deviation, finding.reason) == (UNSURE, None, "could not be measured")
    assert found(deviation, 0.0, reason="14 dB above the noise, T20 needs 35").reason.startswith("14 dB")
    assert found(deviation, 0.0, unmeasured=FAIL, reason="spring 2 is missing").outcome is FAIL


@pytest.mark.parametrize("uncertainty", [None, math.nan, math.inf])
def test_a_deviation_of_unknown_uncertainty_decides_nothing(uncertainty):
    finding = found(0.1, uncertainty)
    assert (finding.outcome, finding.deviation, finding.uncertainty) == (UNSURE, 0.1, None)


# Sentences


@pytest.mark.parametrize(
    ("finding", "said"),
    [
        (
            found(0.52, tolerance=0.1, where="spring 2, pass 1, 500 Hz"),
            "spring 2, pass 1, 500 Hz: 0.52 ms late, limit 0.10 ms",
        ),
        (found(-0.104, tolerance=0.1), "0.104 ms early, limit 0.100 ms"),
        (found(0.1, 0.03, 0.1), "0.10 ms late ± 0.03 ms, limit 0.10 ms; known too roughly to say"),
        (
            found(3.14, tolerance=2.0, quantity="T30", unit="%", where="1000 Hz"),
            "1000 Hz: T30 3.1 % longer, limit 2.0 %",
        ),
        (found(-3.0, tolerance=2.0, quantity="EDT", unit="%"), "EDT 3.0 % shorter, limit 2.0 %"),
        (found(12.3, tolerance=10.0, quantity="cost", unit="%"), "cost 12 % dearer, limit 10 %"),
        (found(10.2, tolerance=10.0, quantity="cost", unit="%"), "cost 10.2 % dearer, limit 10.0 %"),
        (found(-60, tolerance=50.0, quantity="cost", unit="%"), "cost 60 % cheaper, limit 50 %"),
        (
            found(408, tolerance=300.0, quantity="cost of a silent tail", unit="%"),
            "cost of a silent tail 408 % dearer than loud sound, limit 300 %",
        ),
        (found(-1, tolerance=0.5, quantity="level", unit="dB"), "level 1.00 dB quieter, limit 0.50 dB"),
        (found(1.5, tolerance=1.0, quantity="transition", unit="%"), "transition 1.5 % higher, limit 1.0 %"),
        (found(1.0, tolerance=0.25, quantity="group delay"), "group delay 1.00 ms late, limit 0.25 ms"),
        (found(0.2, tolerance=0.0, quantity="onset"), "onset 0.20 ms late, limit 0.00 ms"),
        (found(None, quantity="T20", where="125 Hz", reason="too short"), "125 Hz: T20 too short"),
        (found(None, quantity="output", reason="output is silent"), "output is silent"),
        (found(None, quantity="output", reason="wrote no output file"), "output wrote no output file"),
    ],
)
def test_a_finding_in_a_sentence(finding, said):
    assert sentence(finding) == said


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("the decay curve ends above -25 dB", "the decay curve ends above −25 dB"),
        ("(-1.5 %)", "(−1.5 %)"),
        ("falls -5…-25 dB", "falls −5…−25 dB"),
        ("1-2 passes, take-3.wav, 2026-11-25, --jobs 2", "1-2 passes, take-3.wav, 2026-11-25, --jobs 2"),
    ],
)
def test_minus_signs_are_told_from_hyphens(written, read):
    assert true_minus(written) == read
    assert found(None, reason=written).reason == read


# Adding up


def test_the_worst_finding_is_the_least_certain_outcome_then_the_largest_share():
    inside, near, out, farther = found(0.1), found(-0.4), found(0.6), found(-0.9)
    noisy, missing = found(0.5, 0.3), found(None)
    lost = found(None, unmeasured=FAIL)
    ranked = [inside, near, noisy, missing, out, farther, lost]
    for count in range(1, len(ranked) + 1):
        assert worst(ranked[:count]) is ranked[count - 1]
        assert worst(reversed(ranked[:count])) is ranked[count - 1]
    assert worst([]) is None


def test_closing_a_check():
    assert close("cost", [found(0.1), found(0.2)]) == CheckVerdict("cost", PASS, "", (found(0.1), found(0.2)), False)
    failed = close("cost", [found(0.1), found(0.75, where="spring 1")], accept_unsure="noisy rig")
    assert (failed.outcome, failed.reason, failed.closes_gate) == (FAIL, "spring 1: 0.75 ms late, limit 0.50 ms", True)


@pytest.mark.parametrize(("accept", "closes"), [(None, True), ("", True), ("noisy rig", False)])
def test_an_unsure_closes_the_gate_unless_accepted(accept, closes):
    verdict = close("cost", [found(0.1), found(0.5, 0.25)], accept)
    assert (verdict.outcome, verdict.closes_gate) == (UNSURE, closes)
    assert verdict.reason.endswith("(accepted: noisy rig)") is not closes


@pytest.mark.parametrize("accept", [None, "noisy rig"])
def test_nothing_compared_closes_the_gate(accept):
    assert close("cost", [], accept) == CheckVerdict("cost", UNSURE, "nothing compared", (), closes_gate=True)


ASKED_NOT = not_asked("cost", "recordings have no cost")
PASSED = CheckVerdict("conduct", PASS)
FAILED = CheckVerdict("echo-timing", FAIL, "late", closes_gate=True)
DOUBTED = CheckVerdict("group-delay", UNSURE, "noisy", closes_gate=True)
ACCEPTED = replace(DOUBTED, check="energy-decay", closes_gate=False)


@pytest.mark.parametrize(
    ("checks", "outcome", "reason"),
    [
        ([PASSED], PASS, ""),
        ([PASSED, ASKED_NOT], PASS, ""),
        ([PASSED, ACCEPTED], PASS, ""),
        ([PASSED, ACCEPTED, DOUBTED], UNSURE, "group-delay: noisy"),
        ([PASSED, DOUBTED, FAILED], FAIL, "echo-timing: late"),
        ([ACCEPTED, ASKED_NOT], UNSURE, "energy-decay: noisy"),
        ([ASKED_NOT, ASKED_NOT], FAIL, "nothing was asked of this reference"),
        ([], FAIL, "nothing was asked of this reference"),
    ],
)
def test_adding_up_a_reference(checks, outcome, reason):
    assert (reference_outcome(checks), reference_reason(checks)) == (outcome, reason)


def test_a_check_that_is_not_asked_does_not_close_the_gate():
    assert (ASKED_NOT.outcome, ASKED_NOT.reason, ASKED_NOT.closes_gate) == (NOT_ASKED, "recordings have no cost", False)


def test_not_asked_is_less_than_a_pass_and_a_pass_without_a_share_has_none() -> None:
    unasked = replace(found(0.0), outcome=NOT_ASKED, deviation=None)
    passing = replace(found(0.0), tolerance=None)
    assert badness(unasked)[0] < badness(passing)[0]
    assert badness(passing) == (badness(found(0.0))[0], 0.0)
    assert worst([unasked, passing]) is passing


def test_a_check_is_as_bad_as_in_its_worst_cell_and_keeps_the_findings_of_all() -> None:
    well, nearer = close("c", [found(0.1)]), close("c", [found(0.4)])
    failing = close("c", [found(0.9)])
    whole = over_cells([("", well), ("96 kHz", failing), ("44.1 kHz", nearer)])
    assert (whole.outcome, whole.closes_gate) == (FAIL, True)
    assert whole.reason.startswith("at 96 kHz: ")
    assert [one.cell for one in whole.findings] == ["", "96 kHz", "44.1 kHz"]
    accepted = close("c", [found(0.5, 0.1)], accept_unsure="known")
    told = over_cells([("", accepted), ("48 kHz", close("c", []))])
    assert told.closes_gate
    assert told.reason.endswith("nothing compared")
    assert over_cells([("", well), ("", accepted)]).closes_gate is False
    assert over_cells([("", well), ("", nearer)]).findings[1].cell == ""
