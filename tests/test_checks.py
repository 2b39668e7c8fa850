"""The checks of the sound on made-up measurements: what is a finding, of which sign and size, by which limit.

No sound is measured here, so that every number is known; ``mutation.py`` holds these tests against small changes.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from reverdict.check import echo_timing, energy_decay, group_delay
from reverdict.measure.lag import OnsetLag, PassLag
from reverdict.reference import EchoTiming, EnergyDecay, FrequencyTolerance, GroupDelay, Tolerance
from reverdict.words import Finding, Outcome

LAW = "1:3:5"
GRID_HZ = np.arange(100.0, 5001.0, 25.0)
NONE = PassLag(np.zeros(0), np.zeros(0), np.zeros(0), why_not="not found")


def lag(ms: float = 0.0, uncertainty_ms: float = 0.01, by_hz_ms: float = 0.0, polarity: int = 1) -> PassLag:
    """Late by so much at 500 Hz, and by ``by_hz_ms`` more for each Hz above."""
    late = 1e-3 * (ms + by_hz_ms * (GRID_HZ - 500.0))
    return PassLag(GRID_HZ, late, np.full(GRID_HZ.size, 1e-3 * uncertainty_ms), polarity)


def spring(
    first_ms: float,
    passes: int = 3,
    transition_hz: float | None = 4000.0,
    top_hz: float = 4500.0,
    from_hz: float = 0.0,
    law: str = LAW,
) -> Any:
    """Passes at 1:3:5; its curve rises by 1 ms for each kHz."""
    curve = SimpleNamespace(
        frequency_hz=GRID_HZ[(from_hz <= GRID_HZ) & (top_hz >= GRID_HZ)],
        at=lambda hz: 1e-3 * (first_ms + 1e-3 * (hz - 500.0)),
    )
    times = [SimpleNamespace(number=n + 1, time_s=1e-3 * first_ms * (2 * n + 1)) for n in range(passes)]
    transition = SimpleNamespace(frequency_hz=transition_hz)
    return SimpleNamespace(pass_law=law, passes=times, curve=curve, transition=transition)


def path(*springs: Any, name: str = "", why_none: str = "no echo repeats") -> Any:
    found = SimpleNamespace(springs=springs, arrival_hz=500.0, why_none=why_none)
    return SimpleNamespace(path=name, springs=found)


def judged(
    settings: EchoTiming, passes: list[list[PassLag]], golden: Any = None, onset: OnsetLag | None = None,
    moved_back_s: float = 0.0,
) -> list[Finding]:  # fmt: skip
    golden = golden or path(*(spring(30.0 + 10 * n) for n in range(len(passes))))
    candidate = SimpleNamespace(path=golden.path, passes=passes, onset=onset, tail=None)
    beside: Any = SimpleNamespace(paths=[candidate], moved_back_s=moved_back_s)
    measured: Any = SimpleNamespace(paths=[golden])
    return echo_timing.judge(measured, beside, settings)


def asked(springs: int = 1, passes: int = 3, **more: Any) -> EchoTiming:
    limits = {"arrival_ms": Tolerance.both_ways(0.1), "onset_ms": Tolerance.both_ways(0.1), **more}
    return EchoTiming(springs=springs, pass_law=LAW, passes=passes, **limits)


def told(findings: list[Finding], quantity: str = "arrival") -> list[tuple[str, float | None, str]]:
    return [
        (one.where, None if one.deviation is None else round(one.deviation, 6), str(one.outcome))
        for one in findings
        if one.quantity == quantity
    ]


# Echo timing.


def test_each_pass_that_is_asked_is_judged_at_its_time() -> None:
    findings = judged(asked(passes=2), [[lag(0.05), lag(-0.2), lag(9.0)]])
    assert told(findings) == [
        ("spring 1, pass 1, 500 Hz", 0.05, "pass"),
        ("spring 1, pass 2, 500 Hz", -0.2, "fail"),
    ]
    assert {one.quantity for one in findings} == {"arrival", "polarity"}
    first, second = (one for one in findings if one.quantity == "arrival")
    assert (first.golden, first.candidate) == (pytest.approx(30.0), pytest.approx(30.05))
    assert (second.golden, second.candidate) == (pytest.approx(90.0), pytest.approx(89.8))
    assert (first.unit, first.uncertainty, first.tolerance) == ("ms", pytest.approx(0.01), 0.1)


def test_second_springs_and_paths_are_named() -> None:
    golden = path(spring(30.0), spring(41.0), name="left")
    findings = judged(asked(2, 1), [[lag()] * 3, [lag(0.3)] * 3], golden)
    assert told(findings) == [
        ("left, spring 1, pass 1, 500 Hz", 0.0, "pass"), ("left, spring 2, pass 1, 500 Hz", 0.3, "fail"),
    ]  # fmt: skip


def test_a_pass_that_is_lost_fails_and_one_that_cannot_be_read_is_unsure() -> None:
    narrow = PassLag(np.array([3000.0, 3025.0]), np.zeros(2), np.zeros(2))
    findings = [one for one in judged(asked(), [[lag(), NONE, narrow]]) if one.quantity == "arrival"]
    assert [str(one.outcome) for one in findings] == ["pass", "fail", "unsure"]
    assert findings[1].reason == "not found"
    assert findings[2].reason == "this pass is not to be read at 500 Hz in the candidate"


def test_passes_that_the_golden_itself_lacks_are_said() -> None:
    findings = judged(asked(passes=4), [[lag()] * 3])
    assert [str(one.outcome) for one in findings if one.quantity == "arrival"] == ["pass"] * 3 + ["unsure"]
    assert "the golden holds 3 passes of this spring, its reference asks for 4" in [one.reason for one in findings]


@pytest.mark.parametrize(
    ("golden", "said"),
    [
        (path(spring(30.0)), "2 springs by 1:3:5; found 1 by 1:3:5"),
        (path(), "2 springs by 1:3:5; found no echo repeats"),
        (path(spring(30.0), spring(41.0, law="1:2:3")), "2 springs by 1:3:5; found 2 by 1:2:3, 1:3:5"),
    ],
)
def test_a_golden_unlike_its_reference_is_unsure(golden: Any, said: str) -> None:
    passes = [[lag()] * 3 for _ in golden.springs.springs]
    (finding,) = [one for one in judged(asked(2), passes, golden) if one.quantity == "springs"]
    assert finding.outcome is Outcome.UNSURE
    assert finding.reason.endswith(said)


def test_of_two_limits_the_wider_holds() -> None:
    """One percent of 30 ms is 0.3 ms, of 90 ms 0.9."""
    findings = judged(asked(arrival_percent=Tolerance.both_ways(1.0)), [[lag(0.2), lag(0.95), lag(0.2)]])
    assert [outcome for *_, outcome in told(findings)] == ["pass", "fail", "pass"]


def test_polarity_is_that_of_the_first_pass() -> None:
    assert told(judged(asked(), [[lag(), lag(polarity=-1), lag()]]), "polarity") == [("spring 1, pass 1", 0.0, "pass")]
    turned = [one for one in judged(asked(), [[lag(polarity=-1), lag(), lag()]]) if one.quantity == "polarity"]
    assert [(one.outcome, one.golden, one.candidate) for one in turned] == [(Outcome.FAIL, 1, -1)]
    (same,) = [one for one in judged(asked(), [[lag()] * 3]) if one.quantity == "polarity"]
    assert (same.golden, same.candidate) == (1, 1)
    assert told(judged(asked(), [[NONE, lag(), lag()]]), "polarity") == []


def test_a_latency_that_is_allowed_is_taken_out_of_all_passes_and_told_itself() -> None:
    settings = asked(latency_ms=Tolerance.both_ways(2.0))
    findings = judged(settings, [[lag(0.4, 0.03), lag(0.44, 0.04), lag(0.7, 0.04)]], moved_back_s=1e-3)
    assert told(findings, "latency") == [("", 1.4, "pass")]
    assert next(one for one in findings if one.quantity == "latency").uncertainty == pytest.approx(0.03)
    assert told(findings) == [("spring 1, pass 2, 500 Hz", 0.04, "pass"), ("spring 1, pass 3, 500 Hz", 0.3, "fail")]
    second = next(one for one in findings if one.quantity == "arrival")
    assert second.uncertainty == pytest.approx(0.05)  # the root of both squares
    (late,) = [one for one in judged(settings, [[lag(2.5)] * 3]) if one.quantity == "latency"]
    assert late.outcome is Outcome.FAIL
    (lost,) = [one for one in judged(settings, [[NONE, lag(), lag()]]) if one.quantity == "latency"]
    assert (lost.outcome, lost.reason) == (Outcome.UNSURE, "what sounds first no longer looks like the golden's")


def test_without_springs_the_onset_is_judged() -> None:
    settings, golden = asked(0, 0), path()
    for ms, outcome in ((0.05, "pass"), (-0.3, "fail")):
        assert told(judged(settings, [], golden, OnsetLag(1e-3 * ms, 1e-5)), "onset") == [("", ms, outcome)]
    (lost,) = judged(settings, [], golden, OnsetLag(None, why_not="another sound"))
    assert (lost.quantity, lost.outcome, lost.reason) == ("onset", Outcome.UNSURE, "another sound")
    turned = judged(settings, [], golden, OnsetLag(0.0, 1e-5, -1))
    assert [one.outcome for one in turned if one.quantity == "polarity"] == [Outcome.FAIL]
    with_latency = judged(asked(0, 0, latency_ms=Tolerance.both_ways(1.0)), [], golden, OnsetLag(5e-4, 1e-5))
    assert told(with_latency, "latency") == [("", 0.5, "pass")]
    assert told(with_latency, "onset") == []
    for half in (OnsetLag(5e-4, None), OnsetLag(None, 1e-5)):
        unsure = judged(asked(0, 0, latency_ms=Tolerance.both_ways(1.0)), [], golden, half)
        assert {(one.quantity, one.outcome) for one in unsure} == {
            ("latency", Outcome.UNSURE), ("onset", Outcome.UNSURE),
        }  # fmt: skip


def test_the_onset_of_another_path_counts_from_the_latency_of_the_first() -> None:
    goldens = [path(name=name) for name in ("left", "right")]
    paths = [
        SimpleNamespace(path=one.path, passes=[], onset=onset, tail=None)
        for one, onset in zip(goldens, (OnsetLag(5e-4, 3e-5), OnsetLag(5.4e-4, 4e-5)), strict=True)
    ]
    measured: Any = SimpleNamespace(paths=goldens)
    beside: Any = SimpleNamespace(paths=paths, moved_back_s=0.0)
    findings = echo_timing.judge(measured, beside, asked(0, 0, latency_ms=Tolerance.both_ways(1.0)))
    assert told(findings, "onset") == [("right", 0.04, "pass")]
    assert next(one for one in findings if one.quantity == "onset").uncertainty == pytest.approx(0.05)


def tail(lags_ms: list[float], uncertainty_ms: float | list[float] = 0.01, **more: Any) -> list[Finding]:
    """Lags at 0.1 s, 0.2 s and so on, of a golden that falls by 100 dB a second; limits of 0.2 ms. NaN tells none."""
    lags_s = 1e-3 * np.array(lags_ms)
    heard = np.isfinite(lags_s)
    whole = {
        "time_s": np.array(more.pop("at_s", 0.1 * np.arange(1, lags_s.size + 1))),
        "told": heard, "lag_s": lags_s[heard],
        "uncertainty_s": np.broadcast_to(1e-3 * np.array(uncertainty_ms), lags_s.shape)[heard],
        "agrees_until_s": more.pop("agrees_until_s", None), "heard_until_s": more.pop("heard_until_s", 2.0),
    }  # fmt: skip
    onset, latency = more.pop("onset", OnsetLag(0.0, 1e-5)), more.pop("latency_ms", None)
    golden = path(name="left")
    curve_s = np.arange(0, 1, 1 / 128)
    golden.decay = SimpleNamespace(whole=SimpleNamespace(curve_s=curve_s, curve_db=-100 * curve_s))
    if more.pop("no_decay", False):
        golden.decay.whole = SimpleNamespace(curve_s=np.zeros(0), curve_db=np.zeros(0))
    lags = SimpleNamespace(**{"whole": SimpleNamespace(**whole), "time_scale": None, "why_not": "", **more})
    candidate = SimpleNamespace(path="left", passes=[], onset=onset, tail=lags)
    measured: Any = SimpleNamespace(paths=[golden])
    beside: Any = SimpleNamespace(paths=[candidate], moved_back_s=0.0)
    limits = {"tail_lag_ms": Tolerance.both_ways(0.2), "latency_ms": latency}
    return [one for one in echo_timing.judge(measured, beside, asked(0, 0, **limits)) if one.quantity == "tail lag"]


def test_the_worst_lag_of_a_tail_is_judged_down_to_60_db() -> None:
    assert told(tail([0.0, 0.05, -0.15, 0.1]), "tail lag") == [("left, at 0.30 s", -0.15, "pass")]
    assert told(tail([0.0, 0.05, -0.25, 0.1]), "tail lag") == [("left, at 0.30 s", -0.25, "fail")]
    assert told(tail([0.0, 0.1, 0.0, 0.0, 0.0, 9.0]), "tail lag") == [("left, at 0.20 s", 0.1, "pass")]
    assert told(tail([0.0, 9.0], at_s=[0.1, 76 / 128]), "tail lag") == [("left, at 0.59 s", 9.0, "fail")]
    assert told(tail([0.0, float("nan"), 0.1]), "tail lag") == [("left, at 0.30 s", 0.1, "pass")]
    (finding,) = tail([0.15], 0.1)
    assert (finding.outcome, finding.uncertainty, finding.unit) == (Outcome.UNSURE, pytest.approx(0.1), "ms")
    assert (finding.golden, finding.candidate, finding.tolerance) == (0.0, pytest.approx(0.15), 0.2)


def test_windows_of_a_tail_that_are_known_too_roughly_are_left_out_while_others_are_not() -> None:
    """Half of 0.2 ms is what a window must be known to; only one that surely fails is told besides."""
    assert told(tail([0.05, 0.12], [0.01, 0.15]), "tail lag") == [("left, at 0.10 s", 0.05, "pass")]
    assert told(tail([0.05, 0.12], [0.01, 0.0999]), "tail lag") == [("left, at 0.20 s", 0.12, "unsure")]
    assert told(tail([0.05, 0.5], [0.01, 0.15]), "tail lag") == [("left, at 0.20 s", 0.5, "fail")]
    assert told(tail([0.05, 0.12], [0.15, 0.15]), "tail lag") == [("left, at 0.20 s", 0.12, "unsure")]


def test_a_tail_counts_from_the_latency_that_is_allowed() -> None:
    found = tail([0.55], 0.04, latency_ms=Tolerance.both_ways(1.0), onset=OnsetLag(5e-4, 3e-5))
    assert told(found, "tail lag") == [("left, at 0.10 s", 0.05, "pass")]
    assert found[0].uncertainty == pytest.approx(0.05)  # the root of both squares


@pytest.mark.parametrize(
    ("more", "outcome", "reason"),
    [
        ({"agrees_until_s": 0.5}, Outcome.FAIL, "no longer the golden's sound from 0.50 s on"),
        ({"agrees_until_s": 0.7}, Outcome.PASS, ""),  # more than 60 dB down
        ({"agrees_until_s": 0.5, "heard_until_s": 0.4}, Outcome.PASS, ""),
        ({"agrees_until_s": 0.4, "heard_until_s": 0.4}, Outcome.PASS, ""),
        ({"time_scale": 1.0884}, Outcome.FAIL, "all its times are the golden's times 1.0884"),
        ({"why_not": "the candidate is silent"}, Outcome.FAIL, "the candidate is silent"),
        ({"no_decay": True}, Outcome.UNSURE, "no window of the tail tells a lag"),
    ],
)
def test_a_tail_that_is_no_longer_the_golden_s_fails(more: dict[str, Any], outcome: Outcome, reason: str) -> None:
    (finding,) = tail([0.0, 0.05], **more)
    assert (finding.outcome, finding.reason) == (outcome, reason)


# Group delay.


def curve(first: PassLag, golden: Any = None, moved_hz: float | None = 4000.0, **more: Any) -> list[Finding]:
    golden = golden or path(spring(30.0))
    transition = SimpleNamespace(frequency_hz=moved_hz, uncertainty_hz=4.0, why_not="no edge")
    passes = [[first]] * len(golden.springs.springs)
    candidate = SimpleNamespace(path=golden.path, passes=passes, transitions=[transition] * len(passes))
    settings = GroupDelay(delay_ms=Tolerance.both_ways(0.25), transition_percent=Tolerance.both_ways(1.0), **more)
    beside: Any = SimpleNamespace(paths=[candidate])
    measured: Any = SimpleNamespace(paths=[golden])
    return group_delay.judge(measured, beside, settings)


def test_the_shape_of_the_curve_counts_and_no_lag_of_the_whole() -> None:
    findings = [one for one in curve(lag(7.0, 0.03, by_hz_ms=1e-4)) if one.quantity == "delay"]
    # Third-octaves from 200 Hz to 0.85 of 4 kHz, but for the one of the arrival.
    assert [one.where for one in findings] == [
        f"spring 1, {hz:g} Hz" for hz in group_delay.FREQUENCIES_HZ if hz <= 3400 and hz != 500
    ]
    for one in findings:
        hz = float(one.where.split()[-2])
        assert one.deviation == pytest.approx(1e-4 * (hz - 500))
        assert one.golden == pytest.approx(1e-3 * (hz - 500))
        assert one.candidate == pytest.approx(one.golden + one.deviation)
        assert one.uncertainty == pytest.approx(0.03 * np.sqrt(2))
        assert (one.outcome is Outcome.PASS) == (abs(one.deviation) + one.uncertainty <= 0.25)


def test_judged_frequencies_are_third_octaves() -> None:
    """Preferred numbers (ISO 266), which stand by 10^(n/10)."""
    preferred = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0]
    series = [round(decade * one, 3) for decade in (100, 1000) for one in preferred]
    assert list(group_delay.FREQUENCIES_HZ) == [hz for hz in series if 200 <= hz <= 6300]


def test_where_the_curve_ends_judging_ends() -> None:
    assert group_delay.judged_frequencies(spring(30.0, from_hz=500.0))[0] == 500.0
    assert group_delay.judged_frequencies(spring(30.0, top_hz=1000.0))[-1] == 1000.0
    assert group_delay.judged_frequencies(spring(30.0, transition_hz=None))[-1] == 4000.0
    assert group_delay.judged_frequencies(spring(30.0, transition_hz=1000.0))[-1] == 800.0


def test_a_first_pass_that_is_gone_fails_at_every_frequency() -> None:
    findings = [one for one in curve(NONE) if one.quantity == "delay"]
    assert {(one.outcome, one.reason) for one in findings} == {(Outcome.FAIL, "not found")}
    narrow = PassLag(GRID_HZ[GRID_HZ < 1100], np.zeros(40), np.zeros(40))
    lost = {one.where: one.outcome for one in curve(narrow) if one.quantity == "delay"}
    assert lost["spring 1, 1000 Hz"] is Outcome.PASS
    assert lost["spring 1, 1250 Hz"] is Outcome.FAIL


def test_a_percentage_of_the_delay_holds_where_it_is_wider() -> None:
    """Two percent of 30 ms and more."""
    plain = curve(lag(by_hz_ms=1e-4, uncertainty_ms=0.0), delay_percent=Tolerance.both_ways(2.0))
    assert {one.outcome for one in plain if one.quantity == "delay"} == {Outcome.PASS}
    (one,) = [one for one in plain if one.where == "spring 1, 2500 Hz"]
    assert one.tolerance == pytest.approx(0.64)


@pytest.mark.parametrize(
    ("moved_hz", "outcome", "more"),
    [
        (4000.0, Outcome.PASS, {}), (4030.0, Outcome.PASS, {}), (3950.0, Outcome.FAIL, {}), (4050.0, Outcome.FAIL, {}),
        (4050.0, Outcome.PASS, {"transition_hz": Tolerance.both_ways(60.0)}), (None, Outcome.FAIL, {}),
    ],
)  # fmt: skip
def test_the_transition_frequency(moved_hz: float | None, outcome: Outcome, more: dict[str, Any]) -> None:
    (finding,) = [one for one in curve(lag(), moved_hz=moved_hz, **more) if one.quantity == "transition frequency"]
    assert finding.outcome is outcome
    assert (finding.golden, finding.tolerance) == (4000.0, pytest.approx(60.0 if more else 40.0))
    assert finding.deviation == (None if moved_hz is None else moved_hz - 4000.0)


def test_without_springs_there_is_no_dispersion_and_it_says_so() -> None:
    (finding,) = curve(lag(), path(why_none="the response is dense"))
    assert (finding.outcome, finding.reason) == (Outcome.UNSURE, "no dispersion to compare: the response is dense")


def test_a_golden_without_a_transition_is_not_asked_for_one() -> None:
    findings = curve(lag(), path(spring(30.0, transition_hz=None)))
    assert {one.quantity for one in findings} == {"delay"}


# Energy decay.


def band(hz: float, level_db: float | None = 0.0, range_db: float = 40.0, **times_s: float) -> Any:
    asked_of = ("edt", "t20", "t30")
    return SimpleNamespace(
        centre_hz=hz, level_db=level_db, range_db=range_db,
        times={name: SimpleNamespace(seconds=times_s.get(name)) for name in asked_of},
    )  # fmt: skip


def other(level_db: float | None = 0.0, uncertainty_db: float = 0.01, **times_s: float | None) -> Any:
    return SimpleNamespace(
        level_db=level_db, level_uncertainty_db=uncertainty_db, time_s=np.zeros(0),
        times={
            name: SimpleNamespace(seconds=times_s.get(name), uncertainty_s=0.001, why_not="too noisy")
            for name in ("edt", "t20", "t30")
        },
    )  # fmt: skip


def decayed(pairs: list[tuple[Any, Any]], **more: Any) -> list[Finding]:
    both = Tolerance.both_ways
    limits = {"edt_percent": both(5.0), "t20_percent": both(5.0), "t30_percent": both(5.0), "level_db": both(0.5)}
    settings = EnergyDecay(**{**limits, **more})
    golden = SimpleNamespace(
        path="left", springs=path().springs, decay=SimpleNamespace(bands=[one for one, _ in pairs], whole=band(0.0))
    )
    candidate = SimpleNamespace(path="left", passes=[], bands_beside=[two for _, two in pairs], whole_beside=other())
    measured: Any = SimpleNamespace(paths=[golden])
    beside: Any = SimpleNamespace(paths=[candidate])
    return energy_decay.judge(measured, beside, settings)


def test_decay_times_are_held_in_percent_of_the_golden_s() -> None:
    findings = decayed([(band(500.0, edt=1.0, t20=2.0), other(edt=1.04, t20=1.8))])
    assert told(findings, "EDT") == [("left, 500 Hz", 0.04, "pass")]
    assert told(findings, "T20") == [("left, 500 Hz", -0.2, "fail")]
    assert told(findings, "T30") == []  # the golden tells none
    wider = decayed([(band(500.0, t20=2.0), other(t20=1.8))], t20_s=Tolerance.both_ways(0.3))
    assert told(wider, "T20") == [("left, 500 Hz", -0.2, "pass")]
    (lost,) = [one for one in decayed([(band(500.0, t30=1.0), other())]) if one.quantity == "T30"]
    assert (lost.outcome, lost.reason) == (Outcome.UNSURE, "too noisy")


def test_levels_are_held_in_every_band_that_is_loud_enough() -> None:
    pairs = [
        (band(500.0, -3.0), other(0.3)), (band(1000.0, -23.0), other(-0.6)), (band(2000.0, -23.1), other(9.0)),
        (band(4000.0, -3.0, range_db=5.9), other(9.0)), (band(8000.0, None), other(9.0)),
        (band(16000.0, -3.0, range_db=6.0), other(0.0)),
    ]  # fmt: skip
    assert told(decayed(pairs), "level") == [
        ("left, 500 Hz", 0.3, "pass"), ("left, 1000 Hz", -0.6, "fail"), ("left, 16000 Hz", 0.0, "pass"),
    ]  # fmt: skip
    first = next(one for one in decayed(pairs) if one.quantity == "level")
    assert (first.golden, first.candidate) == (-3.0, pytest.approx(-2.7))
    (silent,) = [one for one in decayed([(band(500.0), other(None))]) if one.quantity == "level"]
    assert (silent.outcome, silent.reason) == (Outcome.FAIL, "the candidate is silent in this band")


def test_a_gain_that_is_allowed_is_taken_out_of_all_levels_and_told_itself() -> None:
    pairs = [(band(500.0), other(2.9, 0.02)), (band(1000.0), other(3.1, 0.03))]
    findings = decayed(pairs, gain_db=Tolerance.both_ways(6.0))
    assert told(findings, "gain") == [("", 3.0, "pass")]
    assert told(findings, "level") == [("left, 500 Hz", -0.1, "pass"), ("left, 1000 Hz", 0.1, "pass")]
    gain = next(one for one in findings if one.quantity == "gain")
    assert (gain.golden, gain.candidate, gain.uncertainty) == (0.0, pytest.approx(3.0), 0.03)
    assert told(decayed(pairs, gain_db=Tolerance.both_ways(1.0)), "gain") == [("", 3.0, "fail")]
    silent = decayed([(band(500.0), other(None))], gain_db=Tolerance.both_ways(1.0))
    assert [one.outcome for one in silent if one.quantity == "gain"] == [Outcome.FAIL]


def test_limits_of_a_decay_curve_grow_with_its_depth() -> None:
    both = Tolerance.both_ways
    settings = EnergyDecay(edt_percent=both(5.0), t20_percent=both(5.0), t30_percent=both(2.0), level_db=both(0.5))
    below, above = energy_decay.curve_limits(settings, 1000.0, np.array([0.0, 5.0, 10.0, 40.0]))
    assert above == pytest.approx([0.5, 0.75, 1.0, 1.6])
    assert below == pytest.approx(above)


def falling(
    change_db: float = 0.0,
    from_s: float = 0.197,
    rate_db: float = 60.0,
    own_db: Any = 0.0,
    uncertainty_db: float = 0.01,
) -> Any:
    """A curve that falls by so many dB a second for 1.2 s, and a candidate's that lies off it from a time on."""
    time_s = np.arange(1201) / 1000
    golden_db = -rate_db * time_s
    return SimpleNamespace(
        level_db=0.0, level_uncertainty_db=0.01, time_s=time_s, golden_db=golden_db,
        candidate_db=golden_db + change_db * (time_s >= from_s), uncertainty_db=np.full(1201, uncertainty_db),
        own_db=np.broadcast_to(own_db, 1201), times=other().times,
    )  # fmt: skip


def curves(beside: Any, lags: list[PassLag] | None = None, hz: float | None = 1000.0, **more: Any) -> list[Finding]:
    """What is said of a decay curve; without ``hz`` of that of all bands. Passes come at 30, 90 and 150 ms."""
    both = Tolerance.both_ways
    limits = {"edt_percent": both(5.0), "t20_percent": both(5.0), "t30_percent": both(5.0), "level_db": both(0.5)}
    golden = SimpleNamespace(
        path="left", springs=path(*([spring(30.0)] if lags else [])).springs,
        decay=SimpleNamespace(bands=[band(hz)] if hz else [], whole=band(0.0)),
    )  # fmt: skip
    golden.decay.whole.centre_hz = None
    candidate = SimpleNamespace(
        path="left", passes=[lags] if lags else [], bands_beside=[beside] if hz else [],
        whole_beside=other() if hz else beside,
    )  # fmt: skip
    measured: Any = SimpleNamespace(paths=[golden])
    others: Any = SimpleNamespace(paths=[candidate])
    findings = energy_decay.judge(measured, others, EnergyDecay(**{**limits, **more}))
    return [one for one in findings if one.quantity == "decay curve"]


@pytest.mark.parametrize("sign", [1, -1])
def test_a_decay_curve_is_judged_where_it_departs_most(sign: int) -> None:
    """Of 200 points the one at 0.2 s; 0.5 ms and 0.3 % of it, at 60 dB a second, are 0.066 dB. 12 dB down."""
    (finding,) = curves(falling(sign * 1.0))
    assert (finding.where, finding.outcome, finding.unit) == ("left, 1000 Hz, at 0.20 s", Outcome.PASS, "dB")
    assert finding.deviation == pytest.approx(sign * 0.934)
    assert (finding.golden, finding.candidate) == (pytest.approx(-12.0), pytest.approx(-12.0 + sign * 0.934))
    assert (finding.tolerance, finding.uncertainty) == (pytest.approx(0.5 + 0.05 * 12), pytest.approx(0.01))
    (finding,) = curves(falling(sign * 1.3))
    assert finding.outcome is Outcome.FAIL
    (finding,) = curves(falling())
    assert (finding.outcome, finding.deviation) == (Outcome.PASS, 0.0)


def test_a_decay_curve_is_judged_down_to_60_db_or_10_above_its_end() -> None:
    assert told(curves(falling(9.0, 1.0)), "decay curve")[0][2] == "pass"
    assert told(curves(falling(9.0, 0.99)), "decay curve")[0][2] == "fail"
    for from_s, outcome in ((0.96, "pass"), (0.94, "fail")):  # 48 dB in all, and a last step of 10 dB more
        beside = falling(9.0, from_s, rate_db=40.0)
        assert told(curves(beside), "decay curve")[0][2] == outcome
    ends_lower = falling(9.0, 0.96, rate_db=40.0)
    ends_lower.golden_db[-1] -= 10.0
    assert told(curves(ends_lower), "decay curve")[0][2] == "fail"


@pytest.mark.parametrize(("golden_db", "count"), [([0.0, -5.0, -20.0], 1), ([0.0, -15.0], 0), ([], 0)])
def test_a_curve_of_two_points_is_judged_and_one_of_fewer_is_none(golden_db: list[float], count: int) -> None:
    """The last point only says where the golden ends."""
    beside = falling()
    beside.golden_db = np.array(golden_db)
    for name in ("time_s", "candidate_db", "uncertainty_db", "own_db"):
        setattr(beside, name, getattr(beside, name)[: len(golden_db)])
    assert len(curves(beside)) == count


def test_what_the_golden_does_not_know_of_its_own_curve_is_not_asked() -> None:
    """Half of the tolerance, which is 0.5 dB at the start and grows by 3 dB a second."""
    half_db = 0.25 + 1.5 * np.arange(1201) / 1000
    rough = np.where(np.arange(1201) < 100, half_db - 1e-6, half_db + 1e-6)
    assert told(curves(falling(1.0, own_db=rough)), "decay curve") == [("left, 1000 Hz, at 0.00 s", 0.0, "pass")]
    assert curves(falling(own_db=9.0)) == []


@pytest.mark.parametrize(
    ("lags", "share"),
    [
        ([lag(0.3), lag(0.3), lag(0.3)], 0.3 / 30),
        ([lag(0.0), lag(-1.8), lag(0.3)], 1.8 / 90),
        ([lag(by_hz_ms=1e-4), lag(), lag()], 0.09 / 30),  # 900 Hz above 500 in the octave of 1 kHz
        ([lag(-0.09, by_hz_ms=1e-4), lag(), lag()], 0.0675 / 30),  # nothing at 1400 Hz, most at 725
    ],
)
def test_a_curve_may_be_shifted_by_what_the_passes_of_its_octave_lag(lags: list[PassLag], share: float) -> None:
    (finding,) = curves(falling(1.0), lags)
    assert finding.deviation == pytest.approx(1.0 - 60 * (0.5e-3 + (0.003 + share) * 0.2))


def test_the_curve_of_all_bands_is_judged_by_all_passes_and_by_the_limits_at_1_khz() -> None:
    tightest = Tolerance.both_ways(FrequencyTolerance(((999.0, 2.0), (1000.0, 0.3), (1001.0, 2.0))))
    (finding,) = curves(falling(1.0), [lag(by_hz_ms=1e-4), lag(), lag()], None, curve_db=tightest)
    assert finding.where == "left, all bands, at 0.20 s"
    assert finding.deviation == pytest.approx(1.0 - 60 * (0.5e-3 + (0.003 + 0.45 / 30) * 0.2))  # at 5 kHz
    assert finding.tolerance == pytest.approx(0.3 + 0.05 * 12)
