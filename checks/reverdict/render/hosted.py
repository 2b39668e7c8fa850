"""Builds that have a host (``render.hosts``): a worker in a child process opens them and plays to them."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.errors import BadInput
from reverdict.render import child
from reverdict.render.build import Failure, Played, parameters_of
from reverdict.render.command import filled
from reverdict.render.folders import build_folder, full_disk, render_folder
from reverdict.render.worker import FAILED, SLIPPED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reverdict.render.build import Build, Request, Stimulus
    from reverdict.render.child import Ended

START = "import sys; sys.path[0:1] = []; sys.path.append({root!r}); from {module} import main; main()"


def play_hosted(
    build: Build, request: Request, stimuli: Sequence[Stimulus], work_folder: Path
) -> list[Played | Failure]:
    """Play each stimulus to a fresh instance, one after another in one process.

    What ends that process costs the stimulus that ended it; those after it get another process.

    Raises
    ------
    BadInput
        The TOML asks for something that is not there.
    """
    require_host(build)
    results: list[Played | Failure] = []
    while len(results) < len(stimuli):
        with render_folder(build, work_folder) as folder:
            results += _play_some(build, request, stimuli[len(results) :], folder, work_folder)
    return results


def _play_some(
    build: Build, request: Request, stimuli: Sequence[Stimulus], folder: Path, work_folder: Path
) -> list[Played | Failure]:
    """As many as one process survives, and the reason of the one that it did not: at least one of the two."""
    takes = [_describe_take(stimulus, request, folder, number) for number, stimulus in enumerate(stimuli)]
    largest = max(request.block_size, *(size for take in takes for size in take["block_sizes"]))
    job = describe_job(build, request, folder, work_folder) | {"takes": takes, "block_size": largest}
    described = folder / "job.json"
    described.write_text(json.dumps(job), encoding="utf-8")
    environment = worker_environment(folder, build_folder(build, work_folder))
    ended = child.run(worker_argv(described), build.folder, build.limits, environment)
    played: list[Played | Failure] = []
    for take in takes:
        if not Path(take["told"]).is_file():
            break
        played.append(_read(take, request))
    if trouble := worker_trouble(ended, build, folder):
        if len(played) == len(takes):  # it ended badly once all was played, which the last one has to answer for
            played.pop()
        played.append(Failure(trouble))
    elif len(played) < len(takes):
        played.append(Failure("ended before it handed on its output"))
    return played


def _describe_take(stimulus: Stimulus, request: Request, folder: Path, number: int) -> dict[str, Any]:
    names = {name: str(folder / f"{name}-{number}.npy") for name in ("input", "output", "cpu_s")}
    np.save(names["input"], stimulus.samples)
    take: dict[str, Any] = {
        **names,
        "told": str(folder / f"told-{number}.json"),
        "block_sizes": list(stimulus.block_sizes) or [request.block_size],
        "changes": [list(one) for one in stimulus.changes],
        "timed": stimulus.timed,
    }
    if stimulus.beside is not None:
        take["beside"] = str(folder / f"beside-{number}.npy")
        np.save(take["beside"], stimulus.beside)
        take["beside_rate"] = stimulus.beside_rate_hz or request.rate_hz
    return take


def _read(take: dict[str, Any], request: Request) -> Played:
    told = json.loads(Path(take["told"]).read_text(encoding="utf-8"))
    cpu_s = np.load(take["cpu_s"]) if take["timed"] else None
    # Mapped, then read once: the file goes when the folder does.
    samples = np.array(np.load(take["output"], mmap_mode="r", allow_pickle=False))
    return Played(samples, request.rate_hz, cpu_s=cpu_s, **told)


def describe_job(build: Build, request: Request, folder: Path, work_folder: Path) -> dict[str, Any]:
    """What every job says; ``failure`` is the file in which the worker explains itself."""
    return {
        "kind": build.kind,
        "object": build.object,
        "module_path": str(build.module_path or build.folder),
        **asdict(build.plugin) | {"file": _file_of(build, work_folder)},
        "sample_rate": request.rate_hz,
        "block_size": request.block_size,
        "parameters": parameters_of(build, request),
        "input_channels": request.input_channels,
        "output_channels": request.output_channels,
        "failure": str(folder / "failure.txt"),
    }


def _file_of(build: Build, work_folder: Path) -> str:
    """The library or plug-in: beside the TOML where it is there, else as written, for a host to search for."""
    (named,) = filled([build.plugin.file], {"work": str(build_folder(build, work_folder))}, build, "build.file")
    beside = build.folder / named
    return str(beside) if "/" in named or (named and beside.exists()) else named


def worker_argv(job: Path, module: str = "reverdict.render.worker") -> list[str]:
    """Program and arguments of a worker, whose module has a main().

    The working folder stays off its search path: it may hold a random.py. No bytecode is written: a file changed twice
    within a second would be taken for the old one.
    """
    root = str(Path(__file__).resolve().parents[2])
    return [sys.executable, "-B", "-c", START.format(root=root, module=module), str(job)]


def worker_environment(folder: Path, kept: Path) -> dict[str, str]:
    """Temporary files go where they are removed; ``REVERDICT_WORK`` is ``{work}`` of the TOML.

    One thread in numerical libraries: sums then come out in the same order everywhere, and idle threads cost nothing.
    """
    threads = {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL", "VECLIB_MAXIMUM")}
    return {"TMPDIR": str(folder), "REVERDICT_WORK": str(kept), **threads}


def require_host(build: Build) -> None:
    """Raise BadInput for slips of the TOML that show before anything runs."""
    if build.kind != "python":
        return
    module_name, colon, object_name = build.object.partition(":")
    if not (module_name and colon and object_name):
        raise BadInput(build.place, f'build.object: "{build.object}" is not of the form module:object')
    if build.module_path and not build.module_path.is_dir():
        raise BadInput(build.place, f"build.path: {build.module_path}: no such folder")


def worker_trouble(ended: Ended, build: Build, folder: Path) -> str:
    """Why the worker failed: in its own words where it could still say so. Empty when it ended well.

    Raises BadInput where the TOML asks for something that is not there.
    """
    explained = folder / "failure.txt"
    if ended.status in (FAILED, SLIPPED) and explained.is_file():
        reason = explained.read_text(encoding="utf-8", errors="replace")
        if ended.status == SLIPPED:
            raise BadInput(build.place, reason)
        return child.out_of_memory(build.limits) if child.OUT_OF_MEMORY.search(reason) else reason
    trouble = ended.trouble(build.limits)
    return trouble and trouble + full_disk(folder)
