"""What may stand in tolerances.toml: how far each check lets a build depart."""

from __future__ import annotations

import math
from typing import Annotated, Any, cast

from pydantic import AfterValidator, Field, PlainValidator, WithJsonSchema

from reverdict.reference import FrequencyTolerance, Tolerance
from reverdict.schema.tables.values import Table, given, is_number, reads_as_number

WAYS = ("above", "below")


def _not_negative(value: float) -> float:
    if value < 0:
        raise ValueError(f"negative tolerance {value:g}; a tolerance is 0 or more, and counts both ways")
    return value


def _tolerance(value: object) -> Tolerance:
    """A limit for both ways, or a table with one for each way."""
    if not isinstance(value, dict):
        return Tolerance.both_ways(_one_way(value, may_be_any=False))
    if set(value) != set(WAYS):
        there = ", ".join(value) or "nothing"
        raise ValueError(f"need {{ above = …, below = … }}, inf for any; got {there}")
    above, below = (_one_way(value[way], may_be_any=True) for way in WAYS)
    if all(math.isinf(limit) for one in (above, below) for _, limit in one.points):
        raise ValueError('any departure both ways asks nothing; write not_asked = "why" for the check instead')
    return Tolerance(below, above)


def _one_way(value: object, *, may_be_any: bool) -> FrequencyTolerance:
    """A number, or a list of [Hz, value] that rises in frequency."""
    if isinstance(value, float) and value == math.inf and may_be_any:
        return FrequencyTolerance.constant(math.inf)
    if is_number(value):
        return FrequencyTolerance.constant(_not_negative(cast(float, value)))
    if isinstance(value, float):
        raise ValueError(
            f"need a finite number, got {value!r}; to let anything pass one way: {{ above = 5, below = inf }}"
        )
    if not isinstance(value, list) or not value:
        quoted = "; leave the quotes out" if reads_as_number(value) else ""
        raise ValueError(f"need a number, [[Hz, value], …] or {{ above = …, below = … }}, got {given(value)}{quoted}")
    points: list[tuple[float, float]] = []
    for entry in value:
        if not (isinstance(entry, list) and len(entry) == 2 and all(is_number(number) for number in entry)):
            raise ValueError(f"need pairs [Hz, value], got {given(entry)} among them")
        hz, limit = entry
        if hz <= 0:
            raise ValueError(f"need frequencies above 0 Hz, got {hz:g}")
        if points and hz <= points[-1][0]:
            raise ValueError(f"frequencies must rise: {hz:g} Hz stands after {points[-1][0]:g} Hz")
        points.append((float(hz), float(_not_negative(limit))))
    return FrequencyTolerance(tuple(points))


def _flat(tolerance: Tolerance | None) -> Tolerance | None:
    if tolerance is not None and any(len(one.points) > 1 for one in (tolerance.above, tolerance.below)):
        raise ValueError("need one number, or one each way; this does not vary with frequency")
    return tolerance


Percent = Annotated[float, AfterValidator(_not_negative), WithJsonSchema({"type": "number", "minimum": 0})]
_ONE_WAY = [
    {"type": "number", "minimum": 0},
    {
        "type": "array",
        "minItems": 1,
        "items": {"type": "array", "minItems": 2, "maxItems": 2, "items": {"type": "number", "minimum": 0}},
    },
]


def _limit_schema(one_way: list[dict[str, Any]]) -> dict[str, Any]:
    each_way = {
        "type": "object",
        "properties": {way: {"anyOf": one_way} for way in WAYS},
        "required": list(WAYS),
        "additionalProperties": False,
    }
    return {"anyOf": [*one_way, each_way]}


Limit = Annotated[Tolerance | None, PlainValidator(_tolerance), WithJsonSchema(_limit_schema(_ONE_WAY))]
"""A number, both ways; [[Hz, value], …], interpolated on log frequency; or one of them, or inf, for each way."""
FlatLimit = Annotated[Limit, AfterValidator(_flat), WithJsonSchema(_limit_schema([_ONE_WAY[0]]))]


class EchoTimingTolerances(Table):
    arrival_ms: Limit = Field(default=None, description="How far each pass may move, in ms, either way.")
    arrival_percent: Limit = Field(
        default=None, description="The same in percent of its time since the click; the wider of the two holds."
    )
    onset_ms: Limit = Field(default=None, description="How far the first sound may move, in ms, either way.")
    latency_ms: Limit = Field(
        default=None,
        description="How far everything together may move, in ms, which then makes no pass late. Unset: latency is "
        "lateness.",
    )
    tail_lag_ms: Limit = Field(
        default=None,
        description="How far the tail may lag, in ms, all along. Unset: not judged.",
    )


class GroupDelayTolerances(Table):
    delay_ms: Limit = Field(
        default=None,
        description="How far the group delay of a pass may depart, in ms. One number, or [[Hz, ms], …] rising in "
        "frequency: interpolated on log frequency, constant outside.",
    )
    delay_percent: Limit = Field(
        default=None, description="The same in percent of the golden's group delay; the wider of the two holds."
    )
    transition_percent: Limit = Field(
        default=None, description="How far the transition frequency may move, in percent of the golden's."
    )
    transition_hz: Limit = Field(default=None, description="The same in Hz; the wider of the two holds.")


class EnergyDecayTolerances(Table):
    edt_percent: Limit = Field(default=None, description="Early decay time, in percent of the golden's.")
    edt_s: Limit = Field(default=None, description="The same in s; the wider of the two holds.")
    t20_percent: Limit = Field(default=None, description="T20, in percent of the golden's.")
    t20_s: Limit = Field(default=None, description="The same in s; the wider of the two holds.")
    t30_percent: Limit = Field(default=None, description="T30, in percent of the golden's.")
    t30_s: Limit = Field(default=None, description="The same in s; the wider of the two holds.")
    level_db: Limit = Field(default=None, description="Level of each band, in dB, either way.")
    curve_db: Limit = Field(
        default=None,
        description="How far the decay curve of a band may depart where it begins, in dB, once its level is taken "
        "out; further down by t30_percent of its depth more. Unset: as level_db.",
    )
    gain_db: Limit = Field(
        default=None,
        description="How much all bands together may change in level, in dB, which then changes no band. Unset: gain "
        "is a change of level.",
    )


class CostTolerances(Table):
    dearer_percent: Percent | None = Field(default=None, description="How much more a sample may cost, in percent.")
    cheaper_percent: Percent | None = Field(
        default=None, description="How much less a sample may cost, in percent; 100 allows any saving."
    )
    instructions_percent: FlatLimit = Field(
        default=None,
        description="How far the counted instructions of a sample may depart from the golden's, in percent. Unset: "
        "not counted.",
    )
    stages_percent: FlatLimit = Field(
        default=None,
        description="How far those of a stage, as [build.stages] names it, may depart, in percent of the golden's "
        "whole. Unset: stages are told, not judged.",
    )
    cache_misses_percent: FlatLimit = Field(
        default=None,
        description="How far simulated cache misses may depart from the baseline's, in percent. Unset: not simulated.",
    )
    worst_block_percent: FlatLimit = Field(
        default=None,
        description="How much dearer the dearest of 1,000 blocks may be than the baseline's, in percent. Unset: told.",
    )
    memory_percent: FlatLimit = Field(
        default=None,
        description="How far the peak of memory may depart from the baseline's, in percent. Unset: told, not judged.",
    )
    setup_percent: FlatLimit = Field(
        default=None,
        description="How far the time to open and to make an instance may depart from the baseline's, in percent. "
        "Unset: told, not judged.",
    )
    growth_exponent: Annotated[float, Field(ge=0)] | None = Field(
        default=None,
        description="How much faster than linearly cost may grow with block size, rate, channels and length: 0.3 "
        "allows n^1.3. Unset: not measured.",
    )
    leak_kb_per_s: Annotated[float, Field(ge=0)] | None = Field(
        default=None, description="How much memory may grow per second of sound, in kB. Unset: not judged."
    )


def _manner(what: str, of: str = "in energy, as a root, of that of the response") -> Any:
    levels = "" if of.startswith("of the cost") else " 1 is -40 dB, 0.001 is -100."
    return Field(default=None, description=f"{what}, in percent {of}.{levels} Unset: not judged.")


class ConductTolerances(Table):
    stray_db: Limit = Field(
        default=None,
        description="How much louder than anything near it in time and frequency in the golden a build may be, in "
        "dB: clicks, hum, offsets, gaps. Unset: not judged.",
    )
    repeats_percent: FlatLimit = _manner("How far a second render may differ")
    block_size_percent: FlatLimit = _manner("How far a render in odd block sizes may differ")
    instances_percent: FlatLimit = _manner("How far a render beside a second instance, at another rate, may differ")
    reset_percent: FlatLimit = _manner("How far a render after loud noise and a reset may differ")
    level_scaling_percent: FlatLimit = _manner("How far the response to a softer click, or one turned over, may differ")
    superposition_percent: FlatLimit = _manner("How far the response to a click amid noise, less the noise, may differ")
    time_variance_percent: FlatLimit = _manner("How far the response to a later click may differ")
    cold_start_percent: FlatLimit = _manner("How far the response to a click without silence before it may differ")
    silence_percent: FlatLimit = _manner("What may sound for silence", "of full scale")
    dc_percent: FlatLimit = _manner("What offset there may be in silence", "of full scale")
    tail_percent: FlatLimit = _manner(
        "What may be left when the tail should have ended", "of the loudest sample before"
    )
    move_percent: FlatLimit = _manner(
        "What may sound high above a sine when one of the moves is made", "of the output's peak"
    )
    slow_tail_percent: FlatLimit = _manner("How much dearer a silent tail may be", "of the cost of loud sound")
    headroom_db: FlatLimit = Field(
        default=None,
        description="How far the peak of the answer to noise may differ from the golden's, in dB. Unset: not judged.",
    )
    balance_db: FlatLimit = Field(
        default=None, description="How far right against left may differ from the golden's, in dB. Unset: not judged."
    )
    mono_db: FlatLimit = Field(
        default=None,
        description="How far left plus right may differ in level from the golden's, in dB. Unset: not judged.",
    )


OPTIONAL_TOLERANCES = {
    "arrival_percent", "latency_ms", "tail_lag_ms", "delay_percent", "transition_hz", "edt_s", "t20_s", "t30_s",
    "curve_db", "gain_db", *ConductTolerances.model_fields, "instructions_percent", "stages_percent",
    "cache_misses_percent", "worst_block_percent", "memory_percent", "setup_percent", "growth_exponent",
    "leak_kb_per_s",
}  # fmt: skip
"""Tolerances that may be left out: what that means stands in their description."""


class TolerancesFile(Table):
    """Tolerances that hold for every reference of the folder which does not set its own."""

    echo_timing: EchoTimingTolerances = Field(
        default_factory=EchoTimingTolerances, description="When the echoes arrive."
    )
    group_delay: GroupDelayTolerances = Field(
        default_factory=GroupDelayTolerances, description="How much later the high frequencies come."
    )
    energy_decay: EnergyDecayTolerances = Field(
        default_factory=EnergyDecayTolerances, description="How the energy decays."
    )
    cost: CostTolerances = Field(default_factory=CostTolerances, description="What a sample costs.")
    conduct: ConductTolerances = Field(default_factory=ConductTolerances, description="Nothing that does not belong.")
