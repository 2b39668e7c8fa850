"""Springs of two hundred random tanks, held against their exact truth (``tank_truth``).

Limits are those asked of the suite at 80 and 50 dB of peak to noise, but for two that it misses: see below.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray

from reverdict.measure.passes import Spring
from reverdict.measure.springs import ARRIVAL_HZ, find_springs
from spring_truth import TrueSpring
from tank_truth import RATE_HZ, READ_OVER_HZ, Tank, clean_response, least_sigma_s, random_tank, with_noise

RIGHT = 0.98
"""Least share of tanks with the right number of springs, each where it is and of its law. Asked for is 0.98."""

ARRIVAL_MEDIAN_US = 3.0
ARRIVAL_P95_US = {80: 15.0, 50: 40.0}
CURVE_MEDIAN_US, CURVE_P95_US = 20.0, 60.0
COVERED = (0.92, 0.98)
"""Share of truths within U. Asked for is 0.92 to 0.98; U of arrivals is a little wide."""
READ_MEDIAN = 0.95
"""Least median share of 200 Hz to 0.85 f_C in which a curve is told: leaving out what is hard is no way to be right."""

SAME_SPRING_S = 1e-3
FROM_HZ, UP_TO = 200.0, 0.85


@dataclass(frozen=True)
class Reading:
    """Measured less true of one spring, all in µs; ``least_us`` is the smallest error noise allows (one sigma)."""

    arrival_us: float
    arrival_stated_us: float
    arrival_least_us: float
    later_us: NDArray[np.float64]
    later_stated_us: NDArray[np.float64]
    curve_us: NDArray[np.float64]
    curve_stated_us: NDArray[np.float64]
    curve_least_us: NDArray[np.float64]
    read: float
    transition_percent: float | None

    @property
    def curve_rms_us(self) -> float:
        return rms(self.curve_us)


@dataclass
class Table:
    """Figures of many tanks at one peak to noise."""

    below_db: int
    readings: list[Reading] = field(default_factory=list)
    tanks: int = 0
    wrong: dict[int, str] = field(default_factory=dict)

    @property
    def right(self) -> float:
        return 1 - len(self.wrong) / self.tanks

    @property
    def arrivals_us(self) -> NDArray[np.float64]:
        return np.abs([one.arrival_us for one in self.readings])

    @property
    def curves_us(self) -> NDArray[np.float64]:
        return np.array([one.curve_rms_us for one in self.readings])

    @property
    def arrivals_covered(self) -> float:
        return share_within(self.arrivals_us, [one.arrival_stated_us for one in self.readings])

    @property
    def curves_covered(self) -> float:
        """Share of all curve points."""
        return share_within(self._all("curve_us"), self._all("curve_stated_us"))

    @property
    def read(self) -> NDArray[np.float64]:
        return np.array([one.read for one in self.readings])

    def _all(self, name: str) -> NDArray[np.float64]:
        return np.concatenate([getattr(one, name) for one in self.readings])

    def print(self) -> None:
        least = np.array([one.arrival_least_us for one in self.readings])
        curve_least = np.array([rms(one.curve_least_us) for one in self.readings])
        told = np.array([abs(one.transition_percent) for one in self.readings if one.transition_percent is not None])
        later, later_stated = self._all("later_us"), self._all("later_stated_us")
        print(
            f"\n{self.below_db} dB, {self.tanks} tanks, {len(self.readings)} springs read\n"
            f"  right number of springs, each of its law: {100 * self.right:.1f} %\n"
            f"  first arrival, µs: {spread(self.arrivals_us)}; over the least rms {spread(self.arrivals_us / least)}\n"
            f"  later arrivals, µs: {spread(np.abs(later))}\n"
            f"  curve, µs rms: {spread(self.curves_us)}; over the least rms {spread(self.curves_us / curve_least)}\n"
            f"  share of the curve told, %: median {100 * np.median(self.read):.0f}, "
            f"5th percentile {100 * np.percentile(self.read, 5):.0f}\n"
            f"  transition, %: {told.size} told, {spread(told)}\n"
            f"  truth within U, %: first arrivals {100 * self.arrivals_covered:.1f}, "
            f"later {100 * share_within(np.abs(later), later_stated):.1f}, curve points {100 * self.curves_covered:.1f}"
        )
        for seed, why in self.wrong.items():
            print(f"  wrong: tank {seed}: {why}")


def rms(values: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(values**2)))


def spread(values: NDArray[np.float64]) -> str:
    return "50/95/100 % " + " / ".join(f"{one:.1f}" for one in np.percentile(values, [50, 95, 100]))


def share_within(values: NDArray[np.float64], stated: Iterable[float]) -> float:
    return float(np.mean(np.abs(values) <= np.array(stated)))


def reading_of(truth: TrueSpring, spring: Spring, scale: float, below_db: float) -> Reading:
    trips = np.array([one.trips for one in spring.passes])
    away_us = 1e6 * (np.array([one.time_s for one in spring.passes]) - trips * float(truth.delay_s(ARRIVAL_HZ)))
    stated_us = 1e6 * np.array([one.uncertainty_s for one in spring.passes])
    hz = spring.curve.frequency_hz
    judged = (hz >= FROM_HZ) & (hz <= UP_TO * truth.transition_hz)
    hz = hz[judged]
    step_hz = float(np.diff(spring.curve.frequency_hz).min())
    corner_hz = spring.transition.frequency_hz
    return Reading(
        arrival_us=float(away_us[0]),
        arrival_stated_us=float(stated_us[0]),
        arrival_least_us=1e6 * float(least_sigma_s(truth, scale, below_db, np.array([ARRIVAL_HZ]))[0]),
        later_us=away_us[1:],
        later_stated_us=stated_us[1:],
        curve_us=1e6 * (spring.curve.delay_s[judged] - truth.delay_s(hz)),
        curve_stated_us=1e6 * spring.curve.uncertainty_s[judged],
        curve_least_us=1e6 * least_sigma_s(truth, scale, below_db, hz),
        read=min(hz.size * step_hz / (UP_TO * truth.transition_hz - FROM_HZ), 1.0),
        transition_percent=None if corner_hz is None else 100 * (corner_hz / truth.transition_hz - 1),
    )


def read_into(table: Table, seed: int, tank: Tank, clean: NDArray[np.float64], scale: float) -> None:
    found = find_springs(with_noise(clean, table.below_db, seed), RATE_HZ)
    left = list(found.springs)
    problems = []
    table.tanks += 1
    for truth in tank.springs:
        arrival_s = float(truth.delay_s(ARRIVAL_HZ))
        near = min(left, key=lambda one: abs(one.passes[0].time_s - arrival_s), default=None)
        if near is None or abs(near.passes[0].time_s - arrival_s) > SAME_SPRING_S:
            problems.append(f"{1e3 * arrival_s:.1f} ms is missing")
            continue
        left.remove(near)
        if near.pass_law != truth.law:
            problems.append(f"{1e3 * arrival_s:.1f} ms is {truth.law}, told {near.pass_law}")
        table.readings.append(reading_of(truth, near, scale, table.below_db))
    problems += [f"{1e3 * one.passes[0].time_s:.1f} ms is invented" for one in left]
    if problems:
        table.wrong[seed] = ", ".join(problems) + (f" ({found.why_none})" if found.why_none else "")


def tables_of(seeds: Iterable[int]) -> dict[int, Table]:
    tables = {below_db: Table(below_db) for below_db in (80, 50)}
    for seed in seeds:
        tank = random_tank(seed)
        clean, scale = clean_response(tank)
        for table in tables.values():
            read_into(table, seed, tank, clean, scale)
    for table in tables.values():
        table.print()
    return tables


@pytest.mark.slow
def test_two_hundred_random_tanks() -> None:
    for below_db, table in tables_of(range(200)).items():
        assert table.right >= RIGHT
        assert np.median(table.arrivals_us) <= ARRIVAL_MEDIAN_US
        assert np.percentile(table.arrivals_us, 95) <= ARRIVAL_P95_US[below_db]
        assert np.median(table.curves_us) <= CURVE_MEDIAN_US
        assert np.percentile(table.curves_us, 95) <= CURVE_P95_US
        assert np.median(table.read) >= READ_MEDIAN
        assert COVERED[0] <= table.arrivals_covered <= COVERED[1]
        assert COVERED[0] <= table.curves_covered <= COVERED[1]


def test_a_dozen_random_tanks() -> None:
    for below_db, table in tables_of(range(12)).items():
        assert not table.wrong
        assert np.median(table.arrivals_us) <= ARRIVAL_MEDIAN_US
        assert (
            np.percentile(table.arrivals_us, 90) <= ARRIVAL_P95_US[below_db]
        )  # of 24 springs the 95th is the second worst
        assert np.median(table.curves_us) <= CURVE_MEDIAN_US
        assert np.percentile(table.curves_us, 95) <= CURVE_P95_US
        assert table.arrivals_covered >= 0.9  # of 24; an upper limit needs more to mean anything


@pytest.mark.few(2)
@pytest.mark.parametrize("seed", [20, 43, 56, 67, 134])
def test_a_spring_that_another_ones_later_pass_lies_on_is_found(seed: int) -> None:
    assert not tables_of([seed])[80].wrong


def test_delays_of_the_truth_are_the_slope_of_its_phase() -> None:
    for spring in (one for seed in range(6) for one in random_tank(seed).springs):
        hz = np.arange(200.0, 0.85 * spring.transition_hz, 0.05)
        slope_s = np.gradient(spring.phase(hz), 2 * np.pi * 0.05)
        assert np.abs(slope_s / spring.delay_s(hz) - 1)[1:-1].max() < 1e-6


def test_the_least_error_is_that_of_a_lone_pass_in_noise() -> None:
    """σ = √12/(2πB√(E/σ²)), "Timing limits", derived; E from a pulse that is filtered, not from the closed form."""
    spring = TrueSpring(0.03, 4200, t60_s=0.06)  # so short that the second pass is 60 dB down
    size, hz = 96000, np.array([1000.0])
    spectrum = spring.spectrum(np.arange(size // 2 + 1) * RATE_HZ / size)
    band = np.abs(np.arange(size // 2 + 1) * RATE_HZ / size - hz) <= READ_OVER_HZ / 2
    pulse = np.fft.irfft(spectrum * band, size)
    sigma_s = np.sqrt(12) / (2 * np.pi * READ_OVER_HZ * np.sqrt(np.sum(pulse**2) / 1e-5))
    assert least_sigma_s(spring, 1.0, 50.0, hz)[0] == pytest.approx(sigma_s, rel=0.02)
