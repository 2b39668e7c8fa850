"""What may stand in the TOML of a build: a table for each kind."""

from __future__ import annotations

from typing import Annotated, Any, Literal, cast, get_args

from pydantic import AfterValidator, Field, PlainValidator, ValidationInfo, WithJsonSchema, field_validator

from reverdict import own_checks
from reverdict.schema.tables.values import (
    Parameters,
    Table,
    Text,
    given,
    is_number,
    proven_parameters,
    proven_preset_name,
)
from reverdict.words import CHECK_TABLES


def _presets(tables: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    for name, values in tables.items():
        proven_preset_name(name)
        try:
            proven_parameters(values)
        except ValueError as error:
            raise ValueError(f"{name}.{error}") from None
    return tables


def _own_checks(reasons: dict[str, str]) -> dict[str, str]:
    for name, reason in reasons.items():
        if name not in (known := (*CHECK_TABLES, *own_checks.tables())):
            raise ValueError(f'"{name}" is not a check; the checks are {", ".join(known)}')
        if not reason.strip():
            raise ValueError(f"{name}: give a reason")
    return reasons


def _click_at(value: object) -> float | Literal["auto"]:
    if value == "auto":
        return "auto"
    if not is_number(value):
        raise ValueError(f'need seconds or "auto", got {given(value)}')
    seconds = float(cast(float, value))
    if seconds < 0:
        raise ValueError(f"need 0 s or later, got {seconds:g}")
    return seconds


def _accepted(accepted: bool) -> bool:
    if not accepted:
        raise ValueError(
            "a gate of this build plays into hardware by itself: use rated line outputs, never an opened amplifier "
            "(lethal voltages), and no headphones; read the cautions of reverdict capture, then write it as true"
        )
    return accepted


Channel = Annotated[int, Field(ge=1, le=256)]
ClickAt = Annotated[
    float | Literal["auto"],
    PlainValidator(_click_at),
    WithJsonSchema({"anyOf": [{"type": "number", "minimum": 0}, {"const": "auto"}]}),
]


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
