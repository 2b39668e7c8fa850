"""What rendering is given and what it hands back, as plain data: Build and Request in, Rendered or Failure out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

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
class Build:
    """One build to judge, as its TOML describes it.

    identity : BuildIdentity
        Name, version, kind and commit.
    kind : str
        "recordings", "command" or "python".
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
    recordings_folder : path or None
        Kind recordings: folder of files named after the references.
    recordings_file : path or None
        Kind recordings: a single file instead of a folder.
    recordings_reference : str
        Reference that the single file stands for; empty is the one of its own name.
    click_at_s : float or "auto"
        Kind recordings: when the click stands in the files, seconds from their first sample.
    prepare : tuple of str
        Program and arguments to run once before the first render; empty for none.
    parameters : mapping
        Override those of the reference.
    baseline : path or None
        TOML of a build to time cost against.
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
    recordings_folder: Path | None = None
    recordings_file: Path | None = None
    recordings_reference: str = ""
    click_at_s: float | Literal["auto"] = 0.0
    prepare: tuple[str, ...] = ()
    parameters: Mapping[str, Parameter] = field(default_factory=dict)
    limits: Limits = field(default_factory=Limits)
    baseline: Path | None = None
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
    """

    reference: str
    channels: str = "mono"
    rate_hz: int = 48000
    block_size: int = 512
    seconds: float = 3.0
    preroll_s: float = 0.5
    level_dbfs: float = -6.0
    parameters: Mapping[str, Parameter] = field(default_factory=dict)

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
    """The reference's parameters, overridden by the build's own."""
    return {**request.parameters, **build.parameters}
