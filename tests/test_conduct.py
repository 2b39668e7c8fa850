"""Conduct: a finding that says whether there is usable output, and one for all that was observed besides."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from reverdict.check import conduct
from reverdict.measure.manners import Observed
from reverdict.reference import Conduct, Tolerance
from reverdict.render import Failure, Rendered
from reverdict.words import Finding, Outcome, Response

RENDERED = Rendered(Response(np.array([[0.5, -0.25]]), 48000))
ASKED = Conduct(
    repeats_percent=Tolerance.both_ways(1.0), move_percent=Tolerance.both_ways(1.0),
    level_scaling_percent=Tolerance.both_ways(1.0), headroom_db=Tolerance.both_ways(0.5),
)  # fmt: skip


def judged(*observed: Observed, settings: Conduct = ASKED) -> list[Finding]:
    """What is found beside the output."""
    output, *others = conduct.judge(RENDERED, None, settings, observed)
    assert (output.quantity, output.outcome) == ("output", Outcome.PASS)
    return others


def test_a_usable_output_passes_with_its_notes():
    rendered = Rendered(Response(np.array([[0.5, -0.25]]), 48000), ("longer than asked", "odd"))
    (finding,) = conduct.judge(rendered, None, Conduct())
    assert (finding.quantity, finding.outcome, finding.reason) == ("output", Outcome.PASS, "longer than asked; odd")
    # 20 lg 0.5 (derived)
    assert conduct.measure(rendered).peak_db == pytest.approx(-6.0206, abs=1e-4)


def test_a_failure_fails_with_its_reason():
    failure = Failure("died by SIGSEGV (segmentation fault)")
    (finding,) = conduct.judge(failure, None, Conduct())
    assert (finding.outcome, finding.reason) == (Outcome.FAIL, "died by SIGSEGV (segmentation fault)")
    assert conduct.measure(failure).peak_db is None


@pytest.mark.parametrize(
    ("amount", "uncertainty", "outcome"), [(0.9, 0.1, "pass"), (0.9, 0.2, "unsure"), (1.2, 0.1, "fail")]
)
def test_what_departs_is_held_against_its_tolerance(amount: float, uncertainty: float, outcome: str) -> None:
    (found,) = judged(Observed("repeats_percent", amount, uncertainty, "left"))
    assert (found.quantity, found.where, found.unit) == ("same click again", "left", "%")
    assert (found.golden, found.candidate, found.deviation) == (0.0, amount, amount)
    assert (found.uncertainty, found.tolerance, str(found.outcome)) == (uncertainty, 1.0, outcome)
    assert ("a random seed" in found.reason) == (outcome == "fail")


def test_what_is_in_db_counts_both_ways_and_a_remark_stands_before_what_is_likely() -> None:
    (quieter,) = judged(Observed("headroom_db", -0.6, 0.01))
    assert (quieter.quantity, quieter.unit, quieter.outcome) == ("peak for noise", "dB", Outcome.FAIL)
    assert quieter.reason == ""  # nothing is likely behind it
    (softer,) = judged(Observed("level_scaling_percent", 5.0, 0.1, name="click 40 dB softer", remark="at -46 dB"))
    assert softer.quantity == "click 40 dB softer"
    assert softer.reason == f"at −46 dB; {conduct.LIKELY['level_scaling_percent']}"


def test_a_deviation_without_bound_is_written_as_a_number() -> None:
    (found,) = judged(Observed("headroom_db", np.inf))
    assert (found.deviation, found.outcome) == (conduct.MOST, Outcome.FAIL)


def test_what_cannot_be_put_is_not_asked_but_what_is_to_be_moved_must_move() -> None:
    still, alone = judged(
        Observed("move_percent", None, not_put="it cannot be moved"),
        Observed("reset_percent", None, where="left", not_put="it has no reset"),
    )
    assert (still.quantity, still.outcome) == ("click of a moved parameter", Outcome.UNSURE)
    assert (alone.quantity, alone.where, alone.outcome) == ("click after a reset", "left", Outcome.NOT_ASKED)
    assert (still.reason, alone.reason) == ("it cannot be moved", "it has no reset")


def test_what_could_not_be_played_is_output_that_fails() -> None:
    (found,) = judged(Observed("output", None, where="noise", why_not="died"))
    assert (found.quantity, found.where, found.outcome, found.reason) == ("output", "noise", Outcome.FAIL, "died")


def test_what_is_declared_is_not_asked_and_says_why() -> None:
    (found,) = judged(settings=Conduct(declared={"time_variance": "modulated on purpose"}))
    assert (found.quantity, found.unit, found.outcome) == ("later click", "percent", Outcome.NOT_ASKED)
    assert found.reason == "modulated on purpose"


@pytest.mark.parametrize(
    ("quantity", "outcome", "expected"),
    [
        ("same click again", Outcome.FAIL, True), ("later click", Outcome.FAIL, True),
        ("click 40 dB softer", Outcome.FAIL, True), ("click turned over", Outcome.FAIL, True),
        ("click amid noise", Outcome.UNSURE, False), ("click amid noise", Outcome.FAIL, True),
        ("click after a reset", Outcome.FAIL, False), ("sound for silence", Outcome.FAIL, False),
    ],
)  # fmt: skip
def test_only_what_fails_and_says_so_is_not_linear(quantity: str, outcome: Outcome, expected: bool) -> None:
    found = Finding(quantity, "", "%", 0.0, 9.0, 9.0, 0.0, 1.0, outcome, "")
    well = Finding("click turned over", "", "%", 0.0, 0.0, 0.0, 0.0, 1.0, Outcome.PASS, "")
    assert conduct.is_not_linear([well, found]) is expected


def test_stray_sound_is_held_above_the_golden_alone_and_tells_its_place() -> None:
    def found(excess_db: float, asked: Tolerance | None) -> list[Finding]:
        stray = SimpleNamespace(time_s=0.25, low_hz=44.2, high_hz=88.4, excess_db=excess_db, level_db=-41.4)
        paths = [SimpleNamespace(path="left", stray=stray), SimpleNamespace(path="right", stray=None)]
        beside: Any = SimpleNamespace(paths=paths)
        return conduct.judge(RENDERED, beside, Conduct(stray_db=asked))[1:]

    (louder,) = found(13.0, Tolerance.both_ways(12.0))
    assert (louder.quantity, louder.where) == ("stray sound", "left, at 0.25 s, 44 to 88 Hz")
    assert (louder.golden, louder.candidate, louder.deviation, louder.uncertainty) == (0.0, 13.0, 13.0, 0.0)
    assert (louder.unit, louder.tolerance, louder.outcome) == ("dB", 12.0, Outcome.FAIL)
    assert louder.reason == "−41 dB re the golden's loudest"
    assert [one.outcome for one in found(11.0, Tolerance.both_ways(12.0))] == [Outcome.PASS]
    assert [one.outcome for one in found(-99.0, Tolerance.both_ways(12.0))] == [Outcome.PASS]
    assert found(13.0, None) == []
