"""A latency that all springs share, found beside them; clicks that were passes; tanks with exact truth.

``tank_truth.clean_response`` brings all springs late; the crosstalk of the click stays where it is, or is left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from reverdict.measure.click import answers_early, click_before, find_click
from reverdict.measure.lag import pass_lags
from reverdict.measure.measurement import measure
from reverdict.measure.passes import SpringMeasurement
from reverdict.measure.springs import find_springs
from reverdict.words import Response
from spring_truth import TrueSpring, respond
from tank_truth import RATE_HZ, Tank, clean_response, random_tank, with_noise

NO_CROSSTALK_DB = -400.0
NOISE_DB = (50, 65, 80)
SAME_SPRING_S = 1e-3
LATE_MS = (-1.0, -0.2, 0.1, 0.5, 2.0, 5.0, 10.0, 20.0)
SPRING = TrueSpring(0.0310, 4800)
PAIR = (TrueSpring(0.0310, 4800), TrueSpring(0.0392, 4300, level_db=-2))


@dataclass
class Score:
    """How many tanks were read right, and the latencies of those, µs."""

    tanks: int = 0
    wrong: list[int] = field(default_factory=list)
    error_us: list[float] = field(default_factory=list)
    stated_us: list[float] = field(default_factory=list)

    @property
    def covered(self) -> float:
        return float(np.mean(np.abs(self.error_us) <= np.array(self.stated_us)))

    def row(self) -> str:
        at = " / ".join(f"{one:.1f}" for one in np.percentile(np.abs(self.error_us), [50, 95, 100]))
        return f"{self.tanks - len(self.wrong)} of {self.tanks} | {at} | {100 * self.covered:.0f} %"


def score(seeds: Iterable[int], late_ms: float, *, crosstalk: bool) -> Score:
    told = Score()
    for seed in seeds:
        tank = random_tank(seed) if crosstalk else replace(random_tank(seed), crosstalk_db=NO_CROSSTALK_DB)
        sound, _ = clean_response(tank, 1e-3 * late_ms)
        found = find_springs(with_noise(sound, NOISE_DB[seed % 3], seed), RATE_HZ)
        told.tanks += 1
        if not is_right(tank, found, 1e-3 * late_ms):
            told.wrong.append(seed)
            continue
        assert found.latency_s is not None
        assert found.latency_uncertainty_s is not None
        told.error_us.append(1e6 * found.latency_s - 1e3 * late_ms)
        told.stated_us.append(1e6 * found.latency_uncertainty_s)
    return told


def is_right(tank: Tank, found: SpringMeasurement, late_s: float) -> bool:
    """Whether each spring was found, of its law and where it is, and no other."""
    arrivals_s = [float(spring.delay_s(500.0)) + late_s for spring in tank.springs]
    return len(found.springs) == len(arrivals_s) and all(
        abs(one.passes[0].time_s - arrival_s) < SAME_SPRING_S and one.pass_law == truth.law
        for one, arrival_s, truth in zip(found.springs, sorted(arrivals_s), tank.springs, strict=True)
    )


def late(sound: NDArray[np.float64], seconds: float) -> NDArray[np.float64]:
    return np.concatenate([np.zeros(round(seconds * RATE_HZ)), sound])


@pytest.mark.few(1)
@pytest.mark.parametrize("late_ms", [-1.0, 0.5, 5.0])
def test_springs_and_their_latency(late_ms: float) -> None:
    told = score(range(6), late_ms, crosstalk=late_ms > 0)
    assert told.wrong == []
    assert np.median(np.abs(told.error_us)) < 2.0
    assert max(np.abs(told.error_us)) < 10.0
    assert told.covered >= 0.9


@pytest.mark.slow
def test_latencies_of_random_tanks() -> None:
    wrong = tanks = 0
    for late_ms in LATE_MS:
        for crosstalk in (True, False):
            told = score(range(24), late_ms, crosstalk=crosstalk)
            print(f"| {late_ms:g} ms | {'with' if crosstalk else 'without'} | {told.row()} | {told.wrong}", flush=True)
            wrong, tanks = wrong + len(told.wrong), tanks + told.tanks
            assert len(told.wrong) <= 2
            assert np.median(np.abs(told.error_us)) <= 2.0
            assert np.percentile(np.abs(told.error_us), 95) <= 10.0
            assert told.covered >= 0.92
    assert wrong <= 0.03 * tanks


@pytest.mark.parametrize("late_ms", [0.5, 1.5, 5.0])
def test_a_latency_does_not_make_the_loudest_pass_vanish(late_ms: float) -> None:
    sound = late(respond([SPRING], noise_db=None), 1e-3 * late_ms)
    found = find_springs(sound, RATE_HZ)
    assert [one.trips for one in found.springs[0].passes] == [1, 3, 5, 7]
    assert found.springs[0].pass_law == "1:3:5"
    assert found.springs[0].passes[0].time_s == pytest.approx(float(SPRING.delay_s(500.0)) + 1e-3 * late_ms, abs=20e-6)
    assert found.latency_s == pytest.approx(1e-3 * late_ms, abs=20e-6)


def test_a_click_in_time_has_no_latency() -> None:
    found = find_springs(respond(PAIR, noise_db=-60), RATE_HZ)
    assert found.latency_s is not None
    assert abs(found.latency_s) <= (found.latency_uncertainty_s or 0.0)


def test_where_nothing_is_found_there_is_no_latency() -> None:
    found = find_springs(np.random.default_rng(1).standard_normal(RATE_HZ), RATE_HZ)
    assert found.latency_s is None
    assert found.why_none


def test_curves_and_lags_count_from_the_click() -> None:
    """All that is folded with the curves of late passes must fold them."""
    sound = late(respond(PAIR, noise_db=None), 5e-3)
    found = find_springs(sound, RATE_HZ)
    for spring, truth in zip(found.springs, PAIR, strict=True):
        hz = spring.curve.frequency_hz[(spring.curve.frequency_hz > 300) & (spring.curve.frequency_hz < 3000)]
        off_s = np.interp(hz, spring.curve.frequency_hz, spring.curve.delay_s) - truth.delay_s(hz) - 5e-3
        assert np.sqrt(np.mean(off_s**2)) < 20e-6
    for spring_lags in pass_lags(sound, late(sound, 4 / RATE_HZ)[: sound.size], RATE_HZ, found):
        at = spring_lags[0].at(500.0)
        assert at is not None
        assert at[0] == pytest.approx(4 / RATE_HZ, abs=1e-6)


def test_what_sounds_at_the_click_is_told_before_late_springs_too() -> None:
    levels_db = []
    for late_s in (0.0, 10e-3):
        sound = late(respond(PAIR, noise_db=-80), late_s)
        sound[0] += 10 ** (-12 / 20)
        level = measure(Response(sound[None], RATE_HZ)).paths[0].at_click
        assert level.level_db is not None
        levels_db.append(level.level_db)
    assert levels_db[1] == pytest.approx(levels_db[0], abs=0.5)


def without_a_click(before_s: float, springs: tuple[TrueSpring, ...] = (SPRING,)) -> NDArray[np.float64]:
    """A tank recorded without its click, whose first pass rises sharply: its lows are cut and it is loud."""
    sound = respond(springs, noise_db=None)
    sound = np.diff(sound, prepend=0.0)
    sound = late(sound / np.abs(sound).max(), before_s)
    return sound + 1e-5 * np.random.default_rng(3).standard_normal(sound.size)


@pytest.mark.parametrize("springs", [(SPRING,), (replace(SPRING, law="1:2:3"),)])
def test_a_pass_taken_for_the_click_is_no_click(springs: tuple[TrueSpring, ...]) -> None:
    sound = without_a_click(2e-3, springs)
    onset_s = 2e-3 + 31.0e-3
    found = find_springs(sound, RATE_HZ, onset_s)
    assert answers_early(found) == pytest.approx(31.0e-3, abs=0.2e-3)
    assert found.springs[0].pass_law == springs[0].law
    assert click_before(sound, RATE_HZ, onset_s) == pytest.approx(2e-3, abs=0.2e-3)


def test_a_click_that_is_one_stays() -> None:
    sound = late(respond(PAIR, noise_db=-70, crosstalk_db=-10), 0.1)
    onset_s = find_click(sound, RATE_HZ)
    assert onset_s == pytest.approx(0.1, abs=1e-4)
    assert click_before(sound, RATE_HZ, onset_s) is None
