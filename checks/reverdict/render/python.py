"""Kind ``python``: a processor object that a worker in a child process feeds block by block."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.errors import BadInput
from reverdict.render import child
from reverdict.render.build import Failure, parameters_of
from reverdict.render.folders import build_folder
from reverdict.render.python_worker import NO_SUCH_OBJECT, describe_job, worker_argv, worker_environment

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.render.build import Build, Request
    from reverdict.render.child import Ended


def run_python(
    build: Build, request: Request, click: NDArray[Any], folder: Path, work_folder: Path
) -> tuple[NDArray[Any], int] | Failure:
    """Render one input. Returns samples, shape (channels, samples), and the rate that was asked, or a Failure."""
    require_object(build)
    job = describe_job(build, request, parameters_of(build, request), folder)
    job |= {"input": str(folder / "input.npy"), "output": str(folder / "output.npy")}
    np.save(job["input"], click)
    described = folder / "job.json"
    described.write_text(json.dumps(job), encoding="utf-8")
    environment = worker_environment(folder, build_folder(build, work_folder))
    ended = child.run(worker_argv(described), build.folder, build.limits, environment)
    if trouble := worker_trouble(ended, build, folder):
        return Failure(trouble)
    output = folder / "output.npy"
    if not output.is_file():
        return Failure("ended before it handed on its output")
    return np.load(output, allow_pickle=False), request.rate_hz


def require_object(build: Build) -> None:
    """Raise BadInput unless the TOML names an object and a folder to find it in."""
    module_name, colon, object_name = build.object.partition(":")
    if not (module_name and colon and object_name):
        raise BadInput(build.place, f'build.object: "{build.object}" is not of the form module:object')
    if build.module_path and not build.module_path.is_dir():
        raise BadInput(build.place, f"build.path: {build.module_path}: no such folder")


def worker_trouble(ended: Ended, build: Build, folder: Path) -> str:
    """Why the worker failed: in its own words where it could still say so. Empty when it ended well.

    Raises BadInput where the TOML names an object that is not there.
    """
    explained = folder / "failure.txt"
    if ended.status in (1, NO_SUCH_OBJECT) and explained.is_file():
        reason = explained.read_text(encoding="utf-8", errors="replace")
        if ended.status == NO_SUCH_OBJECT:
            raise BadInput(build.place, f"build.object: {reason}")
        return child.out_of_memory(build.limits) if child.OUT_OF_MEMORY.search(reason) else reason
    return ended.trouble(build.limits)
