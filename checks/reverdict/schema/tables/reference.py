"""What may stand in a reference.toml: impulses, the render that is asked for, the approval, and each check's table."""

from __future__ import annotations

import difflib
import re
from pathlib import PurePosixPath, PureWindowsPath
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    AwareDatetime,
    Field,
    PlainValidator,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
)

from reverdict.schema.tables.tolerances import (
    ConductTolerances,
    CostTolerances,
    EchoTimingTolerances,
    EnergyDecayTolerances,
    GroupDelayTolerances,
    Limit,
)
from reverdict.schema.tables.values import Parameters, Rate, Table, Text, count, each_once, given, proven_preset_name
from reverdict.sound import SOUND_SUFFIXES
from reverdict.words import INPUTS

WHOLE = "whole"
LARGEST_BLOCK = 65536


def _block_size(value: object) -> int | str:
    if value == WHOLE or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= LARGEST_BLOCK):
        return value
    raise ValueError(f'need whole numbers from 1 to {LARGEST_BLOCK}, or "{WHOLE}", got {given(value)}')


def _inside(path: str) -> str:
    """A sound file of the reference's own folder, on every operating system."""
    parts = PurePosixPath(path.replace("\\", "/"))
    if parts.is_absolute() or PureWindowsPath(path).drive or ".." in parts.parts:
        raise ValueError(f'"{path}" leaves the folder of the reference; name a file inside it')
    if parts.suffix.lower() not in SOUND_SUFFIXES:
        raise ValueError(f'"{path}" is not named as a WAV or FLAC file')
    return path


def _sha256(text: str) -> str:
    if not re.fullmatch("[0-9a-f]{64}", text):
        raise ValueError("need the 64 hexadecimal digits of a SHA-256, in small letters")
    return text


Level = Annotated[float, Field(ge=-120, le=0)]
PresetName = Annotated[str, AfterValidator(proven_preset_name)]
BlockSize = Annotated[
    int | str,
    PlainValidator(_block_size),
    WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 1, "maximum": LARGEST_BLOCK}, {"const": WHOLE}]}),
]


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
    levels_dbfs: Annotated[list[Level], Field(min_length=1), AfterValidator(each_once)] | None = Field(
        default=None, description="Several levels of the click, instead of level_dbfs; the main cell's first."
    )
    sample_rates_hz: Annotated[list[Rate], Field(min_length=1), AfterValidator(each_once)] = Field(
        description="Sample rates rendered at, in Hz; first the rate of the impulse, which is the main cell's."
    )
    block_sizes: Annotated[list[BlockSize], Field(min_length=1), AfterValidator(each_once)] = Field(
        description='Frames handed to the build at a time, "whole" for all at once; the main cell\'s first.'
    )
    presets: Annotated[list[PresetName], Field(min_length=1), AfterValidator(each_once)] | None = Field(
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
            raise ValueError(f"{channels} needs {count(len(asked), 'file', 'files')}, input {need}; got {got}")
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
