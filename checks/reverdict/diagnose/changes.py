"""What may have been changed in a reverb: each change turns a golden response, and the model of it, into another one.

A change has one size x, 0 for none, or none at all (a sign, an exchange). Changes follow one another, so that several
at once are one golden altered several times. What concerns the whole response is exact: gain, latency and time scale
are done to the golden itself. What concerns a spring is done to the fitted model, and only the *difference* it makes is
added to the golden, so that whatever the model misses of the golden is not taken for a change.

Sizes: delay lines and latency in seconds, gains in dB, coefficients and coupling as they are, all else as a share of
what the golden has.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.fit.model import TRIPS_PER_ROUND, TankModel, TripModel, trip_delay_s
from reverdict.measure.springs import ARRIVAL_HZ

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

FARTHEST_S = 6e-3
"""How far a delay is looked for without a hint from measured lags."""
MOST_LATE_S = 1.0
"""Onsets are looked for half as far."""
NO_SIZE = np.zeros(1)
MADE_UP = ", trip time kept"
"""Added to the kind of a change whose delay the delay line makes up."""
RATES_HZ = (8000, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000)


@dataclass(frozen=True)
class Altered:
    """A golden response after changes: its model, and what was done to the whole of it.

    gain : linear, with its sign; late_s : latency added; time_scale : all times are the golden's times this.
    direct : linear, added at the click; slower_db_per_s : the golden's decay is slower by so much.
    """

    tank: TankModel | None
    gain: float = 1.0
    late_s: float = 0.0
    time_scale: float = 1.0
    direct: float = 0.0
    slower_db_per_s: float = 0.0


LEAST = {
    "gain": 0.02, "latency": 1e-5, "time scale": 1e-5, "direct sound": 0.0, "decay": 0.1, "delay line": 1e-5,
    "delay lines in proportion": 3e-4, "reflection": 0.02, "trip gain": 0.01, "level": 0.02, "sections": 2e-3,
    "coefficient": 1e-3, "transition frequency": 1e-3, "lowpass": 0.01, "steep lowpass": 3e-3, "coupling": 2e-3,
    "highpass": 0.02,
}  # fmt: skip
"""Sizes too small to be told of beside another change: about a tenth of what the demo's tolerances allow."""


@dataclass(frozen=True)
class Change:
    """One kind of change at one place.

    kind : what it is in the trade's words; springs : indices of those it concerns, empty for the whole response.
    make : alter a golden by a size; starts : sizes from which the best is looked for; step : a small size.
    limits : of the size, which is of no meaning where ``sized`` is false.
    """

    kind: str
    springs: tuple[int, ...]
    make: Callable[[Altered, float], Altered] = field(repr=False)
    starts: NDArray[Any] = field(repr=False, compare=False, default_factory=lambda: NO_SIZE)
    step: float = 1e-3
    limits: tuple[float, float] = (-np.inf, np.inf)
    sized: bool = True

    def matters(self, size: float) -> bool:
        """Whether so much of it is worth a word beside another change."""
        return not self.sized or abs(size) > LEAST[self.kind.partition(MADE_UP)[0].partition(" of group")[0]]


# The whole response


def _gain(golden: Altered, db: float) -> Altered:
    return replace(golden, gain=golden.gain * 10 ** (db / 20))


def _latency(golden: Altered, late_s: float) -> Altered:
    return replace(golden, late_s=golden.late_s + late_s)


def _time_scale(golden: Altered, share: float) -> Altered:
    return replace(golden, time_scale=golden.time_scale * (1 + share))


def _time_scale_of_click(golden: Altered, share: float) -> Altered:
    """The same of an algorithm that runs at the wrong rate: a click of one sample has another area there."""
    scaled = _time_scale(golden, share)
    return replace(scaled, gain=scaled.gain / (1 + share))


def _direct(golden: Altered, level: float) -> Altered:
    return replace(golden, direct=golden.direct + level)


def _decay(golden: Altered, db_per_s: float) -> Altered:
    return replace(golden, slower_db_per_s=golden.slower_db_per_s + db_per_s)


def _polarity(golden: Altered, _: float) -> Altered:
    return replace(golden, gain=-golden.gain)


def changes_of_all(late_s: Sequence[float], time_scales: Sequence[float], peak: float, far: bool) -> list[Change]:
    """Changes of the whole response, the simplest first.

    Parameters
    ----------
    late_s, time_scales : sequences of float
        What measured lags suggest.
    peak : float
        Of the golden, for the size of a direct sound.
    far : bool
        Whether so little of the golden is left that a rate may have been mistaken.
    """
    ratios = {a / b for a in RATES_HZ for b in RATES_HZ if far and a != b and 0.45 < a / b < 2.25}
    scales = np.array(sorted({scale - 1 for scale in (1.0, *time_scales, *ratios) if 0.4 < scale < 2.5}))
    return [
        Change("polarity", (), _polarity, sized=False),
        Change("gain", (), _gain, limits=(-60.0, 60.0)),
        Change("latency", (), _latency, np.array([0.0, *late_s]), 1e-6, limits=(-MOST_LATE_S, MOST_LATE_S)),
        Change("time scale", (), _time_scale, scales, 1e-6, (-0.6, 1.5)),
        Change("time scale", (), _time_scale_of_click, scales, 1e-6, (-0.6, 1.5)),
        Change("direct sound", (), _direct, NO_SIZE, 1e-3 * peak),
    ]


def decay() -> Change:
    """The whole response dying away slower: a change for reverbs of which there is no model."""
    return Change("decay", (), _decay, NO_SIZE, 1e-2, (-200.0, 100.0))


# Springs


def _each(
    golden: Altered, size: float, springs: tuple[int, ...], turn: Callable[[TripModel, float], TripModel]
) -> Altered:
    tank = golden.tank
    assert tank is not None
    changed = tuple(turn(one, size) if index in springs else one for index, one in enumerate(tank.springs))
    return replace(golden, tank=replace(tank, springs=changed))


def _line(one: TripModel, longer_s: float) -> TripModel:
    return replace(one, line_s=one.line_s + longer_s)


def _line_share(one: TripModel, share: float) -> TripModel:
    return replace(one, line_s=one.line_s * (1 + share))


def _sections(one: TripModel, share: float, groups: tuple[int, ...]) -> TripModel:
    chains = tuple((n * (1 + share), a) if g in groups else (n, a) for g, (n, a) in enumerate(one.chains))
    return replace(one, chains=chains)


def _coefficient(one: TripModel, more: float, groups: tuple[int, ...]) -> TripModel:
    chains = tuple(
        (n, float(np.clip(a + more, -0.98, 0.98))) if g in groups else (n, a) for g, (n, a) in enumerate(one.chains)
    )
    return replace(one, chains=chains)


def _transition(one: TripModel, share: float) -> TripModel:
    return replace(one, transition_hz=one.transition_hz * (1 + share))


def _reflection(one: TripModel, db: float) -> TripModel:
    return replace(one, reflection=one.reflection * 10 ** (db / 20))


def _level(one: TripModel, db: float) -> TripModel:
    return replace(one, level=one.level * 10 ** (db / 20))


def _trip_gain(one: TripModel, db: float, trips: int) -> TripModel:
    return _reflection(_level(one, db), trips * db)


def _lowpass(one: TripModel, share: float) -> TripModel:
    return replace(one, lowpass_s=one.lowpass_s / (1 + share), lowpass_s2=one.lowpass_s2 / (1 + share) ** 2)


def _steep(one: TripModel, share: float) -> TripModel:
    return replace(one, edge_s=one.edge_s / (1 + share))


def _turned_over(one: TripModel, _: float) -> TripModel:
    return replace(one, level=-one.level)


def _reflected_over(one: TripModel, _: float) -> TripModel:
    return replace(one, reflection=-one.reflection)


def _silent(one: TripModel, _: float) -> TripModel:
    return replace(one, level=0.0)


def _in_time(one: TripModel, size: float, turn: Callable[[TripModel, float], TripModel], rate_hz: float) -> TripModel:
    """The same with the delay line made up, so that a trip takes as long as before at 500 Hz."""
    changed, at = turn(one, size), np.array([ARRIVAL_HZ])
    # The steep lowpass stays as it is, and takes long to reckon.
    before, after = (trip_delay_s(replace(each, edge_s=0.0), at, rate_hz) for each in (one, changed))
    longer_s = float((before - after)[0])
    return replace(changed, line_s=changed.line_s + longer_s)


def _coupling(golden: Altered, more: float) -> Altered:
    assert golden.tank is not None
    return replace(golden, tank=replace(golden.tank, coupling=golden.tank.coupling + more))


def _highpass(golden: Altered, share: float) -> Altered:
    tank = golden.tank
    assert tank is not None
    higher = replace(
        tank,
        highpass_per_s=tank.highpass_per_s * (1 + share),
        highpass_per_s2=tank.highpass_per_s2 * (1 + share) ** 2,
    )
    return replace(golden, tank=higher)


def _swapped(golden: Altered, _: float, one: int, other: int) -> Altered:
    """Two springs at each other's place: each is heard at the other's level."""
    tank = golden.tank
    assert tank is not None
    levels = {one: tank.springs[other].level, other: tank.springs[one].level}
    changed = tuple(replace(each, level=levels.get(index, each.level)) for index, each in enumerate(tank.springs))
    return replace(golden, tank=replace(tank, springs=changed))


SHARES = (-0.8, 1.5)
SECTIONS = (-1.0, 1.5)


def changes_of_springs(tank: TankModel, rate_hz: float, longer_s: Sequence[Sequence[float]]) -> list[Change]:
    """Changes of each spring by itself, then of all alike, the simplest first.

    Parameters
    ----------
    longer_s : per spring, by how much measured lags suggest that a trip takes longer.
    """
    every = tuple(range(len(tank.springs)))
    places = [(index,) for index in every] + ([every] if len(every) > 1 else [])
    found = [change for where in places for change in _at(tank, where, longer_s)]
    found += [
        Change("springs swapped", (one, other), partial(_swapped, one=one, other=other), sized=False)
        for one in every
        for other in every[one + 1 :]
    ]
    if len(every) > 1:
        found.append(Change("coupling", every, _coupling, limits=(-0.5, 0.5)))
    found.append(Change("highpass", (), _highpass, limits=(-0.9, 20.0), step=1e-2))
    for where in places:
        found += _made_up(tank, where, rate_hz)
    return found


def _at(tank: TankModel, where: tuple[int, ...], longer_s: Sequence[Sequence[float]]) -> Iterator[Change]:
    springs = [tank.springs[index] for index in where]

    def change(kind: str, turn: Callable[[TripModel, float], TripModel], *rest: Any, **more: Any) -> Change:
        return Change(kind, where, partial(_each, springs=where, turn=turn), *rest, **more)

    near_s = np.arange(-FARTHEST_S, FARTHEST_S, 8e-5)
    hints_s = np.array([hint for index in where for hint in longer_s[index]])
    yield change("delay line", _line, np.concatenate([[0.0], near_s, hints_s]), 1e-6)
    yield change("reflection", _reflection, limits=(-40.0, 20.0))
    if len(where) < len(tank.springs):
        yield change("polarity", _turned_over, sized=False)
        yield change("missing", _silent, sized=False)
        yield change("level", _level, limits=(-40.0, 40.0))
    for kind, turn, starts, step in _of_chain(springs):
        yield change(kind, turn, starts, step, SECTIONS if kind.startswith("sections") else SHARES)
    if all(one.lowpass_s > 0 for one in springs):
        yield change("lowpass", _lowpass, np.array([0.0, -0.3, 0.5]), 1e-3, SHARES)
    if all(one.edge_s > 0 for one in springs):
        yield change("steep lowpass", _steep, np.array([0.0, -0.1, 0.1]), 1e-3, (-0.6, 0.6))
    yield change("trip gain", partial(_trip_gain, trips=TRIPS_PER_ROUND[tank.pass_law]), limits=(-40.0, 20.0))
    yield change("reflection turned over", _reflected_over, sized=False)
    if len(where) > 1:
        yield change("delay lines in proportion", _line_share, np.arange(-0.2, 0.2, 2e-3), 1e-5, SHARES)


def _of_chain(
    springs: Sequence[TripModel],
) -> Iterator[tuple[str, Callable[[TripModel, float], TripModel], NDArray[Any], float]]:
    """Changes of the allpass sections: of all groups, and of each where there are several."""
    several = max(len(one.chains) for one in springs)
    every = tuple(range(several))
    shares = np.concatenate([[0.0], np.arange(-1.0, 0.6, 0.02)])
    coefficients = np.concatenate([[0.0], np.arange(-0.3, 0.3, 0.006)])
    for groups in [every, *(((one,) for one in every) if several > 1 else [])]:
        name = "" if groups == every else f" of group {groups[0] + 1}"
        yield f"sections{name}", partial(_sections, groups=groups), shares, 1e-4
        yield f"coefficient{name}", partial(_coefficient, groups=groups), coefficients, 1e-5
    yield "transition frequency", _transition, np.concatenate([[0.0], np.arange(-0.3, 0.4, 0.01)]), 1e-5


def _made_up(tank: TankModel, where: tuple[int, ...], rate_hz: float) -> Iterator[Change]:
    springs = [tank.springs[index] for index in where]
    turns = list(_of_chain(springs))
    if all(one.lowpass_s > 0 for one in springs):
        turns.append(("lowpass", _lowpass, np.array([0.0, -0.3, 0.5]), 1e-3))
    for kind, turn, starts, step in turns:
        kept = partial(_in_time, turn=turn, rate_hz=rate_hz)
        make = partial(_each, springs=where, turn=kept)
        limits = SECTIONS if kind.startswith("sections") else SHARES
        yield Change(f"{kind}{MADE_UP}", where, make, starts, max(step, 1e-3), limits)
