"""One reference judged on a worker of a cluster, by the code that judges it at home; what came of it goes back as text.

Each worker keeps a folder for each run, within the folder that the engine has given it and takes away with it: the
build's files, which a run lays out once, and what ``build.prepare`` made of them. A worker judges one reference at a
time, whatever number of threads it has.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict import __version__, parts
from reverdict.cluster.packing import BUILD, GOLDEN, goes_with_references, settled
from reverdict.errors import BadInput
from reverdict.measure.version import ANALYSIS_VERSION
from reverdict.render.folders import remove

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from reverdict.cluster.packing import Packed
    from reverdict.reference import Reference
    from reverdict.render import Build

ONE_AT_A_TIME = threading.Lock()
FORGOTTEN: set[str] = set()
"""Runs that have ended."""

WORK, TASK = "work", "task-"


@dataclass(frozen=True)
class Task:
    """What is to be judged.

    run : names the run.
    build : as it stands at home. golden_folder : at home.
    checks : those to put. versions : of what judges, see ``versions_of``.
    pictures : whether pages will draw it. responses : whether golden and candidate are to come back, too.
    """

    run: str
    reference: str
    build: Build
    golden_folder: Path
    checks: Sequence[str]
    versions: Mapping[str, str]
    pictures: bool
    responses: bool


@dataclass(frozen=True)
class Judged:
    """What came of it: files for the folder of parts and for that of responses. ``worker`` is where."""

    worker: str
    parts: Mapping[str, str]
    responses: Mapping[str, bytes]


def versions_of(reference: Reference) -> dict[str, str]:
    """What a reference is judged by: the suite, its analysis, and packages that bring checks it asks for."""
    brought = {table: own.check.package for table, own in reference.own.items()}
    return {"reverdict": __version__, "analysis": str(ANALYSIS_VERSION), **brought}


def judge(task: Task, build: Packed, reference: Packed) -> Judged:
    """Judge a reference. What kept a check from being judged comes back, too, as trouble."""
    from distributed import get_worker

    here = get_worker()
    with ONE_AT_A_TIME:
        kept = _kept(_folder_of(task.run, here), build)
        folder = Path(tempfile.mkdtemp(prefix=TASK, dir=kept))
        try:
            told, sounds = _judged(task, reference, kept, folder)
            return Judged(
                here.address,
                {file.name: _at_home(file.read_text(encoding="utf-8"), task, kept, folder) for file in told.iterdir()},
                {file.name: file.read_bytes() for file in sounds.iterdir()},
            )
        finally:
            remove(kept if task.run in FORGOTTEN else folder)


def forget(run: str, dask_worker: Any) -> None:
    """Remove what this worker keeps of a run: now, or when it has ended what it is at."""
    FORGOTTEN.add(run)
    if ONE_AT_A_TIME.acquire(blocking=False):
        try:
            remove(_folder_of(run, dask_worker))
        finally:
            ONE_AT_A_TIME.release()


def _folder_of(run: str, engine: Any) -> Path:
    return Path(engine.local_directory) / f"reverdict-{run}"


def _kept(folder: Path, build: Packed) -> Path:
    """The folder of a run, with the build in it and room for what it prepares; made where it is not there yet."""
    if not folder.exists():
        beside = folder.with_name(f"{folder.name}.new")
        (beside / WORK).mkdir(parents=True, exist_ok=True)
        build.lay_out(beside)
        beside.replace(folder)
    return folder


def _judged(task: Task, reference: Packed, kept: Path, folder: Path) -> tuple[Path, Path]:
    """Folders of parts and of responses, filled."""
    from reverdict import golden_set
    from reverdict.cells import checks_in
    from reverdict.items import judge_and_hand_on
    from reverdict.pytest_plugin import PREPARE_LOG
    from reverdict.render import prepare_log
    from reverdict.trial import trials_of

    told, sounds = folder / "parts", folder / "responses"
    for one in (told, sounds, folder / BUILD):
        one.mkdir()
    try:
        _require_same(task.versions, {"reverdict": __version__, "analysis": str(ANALYSIS_VERSION)})
        reference.lay_out(folder)
        (golden,) = golden_set.load(folder / GOLDEN)
        _require_same(task.versions, versions_of(golden.reference))
        build = settled(task.build, (folder if goes_with_references(task.build) else kept) / BUILD)
        trials = trials_of(golden, build, kept / WORK)
    except Exception as error:
        parts.write_trouble(told, task.reference, error)
        return told, sounds
    for number, trial in enumerate(trials):
        for check in task.checks:
            if check in checks_in(golden.reference, trial.cell):
                with contextlib.suppress(
                    Exception
                ):  # it is among the parts, and other checks have trouble of their own
                    judge_and_hand_on(
                        trial, check, number, told, pictures=task.pictures, responses=sounds if task.responses else None
                    )
    if (log := prepare_log(build, kept / WORK)).exists():
        shutil.copyfile(log, told / PREPARE_LOG)
    return told, sounds


def _require_same(asked: Mapping[str, str], here: Mapping[str, str]) -> None:
    """Raise BadInput where a worker would judge by other code than home does."""
    for what, version in here.items():
        if version != asked.get(what):
            raise BadInput(what, f"{version} there, {asked.get(what)} here; install the same on every worker")


def _at_home(text: str, task: Task, kept: Path, folder: Path) -> str:
    """JSON with paths as they are at home."""
    for there, home in (
        (folder / BUILD, task.build.folder), (kept / BUILD, task.build.folder), (folder / GOLDEN, task.golden_folder)
    ):  # fmt: skip
        text = text.replace(json.dumps(str(there))[1:-1], json.dumps(str(home))[1:-1])
    return text
