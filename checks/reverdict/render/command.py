"""Kind ``command``: an argv list with placeholders, sound files in and out, no shell.

    {input}            WAV of 32-bit floats to read, one or two channels
    {output}           WAV or FLAC to write: as many samples as the input has
    {sample_rate}      Hz
    {block_size}       samples a block
    {parameters.NAME}  a parameter; true and false for booleans
    {work}             a folder kept for this build during the run

A placeholder may stand anywhere in an argument. Other braces are left alone.
"""

from __future__ import annotations

import re
import shutil
from typing import TYPE_CHECKING, Any

from reverdict import sound
from reverdict.errors import BadInput
from reverdict.render import child
from reverdict.render.build import Failure, named_for, parameters_of
from reverdict.render.folders import build_folder

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.render.build import Build, Parameter, Request

PLACEHOLDER = re.compile(r"\{([A-Za-z_][\w.-]*)\}")


def run_command(
    build: Build, request: Request, click: NDArray[Any], folder: Path, work_folder: Path
) -> tuple[NDArray[Any], int] | Failure:
    """Render one input. Returns samples, shape (channels, samples), and the rate of the file, or a Failure.

    Raises
    ------
    BadInput
        An unknown placeholder, ``{input}`` or ``{output}`` missing, or no such program.
    """
    source, target = folder / "input.wav", folder / "output.wav"
    argv = command_line(build, request, source, target, work_folder)
    sound.write_sound(source, click, request.rate_hz)
    ended = child.run(argv, build.folder, build.limits, {"TMPDIR": str(folder)})
    if trouble := ended.trouble(build.limits):
        return Failure(trouble)
    if not target.is_file():
        return Failure("wrote no output file")
    try:
        return sound.read_sound(target)
    except BadInput as error:
        return Failure(_in_seconds(error.problem, request.rate_hz))


def command_line(build: Build, request: Request, source: Path, target: Path, work_folder: Path) -> list[str]:
    """The build's argv with every placeholder filled in and its program looked up."""
    for needed in ("{input}", "{output}"):
        if not any(needed in argument for argument in build.argv):
            raise BadInput(build.place, f"build.argv: no {needed}, so the program cannot know its {needed[1:-1]} file")
    values: dict[str, Parameter] = {
        "input": str(source),
        "output": str(target),
        "sample_rate": request.rate_hz,
        "block_size": request.block_size,
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


def _in_seconds(problem: str, rate_hz: int) -> str:
    """The first bad sample is easier to find in seconds."""
    found = re.search(r"first at sample (\d+)$", problem)
    return f"{problem} ({int(found[1]) / rate_hz:.3f} s)" if found else f"output: {problem}"
