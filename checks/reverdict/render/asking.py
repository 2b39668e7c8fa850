"""A worker that stays: it is asked a line and answers one, on two pipes, until it is left."""

from __future__ import annotations

import contextlib
import json
import os
import time
from typing import TYPE_CHECKING, Any

from reverdict.render import child
from reverdict.render.folders import build_folder
from reverdict.render.hosted import worker_argv, worker_environment, worker_trouble

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from reverdict.render.build import Build


class StayingWorker:
    """A child process that hosts a build, and the two pipes on which it is asked and answers.

    Parameters
    ----------
    build : Build
    job : mapping
        What ``render.hosted.describe_job`` says, and what else this worker needs; the pipes are added.
    folder : path
        Of this render.
    work_folder : path
        Of all renders of a run.
    module : str
        Where its main() is.
    core : int, optional
        The processor core it must stay on from its start.
    """

    def __init__(
        self,
        build: Build,
        job: Mapping[str, Any],
        folder: Path,
        work_folder: Path,
        module: str = "reverdict.render.worker",
        core: int | None = None,
    ) -> None:
        self._build, self._folder = build, folder
        questions, self._ask = child.pipe()
        self._hear, answers = child.pipe()
        try:
            described = folder / "job.json"
            described.write_text(json.dumps({**job, "questions": questions, "answers": answers}), encoding="utf-8")
            environment = repeatable_environment(build, folder, work_folder)
            argv = worker_argv(described, module)
            self._child = child.Child(argv, build.folder, build.limits, environment, (questions, answers), core)
        except BaseException:
            os.close(self._ask)
            os.close(self._hear)
            raise
        finally:
            os.close(questions)
            os.close(answers)

    def close(self) -> None:
        """End it."""
        os.close(self._ask)
        self._child.__exit__(None, None, None)
        os.close(self._hear)

    def ask(self, question: str) -> dict[str, Any] | str:
        """The answer to a line, or why there is none: then the worker has ended. BadInput for a slip of the TOML."""
        deadline = time.monotonic() + self._build.limits.seconds
        with contextlib.suppress(BrokenPipeError):
            os.write(self._ask, f"{question}\n".encode())
        line = self._child.read_line(self._hear, deadline)
        if line:
            told: dict[str, Any] = json.loads(line)
            return told
        # No answer: the worker ended, or it takes too long and is stopped.
        ended = self._child.wait(deadline if line is None else time.monotonic() + child.STOPPING_S)
        return worker_trouble(ended, self._build, self._folder) or "ended before it was timed"


def repeatable_environment(build: Build, folder: Path, work_folder: Path) -> dict[str, str]:
    """That of a worker, with sets and dicts in the same order in every process: one difference less between two."""
    return worker_environment(folder, build_folder(build, work_folder)) | {"PYTHONHASHSEED": "0"}
