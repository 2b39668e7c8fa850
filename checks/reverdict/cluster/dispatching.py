"""References sent out to the workers of a Dask cluster, and what they judged collected.

Shipping. The build travels to the scheduler once, under its digest, and from there, or from another worker, to each
worker once. A reference travels with its task, to the one worker that judges it. Twice as many tasks as there are
workers are under way at a time, so that neither the scheduler nor we hold more than that of a large golden set.

Loss. The engine gives the task of a worker that is lost to another one; a reference that has cost four workers is given
up. Where no worker is left, we wait ``JOIN_S`` for one. Whatever ends a run early calls back what is not done.
"""

from __future__ import annotations

import contextlib
import json
import time
import uuid
from typing import TYPE_CHECKING, Any

from reverdict import __version__
from reverdict.cluster import worker
from reverdict.cluster.connecting import TIMED_OUT, connected, first_line
from reverdict.cluster.packing import pack_build, pack_reference
from reverdict.errors import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from reverdict.cluster.worker import Judged
    from reverdict.reference import Reference
    from reverdict.render import Build

JOIN_S = 60.0
LOOK_S = 2.0
AHEAD = 2
"""Tasks under way for each worker: one is judged while the next one travels."""


def judge_on(
    address: str,
    build: Build,
    references: Sequence[Reference],
    golden_folder: Path,
    checks: Sequence[str],
    folder: Path,
    responses: Path | None,
    told: Callable[[str, str, int], None],
    *,
    pictures: bool,
) -> None:
    """Have references judged on a cluster, into a folder of parts.

    Parameters
    ----------
    address : str
        Of the scheduler, such as "tcp://big.example:8786".
    checks : sequence of str
        Those to put; cost among them only where it is not asked, to say so.
    folder, responses : path
        Where items at home would write.
    told : callable
        Told of each reference when it comes back, its worker, and how many items came of it.

    Raises
    ------
    BadInput
        The engine is not installed; nobody answers there; no worker joins, or one has another version; the build cannot
        travel; the scheduler is lost, or a reference costs worker after worker.
    """
    packed = pack_build(build)
    with connected(address) as client:
        _await_workers(client, address)
        _require_version(client)
        run = uuid.uuid4().hex[:12]
        sent = client.submit(_itself, packed, key=f"reverdict-build-{packed.sha256}")

        def send(reference: Reference) -> Any:
            asked = [check for check in reference.checks if check in checks]
            task = worker.Task(
                run, reference.name, build, golden_folder.absolute(), asked, worker.versions_of(reference),
                pictures, responses is not None,
            )  # fmt: skip
            files = pack_reference(reference, golden_folder, build)
            return client.submit(worker.judge, task, sent, files, key=f"reverdict-{run}-{reference.name}")

        waiting = list(reversed(references))
        under_way: dict[Any, str] = {}
        there = _Workers(client, address)
        try:
            while waiting or under_way:
                ahead = AHEAD * there.count()
                while waiting and len(under_way) < ahead:
                    reference = waiting.pop()
                    under_way[send(reference)] = reference.name
                for future in _done(list(under_way)):
                    name = under_way.pop(future)
                    judged = _result(future, name, address)
                    _keep(judged, folder, responses)
                    told(name, judged.worker, sum(file.endswith(".json") for file in judged.parts))
        finally:
            with contextlib.suppress(Exception):
                client.cancel(list(under_way), force=True)
                client.run(worker.forget, run, on_error="ignore")


class _Workers:
    """The workers that are there, and how long there has been none."""

    def __init__(self, client: Any, address: str) -> None:
        self._client = client
        self._address = address
        self._seen = time.monotonic()

    def count(self) -> int:
        """How many there are. Raises BadInput where there has been none for too long."""
        count = len(self._client.nthreads())
        if count:
            self._seen = time.monotonic()
        elif time.monotonic() - self._seen > JOIN_S:
            raise BadInput(self._address, f"all workers were lost, and none came back within {JOIN_S:g} s")
        return count


def _done(futures: list[Any]) -> list[Any]:
    """Those that have ended, after waiting for one a little while."""
    import distributed

    wait: Any = distributed.wait
    if futures:
        with contextlib.suppress(*TIMED_OUT):
            wait(futures, timeout=LOOK_S, return_when="FIRST_COMPLETED")
    else:
        time.sleep(LOOK_S)  # there is no worker
    return [future for future in futures if future.done()]


def _itself(packed: Any) -> Any:
    return packed


def _await_workers(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=JOIN_S)
    except TIMED_OUT:
        start = f"start some with: dask worker {address} --nthreads 1"
        raise BadInput(f"--cluster {address}", f"no worker joined within {JOIN_S:g} s; {start}") from None


def _require_version(client: Any) -> None:
    """Raise BadInput, with the worker's name, where the suite is not installed there, or is another."""
    workers = client.get_versions(packages=["reverdict"])["workers"]
    for address, versions in sorted(workers.items()):
        there = (versions or {}).get("packages", {}).get("reverdict")
        if there != __version__:
            has = f"has reverdict {there}" if there else "has no reverdict"
            raise BadInput(f"worker {address}", f"{has}, here it is {__version__}; install the same on every worker")


def _result(future: Any, name: str, address: str) -> Judged:
    from distributed.scheduler import KilledWorker

    try:
        judged: Judged = future.result()
        return judged
    except KilledWorker as error:
        lost = f"{error.allowed_failures + 1} workers were lost one after another while they judged it"
        raise BadInput(f"{address}: {name}", f"{lost}; their logs may say why (memory?)") from error
    except (ImportError, AttributeError) as error:
        other = f"a worker has no or another reverdict than here ({first_line(error)})"
        raise BadInput(address, f"{other}; install {__version__} on every worker") from error


def _keep(judged: Judged, folder: Path, responses: Path | None) -> None:
    told = {name: _with_worker(name, text, judged.worker) for name, text in judged.parts.items()}
    try:
        for name, text in told.items():
            (folder / name).write_text(text, encoding="utf-8")
        for name, content in judged.responses.items():
            assert responses is not None
            (responses / name).write_bytes(content)
    except OSError as error:
        raise BadInput(folder, f"what workers judged cannot be kept here ({error.strerror or error})") from error


def _with_worker(name: str, text: str, address: str) -> str:
    """A part; trouble with the name of the worker that had it."""
    if not name.endswith(".trouble"):
        return text
    told = json.loads(text)
    slips = [(f"worker {address}: {place}", problem) for place, problem in told["slips"]]
    return json.dumps({"slips": slips, "bug": told["bug"] and f"on worker {address}\n{told['bug']}"})
