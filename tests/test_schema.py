"""reference.toml, tolerances.toml, build.toml: what they read as, and every mistake with file, key and slip."""

from __future__ import annotations

import subprocess
from datetime import datetime, timezone
from typing import TYPE_CHECKING, Any

import jsonschema
import numpy as np
import pytest
import tomlkit

from reverdict.errors import BadInput, BadInputs
from reverdict.reference import DefaultTolerances, FrequencyTolerance, Limits, Tolerance
from reverdict.schema.build import read_build
from reverdict.schema.meanings import json_schema
from reverdict.schema.reference import check_name, read_reference
from reverdict.schema.tolerances import read_tolerances
from reverdict.schema.toml import read_toml
from reverdict.words import CHECKS

if TYPE_CHECKING:
    from pathlib import Path

TOLERANCES: dict[str, dict[str, Any]] = {
    "echo_timing": {"arrival_ms": 0.1, "onset_ms": 0.2},
    "group_delay": {"delay_ms": [[100, 0.25], [3000, 1.0]], "transition_percent": 1},
    "energy_decay": {"edt_percent": 2, "t20_percent": 2, "t30_percent": 3, "level_db": 0.5},
    "cost": {"dearer_percent": 10, "cheaper_percent": 100},
    "conduct": {},
}

FORMS = "need a number, [[Hz, value], …] or { above = …, below = … }"


def a_reference(**changes: Any) -> dict[str, Any]:
    """A sound mono reference without tolerances; ``echo_timing__passes=2`` changes a key of a table."""
    tables: dict[str, Any] = {
        "schema": 1,
        "title": "A tank",
        "origin": "build",
        "rate_hz": 48000,
        "channels": "mono",
        "files": [{"path": "response.flac", "input": "mono", "sha256": "0" * 64}],
        "render": {"seconds": 3.0, "sample_rates_hz": [48000], "block_sizes": [512], "parameters": {"program": "tank"}},
        "approval": {
            "who": "An ear",
            "when": datetime(2026, 11, 25, 9, tzinfo=timezone.utc),
            "build": "workshop 1.0",
            "why": "It is the tank",
        },
        "echo_timing": {"springs": 2, "pass_law": "1:3:5", "passes": 3},
        "group_delay": {},
        "energy_decay": {},
        "cost": {},
        "conduct": {},
    }
    return changed(tables, changes)


def a_build(**changes: Any) -> dict[str, Any]:
    return changed({"build": {"name": "workshop", "version": "1.1", "kind": "python", "object": "w:Reverb"}}, changes)


def changed(tables: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    for path, value in changes.items():
        *location, key = path.split("__")
        table = tables
        for name in location:
            table = table.setdefault(name, {})
        if value is None:
            del table[key]
        else:
            table[key] = value
    return tables


def written(path: Path, tables: dict[str, Any]) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(tomlkit.dumps(tables), encoding="utf-8")
    return path


def defaults(folder: Path, **changes: Any) -> DefaultTolerances:
    tables = changed({table: {**keys} for table, keys in TOLERANCES.items()}, changes)
    return read_tolerances(written(folder / "tolerances.toml", tables))


def mistakes_of(folder: Path, **changes: Any) -> list[str]:
    """Mistakes of a reference, without the file they all start with."""
    path = written(folder / "tank" / "reference.toml", a_reference(**changes))
    with pytest.raises(BadInputs) as caught:
        read_reference(path, defaults(folder))
    assert all(str(mistake).startswith(f"{path}: ") for mistake in caught.value.mistakes)
    return [str(mistake).removeprefix(f"{path}: ") for mistake in caught.value.mistakes]


def test_a_reference_reads_with_the_defaults_and_its_own_keys_override_them(tmp_path: Path) -> None:
    tables = a_reference(echo_timing__arrival_ms=0.3, group_delay__delay_ms=0.5, cost__baseline="../v1.toml")
    reference = read_reference(written(tmp_path / "tank" / "reference.toml", tables), defaults(tmp_path))
    assert reference.name == "tank"
    assert reference.files[0].path == tmp_path / "tank" / "response.flac"
    assert reference.render.parameters == {"program": "tank"}
    assert reference.render.levels_dbfs == (-6.0,)
    assert [reference.echo_timing.arrival_ms, reference.echo_timing.onset_ms] == both_ways(0.3, 0.2)
    assert (reference.echo_timing.springs, reference.echo_timing.passes) == (2, 3)
    assert [reference.group_delay.delay_ms, reference.group_delay.transition_percent] == both_ways(0.5, 1)
    assert [reference.energy_decay.t30_percent] == both_ways(3)
    assert reference.cost.baseline == tmp_path / "tank" / "../v1.toml"
    assert reference.approval.when == datetime(2026, 11, 25, 9, tzinfo=timezone.utc)
    assert [reference.settings(check).not_asked for check in CHECKS] == [""] * 5


def both_ways(*values: float) -> list[Tolerance]:
    return [Tolerance.both_ways(value) for value in values]


def test_stereo_files_come_in_the_order_of_the_inputs(tmp_path: Path) -> None:
    files = [{"path": f"{side}.wav", "input": side, "sha256": "1" * 64} for side in ("right", "left")]
    tables = a_reference(channels="stereo-to-stereo", files=files)
    reference = read_reference(written(tmp_path / "tank" / "reference.toml", tables), defaults(tmp_path))
    assert [file.input for file in reference.files] == ["left", "right"]


def test_tolerance_runs_on_log_frequency_and_is_constant_outside() -> None:
    tolerance = FrequencyTolerance(((100.0, 0.2), (10000.0, 1.0)))
    # Derived: 1 kHz is the middle of 100 Hz … 10 kHz on a log scale.
    assert tolerance.at(1000.0) == pytest.approx(0.6, abs=1e-12)
    np.testing.assert_allclose(tolerance.at(np.array([0.0, 50.0, 100.0, 1e4, 2e4])), [0.2, 0.2, 0.2, 1.0, 1.0])
    assert FrequencyTolerance.constant(0.3).at(0.0) == 0.3


def test_a_tolerance_may_differ_both_ways_and_with_frequency(tmp_path: Path) -> None:
    tables = a_reference(
        energy_decay__t30_percent={"above": [[100, 2], [10000, 4]], "below": float("inf")}, energy_decay__t30_s=0.05
    )
    path = written(tmp_path / "tank" / "reference.toml", tables)
    decay = read_reference(path, defaults(tmp_path)).energy_decay
    assert decay.t30_percent.at(1000.0) == Limits(below=float("inf"), above=pytest.approx(3.0))
    assert decay.t30_s == Tolerance.both_ways(0.05)
    # The wider of a relative and an absolute limit holds, each way: 3 % of 1 s against 50 ms.
    assert decay.t30_percent.at(1000.0).times(0.01).or_wider(decay.t30_s.at()) == Limits(float("inf"), 0.05)
    assert decay.curve_db is decay.gain_db is None


def test_a_tolerance_nobody_wrote_down_is_missing_by_file_and_key(tmp_path: Path) -> None:
    path = written(tmp_path / "x" / "reference.toml", a_reference())
    with pytest.raises(BadInputs) as caught:
        read_reference(path, defaults(tmp_path, echo_timing__arrival_ms=None))
    assert str(caught.value) == f"{path}: echo_timing.arrival_ms: missing; set it here or in tolerances.toml"


def test_what_is_not_asked_needs_no_tolerances(tmp_path: Path) -> None:
    tables = a_reference(cost={"not_asked": "a capture has no cost"}, echo_timing={"not_asked": "a plate"})
    path = written(tmp_path / "x" / "reference.toml", tables)
    bare = defaults(tmp_path, cost=None, echo_timing=None)
    reference = read_reference(path, bare)
    assert reference.settings("cost").not_asked == "a capture has no cost"
    assert reference.cost.dearer_percent == 0


def test_every_mistake_is_reported_at_once(tmp_path: Path) -> None:
    found = mistakes_of(
        tmp_path,
        title=None,
        rate_hz=44100.5,
        echo_timing__springs=None,
        energy_decay__t20_percent=-1,
        cost__extra=1,
    )
    assert [mistake.partition(":")[0] for mistake in found] == [
        "title",
        "rate_hz",
        "energy_decay.t20_percent",
        "cost.extra",
        "echo_timing.springs",
    ]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        (
            {"echo_timing__arrival": 1},
            "echo_timing.arrival: unknown key; keys carry their unit: did you mean arrival_ms?",
        ),
        ({"energy_decay__t30": 1}, "energy_decay.t30: unknown key; keys carry their unit: did you mean t30_percent?"),
        ({"echo_timing__arival_ms": 1}, "echo_timing.arival_ms: unknown key; did you mean arrival_ms?"),
        ({"group_delay__t30_percent": 1}, "group_delay.t30_percent: unknown key here; it belongs in [energy_decay]"),
        ({"cost__title": "x"}, "cost.title: unknown key here; it belongs at the top of the file"),
        (
            {"conduct__loudness_db": 1},
            "loudness_db: unknown key; known here: stray_db, repeats_percent, ",
        ),
        ({"schema": 2}, "schema: need 1, got 2"),
        ({"origin": "bild"}, 'origin: need "build" or "capture", got the text "bild"'),
        ({"approval": None}, "approval: missing; who says that this is how it must sound"),
        ({"rate_hz": 48}, "rate_hz: need a rate in Hz such as 48000, got 48"),
        ({"echo_timing__arrival_ms": "0.1"}, 'got the text "0.1"; leave the quotes out'),
        (
            {"echo_timing__arrival_ms": True},
            f"echo_timing.arrival_ms: {FORMS}, got true",
        ),
        ({"echo_timing__springs": True}, "echo_timing.springs: need a whole number, got true"),
        ({"echo_timing__passes": 2.0}, "echo_timing.passes: need a whole number, got 2.0"),
        ({"echo_timing__arrival_ms": -0.1}, "echo_timing.arrival_ms: negative tolerance -0.1"),
        ({"echo_timing__arrival_ms": float("nan")}, "echo_timing.arrival_ms: need a finite number, got nan"),
        (
            {"echo_timing__arrival_ms": float("inf")},
            "need a finite number, got inf; to let anything pass one way: { above = 5, below = inf }",
        ),
        ({"echo_timing__passes": 0}, "echo_timing.passes: 2 springs and no pass to judge"),
        ({"echo_timing__pass_law": None}, 'echo_timing.passes: 3 passes need pass_law = "1:3:5" or "1:2:3"'),
        ({"echo_timing__springs": 0}, "echo_timing.passes: there are no passes where springs = 0"),
        ({"echo_timing__accept_unsure": " "}, "echo_timing.accept_unsure: empty; say it in a few words"),
        (
            {"group_delay__delay_ms": [[100, 1], [100, 2]]},
            "delay_ms: frequencies must rise: 100 Hz stands after 100 Hz",
        ),
        ({"group_delay__delay_ms": [[0, 1]]}, "group_delay.delay_ms: need frequencies above 0 Hz, got 0"),
        ({"group_delay__delay_ms": [[100, -1]]}, "group_delay.delay_ms: negative tolerance -1"),
        ({"group_delay__delay_ms": [100, 1]}, "group_delay.delay_ms: need pairs [Hz, value], got 100 among them"),
        (
            {"energy_decay__t30_percent": {"above": 2}},
            "need { above = …, below = … }, inf for any; got above",
        ),
        ({"energy_decay__t30_percent": {"above": 2, "under": 1}}, "inf for any; got above, under"),
        ({"energy_decay__t30_percent": {"above": 2, "below": -1}}, "negative tolerance -1"),
        (
            {"energy_decay__t30_percent": {"above": float("inf"), "below": float("inf")}},
            'any departure both ways asks nothing; write not_asked = "why" for the check instead',
        ),
        (
            {"group_delay__delay_ms": []},
            f"group_delay.delay_ms: {FORMS}, got an empty list",
        ),
        (
            {"group_delay__delay_ms": "1"},
            f'delay_ms: {FORMS}, got the text "1"',
        ),
        (
            {"group_delay__delay_ms": False},
            f"group_delay.delay_ms: {FORMS}, got false",
        ),
        ({"render__seconds": 0}, "render.seconds: need more than 0, got 0"),
        ({"render__block_sizes": []}, "render.block_sizes: need at least 1 entry, got 0"),
        (
            {"render__block_sizes": [64, "all"]},
            'render.block_sizes[1]: need whole numbers from 1 to 65536, or "whole", got the text "all"',
        ),
        ({"render__block_sizes": [0]}, 'render.block_sizes[0]: need whole numbers from 1 to 65536, or "whole", got 0'),
        ({"render__block_sizes": [64, 1, 64]}, "render.block_sizes: 64 stands there twice"),
        ({"render__presets": ["a", "a"]}, 'render.presets: "a" stands there twice'),
        ({"render__presets": ["a b"]}, 'render.presets[0]: "a b" cannot name a preset; use letters, digits'),
        ({"render__levels_dbfs": [-6, 3]}, "render.levels_dbfs[1]: need at most 0, got 3"),
        (
            {"render__level_dbfs": -6.0, "render__levels_dbfs": [-6.0, -40.0]},
            "render.levels_dbfs: level_dbfs is there, too; keep one of the two",
        ),
        ({"render__matrix": "all"}, 'render.matrix: need "cross" or "full", got the text "all"'),
        ({"render__blocks": [1]}, "render.blocks: unknown key; did you mean block_sizes?"),
        (
            {"render__sample_rates_hz": [44100, 48000]},
            "render: sample_rates_hz: need 48000 first, the rate of the impulse; got [44100, 48000]",
        ),
        (
            {"cells": {"sample_rate": {"group_delay": {"delay_ms": 1}}}},
            "cells: sample_rate: no cell differs in it; render.sample_rates_hz asks for no second value",
        ),
        (
            {"render__block_sizes": [512, 1], "cells": {"block_size": {"group_delay": {"delay": 1}}}},
            "cells.block_size.group_delay.delay: unknown key; keys carry their unit: did you mean delay_ms?",
        ),
        (
            {"render__block_sizes": [512, 1], "cells": {"block": {"group_delay": {"delay_ms": 1}}}},
            "cells.block: unknown key; did you mean block_size?",
        ),
        (
            {"render__block_sizes": [512, 1], "cells": {"block_size": {"energy_decay": {"level_db": -1}}}},
            "cells.block_size.energy_decay.level_db: negative tolerance -1",
        ),
        ({"render__parameters": {"a": [1]}}, "render.parameters: a: need text, a number or true/false, got a list"),
        (
            {"approval__when": "2026-11-25"},
            "approval.when: need a date with time and zone such as 2026-11-25T09:00:00Z",
        ),
        ({"approval__when": datetime(2026, 11, 25)}, "approval.when: need a time with its zone"),
        ({"files": {}}, "files: need a list, got a table"),
        ({"files": []}, 'files: mono needs 1 file, input "mono"; got none'),
        ({"channels": "stereo-to-stereo"}, 'stereo-to-stereo needs 2 files, input "left" and "right"; got "mono"'),
    ],
)
def test_a_mistake_names_the_key_and_the_likely_slip(tmp_path: Path, changes: dict[str, Any], expected: str) -> None:
    found = mistakes_of(tmp_path, **changes)
    assert len([mistake for mistake in found if expected in mistake]) == 1, found


@pytest.mark.parametrize(
    "path", ["../response.wav", "/response.wav", "a/../../b.wav", "C:\\golden\\b.wav", "..\\b.wav", "\\b.wav"]
)
def test_impulse_files_stay_in_their_folder(tmp_path: Path, path: str) -> None:
    (found,) = mistakes_of(tmp_path, files=[{"path": path, "input": "mono", "sha256": "0" * 64}])
    assert found.startswith("files[0].path: ")
    assert "leaves the folder of the reference" in found


def test_impulse_files_are_wav_or_flac_with_a_digest(tmp_path: Path) -> None:
    found = mistakes_of(tmp_path, files=[{"path": "take.mp3", "input": "mono", "sha256": "abc"}])
    assert found == [
        'files[0].path: "take.mp3" is not named as a WAV or FLAC file',
        "files[0].sha256: need the 64 hexadecimal digits of a SHA-256, in small letters",
    ]


def test_both_inputs_need_a_file_of_their_own(tmp_path: Path) -> None:
    files = [{"path": "both.wav", "input": side, "sha256": "0" * 64} for side in ("left", "right")]
    (found,) = mistakes_of(tmp_path, channels="stereo-to-stereo", files=files)
    assert found == 'files: "both.wav" stands for both inputs; each needs a file of its own'


def test_only_tolerances_stand_in_tolerances_toml(tmp_path: Path) -> None:
    path = written(tmp_path / "tolerances.toml", {"echo_timing": {"springs": 2, "onset_ms": -1}, "echoes": {}})
    with pytest.raises(BadInputs) as caught:
        read_tolerances(path)
    known = "echo_timing, group_delay, energy_decay, cost, conduct"
    assert str(caught.value).splitlines() == [
        f"{path}: echo_timing.onset_ms: negative tolerance -1; a tolerance is 0 or more, and counts both ways",
        f"{path}: echo_timing.springs: unknown key here; it belongs in a reference.toml; only tolerances stand here",
        f"{path}: echoes: unknown table; check `echoes` needs a package that brings it; known here: {known}",
    ]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (b"title = Tank\n", 1),
        (b"a = 1\n\n[render\nseconds = 1\n", 3),
        (b"a = 1\nb = [1,\n", 2),
        (b"a = 1\n# tank\xe9\n", 2),
        (b"a = 1\na = 2\n", 2),
    ],
)
def test_a_slip_in_the_syntax_names_its_line(tmp_path: Path, text: bytes, line: int) -> None:
    path = tmp_path / "reference.toml"
    path.write_bytes(text)
    with pytest.raises(BadInput) as caught:
        read_toml(path)
    assert str(caught.value).startswith(f"{path}: line {line}: ")
    assert "\n" not in str(caught.value)


def test_a_file_written_with_a_byte_order_mark_reads(tmp_path: Path) -> None:
    path = tmp_path / "build.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\r\n")
    assert read_toml(path) == {"a": 1}


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no such file"):
        read_toml(tmp_path / "none.toml")
    with pytest.raises(BadInput, match="a folder, need a TOML file"):
        read_toml(tmp_path)


def test_a_python_build(tmp_path: Path) -> None:
    tables = a_build(
        build__path="src",
        build__baseline="v1.toml",
        build__parameters={"gain": 0.5},
        build__limits={"seconds": 5},
        build__not_asked={"energy_decay": "the tail is cut"},
        build__commit="abc",
    )
    build = read_build(written(tmp_path / "build.toml", tables))
    assert (build.kind, build.object, build.module_path) == ("python", "w:Reverb", tmp_path.resolve() / "src")
    assert (build.identity.name, build.identity.version, build.identity.commit) == ("workshop", "1.1", "abc")
    assert (build.limits.seconds, build.limits.memory_mb) == (5, 4096)
    assert build.baseline == tmp_path.resolve() / "v1.toml"
    assert build.parameters == {"gain": 0.5}
    assert build.not_asked == {"energy-decay": "the tail is cut"}
    assert set(build.not_asked) <= set(CHECKS)


def test_a_command_build(tmp_path: Path) -> None:
    argv = ["{work}/reverb", "{input}", "{output}", "--program={parameters.program}", "{block_size}"]
    tables = a_build(build__kind="command", build__object=None, build__argv=argv, build__prepare=["make"])
    build = read_build(written(tmp_path / "build.toml", tables))
    assert build.argv == tuple(argv)
    assert build.prepare == ("make",)


@pytest.mark.parametrize("click_at_s", [0.25, 0, "auto"])
def test_a_recordings_build(tmp_path: Path, click_at_s: float | str) -> None:
    tables = a_build(build__kind="recordings", build__object=None, build__folder="takes", build__click_at_s=click_at_s)
    build = read_build(written(tmp_path / "build.toml", tables))
    assert build.recordings_folder == tmp_path.resolve() / "takes"
    assert build.notes.click_at_s == click_at_s


def test_a_build_in_a_repository_carries_its_commit(tmp_path: Path) -> None:
    git = ["git", "-C", str(tmp_path), "-c", "user.name=a", "-c", "user.email=a@example.org"]
    subprocess.run([*git, "init", "-q"], check=True)
    path = written(tmp_path / "build.toml", a_build())
    assert read_build(path).identity.commit is None
    subprocess.run([*git, "commit", "-q", "--allow-empty", "-m", "One"], check=True)
    head = subprocess.run([*git, "rev-parse", "HEAD"], check=True, capture_output=True, text=True).stdout.strip()
    assert read_build(path).identity.commit == head
    subprocess.run([*git, "add", "build.toml"], check=True)
    assert read_build(path).identity.commit == f"{head} + uncommitted changes"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"build": None}, "build: missing; what the build is and how it is run"),
        ({"build": "x"}, 'build: need a table, got the text "x"'),
        ({"name": "x"}, "name: unknown key here; it belongs in [build]"),
        (
            {"build__kind": None},
            'build.kind: missing; need "recordings", "command", "python",',
        ),
        (
            {"build__kind": "tape"},
            'build.kind: need "recordings", "command", "python",',
        ),
        ({"build__object": None}, "build.object: missing"),
        ({"build__object": "Reverb"}, 'build.object: need module:object, got "Reverb"'),
        ({"build__folder": "x"}, 'build.folder: unknown key here; it belongs to a build of kind "recordings"'),
        ({"build__version": 1.1}, "build.version: need text in quotes, got 1.1"),
        (
            {"build__limits": {"memory": 1}},
            "build.limits.memory: unknown key; keys carry their unit: did you mean memory_mb?",
        ),
        ({"build__not_asked": {"costs": "x"}}, 'build.not_asked: "costs" is not a check; the checks are echo_timing'),
        ({"build__not_asked": {"cost": ""}}, "build.not_asked: cost: give a reason"),
    ],
)
def test_a_mistake_in_a_build(tmp_path: Path, changes: dict[str, Any], expected: str) -> None:
    path = written(tmp_path / "build.toml", a_build(**changes))
    with pytest.raises(BadInputs) as caught:
        read_build(path)
    assert [m for m in caught.value.mistakes if str(m).startswith(f"{path}: {expected}")], str(caught.value)
    assert len(caught.value.mistakes) == 1


@pytest.mark.parametrize(
    ("argv", "expected"),
    [
        (["./r", 48000], "argv[1]: need text in quotes, got 48000"),
        ([], "need at least 1 entry, got 0"),
        ("./r {input} {output}", "need a list, got the text"),
    ],
)
def test_a_mistake_in_a_command(tmp_path: Path, argv: object, expected: str) -> None:
    tables = a_build(build__kind="command", build__object=None, build__argv=argv)
    with pytest.raises(BadInputs, match="argv") as caught:
        read_build(written(tmp_path / "build.toml", tables))
    assert expected in str(caught.value)


@pytest.mark.parametrize("name", ["tank", "plate-2", "hall_v1.0", "_x", "9"])
def test_names_that_suit_a_folder(name: str) -> None:
    assert check_name(name) is None


@pytest.mark.parametrize("name", ["", ".tank", "-x", "a b", "a/b", "..", "ä", "*", "a\n"])
def test_names_that_do_not(name: str) -> None:
    assert "cannot name a reference" in (check_name(name) or "")


FILES = {"reference": a_reference, "tolerances": lambda: TOLERANCES, "build": a_build}


@pytest.mark.parametrize("which", FILES)
def test_json_schema_agrees_with_the_reader(which: str) -> None:
    exported = json_schema(which)
    jsonschema.Draft202012Validator.check_schema(exported)
    validator = jsonschema.Draft202012Validator(exported)
    assert list(validator.iter_errors(as_json(FILES[which]()))) == []
    assert list(validator.iter_errors({**as_json(FILES[which]()), "stray": 1})) != []


def test_json_schema_refuses_what_the_reader_refuses() -> None:
    validator = jsonschema.Draft202012Validator(json_schema("reference"))
    for changes in (
        {"echo_timing__arrival": 1},
        {"echo_timing__arrival_ms": -1},
        {"channels": "quad"},
        {"title": None},
    ):
        assert not validator.is_valid(as_json(a_reference(**changes))), changes


@pytest.mark.parametrize("which", FILES)
def test_json_schema_describes_every_key(which: str) -> None:
    exported = json_schema(which)
    tables = [exported, *exported["$defs"].values()]
    keys = [(name, entry) for table in tables for name, entry in table.get("properties", {}).items()]
    assert len(keys) > 10
    for name, entry in keys:
        assert entry.get("description"), name
        assert entry.get("type") != "null"
    units = {"_ms": "ms", "_s": " s", "_hz": "Hz", "_percent": "percent", "_mb": "MB"}
    for name, entry in keys:
        for ending, unit in units.items():
            if name.endswith(ending):
                assert unit in entry["description"] or "percent" in name, name


def test_no_such_json_schema() -> None:
    with pytest.raises(BadInput, match="no such schema; there are reference, tolerances, build"):
        json_schema("references")


def as_json(tables: Any) -> Any:
    if isinstance(tables, dict):
        return {key: as_json(value) for key, value in tables.items()}
    if isinstance(tables, list):
        return [as_json(value) for value in tables]
    return tables.isoformat() if isinstance(tables, datetime) else tables
