"""Lags of a candidate against its golden: nothing for nothing, a known shift for a known one, each fault in place."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy import fft

from reverdict.measure.lag import PassLag, onset_lag, pass_lags
from reverdict.measure.measurement import Comparison, measure, measure_beside
from reverdict.measure.passes import SpringMeasurement
from reverdict.measure.springs import find_springs
from reverdict.words import Response
from spring_truth import TrueSpring, respond
from tank_truth import random_tank

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48000
FIRST, SECOND = TrueSpring(0.030, 4200), TrueSpring(0.041, 3900, level_db=-2)
JUDGED_HZ = np.array([200.0, 500.0, 1000.0, 2000.0, 3000.0])
CROWDED = {(0, 3), (1, 2)}
"""Spring and pass, from 0, that lie 5 ms apart at low frequencies and cross: fourth of one, third of the other."""


def tank(*springs: TrueSpring) -> NDArray[np.float64]:
    return respond(springs, RATE_HZ, 2.0, noise_db=None)


@cache
def golden() -> NDArray[np.float64]:
    return tank(FIRST, SECOND)


@cache
def measured() -> SpringMeasurement:
    return find_springs(golden(), RATE_HZ)


def lags_of(candidate: NDArray[np.float64]) -> list[list[PassLag]]:
    return pass_lags(golden(), candidate, RATE_HZ, measured())


def shifted(sound: NDArray[np.float64], samples: float) -> NDArray[np.float64]:
    """Delay by a fraction of a sample, exactly, as a turn of phase."""
    size = fft.next_fast_len(2 * sound.size, real=True)
    spectrum = fft.rfft(sound, size)
    turn = np.exp(-2j * np.pi * np.arange(spectrum.size) / size * samples)
    return np.asarray(fft.irfft(spectrum * turn, size)[: sound.size])


def lag_us(lag: PassLag, hz: float = 500.0) -> float:
    found = lag.at(hz)
    assert found is not None
    return 1e6 * found[0]


def in_turn(lags: list[list[PassLag]]) -> list[tuple[tuple[int, int], PassLag]]:
    return [((i, j), lag) for i, spring in enumerate(lags) for j, lag in enumerate(spring)]


def beside(candidate: NDArray[np.float64]) -> Comparison:
    response = Response(golden()[None], RATE_HZ)
    return measure_beside(response, measure(response), Response(candidate[None], RATE_HZ))


def largest_lag_s(found: Comparison) -> float:
    (path,) = found.paths
    assert path.onset.seconds is not None
    return max(abs(path.onset.seconds), *(float(np.abs(lag.lag_s).max()) for spring in path.passes for lag in spring))


def test_a_response_against_itself_lags_by_exactly_nothing() -> None:
    found = beside(golden().copy())
    (path,) = found.paths
    assert largest_lag_s(found) == 0.0
    assert path.onset.polarity == 1
    for spring, transition in zip(measured().springs, path.transitions, strict=True):
        assert transition.frequency_hz == spring.transition.frequency_hz
    for (spring, number), lag in in_turn([list(spring) for spring in path.passes]):
        assert lag.frequency_hz.size == measured().springs[spring].passes[number].curve.frequency_hz.size


def test_dense_noise_against_itself_lags_by_exactly_nothing() -> None:
    noise = np.random.default_rng(1).standard_normal(RATE_HZ)
    assert onset_lag(noise, noise.copy(), RATE_HZ).seconds == 0.0


@pytest.mark.parametrize("samples", [0.05, 0.37, -0.37])
def test_a_fraction_of_a_sample_is_told_to_a_microsecond(samples: float) -> None:
    true_us = 1e6 * samples / RATE_HZ
    lags = lags_of(shifted(golden(), samples))
    for place, lag in in_turn(lags):
        print(f"shift {true_us:.3f} µs: spring, pass {place}: {lag_us(lag):.3f} µs at 500 Hz")
        for hz in JUDGED_HZ[lag.frequency_hz[-1] > JUDGED_HZ]:
            # At 200 Hz, and at 3 kHz where they cross, crowded passes keep what their first, shifted cut put on them.
            crowded_us = {200.0: 3.5, 3000.0: 7.0}.get(float(hz), 1.0)
            within_us = crowded_us if place in CROWDED else 0.5
            assert lag_us(lag, hz) == pytest.approx(true_us, abs=within_us)
    assert onset_lag(golden(), shifted(golden(), samples), RATE_HZ).seconds == pytest.approx(true_us / 1e6, abs=0.05e-6)


@pytest.mark.parametrize("samples", [24.0, 96.25, -48.5])
def test_a_shift_of_milliseconds(samples: float) -> None:
    true_us = 1e6 * samples / RATE_HZ
    for place, lag in in_turn(lags_of(shifted(golden(), samples))):
        assert lag_us(lag) == pytest.approx(true_us, abs=10.0 if place in CROWDED else 0.5)


def test_only_the_spring_that_moved_is_late() -> None:
    """0.52 ms at 0 Hz is 0.52 ms/√(1 − (f/f_C)²) at f, and n times that for n trips (helical law)."""
    longer = replace(SECOND, trip_s=SECOND.trip_s + 0.52e-3)
    still, moved = lags_of(tank(FIRST, longer))
    for number, lag in enumerate(still):
        print(f"still spring, pass {number + 1}: {lag_us(lag):.1f} µs")
        assert lag_us(lag) == pytest.approx(0, abs=20 if (0, number) in CROWDED else 2)
    for number, lag in enumerate(moved):
        trips = measured().springs[1].passes[number].trips
        true_us = 1e6 * trips * float(longer.delay_s(500) - SECOND.delay_s(500))
        found = lag.at(500.0)
        assert found is not None
        print(f"moved spring, pass {number + 1}: {1e6 * found[0]:.1f} ± {1e6 * found[1]:.1f} µs, true {true_us:.1f}")
        assert 1e6 * found[0] == pytest.approx(true_us, abs=1e6 * found[1] if (1, number) in CROWDED else 5)
    # Dispersion of the first pass as the group-delay check sees it: lag at f less lag at 500 Hz.
    for hz in (1000.0, 2000.0, 3000.0):
        true_us = 1e6 * float(longer.delay_s(hz) - SECOND.delay_s(hz))
        assert lag_us(moved[0], hz) == pytest.approx(true_us, abs=5)


def test_a_transition_frequency_that_moved_is_told_and_the_other_is_not() -> None:
    found = beside(tank(FIRST, replace(SECOND, transition_hz=SECOND.transition_hz * 1.02)))
    still, moved = (
        transition.frequency_hz / spring.transition.frequency_hz - 1
        for transition, spring in zip(found.paths[0].transitions, measured().springs, strict=True)
        if transition.frequency_hz and spring.transition.frequency_hz
    )
    assert still == pytest.approx(0, abs=2e-4)
    assert moved == pytest.approx(0.02, abs=1e-3)


def test_turned_over() -> None:
    found = beside(-golden())
    assert largest_lag_s(found) == 0.0
    assert found.paths[0].onset.polarity == -1
    assert all(lag.polarity == -1 for spring in found.paths[0].passes for lag in spring)


def test_one_spring_turned_over() -> None:
    still, turned = lags_of(tank(FIRST, replace(SECOND, polarity=-1)))
    assert [lag.polarity for lag in still[:3]] == [1, 1, 1]
    assert [lag.polarity for lag in turned[:2]] == [-1, -1]
    assert lag_us(turned[0]) == pytest.approx(0, abs=2)


@pytest.mark.parametrize(("bits", "most_us"), [(24, 0.1), (16, 1.0)])
def test_a_copy_in_whole_numbers(bits: int, most_us: float) -> None:
    """FLAC keeps 24 bits; a copy must not be late for that."""
    scale = 2.0 ** (bits - 1)
    assert 1e6 * largest_lag_s(beside(np.round(golden() * scale) / scale)) < most_us


def test_a_softer_copy_is_not_late() -> None:
    assert 1e6 * largest_lag_s(beside(0.7 * golden())) < 1e-3


@pytest.mark.parametrize("gone", [0, 1])
def test_a_missing_spring_is_missed_and_not_taken_for_the_other(gone: int) -> None:
    lags = lags_of(tank((SECOND, FIRST)[gone]))
    for lag in lags[gone][:3]:
        assert lag.at(500.0) is None
        assert lag.why_not.startswith("no pass within 15 ms of the golden's ")
    assert lag_us(lags[1 - gone][0]) == pytest.approx(0, abs=10)


def unlike() -> dict[str, NDArray[np.float64]]:
    noise = np.random.default_rng(0).standard_normal(golden().size)
    return {
        "silence": np.zeros(golden().size),
        "noise": 0.1 * noise,
        "10 ms": golden()[:480],
        "constant": 0 * noise + 0.1,
    }


@pytest.mark.parametrize("name", unlike())
def test_nothing_is_compared_with_what_is_not_there(name: str) -> None:
    candidate = unlike()[name]
    for _, lag in in_turn(lags_of(candidate)):
        assert lag.at(500.0) is None
        assert lag.why_not
    onset = onset_lag(golden(), candidate, RATE_HZ)
    assert onset.seconds is None
    assert "no longer look like the golden's" in onset.why_not
    assert onset_lag(np.zeros(RATE_HZ), candidate, RATE_HZ).why_not == "the golden is silent"


# Noise.


def test_noise_on_both_sides_stays_within_what_is_stated() -> None:
    """Golden and candidate with noise of their own, 60 dB below the peak: first and second passes, at 500 Hz."""
    noisy = golden() + 1e-3 * np.random.default_rng(50).standard_normal(golden().size)
    springs = find_springs(noisy, RATE_HZ)
    ratios = []
    for seed in range(6):
        candidate = golden() + 1e-3 * np.random.default_rng(seed).standard_normal(golden().size)
        lags = pass_lags(noisy, candidate, RATE_HZ, springs)
        found = [lag.at(500.0) for spring in lags for lag in spring[:2]]
        ratios += [abs(value[0]) / value[1] for value in found if value]
    assert len(ratios) == 24
    assert np.mean(np.array(ratios) <= 1) >= 0.9


# The onset of a dense reverb.


def dense(seed: int = 3) -> NDArray[np.float64]:
    time_s = np.arange(RATE_HZ) / RATE_HZ
    sound = np.random.default_rng(seed).standard_normal(RATE_HZ) * np.exp(-7 * time_s)
    sound[:480] = 0
    return sound


@pytest.mark.parametrize("samples", [0.05, 0.37, 1.0, 100.25, -300.5])
def test_onset_of_a_dense_reverb(samples: float) -> None:
    found = onset_lag(dense(), shifted(dense(), samples), RATE_HZ)
    assert found.seconds == pytest.approx(samples / RATE_HZ, abs=0.05e-6)
    assert found.polarity == 1


def test_onset_is_found_turned_over() -> None:
    found = onset_lag(dense(), -shifted(dense(), 12.5), RATE_HZ)
    assert found.polarity == -1
    assert found.seconds == pytest.approx(12.5 / RATE_HZ, abs=0.05e-6)


def test_another_hall_is_not_late_but_different() -> None:
    found = onset_lag(dense(3), dense(4), RATE_HZ)
    assert found.seconds is None
    assert "correlation" in found.why_not


def onset_coverage(noise_db: float, draws: int) -> float:
    late = shifted(dense(), 0.37)
    inside = []
    for seed in range(draws):
        noisy = late + 10 ** (noise_db / 20) * np.random.default_rng(seed).standard_normal(late.size)
        found = onset_lag(dense(), noisy, RATE_HZ)
        assert found.seconds is not None
        assert found.uncertainty_s is not None
        inside.append(abs(found.seconds - 0.37 / RATE_HZ) <= found.uncertainty_s)
    return float(np.mean(inside))


@pytest.mark.parametrize("noise_db", [-20.0, -40.0])
def test_onset_uncertainty_holds_the_truth(noise_db: float) -> None:
    assert onset_coverage(noise_db, 40) >= 0.9


@pytest.mark.slow
@pytest.mark.parametrize("noise_db", [-6.0, -20.0, -40.0])
def test_onset_uncertainty_holds_the_truth_over_many_draws(noise_db: float) -> None:
    share = onset_coverage(noise_db, 400)
    print(f"\nonset covered at k = 2, noise {noise_db:.0f} dB: {100 * share:.1f} %")
    assert share >= 0.9


def test_stereo_paths_are_compared_each_with_its_own() -> None:
    paths = ("left", "right")
    one = Response(np.stack([golden(), tank(FIRST)]), RATE_HZ, paths=paths)
    other: Any = Response(np.stack([shifted(golden(), 48.0), tank(FIRST)]), RATE_HZ, paths=paths)
    left, right = measure_beside(one, measure(one), other).paths
    assert left.onset.seconds == pytest.approx(1e-3, abs=1e-7)
    assert right.onset.seconds == 0.0


def test_in_noise_it_is_folded_until_little_of_its_uncertainty_is_left_to_go(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a tank in which passes cross, 0.4 % longer, against folds until nothing moves."""
    springs = random_tank(25).springs
    golden = respond(springs, 16000, 2.0, noise_db=-60)
    candidate = respond([replace(one, trip_s=1.004 * one.trip_s) for one in springs], 16000, 2.0, noise_db=-60)
    found = find_springs(golden, 16000)
    stopped = in_turn(pass_lags(golden, candidate, 16000, found))
    monkeypatch.setattr("reverdict.measure.lag.FOLDED_SHARE", 0.0)
    folded = in_turn(pass_lags(golden, candidate, 16000, found))
    left = [
        float(np.max(np.abs(one.lag_s - last.lag_s) / np.maximum(last.uncertainty_s, 1e-6)))
        for (_, one), (_, last) in zip(stopped, folded, strict=True)
        if one.lag_s.shape == last.lag_s.shape and last.lag_s.size
    ]
    assert len(left) == 8
    assert max(left) < 0.5
