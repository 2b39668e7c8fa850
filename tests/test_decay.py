"""Decay against closed forms: pure exponentials, exponentials in noise, and a feedback comb."""

from __future__ import annotations

import numpy as np
import pytest

from reverdict.measure.decay import BandDecay, measure_decay

RATE_HZ = 48000


def whole(seconds: float, noise_db: float | None, seed: int) -> BandDecay:
    """Decay of ±1 signs under an exponential, so that its energy envelope is exact, in Gaussian noise."""
    random = np.random.default_rng(seed)
    time_s = np.arange(int(2 * seconds * RATE_HZ)) / RATE_HZ
    sound = np.exp(-np.log(1000) * time_s / seconds) * random.choice([-1.0, 1.0], time_s.size)
    if noise_db is not None:
        sound += random.standard_normal(time_s.size) * 10 ** (-noise_db / 20)
    return measure_decay(sound, RATE_HZ).whole


@pytest.mark.parametrize("seconds", [0.5, 2.0])
@pytest.mark.parametrize("seed", range(3))
def test_decay_times_of_an_exponential_at_60_db(seconds: float, seed: int) -> None:
    times = whole(seconds, 60.0, seed).times
    for name in ("edt", "t20", "t30"):  # EDT = T20 = T30 = T60, derived
        assert times[name].seconds == pytest.approx(seconds, rel=0.01)


@pytest.mark.parametrize("seed", range(3))
def test_at_45_db_t20_holds_and_t30_is_told_only_where_the_range_allows(seed: int) -> None:
    times = whole(2.0, 45.0, seed).times
    assert times["t20"].seconds == pytest.approx(2.0, rel=0.02)
    if times["t30"].seconds is None:
        assert "needs 45" in times["t30"].why_not  # ISO 3382-1:2009, 5.3.3
    else:
        assert times["t30"].seconds == pytest.approx(2.0, rel=0.02)


def test_at_30_db_neither_is_told() -> None:
    times = whole(2.0, 30.0, 0).times
    assert times["t20"].seconds is None
    assert times["t30"].seconds is None
    assert times["t20"].why_not


def test_feedback_comb() -> None:
    comb = np.zeros(2 * RATE_HZ)
    comb[::1000] = 0.7 ** np.arange(comb[::1000].size)
    # T60 = −3M/(fs log10 |g|) = 0.403481 s, derived; the curve is a staircase of 3.1 dB steps.
    expected_s = -3 * 1000 / (RATE_HZ * np.log10(0.7))
    assert expected_s == pytest.approx(0.403481, abs=1e-6)
    assert measure_decay(comb, RATE_HZ).whole.times["t30"].seconds == pytest.approx(expected_s, rel=0.05)


def test_silence_has_no_decay_and_says_so() -> None:
    silent = measure_decay(np.zeros(RATE_HZ), RATE_HZ).whole
    assert silent.level_db is None
    assert all(time.seconds is None and time.why_not for time in silent.times.values())
