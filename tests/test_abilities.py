"""What this machine can do: told for machines where all is here, where nothing is, and where things do not do."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from reverdict import abilities, extras
from reverdict.command_line import main
from reverdict.extras import getting
from reverdict.report.printed import machine as printed

STATES = {"here", "in part", "missing"}
MACHINE = {
    "class": "x86_64", "cores": 1, "processor": None, "system": "Linux 6", "libc": None, "compiler": None,
    "counter": None, "python": "3.12.1",
}  # fmt: skip


def told(*found: abilities.Ability) -> dict[str, Any]:
    return {"schema": 1, "reverdict": "9", "machine": MACHINE, "abilities": [vars(one) for one in found]}


def ability(name: str, state: abilities.State, getting: str = "") -> abilities.Ability:
    return abilities.Ability("builds", name, state, "as found", "something", getting)


def program(folder: Path, name: str, script: str) -> None:
    (folder / name).write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    (folder / name).chmod(0o755)


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A PATH with nothing on it, its folder given."""
    folder = tmp_path / "bin"
    folder.mkdir()
    monkeypatch.setenv("PATH", str(folder))
    return folder


def test_the_command_tells_each_thing_once_and_ends_in_0(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["machine", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["schema"] == printed.SCHEMA
    assert said["machine"]["python"] == ".".join(map(str, sys.version_info[:3]))
    names = [one["name"] for one in said["abilities"]]
    assert len(set(names)) == len(names) == len(abilities.ASKED)
    for one in said["abilities"]:
        assert one["state"] in STATES
        assert one["told"]
        assert one["serves"]
        assert one["state"] == "here" or one["getting"] or "kind command" in one["told"], one
    text = printed.text(said)
    assert all(f"\n  {name} " in text for name in names)
    assert max(map(len, text.splitlines())) <= 104


def test_where_nothing_is_missing_it_says_so() -> None:
    text = printed.text(told(ability("git", "here")))
    assert text.startswith("Everything that reverdict can make use of is here.\n")
    assert "how to get" not in text


def test_what_is_missing_leads_and_how_to_get_it_ends() -> None:
    found = told(ability("git", "missing", "install git"), ability("counting", "in part"), ability("cores", "here"))
    text = printed.text(found)
    assert text.startswith("Git is missing here. Counting will do in part. All else")
    assert text.endswith("how to get the rest\n  git       install git\n")
    assert "missing: as found" in text


def test_a_terminal_without_our_signs_gets_ascii() -> None:
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    printed.show(told(ability("café", "here")), stream)
    stream.seek(0)
    assert "caf\\xe9" in stream.read()


def test_without_programs_compiler_counters_and_git_are_missing(bare: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from reverdict.render import counting

    monkeypatch.setattr(counting, "counter_version", lambda: "")
    monkeypatch.setattr(counting, "hardware_counts", lambda: False)
    asked = (abilities._compiler, abilities._callgrind, abilities._hardware_counter, abilities._git)
    found = [ask() for ask in asked]
    assert {one.state for one in found} == {"missing"}
    assert all("apt-get install" in one.getting for one in found)
    assert list(bare.iterdir()) == []


def test_a_compiler_that_compiles_nothing_will_do_in_part(bare: Path) -> None:
    program(bare, "cc", 'case "$1" in --version) echo "cc 1.2";; *) echo "math.h: not found" >&2; exit 1;; esac')
    found = abilities._compiler()
    assert (found.state, found.told) == (
        "in part",
        "cc 1.2, which does not compile an empty program: math.h: not found",
    )


def test_a_compiler_of_another_name_is_named(bare: Path) -> None:
    program(bare, "clang", "echo clang 17")
    found = abilities._compiler()
    assert found.state == "in part"
    assert "write clang in prepare lines" in found.told


def test_a_program_that_hangs_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(abilities, "ASKED_S", 0.2)
    said = abilities._said([sys.executable, "-c", "import time; time.sleep(60)"])
    assert (said.well, said.why) == (False, "no answer within 0 s")


def card(ways: str) -> str:
    return f'print(\'["0.5", "PortAudio V19, revision 1", {ways}]\')'


@pytest.mark.parametrize(
    ("asking", "state", "words"),
    [
        (card("[]"), "in part", "no device"),
        (card('[["Speakers", 0, 2]]'), "in part", "both plays and records"),
        (card('[["Box", 2, 2], ["Mike", 1, 0]]'), "here", "plays and records: Box"),
        ("raise OSError('PortAudio library not found')", "missing", "PortAudio library not found"),
    ],
)
def test_a_sound_interface_is_one_that_plays_and_records(
    asking: str, state: str, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(abilities, "ASKING_CARD", asking)
    monkeypatch.setattr(abilities.importlib.util, "find_spec", lambda _: True)
    found = abilities._sound_interface()
    assert found.state == state
    assert words in found.told
    assert (found.getting == "") == (state == "here")


def test_packages_that_are_not_there_are_told_with_their_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(abilities.importlib.util, "find_spec", lambda _: None)
    found = [ask() for ask in (abilities._vst3, abilities._comparison, abilities._sound_interface)]
    assert [one.state for one in found] == ["missing"] * 3
    packages = ("pedalboard", "pyroomacoustics", "sounddevice")
    assert all(one.getting.startswith(getting(package)) for one, package in zip(found, packages, strict=True))


def test_a_package_is_got_by_the_interpreter_that_runs_and_under_a_name_that_an_index_has(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    metadata = extras.importlib.metadata

    def none(_: str) -> None:
        raise metadata.PackageNotFoundError

    monkeypatch.setattr(extras.sys, "executable", "/my venv/bin/python")
    monkeypatch.setattr(metadata, "requires", lambda _: ["tool-box>=3", 'tool>=2; extra == "a"', "numpy"])
    assert getting("tool") == "'/my venv/bin/python' -m pip install 'tool>=2'"
    monkeypatch.setattr(metadata, "requires", none)
    assert getting("tool") == "'/my venv/bin/python' -m pip install tool"


@pytest.mark.parametrize(
    ("level", "user", "words"),
    [("2", 1000, "no setting helps"), ("3", 1000, "sysctl kernel.perf_event_paranoid=2"), ("3", 0, "no setting helps")],
)
def test_a_counter_is_opened_by_a_setting_only_where_the_setting_closes_it(
    level: str, user: int, words: str, bare: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program(bare, "perf", "exit 1")
    (tmp_path / "paranoid").write_text(f"{level}\n", encoding="ascii")
    monkeypatch.setattr(abilities, "PARANOID", tmp_path / "paranoid")
    monkeypatch.setattr(abilities.os, "geteuid", lambda: user)
    found = abilities._hardware_counter()
    assert found.state == "missing"
    assert words in found.getting


def test_plug_ins_are_counted_where_the_host_looks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("a.clap", "b.clap", "c.so"):
        (tmp_path / name).touch()
    monkeypatch.setenv("CLAP_PATH", str(tmp_path))
    assert "; 2 files of it on CLAP_PATH" in abilities._clap().told


def test_lv2_without_its_library_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(abilities, "ASKING_LILV", "raise SystemExit(1)")
    found = abilities._lv2()
    assert (found.state, "liblilv-0-0" in found.getting) == ("missing", True)


def test_a_busy_machine_and_a_full_disk_will_do_in_part(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(abilities, "_cores", lambda: 1)
    monkeypatch.setattr(abilities.os, "getloadavg", lambda: (0.9, 0, 0))
    monkeypatch.setattr(abilities, "ROOM_GB", 1e9)
    assert [ask().state for ask in (abilities._quiet, abilities._jobs, abilities._room)] == ["in part"] * 3
    monkeypatch.setattr(abilities.os, "getloadavg", lambda: (0.1, 0, 0))
    assert abilities._quiet().state == "here"


def test_the_cache_is_told_with_what_it_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "kept"
    folder.mkdir(mode=0o700)
    (folder / "one.measured").write_bytes(bytes(3_000_000))
    monkeypatch.setenv("REVERDICT_CACHE", str(folder))
    assert abilities._kept().told == f"{folder}, 1 kept, 3 of at most 2000 MB"
    monkeypatch.setenv("REVERDICT_CACHE", "off")
    assert (abilities._kept().state, abilities._kept().getting) == ("missing", "unset REVERDICT_CACHE")
    (tmp_path / "file").touch()
    monkeypatch.setenv("REVERDICT_CACHE", str(tmp_path / "file" / "below"))
    assert abilities._kept().getting == "REVERDICT_CACHE=/A/FOLDER that is yours alone (mode 700)"
    assert abilities._kept().told.endswith(f"below: cannot be made in {tmp_path / 'file'}")
    monkeypatch.setenv("REVERDICT_CACHE", "kept")
    assert abilities._kept().told.startswith("kept: no absolute path")
    monkeypatch.setenv("REVERDICT_CACHE", str(tmp_path / "new"))
    assert abilities._kept().told == f"{tmp_path / 'new'}, made when it is first needed"
    assert not (tmp_path / "new").exists()
    folder.chmod(0o777)
    monkeypatch.setenv("REVERDICT_CACHE", str(folder))
    assert abilities._kept().told == f"{folder}: others may write to it (mode 777)"


def test_no_browser_is_told_with_what_will_do(bare: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none() -> None:
        raise abilities.webbrowser.Error

    monkeypatch.setattr(abilities.webbrowser, "get", none)
    assert abilities._browser().state == "missing"
    program(bare, "chromium", "true")
    assert abilities._browser().state == "here"
