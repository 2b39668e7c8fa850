"""Kind ``command``: an argv list with placeholders, no shell; sound in files, or raw on standard input and output.

    {input}            WAV of 32-bit floats to read, one or two channels
    {output}           WAV or FLAC to write: as many samples as the input has
    {sample_rate}      Hz
    {block_size}       samples a block
    {input_channels}   1, or 2 for stereo to stereo
    {output_channels}  1 for mono, else 2
    {parameters.NAME}  a parameter; true and false for booleans
    {work}             a folder kept for this build during the run

A placeholder may stand anywhere in an argument. Other braces are left alone.

With ``exchange = "raw"`` there are no ``{input}`` and ``{output}``: the program reads interleaved little-endian 32-bit
floats from standard input to its end and writes the like to standard output. Both are files and no pipes: nothing
waits for anything, a program that never reads or never stops writing meets the same limits as any other, and what it
wrote is read in blocks however much it is. To the program they look like pipes in all but seeking, which streams do
not do: input ends where it ends, and whatever is written goes to the end, by whichever of its processes.

Raw sound has no header. Its channels and the text that a program may have printed into it are told from what does not
add up: a length that is not the input's, samples that are not finite or beyond ``NO_SOUND``.
"""

from __future__ import annotations

import mmap
import re
import shutil
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict import sound
from reverdict.errors import BadInput
from reverdict.render import child
from reverdict.render.build import Failure, Played, named_for, parameters_of
from reverdict.render.folders import build_folder, full_disk

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.render.build import Build, Parameter, Request
    from reverdict.render.child import Ended

PLACEHOLDER = re.compile(r"\{([A-Za-z_][\w.-]*)\}")
MOST_SAMPLES = 1 << 27
"""Of all channels together: a minute of eight at 192 kHz is 92 million, 0.7 GB in double precision."""

NO_SOUND = 1e9
"""A sample beyond this is none: letters read as floats are 1e15 and more."""

PRINTED = rb"[\t\x20-\x7e]"
TEXT = re.compile(rb"\A%b{4,200}|%b{24,200}|%b{4,200}[\r\n]*\Z" % (PRINTED, PRINTED, PRINTED))
WORD = re.compile(rb"[A-Za-z]{3}")
TOLD_CHARACTERS = 60


def play_command(
    build: Build, request: Request, samples: NDArray[Any], folder: Path, work_folder: Path
) -> Played | Failure:
    """Run the program on samples, shape (channels, samples). A latency that the TOML tells of is taken out.

    Raises
    ------
    BadInput
        A placeholder unknown, missing or out of place, or no such program.
    """
    latency = build.latency_samples
    heard = np.pad(samples, ((0, 0), (0, latency))) if latency else samples
    ended = run_program(build, request, heard, folder, work_folder)
    trouble = ended.trouble(build.limits)
    if not trouble and ended.left:
        trouble = (
            f"ended and left {_count(ended.left, 'process', 'processes')} running; it must wait for what it starts"
        )
    trouble = trouble or _no_output(output_file(build, folder), build)
    if trouble:
        return Failure(trouble + full_disk(folder))
    try:
        read = _raw_output if build.exchange == "raw" else _sound_output
        output = read(folder, request, heard.shape[1])
    except BadInput as error:
        return Failure(_in_seconds(error.problem, request.rate_hz) + full_disk(folder))
    if isinstance(output, Failure):
        return output
    return Played(output[0][:, latency:], output[1], latency or None, latency or None, program_cpu_s=ended.cpu_s)


def run_program(
    build: Build,
    request: Request,
    samples: NDArray[Any],
    folder: Path,
    work_folder: Path,
    core: int | None = None,
    watched_by: Sequence[str] = (),
) -> Ended:
    """Hand samples, shape (channels, samples), to the program and run it to its end. Raises BadInput as above.

    watched_by : a program that runs it, and its arguments, as for counting.
    """
    source, target = input_file(build, folder), output_file(build, folder)
    argv = [*watched_by, *command_line(build, request, source, target, work_folder)]
    own = {"TMPDIR": str(folder)}
    # Written anew each time: a build may change or delete its input.
    if build.exchange == "wav":
        sound.write_sound(source, samples, request.rate_hz)
        return child.run(argv, build.folder, build.limits, own, core)
    sound.write_floats(source, samples)
    with source.open("rb") as heard, _fresh(target) as said:
        return child.run(argv, build.folder, build.limits, own, core, streams=(heard.fileno(), said.fileno()))


def input_file(build: Build, folder: Path) -> Path:
    """Where the program's input is written."""
    return folder / ("input.f32" if build.exchange == "raw" else "input.wav")


def output_file(build: Build, folder: Path) -> Path:
    """Where the program's output comes to lie."""
    return folder / ("output.f32" if build.exchange == "raw" else "output.wav")


def command_line(build: Build, request: Request, source: Path, target: Path, work_folder: Path) -> list[str]:
    """The build's argv with every placeholder filled in and its program looked up."""
    files = {"input": str(source), "output": str(target)}
    for name in files:
        named = any(f"{{{name}}}" in argument for argument in build.argv)
        if build.exchange == "wav" and not named:
            slip = f"no {{{name}}}, so the program cannot know its {name} file"
            raise BadInput(build.place, f'build.argv: {slip}; exchange = "raw" if it streams')
        if build.exchange == "raw" and named:
            slip = f'{{{name}}} with exchange = "raw", where sound goes by standard input and output'
            raise BadInput(build.place, f"build.argv: {slip}; leave one of them out")
    values: dict[str, Parameter] = {
        **(files if build.exchange == "wav" else {}),
        "sample_rate": request.rate_hz,
        "block_size": request.block_size,
        "input_channels": request.input_channels,
        "output_channels": request.output_channels,
        "work": str(build_folder(build, work_folder)),
    }
    values |= {f"parameters.{name}": value for name, value in parameters_of(build, request).items()}
    argv = filled(build.argv, values, build, "build.argv")
    require_program(argv[0], build, "build.argv")
    return argv


def parameters_missing(build: Build, given: Mapping[str, Parameter]) -> list[str]:
    """Names of the parameters that ``argv`` asks for, and that neither ``given`` nor the build itself says."""
    asked = [name for argument in build.argv for name in re.findall(r"\{parameters\.([\w.-]+)\}", argument)]
    return [name for name in dict.fromkeys(asked) if name not in {**named_for(build, given), **build.parameters}]


def filled(argv: Sequence[str], values: Mapping[str, Parameter], build: Build, key: str) -> list[str]:
    """Fill in placeholders. Raises BadInput that names an unknown one and lists the known ones."""

    def value_of(match: re.Match[str]) -> str:
        if match[1] not in values:
            known = ", ".join(f"{{{name}}}" for name in values)
            raise BadInput(build.place, f"{key}: unknown placeholder {match[0]}, known are {known}")
        value = values[match[1]]
        return str(value).lower() if isinstance(value, bool) else str(value)

    return [PLACEHOLDER.sub(value_of, argument) for argument in argv]


def require_program(program: str, build: Build, key: str) -> None:
    """Raise BadInput when there is no such program. A name with a slash counts from the build's folder."""
    path = str(build.folder / program) if "/" in program else program
    if shutil.which(path):
        return
    exists = "/" in program and (build.folder / program).is_file()
    slip = "is not executable; chmod +x?" if exists else "no such program; is it built, and its name right?"
    raise BadInput(build.place, f"{key}: {program}: {slip}")


def _fresh(target: Path) -> Any:
    """An empty file to be appended to."""
    target.unlink(missing_ok=True)
    return target.open("ab", buffering=0)


def _no_output(target: Path, build: Build) -> str:
    """Why there is no output file to read; empty where there is one. Links are not followed: they may lead anywhere."""
    if target.is_symlink():
        return "left a symbolic link in place of its output file"
    if target.is_dir():
        return "left a folder in place of its output file"
    if target.exists() and not target.is_file():
        return "left a pipe or a device in place of its output file"
    if not target.parent.is_dir():
        return "removed the folder of its output file"
    if not target.exists():
        return (
            "removed the file that its standard output goes to" if build.exchange == "raw" else "wrote no output file"
        )
    return ""


def _sound_output(folder: Path, request: Request, asked: int) -> tuple[NDArray[Any], int] | Failure:
    target = folder / "output.wav"
    extent = sound.extent_of(target)
    if extent.channels * extent.frames > _most_samples(request, asked):
        lasts = f"{_count(extent.channels, 'channel', 'channels')} of {extent.frames / extent.rate_hz:.0f} s"
        return Failure(f"output is said to hold {lasts}, asked for {asked / request.rate_hz:.2f} s")
    return sound.read_sound(target)


def _raw_output(folder: Path, request: Request, asked: int) -> tuple[NDArray[Any], int] | Failure:
    target = folder / "output.f32"
    size, channels = target.stat().st_size, request.output_channels
    if size == 0:
        return Failure("wrote nothing to standard output")
    samples, rest = divmod(size, 4)
    other_channels = not rest and samples != channels * asked and samples % asked == 0 and samples // asked <= 8
    if size != 4 * channels * asked and not other_channels and (text := _text_in(target)):
        return Failure(_holds_text(text))
    if rest or samples % channels:
        frames = f"of {channels} floats, 4 bytes each" if channels > 1 else "of 4 bytes"
        return Failure(f"standard output holds {size} bytes, which are no whole frames {frames}")
    if samples > _most_samples(request, asked):
        lasts = f"{samples // channels / request.rate_hz:.0f} s, asked for {asked / request.rate_hz:.2f} s"
        return Failure(f"standard output holds {lasts}")
    if other_channels:
        # One channel where two are asked for, or two for one: nothing else would tell.
        held = _count(samples // asked, "channel", "channels")
        return Failure(f"standard output holds as many samples as {held} would, needs {channels}")
    try:
        output = sound.read_floats(target, channels)
    except BadInput:
        if text := _text_in(target):
            return Failure(_holds_text(text))
        raise
    if max(output.max(), -output.min()) > NO_SOUND and (text := _text_in(target)):
        return Failure(_holds_text(text))
    return output, request.rate_hz


def _most_samples(request: Request, asked: int) -> int:
    """Beyond this an output is not read: twice what was asked, or much in any case."""
    return max(MOST_SAMPLES, 2 * request.output_channels * asked)


def _text_in(file: Path) -> str:
    """Text that stands at the beginning or the end of a file of floats, or is long enough to be no chance."""
    with file.open("rb") as opened:
        held = mmap.mmap(opened.fileno(), 0, access=mmap.ACCESS_READ)
    texts = (match[0] for match in TEXT.finditer(held))
    return next((text.decode("ascii").strip() for text in texts if WORD.search(text)), "")


def _holds_text(text: str) -> str:
    short = text if len(text) <= TOLD_CHARACTERS else text[:TOLD_CHARACTERS] + "…"
    return f"standard output holds text: '{short}'; log to standard error"


def _count(number: int, one: str, several: str) -> str:
    return f"{number} {one if number == 1 else several}"


def _in_seconds(problem: str, rate_hz: int) -> str:
    """The first bad sample is easier to find in seconds."""
    found = re.search(r"first at sample (\d+)$", problem)
    return f"{problem} ({int(found[1]) / rate_hz:.3f} s)" if found else f"output: {problem}"
