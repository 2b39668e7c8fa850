"""Flatness of passes against magnitudes in closed form: echoes within a pass, tilts, and chains that are flat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest

from reverdict.measure.flatness import Flatness, flatness_of
from reverdict.measure.springs import find_springs
from spring_truth import TrueSpring, respond

if TYPE_CHECKING:
    from numpy.typing import NDArray

DB = 20 / np.log(10)


@dataclass(frozen=True)
class Coloured(TrueSpring):
    """A spring each of whose passes is followed by an echo, and tilted.

    The echo makes a ripple of 20 lg|1 + g e^{−jωd}|: at most −20 lg(1 − g), rms DB √Σ g^{2n}/2n² over whole periods.
    """

    echo: float = 0.0
    echo_s: float = 1.5e-3
    db_per_octave: float = 0.0

    def spectrum(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        tilt = (np.maximum(frequency_hz, 20) / 1000) ** (self.db_per_octave / (20 * np.log10(2)))
        echo = 1 + self.echo * np.exp(-2j * np.pi * frequency_hz * self.echo_s)
        return super().spectrum(frequency_hz) * tilt * echo

    @property
    def ripple_rms_db(self) -> float:
        n = np.arange(1, 40)
        return float(DB * np.sqrt(np.sum(self.echo ** (2 * n) / (2 * n**2))))

    @property
    def ripple_max_db(self) -> float:
        return -20 * float(np.log10(1 - self.echo))


def flatness(*springs: TrueSpring, noise_db: float | None = -70.0, seed: int = 1) -> list[tuple[Flatness, ...]]:
    sound = respond(springs, seconds=1.2, noise_db=noise_db, seed=seed)
    measured = find_springs(sound, 48000)
    return list(flatness_of(measured))


@pytest.mark.parametrize("spring", [TrueSpring(0.03, 4300), TrueSpring(0.033, 4300, chain=(100, 0.75))])
def test_a_pass_without_colour_is_flat(spring: TrueSpring) -> None:
    """A helical spring, and a chain of 100 allpass sections (Välimäki, Parker, Abel 2010): |H| = 1 but for losses."""
    for flat in flatness(spring)[0][:3]:
        assert flat.ripple_rms_db == pytest.approx(0, abs=0.1)
        assert flat.ripple_max_db is not None
        assert flat.ripple_max_uncertainty_db is not None
        assert flat.ripple_max_db < min(0.5, flat.ripple_max_uncertainty_db)


@pytest.mark.parametrize(("echo", "echo_s"), [(0.1, 1.5e-3), (0.3, 1.5e-3), (0.2, 1.2e-3), (0.2, 1.9e-3)])
def test_ripple_of_an_echo_within_a_pass(echo: float, echo_s: float) -> None:
    spring = Coloured(0.03, 4300, echo=echo, echo_s=echo_s)
    first = flatness(spring)[0][0]
    assert first.ripple_rms_db == pytest.approx(spring.ripple_rms_db, rel=0.06)
    assert first.ripple_max_db is not None
    assert first.ripple_max_uncertainty_db is not None
    assert abs(first.ripple_max_db - spring.ripple_max_db) < 0.15 + first.ripple_max_uncertainty_db


def test_a_tilt_is_no_ripple() -> None:
    plain, tilted = (flatness(Coloured(0.03, 4300, db_per_octave=slope))[0][0] for slope in (0.0, -3.0))
    assert plain.tilt_db_per_octave is not None
    assert plain.span_db is not None
    assert tilted.tilt_db_per_octave == pytest.approx(plain.tilt_db_per_octave - 3.0, abs=0.1)
    assert tilted.ripple_rms_db == pytest.approx(0, abs=0.1)
    assert tilted.span_db is not None
    assert tilted.span_db > plain.span_db + 3 * np.log2(3400 / 500)


def test_level_is_that_of_a_unit_click() -> None:
    """Against 20 lg of coupling and loss, and the peak the truth was divided by."""
    spring = TrueSpring(0.03, 4300)
    first = flatness(spring)[0][0]
    hz = first.frequency_hz
    loss = 3 * np.log(10) / spring.t60_s * (1 + (hz / spring.half_hz) ** 2) * spring.delay_s(hz)
    true_db = 20 * np.log10(hz**2 / (hz**2 + 80**2)) - DB * loss
    away_db = first.level_db - true_db
    assert np.ptp(away_db[(hz > 600) & (hz < 3400)]) < 0.08
    assert np.ptp(away_db) < 0.9


def test_the_other_springs_passes_are_left_out() -> None:
    """Spring 2's third pass crosses others; the first passes of both can be read, one of them coloured."""
    plain, coloured = flatness(TrueSpring(0.030, 4300), Coloured(0.041, 4100, echo=0.2))
    assert plain[0].ripple_rms_db == pytest.approx(0, abs=0.1)
    assert coloured[0].ripple_rms_db == pytest.approx(Coloured(0.041, 4100, echo=0.2).ripple_rms_db, rel=0.1)
    hidden = [flat for flat in (*plain, *coloured) if flat.ripple_rms_db is None]
    assert hidden
    for flat in hidden:
        assert "other passes lie over" in flat.why_not
        assert not flat.frequency_hz.size
        assert flat.tilt_db_per_octave is None


def test_noise_is_a_reason() -> None:
    flats = flatness(TrueSpring(0.03, 4300, t60_s=0.6), noise_db=-34.0)[0]
    assert any("clear of noise" in flat.why_not for flat in flats)


def test_nothing_of_what_has_no_passes() -> None:
    assert flatness_of(find_springs(np.random.default_rng(1).standard_normal(48000), 48000)) == ()


@pytest.mark.slow
def test_many_ripples_in_noise() -> None:
    """Prints the table of tests/README.md."""
    chance = np.random.default_rng(4)
    for noise_db in (-70.0, -50.0, -40.0):
        errors, held, worst, told = [], [], [], 0
        for seed in range(30):
            spring = Coloured(
                chance.uniform(0.02, 0.05), chance.uniform(3000, 5500),
                echo=chance.uniform(0, 0.4), echo_s=chance.uniform(1.2e-3, 2e-3),
            )  # fmt: skip
            flat = flatness(spring, noise_db=noise_db, seed=seed)[0][0]
            if flat.ripple_rms_db is None or flat.ripple_max_db is None:
                continue
            assert flat.ripple_rms_uncertainty_db is not None
            assert flat.ripple_max_uncertainty_db is not None
            told += 1
            errors.append(flat.ripple_rms_db - spring.ripple_rms_db)
            held.append(abs(errors[-1]) < flat.ripple_rms_uncertainty_db)
            worst.append(abs(flat.ripple_max_db - spring.ripple_max_db) < flat.ripple_max_uncertainty_db)
        rms, most = np.sqrt(np.mean(np.square(errors))), np.abs(errors).max()
        shares = f"{100 * np.mean(held):.0f} % | {100 * np.mean(worst):.0f} %"
        print(f"| {noise_db:.0f} dB | {told} of 30 | {rms:.2f} dB ({most:.2f} dB) | {shares} |")
        assert np.abs(errors).max() < 0.4
        assert np.mean(worst) > 0.9
