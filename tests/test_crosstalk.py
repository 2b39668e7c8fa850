"""Crosstalk between springs of separate paths, and at the click, against levels set by hand."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from reverdict.measure.crosstalk import CrosstalkMeasurement, direct_sound, measure_crosstalk
from reverdict.measure.springs import find_springs
from reverdict.words import PATHS, Response
from spring_truth import TrueSpring, respond

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48000


@cache
def sound_of(trip_s: float, polarity: int = 1) -> NDArray[np.float64]:
    return respond([TrueSpring(trip_s, 4300, polarity=polarity)], seconds=1.0, noise_db=None)


def measured(rows: list[NDArray[np.float64]], noise_db: float = -70.0, seed: int = 1) -> CrosstalkMeasurement:
    chance = np.random.default_rng(seed)
    noisy = np.array([row + 10 ** (noise_db / 20) * chance.standard_normal(row.size) for row in rows])
    layout = {1: "mono", 2: "mono-to-stereo", 4: "stereo-to-stereo"}[len(rows)]
    response = Response(noisy, RATE_HZ, 0.0, PATHS[layout])
    return measure_crosstalk(response, [find_springs(row, RATE_HZ) for row in noisy])


def levels(found: CrosstalkMeasurement) -> dict[tuple[str, str], tuple[float, float]]:
    return {
        (leak.of_path, leak.in_path): (leak.level.level_db, leak.level.uncertainty_db)
        for leak in found.leaks
        if leak.level.level_db is not None and leak.level.uncertainty_db is not None
    }


@pytest.mark.parametrize("level_db", [-10.0, -20.0, -30.0, -40.0])
def test_level_of_the_other_channels_spring(level_db: float) -> None:
    left, right, gain = sound_of(0.030), sound_of(0.041, -1), 10 ** (level_db / 20)
    found = levels(measured([left + gain * right, right - 0.5 * gain * left]))
    assert set(found) == {("left", "right"), ("right", "left")}
    for pair, true_db in {("right", "left"): level_db, ("left", "right"): level_db - 6.0206}.items():
        told_db, unsure_db = found[pair]
        assert abs(told_db - true_db) < unsure_db + 0.03
        assert unsure_db < 5


def test_all_four_paths() -> None:
    one, other = sound_of(0.030), sound_of(0.041)
    found = measured([one, 0.05 * one + 0.02 * other, 0.03 * other + 0.01 * one, other])
    told = levels(found)
    true = {
        ("left→left", "left→right"): 0.05, ("left→left", "right→left"): 0.01,
        ("right→right", "left→right"): 0.02, ("right→right", "right→left"): 0.03,
    }  # fmt: skip
    assert set(told) == set(true)
    for pair, gain in true.items():
        assert told[pair][0] == pytest.approx(20 * np.log10(gain), abs=max(told[pair][1], 0.1))
    missing = [leak for leak in found.leaks if leak.level.level_db is None]
    assert {(leak.of_path, leak.in_path) for leak in missing} == {
        ("left→left", "right→right"), ("right→right", "left→left"),
    }  # fmt: skip
    assert all("not clear of noise" in leak.level.why_not for leak in missing)


def test_both_channels_with_one_spring_have_none() -> None:
    both = sound_of(0.030)
    assert measured([both, 0.7 * both]).why_none == "the paths have the same springs"
    assert measured([both, -both]).why_none == "the paths have the same springs"


def test_reasons() -> None:
    left, silence = sound_of(0.030), np.zeros(RATE_HZ)
    assert measured([left]).why_none == "there is one path only"
    assert measured([left, silence]).why_none == "only one path has a spring of its own"
    assert measured([silence, silence], noise_db=-200).why_none == "no path has separate passes"
    near = measured([left, sound_of(0.031)])
    assert [leak.level.why_not for leak in near.leaks] == ["other passes lie over its first pass"] * 2


def test_what_is_below_the_noise_is_told_as_a_bound() -> None:
    found = measured([sound_of(0.030), sound_of(0.041)], noise_db=-50.0)
    assert len(found.leaks) == 2
    for leak in found.leaks:
        assert leak.level.level_db is None
        assert leak.level.why_not.endswith("dB at most")


def true_direct_db(spring: TrueSpring, click_db: float) -> float:
    """A click's energy from 200 Hz to 0.85 f_C over that of the first pass, both in closed form."""
    grid = np.arange(4 * RATE_HZ + 1) / 8
    peak = np.abs(np.fft.irfft(spring.spectrum(grid), 8 * RATE_HZ)).max()
    hz = grid[(grid >= 200) & (grid <= 0.85 * spring.transition_hz)]
    loss = 3 * np.log(10) / spring.t60_s * (1 + (hz / spring.half_hz) ** 2) * spring.delay_s(hz)
    first = hz**2 / (hz**2 + 80**2) * np.exp(-loss) / peak
    return click_db - 10 * float(np.log10(np.mean(first**2)))


@pytest.mark.parametrize("click_db", [0.0, -20.0, -40.0])
def test_crosstalk_at_the_click(click_db: float) -> None:
    spring = TrueSpring(0.030, 4300)
    sound = respond([spring], seconds=1.2, noise_db=-75.0, crosstalk_db=click_db)
    found = direct_sound(find_springs(sound, RATE_HZ))
    assert found.level_db is not None
    assert found.uncertainty_db is not None
    assert abs(found.level_db - true_direct_db(spring, click_db)) < found.uncertainty_db + 0.05


def test_no_crosstalk_at_the_click() -> None:
    sound = respond([TrueSpring(0.030, 4300)], seconds=1.2, noise_db=-60.0)
    found = direct_sound(find_springs(sound, RATE_HZ))
    assert found.level_db is None
    assert "dB at most" in found.why_not
    assert direct_sound(find_springs(np.zeros(48000), RATE_HZ)).why_not == "there is no first pass to hold it against"


@pytest.mark.slow
def test_many_levels_in_noise() -> None:
    """Prints the table of tests/README.md."""
    left, right = sound_of(0.030), sound_of(0.041)
    for level_db in (-10, -20, -30, -40, -50):
        gain = 10 ** (level_db / 20)
        told = [
            pair
            for seed in range(12)
            for pair in levels(measured([left + gain * right, right + gain * left], -60.0, seed)).values()
        ]
        errors = np.array([value - level_db for value, _ in told])
        held = np.mean([abs(value - level_db) < unsure for value, unsure in told]) if told else np.nan
        rms = np.sqrt(np.mean(errors**2)) if told else np.nan
        most = np.abs(errors).max(initial=0)
        print(f"| {level_db} dB | {len(told)} of 24 | {rms:.2f} dB ({most:.2f} dB) | {100 * held:.0f} % |")
        assert level_db < -40 or len(told) == 24
        assert not told or held > 0.85
