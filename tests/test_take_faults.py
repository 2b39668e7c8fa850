"""Clipping, hum and levels of takes: found where they are, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from reverdict.measure.sweep import make_sweep
from reverdict.measure.take_faults import find_clipping, find_hum, level_db, loudest_db

RATE_HZ = 48000
TIME_S = np.arange(RATE_HZ) / RATE_HZ


def sine(hz: float, amplitude: float = 0.9) -> NDArray[np.float64]:
    return np.asarray(amplitude * np.sin(2 * np.pi * hz * TIME_S))


def stored(sound: NDArray[np.float64], bits: int | None) -> NDArray[np.float64]:
    return sound if bits is None else np.round(sound * 2 ** (bits - 1)) / 2 ** (bits - 1)


@pytest.mark.parametrize("bits", [None, 16, 24])
@pytest.mark.parametrize("hz", [20.0, 50.0, 440.0, 997.0, 3000.0])
def test_a_plateau_below_full_scale_is_clipping_and_a_loud_sine_is_not(hz: float, bits: int | None) -> None:
    assert find_clipping(stored(sine(hz), bits)) is None
    assert find_clipping(stored(sine(hz, 1.0 - 2.0**-15), bits)) is None
    for noise in (0.0, 1e-4):
        sound = np.clip(1.5 * sine(hz), -0.7, 0.7) + noise * np.random.default_rng(1).standard_normal(TIME_S.size)
        found = find_clipping(stored(sound, bits))
        assert found is not None
        assert found.level_db == pytest.approx(level_db(0.7), abs=0.05)
        assert found.count >= 2 * hz - 4  # both tops of every period, but for the ends
        assert found.first < 2 * RATE_HZ / hz


def test_one_side_alone_may_clip() -> None:
    found = find_clipping(np.minimum(sine(440.0), 0.6))
    assert found is not None
    assert found.level_db == pytest.approx(level_db(0.6), abs=0.01)


@pytest.mark.parametrize("bits", [None, 16])
def test_sweeps_noise_and_silence_do_not_clip(bits: int | None) -> None:
    sweep = make_sweep(20.0, 20000.0, 3.0, RATE_HZ, amplitude=0.5).samples()
    assert find_clipping(stored(sweep, bits)) is None
    assert find_clipping(stored(np.clip(sweep, -0.4, 0.4), bits)) is not None
    assert find_clipping(stored(0.1 * np.random.default_rng(2).standard_normal(480000), bits)) is None
    assert find_clipping(np.zeros(4800)) is None
    assert find_clipping(np.zeros(0)) is None
    assert find_clipping(np.full(4800, 0.3)) is None


def test_one_long_plateau_is_enough_and_one_short_one_is_not() -> None:
    sound = sine(100.0, 0.2)
    for length, clips in ((20, True), (6, False)):
        bang = sound.copy()
        bang[24000 : 24000 + length] = 0.8
        assert (find_clipping(bang) is not None) == clips


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("off_hz", [-0.2, 0.0, 0.2])
def test_hum_is_found_with_its_level(mains_hz: float, off_hz: float) -> None:
    noise = 1e-5 * np.random.default_rng(3).standard_normal(RATE_HZ)
    hum = sine(mains_hz + off_hz, 1e-3) + sine(3 * (mains_hz + off_hz), 5e-4)
    found = find_hum(hum + noise, RATE_HZ)
    assert found is not None
    assert found.mains_hz == mains_hz
    # Between two bins a Hann window shows a line up to 1.4 dB low.
    assert found.level_db == pytest.approx(level_db(float(np.sqrt((1e-6 + 2.5e-7) / 2))), abs=1.5)


def test_no_hum_is_invented() -> None:
    generator = np.random.default_rng(4)
    found = sum(find_hum(generator.standard_normal(RATE_HZ // 2), RATE_HZ) is not None for _ in range(300))
    print(f"\n| hum found in 300 stretches of noise | {found} |", end="")
    assert found <= 3
    assert find_hum(sine(73.0, 1e-3) + 1e-5 * generator.standard_normal(RATE_HZ), RATE_HZ) is None
    assert find_hum(np.zeros(RATE_HZ), RATE_HZ) is None
    assert find_hum(sine(50.0)[:1000], RATE_HZ) is None


def test_the_loudest_stretch_tells_a_level() -> None:
    sound = np.zeros(RATE_HZ)
    sound[4800:9600] = sine(1000.0, 1.0)[4800:9600]
    assert loudest_db(sound, RATE_HZ) == pytest.approx(-3.01, abs=0.01)
    assert loudest_db(np.zeros(100), RATE_HZ) == level_db(0.0) == -400.0
