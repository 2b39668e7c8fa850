"""Metallic colour against combs in closed form, and against all kinds of sounds that have none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import signal

from dense_truth import hall, network
from reverdict.measure.colour import Colour, measure_colour
from reverdict.measure.springs import find_springs
from spring_truth import TrueSpring, respond

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48000


def comb(sound: NDArray[np.float64], samples: int, gain: float) -> NDArray[np.float64]:
    """y[n] = x[n] + g y[n − M]: peaks fs/M apart, +20 lg(1/(1 − g)) dB high, dips −20 lg(1 + g) (derived)."""
    loop = np.zeros(samples + 1)
    loop[0], loop[samples] = 1, -gain
    return np.asarray(signal.lfilter([1], loop, sound))


def click(seconds: float = 2.0) -> NDArray[np.float64]:
    return np.eye(1, round(seconds * RATE_HZ))[0]


def prominence_db(gain: float) -> float:
    return 20 * float(np.log10((1 + abs(gain)) / (1 - abs(gain))))


def assert_within(found: Colour, spacing_hz: float, peak_over_dip_db: float, at_least: float = 0.0) -> None:
    assert found.why_not == ""
    assert found.spacing_hz is not None
    assert found.spacing_uncertainty_hz is not None
    assert found.prominence_db is not None
    assert found.prominence_uncertainty_db is not None
    assert abs(found.spacing_hz - spacing_hz) < found.spacing_uncertainty_hz + at_least * spacing_hz
    assert abs(found.prominence_db - peak_over_dip_db) < found.prominence_uncertainty_db + 0.02 * peak_over_dip_db


@pytest.mark.parametrize(
    ("samples", "gain"), [(500, 0.7), (900, 0.7), (48, 0.5), (13, 0.3), (100, 0.9), (100, -0.9), (240, 0.18)]
)
def test_a_comb_alone(samples: int, gain: float) -> None:
    """G = 0.7: +10.4576 and −4.6090 dB (derived)."""
    assert prominence_db(0.7) == pytest.approx(10.4576 + 4.6090, abs=1e-4)
    assert_within(measure_colour(comb(click(), samples, gain), RATE_HZ), RATE_HZ / samples, prominence_db(gain), 1e-5)


def test_a_single_echo_is_a_comb() -> None:
    sound = click()
    sound[240] = 0.5
    assert_within(measure_colour(sound, RATE_HZ), 200.0, prominence_db(0.5), 1e-5)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000, 192000])
def test_every_rate(rate_hz: int) -> None:
    samples = rate_hz // 400
    found = measure_colour(comb(hall(rate_hz, 1.5, decay_s=1.0), samples, 0.4), rate_hz)
    assert_within(found, rate_hz / samples, prominence_db(0.4))


def test_times_count_from_the_click() -> None:
    sound = comb(hall(RATE_HZ, 1.5), 240, 0.4)
    late = np.concatenate([np.random.default_rng(3).standard_normal(4800), sound])
    assert measure_colour(late, RATE_HZ, 0.1) == measure_colour(sound, RATE_HZ)


def test_peaks_nearer_than_50_hz_are_an_echo_pattern() -> None:
    """M = 1000 at 48 kHz, 48 Hz, is beyond the border; M = 900 is not."""
    assert measure_colour(comb(click(), 1000, 0.7), RATE_HZ).spacing_hz is None
    assert measure_colour(comb(click(), 900, 0.7), RATE_HZ).spacing_hz is not None


def test_a_comb_in_a_lowpassed_hall_with_noise() -> None:
    sound = signal.lfilter(*signal.butter(1, 0.15), comb(hall(RATE_HZ, 2.0, decay_s=0.8), 200, 0.5))
    sound += 1e-3 * np.abs(sound).max() * np.random.default_rng(2).standard_normal(sound.size)
    found = measure_colour(np.asarray(sound), RATE_HZ)
    assert_within(found, 240.0, prominence_db(0.5))
    assert found.to_hz is not None
    assert found.to_hz < 20000


def test_a_comb_in_a_spring() -> None:
    spring = respond([TrueSpring(0.035, 4500)], seconds=1.5, noise_db=-70.0)
    found = measure_colour(comb(spring, 100, 0.5), RATE_HZ, 0.0, find_springs(spring, RATE_HZ).springs)
    assert_within(found, 480.0, prominence_db(0.5))


def modes(count: int, seed: int) -> NDArray[np.float64]:
    chance = np.random.default_rng(seed)
    time_s = np.arange(RATE_HZ) / RATE_HZ
    return np.asarray(
        sum(
            chance.standard_normal() * np.exp(-time_s * chance.uniform(3, 30))
            * np.sin(2 * np.pi * chance.uniform(100, 8000) * time_s)
            for _ in range(count)
        )
    )  # fmt: skip


def allpasses() -> NDArray[np.float64]:
    """Schroeder's allpass (g = 0.7), three in a row."""
    sound = click()
    for samples in (240, 81, 27):
        top, loop = np.zeros(samples + 1), np.zeros(samples + 1)
        top[0], top[samples], loop[0], loop[samples] = -0.7, 1, 1, -0.7
        sound = np.asarray(signal.lfilter(top, loop, sound))
    return sound


PLAIN: dict[str, NDArray[np.float64]] = {
    "hall": hall(RATE_HZ, 2.0),
    "short room": hall(RATE_HZ, 1.0, decay_s=0.07),
    "dark hall": np.asarray(signal.lfilter(*signal.butter(4, 0.05), hall(RATE_HZ, 2.0))),
    "resonant hall": np.asarray(signal.lfilter(*signal.iirpeak(0.1, 3), hall(RATE_HZ, 2.0))),
    "network": np.asarray(network()),
    "noise": np.random.default_rng(1).standard_normal(RATE_HZ),
    "click": click(),
    "allpasses": allpasses(),
    "lowpass": np.asarray(signal.lfilter(*signal.butter(4, 0.2), click())),
    "one mode": modes(1, 1),
    "two modes": modes(2, 2),
    "ten modes": modes(10, 3),
    "many modes": modes(100, 4),
    "echoes of 30 ms": comb(click(), 1440, 0.8),
    "two springs": respond([TrueSpring(0.030, 4300), TrueSpring(0.041, 4100)], seconds=1.5),
    "chain": respond([TrueSpring(0.033, 4300, chain=(100, 0.75))], seconds=1.5),
    "silence": np.zeros(RATE_HZ),
    "offset": np.full(RATE_HZ, 0.5),
    "nothing": np.zeros(0),
    "one sample": np.ones(1),
    "short": np.random.default_rng(1).standard_normal(1000),
}


@pytest.mark.parametrize("name", PLAIN)
def test_no_colour(name: str) -> None:
    found = measure_colour(PLAIN[name], RATE_HZ)
    assert found.spacing_hz is None
    assert found.prominence_db is None
    assert found.why_not


@pytest.mark.parametrize("seconds", [0.0, 0.02])
def test_the_delay_between_known_springs_is_their_echo_pattern(seconds: float) -> None:
    """Two springs as alike as can be, without loss over frequency: what remains is the comb between them."""
    sound = respond([TrueSpring(0.030, 9000), TrueSpring(0.0345 + seconds / 10, 9000)], seconds=1.5, noise_db=-70.0)
    assert measure_colour(sound, RATE_HZ, 0.0, find_springs(sound, RATE_HZ).springs).spacing_hz is None


def random_comb(chance: np.random.Generator, seed: int) -> tuple[Colour, float, float]:
    """A hall of 0.3 to 3 s under a comb of 3 to 20 dB, peaks 56 to 3400 Hz apart."""
    samples = round(RATE_HZ / np.exp(chance.uniform(np.log(56), np.log(3400))))
    peak_db = float(chance.uniform(3, 20))
    gain = float(chance.choice([-1, 1])) * float(np.tanh(peak_db * np.log(10) / 40))
    sound = comb(
        hall(RATE_HZ, 1.5, decay_s=10 ** chance.uniform(-0.5, 0.5), seed=seed, highest_hz=20000), samples, gain
    )
    return measure_colour(sound, RATE_HZ), RATE_HZ / samples, peak_db


def found_of_combs(count: int) -> None:
    chance = np.random.default_rng(7)
    spacing, prominence = [], []
    for seed in range(count):
        found, hz, peak_db = random_comb(chance, seed)
        if found.spacing_hz is None or found.prominence_db is None:
            continue
        assert found.spacing_uncertainty_hz is not None
        assert found.prominence_uncertainty_db is not None
        spacing.append((abs(found.spacing_hz / hz - 1), abs(found.spacing_hz - hz) / found.spacing_uncertainty_hz))
        error_db = found.prominence_db - peak_db
        prominence.append((error_db, abs(error_db) / found.prominence_uncertainty_db))
    off, off_in_u = np.array(spacing).T
    off_db, off_db_in_u = np.array(prominence).T
    spaced = f"{100 * np.sqrt(np.mean(off**2)):.2f} % ({100 * off.max():.2f} %) | {100 * np.mean(off_in_u < 1):.0f} %"
    high = f"{np.sqrt(np.mean(off_db**2)):.2f} dB ({np.abs(off_db).max():.2f} dB)"
    print(f"| {len(spacing)} of {count} | {spaced} | {high} | {100 * np.mean(off_db_in_u < 1):.0f} % |")
    assert len(spacing) >= 0.98 * count
    assert np.mean(off_in_u < 1) > 0.9
    assert off_in_u.max() < 2
    assert np.mean(off_db_in_u < 1) > 0.9


def plain_sounds(kind: str, seed: int) -> Colour:
    chance = np.random.default_rng((seed, len(kind)))
    if kind == "halls":
        rate_hz = int(chance.choice([22050, 44100, 48000, 96000]))
        top_hz, decay_s = chance.uniform(3000, 20000), 10 ** chance.uniform(-0.7, 0.6)
        sound = hall(rate_hz, chance.uniform(0.3, 2), decay_s=decay_s, seed=seed, highest_hz=top_hz)
        return measure_colour(sound + 10 ** chance.uniform(-5, -2) * chance.standard_normal(sound.size), rate_hz)
    if kind == "noises":
        return measure_colour(chance.standard_normal(RATE_HZ) * chance.uniform(0.01, 1), RATE_HZ)
    if kind == "modes":
        return measure_colour(modes(int(chance.integers(1, 200)), seed), RATE_HZ)
    if kind == "echoes":
        sound, count = np.zeros(RATE_HZ), int(chance.integers(20, 2000))
        at = chance.integers(0, RATE_HZ, count)
        sound[at] = chance.standard_normal(count) * 10 ** (-3 * at / RATE_HZ / chance.uniform(0.3, 2))
        return measure_colour(sound, RATE_HZ)
    springs = [
        TrueSpring(
            chance.uniform(0.015, 0.06), chance.uniform(2500, 6000), level_db=chance.uniform(-6, 0),
            inverts=bool(chance.integers(2)), t60_s=chance.uniform(1, 4), half_hz=chance.uniform(1500, 5000),
        )
        for _ in range(chance.integers(1, 4))
    ]  # fmt: skip
    sound = respond(springs, seconds=1.2, noise_db=chance.uniform(-80, -40), seed=seed)
    known = find_springs(sound, RATE_HZ).springs if kind == "springs" else ()
    return measure_colour(sound, RATE_HZ, 0.0, known)


def test_random_combs() -> None:
    found_of_combs(50)


@pytest.mark.few(2)
@pytest.mark.parametrize("kind", ["halls", "noises", "modes", "springs not known"])
def test_random_sounds_without_a_comb(kind: str) -> None:
    assert sum(plain_sounds(kind, seed).spacing_hz is not None for seed in range(15)) == 0


@pytest.mark.slow
def test_a_hundred_random_combs() -> None:
    """Prints the table of tests/README.md."""
    found_of_combs(100)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["halls", "noises", "modes", "springs", "springs not known", "echoes"])
def test_a_hundred_random_sounds_without_a_comb(kind: str) -> None:
    """Prints the table of tests/README.md. Among few echoes, two strong ones do make a comb."""
    fired = sum(plain_sounds(kind, seed).spacing_hz is not None for seed in range(100, 200))
    print(f"| {kind} | {fired} of 100 |")
    assert fired <= {"springs not known": 2, "echoes": 15}.get(kind, 0)
