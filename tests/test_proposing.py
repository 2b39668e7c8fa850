"""Tolerances from evidence that is made up: repeats, hearing and noise each decide where it is their turn."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from reverdict.golden_set.text import proposed_tolerances
from reverdict.making import proposing
from reverdict.measure.fresh_noise import with_fresh_noise
from reverdict.measure.measurement import measure
from reverdict.words import Finding, Outcome, Response

SHARED = proposed_tolerances()
ASKED = ("echo_timing", "group_delay", "energy_decay")


def found(
    quantity: str, deviation: float | None, uncertainty: float = 0.0, where: str = "", golden: float = 1.0
) -> Finding:
    unit = {"arrival": "ms", "delay": "ms", "level": "dB", "transition frequency": "Hz"}.get(quantity, "s")
    return Finding(quantity, where, unit, golden, None, deviation, uncertainty, 0.0, Outcome.UNSURE, "no such pass")


def proposed(
    origin: str, itself: list[Finding], repeats: Any = (), noisy: Any = (), shared: Any = None
) -> dict[str, Any]:
    return {one.key: one for one in proposing.propose(origin, itself, noisy, repeats, shared or SHARED, ASKED)}


def test_repeats_differ_by_students_t_and_get_half_as_much_room() -> None:
    """Four repeats at ±0.1 ms of the first: s = 0.1 ms of five takes, t95(4) = 2.776 (JCGM 100:2008, Table G.2)."""
    repeats = [[found("arrival", deviation)] for deviation in (0.1, -0.1, 0.1, -0.1)]
    one = proposed("capture", [found("arrival", 0.0)], repeats)["arrival_ms"]
    s = float(np.std([0, 0.1, -0.1, 0.1, -0.1], ddof=1))
    assert one.value == pytest.approx(1.5 * 2.776 * np.sqrt(2) * s, rel=0.05)
    assert one.value >= 1.5 * 2.776 * np.sqrt(2) * s
    assert one.because == "repeats differ by 0.39 ms (k = 2, 5 takes)"
    assert not one.warning


def test_two_takes_tell_little_and_get_much_room() -> None:
    """t95(1) = 12.706 (JCGM 100:2008, Table G.2), s = 0.01/√2."""
    one = proposed("capture", [found("arrival", 0.0)], [[found("arrival", 0.01)]])["arrival_ms"]
    assert one.value == pytest.approx(1.5 * 12.706 * 0.01, rel=0.05)


def test_the_uncertainty_of_the_comparison_comes_on_top() -> None:
    repeats = [[found("arrival", 0.0, 0.2)] for _ in range(4)]
    assert proposed("capture", [found("arrival", 0.0)], repeats)["arrival_ms"].value == 0.3


def test_the_place_that_differs_most_decides() -> None:
    where = ("spring 1, pass 1, 500 Hz", "spring 2, pass 3, 500 Hz")
    repeats = [[found("arrival", 0.0, 0.1, where[0]), found("arrival", 0.0, 0.4, where[1])] for _ in range(3)]
    itself = [found("arrival", 0.0, 0.0, place) for place in where]
    assert proposed("capture", itself, repeats)["arrival_ms"].value == 0.6


def test_takes_that_agree_closely_are_not_trusted_beyond_a_tenth_of_what_is_heard() -> None:
    repeats = [[found("EDT", 0.0005), found("level", 0.001)] for _ in range(4)]
    both = proposed("capture", [found("EDT", 0.0), found("level", 0.0)], repeats)
    # ISO 3382-1:2009, Table A.1: EDT 5 %, level 1 dB.
    assert (both["edt_percent"].value, both["level_db"].value) == (0.5, 0.1)
    assert both["edt_percent"].because.endswith("(k = 2, 5 takes); a tenth of what is heard")
    assert both["level_db"].because.startswith("repeats differ by 0.0018 dB")


def test_without_repeats_half_of_what_is_heard_is_allowed() -> None:
    itself = [found("arrival", 0.0), found("T30", 0.0), found("delay", 0.0, 0.0, "spring 1, 1000 Hz")]
    all_of_them = proposed("capture", itself)
    assert (all_of_them["arrival_ms"].value, all_of_them["t30_percent"].value) == (0.5, 2.5)
    # J. Blauert, P. Laws, JASA 63(5), 1978: 3.2, 2, 1, 1.5, 2 ms.
    assert all_of_them["delay_ms"].value == [[500, 1.6], [1000, 1.0], [2000, 0.5], [4000, 0.75], [8000, 1.0]]
    assert {one.because for one in all_of_them.values()} == {"half of what is heard"}


def test_what_spreads_beyond_hearing_is_said_plainly() -> None:
    one = proposed("capture", [found("level", 0.0)], [[found("level", 0.0, 4.0)] for _ in range(3)])["level_db"]
    assert one.value == 6
    assert one.because.endswith("; beyond what is heard, 1 dB")
    assert one.warning == (
        "level_db = 6 dB is wider than what is heard, 1 dB: repeats differ by 4 dB; steadier or quieter, it is tighter"
    )


def test_no_tolerance_is_so_tight_that_noise_makes_it_unsure() -> None:
    """The uncertainty that counts is the largest, of the golden beside itself and of copies with other noise."""
    itself = [found("T30", 0.0, 0.03), found("arrival", 0.0)]
    noisy = [[found("T30", 0.0, 0.01), found("arrival", 0.0, 0.4)] for _ in range(3)]
    for origin, repeats in (
        ("capture", ()),
        ("build", ()),
        ("capture", [[found("T30", 0.0), found("arrival", 0.0)]] * 2),
    ):
        both = proposed(origin, itself, repeats, noisy)
        assert both["t30_percent"].value == 7.5
        assert "2.5 times what noise of its own moves it by, 3 %" in both["t30_percent"].because
        assert both["t30_percent"].warning
        assert both["arrival_ms"].value == 1


def test_noise_is_the_spread_of_copies_and_not_their_bias() -> None:
    noisy = [[found("level", 3.0 + change)] for change in (-0.1, 0.1, -0.1, 0.1)]
    one = proposed("capture", [found("level", 0.0)], (), noisy)["level_db"]
    s = float(np.std([-0.1, 0.1, -0.1, 0.1], ddof=1))
    assert one.value == pytest.approx(2.5 * 2 * np.sqrt(2) * s, rel=0.05)


def test_a_build_keeps_the_shared_tolerance_where_it_is_enough() -> None:
    itself = [found("arrival", 0.0), found("T30", 0.0), found("delay", 0.0, 0.0, "spring 1, 1000 Hz")]
    repeats = [[found("arrival", 0.0, 0.05), found("T30", 0.0, 0.001)] for _ in range(3)]
    assert proposed("build", itself) == {}
    assert proposed("build", itself, repeats) == {}
    wide = [[found("arrival", 0.0, 0.1)] for _ in range(3)]
    assert proposed("build", itself, wide)["arrival_ms"].value == 0.15
    two_sided = {"echo_timing": {"arrival_ms": {"above": 0.5, "below": [[100, 0.2], [1000, 0.2]]}}}
    assert proposed("build", [found("arrival", 0.0)], wide, shared=two_sided) == {}


def test_where_no_threshold_is_known_the_shared_tolerance_is_the_tightest() -> None:
    name = "transition frequency"
    itself = [found(name, 0.0, 0.0, "spring 1", 4000.0)]
    assert proposed("capture", itself) == {}
    assert proposed("capture", itself, [[found(name, 0.0, 20.0, "spring 1", 4000.0)]] * 3) == {}  # 0.75 %, 1 is shared
    one = proposed("capture", itself, [[found(name, 0.0, 80.0, "spring 1", 4000.0)]] * 3)["transition_percent"]
    assert one.value == 3
    assert not one.warning


def test_a_curve_allows_every_frequency_what_it_needs() -> None:
    needs = {200.0: 0.5, 250.0: 0.02, 500.0: 0.03, 1000.0: 0.04, 2000.0: 0.3, 2500.0: 0.35, 4000.0: 2.0}
    places = {hz: f"spring 1, {hz:g} Hz" for hz in needs}
    itself = [found("delay", 0.0, 0.0, place) for place in places.values()]
    repeats = [[found("delay", 0.0, needs[hz], place) for hz, place in places.items()] for _ in range(4)]
    one = proposed("capture", itself, repeats)["delay_ms"]
    corners, limits = zip(*one.value, strict=True)
    assert list(corners) == sorted(corners)
    for hz, need in needs.items():
        assert np.interp(np.log(hz), np.log(corners), limits) >= 1.5 * need - 1e-9, hz
    assert np.interp(np.log(1000.0), np.log(corners), limits) < 0.5
    assert one.because.startswith(
        "repeats differ by 0.02 to 2 ms (k = 2, 5 takes); beyond what is heard at 3150, 5000 Hz"
    )
    assert one.warning.startswith("delay_ms at 3150 Hz = 3 ms is wider than what is heard")


def test_a_decay_curve_gets_the_room_that_its_repeats_need() -> None:
    def curve(deviation: float, uncertainty: float, tolerance: float) -> Finding:
        return Finding(
            "decay curve", "500 Hz, at 1.00 s", "dB", -30.0, None, deviation, uncertainty, tolerance, Outcome.PASS
        )

    assert proposing.curve_proposal([curve(-0.1, 0.1, 0.31), found("T30", 9.0)], 0.1, 4) == []
    (one,) = proposing.curve_proposal([curve(-0.2, 0.1, 0.3), curve(0.0, 0.0, 0.3)], 0.1, 4)
    assert (one.table, one.key, one.value) == ("energy_decay", "curve_db", 0.25)
    assert one.because == "repeats' decay curves (k = 2, 5 takes) need 0.15 dB more than level_db"
    assert not one.warning
    (loud,) = proposing.curve_proposal([curve(2.0, 0.0, 1.0)], 0.5, 0)
    assert loud.value == 2.5
    assert loud.warning.startswith("curve_db = 2.5 dB is wider than what is heard, 1 dB: decay curves of copies")


def test_what_is_not_asked_gets_no_tolerance() -> None:
    itself = [found("arrival", 0.0), found("level", 0.0)]
    assert [one.key for one in proposing.propose("capture", itself, (), (), SHARED, ("energy_decay",))] == ["level_db"]


def test_a_pass_that_a_repeat_lacks_is_not_asked() -> None:
    lost = [found("arrival", None, where="spring 2, pass 3, 500 Hz"), found("arrival", 0.0, where="spring 1, pass 1")]
    assert proposing.clear_passes(3, [[], lost]) == 2
    assert proposing.clear_passes(3, [[found("arrival", None, where="spring 1, pass 1, 500 Hz")]]) == 1
    assert proposing.missing(lost) == lost[:1]


def test_what_no_repeat_would_do_is_found() -> None:
    late = found("arrival", -11.0, where="spring 1, pass 1, 500 Hz")
    assert proposing.strangest([found("level", 9.0), late]) is late
    assert proposing.strangest([found("level", 9.0), found("EDT", 0.4), found("arrival", 9.0)]) is None


# Copies with fresh noise.


def hall(noise: float, seconds: float = 3.0) -> Response:
    random = np.random.default_rng(8)
    time_s = np.arange(int(48000 * seconds)) / 48000
    dying = random.standard_normal(time_s.size) * np.exp(-6.91 * time_s / 0.8)
    return Response((dying + noise * random.standard_normal(time_s.size))[np.newaxis], 48000)


def test_copies_have_the_noise_of_the_golden_and_each_its_own() -> None:
    golden = hall(1e-2)
    copies = with_fresh_noise(golden, measure(golden))
    added = [copy.samples[0] - golden.samples[0] for copy in copies]
    assert len(added) == 4
    # White noise of 0.01 in the octaves of 125 Hz to 8 kHz: 88.4 Hz to 11.3 kHz of 24 kHz.
    expected = 1e-2 * np.sqrt((11313.7 - 88.4) / 24000)
    for one in added:
        assert np.std(one) == pytest.approx(expected, rel=0.1)
    assert abs(np.corrcoef(added)[0, 1]) < 0.05
    again = with_fresh_noise(golden, measure(golden))
    assert all((one.samples == other.samples).all() for one, other in zip(copies, again, strict=True))


def test_a_golden_without_noise_is_given_next_to_none() -> None:
    golden = hall(0.0)
    for copy in with_fresh_noise(golden, measure(golden)):
        assert abs(copy.samples - golden.samples).max() < 1e-5 * abs(golden.samples).max()  # −100 dB
    silent = Response(np.zeros((1, 4800)), 48000)
    assert with_fresh_noise(silent, measure(silent)) == []
