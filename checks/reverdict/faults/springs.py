"""What can happen to one spring: its model changed, and the difference added to the golden.

Method
    ``fit.fit_tank`` fits the usual spring algorithm to a path. A fault changes one number θ of one spring to θ′, and
    H(θ′) − H(θ), both synthesised exactly, is added to the golden's own samples. So what the model misses stays where
    it is, and the size of the fault is exact for as much of the golden as the model explains.
    A spring that is heard on several paths is one spring: trips that agree in time and transition frequency are
    changed together.
Conventions
    Times in ms, gains in dB, coefficients and corners in percent of themselves.
Limits of validity
    ``residual_db`` of the fit: what the model leaves of the golden does not move with the fault. Above
    ``LEAST_EXPLAINED_DB`` the faults are not injected.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.faults.fault import Heard
from reverdict.fit.fitting import corner_hz
from reverdict.fit.model import TRIPS_PER_ROUND, TankModel, TripModel, log_trip, synthesise, trip_delay_s

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.words import Response

LEAST_EXPLAINED_DB = -25.0
SAME_TRIP_S, SAME_TRANSITION = 20e-6, 0.005
"""Springs of two paths whose trips at 500 Hz and transition frequencies differ by no more are one."""

Change = Callable[[TripModel, float], TripModel]

HEARD_DELAY_S = {1000.0: 2e-3, 2000.0: 1e-3, 4000.0: 1.5e-3}
"""By how much a band may be late unheard (J. Blauert, P. Laws, JASA 63(5), 1978)."""
BLAUERT = "delay against 500 Hz, Blauert and Laws 1978"
HEARD_DECAY = 0.05
DECAY_SOURCE = "decay at 500 Hz by 5 %, ISO 3382-1 Table A.1"


@dataclass(frozen=True)
class OneSpring:
    """One spring, wherever it is heard. ``places`` are (path, number within the path's model)."""

    places: tuple[tuple[int, int], ...]
    models: tuple[TankModel, ...]
    model: TripModel


def springs_of(models: Sequence[TankModel], rate_hz: float) -> list[OneSpring]:
    """Every spring of a response once, in the order in which the paths name them. ``models``: one per path."""
    families: list[list[tuple[int, int]]] = []

    def of(place: tuple[int, int]) -> TripModel:
        return models[place[0]].springs[place[1]]

    for place in [(path, number) for path, tank in enumerate(models) for number in range(len(tank.springs))]:
        known = [one for one in families if place[0] not in dict(one) and _are_one(of(one[0]), of(place), rate_hz)]
        if known:
            known[0].append(place)
        else:
            families.append([place])
    return [OneSpring(tuple(family), tuple(models), of(family[0])) for family in families]


def _are_one(one: TripModel, other: TripModel, rate_hz: float) -> bool:
    at = np.array([500.0])
    apart_s = abs(float(trip_delay_s(one, at, rate_hz)[0] - trip_delay_s(other, at, rate_hz)[0]))
    return apart_s < SAME_TRIP_S and abs(math.log(one.transition_hz / other.transition_hz)) < SAME_TRANSITION


def changed(golden: Response, spring: OneSpring, change: Change, size: float) -> NDArray[Any]:
    """The golden's samples, shape (paths, samples), with one spring changed by so much."""
    samples = golden.samples.copy()
    for path, number in spring.places:
        tank = spring.models[path]
        springs = tuple(change(one, size) if at == number else one for at, one in enumerate(tank.springs))
        seconds = golden.samples.shape[1] / golden.rate_hz
        samples[path] += synthesise(replace(tank, springs=springs), golden.rate_hz, seconds)
        samples[path] -= _as_it_is(tank, golden.rate_hz, seconds)
    return samples


@lru_cache(maxsize=8)
def _as_it_is(tank: TankModel, rate_hz: float, seconds: float) -> NDArray[Any]:
    return synthesise(tank, rate_hz, seconds)


# Changes of a trip by a signed size.


def later(one: TripModel, ms: float) -> TripModel:
    """A delay line longer by so much."""
    return replace(one, line_s=one.line_s + 1e-3 * ms)


def coefficient(one: TripModel, percent: float) -> TripModel:
    """Allpass coefficients larger by so much."""
    return replace(one, chains=tuple((sections, a * (1 + percent / 100)) for sections, a in one.chains))


def sections_missing(one: TripModel, number: float) -> TripModel:
    """So many allpass sections of the largest group left out."""
    largest = largest_group(one)
    return replace(
        one,
        chains=tuple((n - number, a) if index == largest else (n, a) for index, (n, a) in enumerate(one.chains)),
    )


def largest_group(one: TripModel) -> int:
    """Which group has the most sections."""
    return max(range(len(one.chains)), key=lambda index: one.chains[index][0])


def reflection(one: TripModel, db: float) -> TripModel:
    """A reflection stronger by so much."""
    return replace(one, reflection=one.reflection * 10.0 ** (db / 20.0))


def lowpass(one: TripModel, percent: float, rate_hz: float) -> TripModel:
    """The corner of the lowpass of a trip higher by so much, in Hz."""
    by = _warped_ratio(corner_hz(one.lowpass_s, one.lowpass_s2, rate_hz), percent, rate_hz)
    return replace(one, lowpass_s=one.lowpass_s / by, lowpass_s2=one.lowpass_s2 / by**2)


def steep_lowpass(one: TripModel, percent: float, rate_hz: float) -> TripModel:
    """The edge of the steep lowpass of a trip higher by so much, in Hz."""
    edge_hz = rate_hz / math.pi * math.atan(1 / (2 * rate_hz * one.edge_s))
    return replace(one, edge_s=one.edge_s / _warped_ratio(edge_hz, percent, rate_hz))


def _warped_ratio(hz: float, percent: float, rate_hz: float) -> float:
    """What moves a frequency by so much on the axis that the bilinear transform has warped; no higher than 0.49 fs."""
    moved_hz = min(hz * (1 + percent / 100), 0.49 * rate_hz)
    return math.tan(math.pi * moved_hz / rate_hz) / math.tan(math.pi * hz / rate_hz)


def turned_over(one: TripModel, _: float) -> TripModel:
    """The spring connected the other way round."""
    return replace(one, level=-one.level)


# What is heard of them.


def heard_dispersion(one: TripModel, change: Change, rate_hz: float) -> Heard | None:
    """The size at which the delay of some band against 500 Hz changes by what is heard, to first order."""
    hz = np.array([500.0, *(hz for hz in HEARD_DELAY_S if hz < 0.85 * one.transition_hz)])
    small = 1e-3
    slope = (trip_delay_s(change(one, small), hz, rate_hz) - trip_delay_s(one, hz, rate_hz)) / small
    sizes = [HEARD_DELAY_S[float(at)] / abs(by - slope[0]) for at, by in zip(hz[1:], slope[1:], strict=True)]
    return Heard(float(f"{min(sizes):.3g}"), BLAUERT) if sizes else None


def heard_decay(one: TripModel, pass_law: str, rate_hz: float) -> Heard:
    """The change of reflection at which the spring decays 5 % longer at 500 Hz."""
    trip_db = 20 * float(log_trip(one, np.array([2j * np.pi * 500.0]), rate_hz)[0].real) / math.log(10)
    loss_db = -(20 * math.log10(abs(one.reflection)) + TRIPS_PER_ROUND[pass_law] * trip_db)
    return Heard(float(f"{loss_db * (1 - 1 / (1 + HEARD_DECAY)):.3g}"), DECAY_SOURCE)
