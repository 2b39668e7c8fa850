"""Sound files, names and disks as nobody should meet them: a line or two, a status that is documented, no traceback,
and nothing half written.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import resource
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fuzz_targets import old_verdict
from hostile_sounds import READABLE, REFUSED
from made_history import finding, run
from reverdict import builds, durable, golden_set, report, schema, sound
from reverdict.command_line import main
from reverdict.errors import BadInput
from reverdict.history import runs
from reverdict.history.index import runs_of


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
        sound.read_sound, sound.extent_of, schema.read_toml, golden_set.names,
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
        time.sleep(chance.uniform(0, 1.2 * lasts))
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
