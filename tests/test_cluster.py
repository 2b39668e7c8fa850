"""References judged on a real cluster of worker processes: the verdict of one process, also when a worker is killed."""

from __future__ import annotations

import contextlib
import json
import logging
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from conftest import Workspace
from reverdict.builds import open_build
from reverdict.cluster import connecting, dispatching, packing, worker
from reverdict.command_line import main
from reverdict.errors import BadInput
from reverdict.extras import getting
from reverdict.gate import gate
from reverdict.report.data.verdict import to_json
from reverdict.words import CHECKS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

SOUND = tuple(check for check in CHECKS if check != "cost")
TIMED = "cost of a silent tail"
LONGEST_S = 60.0


class Cluster:
    """A scheduler and workers, each a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.processes: list[subprocess.Popen[bytes]] = []
        told = folder / "scheduler.json"
        self._start("scheduler", "--port=0", "--host=127.0.0.1", "--no-dashboard", f"--scheduler-file={told}")
        until(told.exists)
        self.address: str = json.loads(told.read_text())["address"]

    def worker(self) -> subprocess.Popen[bytes]:
        """Start one, in a folder of its own."""
        place = self.folder / f"worker-{len(self.processes)}"
        return self._start(
            "worker", self.address, "--nthreads=1", "--no-nanny", "--no-dashboard", f"--local-directory={place}"
        )

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        log = (self.folder / f"{words[0]}-{len(self.processes)}.log").open("wb")
        with log:
            process = subprocess.Popen([sys.executable, "-m", "dask", *words], stdout=log, stderr=log)
        self.processes.append(process)
        return process

    def kept(self) -> list[Path]:
        """What workers keep of runs."""
        try:
            return list(self.folder.glob("worker-*/**/reverdict-*"))
        except FileNotFoundError:  # a folder went while it was looked through
            return self.kept()

    def end(self) -> None:
        for process in reversed(self.processes):
            process.kill()
            process.wait()


def until(true: Callable[[], Any]) -> None:
    end = time.monotonic() + LONGEST_S
    while not true():
        assert time.monotonic() < end, "it did not come to that"
        time.sleep(0.05)


@pytest.fixture
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    pytest.importorskip("distributed", reason="Dask distributed is not installed")
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    try:
        yield made
    finally:
        made.end()


def judged(verdict: Any) -> dict[str, Any]:
    """A verdict as verdict.json has it, without the times in it: when, and what a silent tail cost."""
    told: dict[str, Any] = json.loads(json.dumps(to_json(verdict)))
    del told["judged_at"]
    for reference in told["references"]:
        for check in [*reference["checks"], *(one for cell in reference["cells"] for one in cell["checks"])]:
            for finding in check.get("findings", []):
                if finding["quantity"] == TIMED:
                    finding.update(candidate=None, deviation=None, share_of_tolerance=None, uncertainty=None)
    return told


def slow_build(workspace: Workspace, begun: Path, seconds: float) -> Path:
    """A build in which the render of "short" fails, and all take a while; each that begins leaves a mark."""
    begun.mkdir(exist_ok=True)
    player = workspace.builds / "player.py"
    text = player.read_text(encoding="utf-8")
    waiting = f'Path({str(begun)!r}, f"{{program}}.{{os.getpid()}}").touch()\n        time.sleep({seconds})'
    player.write_text(text.replace("self.fault = fault if", f"{waiting}\n        self.fault = fault if"), "utf-8")
    return workspace.faulty("silence", "short")


def test_a_worker_killed_in_mid_run_changes_no_verdict(workspace: Workspace, cluster: Cluster, tmp_path: Path) -> None:
    begun = tmp_path / "begun"
    build = slow_build(workspace, begun, 0.3)
    alone = gate(build, workspace.golden)
    shutil.rmtree(begun)
    begun.mkdir()
    workers = [cluster.worker()]
    killed = []

    def kill_one() -> None:
        until(lambda: list(begun.iterdir()))  # the only worker is at it
        workers.append(cluster.worker())
        killed.append(workers[0].pid)
        workers[0].send_signal(signal.SIGKILL)

    killing = threading.Thread(target=kill_one)
    killing.start()
    said: list[str] = []
    together = gate(build, workspace.golden, progress=said.append, cluster=cluster.address)
    killing.join()
    assert killed
    assert workers[0].wait() == -signal.SIGKILL
    assert judged(together) == judged(alone)
    assert together.outcome == "fail"
    names = {line.split(", ")[1].split(" judged by ")[0] for line in said if "judged by" in line}
    assert names == {"long", "short"}
    until(lambda: not [path for path in cluster.kept() if "worker-2" in str(path)])  # of the living one


@pytest.mark.slow
def test_recordings_travel_with_their_references(workspace: Workspace, cluster: Cluster) -> None:
    cluster.worker()
    (workspace.takes / "long.wav").unlink()
    alone = gate(workspace.takes, workspace.golden)
    together = gate(workspace.takes, workspace.golden, cluster=cluster.address)
    assert judged(together) == judged(alone)
    assert f"in {workspace.takes};" in str(judged(together))  # where it is missing at home, not on the worker


def test_what_a_worker_lacks_is_told_with_its_name(
    workspace: Workspace, cluster: Cluster, capsys: pytest.CaptureFixture[str]
) -> None:
    cluster.worker()
    build = workspace.build(kind="command", prepare=["no-such-compiler"], argv=["./x", "{input}", "{output}"])
    report = workspace.root / "report"
    words = ["gate", str(build), "--golden", str(workspace.golden), "--report", str(report)]
    assert main([*words, "--cluster", cluster.address]) == 2
    said = capsys.readouterr().err
    assert "worker tcp://127.0.0.1:" in said
    assert "no-such-compiler" in said
    assert json.loads((report / "verdict.json").read_text(encoding="utf-8"))["outcome"] == "error"


def test_nobody_there_is_told_in_a_line(
    workspace: Workspace, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed", reason="Dask distributed is not installed")
    words = ["gate", str(workspace.takes), "--golden", str(workspace.golden), "--cluster"]
    address = "tcp://127.0.0.1:9"
    monkeypatch.setattr(connecting, "CONNECT_S", 0.5)
    assert main([*words, address]) == 2
    said = capsys.readouterr().err
    assert f"--cluster {address}: no scheduler answers there" in said.replace("\n", " ")
    assert "Traceback" not in said


@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("", "--cluster: is empty, as from a variable that is not set"),
        ("foo", "--cluster foo: is not a host and a port"),
        ("tcp://h", "--cluster tcp://h: is not a host and a port"),
        ("tcp://u@h:1", "--cluster tcp://u@h:1: is not a host and a port"),
        ("tcp://h:65536", "--cluster tcp://h:65536: there is no port 65536"),
        ("http://h:1", "--cluster http://h:1: http is no protocol of Dask's"),
    ],
)
def test_what_is_no_address_is_told_before_anything_is_asked(
    address: str, why: str, workspace: Workspace, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed", reason="Dask distributed is not installed")
    monkeypatch.setattr(connecting, "_asked_who", None)
    assert main(["gate", str(workspace.takes), "--golden", str(workspace.golden), "--cluster", address]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"reverdict: {why}")
    assert "tcp://big.example:8786" in said


@pytest.mark.parametrize("address", ["h:1", "tcp://10.0.0.1:8786", "tls://[::1]:8786", "wss://big.example/dask"])
def test_what_may_be_an_address_is_not_refused(address: str) -> None:
    pytest.importorskip("distributed", reason="Dask distributed is not installed")
    connecting.require_address(address)


@pytest.mark.parametrize(
    ("says", "why"), [(b"", r"within 0\.3 s"), (b"SSH-2.0-\xff\xff\xff\xff\xff\xff\xff\xff", r"\(.+\)")]
)
def test_whatever_else_listens_there_is_no_scheduler(says: bytes, why: str, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="Dask distributed is not installed")
    monkeypatch.setattr(connecting, "CONNECT_S", 0.3)
    monkeypatch.setattr(connecting, "GRACE_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as server:
        threading.Thread(target=_saying, args=(server, says), daemon=True).start()
        place = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        no_scheduler = f"what listens there does not answer as a Dask scheduler {why}; need"
        with pytest.raises(BadInput, match=no_scheduler), connecting.connected(place):
            pass


def _saying(server: socket.socket, says: bytes) -> None:
    with contextlib.suppress(OSError), server.accept()[0] as connection:
        connection.sendall(says)
        while connection.recv(1 << 16):
            pass


def test_a_worker_is_no_scheduler(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="Dask distributed is not installed")
    monkeypatch.setattr(connecting, "_asked_who", lambda *_: {"type": "Worker", "id": "tcp://x:1"})
    no_scheduler = r"--cluster tcp://x:1: a Dask worker listens there, which is no scheduler; need"
    with pytest.raises(BadInput, match=no_scheduler), connecting.connected("tcp://x:1"):
        pass


def test_the_engine_is_silent_also_where_it_set_a_level_of_its_own() -> None:
    """It logs the loss of its scheduler by a logger with a level, which does not follow the one above."""
    pytest.importorskip("distributed", reason="Dask distributed is not installed")
    client = logging.getLogger("distributed.client")
    level = client.level
    assert level != logging.NOTSET
    with connecting._silenced("distributed"):
        assert not client.isEnabledFor(logging.CRITICAL)
    assert client.level == level


def test_no_worker_is_told_in_a_line(workspace: Workspace, cluster: Cluster, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dispatching, "JOIN_S", 0.5)
    with pytest.raises(BadInput, match=r"no worker joined within 0\.5 s; start some with: dask worker tcp://"):
        gate(workspace.takes, workspace.golden, cluster=cluster.address)


@pytest.mark.slow
def test_a_lost_scheduler_is_told_in_a_line(workspace: Workspace, cluster: Cluster, tmp_path: Path) -> None:
    begun = tmp_path / "begun"
    build = slow_build(workspace, begun, 1.0)
    cluster.worker()

    def kill() -> None:
        until(lambda: list(begun.iterdir()))
        cluster.processes[0].kill()

    killing = threading.Thread(target=kill)
    killing.start()
    with pytest.raises(BadInput, match="the scheduler was lost in mid-run"):
        gate(build, workspace.golden, cluster=cluster.address)
    killing.join()


def test_ctrl_c_ends_it_and_calls_back_what_is_not_done(workspace: Workspace, cluster: Cluster, tmp_path: Path) -> None:
    begun = tmp_path / "begun"
    build = slow_build(workspace, begun, 1.0)
    cluster.worker()
    words = ["gate", str(build), "--golden", str(workspace.golden), "--cluster", cluster.address]
    running = subprocess.Popen([sys.executable, "-m", "reverdict", *words], stderr=subprocess.PIPE, text=True)
    until(lambda: list(begun.iterdir()))
    running.send_signal(signal.SIGINT)
    said = running.communicate(timeout=LONGEST_S)[1]
    assert running.returncode == 130
    assert "Traceback" not in said
    until(lambda: not cluster.kept())
    programs = {mark.name.split(".")[0] for mark in begun.iterdir()}
    assert len(programs) == 1  # the other one was never begun


@pytest.mark.slow
def test_another_version_is_refused_with_the_workers_name(
    workspace: Workspace, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    cluster.worker()
    with monkeypatch.context() as patched:
        patched.setattr(dispatching, "__version__", "9.9")
        with pytest.raises(BadInput, match=r"worker tcp://127.*: has reverdict .*, here it is 9\.9; install the same"):
            gate(workspace.takes, workspace.golden, cluster=cluster.address)
    monkeypatch.setattr(worker, "ANALYSIS_VERSION", 10_000)
    with pytest.raises(BadInput, match=r"worker tcp://127.*: analysis: \d+ there, 10000 here; install the same"):
        gate(workspace.takes, workspace.golden, cluster=cluster.address)


def test_without_the_engine_it_is_told_how_to_get_it(
    workspace: Workspace, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    words = ["gate", str(workspace.takes), "--golden", str(workspace.golden), "--cluster", "tcp://x:1"]
    assert main(words) == 2
    assert getting("distributed") in capsys.readouterr().err.replace("\n", " ")


def test_a_build_is_laid_out_as_it_stood(workspace: Workspace, tmp_path: Path) -> None:
    tool = workspace.builds / "tools" / "run.sh"
    tool.parent.mkdir()
    tool.write_text("#!/bin/sh\n", encoding="utf-8")
    tool.chmod(0o755)
    (workspace.builds / "tools" / "link").symlink_to(tool)
    (workspace.builds / "tools" / "round").symlink_to(workspace.builds)
    (workspace.builds / ".git").mkdir()
    (workspace.builds / ".git" / "index").touch()
    build = open_build(workspace.build())
    packed = packing.pack_build(build)
    packed.lay_out(tmp_path / "there")
    there = tmp_path / "there" / packing.BUILD
    assert (there / "tools" / "run.sh").stat().st_mode & 0o111
    assert (there / "tools" / "link").read_bytes() == tool.read_bytes()
    assert not (there / ".git").exists()
    assert (there / "player.py").read_bytes() == (workspace.builds / "player.py").read_bytes()
    assert packed.sha256 == packing.pack_build(build).sha256
    assert packing.settled(build, there).folder == there
    tool.write_text("#!/bin/bash\n", encoding="utf-8")
    assert packed.sha256 != packing.pack_build(build).sha256


def test_what_cannot_travel_is_refused(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    outside = workspace.build(kind="command", argv=["../tools/reverb", "{input}", "{output}"])
    with pytest.raises(BadInput, match=r"\.\./tools/reverb leads out of .*builds, which is what workers are sent"):
        packing.pack_build(open_build(outside))
    hardware = replace(open_build(workspace.build()), kind="interface")
    with pytest.raises(BadInput, match="plays hardware of this machine"):
        packing.pack_build(hardware)
    monkeypatch.setattr(packing, "MOST_BYTES", 1 << 10)
    with pytest.raises(BadInput, match="the most of a build that is sent to workers"):
        packing.pack_build(open_build(workspace.build()))


@pytest.mark.slow
def test_the_demo_on_a_cluster_that_loses_a_worker(cluster: Cluster, tmp_path: Path) -> None:
    from reverdict.demo import write_demo

    write_demo(tmp_path / "demo")
    build, golden = tmp_path / "demo" / "builds" / "drifted-refactor.toml", tmp_path / "demo" / "golden"
    alone = gate(build, golden, checks=SOUND)
    workers = [cluster.worker() for _ in range(3)]
    said: list[str] = []

    def kill() -> None:
        until(lambda: list((cluster.folder / "worker-1").glob("**/task-*")))
        workers[0].send_signal(signal.SIGKILL)

    killing = threading.Thread(target=kill)
    killing.start()
    together = gate(build, golden, progress=said.append, checks=SOUND, cluster=cluster.address)
    killing.join()
    assert workers[0].wait() == -signal.SIGKILL
    assert judged(together) == judged(alone)
