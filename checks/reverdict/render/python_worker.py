"""The child process that runs a ``python`` build: imports its object, makes a processor and feeds it blocks.

The job is a JSON file; the output and the reason of a failure are files too, so nothing that the build prints can be
mistaken for a result. ``module:object`` is called once as ``object(sample_rate=48000, **parameters)`` and returns a
processor with ``process(block) -> block``: float64 ndarray, shape (channels in, frames) in and (channels out, frames)
out, frames at most the block size. State lives in the processor.

Two kinds of job: ``render`` turns an input file into an output file; ``time`` stays and answers, on two pipes, how
many CPU seconds a number of samples of noise took.
"""

from __future__ import annotations

import contextlib
import difflib
import gc
import importlib.util
import json
import operator
import os
import sys
import time
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from reverdict.render.build import Build, Request

NOISE_RMS = 0.1
"""-20 dBFS."""

NOISE_SEED = 1
NO_SUCH_OBJECT = 3
"""Exit status where ``module:object`` is not there: a slip in the TOML. With 1 the build itself fails."""

START = "import sys; sys.path[0:1] = []; sys.path.append({root!r}); from {module} import main; main()"


class BuildError(Exception):
    """The build cannot be run; the message says why."""


class NoSuchObject(BuildError):
    """The TOML names a module or an object that is not there."""


def worker_argv(job: Path) -> list[str]:
    """Program and arguments of a worker. The working folder stays off its search path: it may hold a random.py.

    No bytecode is written: a file changed twice within a second would be taken for the old one.
    """
    root = str(Path(__file__).resolve().parents[2])
    return [sys.executable, "-B", "-c", START.format(root=root, module="reverdict.render.python_worker"), str(job)]


def worker_environment(folder: Path, kept: Path) -> dict[str, str]:
    """Temporary files go where they are removed; ``REVERDICT_WORK`` is ``{work}`` of the TOML.

    One thread in numerical libraries: sums then come out in the same order everywhere, and idle threads cost nothing.
    """
    threads = {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL", "VECLIB_MAXIMUM")}
    return {"TMPDIR": str(folder), "REVERDICT_WORK": str(kept), **threads}


def describe_job(build: Build, request: Request, parameters: dict[str, Any], folder: Path) -> dict[str, Any]:
    """What every job says; ``failure`` is the file in which the worker explains itself."""
    return {
        "object": build.object,
        "module_path": str(build.module_path or build.folder),
        "sample_rate": request.rate_hz,
        "block_size": request.block_size,
        "parameters": parameters,
        "input_channels": request.input_channels,
        "failure": str(folder / "failure.txt"),
    }


def main() -> None:
    """Do the job named by the last argument and end at once: the build's own threads may still be running."""
    job = json.loads(Path(sys.argv[-1]).read_text(encoding="utf-8"))
    try:
        if "output" in job:
            render(job)
        else:
            answer_timings(job)
    except BuildError as refusal:
        Path(job["failure"]).write_text(str(refusal)[:1000], encoding="utf-8")
        os._exit(NO_SUCH_OBJECT if isinstance(refusal, NoSuchObject) else 1)
    os._exit(0)


def render(job: dict[str, Any]) -> None:
    """Process the input file, shape (channels, samples), block by block into the output file."""
    click = np.load(job["input"])
    processor = make_processor(job)
    output: NDArray[Any] | None = None
    for start in range(0, click.shape[1], job["block_size"]):
        block = click[:, start : start + job["block_size"]].copy()
        frames = block.shape[1]
        with blaming("process() failed"):
            returned = np.asarray(processor.process(block))
        require_block(returned, frames, None if output is None else output.shape[0])
        if output is None:
            output = np.zeros((returned.shape[0], click.shape[1]))
        output[:, start : start + frames] = returned
    np.save(job["output"], output if output is not None else click)


def make_processor(job: dict[str, Any]) -> Any:
    """Import the object and call it. Raises BuildError."""
    module_name, _, object_name = job["object"].partition(":")
    sys.path.insert(0, job["module_path"])
    with blaming(f"cannot import {module_name}"):
        require_module(module_name, job["module_path"])
        module = importlib.import_module(module_name)
    try:
        maker = operator.attrgetter(object_name)(module)
    except AttributeError:
        slip = did_you_mean(object_name, vars(module))
        raise NoSuchObject(f"module {module_name} has no {object_name}{slip}") from None
    given = ", ".join(["sample_rate", *job["parameters"]])
    with blaming(f"cannot make {object_name}({given})"):
        return maker(sample_rate=job["sample_rate"], **job["parameters"])


def require_module(name: str, folder: str) -> None:
    """Raise NoSuchObject unless there is a module of this name. What fails inside it is not looked at."""
    top = name.partition(".")[0]
    if importlib.util.find_spec(top) is None:
        modules = [path.stem for path in Path(folder).iterdir() if path.suffix == ".py" or path.is_dir()]
        raise NoSuchObject(f"no module {top} in {folder}{did_you_mean(top, modules)}")


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """The nearest name, to be put behind a complaint; empty where none is near."""
    near = difflib.get_close_matches(name, known, 1)
    return f"; did you mean {near[0]}?" if near else ""


def require_block(returned: NDArray[Any], frames: int, channels: int | None) -> None:
    """Raise BuildError unless a block has the right shape and holds real numbers."""
    if returned.dtype.kind not in "fiu":
        raise BuildError(f"process() returned {returned.dtype} values, needs real numbers")
    if returned.ndim != 2 or returned.shape[1] != frames:
        raise BuildError(f"process() returned shape {returned.shape}, needs (channels, {frames})")
    if channels is not None and returned.shape[0] != channels:
        raise BuildError(f"process() returned {returned.shape[0]} channels after {channels} before")


def answer_timings(job: dict[str, Any]) -> None:
    """Read a number of samples a line, process that much noise, answer "samples CPU-seconds"; until told no more."""
    for pipe in (job["questions"], job["answers"]):
        os.set_inheritable(pipe, False)
    processor = make_processor(job)
    block_size = job["block_size"]
    noise = np.random.default_rng(NOISE_SEED).normal(
        0.0, NOISE_RMS, (max(1, job["sample_rate"] // block_size), job["input_channels"], block_size)
    )
    # From here on only what the build itself leaves behind has to be searched for garbage.
    gc.collect()
    gc.freeze()
    with os.fdopen(job["questions"], encoding="ascii") as questions:
        for line in questions:
            blocks = -(-int(line) // block_size)
            gc.collect()
            with blaming("process() failed"):
                cpu_s = time_blocks(processor, noise, blocks)
            os.write(job["answers"], f"{blocks * block_size} {cpu_s!r}\n".encode())


def time_blocks(processor: Any, noise: NDArray[Any], blocks: int) -> float:
    """CPU seconds of this process for a number of blocks. A build may write into its input, so it gets copies."""
    started = time.process_time()
    for number in range(blocks):
        processor.process(noise[number % noise.shape[0]].copy())
    return time.process_time() - started


@contextlib.contextmanager
def blaming(doing: str) -> Iterator[None]:
    """Turn whatever the build raises, even an exit, into BuildError: the last line of its traceback, and where."""
    try:
        yield
    except NoSuchObject:
        raise
    except BaseException as error:
        last_line = " ".join(traceback.format_exception_only(error)[-1].split())
        raise BuildError(f"{doing}: {last_line}{_where(error)}") from None


def _where(error: BaseException) -> str:
    """The last line of somebody's file that led here: not ours, not the import machinery's."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = (__file__, importlib.__file__)
    theirs = [frame for frame in frames if frame.filename not in ours and not frame.filename.startswith("<")]
    if isinstance(error, SyntaxError) and error.filename:
        return f" ({Path(error.filename).name}, line {error.lineno})"
    return f" ({Path(theirs[-1].filename).name}, line {theirs[-1].lineno})" if theirs else ""
