"""From a response to the numbers of the usual spring algorithm, with uncertainty.

Aim
    A model to start from, and numbers precise enough to compare two builds: delay line, allpass sections, transition
    frequency, reflection gain and lowpass of every spring.
Method
    Start values come from the passes that ``find_springs`` measured (``start``). All springs are refined together by
    least squares on the complex spectrum (``refining``) of ``model``. A second group of sections is taken only where
    it leaves 6 dB less; the band ends where the model ceases to hold, which is said. Where late passes do not keep
    in step with the model (a real tank's do not), phase would tell too small a reflection: it is then taken from the
    levels of the passes.
Conventions
    Times in seconds, levels in dB of an amplitude ratio, signs apart. Uncertainties are expanded, k = 2: how far noise
    of the power of what is left over may move a number. Where what is left over is not the recording's noise, or a
    steep lowpass is known but roughly, they also hold how far the number wanders when the top of the band is left out.
    Still they cannot say how true the model is: compare ``residual_db`` with ``noise_db``.
Limits of validity
    What ``find_springs`` finds. Sections and their coefficient trade off where little of the curve's bend lies in the
    band; their uncertainties then grow together. Passes of even trips, the fast high-frequency train and crosstalk
    between two channels are not in the model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.fit.model import TankModel, TripModel, log_trip, trip_delay_s
from reverdict.fit.refining import (
    ALL_BUT_DELAY,
    FIRST_PASS,
    LATEST_DB,
    LOW_HZ,
    PASSBAND,
    SHAPE,
    Early,
    Stage,
    covariance,
    refine,
    residual_db,
)
from reverdict.fit.spectrum import Damped, names_of, numbers_of, with_numbers
from reverdict.fit.start import start_of
from reverdict.measure.excerpt import take_excerpt
from reverdict.measure.passes import Spring, SpringMeasurement
from reverdict.measure.springs import ARRIVAL_HZ, MOST_PASSES, find_springs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

EXPANDED = 2.0
STEEP = ("edge_s",)
HIGHPASSES = ((2 * np.pi * 50, 0.0), (2 * np.pi * 400, (2 * np.pi * 350) ** 2))
"""h₁ and h₂ to start from: that of an algorithm; and where it explains little, that of a real drive and pickup."""
LIKELY_DB = -30.0
EXPLAINED_DB = -55.0
HOLDS_DB = -35.0
IN_STEP_DB = -20.0
WORST_DB = -6.0
OVER_NOISE_DB, FAR_OVER_NOISE_DB = 3.0, 20.0
MOST_Q = 20.0
"""No highpass of drive and pickup rings longer: more is a corner far below what sounds."""
SECOND_GROUP_DB = 6.0
SAME_DB = 0.1
MANY_SECTIONS = 400.0
WANDER_BAND = 0.85
ROUGH = 0.005
BANDS = (1.0, 0.8, 0.65)
"""Shares of the measured curves that are tried as the band, widest first."""

QUIET = (0.25, 0.5)
SILENT_UNTIL = (0.5, 0.75)
"""Shares of the first arrival between which noise is looked for, and the direct sound is faded out."""


@dataclass(frozen=True)
class Value:
    """A fitted number and its expanded uncertainty, k = 2."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Group:
    """Allpass sections of one coefficient in a row."""

    sections: Value
    coefficient: Value


@dataclass(frozen=True)
class SpringFit:
    """Numbers of one spring. A filter that does not show in the band is None; ``notes`` say so, and what else to know.

    delay_s : delay line of a trip; trip_s : all of a trip at 500 Hz; stretch : samples K of a section.
    reflection_db : gain of a round trip at 0 Hz; level_db : gain of the first pass at 0 Hz, 0 dB = unit click.
    lowpass_hz, lowpass_q : −3 dB corner of the lowpass of a trip, and its Q; steep_hz : edge of the steep one.
    """

    delay_s: Value
    trip_s: Value
    transition_hz: Value
    stretch: Value
    groups: tuple[Group, ...]
    reflection_db: Value
    reflection_polarity: int
    level_db: Value
    polarity: int
    lowpass_hz: Value | None
    lowpass_q: Value | None
    steep_hz: Value | None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class TankFit:
    """A fitted response. ``springs`` is empty where there is nothing to fit; ``why_none`` says why.

    latency : seconds by which every pass is late against whole trips.
    coupling : share of what is reflected that goes over to another spring; direct : drive heard at t = 0, signed.
    band_hz : what was fitted; residual_db : what the model leaves of it; noise_db : what noise alone would leave.
    """

    model: TankModel | None
    springs: tuple[SpringFit, ...] = ()
    latency: Value | None = None
    coupling: Value | None = None
    highpass_hz: Value | None = None
    highpass_q: Value | None = None
    direct: Value | None = None
    band_hz: tuple[float, float] = (0.0, 0.0)
    residual_db: float = 0.0
    noise_db: float = 0.0
    notes: tuple[str, ...] = ()
    why_none: str = ""


def fit_tank(
    samples: NDArray[Any],
    rate_hz: float,
    click_at_s: float = 0.0,
    measured: SpringMeasurement | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> TankFit:
    """Fit the usual spring algorithm to one signal path, shape (samples,), finite.

    Arguments are those of ``programs.fit_tank``, which proves them.
    """
    tell("finding springs")
    measured = measured or find_springs(samples, rate_hz, click_at_s)
    if not measured.springs:
        return TankFit(None, why_none=measured.why_none)
    springs = measured.springs
    early, direct = _prepared(samples, rate_hz, click_at_s, springs)
    tops_hz = [min(float(one.curve.frequency_hz[-1]) + 100.0, 0.45 * rate_hz) for one in springs]
    first = _first_passes(early, springs, tops_hz, tell)
    lowest = early.part(4, BANDS[-1] * min(tops_hz))
    left_db = residual_db(first, lowest)
    if left_db > WORST_DB:
        return TankFit(
            None,
            why_none=f"the usual spring algorithm leaves {100 * 10 ** (left_db / 10):.0f} % of the energy of the first "
            "passes unexplained",
        )
    first, unsure_s = _in_time(first, springs, rate_hz)
    tank, high_hz = _all_passes(early, first, tops_hz, tell)
    tell("trying without steep lowpasses")
    tank = _without_steep(early, tank, high_hz)
    held: tuple[str, ...] = () if any(one.edge_s for one in tank.springs) else STEEP
    part = early.part(1, high_hz)
    notes: list[str] = []
    spreads_db = [0.0 for _ in springs]
    if residual_db(tank, part) > max(IN_STEP_DB, early.noise_db(part) + OVER_NOISE_DB):
        tank, spreads_db = _reflecting_as_measured(first, springs, rate_hz)
        held = ("reflection", "coupling", "latency_s")
        high_hz = min(tops_hz)
        part = early.part(4, high_hz)
        notes.append(
            "late passes do not keep in step with the model: what is left over is of the first passes alone, "
            "reflections are from the levels of the passes"
        )
    fit = _told(replace(tank, direct=direct.value), early, part, held, direct, spreads_db, notes)
    return (
        fit if fit.latency is None or "latency_s" not in held else replace(fit, latency=Value(tank.latency_s, unsure_s))
    )


# What is fitted


def _prepared(
    samples: NDArray[Any], rate_hz: float, click_at_s: float, springs: Sequence[Spring]
) -> tuple[Early, Value]:
    """The response without what comes before its first pass, and the level of that: a click, heard directly."""
    first = int(np.floor(click_at_s * rate_hz))
    sound = np.asarray(samples[first:], dtype=float)
    sound = sound - float(np.mean(sound[-max(sound.size // 10, 1) :]))
    arrival_s = min(one.passes[0].time_s for one in springs)
    late = np.interp(np.arange(sound.size) / rate_hz, [share * arrival_s for share in SILENT_UNTIL], [0.0, 1.0])
    trips = max(one.passes[0].time_s for one in springs) * (2 * MOST_PASSES - 1 if _odd(springs) else MOST_PASSES)
    alpha = max(LATEST_DB / 20 * np.log(10) / trips, 6 / (sound.size / rate_hz))
    excerpt = take_excerpt(samples, rate_hz, click_at_s, min(sound.size / rate_hz, 1.0))
    # An excerpt holds twice the one-sided spectrum. A tail that still sounds is no noise; what comes before is less.
    before = sound[int(QUIET[0] * arrival_s * rate_hz) : int(QUIET[1] * arrival_s * rate_hz)]
    noise = np.minimum(excerpt.noise / 4, float(np.mean(before**2)) * rate_hz)
    early = Early(
        sound * late,
        rate_hz,
        click_at_s - first / rate_hz,
        alpha,
        noise,
        excerpt.step_hz,
        float(np.mean(SILENT_UNTIL)) * arrival_s,
    )
    return early, _direct(sound, rate_hz, early.ahead_s, arrival_s)


def _odd(springs: Sequence[Spring]) -> bool:
    return springs[0].pass_law == "1:3:5"


def _direct(sound: NDArray[Any], rate_hz: float, ahead_s: float, arrival_s: float) -> Value:
    """Mean of the spectrum of what comes before the first pass: that of a click is flat and real."""
    cut = sound[: max(int(SILENT_UNTIL[0] * arrival_s * rate_hz), 8)]
    hz = np.fft.rfftfreq(cut.size, 1 / rate_hz)
    kept = (hz >= LOW_HZ) & (hz <= 4000.0)
    spectrum = (np.fft.rfft(cut) * np.exp(2j * np.pi * hz * ahead_s))[kept]
    spread = np.concatenate([spectrum.real - spectrum.real.mean(), spectrum.imag])
    return Value(float(spectrum.real.mean()), EXPANDED * float(np.sqrt(np.mean(spread**2) / kept.sum())))


# Stages


def _first_passes(
    early: Early, springs: tuple[Spring, ...], tops_hz: Sequence[float], tell: Callable[[str], None]
) -> TankModel:
    """The tank whose first passes are those of the response, of one group of sections, or of two where one is poor."""
    tell("fitting first passes")
    low_hz = min(tops_hz)
    below = (Stage(4, 0.4 * low_hz, ALL_BUT_DELAY, 20), Stage(4, 0.6 * low_hz, SHAPE, 40))
    above = (Stage(4, 0.8 * low_hz, PASSBAND), Stage(4, low_hz, PASSBAND), Stage(4, low_hz, FIRST_PASS, 30))
    part = early.part(4, 0.6 * low_hz)
    explained_db = max(EXPLAINED_DB, early.noise_db(part) + OVER_NOISE_DB)

    def best(groups: int) -> tuple[float, TankModel]:
        start, found = start_of(springs, groups), []
        for per_s, per_s2 in HIGHPASSES:
            tank = _staged(early, replace(start, highpass_per_s=per_s, highpass_per_s2=per_s2), below)
            found.append((residual_db(tank, part), tank))
            if found[-1][0] < LIKELY_DB:
                break
        return min(found, key=lambda one: one[0])

    left_db, tank = best(1)
    if left_db > explained_db:
        two_db, two = best(2)
        # A helical spring looks like countless sections to one group.
        needed_db = 0.0 if max(one.chains[0][0] for one in tank.springs) > MANY_SECTIONS else SECOND_GROUP_DB
        tank = two if two_db < left_db - needed_db else tank
    return _staged(early, tank, above)


def _staged(early: Early, tank: TankModel, stages: Sequence[Stage]) -> TankModel:
    for stage in stages:
        tank = refine(tank, early.part(stage.damping, stage.high_hz), stage.held, stage.most_rounds)
    return tank


def _in_time(tank: TankModel, springs: Sequence[Spring], rate_hz: float) -> tuple[TankModel, float]:
    """Share out what the first passes' time is: a trip takes what lies between passes, the rest is latency.

    With how well that is known, seconds, k = 2.
    """
    at = np.array([ARRIVAL_HZ])
    longer_s = []
    for model, spring in zip(tank.springs, springs, strict=True):
        trips, times_s, unsure_s = np.array([(one.trips, one.time_s, one.uncertainty_s) for one in spring.passes]).T
        trip_s = float(np.polyfit(trips, times_s, 1, w=1 / np.maximum(unsure_s, 1e-6))[0])
        longer_s.append(trip_s - float(trip_delay_s(model, at, rate_hz)[0]))
    by_s = float(np.median(longer_s))
    changed = tuple(replace(one, line_s=max(one.line_s + by_s, 0.0)) for one in tank.springs)
    known_s = max(float(np.ptp(longer_s)), max(one.passes[0].uncertainty_s for one in springs))
    return replace(tank, springs=changed, latency_s=tank.latency_s - by_s), known_s


def _all_passes(
    early: Early, first: TankModel, tops_hz: Sequence[float], tell: Callable[[str], None]
) -> tuple[TankModel, float]:
    """The tank with all its passes, and the top of the widest band in which the model holds."""
    low_hz = min(tops_hz)
    for high_hz in (max(tops_hz), *(share * low_hz for share in BANDS)):
        tell(f"fitting all passes up to {high_hz:.0f} Hz")
        tank = _staged(early, first, (Stage(4, high_hz, FIRST_PASS), Stage(2, high_hz), Stage(1, high_hz)))
        part = early.part(1, high_hz)
        if residual_db(tank, part) < max(HOLDS_DB, early.noise_db(part) + OVER_NOISE_DB):
            break
    return tank, high_hz


def _without_steep(early: Early, tank: TankModel, high_hz: float) -> TankModel:
    """The tank without steep lowpasses, where it fits better so: they start at the top of the band, and may stay there.

    Where both fit alike the steep lowpasses stay, so that uncertainties hold what they may take from the others.
    """
    bare = replace(tank, springs=tuple(replace(one, edge_s=0.0) for one in tank.springs))
    bare = refine(refine(bare, early.part(4, high_hz), PASSBAND), early.part(1, high_hz), STEEP)
    part = early.part(1, high_hz)
    return bare if residual_db(bare, part) < residual_db(tank, part) - SAME_DB else tank


def _reflecting_as_measured(
    tank: TankModel, springs: Sequence[Spring], rate_hz: float
) -> tuple[TankModel, list[float]]:
    """The tank with reflections of the gains its passes were measured with, and how far these disagree, dB."""
    at = np.array([2j * np.pi * ARRIVAL_HZ])
    changed, spreads_db = [], []
    for model, spring in zip(tank.springs, springs, strict=True):
        trip_db = 20 * float(log_trip(model, at, rate_hz)[0].real) / np.log(10)
        rounds = np.arange(1, len(spring.passes))
        trips = np.array([one.trips for one in spring.passes[1:]]) - 1
        gains_db = np.array([one.gain_db - spring.passes[0].gain_db for one in spring.passes[1:]])
        each_db = (gains_db - trips * trip_db) / rounds
        sign = spring.passes[0].polarity * spring.passes[1].polarity
        changed.append(replace(model, reflection=sign * 10 ** (float(each_db.mean()) / 20)))
        spreads_db.append(float(np.ptp(each_db)))
    return replace(tank, springs=tuple(changed)), spreads_db


# What is told of it


def corner_hz(by_s: float, by_s2: float, rate_hz: float) -> float:
    """−3 dB frequency of 1/(1 + b₁s̃ + b₂s̃²), infinite for b₁ = b₂ = 0: (1 − b₂ω²)² + b₁²ω² = 2."""
    half = by_s**2 / 2 - by_s2
    squared = half + np.hypot(half, by_s2)
    omega = squared**-0.5 if squared > 0 else np.inf
    return float(rate_hz / np.pi * np.arctan(omega / (2 * rate_hz)))


def quality(by_s: float, by_s2: float) -> float:
    """Q of 1/(1 + b₁s̃ + b₂s̃²); 0 is a lowpass of first order."""
    return float(np.sqrt(max(by_s2, 0.0)) / max(by_s, 1e-12))


def _spring_values(one: TripModel, rate_hz: float) -> list[float]:
    trip_s = float(trip_delay_s(one, np.array([ARRIVAL_HZ]), rate_hz)[0])
    lowpass = (one.lowpass_s, one.lowpass_s2)
    edge_hz = rate_hz / np.pi * np.arctan(1 / max(2 * rate_hz * one.edge_s, 1e-12))
    return [
        one.line_s, trip_s, one.transition_hz, rate_hz / (2 * one.transition_hz),
        _db(one.reflection), _db(one.level), corner_hz(*lowpass, rate_hz), quality(*lowpass), edge_hz,
        *(number for group in one.chains for number in group),
    ]  # fmt: skip


def _tank_values(tank: TankModel, rate_hz: float) -> list[float]:
    highpass = (tank.highpass_per_s, tank.highpass_per_s2)
    half = highpass[1] - highpass[0] ** 2 / 2
    squared = float(np.hypot(half, highpass[1])) - half
    corner = rate_hz / np.pi * np.arctan(np.sqrt(max(squared, 0.0)) / (2 * rate_hz))
    return [tank.latency_s, tank.coupling, corner, quality(*highpass)]


def _db(gain: float) -> float:
    return float(20 * np.log10(max(abs(gain), 1e-15)))


def _told(
    tank: TankModel,
    early: Early,
    part: Damped,
    held: tuple[str, ...],
    direct: Value,
    spreads_db: Sequence[float],
    notes: Sequence[str],
) -> TankFit:
    spread = covariance(tank, part, held)
    told = _with_uncertainty(tank, spread, early.rate_hz)
    explained = abs(residual_db(tank, part) - early.noise_db(part)) < OVER_NOISE_DB
    if not explained or _edges_are_rough(tank, spread):
        below = refine(tank, part.below(WANDER_BAND * float(part.s[-1].imag)), held)
        told = _wandering(told, _all_values(below, early.rate_hz))
    values = iter(told)
    latency, coupling, highpass_hz, highpass_q = (next(values) for _ in range(4))
    shows_highpass = highpass_hz.value > 1.0 and highpass_hz.uncertainty < highpass_hz.value
    high_hz = float(part.s[-1].imag) / (2 * np.pi)
    left_db, noise_db = residual_db(tank, part), early.noise_db(part)
    notes = [*notes]
    if left_db > noise_db + FAR_OVER_NOISE_DB:
        share = 100 * 10 ** (left_db / 10)
        notes.append(
            f"this is not quite such a spring: {share:.2g} % of its energy is left over, {left_db - noise_db:.0f} dB "
            "more than noise; the uncertainties cannot tell how far a number is from the spring's own"
        )
    springs = [
        _spring_told(one, values, high_hz, spread_db) for one, spread_db in zip(tank.springs, spreads_db, strict=True)
    ]
    return TankFit(
        tank,
        tuple(springs),
        latency,
        coupling if len(springs) > 1 and "coupling" not in held else None,
        highpass_hz if shows_highpass else None,
        highpass_q if shows_highpass and highpass_q.uncertainty < highpass_q.value < MOST_Q else None,
        direct,
        (LOW_HZ, high_hz),
        left_db,
        noise_db,
        tuple(notes),
    )


def _all_values(tank: TankModel, rate_hz: float) -> NDArray[Any]:
    told = _tank_values(tank, rate_hz)
    return np.array(told + [value for one in tank.springs for value in _spring_values(one, rate_hz)])


def _edges_are_rough(tank: TankModel, spread: NDArray[Any]) -> bool:
    """Whether a steep lowpass is known so roughly that what it takes from the others is not linear any more."""
    edges = np.array([name == "edge_s" for _, name in names_of(tank)])
    return bool(np.any(np.sqrt(np.maximum(np.diag(spread)[edges], 0.0)) > ROUGH * numbers_of(tank)[edges]))


def _wandering(told: Sequence[Value], elsewhere: NDArray[Any]) -> list[Value]:
    """Values whose uncertainty holds how far they wander where the top of the band is left out."""
    return [
        Value(one.value, float(np.hypot(one.uncertainty, one.value - other)))
        for one, other in zip(told, elsewhere, strict=True)
    ]


def _with_uncertainty(tank: TankModel, spread: NDArray[Any], rate_hz: float) -> list[Value]:
    """All values that are told, each with its expanded uncertainty: differences over a tenth of each number's own."""

    def all_values(numbers: NDArray[Any]) -> NDArray[Any]:
        return _all_values(with_numbers(tank, numbers), rate_hz)

    numbers = numbers_of(tank)
    steps = 0.1 * np.sqrt(np.maximum(np.diag(spread), 0.0))
    slopes = np.zeros((all_values(numbers).size, numbers.size))
    for index in np.flatnonzero(steps):
        step = np.zeros(numbers.size)
        step[index] = steps[index] = min(steps[index], 0.01 * abs(numbers[index]) or steps[index])
        slopes[:, index] = (all_values(numbers + step) - all_values(numbers - step)) / (2 * steps[index])
    sigma = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", slopes, spread, slopes), 0.0))
    return [Value(float(v), EXPANDED * float(u)) for v, u in zip(all_values(numbers), sigma, strict=True)]


def _spring_told(one: TripModel, values: Iterator[Value], high_hz: float, spread_db: float) -> SpringFit:
    delay_s, trip_s, transition_hz, stretch, reflection_db, level_db, lowpass_hz, lowpass_q, steep_hz = (
        next(values) for _ in range(9)
    )
    groups = tuple(Group(next(values), next(values)) for _ in one.chains)
    notes = []
    if spread_db:
        reflection_db = Value(reflection_db.value, spread_db)
    shows_lowpass = lowpass_hz.uncertainty < lowpass_hz.value and lowpass_hz.value < 4 * high_hz
    if not shows_lowpass:
        notes.append(f"no lowpass shows below {high_hz:.0f} Hz")
    shows_edge = one.edge_s > 0 and steep_hz.uncertainty < 0.5 * steep_hz.value and steep_hz.value < 2 * high_hz
    if not shows_edge:
        notes.append(f"no steep lowpass shows below {high_hz:.0f} Hz")
    if any(group.sections.uncertainty > 0.1 * group.sections.value for group in groups):
        notes.append("sections and their coefficient trade off here: compare them together, as the delay they give")
    return SpringFit(
        delay_s, trip_s, transition_hz, stretch, groups,
        reflection_db, int(np.sign(one.reflection)), level_db, int(np.sign(one.level)),
        lowpass_hz if shows_lowpass else None,
        lowpass_q if shows_lowpass else None,
        steep_hz if shows_edge else None,
        tuple(notes),
    )  # fmt: skip
