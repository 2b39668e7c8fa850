"""What rendering is given and what it hands back, as plain data: Build and Request in, Rendered or Failure out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.words import BuildIdentity, Response

Parameter: TypeAlias = "str | bool | int | float"


@dataclass(frozen=True)
class Limits:
    """What a build may use in one render. MB are of 2**20 bytes; 0 MB and 0 processes are no limit.

    seconds : float
        Of the wall clock.
    memory_mb : int
        Address space of each process, and resident memory of all of them together.
    file_mb : int
        Size of each file, and of all in the render's folder together. 1024 MB are half an hour of stereo float sound
        at 48 kHz, or a minute and a half of eight channels in double at 192 kHz.
    processes : int
        How many may run at once.
    """

    seconds: float = 60.0
    memory_mb: int = 4096
    file_mb: int = 1024
    processes: int = 256


@dataclass(frozen=True)
class Plugin:
    """A shared library or plug-in, and which one of those in it. Ready for JSON.

    file : str
        Path of the library, plug-in or bundle; where the standard has a search path, a name to search for, or empty.
    plugin : str
        Label, URI or identifier of one of several in it.
    preset : str
        Preset of its own to load before parameters are set; empty for its defaults.
    inputs, outputs : tuple of str
        Names of the audio ports that are used, in order; empty for the first ones.
    """

    file: str = ""
    plugin: str = ""
    preset: str = ""
    inputs: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()


@dataclass(frozen=True)
class TakeNotes:
    """What is known of a recording and has to be taken out of it.

    click_at_s : float or "auto"
        When the click stands in the file, seconds from its first sample, to the nearest one.
    latency_ms : float
        Of converters and drivers, beyond ``click_at_s``; taken out to the fraction of a sample.
    level_db : float
        Gain of the recording chain.
    clock_ppm : float
        How much faster than the nominal rate the recorder's clock ran.
    """

    click_at_s: float | Literal["auto"] = 0.0
    latency_ms: float = 0.0
    level_db: float = 0.0
    clock_ppm: float = 0.0


@dataclass(frozen=True)
class Loopback:
    """Where latency and clock of recordings are read from: what recorded the click itself.

    take : str
        Name of a file in the folder, without its suffix; empty where it is a channel of each take.
    channel : int or None
        Channel of each take (or of the loopback take), from 1; None is the only one of the loopback take.
    click_every_s : float or None
        Seconds of the player's from one click to the next; None where there is one, which tells no clock.
    """

    take: str = ""
    channel: int | None = None
    click_every_s: float | None = None


@dataclass(frozen=True)
class Interface:
    """How hardware is played and recorded; ``None`` is the system's default, channels count from 1.

    inputs : channels that hear the reverb, one per channel of the response.
    outputs : channels that play, one per input of the reverb.
    loopback : channel that hears the stimulus itself, or None.
    level_dbfs : the most that is played.
    """

    device: int | str | None
    output_device: int | str | None
    inputs: tuple[int, ...]
    outputs: tuple[int, ...]
    loopback: int | None
    level_dbfs: float
    stimulus: str
    sweep_s: float
    repeats: int


@dataclass(frozen=True)
class Build:
    """One build to judge, as its TOML describes it.

    identity : BuildIdentity
        Name, version, kind and commit.
    kind : str
        "recordings", "interface", "command", or one that has a host (``render.hosts.HOSTED``).
    folder : path
        Absolute folder of the TOML: where programs run, and what relative paths start from.
    argv : tuple of str
        Kind command: program and arguments, with placeholders (see ``render.command``).
    exchange : str
        Kind command: "wav" for sound files, "raw" for floats on standard input and output.
    object : str
        Kind python: ``module:object``.
    module_path : path or None
        Kind python: folder put first on the module search path; None is ``folder``.
    plugin : Plugin
        Kinds that load a library or plug-in.
    recordings_folder : path or None
        Kind recordings: folder of files named after the references.
    recordings_file : path or None
        Kind recordings: a single file instead of a folder.
    recordings_reference : str
        Reference that the single file stands for; empty is the one of its own name.
    notes : TakeNotes
        Kind recordings: of every file that has none of its own in ``takes``.
    takes : mapping
        Kind recordings: file, or reference, without suffix -> its notes.
    loopback : Loopback or None
        Kind recordings: what latency and clock are read from, instead of notes.
    cycles : path or None
        Kind recordings: log of a cycle counter (``cycle_log``).
    interface : Interface or None
        Kind interface: devices, channels, level and stimulus.
    prepare : tuple of str
        Program and arguments to run once before the first render; empty for none.
    parameters : mapping
        Override those of the reference.
    parameter_names : mapping
        What the reference's parameters are called by this build; an empty name for those it does not have.
    latency_samples : int
        Kind command: latency to take out, as a host would that knows it.
    presets : mapping
        Name -> parameters that override both the reference's and the build's, where a reference asks for the preset.
    baseline : path or None
        TOML of a build to hold cost against.
    stages : mapping
        Stage of the algorithm -> patterns of the functions that do it (``measure.stages``).
    not_asked : mapping
        Check name -> reason why this build is not asked it.
    source : path or None
        The TOML or the single recording itself, for messages; None where there is none.
    """

    identity: BuildIdentity
    kind: str
    folder: Path
    argv: tuple[str, ...] = ()
    exchange: Literal["wav", "raw"] = "wav"
    object: str = ""
    module_path: Path | None = None
    plugin: Plugin = field(default_factory=Plugin)
    recordings_folder: Path | None = None
    recordings_file: Path | None = None
    recordings_reference: str = ""
    notes: TakeNotes = field(default_factory=TakeNotes)
    takes: Mapping[str, TakeNotes] = field(default_factory=dict)
    loopback: Loopback | None = None
    cycles: Path | None = None
    interface: Interface | None = None
    prepare: tuple[str, ...] = ()
    parameters: Mapping[str, Parameter] = field(default_factory=dict)
    parameter_names: Mapping[str, str] = field(default_factory=dict)
    latency_samples: int = 0
    presets: Mapping[str, Mapping[str, Parameter]] = field(default_factory=dict)
    limits: Limits = field(default_factory=Limits)
    baseline: Path | None = None
    stages: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    not_asked: Mapping[str, str] = field(default_factory=dict)
    source: Path | None = None

    @property
    def place(self) -> Path:
        """What a message about this build points to."""
        return self.source or self.folder


@dataclass(frozen=True)
class Request:
    """One response asked of a build.

    reference : str
        Name of the golden reference; recordings are found by it.
    channels : str
        A key of ``words.PATHS``.
    seconds : float
        Length after the click.
    preroll_s : float
        Silence before the click, so that smoothed parameters have settled.
    level_dbfs : float
        Level of the click; responses are divided by it.
    parameters : mapping
        Passed to the build, overridden by the build's own.
    preset : str
        One of the build's presets; empty for none.
    """

    reference: str
    channels: str = "mono"
    rate_hz: int = 48000
    block_size: int = 512
    seconds: float = 3.0
    preroll_s: float = 0.5
    level_dbfs: float = -6.0
    parameters: Mapping[str, Parameter] = field(default_factory=dict)
    preset: str = ""

    @property
    def preroll_samples(self) -> int:
        return round(self.preroll_s * self.rate_hz)

    @property
    def response_samples(self) -> int:
        return round(self.seconds * self.rate_hz)

    @property
    def total_samples(self) -> int:
        return self.preroll_samples + self.response_samples

    @property
    def click_level(self) -> float:
        """Linear, rounded to the 32-bit float in which programs get it, so that every kind hears the same click."""
        return float(np.float32(10.0 ** (self.level_dbfs / 20.0)))

    @property
    def input_channels(self) -> int:
        return 2 if self.channels == "stereo-to-stereo" else 1

    @property
    def output_channels(self) -> int:
        return 1 if self.channels == "mono" else 2


@dataclass(frozen=True)
class Stimulus:
    """Sound to play to a fresh instance of a build, and what happens to it meanwhile.

    samples : ndarray, shape (channels in, samples)
    block_sizes : tuple of int
        Frames of each block, over and over; empty for blocks of the request's size. Needs a host.
    changes : tuple of (sample, name, value)
        What happens before a sample is played: a reset where the name is empty, else a parameter that moves. Needs a
        host.
    beside : ndarray or None
        What a second instance of the same process hears meanwhile, block by block in turns; of the same shape. Needs a
        host.
    beside_rate_hz : int or None
        The rate of that instance, where it has another.
    timed : bool
        Note the CPU time of every block. Needs a host.
    """

    samples: NDArray[Any]
    block_sizes: tuple[int, ...] = ()
    changes: tuple[tuple[int, str, Parameter], ...] = ()
    beside: NDArray[Any] | None = None
    beside_rate_hz: int | None = None
    timed: bool = False


@dataclass(frozen=True)
class Played:
    """What came back for a stimulus.

    samples : ndarray, shape (channels out, samples)
        With a host as many as went in, its latency taken out; of a program, what it wrote.
    latency_samples, latency_at_end : int or None
        What the build said of its own latency before the first block and after the last; None where it cannot say.
    can_reset, can_move : bool
        Whether a stimulus may have changes.
    cpu_s : ndarray, shape (2, blocks), or None
        Of a timed stimulus: sample at which each block ended, and its CPU seconds.
    program_cpu_s : float or None
        CPU seconds of a program from its start to its end.
    """

    samples: NDArray[Any]
    rate_hz: int
    latency_samples: int | None = None
    latency_at_end: int | None = None
    can_reset: bool = False
    can_move: bool = False
    cpu_s: NDArray[Any] | None = None
    program_cpu_s: float | None = None


@dataclass(frozen=True)
class Rendered:
    """A usable response, and what is worth knowing about how it came. ``reason`` is empty: nothing went wrong."""

    response: Response
    notes: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True)
class Failure:
    """The build crashed or gave unusable output, and ``reason`` says what happened, in plain words."""

    reason: str
    response: None = None
    notes: tuple[str, ...] = ()


Rendering: TypeAlias = "Rendered | Failure"


def parameters_of(build: Build, request: Request) -> dict[str, Parameter]:
    """The reference's parameters under the build's names for them, overridden by the build's own and its preset's."""
    preset = build.presets[request.preset] if request.preset else {}
    return named_for(build, request.parameters) | dict(build.parameters) | dict(preset)


def named_for(build: Build, parameters: Mapping[str, Parameter]) -> dict[str, Parameter]:
    """A reference's parameters under the names they have in a build; those that it does not have are left out."""
    names = {name: build.parameter_names.get(name, name) for name in parameters}
    return {names[name]: value for name, value in parameters.items() if names[name]}
