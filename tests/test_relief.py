"""The energy decay relief adds up to the energy of the sound, and keeps a chirp sharp."""

from __future__ import annotations

import numpy as np
import pytest

from reverdict.measure.relief import WINDOW_S, energy_decay_relief

RATE_HZ = 24000


def tone_at(hz: float, t60_s: float, seconds: float = 1.0) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.cos(2 * np.pi * hz * time_s) * 10 ** (-3 * time_s / t60_s)


def test_a_window_is_short_enough_for_chirps() -> None:
    assert WINDOW_S < 0.008  # J.-M. Jot's relief with a longer window blurs spring chirps (CHECKVALUES, practice)


def test_it_sums_to_the_energy_of_the_sound() -> None:
    sound = np.random.default_rng(1).standard_normal(RATE_HZ) * 10 ** (-np.arange(RATE_HZ) / RATE_HZ)
    for gain in (1.0, 0.01):
        relief = energy_decay_relief(gain * sound, RATE_HZ)
        start = 10 ** (relief.level_db[:, 0] / 10)
        loud, soft = (float(start[band].sum()) for band in (slice(0, 36), slice(36, None)))
        assert soft / loud == pytest.approx((start.size - 36) / 36, rel=0.1)  # white
    halves = energy_decay_relief(sound, RATE_HZ)
    middle = np.argmin(np.abs(halves.time_s - 0.5))
    left = 10 ** (halves.level_db / 10)
    ratio = left[:, middle].sum() / left[:, 0].sum()
    # Parseval: what is left of the sound itself, to a window's length.
    assert ratio == pytest.approx(np.sum(sound[RATE_HZ // 2 :] ** 2) / np.sum(sound**2), rel=0.03)


def test_each_frequency_decays_at_its_own_rate() -> None:
    relief = energy_decay_relief(tone_at(1000, 0.5) + tone_at(5000, 0.25), RATE_HZ)
    for hz, t60_s in ((1000, 0.5), (5000, 0.25)):
        row = relief.level_db[np.argmin(np.abs(relief.frequency_hz - hz))]
        falling = (row < row[0] - 5) & (row > row[0] - 35)
        assert -60 / np.polyfit(relief.time_s[falling], row[falling], 1)[0] == pytest.approx(t60_s, rel=0.01)


def test_a_chirp_stands_where_it_arrives() -> None:
    """Bursts at 20 and 60 ms, 500 Hz and 4 kHz: each row falls at its own time, within the window."""
    time_s = np.arange(RATE_HZ // 4) / RATE_HZ
    sound = sum(
        np.cos(2 * np.pi * hz * time_s) * np.exp(-0.5 * ((time_s - at_s) / 0.002) ** 2)
        for hz, at_s in ((500, 0.02), (4000, 0.06))
    )
    relief = energy_decay_relief(np.asarray(sound), RATE_HZ)
    for hz, at_s in ((500, 0.02), (4000, 0.06)):
        row = relief.level_db[np.argmin(np.abs(relief.frequency_hz - hz))]
        half = relief.time_s[np.argmax(row < row[0] - 3)]
        assert half == pytest.approx(at_s, abs=WINDOW_S)


def test_noise_is_taken_out_where_the_decay_meets_it() -> None:
    sound = tone_at(1000, 0.4, 2.0)
    noisy = sound + 1e-3 * np.random.default_rng(2).standard_normal(sound.size)
    relief = energy_decay_relief(noisy, RATE_HZ, end_s=0.4)
    assert relief.time_s[-1] < 0.4
    row = relief.level_db[np.argmin(np.abs(relief.frequency_hz - 1000))]
    falling = (row < -5) & (row > -35)
    assert -60 / np.polyfit(relief.time_s[falling], row[falling], 1)[0] == pytest.approx(0.4, rel=0.03)


@pytest.mark.parametrize("size", [0, 1, 10, 100, 1000])
def test_short_sounds(size: int) -> None:
    relief = energy_decay_relief(np.ones(size), RATE_HZ, end_s=0.01)
    assert relief.level_db.shape == (relief.frequency_hz.size, relief.time_s.size)
    assert np.all(np.isfinite(relief.level_db))
