"""TOML in, frozen dataclasses out: the only place that knows how reference.toml, tolerances.toml and build.toml read.

Every mistake of a file is reported at once, with file and key and the likely slip. Strict on purpose: "0.1" is not a
number, true is not 1, an unknown key is a mistake and never ignored. The same models are exported as JSON Schema, with
the unit of every key in its description, so that editors complete and explain.

This is the only module that imports pydantic; import it where it is needed, not at start-up.
"""

from __future__ import annotations

import difflib
import math
import re
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import date, datetime, time
from functools import cache
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Any, Literal, TypeVar, cast, get_args, get_type_hints

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    PlainValidator,
    TypeAdapter,
    ValidationError,
    ValidationInfo,
    WithJsonSchema,
    create_model,
    field_validator,
)
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from reverdict import own_checks
from reverdict.errors import BadInput, BadInputs
from reverdict.reading import first_line, text_of
from reverdict.reference import (
    Approval,
    Budget,
    Conduct,
    Cost,
    EchoTiming,
    EnergyDecay,
    FrequencyTolerance,
    GroupDelay,
    ImpulseFile,
    Own,
    Reference,
    RenderRequest,
    Tolerance,
)
from reverdict.render.build import Build, Interface, Limits, Loopback, Plugin, TakeNotes
from reverdict.sound import SOUND_SUFFIXES
from reverdict.words import CHECKS, INPUTS, BuildIdentity

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

REFERENCE_FILE = "reference.toml"
TOLERANCES_FILE = "tolerances.toml"
LARGEST_MB = 64
DEEPEST = 32
CHECK_TABLES = tuple(check.replace("-", "_") for check in CHECKS)
UNITS = ("ms", "s", "hz", "db", "dbfs", "percent", "mb", "ppm")


# What may stand in a file. Descriptions are what an editor shows beside the key.


class Table(BaseModel):
    """A TOML table in which only known keys of the right type may stand."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


def _not_negative(value: float) -> float:
    if value < 0:
        raise ValueError(f"negative tolerance {value:g}; a tolerance is 0 or more, and counts both ways")
    return value


WAYS = ("above", "below")


def _tolerance(value: object) -> Tolerance:
    """A limit for both ways, or a table with one for each way."""
    if not isinstance(value, dict):
        return Tolerance.both_ways(_one_way(value, may_be_any=False))
    if set(value) != set(WAYS):
        given = ", ".join(value) or "nothing"
        raise ValueError(f"need {{ above = …, below = … }}, inf for any; got {given}")
    above, below = (_one_way(value[way], may_be_any=True) for way in WAYS)
    if all(math.isinf(limit) for one in (above, below) for _, limit in one.points):
        raise ValueError('any departure both ways asks nothing; write not_asked = "why" for the check instead')
    return Tolerance(below, above)


def _one_way(value: object, *, may_be_any: bool) -> FrequencyTolerance:
    """A number, or a list of [Hz, value] that rises in frequency."""
    if isinstance(value, float) and value == math.inf and may_be_any:
        return FrequencyTolerance.constant(math.inf)
    if _is_number(value):
        return FrequencyTolerance.constant(_not_negative(cast(float, value)))
    if isinstance(value, float):
        raise ValueError(
            f"need a finite number, got {value!r}; to let anything pass one way: {{ above = 5, below = inf }}"
        )
    if not isinstance(value, list) or not value:
        quoted = "; leave the quotes out" if _reads_as_number(value) else ""
        raise ValueError(f"need a number, [[Hz, value], …] or {{ above = …, below = … }}, got {_given(value)}{quoted}")
    points: list[tuple[float, float]] = []
    for entry in value:
        if not (isinstance(entry, list) and len(entry) == 2 and all(_is_number(number) for number in entry)):
            raise ValueError(f"need pairs [Hz, value], got {_given(entry)} among them")
        hz, limit = entry
        if hz <= 0:
            raise ValueError(f"need frequencies above 0 Hz, got {hz:g}")
        if points and hz <= points[-1][0]:
            raise ValueError(f"frequencies must rise: {hz:g} Hz stands after {points[-1][0]:g} Hz")
        points.append((float(hz), float(_not_negative(limit))))
    return FrequencyTolerance(tuple(points))


def _parameters(values: dict[str, Any]) -> dict[str, Any]:
    for name, value in values.items():
        if not isinstance(value, (str, bool)) and not _is_number(value):
            raise ValueError(f"{name}: need text, a number or true/false, got {_given(value)}")
    return values


def _presets(tables: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    for name, values in tables.items():
        _preset_name(name)
        try:
            _parameters(values)
        except ValueError as error:
            raise ValueError(f"{name}.{error}") from None
    return tables


def _preset_name(name: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,79}", name):
        raise ValueError(
            f'"{name[:80]}" cannot name a preset; use letters, digits, "_", and after the first "-" and "."'
        )
    return name


def _block_size(value: object) -> int | str:
    if value == WHOLE or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= LARGEST_BLOCK):
        return value
    raise ValueError(f'need whole numbers from 1 to {LARGEST_BLOCK}, or "{WHOLE}", got {_given(value)}')


def _each_once(values: list[Any]) -> list[Any]:
    for number, value in enumerate(values):
        if value in values[:number]:
            raise ValueError(f"{value!r} stands there twice".replace("'", '"'))
    return values


def _inside(path: str) -> str:
    """A sound file of the reference's own folder, on every operating system."""
    parts = PurePosixPath(path.replace("\\", "/"))
    if parts.is_absolute() or PureWindowsPath(path).drive or ".." in parts.parts:
        raise ValueError(f'"{path}" leaves the folder of the reference; name a file inside it')
    if parts.suffix.lower() not in SOUND_SUFFIXES:
        raise ValueError(f'"{path}" is not named as a WAV or FLAC file')
    return path


def _click_at(value: object) -> float | Literal["auto"]:
    if value == "auto":
        return "auto"
    if not _is_number(value):
        raise ValueError(f'need seconds or "auto", got {_given(value)}')
    seconds = float(cast(float, value))
    if seconds < 0:
        raise ValueError(f"need 0 s or later, got {seconds:g}")
    return seconds


def _own_checks(reasons: dict[str, str]) -> dict[str, str]:
    for name, reason in reasons.items():
        if name not in (known := (*CHECK_TABLES, *own_checks.tables())):
            raise ValueError(f'"{name}" is not a check; the checks are {", ".join(known)}')
        if not reason.strip():
            raise ValueError(f"{name}: give a reason")
    return reasons


def _said(text: str) -> str:
    if not text.strip():
        raise ValueError("empty; say it in a few words")
    return text


def _sha256(text: str) -> str:
    if not re.fullmatch("[0-9a-f]{64}", text):
        raise ValueError("need the 64 hexadecimal digits of a SHA-256, in small letters")
    return text


def _rate(hz: int) -> int:
    if hz < 1000:
        raise ValueError(f"need a rate in Hz such as 48000, got {hz}")
    return hz


def _accepted(accepted: bool) -> bool:
    if not accepted:
        raise ValueError(
            "a gate of this build plays into hardware by itself: use rated line outputs, never an opened amplifier "
            "(lethal voltages), and no headphones; read the cautions of reverdict capture, then write it as true"
        )
    return accepted


DEFAULT_LEVEL_DBFS = -6.0
WHOLE = "whole"
LARGEST_BLOCK = 65536
Text = Annotated[str, AfterValidator(_said)]
Channel = Annotated[int, Field(ge=1, le=256)]
Rate = Annotated[int, AfterValidator(_rate)]
Level = Annotated[float, Field(ge=-120, le=0)]
BlockSize = Annotated[
    int | str,
    PlainValidator(_block_size),
    WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 1, "maximum": LARGEST_BLOCK}, {"const": WHOLE}]}),
]
Parameters = Annotated[
    dict[str, Any],
    AfterValidator(_parameters),
    WithJsonSchema({"type": "object", "additionalProperties": {"type": ["string", "number", "boolean"]}}),
]
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


def _flat(tolerance: Tolerance | None) -> Tolerance | None:
    if tolerance is not None and any(len(one.points) > 1 for one in (tolerance.above, tolerance.below)):
        raise ValueError("need one number, or one each way; this does not vary with frequency")
    return tolerance


FlatLimit = Annotated[Limit, AfterValidator(_flat), WithJsonSchema(_limit_schema([_ONE_WAY[0]]))]


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


class Asked(Table):
    not_asked: Text | None = Field(
        default=None,
        description="Why this check does not apply to this reference. It is then counted and shown as not asked.",
    )
    accept_unsure: Text | None = Field(default=None, description="Why an unsure of this check may pass the gate.")


class EchoTimingTable(Asked, EchoTimingTolerances):
    springs: Annotated[int, Field(ge=0, le=8)] | None = Field(
        default=None,
        description="Number of springs; 0 where there are no separate passes, and only the onset is judged. Needed "
        "where this check is asked.",
    )
    pass_law: Literal["1:3:5", "1:2:3", "none"] = Field(
        default="none",
        description="Trips of successive passes: 1:3:5 for a pickup at the far end, 1:2:3 for a digital loop tapped "
        "before its delay line, none where there are no separate passes.",
    )
    passes: Annotated[int, Field(ge=0, le=50)] = Field(default=0, description="Passes judged per spring.")
    arrival_hz: Annotated[float, Field(gt=0)] = Field(
        default=500.0, description="Frequency at which a dispersed pass is said to arrive, in Hz."
    )

    @field_validator("passes")
    @classmethod
    def _passes_fit_springs(cls, passes: int, info: ValidationInfo) -> int:
        springs, law = info.data.get("springs"), info.data.get("pass_law")
        if springs and passes == 0:
            raise ValueError(f"{springs} springs and no pass to judge; say how many passes of each")
        if springs and passes > 1 and law == "none":
            raise ValueError(f'{passes} passes need pass_law = "1:3:5" or "1:2:3"')
        if springs == 0 and passes:
            raise ValueError("there are no passes where springs = 0")
        return passes


class EchoTimingCells(Asked, EchoTimingTolerances):
    pass


class GroupDelayTable(Asked, GroupDelayTolerances):
    pass


class EnergyDecayTable(Asked, EnergyDecayTolerances):
    pass


class BudgetTable(Table):
    cycles_per_sample: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="Cycles that a sample may cost at most, by the log of that target's counter."
    )
    worst_block_cycles: Annotated[int, Field(ge=1)] | None = Field(
        default=None, description="Cycles that no block of such a log may exceed."
    )
    instructions_per_sample: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="Instructions that a sample of a channel may cost at most, counted where judged."
    )


class CostTable(Asked, CostTolerances):
    timed_is_enough: Text | None = Field(
        default=None, description="Why the gate may open where instructions cannot be counted."
    )
    instructions_per_sample: Annotated[float, Field(gt=0)] | None = Field(
        default=None,
        description="Instructions that the golden itself costs per sample and channel, for builds without a baseline.",
    )
    counted_on: Text | None = Field(
        default=None, description='Machine class on which they were counted, such as "x86_64"; they hold on no other.'
    )
    kernel_ratio: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="Cost of the golden in units of the calibration kernel, written by golden new."
    )
    baseline: Text | None = Field(
        default=None, description="TOML of a build to hold cost against instead, a path relative to this file."
    )
    cycles_per_sample: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="Cycles a sample costs on the target, for builds with a log of its cycle counter."
    )
    worst_block_cycles: Annotated[int, Field(ge=1)] | None = Field(
        default=None, description="Cycles that no block of such a log may exceed."
    )
    stages: dict[str, Annotated[float, Field(ge=0)]] = Field(
        default_factory=dict, description="Those of the golden's stages: dispersion = 1890.1."
    )
    grows_with: dict[str, Annotated[list[float], Field(min_length=2)]] = Field(
        default_factory=dict,
        description="Parameters that set the size of the algorithm, and values to try: sections = [50, 100, 200].",
    )
    budgets: dict[str, BudgetTable] = Field(
        default_factory=dict, description='What a sample may cost on a target, by its name: [cost.budgets."pedal"].'
    )


class ConductCells(Asked):
    stray_db: Limit = Field(
        default=None, description="How much louder than anything near it in the golden a build may be, in dB."
    )


class ConductTable(Asked, ConductTolerances):
    moves: dict[str, Annotated[list[float], Field(min_length=2, max_length=2)]] = Field(
        default_factory=dict, description="Parameters to move while a sine plays: mix = [0.2, 0.8]."
    )
    declared: dict[str, Text] = Field(
        default_factory=dict,
        description='Questions that are not put, with the reason: time_variance = "its delay lines are modulated".',
    )

    @field_validator("declared")
    @classmethod
    def _declares_questions(cls, declared: dict[str, str]) -> dict[str, str]:
        known = [key.rpartition("_")[0] for key in ConductTolerances.model_fields]
        for name in declared:
            if name not in known:
                close = difflib.get_close_matches(name, known, 1)
                meant = f"; did you mean {close[0]}?" if close else f"; there are {', '.join(known)}"
                raise ValueError(f'no question "{name}"{meant}')
        return declared


class FileTable(Table):
    path: Annotated[Text, AfterValidator(_inside)] = Field(
        description="WAV or FLAC file in this folder; it starts at the click."
    )
    input: Literal["mono", "left", "right"] = Field(description="Which input had the click.")
    sha256: Annotated[str, AfterValidator(_sha256)] = Field(
        description="SHA-256 of the decoded samples, written by golden new and golden approve."
    )


class RenderTable(Table):
    seconds: Annotated[float, Field(gt=0, le=600)] = Field(description="Length rendered after the click, in s.")
    preroll_s: Annotated[float, Field(ge=0, le=60)] = Field(default=0.5, description="Silence before the click, in s.")
    level_dbfs: Level | None = Field(
        default=None, description="Level of the click, in dB below full scale (-6). Responses are divided by it."
    )
    levels_dbfs: Annotated[list[Level], Field(min_length=1), AfterValidator(_each_once)] | None = Field(
        default=None, description="Several levels of the click, instead of level_dbfs; the main cell's first."
    )
    sample_rates_hz: Annotated[list[Rate], Field(min_length=1), AfterValidator(_each_once)] = Field(
        description="Sample rates rendered at, in Hz; first the rate of the impulse, which is the main cell's."
    )
    block_sizes: Annotated[list[BlockSize], Field(min_length=1), AfterValidator(_each_once)] = Field(
        description='Frames handed to the build at a time, "whole" for all at once; the main cell\'s first.'
    )
    presets: (
        Annotated[list[Annotated[str, AfterValidator(_preset_name)]], Field(min_length=1), AfterValidator(_each_once)]
        | None
    ) = Field(
        default=None,
        description="Names of parameter sets that builds keep in [build.presets.NAME]; first the main cell's.",
    )
    matrix: Literal["cross", "full"] = Field(
        default="cross",
        description="cross: the main cell and one for every other value of one axis; full: every combination.",
    )
    parameters: Parameters = Field(default_factory=dict, description="Handed to the build as they stand.")

    @field_validator("levels_dbfs")
    @classmethod
    def _one_way_of_levels(cls, levels: list[float] | None, info: ValidationInfo) -> list[float] | None:
        if levels is not None and info.data.get("level_dbfs") is not None:
            raise ValueError("level_dbfs is there, too; keep one of the two")
        return levels


class ApprovalTable(Table):
    who: Text = Field(description="Who listened and approved.")
    when: AwareDatetime = Field(description="When, with its time zone: 2026-11-25T09:00:00Z.")
    build: Text = Field(description="Which build, or which recording, this is the response of.")
    why: Text = Field(description="Why this is how it must sound.")
    analysis_version: Annotated[int, Field(ge=1)] | None = Field(
        default=None, description="Version of the analysis that measured it then."
    )
    terms_sha256: Annotated[str, AfterValidator(_sha256)] | None = Field(
        default=None, description="Seal of the check tables in force then, own and shared; verify tells edits by it."
    )


KEYS_OF_AXES = {
    "sample_rate": "sample_rates_hz", "block_size": "block_sizes", "level": "levels_dbfs", "preset": "presets",
}  # fmt: skip
"""Axes of the render matrix, and the keys of [render] that hold their values."""


class CellTolerances(Table):
    """What cells that differ from the main one in an axis of the render matrix are judged by instead."""

    echo_timing: EchoTimingCells | None = Field(default=None, description="When the echoes arrive.")
    group_delay: GroupDelayTable | None = Field(default=None, description="How much later the high frequencies come.")
    energy_decay: EnergyDecayTable | None = Field(default=None, description="How the energy decays.")
    conduct: ConductCells | None = Field(default=None, description="Nothing that does not belong.")


class CellsTable(Table):
    """Tolerances of cells, by the axis in which they differ from the main one."""

    sample_rate: CellTolerances | None = Field(default=None, description="Of cells at another sample rate.")
    block_size: CellTolerances | None = Field(default=None, description="Of cells with another block size.")
    level: CellTolerances | None = Field(default=None, description="Of cells at another level.")
    preset: CellTolerances | None = Field(default=None, description="Of cells with another preset.")


class ReferenceFile(Table):
    """One golden reference: impulse responses, how to render the candidate, and the tolerances of each check."""

    schema_version: Literal[1] = Field(alias="schema", description="Version of this format.")
    title: Text = Field(description="What people call it, one line.")
    formerly: list[Text] = Field(
        default_factory=list, description="Names it had before, under which its history was kept."
    )
    origin: Literal["build", "capture"] = Field(description="A render of a build, or a capture of real equipment.")
    rate_hz: Rate = Field(description="Sample rate of the impulse files, in Hz.")
    channels: Literal["mono", "mono-to-stereo", "stereo-to-stereo"] = Field(description="Inputs and outputs.")
    files: list[FileTable] = Field(
        description="mono and mono-to-stereo: one file. stereo-to-stereo: two, one per input, each with two channels."
    )
    render: RenderTable = Field(description="What a build is asked to render.")
    approval: ApprovalTable = Field(description="Who says that this is how it must sound.")
    echo_timing: EchoTimingTable = Field(default_factory=EchoTimingTable, description="When the echoes arrive.")
    group_delay: GroupDelayTable = Field(
        default_factory=GroupDelayTable, description="How much later the high frequencies come."
    )
    energy_decay: EnergyDecayTable = Field(default_factory=EnergyDecayTable, description="How the energy decays.")
    cost: CostTable = Field(default_factory=CostTable, description="What a sample costs.")
    conduct: ConductTable = Field(
        default_factory=ConductTable, description="Finite, not silent, of the right length, the same every time."
    )
    cells: CellsTable = Field(
        default_factory=CellsTable,
        description="Tolerances of their own for cells other than the main one, by the axis in which they differ.",
    )

    @field_validator("files")
    @classmethod
    def _one_file_per_input(cls, files: list[FileTable], info: ValidationInfo) -> list[FileTable]:
        channels = info.data.get("channels")
        if channels is None:
            return files
        asked, named = INPUTS[channels], [file.input for file in files]
        if sorted(named) != sorted(asked):
            need = " and ".join(f'"{name}"' for name in asked)
            got = ", ".join(f'"{name}"' for name in named) or "none"
            raise ValueError(f"{channels} needs {_count(len(asked), 'file', 'files')}, input {need}; got {got}")
        if len({file.path for file in files}) < len(files):
            raise ValueError(f'"{files[0].path}" stands for both inputs; each needs a file of its own')
        return files

    @field_validator("render")
    @classmethod
    def _renders_at_own_rate(cls, render: RenderTable, info: ValidationInfo) -> RenderTable:
        rate_hz = info.data.get("rate_hz")
        if rate_hz is not None and render.sample_rates_hz[0] != rate_hz:
            raise ValueError(
                f"sample_rates_hz: need {rate_hz} first, the rate of the impulse; got {render.sample_rates_hz}"
            )
        return render

    @field_validator("cells")
    @classmethod
    def _cells_are_asked(cls, cells: CellsTable, info: ValidationInfo) -> CellsTable:
        render = info.data.get("render")
        for axis, key in KEYS_OF_AXES.items() if render is not None else ():
            if getattr(cells, axis) is not None and len(getattr(render, key) or ()) < 2:
                raise ValueError(f"{axis}: no cell differs in it; render.{key} asks for no second value")
        return cells


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


class LimitsTable(Table):
    seconds: Annotated[float, Field(gt=0)] = Field(default=60.0, description="Wall clock per render, in s.")
    memory_mb: Annotated[int, Field(ge=64)] = Field(
        default=4096, description="Memory of each process, and of all of a render together, in MB."
    )
    file_mb: Annotated[int, Field(ge=1)] = Field(
        default=1024, description="Size of each file, and of all that a render writes into its folder, in MB."
    )
    processes: Annotated[int, Field(ge=1)] = Field(default=256, description="Processes that may run at once.")


class AnyBuildTable(Table):
    name: Text = Field(description="Name of the build.")
    version: Text = Field(description="Its version.")
    about: str = Field(default="", description="One line: what this build is.")
    prepare: Annotated[list[Text], Field(min_length=1)] | None = Field(
        default=None, description="Program and arguments, run once before the first render, in the folder of this file."
    )
    baseline: Text | None = Field(
        default=None, description="TOML of a build to hold the cost against, a path relative to this file."
    )
    commit: Text | None = Field(
        default=None, description="Commit it was built from; otherwise that of the folder, if any."
    )
    parameters: Parameters = Field(default_factory=dict, description="Override those of the reference.")
    parameter_names: dict[str, str] = Field(
        default_factory=dict,
        description='What the parameters of references are called by this build: mix = "Dry/Wet"; "" for those that it '
        "does not have.",
    )
    presets: Annotated[
        dict[str, dict[str, Any]],
        AfterValidator(_presets),
        WithJsonSchema({"type": "object", "additionalProperties": {"type": "object"}}),
    ] = Field(
        default_factory=dict,
        description="Tables of parameters by name, which override all others where a reference asks for the preset.",
    )
    limits: LimitsTable = Field(default_factory=LimitsTable, description="What one render may use.")
    stages: dict[str, Annotated[list[Text], Field(min_length=1)]] = Field(
        default_factory=dict,
        description='Stages of the algorithm by the functions that do them: dispersion = ["chain_step", "allpass_*"].',
    )
    not_asked: Annotated[dict[str, str], AfterValidator(_own_checks)] = Field(
        default_factory=dict, description="Checks that cannot be put to this build, each with the reason."
    )


ClickAt = Annotated[
    float | Literal["auto"],
    PlainValidator(_click_at),
    WithJsonSchema({"anyOf": [{"type": "number", "minimum": 0}, {"const": "auto"}]}),
]


class TakeTable(Table):
    """What is to be taken out of recordings; what a file's own table does not say, [build] says for it."""

    click_at_s: ClickAt | None = Field(
        default=None, description='When the click stands in the recording, in s from the first sample, or "auto".'
    )
    latency_ms: Annotated[float, Field(ge=0, le=60000)] | None = Field(
        default=None,
        description="Latency of converters and drivers after click_at_s, in ms, to a fraction of a sample.",
    )
    level_db: Annotated[float, Field(ge=-200, le=200)] | None = Field(
        default=None, description="Gain of the recording chain, in dB."
    )
    clock_ppm: Annotated[float, Field(ge=-10000, le=10000)] | None = Field(
        default=None, description="How much faster than the nominal rate the recorder's clock ran, in ppm."
    )


class RecordingsBuildTable(AnyBuildTable, TakeTable):
    """A folder of responses named after the references: firmware captures, hardware."""

    kind: Literal["recordings"] = Field(description="A folder of recorded responses.")
    folder: Text = Field(
        description="Folder of <reference>.wav or .flac, relative to this file; stereo-to-stereo: "
        "<reference>-left-in and <reference>-right-in."
    )
    takes: dict[str, TakeTable] = Field(
        default_factory=dict, description="By the name of a file, without suffix, what is to be taken out of it."
    )
    loopback: Text | None = Field(
        default=None, description="Name of a file of the folder, without suffix, that recorded the click itself."
    )
    loopback_channel: Annotated[int, Field(ge=1, le=1024)] | None = Field(
        default=None,
        description="Channel, from 1, of every file (or of that of loopback) that recorded the click itself.",
    )
    click_every_s: Annotated[float, Field(ge=0.02, le=3600)] | None = Field(
        default=None, description="From one click of the loopback to the next, in s as played; tells the clock."
    )
    cycles: Text | None = Field(
        default=None, description="Log of a cycle counter, .csv or .json, relative to this file; tells the cost."
    )

    @field_validator("click_every_s")
    @classmethod
    def _needs_loopback(cls, seconds: float | None, info: ValidationInfo) -> float | None:
        if seconds is not None and not (info.data.get("loopback") or info.data.get("loopback_channel")):
            raise ValueError("there is no loopback whose clicks it tells; name loopback or loopback_channel")
        return seconds


class InterfaceBuildTable(AnyBuildTable):
    """Hardware, played and recorded through a sound interface whenever it is judged."""

    kind: Literal["interface"] = Field(description="Hardware at a sound interface.")
    accept_cautions: Annotated[bool, AfterValidator(_accepted)] = Field(
        default=False, validate_default=True, description="true: the cautions of reverdict capture have been read."
    )
    device: int | Text | None = Field(
        default=None, description="Number or name of the interface (reverdict capture --devices); unset: the default."
    )
    output_device: int | Text | None = Field(default=None, description="The one that plays, where it is another one.")
    input_channels: Annotated[list[Channel], Field(min_length=1, max_length=2)] = Field(
        default_factory=lambda: [1],
        description="Inputs, from 1, that hear the reverb, one per channel of its output. Unset: the first.",
    )
    output_channels: Annotated[list[Channel], Field(min_length=1, max_length=2)] = Field(
        default_factory=lambda: [1],
        description="Outputs, from 1, that play, one per input of the reverb. Unset: the first.",
    )
    loopback_channel: Channel | None = Field(default=None, description="Input that hears the stimulus itself.")
    level_dbfs: Annotated[float, Field(ge=-60, le=-1)] = Field(description="The most that is played, peak, in dBFS.")
    stimulus: Literal["sweep", "click"] = Field(default="sweep", description="What is played.")
    sweep_seconds: Annotated[float, Field(ge=0.5, le=120)] = Field(default=2.0, description="Length of a sweep, in s.")
    repeats: Annotated[int, Field(ge=1, le=256)] = Field(default=3, description="How often it is played and averaged.")


class CommandBuildTable(AnyBuildTable):
    """A program that reads a WAV and writes one, or floats on standard input and output."""

    kind: Literal["command"] = Field(description="A program that reads sound and writes it.")
    argv: Annotated[list[Text], Field(min_length=1)] = Field(
        description="Program and arguments, no shell. {input} {output} {sample_rate} {block_size} {input_channels} "
        "{output_channels} {parameters.NAME} and {work} are filled in."
    )
    exchange: Literal["wav", "raw"] = Field(
        default="wav",
        description="wav: files at {input} and {output}; raw: interleaved little-endian 32-bit floats on standard "
        "input and output.",
    )
    latency_samples: Annotated[int, Field(ge=0, le=1_000_000)] = Field(
        default=0, description="Latency that the program has and cannot tell: taken out, as a host would."
    )


class PythonBuildTable(AnyBuildTable):
    """A Python object called once per render, which returns a processor with process(block) -> block."""

    kind: Literal["python"] = Field(description="A Python object that makes a processor.")
    object: Annotated[str, Field(pattern=r"^[\w.]+:[\w.]+$")] = Field(
        description="module:object, called once per render."
    )
    path: Text = Field(default=".", description="Folder on the module search path, relative to this file.")


class LibraryBuildTable(AnyBuildTable):
    """A shared library with the functions of reverb.h (``reverdict header`` prints it)."""

    kind: Literal["library"] = Field(description="A shared library with the functions of reverb.h.")
    file: Text = Field(description="The library, a path relative to this file; {work} is filled in.")


class PortsTable(Table):
    inputs: list[Text] = Field(default_factory=list, description="Names of the audio inputs to feed, in order.")
    outputs: list[Text] = Field(default_factory=list, description="Names of the audio outputs to hear, in order.")


class PluginBuildTable(AnyBuildTable):
    """A plug-in of an open standard."""

    preset: str = Field(default="", description="A preset of its own, loaded before parameters are set.")
    ports: PortsTable = Field(
        default_factory=PortsTable, description="Which of its audio ports are used; unset, the first ones."
    )


class LadspaBuildTable(PluginBuildTable):
    """A LADSPA plug-in."""

    kind: Literal["ladspa"] = Field(description="A LADSPA plug-in.")
    file: Text = Field(description="The .so: a path relative to this file, or a name to be found on LADSPA_PATH.")
    plugin: str = Field(default="", description="Label of the plug-in; may be left out where the file has but one.")


class Lv2BuildTable(PluginBuildTable):
    """An LV2 plug-in."""

    kind: Literal["lv2"] = Field(description="An LV2 plug-in.")
    file: str = Field(default="", description="Its bundle, a path relative to this file; else it is on LV2_PATH.")
    plugin: str = Field(default="", description="URI of the plug-in; may be left out where the bundle has but one.")


class ClapBuildTable(PluginBuildTable):
    """A CLAP plug-in."""

    kind: Literal["clap"] = Field(description="A CLAP plug-in.")
    file: Text = Field(description="The .clap: a path relative to this file, or a name to be found on CLAP_PATH.")
    plugin: str = Field(default="", description="Its identifier; may be left out where the file has but one.")


class Vst3BuildTable(PluginBuildTable):
    """A VST3 plug-in."""

    kind: Literal["vst3"] = Field(description="A VST3 plug-in; needs the extra reverdict[vst3].")
    file: Text = Field(description="The .vst3, a path relative to this file.")
    plugin: str = Field(default="", description="Its name; may be left out where the file has but one.")


KIND_TABLES: tuple[type[AnyBuildTable], ...] = (
    RecordingsBuildTable, CommandBuildTable, PythonBuildTable, LibraryBuildTable,
    LadspaBuildTable, Lv2BuildTable, ClapBuildTable, Vst3BuildTable, InterfaceBuildTable,
)  # fmt: skip
KINDS = {get_args(table.model_fields["kind"].annotation)[0]: table for table in KIND_TABLES}


class BuildFile(Table):
    """A build that can be rendered and judged."""

    build: Annotated[
        RecordingsBuildTable
        | CommandBuildTable
        | PythonBuildTable
        | LibraryBuildTable
        | LadspaBuildTable
        | Lv2BuildTable
        | ClapBuildTable
        | Vst3BuildTable
        | InterfaceBuildTable,
        Field(discriminator="kind", description="What the build is and how it is run."),
    ]


# Checks that packages bring.


def _optional_fields(check: own_checks.OwnCheck) -> dict[str, Any]:
    """The keys of its table, of which each may be left out of a file: another file may have it."""
    model = check.tolerances
    if is_dataclass(model):
        types = get_type_hints(model, include_extras=True)
        said = {one.name: str(one.metadata.get("description", "")) for one in fields(model)}
    else:
        entries: dict[str, FieldInfo] = cast(Any, model).model_fields
        types = {name: _annotated(entry.annotation, entry.metadata) for name, entry in entries.items()}
        said = {name: entry.description or "" for name, entry in entries.items()}
    return {name: (types[name] | None, Field(default=None, description=said[name])) for name in said}


def _annotated(kind: Any, constraints: Sequence[Any]) -> Any:
    """A type with what a model says of it, as ``Annotated`` has it."""
    said = (kind, *constraints)
    return cast(Any, Annotated)[said] if constraints else kind


@cache
def _with_own(model: type[File], checks: tuple[own_checks.OwnCheck, ...]) -> type[File]:
    """The model of a file with the tables of these checks; made once, for hundreds of references may ask for it."""
    base = Asked if issubclass(model, ReferenceFile) else Table
    added: dict[str, Any] = {}
    for check in checks:
        name = f"{check.table} of {model.__name__}"
        table = create_model(name, __base__=base, **_optional_fields(check))
        added[check.table] = (table | None, Field(default=None, description=check.about))
    return create_model(model.__name__, __base__=model, **added) if added else model


def _own_checks_in(names: Iterable[str], path: Path) -> tuple[own_checks.OwnCheck, ...]:
    """The checks of these tables that packages bring. BadInput where one cannot be used, or takes the name of ours."""
    found = []
    for name in own_checks.tables():
        if name in names:
            try:
                found.append(own_checks.load(name))
            except BadInput as error:
                raise BadInput(f"{path}: {name}", error.problem) from error
    for check in found:
        if check.table in ReferenceFile.model_fields:
            raise BadInput(f"{path}: {check.table}", f"{check.package} brings a check of this name, which is taken")
    return tuple(found)


def _own(written: Mapping[str, Any], defaults: DefaultTolerances, path: Path) -> tuple[dict[str, Own], list[BadInput]]:
    """What is asked by checks that packages brought: tables of this file over the shared ones."""
    own: dict[str, Own] = {}
    mistakes: list[BadInput] = []
    for check in _own_checks_in({*written, *defaults.values} - {*CHECK_TABLES}, path):
        table = written.get(check.table, {})
        said = {key: table[key] for key in Asked.model_fields if key in table}
        values = {**defaults.values.get(check.table, {}), **table}
        if "not_asked" in said:
            own[check.name] = Own(check=check, **said)
            continue
        try:
            asked = {key: value for key, value in values.items() if key not in said}
            tolerances: Any = TypeAdapter(check.tolerances).validate_python(asked)
        except ValidationError as error:
            mistakes += [
                _own_mistake(detail, check, table, defaults, path) for detail in error.errors(include_url=False)
            ]
        except Exception as error:  # a validator of the package's own
            mistakes.append(BadInput(f"{path}: {check.table}", f"{check.package} cannot read it: {error}"))
        else:
            own[check.name] = Own(check=check, tolerances=tolerances, **said)
    return own, mistakes


def shared_own_checks(path: Path) -> list[Own]:
    """What a tolerances.toml asks of every reference by checks that packages brought. BadInputs where it cannot be."""
    defaults = read_tolerances(path)
    own, mistakes = _own({}, defaults, path)
    if mistakes:
        raise BadInputs(mistakes)
    return list(own.values())


def _own_mistake(
    detail: ErrorDetails, check: own_checks.OwnCheck, table: Mapping[str, Any], defaults: DefaultTolerances, path: Path
) -> BadInput:
    place = ".".join(map(str, (check.table, *detail["loc"])))
    missing = detail["type"] == "missing"
    here = defaults.path == path
    problem = (
        f"missing; set it here{'' if here else f' or in {defaults.path.name}'}" if missing else _problem(detail, Table)
    )
    shared = not missing and bool(detail["loc"]) and detail["loc"][0] not in table
    return BadInput(f"{defaults.path if shared else path}: {place}", problem)


# Reading.

File = TypeVar("File", ReferenceFile, TolerancesFile, BuildFile)


@dataclass(frozen=True)
class DefaultTolerances:
    """tolerances.toml: per check table the tolerances that hold for every reference which does not set its own.

    Those of checks that packages brought are as they are written.
    """

    path: Path
    values: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


def parsed(text: str) -> dict[str, Any]:
    """The tables of a TOML that has been read without a complaint before."""
    return tomllib.loads(text.removeprefix("\ufeff"))


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file as it stands.

    Raises
    ------
    BadInput
        No such file, not text, or a slip in its syntax, with the line it stands on.
    """
    text = text_of(path, "a TOML file", LARGEST_MB)
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(path, _syntax_slip(str(error), text)) from None
    except RecursionError:
        raise BadInput(path, "is nested too deep") from None
    except ValueError as error:  # a number with thousands of digits
        raise BadInput(path, f"not TOML ({first_line(error)})") from None
    _prove_small(tables, path)
    return tables


def _prove_small(tables: dict[str, Any], path: Path) -> None:
    """Refuse what TOML would let pass, and no program can hold or walk through."""
    ahead: list[tuple[Any, int]] = [(tables, 0)]
    while ahead:
        value, depth = ahead.pop()
        if depth > DEEPEST:
            raise BadInput(path, "is nested too deep")
        if isinstance(value, int) and not -(1 << 63) <= value < 1 << 63:
            raise BadInput(path, f"holds {str(value)[:20]}…, a whole number of more than 64 bits")
        if isinstance(value, dict | list):
            ahead += [(one, depth + 1) for one in (value.values() if isinstance(value, dict) else value)]


def read_reference(path: Path, defaults: DefaultTolerances | None = None) -> Reference:
    """Read one reference.toml; its name is that of its folder.

    Parameters
    ----------
    path : path of a reference.toml
    defaults : DefaultTolerances, optional
        Tolerances for the keys it does not set itself.

    Raises
    ------
    BadInputs
        Every mistake of the file: unknown keys, wrong types, negative or missing tolerances, files that do not fit
        the channels. ``mistakes`` holds them one by one.
    """
    defaults = defaults or DefaultTolerances(path.parent.parent / TOLERANCES_FILE)
    tables = read_toml(path)
    own, mistakes = _validated(_with_own(ReferenceFile, _own_checks_in(tables, path)), tables, path)
    mistakes += _missing_from_checks(tables, defaults, path)
    brought: dict[str, Own] = {}
    if not mistakes:
        brought, mistakes = _own(tables, defaults, path)
    if own is None or mistakes:
        raise BadInputs(mistakes)
    folder = path.parent
    return Reference(
        name=folder.resolve().name,
        path=path,
        title=own.title,
        formerly=tuple(own.formerly),
        origin=own.origin,
        rate_hz=own.rate_hz,
        channels=own.channels,
        files=tuple(ImpulseFile(folder / file.path, file.input, file.sha256) for file in _in_input_order(own)),
        render=RenderRequest(
            seconds=own.render.seconds,
            preroll_s=own.render.preroll_s,
            levels_dbfs=_levels(own.render),
            sample_rates_hz=tuple(own.render.sample_rates_hz),
            block_sizes=tuple(own.render.block_sizes),
            presets=tuple(own.render.presets or ()),
            matrix=own.render.matrix,
            parameters=own.render.parameters,
        ),
        approval=Approval(**own.approval.model_dump()),
        echo_timing=EchoTiming(**_merged(own.echo_timing, defaults, "echo_timing")),
        group_delay=GroupDelay(**_merged(own.group_delay, defaults, "group_delay")),
        energy_decay=EnergyDecay(**_merged(own.energy_decay, defaults, "energy_decay")),
        cost=_cost(_merged(own.cost, defaults, "cost"), folder),
        conduct=Conduct(**_undeclared(_merged(own.conduct, defaults, "conduct"))),
        cells=_cells(own.cells),
        own=brought,
    )


def read_tolerances(path: Path) -> DefaultTolerances:
    """Read tolerances.toml. Raises BadInputs with every mistake of the file."""
    tables = read_toml(path)
    brought = _own_checks_in(tables, path)
    own, mistakes = _validated(_with_own(TolerancesFile, brought), tables, path)
    if own is None:
        raise BadInputs(mistakes)
    as_written = {check.table: tables[check.table] for check in brought}
    return DefaultTolerances(path, {table: _written(getattr(own, table)) for table in CHECK_TABLES} | as_written)


def read_build(path: Path) -> Build:
    """Read the TOML of a build. Raises BadInputs with every mistake of the file."""
    own, mistakes = _validated(BuildFile, read_toml(path), path)
    if own is None:
        raise BadInputs(mistakes)
    build, folder = own.build, path.parent.resolve()
    common: dict[str, Any] = {
        "identity": BuildIdentity(
            build.name, build.version, build.kind, build.commit or _commit_of(folder), about=build.about
        ),
        "kind": build.kind,
        "folder": folder,
        "prepare": tuple(build.prepare or ()),
        "parameters": build.parameters,
        "parameter_names": build.parameter_names,
        "presets": build.presets,
        "limits": Limits(**build.limits.model_dump()),
        "baseline": folder / build.baseline if build.baseline else None,
        "not_asked": {table.replace("_", "-"): reason for table, reason in build.not_asked.items()},
        "stages": {stage: tuple(patterns) for stage, patterns in build.stages.items()},
        "source": path,
    }
    if isinstance(build, RecordingsBuildTable):
        return Build(**common, **_recordings(build, folder))
    if isinstance(build, InterfaceBuildTable):
        return Build(**common, interface=_interface(build))
    if isinstance(build, CommandBuildTable):
        return Build(**common, argv=tuple(build.argv), exchange=build.exchange, latency_samples=build.latency_samples)
    if isinstance(build, LibraryBuildTable):
        return Build(**common, plugin=Plugin(build.file))
    if isinstance(build, LadspaBuildTable | Lv2BuildTable | ClapBuildTable | Vst3BuildTable):
        ports = tuple(build.ports.inputs), tuple(build.ports.outputs)
        return Build(**common, plugin=Plugin(build.file, build.plugin, build.preset, *ports))
    assert isinstance(build, PythonBuildTable)
    return Build(**common, object=build.object, module_path=folder / build.path)


def _interface(build: InterfaceBuildTable) -> Interface:
    return Interface(
        build.device, build.device if build.output_device is None else build.output_device, tuple(build.input_channels),
        tuple(build.output_channels), build.loopback_channel, build.level_dbfs, build.stimulus, build.sweep_seconds,
        build.repeats,
    )  # fmt: skip


def _recordings(build: RecordingsBuildTable, folder: Path) -> dict[str, Any]:
    of_all = {key: value for key in TakeTable.model_fields if (value := getattr(build, key)) is not None}
    looped = build.loopback or build.loopback_channel
    return {
        "recordings_folder": folder / build.folder,
        "notes": TakeNotes(**of_all),
        "takes": {name: TakeNotes(**of_all | _written(take)) for name, take in build.takes.items()},
        "loopback": Loopback(build.loopback or "", build.loopback_channel, build.click_every_s) if looped else None,
        "cycles": folder / build.cycles if build.cycles else None,
    }


def tolerances_of(table: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """Tolerances of one check as TOML reads them, made into those of ``reference``. BadInputs where they may not be."""
    own, mistakes = _validated(TolerancesFile, {table: dict(values)}, Path(TOLERANCES_FILE))
    if own is None:
        raise BadInputs(mistakes)
    return _written(getattr(own, table))


def toml_value(text: str) -> str | int | float | bool:
    """A number or boolean where ``text`` reads as one in TOML, else the text itself."""
    try:
        value = tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text
    return value if isinstance(value, (bool, int, float)) else text


def check_name(name: str) -> str | None:
    """What is wrong with a name for a reference, which is also that of its folder; None if nothing is."""
    if re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,79}", name):
        return None
    return f'"{name[:80]}" cannot name a reference; use up to 80 letters, digits, "_", and after the first "-" and "."'


def reference_keys(table: str = "") -> dict[str, str]:
    """Keys that may stand in a table of reference.toml (none: at its top), each with its description, in order."""
    return _described(_table_of(_with_all_own(ReferenceFile, table), [table] if table else []))


def tolerance_keys(table: str) -> dict[str, str]:
    """Tolerances of a check table, each with its description, in order."""
    return _described(_table_of(_with_all_own(TolerancesFile, table), [table]))


def _with_all_own(model: type[File], *wanted: str) -> type[File]:
    """The model with the tables of all checks that packages bring, or of those that are wanted."""
    return _with_own(model, _own_checks_in(wanted or own_checks.tables(), Path(REFERENCE_FILE)))


def json_schema(which: str, *, brought: bool = True) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a reference, of tolerances or of a build, for editors: every key with its unit.

    brought : with the tables of checks that packages bring, where some are installed.
    """
    models: dict[str, type[Table]] = {"reference": ReferenceFile, "tolerances": TolerancesFile, "build": BuildFile}
    if which not in models:
        raise BadInput(which, f"no such schema; there are {', '.join(models)}")
    model = _with_all_own(cast(Any, models[which])) if brought and which != "build" else models[which]
    schema: dict[str, Any] = _as_toml(model.model_json_schema(by_alias=True))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | schema | {"title": f"{which}.toml"}


def _merged(own: Table, defaults: DefaultTolerances, table: str) -> dict[str, Any]:
    return {**defaults.values.get(table, {}), **_written(own)}


def _written(table: Table) -> dict[str, Any]:
    """The keys of a table that were written or have a default; tolerances as they are, not as dictionaries."""
    return {key: value for key, value in table if value is not None}


def _undeclared(settings: dict[str, Any]) -> dict[str, Any]:
    """Without the tolerances of questions that are declared not to be put."""
    return {key: value for key, value in settings.items() if key.rpartition("_")[0] not in settings["declared"]}


def _levels(render: RenderTable) -> tuple[float, ...]:
    if render.levels_dbfs is not None:
        return tuple(render.levels_dbfs)
    return (DEFAULT_LEVEL_DBFS if render.level_dbfs is None else render.level_dbfs,)


def _cells(own: CellsTable) -> dict[str, dict[str, dict[str, Any]]]:
    """Per axis, per check, what holds there instead."""
    return {
        axis: {check.replace("_", "-"): _written(table) for check, table in tables if table is not None}
        for axis, tables in own
        if tables is not None
    }


def _cost(settings: dict[str, Any], folder: Path) -> Cost:
    baseline = settings.get("baseline")
    typed = {
        "baseline": folder / baseline if baseline else None,
        "grows_with": {name: tuple(values) for name, values in settings["grows_with"].items()},
        "budgets": {target: Budget(**_written(budget)) for target, budget in settings["budgets"].items()},
    }
    return Cost(**settings | typed)


def _in_input_order(own: ReferenceFile) -> list[FileTable]:
    return sorted(own.files, key=lambda file: INPUTS[own.channels].index(file.input))


def _missing_from_checks(tables: dict[str, Any], defaults: DefaultTolerances, path: Path) -> list[BadInput]:
    """Tolerances, and the number of springs, that a check which is asked needs and nobody wrote down."""
    mistakes = []
    for table in CHECK_TABLES:
        written = tables.get(table, {})
        if not isinstance(written, dict) or "not_asked" in written:
            continue
        if table == "echo_timing" and "springs" not in written:
            problem = "missing; the number of springs, 0 where there are no separate passes"
            mistakes.append(BadInput(f"{path}: {table}.springs", problem))
        known = {*written, *defaults.values.get(table, {})}
        mistakes += [
            BadInput(f"{path}: {table}.{key}", f"missing; set it here or in {defaults.path.name}")
            for key in tolerance_keys(table)
            if key not in known and key not in OPTIONAL_TOLERANCES
        ]
    return mistakes


def _commit_of(folder: Path) -> str | None:
    """HEAD of the git repository the folder is in, if it is in one and git is there; says where files differ from it.

    Files that git does not track are left out: reports and takes may lie about.
    """
    head = _git(folder, "rev-parse", "--verify", "--quiet", "HEAD")
    changed = head and _git(folder, "status", "--porcelain", "--untracked-files=no")
    return f"{head} + uncommitted changes" if changed else head or None


def _git(folder: Path, *arguments: str) -> str:
    """What git answers; empty where it has no answer, or is not there."""
    try:
        asked = ["git", "-C", str(folder), *arguments]
        answer = subprocess.run(asked, capture_output=True, text=True, timeout=10, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return answer.stdout.strip()


# Mistakes, in words.


def _validated(model: type[File], tables: dict[str, Any], path: Path) -> tuple[File | None, list[BadInput]]:
    try:
        return model.model_validate(tables), []
    except ValidationError as error:
        details = error.errors(include_url=False)
    return None, [BadInput(f"{path}: {_key(detail)}", _problem(detail, model)) for detail in details]


def _location(detail: ErrorDetails) -> tuple[int | str, ...]:
    """Where a mistake is. Of the kinds of build, pydantic names the one it tried; it is no table of the file."""
    location = detail["loc"]
    if location[0] == "build" and len(location) > 1 and location[1] in KINDS:
        return (location[0], *location[2:])
    if detail["type"].startswith("union_tag"):
        return (*location, "kind")
    return location


def _key(detail: ErrorDetails) -> str:
    key = ""
    for part in _location(detail):
        key += f"[{part}]" if isinstance(part, int) else f".{part}"
    return key.removeprefix(".")


def _problem(detail: ErrorDetails, model: type[Table]) -> str:
    """What is wrong, in the words of the file and not those of the library that found it."""
    kind, value, context = detail["type"], detail["input"], detail.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    *location, last = detail["loc"]
    if kind == "extra_forbidden":
        if not location and isinstance(value, dict) and not issubclass(model, BuildFile):
            return _unknown_check(str(last), model)
        return _unknown(str(last), _table_of(model, location), model)
    if kind == "missing":
        return f"missing; {_lowered(_described(_table_of(model, location))[str(last)])}"
    if kind == "union_tag_not_found":
        return f"missing; need {_choice(KINDS)}"
    if kind == "union_tag_invalid":
        return f"need {_choice(KINDS)}, got {_given(context['tag'])}"
    if kind == "literal_error":
        newer = (
            "; a newer reverdict wrote it, update this one"
            if last == "schema" and isinstance(value, int) and value > 1
            else ""
        )
        return f"need {context['expected']}, got {_given(value)}".replace("'", '"') + newer
    if kind in NEEDED:
        quoted = isinstance(value, str) and NEEDED[kind].endswith("number") and _reads_as_number(value)
        return f"need {NEEDED[kind]}, got {_given(value)}{'; leave the quotes out' if quoted else ''}"
    if kind in LIMITS:
        words, bound = LIMITS[kind]
        return f"need {words} {context[bound]:g}, got {value:g}"
    if kind in LENGTHS:
        words, bound = LENGTHS[kind]
        return f"need {words} {_count(context[bound], 'entry', 'entries')}, got {context['actual_length']}"
    if kind == "string_pattern_mismatch":
        return f'need module:object, got "{value}"'
    return _lowered(detail["msg"])


NEEDED = {
    "float_type": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "list_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "datetime_type": "a date with time and zone such as 2026-11-25T09:00:00Z",
    "timezone_aware": "a time with its zone such as 2026-11-25T09:00:00Z",
}
LIMITS = {
    "greater_than": ("more than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("less than", "lt"),
    "less_than_equal": ("at most", "le"),
}
LENGTHS = {"too_short": ("at least", "min_length"), "too_long": ("at most", "max_length")}


def _unknown(key: str, table: type[Table], model: type[Table]) -> str:
    """An unknown key, with what was likely meant: its unit, another table, another file, another spelling."""
    known = list(_described(table))
    with_unit = [name for name in known if name.rpartition("_")[0] == key and name.rpartition("_")[2] in UNITS]
    if with_unit:
        return f"unknown key; keys carry their unit: did you mean {with_unit[0]}?"
    homes = _homes_of(key, model)
    if len(homes) == 1:
        return f"unknown key here; it belongs {homes[0]}"
    close = difflib.get_close_matches(key.replace("-", "_"), known, 1, cutoff=0.65)
    if close:
        return f"unknown key; did you mean {close[0]}?"
    return f"unknown key; known here: {', '.join(known)}" if known else "unknown key; no key may stand here"


def _unknown_check(key: str, model: type[Table]) -> str:
    """An unknown table: one that stands elsewhere, a slip in the name of one, or a check whose package is not here."""
    known = [*_tables(model), *own_checks.tables()]
    if key.replace("-", "_") != key and key.replace("-", "_") in known:
        return f"unknown table; its name in TOML is {key.replace('-', '_')}"
    if not _homes_of(key, model) and not difflib.get_close_matches(key.replace("-", "_"), known, 1, cutoff=0.65):
        there = [name for name in _tables(model) if name] + list(own_checks.tables())
        return f"unknown table; check `{key}` needs a package that brings it; known here: {', '.join(there)}"
    near = difflib.get_close_matches(key.replace("-", "_"), own_checks.tables(), 1, cutoff=0.65)
    return f"unknown key; did you mean {near[0]}?" if near else _unknown(key, model, model)


def _homes_of(key: str, model: type[Table]) -> list[str]:
    """Where a key that stands in the wrong place would be at home."""
    if model is BuildFile:
        kinds = [kind for kind, table in KINDS.items() if key in _described(table)]
        return ["in [build]"] if len(kinds) == len(KINDS) else [f'to a build of kind "{kind}"' for kind in kinds]
    tables = {name: _described(table) for name, table in _tables(model).items()}
    homes = [f"in [{name}]" if name else "at the top of the file" for name, keys in tables.items() if key in keys]
    if issubclass(model, TolerancesFile) and not homes:
        elsewhere = any(key in _described(table) for table in _tables(ReferenceFile).values())
        return [f"in a {REFERENCE_FILE}; only tolerances stand here"] if elsewhere else []
    return homes


def _described(table: type[Table]) -> dict[str, str]:
    return {entry.alias or name: entry.description or "" for name, entry in table.model_fields.items()}


def _tables(model: type[Table]) -> dict[str, type[Table]]:
    """The file itself, under an empty name, and the tables right below it."""
    return {"": model} | {name: inner for name in model.model_fields if (inner := _inner(model, name))}


def _table_of(model: type[Table], location: Iterable[int | str]) -> type[Table]:
    """The model of the table at a location; an index or the kind of a build picks within what came before it."""
    for part in location:
        if part in KINDS and model in KIND_TABLES:
            model = cast(type[Table], KINDS[part])
        elif isinstance(part, str):
            model = _inner(model, part) or model
    return model


def _inner(model: type[Table], name: str) -> type[Table] | None:
    """The model of a field that is a table, a list of tables, or (the first) one of several."""
    entry = model.model_fields.get(name)
    found = list(_models_in(entry.annotation)) if entry else []
    return found[0] if found else None


def _models_in(annotation: Any) -> Iterator[type[Table]]:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _syntax_slip(message: str, text: str) -> str:
    message = re.sub(
        r"^Illegal character '\\n'|^Unterminated string", "text without an end; is a quote not closed?", message
    )
    found = re.search(r"^(.*) \(at line (\d+), column \d+\)$", message, re.DOTALL)
    if found:
        return f"line {found[2]}: {_lowered(found[1])}"
    return f"line {max(1, len(text.splitlines()))}: {_lowered(message.removesuffix(' (at end of document)'))}"


def _given(value: object) -> str:
    """A value as its writer would call it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'the text "{value if len(value) <= 40 else value[:39] + "…"}"'
    if isinstance(value, int | float):
        return f"{value!r}"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, datetime | date | time):
        return f"the date {value.isoformat()}"
    return f"a {type(value).__name__}"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _reads_as_number(value: object) -> bool:
    return isinstance(value, str) and re.fullmatch(r"\s*[-+]?[0-9.]+\s*", value) is not None


def _choice(names: Iterable[str]) -> str:
    *others, last = (f'"{name}"' for name in names)
    return f"{', '.join(others)} or {last}"


def _lowered(text: str) -> str:
    """The start of a sentence, for use after a semicolon."""
    text = text.rstrip(".")
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def _count(number: int, one: str, several: str) -> str:
    return f"{number} {one if number == 1 else several}"


def _as_toml(schema: Any) -> Any:
    """TOML has no null: a key is there or not. Leave that out, and titles that only repeat the key."""
    if isinstance(schema, list):
        return [_as_toml(entry) for entry in schema]
    if not isinstance(schema, dict):
        return schema
    made_up = {key for key, value in schema.items() if key == "title" and isinstance(value, str)}
    made_up |= {key for key, value in schema.items() if key == "default" and value is None}
    slim: dict[str, Any] = {key: _as_toml(value) for key, value in schema.items() if key not in made_up}
    choices = slim.get("anyOf")
    if choices and {"type": "null"} in choices:
        left = [choice for choice in choices if choice != {"type": "null"}]
        del slim["anyOf"]
        slim = (left[0] if len(left) == 1 else {"anyOf": left}) | slim
    return slim
