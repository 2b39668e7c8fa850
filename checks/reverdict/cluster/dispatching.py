"""References sent out to the workers of a Dask cluster, and what they judged collected: all that knows the engine.

Shipping. The build travels to the scheduler once, under its digest, and from there, or from another worker, to each
worker once. A reference travels with its task, to the one worker that judges it. Twice as many tasks as there are
workers are under way at a time, so that neither the scheduler nor we hold more than that of a large golden set.

Loss. The engine gives the task of a worker that is lost to another one; a reference that has cost four workers is given
up. Where no worker is left, we wait ``JOIN_S`` for one. Whatever ends a run early calls back what is not done.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import time
import uuid
import warnings
from typing import TYPE_CHECKING, Any

from reverdict import __version__
from reverdict.cluster import worker
from reverdict.cluster.packing import pack_build, pack_reference
from reverdict.errors import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from reverdict.cluster.worker import Judged
    from reverdict.reference import Reference
    from reverdict.render import Build

INSTALL = "needs Dask distributed; install it with: pip install 'reverdict[cluster]'"
CONNECT_S = 10.0
JOIN_S = 60.0
LOOK_S = 2.0
TIMED_OUT = (TimeoutError, asyncio.TimeoutError)
"""One and the same from Python 3.11 on."""
AHEAD = 2
"""Tasks under way for each worker: one is judged while the next one travels."""

CONFIG = {"distributed.comm.timeouts.connect": CONNECT_S, "distributed.admin.large-graph-warning-threshold": "1 GiB"}


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
    try:
        import distributed
    except ImportError:
        raise BadInput("--cluster", INSTALL) from None
    packed = pack_build(build)
    with _connected(distributed, address) as client, _plainly(distributed, address):
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
                for future in _done(distributed, list(under_way)):
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


def _done(distributed: Any, futures: list[Any]) -> list[Any]:
    """Those that have ended, after waiting for one a little while."""
    if futures:
        with contextlib.suppress(*TIMED_OUT):
            distributed.wait(futures, timeout=LOOK_S, return_when="FIRST_COMPLETED")
    else:
        time.sleep(LOOK_S)  # there is no worker
    return [future for future in futures if future.done()]


def _itself(packed: Any) -> Any:
    return packed


@contextlib.contextmanager
def _connected(distributed: Any, address: str) -> Iterator[Any]:
    """A client. The engine's own log is silenced while it lasts: what it tells is told here in a line."""
    import dask

    log = logging.getLogger("distributed")
    level = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        with dask.config.set(CONFIG), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
            except (OSError, ValueError, *TIMED_OUT) as error:
                need = "need the address of a Dask scheduler, such as tcp://big.example:8786"
                raise BadInput(
                    f"--cluster {address}", f"no scheduler answers there ({_first_line(error)}); {need}"
                ) from error
            try:
                with client.as_current():
                    yield client
            finally:
                with contextlib.suppress(Exception):
                    client.close(timeout=CONNECT_S)
    finally:
        log.setLevel(level)


@contextlib.contextmanager
def _plainly(distributed: Any, address: str) -> Iterator[None]:
    """Say in a line that the scheduler was lost."""
    from concurrent.futures import CancelledError

    try:
        yield
    except (OSError, CancelledError, distributed.client.FutureCancelledError) as error:
        raise BadInput(
            address, f"the scheduler was lost in mid-run ({_first_line(error)}); nothing was judged"
        ) from error


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
        other = f"a worker has no or another reverdict than here ({_first_line(error)})"
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


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:120]
