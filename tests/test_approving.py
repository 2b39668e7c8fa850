"""Approvals that are killed, come at once, or meet an editor: the old or the new golden stands whole, the log too."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from conftest import RATE_HZ, Workspace, spring, tables_for
from killed_approvals import response
from reverdict import durable, golden_set
from reverdict.command_line import main
from reverdict.errors import BadInput
from reverdict.golden_set import approvals, writing
from reverdict.golden_set.approvals import read_log
from reverdict.golden_set.text import settings_from
from reverdict.making import approving
from reverdict.sound import digest, write_sound
from reverdict.words import Response

fcntl = pytest.importorskip("fcntl", reason="no advisory locks here")

HELPER = Path(__file__).with_name("killed_approvals.py")
LEFT_OVER = (
    "left over from a write that was cut off",
    "left over from an approval that was cut off",
    "its last approval",
)


def run_helper(root: Path, how: str, count: int = 0, seed: int = 1) -> None:
    subprocess.run([sys.executable, "-W", "ignore", HELPER, root, how, str(count), str(seed)], check=True, timeout=500)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A folder with ``original``: a golden of the short spring, and ``new.wav``, the long one, to be approved."""
    original = tmp_path / "original"
    original.mkdir()
    writing.new("tank", Response(spring(300)[np.newaxis], RATE_HZ), tables_for("tank"), original / "golden")
    write_sound(original / "new.wav", spring(340)[np.newaxis], RATE_HZ)
    return tmp_path


@cache
def sounds() -> tuple[str, str]:
    """Digests of the old and of the new golden."""
    return digest(spring(300)[np.newaxis], RATE_HZ), digest(new_sound().samples, RATE_HZ)


@cache
def new_sound() -> Response:
    return Response(spring(340)[np.newaxis], RATE_HZ)


def require_whole(folder: Path) -> bool:
    """The old or the new golden stands whole, and approving again leaves it tidy. True if the new one stood."""
    golden = folder / "golden"
    (found,) = golden_set.load(golden)
    new = bool(sounds().index(found.reference.files[0].sha256))
    assert (found.reference.approval.why == "killed") == new
    assert not golden_set.edited_by_hand(found.reference, golden)
    for mistake in golden_set.verify(golden):
        assert mistake.problem.startswith(LEFT_OVER), str(mistake)
    first = (golden / "tank" / "approvals.log").read_bytes().splitlines()[0]
    assert first == (folder.parent / "original" / "golden" / "tank" / "approvals.log").read_bytes().splitlines()[0]

    writing.approve("tank", new_sound(), "new", "again", "Nobody", golden)
    assert golden_set.verify(golden) == []
    (impulse,) = (golden / "tank").glob("*.wav")
    names = {path.name for path in (golden / "tank").iterdir()}
    assert names == {"reference.toml", "approvals.log", impulse.name}
    records, mistakes = read_log(golden / "tank")
    assert not mistakes
    for before, after in pairwise(records):
        assert after["old_sha256"] == before["new_sha256"] or (after.get("found") and not after["old_sha256"])
    return new


@pytest.mark.parametrize("how", ["torn", pytest.param("before", marks=pytest.mark.slow)])
def test_killed_at_any_file_operation_the_old_or_the_new_stands(root: Path, how: str) -> None:
    run_helper(root, how)
    folders = sorted(root.glob("kill-*"), key=lambda path: int(path.name.partition("-")[2]))
    stood = [require_whole(folder) for folder in folders]
    print(f"\n{how}: killed at {len(stood)} operations, the old stood {stood.count(False)} times, the new the rest")
    # Old up to the one moment at which it becomes true, new from then on.
    assert stood == sorted(stood)
    assert stood.count(False) >= 4
    assert stood.count(True) >= 4


@pytest.mark.parametrize("count", [5, pytest.param(100, marks=pytest.mark.slow)])
def test_killed_at_random_moments_the_old_or_the_new_stands(root: Path, count: int) -> None:
    run_helper(root, "signal", count)
    stood = [require_whole(root / f"kill-{number}") for number in range(count)]
    print(f"\nsignal: killed {count} times, the old stood {stood.count(False)} times, the new the rest")
    assert False in stood


@pytest.mark.parametrize("count", [6, pytest.param(60, marks=pytest.mark.slow)])
def test_approvals_at_once_do_not_mix(tmp_path: Path, count: int) -> None:
    names = ["plate", "room", "tank"]
    for name in names:
        writing.new(name, response(-1), tables_for(name), tmp_path / "golden")
    (tmp_path / "names").write_text(" ".join(names), encoding="utf-8")
    run_helper(tmp_path, "together", count)
    assert golden_set.verify(tmp_path / "golden") == []
    for index, name in enumerate(names):
        (golden,) = golden_set.load(tmp_path / "golden", name)
        records, _ = read_log(tmp_path / "golden" / name)
        numbers = range(index, count, len(names))
        assert sorted(record["why"] for record in records[1:]) == sorted(f"why {number}" for number in numbers)
        for before, after in pairwise(records):
            assert after["old_sha256"] == before["new_sha256"]
        last = records[-1]
        number = int(last["why"].removeprefix("why "))
        assert last["build"] == golden.reference.approval.build == f"build {number}"
        np.testing.assert_allclose(golden.response.samples, response(number).samples, rtol=2.0**-24, atol=0)
        assert len(list((tmp_path / "golden" / name).iterdir())) == 3


@pytest.mark.few(1)
@pytest.mark.parametrize("name", ["tank", "other"])
def test_references_made_at_once_are_made_once(tmp_path: Path, name: str) -> None:
    golden = tmp_path / "golden"
    writing.new("first", response(0), tables_for("first"), golden)
    (tmp_path / "names").write_text(name, encoding="utf-8")
    run_helper(tmp_path, "made", 3)
    assert golden_set.verify(golden) == []


# Waiting, and what is edited meanwhile.


def test_an_approval_waits_for_another_and_then_says_so(
    workspace: Workspace, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(workspace.root)
    monkeypatch.setattr(durable, "LONGEST_WAIT_S", 0.2)
    before = {path: path.read_bytes() for path in workspace.golden.rglob("*.*")}
    held = os.open("golden/short", os.O_RDONLY)
    try:
        fcntl.flock(held, fcntl.LOCK_EX)
        assert main(["golden", "approve", "short", "--from", "takes/long.wav", "--why", "because"]) == 2
    finally:
        os.close(held)
    assert capsys.readouterr().err.splitlines() == [
        "reverdict: another approval of short is under way; waiting up to 0.2 s for it",
        "reverdict: golden/short: another approval of short is under way; try again when it has ended",
    ]
    assert {path: path.read_bytes() for path in workspace.golden.rglob("*.*")} == before
    assert main(["golden", "approve", "long", "--from", "takes/short.wav", "--why", "another one is free"]) == 0
    assert main(["golden", "approve", "short", "--from", "takes/long.wav", "--why", "because"]) == 0


def test_what_a_killed_approval_left_is_taken_away_though_nothing_is_new(workspace: Workspace) -> None:
    """The new golden stood already, but the old impulse was still there."""
    left = workspace.golden / "short" / "response-0123456789ab.wav"
    write_sound(left, spring(340)[np.newaxis], RATE_HZ)
    (mistake,) = golden_set.verify(workspace.golden)
    assert mistake.problem.startswith("left over from an approval that was cut off; the next one of short takes it")
    take = workspace.takes / "short.wav"
    *_, holds, took = approving.approve_reference("short", take, "again", workspace.golden)
    assert holds.endswith("holds this response already; nothing is written.")
    assert took == f"Left over from an approval that was cut off, and taken away: {left.name}."
    assert golden_set.verify(workspace.golden) == []


def test_a_look_needs_no_lock(workspace: Workspace) -> None:
    held = os.open(workspace.golden / "short", os.O_RDONLY)
    try:
        fcntl.flock(held, fcntl.LOCK_EX)
        take = workspace.takes / "long.wav"
        *_, last = approving.approve_reference("short", take, "", workspace.golden, preview=True)
    finally:
        os.close(held)
    assert last.startswith("Nothing is written; ")


def test_without_locks_approvals_go_on(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(durable, "fcntl", None)
    list(approving.approve_reference("short", workspace.takes / "long.wav", "because", workspace.golden))
    assert golden_set.verify(workspace.golden) == []


def test_what_is_edited_meanwhile_is_not_written_over(workspace: Workspace) -> None:
    impulse = workspace.impulse()
    with writing.approving("short", "because", "me", workspace.golden) as held:
        workspace.edit("passes = 3", "passes = 2")
        with pytest.raises(BadInput, match="was edited while this approval ran; nothing is written"):
            held.write(response(1), "build")
    assert workspace.impulse() == impulse
    assert golden_set.references(workspace.golden, "short")[0].echo_timing.passes == 2
    (change,) = golden_set.edited_by_hand(golden_set.references(workspace.golden, "short")[0], workspace.golden)
    assert str(change) == "echo_timing.passes: 3 → 2"


def test_a_full_disk_leaves_the_old_golden_and_nothing_else(
    workspace: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = {path: path.read_bytes() for path in workspace.golden.rglob("*.*")}

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing, "settle", full)
    with pytest.raises(BadInput, match="cannot be written to"):
        list(approving.approve_reference("short", workspace.takes / "long.wav", "because", workspace.golden))
    after = {path: path.read_bytes() for path in workspace.golden.rglob("*.*")}
    assert after == before


# The log.


@pytest.fixture
def tank(tmp_path: Path) -> Path:
    writing.new("tank", response(0), tables_for("tank"), tmp_path / "golden")
    return tmp_path / "golden"


def approve(golden: Path, number: int) -> None:
    writing.approve("tank", response(number), f"build {number}", f"why {number}", "Somebody", golden)


@pytest.mark.parametrize("cut", [1, 2, 30, 400])
def test_a_torn_last_line_is_named_kept_and_made_good(tank: Path, cut: int) -> None:
    approve(tank, 1)
    log = tank / "tank" / "approvals.log"
    whole = log.read_bytes()
    first, second = whole.splitlines()
    log.write_bytes(whole[:-cut])
    problems = [str(mistake) for mistake in golden_set.verify(tank)]
    assert (problems == []) == (cut == 1)  # without its last end of line it is a record still
    approve(tank, 2)
    assert golden_set.verify(tank) == []
    lines = log.read_bytes().splitlines()
    assert lines[0] == first
    records, _ = read_log(tank / "tank")
    assert [record["why"] for record in records][:3] == ["It is the spring", "why 1", "why 2"]
    if cut > 1:
        assert json.loads(lines[1]) == {"cut_off": second.decode()[: -cut + 1]}
        assert records[1]["found"]


def test_a_log_that_is_gone_begins_with_what_was_found(tank: Path) -> None:
    (tank / "tank" / "approvals.log").unlink()
    assert golden_set.verify(tank) == []
    approve(tank, 1)
    found, approved = read_log(tank / "tank")[0]
    assert (found["found"], found["why"], found["old_sha256"]) == (True, "It is the spring", [])
    assert approved["old_sha256"] == found["new_sha256"]


def test_marks_of_a_merge_in_the_log_are_named_by_their_line(tank: Path) -> None:
    log = tank / "tank" / "approvals.log"
    log.write_text(f"<<<<<<< ours\n{log.read_text(encoding='utf-8')}", encoding="utf-8")
    assert [str(one) for one in golden_set.verify(tank)] == [
        f"{log}: line 1: not a record of an approval; was it cut off?"
    ]
    approve(tank, 1)
    assert len(read_log(tank / "tank")[0]) == 2
    assert log.read_text(encoding="utf-8").startswith("<<<<<<< ours\n")


def test_two_approvals_in_one_second_are_told_apart(tank: Path) -> None:
    """What a kill between the two renamings leaves: terms in reference.toml that the log does not know."""
    log = tank / "tank" / "approvals.log"
    with writing.approving("tank", "a", "me", tank) as held:
        held.write(settings=settings_from(["echo_timing.arrival_ms=0.2"]))
    before = log.read_bytes()
    with writing.approving("tank", "a", "me", tank) as held:
        held.write(settings=settings_from(["echo_timing.arrival_ms=0.3"]))
    log.write_bytes(before)
    (mistake,) = golden_set.verify(tank)
    assert "its last approval is not the one reference.toml tells of" in str(mistake)
    assert not golden_set.edited_by_hand(golden_set.references(tank)[0], tank)
    approve(tank, 1)
    assert [record.get("found") for record in read_log(tank / "tank")[0]] == [None, None, True, None]
    assert golden_set.verify(tank) == []


def test_the_log_says_what_is_in_force_and_what_was_measured(workspace: Workspace) -> None:
    list(approving.approve_reference("short", workspace.takes / "long.wav", "because", workspace.golden))
    record = approvals.read_log(workspace.golden / "short")[0][-1]
    assert record["terms"]["echo_timing.arrival_ms"] == 0.1
    assert record["terms"]["cost.not_asked"] == "not asked of a player"
    assert not any(key.startswith("cost.") for key in record["terms"] if key != "cost.not_asked")
    assert record["analysis_version"] == 1
    assert record["measured"]["springs"] == 1
    assert {"spring 1 pass 1 arrival, ms", "1000 Hz T30, s", "1000 Hz level, dB"} <= record["measured"].keys()
