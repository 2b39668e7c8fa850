"""Kind ``interface``: hardware, played and recorded through a sound interface by ``capture.worker`` in a child process.

One capture for each input of the request; parallel workers of one run take turns at the device. The response begins at
the click and answers one of full scale.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.render import child
from reverdict.render.build import Failure
from reverdict.render.folders import build_folder, render_folder
from reverdict.render.hosted import worker_argv, worker_environment
from reverdict.render.preparing import only_one
from reverdict.render.recordings import Take
from reverdict.words import INPUTS

if TYPE_CHECKING:
    from pathlib import Path

    from reverdict.render.build import Build, Request

WORKER = "reverdict.capture.worker"


def capture_takes(build: Build, request: Request, work_folder: Path) -> list[Take] | Failure:
    """Capture the response of each input of the request, or say why there is none."""
    takes: list[Take] = []
    interface = build.interface
    assert interface is not None
    names = INPUTS[request.channels]
    for wanted, has, what in (
        (len(names), len(interface.outputs), "output_channels"),
        (request.output_channels, len(interface.inputs), "input_channels"),
    ):
        if wanted != has:
            return Failure(f"build.{what} names {has}, but {request.channels} needs {wanted}")
    for name, output in zip(names, interface.outputs, strict=True):
        with only_one(build_folder(build, work_folder) / ".capturing"):
            take = _capture(build, asdict(interface) | {"output": output}, request, work_folder)
        if isinstance(take, Failure):
            return Failure(f"{name} input: {take.reason}" if len(names) > 1 else take.reason)
        takes.append(take)
    return takes


def _capture(build: Build, asked: dict[str, Any], request: Request, work_folder: Path) -> Take | Failure:
    with render_folder(build, work_folder) as folder:
        files = {"output": folder / "output.npy", "told": folder / "told.json", "failure": folder / "failure.txt"}
        job = {
            **asked,
            "files": {key: str(path) for key, path in files.items()},
            "rate_hz": request.rate_hz,
            "seconds": request.seconds,
            "limit_s": build.limits.seconds,
        }
        described = folder / "job.json"
        described.write_text(json.dumps(job), encoding="utf-8")
        environment = worker_environment(folder, build_folder(build, work_folder))
        ended = child.run(worker_argv(described, WORKER), build.folder, build.limits, environment)
        if ended.status == 1 and files["failure"].is_file():
            return Failure(files["failure"].read_text(encoding="utf-8"))
        if trouble := ended.trouble(build.limits):
            return Failure(trouble)
        if not files["told"].is_file():
            return Failure("ended before it handed on its response")
        told = tuple(json.loads(files["told"].read_text(encoding="utf-8")))
        return Take(np.load(files["output"], allow_pickle=False), request.rate_hz, told)
