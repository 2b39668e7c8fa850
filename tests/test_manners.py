"""What is measured of a build's manners, in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from reverdict.measure import manners

RATE_HZ = 48000


def noise(*shape: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, 0.1, shape)


def test_a_departure_is_the_root_of_the_energy_of_the_difference():
    expected = noise(2, 5000)
    assert manners.departure(expected, expected) == 0.0
    assert manners.departure(1.01 * expected, expected) == pytest.approx(1.0)
    assert manners.departure(-expected, expected) == pytest.approx(200.0)
    other = noise(2, 5000, seed=2)
    other *= np.linalg.norm(expected) / np.linalg.norm(other)
    both = expected + 0.001 * other
    assert manners.departure(both, expected) == pytest.approx(0.1)
    # One wrong sample of a million, as loud as the rms: 10^-6 of the energy, 0.1 %.
    long = np.ones((1, 1_000_000))
    spoilt = long.copy()
    spoilt[0, 77] = 0.0
    assert manners.departure(spoilt, long) == pytest.approx(0.1)


def test_a_departure_from_silence_is_none_or_without_bound():
    silence, sound = np.zeros((1, 100)), np.ones((1, 100))
    assert manners.departure(silence, silence) == 0.0
    assert manners.departure(sound, silence) == math.inf
    assert manners.departure(silence, sound) == 100.0


@pytest.mark.parametrize(("percent", "said"), [(1.0, "-40 dB"), (0.001, "-100 dB"), (200.0, "6 dB"), (0.0, "")])
def test_a_percentage_is_said_as_a_null(percent: float, said: str):
    assert manners.in_db(percent) == said


def test_what_is_left_of_a_decay_and_of_one_that_stops_decaying():
    time = np.arange(4 * RATE_HZ) / RATE_HZ
    decay = np.exp(-6.907755 * time / 1.0) * np.where(noise(time.size) > 0, 1.0, -1.0)  # 60 dB a second
    left, steady = manners.what_is_left(decay[None], RATE_HZ)
    # At the start of the last quarter of a second, 3.75 s: -225 dB.
    assert left == pytest.approx(100 * 10 ** (-225 / 20), rel=1e-3)
    assert not steady
    hum = decay + 1e-4 * np.sin(2 * np.pi * 50 * time)
    left, steady = manners.what_is_left(hum[None], RATE_HZ)
    assert left == pytest.approx(0.01, rel=1e-3)
    assert steady
    assert manners.what_is_left(np.zeros((1, RATE_HZ)), RATE_HZ) == (0.0, False)
    growing = np.exp(time) * np.sin(time * 900)
    assert manners.what_is_left(growing[None], RATE_HZ) == (pytest.approx(100.0, rel=0.01), True)


@pytest.mark.parametrize("step", [0.1, 0.5])
def test_a_burst_is_the_high_part_of_a_step_in_gain(step: float):
    """A gain that jumps where the sine peaks, through a Butterworth high-pass of order 6 at 2.5 kHz.

    The first sample of its answer to a step is prod 1/(1 + 2 cos(a) W + W^2) with W = tan(pi fc / fs), a = 15, 45, 75
    degrees (bilinear transform of the prototype; A. Oppenheim, R. Schafer, Discrete-Time Signal Processing, memory).
    """
    warped = math.tan(math.pi * 2500 / RATE_HZ)
    first = math.prod(1 / (1 + 2 * math.cos(math.radians(a)) * warped + warped**2) for a in (15, 45, 75))
    time = np.arange(48000) / RATE_HZ
    sine = np.cos(2 * np.pi * 250 * time)
    moved_at = 48000 * 3 // 4
    moved = sine.copy()
    moved[moved_at:] *= 1 - step
    assert manners.high_burst(moved[None], RATE_HZ, 250.0, moved_at) == pytest.approx(100 * step * first, rel=0.01)
    ramp = np.clip((time * RATE_HZ - moved_at) / 4800, 0, 1)  # the same in 100 ms
    smooth = sine * (1 - step * ramp)
    assert manners.high_burst(smooth[None], RATE_HZ, 250.0, moved_at) < 0.1 * step
    assert manners.high_burst(sine[None], RATE_HZ, 250.0, moved_at) < 1e-3


def timed(per_sample: np.ndarray, block: int = 64) -> np.ndarray:
    ends = np.arange(1, per_sample.size + 1) * block
    return np.stack([ends.astype(float), per_sample * block])


def test_a_slow_tail_is_told_at_its_worst_and_the_quicker_run_counts():
    blocks = 2 * RATE_HZ // 64
    level = np.full(blocks, 1e-7)
    tail = level.copy()
    tail[blocks // 2 : blocks * 3 // 4] *= 5  # half a second of denormals
    disturbed = tail.copy()
    disturbed[10:300] *= 20  # something else ran, in one run of the two
    percent, uncertainty = manners.slow_down([timed(level)] * 2, [timed(tail), timed(disturbed)], RATE_HZ, 0)
    assert percent == pytest.approx(400.0)
    assert uncertainty == pytest.approx(0.0, abs=1e-9)
    percent, _ = manners.slow_down([timed(level)] * 2, [timed(level)] * 2, RATE_HZ, 0)
    assert percent == pytest.approx(0.0, abs=1e-9)
    quick = level * 0.01
    assert manners.slow_down([timed(level)] * 2, [timed(quick)] * 2, RATE_HZ, 0)[0] == pytest.approx(-99.0)


def test_denormal_numbers_are_counted():
    tiny = float(np.finfo(np.float32).tiny)
    samples = np.array([[0.0, tiny / 2, -tiny / 4, tiny, 1.0]])
    assert manners.denormal_share(samples) == 0.4
    assert manners.denormal_share(np.zeros((1, 0))) == 0.0


def test_a_slow_program_is_told_beyond_its_start():
    percent, uncertainty = manners.slow_program([0.12, 0.11], [0.31, 0.33], [0.012, 0.010])
    assert percent == pytest.approx(100 * (0.30 / 0.10 - 1))
    assert uncertainty == pytest.approx(100 * (0.01 + 0.02 + 0.002) / 0.10)
    assert manners.slow_program([0.012, 0.011], [0.31, 0.33], [0.010, 0.010]) is None


def test_what_comes_before_the_silence_does_not_count_as_tail():
    blocks = 2 * RATE_HZ // 64
    costs = np.full(blocks, 1e-7)
    costs[: blocks // 2] *= 9
    level = np.full(blocks, 1e-7)
    percent, _ = manners.slow_down([timed(level)] * 2, [timed(costs)] * 2, RATE_HZ, RATE_HZ)
    assert percent == pytest.approx(0.0, abs=1e-9)


def test_a_loud_run_that_wavers_makes_it_uncertain():
    blocks = 2 * RATE_HZ // 64
    wavering = np.linspace(1e-7, 2e-7, blocks)
    percent, uncertainty = manners.slow_down([timed(wavering)] * 2, [timed(wavering)] * 2, RATE_HZ, 0)
    assert uncertainty > 50.0
    assert abs(percent) < uncertainty


def test_balance_and_mono_sum():
    left, right = noise(2, 200_000)
    assert manners.balance_db(np.array([left, 2 * left])) == pytest.approx(20 * math.log10(2))
    assert manners.balance_db(np.array([left, 0 * left])) is None
    # Equal channels add in amplitude, unlike ones in power, opposite ones not at all.
    assert manners.mono_sum_db(np.array([left, left])) == pytest.approx(10 * math.log10(2))
    assert manners.mono_sum_db(np.array([left, right])) == pytest.approx(0.0, abs=0.05)
    assert manners.mono_sum_db(np.array([left, -0.9 * left])) == pytest.approx(10 * math.log10(0.01 / 1.81))
    assert manners.mono_sum_db(np.array([left, -left])) is None
    assert manners.peak_db(np.array([[0.5, -1.0]])) == 0.0
    assert manners.peak_db(np.zeros((1, 9))) is None
