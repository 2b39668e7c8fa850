"""Random tanks whose every arrival and delay curve is known exactly, and the least error that noise allows.

Every value is drawn evenly from its range, from one seed:

    springs                 1, 2 or 3, in turn; low-frequency trips at least 3 ms apart
    one trip at 0 Hz        15 to 80 ms
    transition frequency    2.5 to 5.5 kHz
    dispersion              helical spring; three in ten an allpass chain of 40 to 120 sections, a = 0.5 to 0.75
    level                   −6 to 0 dB, either polarity
    pass law                1:3:5:7 (two in three) or 1:2:3:4; passes turned over or not; one for the whole tank
    T60 at 0 Hz             1.5 to 4 s, twice as fast at 2.5 to 5 kHz
    crosstalk               −50 to −30 dB of the peak, a click at t = 0
    fast high train         in half of the tanks: from 1.2 f_C up, first after half a trip, −40 to −20 dB of its spring

Nothing is left out because it is hard: first passes cross in many of these tanks, and a first pass may lie on a later
one of another spring. Only springs whose trips are less than 3 ms apart are not drawn: the suite tells those as one.
Shares no code with the estimator.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from spring_truth import TrueSpring

RATE_HZ = 48000
SECONDS = 2.0
LEAST_APART_S = 3e-3
LAW_OF_DRAW = ("1:3:5", "1:3:5", "1:2:3")
TRAIN_BEND = 0.1
READ_OVER_HZ = 283.0
"""The rectangle as wide, in variance, as the triangle of ±200 Hz over which the suite reads a delay."""


@dataclass(frozen=True)
class Tank:
    """Springs in order of arrival and what comes with them. ``train_db`` is None where there is no fast train."""

    springs: tuple[TrueSpring, ...]
    crosstalk_db: float
    train_db: float | None


def random_tank(seed: int) -> Tank:
    """The tank of a seed, with 1 + seed % 3 springs."""
    random = np.random.default_rng(1000 + seed)
    law, inverts = LAW_OF_DRAW[random.integers(3)], bool(random.integers(2))
    springs = tuple(_random_spring(random, trip_s, law, inverts) for trip_s in _trips_apart(random, 1 + seed % 3))
    train_db = float(random.uniform(-40, -20))
    return Tank(springs, float(random.uniform(-50, -30)), train_db if random.integers(2) else None)


def _trips_apart(random: np.random.Generator, count: int) -> NDArray[np.float64]:
    while True:
        trips_s = np.sort(random.uniform(0.015, 0.080, count))
        if np.diff(trips_s).min(initial=1.0) > LEAST_APART_S:
            return trips_s


def _random_spring(random: np.random.Generator, trip_s: float, law: str, inverts: bool) -> TrueSpring:
    transition_hz = float(random.uniform(2500, 5500))
    sections, a = int(random.integers(40, 120)), float(random.uniform(0.5, 0.75))
    # What the chain itself takes at 0 Hz leaves at least a fifth of the trip to its delay line.
    fits = sections * (1 - a) / (1 + a) / (2 * transition_hz) < 0.8 * trip_s
    return TrueSpring(
        float(trip_s),
        transition_hz,
        law,
        inverts,
        t60_s=float(random.uniform(1.5, 4)),
        half_hz=float(random.uniform(2500, 5000)),
        level_db=-float(random.uniform(0, 6)),
        polarity=int(random.choice([-1, 1])),
        chain=(sections, a) if random.uniform() < 0.3 and fits else None,
    )


def train_spectrum(spring: TrueSpring, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """The fast train above the transition: τ = T/2 (1 + b (f_C/f)²), 1 s of T60, at 1, 3, 5, … times that."""
    total = np.zeros(frequency_hz.shape, dtype=complex)
    inside = (frequency_hz > 1.2 * spring.transition_hz) & (frequency_hz < 0.45 * RATE_HZ)
    f = frequency_hz[inside]
    rise = np.sin(np.pi / 2 * np.clip((f / spring.transition_hz - 1.2) / 0.3, 0, 1)) ** 2
    fall = np.cos(np.pi / 2 * np.clip((f / RATE_HZ - 0.35) / 0.1, 0, 1)) ** 2
    half_s = spring.trip_s / 2
    phase = 2 * np.pi * half_s * (f - TRAIN_BEND * spring.transition_hz**2 / f)
    trip = np.exp(-3 * np.log(10) * half_s * (1 + TRAIN_BEND * (spring.transition_hz / f) ** 2) - 1j * phase)
    total[inside] = 10 ** (spring.level_db / 20) * rise * fall * trip / (1 + trip**2)
    return total


def clean_response(tank: Tank, late_s: float = 0.0) -> tuple[NDArray[np.float64], float]:
    """Response to a click at t = 0 without noise, peak 1, and what it was multiplied by.

    late_s : latency of all springs, but not of the crosstalk.
    """
    size = round(SECONDS * RATE_HZ)
    grid = fft.next_fast_len(4 * size, real=True)
    hz = np.arange(grid // 2 + 1) * RATE_HZ / grid
    whole = np.zeros(hz.shape, dtype=complex)
    for spring in tank.springs:
        whole += spring.spectrum(hz)
        if tank.train_db is not None:
            whole += 10 ** (tank.train_db / 20) * train_spectrum(spring, hz)
    whole *= np.exp(-2j * np.pi * hz * late_s)
    sound = fft.irfft(whole, grid)[:size]
    scale = 1 / float(np.abs(sound).max())
    sound *= scale
    sound[0] += 10 ** (tank.crosstalk_db / 20)
    return sound, scale


def with_noise(sound: NDArray[np.float64], below_db: float, seed: int) -> NDArray[np.float64]:
    """The same in white noise whose rms lies ``below_db`` below a peak of 1."""
    return sound + 10 ** (-below_db / 20) * np.random.default_rng(seed).standard_normal(sound.size)


def least_sigma_s(
    spring: TrueSpring, scale: float, below_db: float, frequency_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Least standard deviation of the group delay of a first pass that stands alone in white noise.

    √12/(2πB√(E/σ²)) for a band of unknown phase ("Timing limits", derived), with B = 283 Hz and E what the pass has
    in that band. Other passes can only make it larger.
    """
    energy = 2 * READ_OVER_HZ / RATE_HZ * (scale * first_pass_level(spring, frequency_hz)) ** 2
    noise = 10 ** (-below_db / 10)
    return np.asarray(np.sqrt(12) / (2 * np.pi * READ_OVER_HZ * np.sqrt(energy / noise)))


def first_pass_level(spring: TrueSpring, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Magnitude of the first pass alone: the spring's spectrum less its repeats, which are one factor."""
    share = frequency_hz / spring.transition_hz
    loss_per_s = 3 * np.log(10) / spring.t60_s * (1 + (frequency_hz / spring.half_hz) ** 2)
    taper = np.cos(np.pi / 2 * np.clip((share - 0.86) / 0.11, 0, 1)) ** 2
    coupling = frequency_hz**2 / (frequency_hz**2 + 80.0**2) * taper
    return np.asarray(10 ** (spring.level_db / 20) * coupling * np.exp(-loss_per_s * spring.delay_s(frequency_hz)))
