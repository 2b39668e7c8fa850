"""Sound files, names and disks as nobody should meet them: a line or two, a status that is documented, no traceback,
and nothing half written.
"""

from __future__ import annotations

import contextlib
import ctypes
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import hostile_sounds
from conftest import Workspace, tables_for
from fuzz_targets import old_verdict
from hostile_sounds import READABLE, REFUSED
from made_history import finding, run
from reverdict import builds, durable, golden_set, parts, report, sound
from reverdict.command_line import main
from reverdict.demo.physical_springs import Spring, impulse_response
from reverdict.errors import BadInput
from reverdict.golden_set import writing
from reverdict.history import index, runs
from reverdict.history.index import runs_of
from reverdict.schema.toml import read_toml
from reverdict.words import Response


def said(captured: pytest.CaptureFixture[str]) -> str:
    """What a command said as an error: one or two lines, without a traceback."""
    err = captured.readouterr().err
    assert err.startswith("reverdict: ")
    assert len(err.splitlines()) <= 2
    assert "Traceback" not in err
    assert "reverdict: internal error" not in err
    return err


# Sound files.


@pytest.mark.parametrize("name", READABLE)
def test_strange_sound_is_read_or_refused(name: str, tmp_path: Path) -> None:
    file = tmp_path / name
    file.write_bytes(READABLE[name])
    with contextlib.suppress(BadInput):
        samples, rate_hz = sound.read_sound(file)
        assert np.isfinite(samples).all()
        assert samples.size * 2 <= 20 * len(READABLE[name])
        assert rate_hz >= sound.LOWEST_RATE_HZ


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_sound_is_refused(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / name
    file.write_bytes(REFUSED[name])
    assert main(["measure", str(file)]) == 2
    assert name in said(capsys)


# Sound files at the gate.

RATE_HZ = hostile_sounds.RATE_HZ
RENDERED = {"render": {"seconds": 0.4, "preroll_s": 0.05, "sample_rates_hz": [RATE_HZ], "block_sizes": [512]}}
PLACES = [(reference, name) for reference in ("hall", "spring") for name in {**READABLE, **REFUSED}]


@pytest.fixture(scope="module")
def goldens(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder ``golden`` of a hall and a spring at the rate of the hostile files, and ``takes`` that pass."""
    root = tmp_path_factory.mktemp("goldens")
    (root / "takes").mkdir()
    spring = impulse_response(RATE_HZ, 0.5, (Spring.wound(0.2, 2.38, 340),), noise_db=None)
    sounds = {"hall": hostile_sounds.decaying()[:, 0] / 32768, "spring": 0.3 * np.float32(spring)}
    no_springs = {"not_asked": "a hall"}
    asked = {
        "hall": {"echo_timing": no_springs, "group_delay": no_springs},
        "spring": {"echo_timing": {"springs": 1, "pass_law": "1:3:5", "passes": 2}},
    }
    for name, samples in sounds.items():
        response = Response(samples[np.newaxis].astype(float), RATE_HZ)
        writing.new(name, response, {**tables_for(name), **RENDERED, **asked[name]}, root / "golden")
        sound.write_sound(root / "takes" / f"{name}.wav", response.samples, RATE_HZ)
    return root


def gated(root: Path, only: str, captured: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    """Status and verdict of ``root/takes``; every file of the report is whole, and nothing is told as a bug."""
    report = root / "report"
    arguments = [str(root / "takes"), "--golden", str(root / "golden"), "--only", only, "--report", str(report)]
    status = main(["gate", *arguments])
    err = captured.readouterr().err
    assert status in (0, 1, 2), err
    assert "Traceback" not in err
    assert whole(report) >= 5
    verdict = json.loads((report / "verdict.json").read_text(encoding="utf-8"))
    assert {"pass": 0, "fail": 1, "unsure": 1, "error": 2}[verdict["outcome"]] == status
    assert not any(one["diagnosis_failed"] for one in verdict["references"])
    return status, verdict


@pytest.mark.few(4)
@pytest.mark.parametrize(("reference", "name"), PLACES)
def test_a_gate_is_given_a_take_that_is_strange(
    reference: str, name: str, goldens: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(goldens, tmp_path, dirs_exist_ok=True)
    (tmp_path / "takes" / f"{reference}.wav").unlink()
    take = tmp_path / "takes" / f"{reference}{Path(name).suffix}"
    take.write_bytes({**READABLE, **REFUSED}[name])
    status, verdict = gated(tmp_path, reference, capsys)
    if name in REFUSED:
        assert status == 1
        reasons = [one["reason"] for check in verdict["references"][0]["checks"] for one in check["findings"]]
        assert any(one.startswith(f"{take.name}: ") for one in reasons)


@pytest.mark.few(4)
@pytest.mark.parametrize(("reference", "name"), PLACES)
def test_a_gate_is_given_a_golden_that_is_strange(
    reference: str, name: str, goldens: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(goldens, tmp_path, dirs_exist_ok=True)
    toml = tmp_path / "golden" / reference / "reference.toml"
    (old,) = toml.parent.glob("response*")
    file = old.with_suffix(Path(name).suffix)
    old.unlink()
    file.write_bytes({**READABLE, **REFUSED}[name])
    text = toml.read_text(encoding="utf-8").replace(old.name, file.name)
    with contextlib.suppress(BadInput):  # what can be read is what was approved
        text = re.sub(r'sha256 = "[0-9a-f]{64}"', f'sha256 = "{sound.digest(*sound.read_sound(file))}"', text, count=1)
    toml.write_text(text, encoding="utf-8")
    status, verdict = gated(tmp_path, reference, capsys)
    if name in REFUSED:
        assert status == 2
        assert file.name in verdict["errors"][0]


# Names.

NAMES = ("..", "../../etc/passwd", "/dev/zero", "/etc/passwd", "a\0b", "a\nb", "a" * 5000, "~root", "\ud800", " ")


@pytest.mark.parametrize("suffix", [".toml", ".wav", ".json", ""])
@pytest.mark.parametrize("kind", ["fifo", "/dev/zero", "/dev/full", "loop", "folder", "a\0b", "a\nb", "a" * 5000])
def test_what_is_no_file_is_neither_read_nor_waited_for(kind: str, suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"it{suffix}"
    if kind == "fifo":
        os.mkfifo(path)
    elif kind.startswith("/dev"):
        path.symlink_to(kind)
    elif kind == "loop":
        path.symlink_to(path.name)
    elif kind == "folder":
        path.mkdir()
    else:
        path = tmp_path / f"{kind}{suffix}"
    readers: list[Callable[[Path], object]] = [
        sound.read_sound, sound.extent_of, read_toml, golden_set.names,
        lambda place: runs_of(runs.files_of(place)).kept and None,
    ]  # fmt: skip
    if suffix != ".wav":  # one recording is a build, and read when it is judged
        readers.append(builds.open_build)
    for read in readers:
        started = time.monotonic()
        refusal = ""
        try:
            assert not read(path)  # a folder of runs may be empty
        except BadInput as error:
            refusal = str(error)
        except OSError as error:  # which the command line tells as file and cause
            refusal = str(error.strerror)
        assert len(refusal.splitlines()) <= 1
        assert time.monotonic() - started < 2


@pytest.mark.parametrize("name", NAMES)
def test_impulses_stay_in_their_folder(name: str, tmp_path: Path) -> None:
    """Names of files in a reference.toml lead nowhere else."""
    text = (Path(__file__).parent.parent / "golden/workshop-spring/reference.toml").read_text(encoding="utf-8")
    quoted = json.dumps(name.encode("utf-8", "replace").decode())
    file = tmp_path / "golden" / "it" / "reference.toml"
    file.parent.mkdir(parents=True)
    file.write_text(text.replace('"response.flac"', quoted), encoding="utf-8")
    (file.parent.parent / "tolerances.toml").write_bytes(
        (Path(__file__).parent.parent / "golden/tolerances.toml").read_bytes()
    )
    assert golden_set.verify(file.parent.parent)
    with pytest.raises(BadInput):
        golden_set.load(file.parent.parent)


# Disks.


def forked(work: Callable[[], object]) -> int:
    child = os.fork()
    if child == 0:
        try:
            work()
            os._exit(0)
        except BadInput:
            os._exit(2)
        except BaseException:
            os._exit(3)
    return child


def status_of(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def whole(folder: Path) -> int:
    """Every file that can be seen is whole; how many."""
    files = [file for file in folder.rglob("*") if file.is_file() and not file.name.startswith(".")]
    for file in files:
        content = file.read_bytes()
        if file.suffix == ".json":
            json.loads(content)
        elif file.suffix in (".html", ".svg", ".xml"):
            assert content.rstrip().endswith((b"</html>", b"</svg>", b"</testsuites>")), file
        elif file.suffix in (".wav", ".flac"):
            sound.read_sound(file)
        else:
            assert content
    return len(files)


def write_everything(folder: Path, number: int = 0) -> None:
    verdict = old_verdict("8-grids")
    report.write_report(verdict, folder / "report")
    runs.keep({**verdict, "judged_at": f"2026-01-01T00:00:{number:02d}+00:00"}, folder / "runs")
    sound.write_sound(folder / "it.wav", np.zeros((1, 20000)), 8000)
    durable.replace_text(folder / "it.json", json.dumps(["x"] * 2000))


@pytest.mark.parametrize("room", [0, 100, 5000, 30000])
def test_a_full_disk_is_told_and_leaves_nothing_half(room: int, tmp_path: Path) -> None:
    (tmp_path / "report").mkdir()
    (tmp_path / "runs").mkdir()
    writers = (
        lambda: report.write_report(old_verdict("8-grids"), tmp_path / "report"),
        lambda: runs.keep(old_verdict("8-grids"), tmp_path / "runs"),
        lambda: sound.write_sound(tmp_path / "it.wav", np.zeros((1, 20000)), 8000),
    )
    old_verdict("8-grids")

    def little_room(write: Callable[[], object]) -> Callable[[], object]:
        def work() -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
            write()

        return work

    statuses = [status_of(forked(little_room(write))) for write in writers]
    assert set(statuses) <= {0, 2}, statuses
    assert 2 in statuses
    whole(tmp_path)
    assert not list((tmp_path / "runs").glob(".*.new"))


@pytest.fixture
def full(tmp_path: Path) -> Iterator[Callable[[int], Path]]:
    """A disk of its own, 4 MB, and what fills it but for so many bytes."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(disk)]
    if os.getuid() or not shutil.which("mount") or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a disk that can be filled takes root, who may mount one")

    def fill(room: int) -> Path:
        about = os.statvfs(disk)
        (disk / ".filling").write_bytes(bytes(max(about.f_bavail * about.f_frsize - room, 0)))
        return disk

    yield fill
    subprocess.run(["umount", str(disk)], check=True)


ROOMS = (0, 4096, 20_000, 80_000, 160_000, 400_000)


@pytest.mark.few(2)
@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize(
    "work",
    [
        "report",
        "old report",
        "runs",
        "index",
        "temporary",
        "build",
        "new",
        "approve",
        "demo",
        "board",
        "merge",
        "sweep",
    ],
)
def test_a_disk_that_is_full(
    work: str, room: int, full: Callable[[int], Path], workspace: Workspace, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """Told in two lines at most, all that can be seen is whole, and no older verdict stands where a new one should."""
    disk, golden, take = full(4 << 20), workspace.golden, str(workspace.takes / "short.wav")
    gate = ["gate", str(workspace.takes), "--golden", str(golden)]
    report = disk / "report"
    parts_of_one = [str(workspace.root / f"part-{number}") for number in (1, 2)]
    if work in ("old report", "board", "merge"):
        assert main([*gate, "--report", str(workspace.root / "report" if work == "board" else report)]) == 0
    if work == "merge":
        for number, part in enumerate(parts_of_one, start=1):
            assert main([*gate, "--shard", f"{number}/2", "--report", part]) == 0
    if work == "approve":
        shutil.copytree(golden, disk / "golden")
    if work == "index":
        for number in range(20):
            findings = [finding(f"spring {spring}", 0.001 * number) for spring in range(60)]
            runs.keep(run(number, findings), disk / "runs")
    if work in ("temporary", "build"):
        monkeypatch.setattr(tempfile, "tempdir", str(disk))
    to_disk = ["--golden", str(disk / "golden")]
    arguments = {
        "report": [*gate, "--report", str(report)],
        "old report": [*gate, "--report", str(report)],
        "runs": [*gate, "--runs", str(disk / "runs")],
        "index": ["drift", "--runs", str(disk / "runs")],
        "temporary": [*gate, "--report", str(workspace.root / "report")],
        "build": ["gate", str(workspace.build()), "--golden", str(golden), "--only", "short"],
        "new": ["golden", "new", "fresh", "--from", take, *to_disk],
        "approve": ["golden", "approve", "short", "--from", str(workspace.takes / "long.wav"), "--why", "x", *to_disk],
        "demo": ["demo", str(disk / "demo")],
        "board": ["board", str(workspace.root / "report"), "--out", str(disk / "board")],
        "merge": ["merge", *parts_of_one, "--report", str(report)],
        "sweep": ["sweep", str(disk / "sweep.wav")],
    }[work]
    capsys.readouterr()
    full(room)
    status = main(arguments)
    told = [line for line in capsys.readouterr().err.splitlines() if not line.startswith(PROGRESS)]
    assert status in (0, 1, 2), told
    assert (status == 2) == bool(told), told
    assert len(told) <= 1
    whole(disk)
    assert not [file for file in disk.rglob(".*") if file.name not in (".filling", index.NAME)]
    if status == 1:
        assert work in ("index", "build")  # a drift that is told, and a build that is told to have had no room
    if work in ("old report", "merge") and status == 2 and (report / "verdict.json").exists():
        assert json.loads((report / "verdict.json").read_text())["outcome"] == "error"
    if work == "approve":
        assert golden_set.verify(disk / "golden") == []


PROGRESS = ("reverdict: judging ", "reverdict: making sounds", "reverdict: finding springs")


def test_a_full_disk_that_nothing_could_be_said_on() -> None:
    """The last resort of an item: a file without a word."""
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "long.conduct.0.trouble").touch()
        with pytest.raises(BadInput, match="no room left to judge in"):
            parts.raise_troubles(Path(name))


# What may not be read or written. Root may do everything, so the powers to are dropped.


def powerless(arguments: Sequence[str], said: Path) -> int:
    """Status of a command that is run without the powers of root; what it said as errors is in a file."""

    def work() -> None:
        if os.getuid() == 0:
            nothing = ctypes.CDLL(None).capset(struct.pack("Ii", CAPABILITY_VERSION, 0), bytes(24))
            assert nothing == 0
        with said.open("w") as told, contextlib.redirect_stderr(told), contextlib.redirect_stdout(io.StringIO()):
            status = main(arguments)
        os._exit(status)

    return status_of(forked(work))


CAPABILITY_VERSION = 0x20080522
"""The third of Linux (linux/capability.h)."""

LOCKED = {
    "golden/short/reference.toml": "short/reference.toml: cannot be read (Permission denied)",
    "golden/short": "short/reference.toml: cannot be read (Permission denied)",
    "golden": "golden: cannot be looked into (Permission denied)",
    "takes": "takes: Permission denied",
    "report": "report: cannot write the report here (no permission)",
    "report/sounds/long": "cannot write the sounds here (Permission denied)",
    "runs": "runs: cannot write the run here (no permission)",
}


@pytest.mark.skipif(sys.platform != "linux", reason="other systems drop powers otherwise")
@pytest.mark.parametrize("place", LOCKED)
def test_what_may_not_be_read_or_written_is_told(place: str, workspace: Workspace) -> None:
    for folder in ("report/sounds/long", "runs"):
        (workspace.root / folder).mkdir(parents=True)
    (workspace.root / "report/sounds/long/sounds.js").write_text("globalThis.reverdictSounds = {};")
    locked, said = workspace.root / place, workspace.root / "said"
    of_root = ["--golden", str(workspace.golden), "--report", str(workspace.root / "report")]
    mode = locked.stat().st_mode
    locked.chmod(0o500 if place.startswith(("report", "runs")) else 0)
    try:
        arguments = ["gate", str(workspace.takes), *of_root, "--runs", str(workspace.root / "runs")]
        assert powerless(arguments, said) == 2
    finally:
        locked.chmod(mode)
    told = [line for line in said.read_text().splitlines() if not line.startswith(PROGRESS)]
    assert [line.endswith(LOCKED[place]) for line in told] == [True], told


@pytest.mark.skipif(sys.platform != "linux", reason="other systems drop powers otherwise")
def test_a_recording_that_may_not_be_read_fails_by_itself(workspace: Workspace) -> None:
    (workspace.takes / "short.wav").chmod(0)
    report = workspace.root / "report"
    arguments = ["gate", str(workspace.takes), "--golden", str(workspace.golden), "--report", str(report)]
    assert powerless(arguments, workspace.root / "said") == 1
    outcomes = {one["name"]: one["outcome"] for one in json.loads((report / "verdict.json").read_text())["references"]}
    assert outcomes == {"long": "pass", "short": "fail"}
    assert "short.wav: cannot be read (no permission)" in (report / "summary.md").read_text()


@pytest.mark.skipif(sys.platform != "linux", reason="other systems drop powers otherwise")
def test_a_golden_that_may_not_be_written_to_is_gated_and_not_approved(workspace: Workspace) -> None:
    said, golden = workspace.root / "said", ["--golden", str(workspace.golden)]
    before = {file: file.read_bytes() for file in workspace.golden.rglob("*") if file.is_file()}
    for folder in (workspace.golden / "short", workspace.golden):
        folder.chmod(0o500)
    try:
        assert powerless(["gate", str(workspace.takes), *golden], said) == 0
        for arguments in (["new", "fresh"], ["approve", "short", "--why", "x"]):
            from_take = ["--from", str(workspace.takes / "long.wav")]
            assert powerless(["golden", *arguments, *from_take, *golden], said) == 2
            assert "cannot be written" in said.read_text()
    finally:
        for folder in (workspace.golden, workspace.golden / "short"):
            folder.chmod(0o700)
    assert {file: file.read_bytes() for file in workspace.golden.rglob("*") if file.is_file()} == before


@pytest.mark.skipif(sys.platform != "linux", reason="other systems drop powers otherwise")
def test_a_golden_that_was_not_asked_for_may_be_closed(workspace: Workspace) -> None:
    (workspace.golden / "short").chmod(0)
    try:
        arguments = ["gate", str(workspace.takes), "--golden", str(workspace.golden), "--only", "long"]
        assert powerless(arguments, workspace.root / "said") == 0, (workspace.root / "said").read_text()
    finally:
        (workspace.golden / "short").chmod(0o700)


@pytest.mark.skipif(sys.platform != "linux", reason="other systems drop powers otherwise")
def test_neighbours_that_may_not_be_looked_into_are_left_alone(workspace: Workspace) -> None:
    """As other people's homes are, and what a system keeps in its temporary folder."""
    locked = workspace.root / "another home"
    locked.mkdir()
    locked.chmod(0)
    try:
        arguments = ["gate", str(workspace.takes), "--golden", str(workspace.golden)]
        assert powerless(arguments, workspace.root / "said") == 0
    finally:
        locked.chmod(0o700)


def test_a_working_folder_that_is_gone_is_told(workspace: Workspace, capfd: pytest.CaptureFixture[str]) -> None:
    gone = workspace.root / "gone"
    gone.mkdir()

    def work() -> None:
        os.chdir(gone)
        gone.rmdir()
        os._exit(main(["gate", str(workspace.takes), "--golden", str(workspace.golden)]))

    assert status_of(forked(work)) == 2
    assert "the folder that this runs in is gone" in capfd.readouterr().err


def test_where_nothing_can_be_written_it_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    runs_there = tmp_path / "runs"
    runs.keep(run(1, [finding("spring 1", 0.0)]), runs_there)
    for place in ("/proc/nowhere", "/dev/null/report"):
        assert main(["drift", "--runs", str(runs_there), "--report", place]) == 2
        said(capsys)


def test_it_runs_without_a_home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("HOME", "USER", "LOGNAME", "XDG_CACHE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.delenv(name, raising=False)
    runs.keep(run(1, [finding("spring 1", 0.0)]), tmp_path / "runs")
    assert main(["drift", "--runs", str(tmp_path / "runs")]) == 0


def test_a_clock_that_goes_back_loses_no_run(tmp_path: Path) -> None:
    times = [
        "2026-05-01T00:00:00+00:00",
        "2026-04-01T00:00:00+00:00",
        "2026-04-01T00:00:00+00:00",
        "1970-01-01T00:00:00",
        "9999-12-31T23:59:59+00:00",
        "2026-05-02T00:00:00+00:00",
    ]
    for number, when in enumerate(times):
        runs.keep(run(number, [finding("spring 1", 0.0)], judged_at=when), tmp_path)
        assert len(runs_of(runs.files_of(tmp_path)).kept) == number + 1
    os.utime(runs.files_of(tmp_path)[0], (0, 0))
    assert [one.about["judged_at"] for one in runs_of(runs.files_of(tmp_path)).kept] == sorted(times)


def kills(folder: Path, count: int, seed: int) -> int:
    """Kill writers at random moments; files seen whole."""
    chance = random.Random(seed)
    folder.mkdir()
    write_everything(folder)
    started = time.monotonic()
    write_everything(folder, 1)
    lasts, seen = time.monotonic() - started, 0
    for number in range(count):
        child = forked(lambda number=number: [write_everything(folder, 2 + number % 50) for _ in range(20)])
        time.sleep(chance.uniform(0, 4 * lasts))  # it begins anew, and shares the machine
        os.kill(child, signal.SIGKILL)
        status_of(child)
        seen += whole(folder)
    found = runs_of(runs.files_of(folder / "runs"))
    assert not found.no_runs
    return seen


@pytest.mark.parametrize("count", [6, pytest.param(300, marks=pytest.mark.slow)])
def test_killed_writers_leave_whole_files(count: int, tmp_path: Path) -> None:
    assert kills(tmp_path / "there", count, seed=count) > 10 * count


@pytest.mark.parametrize("count", [2, pytest.param(25, marks=pytest.mark.slow)])
def test_two_runs_into_one_folder(count: int, tmp_path: Path) -> None:
    children = [forked(lambda: [write_everything(tmp_path, number) for number in range(count)]) for _ in range(2)]
    assert [status_of(child) for child in children] == [0, 0]
    assert whole(tmp_path) > 5
    found = runs_of(runs.files_of(tmp_path / "runs"))
    assert (len(found.kept), found.no_runs) == (2 * count, ())


def test_two_readers_make_one_index(tmp_path: Path) -> None:
    for number in range(30):
        runs.keep(run(number, [finding("spring 1", 0.0)]), tmp_path)

    def read() -> Any:
        assert len(runs_of(runs.files_of(tmp_path)).kept) == 30

    assert [status_of(child) for child in [forked(read) for _ in range(3)]] == [0, 0, 0]
