"""Echo density after Abel and Huang, against what is known of noise and of sparse impulses."""

from __future__ import annotations

from math import erfc

import numpy as np
import pytest

from reverdict.measure.decay import measure_decay
from reverdict.measure.echo_density import GAUSSIAN_SHARE, echo_density

RATE_HZ = 48000


def sparse(occupancy: float, seconds: float = 1.0) -> np.ndarray:
    """±1 impulses with this share of all samples occupied."""
    draw = np.random.default_rng(5)
    size = round(seconds * RATE_HZ)
    sound = np.zeros(size)
    occupied = draw.permutation(size)[: round(occupancy * size)]
    sound[occupied] = draw.choice([-1.0, 1.0], occupied.size)
    return sound


def test_the_share_of_gaussian_noise() -> None:
    assert pytest.approx(erfc(1 / 2**0.5), abs=1e-7) == GAUSSIAN_SHARE


def test_noise_has_a_density_of_one() -> None:
    noise = np.random.default_rng(1).standard_normal(2 * RATE_HZ)
    found = echo_density(noise, RATE_HZ, 0.0, 2.0)
    # Abel and Huang, AES 121 (2006): Gaussian noise → 1.00
    assert found.density[5:].mean() == pytest.approx(1.00, abs=0.01)
    assert found.uncertainty is not None
    assert np.mean(np.abs(found.density[5:] - 1) <= found.uncertainty) > 0.92  # k = 2


def test_sparse_impulses() -> None:
    # Derived: 0.05 / 0.3173105 = 0.1576
    found = echo_density(sparse(0.05), RATE_HZ, 0.0, 1.0)
    assert found.density[5:].mean() == pytest.approx(0.1576, abs=0.004)
    assert found.mixing_s is None
    assert "not 1" in found.why_not


def test_an_echo_density_that_grows() -> None:
    """Gaussian impulses, occupancy p rising to 1 in 0.4 s (derived): density p·erfc(√(p/2))/erfc(1/√2)."""
    draw = np.random.default_rng(2)
    time_s = np.arange(RATE_HZ) / RATE_HZ
    occupied = draw.random(RATE_HZ) < np.minimum(time_s / 0.4, 1)
    sound = np.where(occupied, draw.standard_normal(RATE_HZ), 0.0) * np.exp(-2 * time_s)
    found = echo_density(sound, RATE_HZ, 0.0, 1.0)
    for at_s in (0.04, 0.1, 0.2, 0.3):
        p = at_s / 0.4
        near = np.abs(found.time_s - at_s) < 0.011
        assert found.density[near].mean() == pytest.approx(p * erfc((p / 2) ** 0.5) / GAUSSIAN_SHARE, abs=0.06)
    assert found.mixing_s is not None
    assert found.mixing_uncertainty_s is not None
    assert abs(found.mixing_s - 0.4) < found.mixing_uncertainty_s + 0.12  # the density is flat near 1


def test_decay_and_level_do_not_matter() -> None:
    steady = sparse(0.1)
    time_s = np.arange(RATE_HZ) / RATE_HZ
    falling = 1e-3 * steady * 10 ** (-3 * time_s / 2.0)
    one, other = (echo_density(sound, RATE_HZ, 0.0, 1.0) for sound in (steady, falling))
    assert other.density == pytest.approx(one.density, abs=0.03)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000])
def test_the_sample_rate_does_not_matter(rate_hz: int) -> None:
    noise = np.random.default_rng(3).standard_normal(rate_hz)
    assert echo_density(noise, rate_hz, 0.0, 1.0).density[5:].mean() == pytest.approx(1.0, abs=0.02)


def test_the_noise_behind_a_decay_is_not_taken_for_its_echoes() -> None:
    decay = sparse(0.02) * 10 ** (-3 * np.arange(RATE_HZ) / RATE_HZ / 0.5)
    noisy = decay + 1e-3 * np.random.default_rng(4).standard_normal(RATE_HZ)
    found = measure_decay(noisy, RATE_HZ).echo_density
    assert found.mixing_s is None
    assert found.time_s[-1] < 0.5
    assert found.density.max() < 0.5


@pytest.mark.parametrize("sound", [np.zeros(RATE_HZ), np.zeros(0), np.eye(1, RATE_HZ)[0], np.ones(100)])
def test_what_has_no_echoes_has_no_density(sound: np.ndarray) -> None:
    found = measure_decay(sound, RATE_HZ).echo_density
    assert found.mixing_s is None
    assert found.why_not


def test_times_count_from_the_click() -> None:
    noise = np.random.default_rng(6).standard_normal(RATE_HZ) * 10 ** (-3 * np.arange(RATE_HZ) / RATE_HZ / 0.8)
    late = np.concatenate([np.zeros(RATE_HZ // 10), noise])
    one, other = (measure_decay(sound, RATE_HZ).echo_density for sound in (noise, late))
    assert one.mixing_s is not None
    assert one.mixing_s < 0.02  # dense from the start: half a window after the arrival
    assert other.mixing_s == pytest.approx(one.mixing_s + 0.1, abs=0.005)
