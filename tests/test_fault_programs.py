"""What builds do to a test rig, each a real program beside this file, and that nothing but the build itself suffers.

    python tests/test_fault_programs.py      prints the table of README.md

Each is told in one sentence, within its time and a small amount of our memory; nothing of it runs on, nothing of it
stays on the disk, and a good build renders afterwards.
"""

from __future__ import annotations

import json
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

import reverdict
from conftest import Workspace
from reverdict.render import Build, Failure, Limits, Rendered, Request, render, working_folder
from reverdict.render.child import Child
from reverdict.words import BuildIdentity

PROGRAMS = Path(__file__).with_name("fault_programs")
REQUEST = Request("tank", rate_hz=8000, block_size=64, seconds=0.5, preroll_s=0.1)
LIMITS = Limits(seconds=30.0, memory_mb=1024, file_mb=16, processes=64)
A_SECOND = replace(LIMITS, seconds=1.0)
MARGIN_S = 20.0
"""For a machine whose processors and disk are busy with others: a limit of one second then ends in 21 at worst."""
MEMORY_MB = 100
RENDERS = ""
TOO_LONG = "did not finish within 1 s and was stopped"
LEFT = "ended and left 1 process running; it must wait for what it starts"

linux = pytest.mark.skipif(sys.platform != "linux", reason="adopts, watches and searches as only Linux lets it")
needs_cc = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler")


@dataclass(frozen=True)
class Fault:
    """What is told of a program, and within which limits; ``RENDERS`` where its response is as good as any."""

    told: str
    limits: Limits = LIMITS


FAULTS = {
    "segfault.c": Fault("died by SIGSEGV (segmentation fault)"),
    "abort.c": Fault("died by SIGABRT (aborted): abort: abort.c:9: main: Assertion `argc < 0' failed."),
    "stack.c": Fault("died by SIGSEGV (segmentation fault)"),
    "kills_itself.sh": Fault("died by SIGKILL (killed)"),
    "status_255.sh": Fault("ended with status 255"),
    "closes_stderr.sh": Fault("ended with status 1"),
    "floods_stderr.c": Fault("ended with status 1: gave up"),
    "endless_loop.c": Fault(TOO_LONG, A_SECOND),
    "ignores_sigterm.c": Fault(TOO_LONG, A_SECOND),
    "hangs_with_family.c": Fault(TOO_LONG, A_SECOND),
    "stops_itself.sh": Fault(TOO_LONG, A_SECOND),
    "stops_its_parent.c": Fault(TOO_LONG, A_SECOND),
    "kills_its_parent.c": Fault("ended the process that watches over it, its parent, and was stopped"),
    "allocates_10_gb.c": Fault("ran out of memory (limit 1024 MB)"),
    "allocates_unchecked.c": Fault("died by SIGSEGV (segmentation fault)"),
    "children_allocate.c": Fault(
        "used more than 256 MB of memory in all its processes together and was stopped", replace(LIMITS, memory_mb=256)
    ),
    "fork_bomb.c": Fault("started more than 64 processes and was stopped"),
    "scattering_bomb.c": Fault("started more than 64 processes and was stopped"),
    "child_outlives.c": Fault(LEFT),
    "child_of_own_session.c": Fault(LEFT),
    "daemon.c": Fault(LEFT),
    "endless_file.c": Fault("wrote a file of more than 16 MB and was stopped"),
    "many_files.c": Fault("wrote files of more than 16 MB together and was stopped"),
    "empty_files.c": Fault("wrote files of more than 16 MB together and was stopped"),
    "unlinked_files.c": Fault("wrote files of more than 16 MB together and was stopped"),
    "nested_folders.c": Fault(RENDERS),
    "no_output.sh": Fault("wrote no output file"),
    "empty_output.sh": Fault("output: the file is empty (0 bytes); was its recording cut off?"),
    "text_output.sh": Fault(
        "output: not a readable WAV or FLAC file (Format not recognised; "
        'it begins with the text "usage: reverb [options] ")'
    ),
    "header_lies.c": Fault("output stops after 0.10 s, needs 0.60 s"),
    "short.c": Fault("output stops after 0.30 s, needs 0.60 s"),
    "long.c": Fault(RENDERS),
    "wrong_rate.c": Fault("output has 44100 Hz, asked for 8000"),
    "wrong_channels.c": Fault("output has 2 channels, needs 1"),
    "not_a_number.c": Fault("2800 samples are not finite, first at sample 2000 (0.250 s)"),
    "denormals.c": Fault(RENDERS),
    "output_is_a_pipe.sh": Fault("left a pipe or a device in place of its output file"),
    "output_is_a_device.sh": Fault("left a symbolic link in place of its output file"),
    "output_is_anothers_file.sh": Fault("left a symbolic link in place of its output file"),
    "output_is_a_folder.sh": Fault("left a folder in place of its output file"),
    "deletes_its_input.c": Fault(RENDERS),
    "deletes_its_folder.sh": Fault("removed the folder of its output file"),
    "changes_folder.sh": Fault(RENDERS),
    "unreadable_leftovers.sh": Fault(RENDERS),
    "needs_a_display.c": Fault("ended with status 1: cannot open display:"),
    "waits_for_input.sh": Fault("ended with status 3: nobody pressed return"),
    "asks_the_terminal.c": Fault(
        "ended with status 1: no terminal to ask for a licence key on: No such device or address"
    ),
    "raw_endless.sh": Fault("wrote a file of more than 16 MB and was stopped"),
    "raw_nothing.sh": Fault("wrote nothing to standard output"),
    "raw_half_a_sample.sh": Fault("standard output holds 19202 bytes, which are no whole frames of 4 bytes"),
    "raw_stereo.c": Fault("standard output holds as many samples as 2 channels would, needs 1"),
    "raw_greeting.sh": Fault("standard output holds text: 'Tank 2.1, loading springs'; log to standard error"),
    "raw_progress.sh": Fault("standard output holds text: 'rendering block 17 of 75 now'; log to standard error"),
    "raw_farewell.sh": Fault("standard output holds text: 'done: 75 blocks, peak -6.0 dBFS'; log to standard error"),
    "raw_not_a_number.sh": Fault("4800 samples are not finite, first at sample 0 (0.000 s)"),
}
NAMES = [pytest.param(name, marks=needs_cc if name.endswith(".c") else ()) for name in FAULTS]


@pytest.fixture
def work() -> Iterator[Path]:
    with working_folder() as folder:
        yield folder


def program(name: str, folder: Path) -> str:
    """Path of a program, compiled where it must be."""
    source, target = PROGRAMS / name, folder / name.partition(".")[0]
    if source.suffix == ".sh":
        shutil.copy(source, target)
    else:
        subprocess.run(["cc", "-w", "-O1", "-o", target, source.name, "-lm"], cwd=PROGRAMS, check=True)
    return f"./{target.name}"


def build_of(name: str, folder: Path, limits: Limits = LIMITS) -> Build:
    raw = name.startswith("raw_")
    argv = (program(name, folder), *(() if raw else ("{input}", "{output}")))
    identity = BuildIdentity(name, "1", "command")
    return Build(identity, "command", folder, argv, exchange="raw" if raw else "wav", limits=limits)


def good_build(folder: Path) -> Build:
    return Build(BuildIdentity("good", "1", "command"), "command", folder, ("cp", "{input}", "{output}"), limits=LIMITS)


def running_with(mark: str) -> list[int]:
    """Processes in whose environment a mark stands. Those that are as good as dead have none."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if mark.encode() in (process / "environ").read_bytes():
                found.append(int(process.name))
        except OSError:  # noqa: PERF203 - it has just ended
            pass
    return found


def none_left(mark: str, within_s: float = 5.0) -> bool:
    """A killed process takes a moment to go."""
    deadline = time.monotonic() + within_s
    while running_with(mark):
        if time.monotonic() > deadline:
            return False
        time.sleep(0.01)
    return True


@pytest.fixture
def mark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Stands in the environment of all that a test starts."""
    mark = f"of-the-test-in-{tmp_path}"
    monkeypatch.setenv("REVERDICT_FAULT", mark)
    monkeypatch.delenv("DISPLAY", raising=False)
    return f"REVERDICT_FAULT={mark}\0"


def forget_peak() -> None:
    """Memory that earlier tests used counts no more (Linux: proc(5), clear_refs)."""
    Path("/proc/self/clear_refs").write_text("5")


def peak_mb() -> float:
    """Most memory that has been resident at once since then."""
    told = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    assert told
    return int(told[1]) / 1024


@linux
@pytest.mark.parametrize("name", NAMES)
def test_a_fault_is_told_and_harms_nobody(name: str, tmp_path: Path, work: Path, mark: str) -> None:
    fault = FAULTS[name]
    build = build_of(name, tmp_path, fault.limits)
    assert isinstance(render(good_build(tmp_path), REQUEST, work), Rendered)
    forget_peak()
    before_mb, descriptors, began = peak_mb(), len(os.listdir("/proc/self/fd")), time.monotonic()  # noqa: PTH208
    rendering = render(build, REQUEST, work)
    took_s = time.monotonic() - began
    assert isinstance(rendering, Failure if fault.told else Rendered)
    assert rendering.reason == fault.told
    assert none_left(mark)
    assert not list(work.glob("*/render-*"))
    assert took_s < (fault.limits.seconds if fault.limits is A_SECOND else 0) + MARGIN_S
    assert peak_mb() - before_mb < MEMORY_MB
    assert len(os.listdir("/proc/self/fd")) == descriptors  # noqa: PTH208
    assert isinstance(render(good_build(tmp_path), REQUEST, work), Rendered)


# Through the gate.

GATED = ("segfault.c", "kills_its_parent.c", "scattering_bomb.c", "daemon.c", "output_is_a_pipe.sh", "raw_greeting.sh")
ANSWERING = """
import os, sys
import numpy as np

at, fault = sys.argv[2:4]
if sys.argv[1] == at:
    os.execv(fault, [fault, *sys.argv[4:]])
response = np.load(sys.argv[1] + ".npy").astype("f4")
"""
ANSWER = {
    "raw": """
heard = np.frombuffer(sys.stdin.buffer.read(), "<f4")
click = int(np.argmax(heard))
said = np.append(np.zeros(click, "f4"), heard[click] * response)[: heard.size]
sys.stdout.buffer.write(said.tobytes())
""",
    "wav": """
import soundfile
heard, rate = soundfile.read(sys.argv[4], dtype="float32")
click = int(np.argmax(heard))
said = np.append(np.zeros(click, "f4"), heard[click] * response)[: heard.size]
soundfile.write(sys.argv[5], said, rate, subtype="FLOAT")
""",
}
"""Of a build that plays a stored response back, but at one reference turns into a faulty program."""


def gate_command(workspace: Workspace, build: Path, *more: str) -> list[str]:
    where = ["--golden", str(workspace.golden), "--report", str(workspace.root / "report"), *more]
    return [sys.executable, "-m", "reverdict", "gate", str(build), *where]


def faulty_build(workspace: Workspace, name: str, at: str, seconds: float = 20.0) -> Path:
    exchange = "raw" if name.startswith("raw_") else "wav"
    (workspace.builds / "answering.py").write_text(ANSWERING + ANSWER[exchange])
    files = ["{input}", "{output}"] if exchange == "wav" else []
    argv = [sys.executable, "answering.py", "{parameters.program}", at, program(name, workspace.builds), *files]
    limits = f"[build.limits]\nseconds = {seconds}\nprocesses = 64"
    return workspace.build(limits, kind="command", argv=argv, exchange=exchange)


@pytest.mark.few(2)
@linux
@needs_cc
@pytest.mark.parametrize("name", GATED)
def test_the_gate_closes_with_the_sentence_and_other_references_pass(
    name: str, workspace: Workspace, mark: str
) -> None:
    build = faulty_build(workspace, name, at="long")
    ended = subprocess.run(gate_command(workspace, build), capture_output=True, text=True, check=False)
    assert ended.returncode == 1, ended
    verdict = json.loads((workspace.root / "report" / "verdict.json").read_text(encoding="utf-8"))
    findings = {
        reference["name"]: next(check["findings"] for check in reference["checks"] if check["check"] == "conduct")
        for reference in verdict["references"]
    }
    told = FAULTS[name].told
    assert [(finding["outcome"], finding["reason"]) for finding in findings["long"]] == [("fail", told)]
    assert told in ended.stdout
    assert {reference["name"]: reference["outcome"] for reference in verdict["references"]} == {
        "long": "fail", "short": "pass"
    }  # fmt: skip
    assert none_left(mark)


@pytest.mark.few(1)
@linux
@needs_cc
@pytest.mark.parametrize("jobs", ["1", "2"])
@pytest.mark.parametrize("blow", [signal.SIGINT, signal.SIGKILL], ids=["SIGINT", "SIGKILL"])
def test_a_suite_that_is_stopped_takes_all_with_it(
    blow: signal.Signals, jobs: str, workspace: Workspace, mark: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    temporary = workspace.root / "temporary"
    temporary.mkdir()
    monkeypatch.setenv("TMPDIR", str(temporary))
    build = faulty_build(workspace, "hangs_with_family.c", at="long", seconds=60.0)
    command = gate_command(workspace, build, "--jobs", jobs)
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as gate:
        deadline = time.monotonic() + 60.0
        while len(family := running_with_name(mark, "hangs_with_fami")) < 4:
            assert gate.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.02)
        gate.send_signal(blow)
        status = gate.wait(20)
    assert status == (130 if blow == signal.SIGINT else -signal.SIGKILL)
    assert len(family) == 4
    # A parallel worker gives up five seconds after it has lost its master (execnet).
    assert none_left(mark, MARGIN_S)
    # Nobody can clean up after SIGKILL.
    assert blow == signal.SIGKILL or not list(temporary.iterdir())


def running_with_name(mark: str, name: str) -> list[int]:
    found = []
    for pid in running_with(mark):
        try:
            if Path(f"/proc/{pid}/comm").read_text(encoding="utf-8").strip() == name:
                found.append(pid)
        except OSError:  # noqa: PERF203 - it has just ended
            pass
    return found


# What the machine may do.


@linux
@pytest.mark.parametrize(
    ("room", "status", "told"),
    [
        (96, 2, "input.wav: cannot be written; is there room on its disk, and leave to write?"),
        (192, 1, r"ended with status 1: cp: .*; the disk of .*/small is full"),
    ],
    ids=["input", "output"],
)
def test_a_full_disk_is_told(
    room: int, status: int, told: str, workspace: Workspace, mark: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An input takes 122 KB, so does an output."""
    small = workspace.root / "small"
    small.mkdir()
    mounting = ["mount", "-t", "tmpfs", "-o", f"size={room}k", "tmpfs", str(small)]
    if os.geteuid() or subprocess.run(mounting, capture_output=True, check=False).returncode:
        pytest.skip("only root may mount a small disk, and not everywhere")
    try:
        monkeypatch.setenv("TMPDIR", str(small))
        build = workspace.build(kind="command", argv=["cp", "{input}", "{output}"])
        command = gate_command(workspace, build, "--only", "short")
        ended = subprocess.run(command, capture_output=True, text=True, check=False)
        assert ended.returncode == status, ended
        report = (workspace.root / "report" / "verdict.json").read_text(encoding="utf-8")
        assert re.search(told, report)
        assert not list(small.iterdir())
        assert none_left(mark)
    finally:
        subprocess.run(["umount", str(small)], check=True)


SURROUNDINGS = {
    "children that end are ignored": "signal.signal(signal.SIGCHLD, signal.SIG_IGN)",
    "no standard input and output": "os.close(0); os.close(1)",
    "no standard error": "os.close(2)",
    "every signal is blocked": "signal.pthread_sigmask(signal.SIG_BLOCK, set(signal.Signals) - {9, 19})",
    "hang-ups are ignored": "signal.signal(signal.SIGHUP, signal.SIG_IGN)",
}
RUNNING = """
import os, signal, sys
from pathlib import Path
from reverdict.render import Limits
from reverdict.render.child import run

{}
for script, seconds in (("sleep 0.1; echo broken >&2; exit 3", 20.0), ("sleep 600 & sleep 600", 0.3)):
    ended = run(["sh", "-c", script], Path.cwd(), Limits(seconds))
    with open("told", "a") as told:
        told.write(ended.trouble(Limits(seconds)) + "\\n")
"""


@linux
@pytest.mark.parametrize("surroundings", SURROUNDINGS.values(), ids=SURROUNDINGS)
def test_however_the_suite_was_started(surroundings: str, tmp_path: Path, mark: str) -> None:
    """By whatever shell, service or script."""
    script = RUNNING.format(surroundings)
    subprocess.run([sys.executable, "-c", script], cwd=tmp_path, env=seen_from_anywhere(), check=True, timeout=60)
    told = ["ended with status 3: broken", "did not finish within 0.3 s and was stopped"]
    assert (tmp_path / "told").read_text().splitlines() == told
    assert none_left(mark)


def seen_from_anywhere() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(Path(reverdict.__file__).parents[1])}


LEAVING = """
import os, time
if os.fork() == 0:
    os.setsid()  # out of the group, which would keep the number
    time.sleep(600)
time.sleep(0.1)
open("pid", "w").write(f"{os.getpid()} ")
"""


@linux
def test_whoever_gets_the_number_of_a_build_that_ended_is_left_alone(tmp_path: Path) -> None:
    """While the launcher waits for what the build has left running, another process group takes its number."""
    numbers = Path("/proc/sys/kernel/ns_last_pid")
    if not os.access(numbers, os.W_OK):
        pytest.skip("only root may choose the number of a process")
    with Child([sys.executable, "-S", "-c", LEAVING], tmp_path, LIMITS) as child:
        deadline = time.monotonic() + 20.0
        while not ((tmp_path / "pid").exists() and (tmp_path / "pid").read_text().endswith(" ")):
            assert time.monotonic() < deadline
            time.sleep(0.001)
        number = int((tmp_path / "pid").read_text())
        bystander = None
        while bystander is None and not select.select([child._status], [], [], 0.0)[0]:
            numbers.write_text(str(number - 1))
            other = subprocess.Popen(["sleep", "600"], start_new_session=True)
            if other.pid == number:
                bystander = other
            else:
                other.kill()
                other.wait()
        if bystander is None:
            pytest.skip("others start processes faster than we do")
        try:
            ended = child.wait(deadline)
            assert (ended.status, ended.left) == (0, 1)
            time.sleep(0.1)
            assert bystander.poll() is None
        finally:
            bystander.kill()
            bystander.wait()


def table() -> str:
    """The table of README.md."""
    lines = ["| program | what it does | what is told |", "|---|---|---|"]
    for name, fault in FAULTS.items():
        does = re.sub(r"^(/\*|#) | \*/$", "", (PROGRAMS / name).read_text().splitlines()[name.endswith(".sh")])
        told = fault.told.replace("|", "\\|") or "nothing: it renders"
        lines.append(f"| `{name}` | {does} | {told} |")
    return "\n".join(lines)


def test_the_table_is_in_the_readme_and_every_program_in_the_table() -> None:
    assert table() in Path(__file__).with_name("README.md").read_text(encoding="utf-8")
    assert set(FAULTS) == {file.name for file in PROGRAMS.iterdir()} - {"program.h"}


if __name__ == "__main__":
    print(table())
