"""The command line: every slip ends with status 2 and a line that names it; nothing is half written."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from conftest import RATE_HZ, Workspace, spring
from reverdict.command_line import main
from reverdict.sound import read_sound, write_sound

REVERDICT = [sys.executable, "-m", "reverdict"]
COMMANDS = ("gate", "measure", "sweep", "golden", "sensitivity", "demo", "schema")


def run(*arguments: object) -> int:
    """Exit status of the command line, run here; argparse ends by raising it."""
    try:
        return main([str(argument) for argument in arguments])
    except SystemExit as end:
        return int(end.code or 0)


def holdings(folder: Path) -> dict[str, bytes | None]:
    """Everything below a folder, hidden files too."""
    return {str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None for path in folder.rglob("*")}


def complaint(capsys: pytest.CaptureFixture[str]) -> list[str]:
    """What was said to stderr, held to the rule: a line or two, each with its speaker, and nothing to stdout."""
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "Traceback" not in captured.err
    lines = [line for line in captured.err.splitlines() if not line.startswith("reverdict: judging ")]
    assert lines
    assert all(line.startswith("reverdict") and ": " in line for line in lines), lines
    assert all(len(line) < 500 for line in lines)
    return lines


# Slips in the golden folder. Each row: what was done to it, and every line to be told, as (file, rest).

Spoil = Callable[[Workspace], object]

SPOILT_REFERENCES: dict[str, tuple[Spoil, list[str]]] = {
    "a key is missing": (
        lambda w: w.edit('title = "the short spring"', "#"),
        ["{reference}: title: missing; what people call it, one line"],
    ),
    "an unknown key": (
        lambda w: w.edit("passes = 3", "passes = 3\npases = 3"),
        ["{reference}: echo_timing.pases: unknown key; did you mean passes?"],
    ),
    "a key without its unit": (
        lambda w: w.edit("passes = 3", "passes = 3\narrival = 0.1"),
        ["{reference}: echo_timing.arrival: unknown key; keys carry their unit: did you mean arrival_ms?"],
    ),
    "a number in quotes": (
        lambda w: w.edit("seconds = 0.6", 'seconds = "0.6"'),
        ['{reference}: render.seconds: need a number, got the text "0.6"; leave the quotes out'],
    ),
    "a negative tolerance": (
        lambda w: w.edit("arrival_ms = 0.1", "arrival_ms = -0.1", w.golden / "tolerances.toml"),
        ["{tolerances}: echo_timing.arrival_ms: negative tolerance -0.1; a tolerance is 0 or more"],
    ),
    "a tolerance that nobody sets": (
        lambda w: w.edit("arrival_ms = 0.1", "#", w.golden / "tolerances.toml"),
        [
            "{golden}/long/reference.toml: echo_timing.arrival_ms: missing; set it here or in tolerances.toml",
            "{reference}: echo_timing.arrival_ms: missing; set it here or in tolerances.toml",
        ],
    ),
    "several slips at once": (
        lambda w: (w.edit("passes = 3", 'passes = "3"'), w.edit("seconds = 0.6", "seconds = -1")),
        ["{reference}: render.seconds: need more than 0", "{reference}: echo_timing.passes: need a whole number"],
    ),
    "bad syntax": (
        lambda w: w.edit("springs = 1", "springs ="),
        ["{reference}: line "],
    ),
    "no text": (
        lambda w: w.reference().write_bytes(b"\xff\xfe\x00"),
        ["{reference}: line 1: not UTF-8 text"],
    ),
    "the TOML is gone": (
        lambda w: w.reference().unlink(),
        ["{reference}: no such file"],
    ),
    "the impulse is missing": (
        lambda w: w.impulse().unlink(),
        ["{impulse}: missing, but named in reference.toml; was it not committed?"],
    ),
    "the impulse was altered": (
        lambda w: write_sound(w.impulse(), read_sound(w.impulse())[0] * 0.999, RATE_HZ),
        ["{impulse}: altered: its samples do not match sha256 in reference.toml; restore it, or: reverdict golden"],
    ),
    "the impulse is text": (
        lambda w: w.impulse().write_text("hello"),
        ["{impulse}: not a readable WAV or FLAC file (Format not recognised; it begins"],
    ),
    "the impulse is an empty file": (
        lambda w: w.impulse().write_bytes(b""),
        ["{impulse}: the file is empty (0 bytes)"],
    ),
    "the impulse has no samples": (
        lambda w: write_sound(w.impulse(), np.zeros((1, 0)), RATE_HZ),
        ["{impulse}: holds no samples"],
    ),
    "the impulse has another rate": (
        lambda w: write_sound(w.impulse(), read_sound(w.impulse())[0], 44100),
        ["{impulse}: has 44100 Hz, reference.toml says rate_hz = 48000"],
    ),
    "the impulse is still a pointer": (
        lambda w: w.impulse().write_text("version https://git-lfs.github.com/spec/v1\n"),
        ["{impulse}: a pointer of git LFS instead of the sound; git lfs pull"],
    ),
}


@pytest.mark.parametrize("slip", SPOILT_REFERENCES)
@pytest.mark.parametrize("command", ["gate", "verify"])
def test_a_spoilt_reference_is_named_and_nothing_is_judged(
    workspace: Workspace, capsys: pytest.CaptureFixture[str], slip: str, command: str
) -> None:
    spoil, expected = SPOILT_REFERENCES[slip]
    names = {
        "golden": workspace.golden,
        "reference": workspace.reference(),
        "tolerances": workspace.golden / "tolerances.toml",
        "impulse": workspace.impulse(),
    }
    spoil(workspace)
    before = holdings(workspace.golden)
    report = workspace.root / "report"
    if command == "gate":
        status = run("gate", workspace.takes, "--golden", workspace.golden, "--report", report)
        assert json.loads((report / "verdict.json").read_text(encoding="utf-8"))["outcome"] == "error"
    else:
        status = run("golden", "verify", "--golden", workspace.golden)
    assert status == 2
    lines = complaint(capsys)
    assert len(lines) == len(expected)
    for line, start in zip(lines, expected, strict=True):
        assert line.startswith("reverdict: " + start.format(**names))
    assert holdings(workspace.golden) == before


# Slips in a build. Each row: what is written into build.toml, and what is told of it.

BUILD = '[build]\nname = "a"\nversion = "1"\n'
SPOILT_BUILDS = {
    "": "{build}: build: missing; what the build is and how it is run",
    "[build": "{build}: line 1: expected ']' at the end of a table declaration",
    BUILD + 'kind = "command\nargv = []': "{build}: line 4: text without an end; is a quote not closed?",
    BUILD + 'kind = "command': "{build}: line 4: text without an end; is a quote not closed?",
    BUILD: '{build}: build.kind: missing; need "recordings", "command",',
    BUILD + 'kind = "tape"': '{build}: build.kind: need "recordings", "command",',
    BUILD + 'kind = "python"': "{build}: build.object: missing; module:object",
    BUILD + 'kind = "python"\nobject = "player"': '{build}: build.object: need module:object, got "player"',
    BUILD + 'kind = "python"\nobject = "player:Plaier"': (
        "{build}: build.object: module player has no Plaier; did you mean Player?"
    ),
    BUILD + 'kind = "python"\nobject = "player:Player"\npath = "lib"': "{build}: build.path: ",
    BUILD + 'kind = "command"\nargv = []': "{build}: build.argv: need at least 1 entry, got 0",
    BUILD + 'kind = "command"\nargv = ["cp", "{input}"]': "{build}: build.argv: no {{output}}",
    BUILD + 'kind = "command"\nargv = ["cp", "{input}", "{outptu}", "{output}"]': (
        "{build}: build.argv: unknown placeholder {{outptu}}, known are {{input}}, {{output}}"
    ),
    BUILD + 'kind = "command"\nargv = ["no-such-reverb", "{input}", "{output}"]': (
        "{build}: build.argv: no-such-reverb: no such program"
    ),
    BUILD + 'kind = "command"\nprepare = ["no-such-compiler"]\nargv = ["cp", "{input}", "{output}"]': (
        "{build}: build.prepare: no-such-compiler: no such program"
    ),
    BUILD + 'kind = "recordings"\nfolder = "nowhere"': "{build}: build.folder: ",
    BUILD + 'kind = "recordings"\nfolder = "."\nclick_at = 1': "{build}: build.click_at: unknown key",
}


@pytest.mark.parametrize("text", SPOILT_BUILDS)
def test_a_spoilt_build_is_named(workspace: Workspace, capsys: pytest.CaptureFixture[str], text: str) -> None:
    build = workspace.builds / "build.toml"
    build.write_text(text, encoding="utf-8")
    before = holdings(workspace.golden)
    report = workspace.root / "report"
    assert run("gate", build, "--golden", workspace.golden, "--only", "short", "--report", report) == 2
    (line,) = complaint(capsys)
    assert line.startswith("reverdict: " + SPOILT_BUILDS[text].format(build=build))
    assert json.loads((report / "verdict.json").read_text(encoding="utf-8"))["outcome"] == "error"
    assert holdings(workspace.golden) == before


# Slips on the command line itself, run in the workspace. "text.wav" holds text, "empty" is an empty folder.

SLIPS = {
    "": "reverdict: the following arguments are required: COMMAND; see reverdict --help",
    "gaet": "reverdict: argument COMMAND: invalid choice: 'gaet' (choose from ",
    "gate takes --onyl short": (
        "reverdict gate: unrecognized arguments: --onyl short; did you mean --only? See reverdict gate --help"
    ),
    "gate takes short": "reverdict gate: unrecognized arguments: short; see reverdict gate --help",
    "golden aprove short": "reverdict golden: argument COMMAND: invalid choice: 'aprove' (choose from ",
    "gate": "reverdict gate: the following arguments are required: BUILD",
    "gate takes --golden nowhere": "reverdict: nowhere: no such folder; golden references live in",
    "gate takes --golden empty": "reverdict: empty: no golden reference in it; looked for empty/*/reference.toml",
    "gate takes --golden golden/short": "reverdict: golden/short: is a single reference; give the folder",
    "gate takes --only x*": 'reverdict: golden: no reference matches "x*"; there are long, short',
    "gate nowhere.toml": "reverdict: nowhere.toml: no such build",
    "gate empty": "reverdict: empty: a folder without WAV or FLAC files",
    "gate builds/player.py": "reverdict: builds/player.py: neither a build TOML, a folder of recordings nor",
    "gate takes/short.wav --only s*": "reverdict: takes/short.wav: one recording stands for one reference",
    "gate nan.wav": "reverdict: nan.wav: is named after no reference; say --only NAME whose recording it is; there are",
    "gate takes/short.wav --only nave": 'reverdict: golden: no reference matches "nave"; there are',
    "gate text.wav --only short": "reverdict: text.wav: not a readable WAV or FLAC file (Format not recognised; it",
    "gate nan.wav --only short": "reverdict: nan.wav: 1 sample is not finite, at sample 100",
    "gate takes --report text.wav": "reverdict: text.wav: is a file; the report needs a folder",
    "gate takes --report text.wav/report": "reverdict: text.wav/report: cannot write the report here",
    "gate takes --report golden": "reverdict: golden: holds golden references",
    "gate takes --jobs 0": "reverdict gate: argument --jobs: '0' is not a number of workers, 1 or more",
    "gate takes --jobs two": "reverdict gate: argument --jobs: 'two' is not a number of workers, 1 or more",
    "measure nowhere.wav": "reverdict: nowhere.wav: no such file",
    "measure takes": "reverdict: takes: a folder, need a WAV or FLAC file",
    "measure text.wav": "reverdict: text.wav: not a readable WAV or FLAC file (Format not recognised; it",
    "measure text.wav --json": "reverdict: text.wav: not a readable WAV or FLAC file",
    "measure zero.wav": "reverdict: zero.wav: holds no samples; was its recording cut off?",
    "measure nan.wav": "reverdict: nan.wav: 1 sample is not finite, at sample 100",
    "measure takes/short.wav --click-at 0.7": "reverdict: takes/short.wav: ends at 0.600 s, before the click at 0.7 s",
    "measure takes/short.wav --click-at -1": "reverdict measure: argument --click-at: '-1' is not auto, or seconds",
    "measure takes/short.wav --click-at nan": "reverdict measure: argument --click-at: 'nan' is not auto, or seconds",
    "measure takes/short.wav --arrival-hz 1": "reverdict: takes/short.wav: --arrival-hz 1 is outside 50…24000 Hz",
    "measure takes/short.wav --arrival-hz nan": "reverdict: takes/short.wav: --arrival-hz nan is outside",
    "measure takes/short.wav --plot picture.txt": "reverdict: picture.txt: ",
    "measure takes/short.wav --plot nowhere/picture.png": "reverdict: nowhere/picture.png: ",
    "golden": "reverdict golden: the following arguments are required: COMMAND",
    "golden new short --from takes/short.wav": 'reverdict: golden: there is already a reference "short"',
    "golden new ../x --from takes/short.wav": 'reverdict: golden: "../x" cannot name a reference',
    "golden new /x --from takes/short.wav": 'reverdict: golden: "/x" cannot name a reference',
    "golden new x/y --from takes/short.wav": 'reverdict: golden: "x/y" cannot name a reference',
    "golden new '' --from takes/short.wav": 'reverdict: golden: "" cannot name a reference',
    "golden new .x --from takes/short.wav": 'reverdict: golden: ".x" cannot name a reference',
    "golden new s* --from takes/short.wav": 'reverdict: golden: "s*" cannot name a reference',
    "golden new all --from takes/short.wav": 'reverdict: golden: "all" cannot name a reference',
    f"golden new {'x' * 300} --from takes/short.wav": 'reverdict: golden: "xxx',
    "golden new x": "reverdict golden new: the following arguments are required: --from",
    "golden new x --from nowhere.wav": "reverdict: nowhere.wav: no such build",
    "golden new x --from takes": "reverdict: takes: a folder of recordings; name the one file",
    "golden new x --from text.wav": "reverdict: text.wav: not a readable WAV or FLAC file",
    "golden new x --from nan.wav": "reverdict: nan.wav: 1 sample is not finite",
    "golden new x --from silent.wav": "reverdict: silent.wav: holds only silence after the click",
    "golden new x --from three.wav": "reverdict: three.wav: 3 channels; a reference is mono or stereo",
    "golden new x --from slow.wav": "reverdict: slow.wav: has 100 Hz; a reference needs 1000 or more",
    "golden new x --from takes/short.wav --click-at 0.5999": "reverdict: takes/short.wav: ends at 0.600 s, too soon",
    "golden new x --from takes/short.wav --click-at 3": "reverdict: takes/short.wav: ends at 0.600 s, too soon",
    "golden new x --from takes/short.wav --golden text.wav": "reverdict: text.wav: is a file; references live in",
    "golden new x --from takes/short.wav --golden text.wav/golden": "reverdict: text.wav/golden: cannot be written to",
    "golden new x --from takes/short.wav --why ''": "reverdict: --why: empty; say in a few words",
    "golden new x --from builds/good.toml --parameter program": "reverdict: --parameter program: is not NAME=VALUE",
    "golden new x --from builds/good.toml --parameter =short": "reverdict: --parameter =short: is not NAME=VALUE",
    "golden new x --from builds/good.toml": "reverdict: builds/good.toml: no reference can be made of it: ",
    "golden new x --from builds/good.toml --seconds -1": "reverdict golden new: argument --seconds: '-1' is not a",
    "golden new x --from builds/good.toml --seconds nan": "reverdict golden new: argument --seconds: 'nan' is not a",
    "golden new x --from builds/good.toml --seconds 1e9": "reverdict golden new: argument --seconds: '1e9' is not a",
    "golden new x --from builds/good.toml --rate 0": "reverdict golden new: argument --rate: '0' is not a",
    "golden new x --from builds/good.toml --rate 48k": "reverdict golden new: argument --rate: '48k' is not a",
    "golden new x --from builds/good.toml --block 0": "reverdict golden new: argument --block: '0' is not a",
    "golden new x --from builds/good.toml --channels 2": "reverdict golden new: argument --channels: invalid choice",
    "golden new x --from takes/short.wav --channels stereo-to-stereo": "reverdict: --channels: is for a build; ",
    "golden new x --from takes/short.wav --seconds 1": "reverdict: --seconds: is for a build; short.wav is a recording",
    "golden new x --from builds/good.toml --click-at auto": "reverdict: --click-at: is for a recording; ",
    "golden new x --from builds/asks.toml": (
        "reverdict: builds/asks.toml: build.argv asks for parameters that nobody gives; add --parameter program=VALUE"
    ),
    "golden approve x --from takes --why because": 'reverdict: golden: no reference "x"; there are long, short',
    "golden approve all --from takes --why because": "reverdict: golden: approve one reference at a time, by its name",
    "golden approve s* --from takes --why because": "reverdict: golden: approve one reference at a time, by its name",
    "golden approve short --from takes": "reverdict: golden/short: say why this is how it must sound: --why TEXT",
    "golden approve short --why because": "reverdict: golden/short: nothing to approve; give --from BUILD",
    "golden approve short --set arrival_ms=1 --why because": "reverdict: --set arrival_ms=1: is not TABLE.KEY=VALUE",
    "golden approve short --set echo_timing.arival_ms=1 --why because": (
        "reverdict: golden/short/reference.toml: echo_timing.arival_ms: unknown key; did you mean arrival_ms?"
    ),
    "golden approve short --set echo_timing.arrival=1 --why because": (
        "reverdict: golden/short/reference.toml: echo_timing.arrival: unknown key; keys carry their unit: did you mean "
    ),
    "golden approve short --set echo_timing.arrival_ms=-1 --why because": (
        "reverdict: golden/short/reference.toml: echo_timing.arrival_ms: negative tolerance -1"
    ),
    "golden approve short --set echo_timin.arrival_ms=1 --why because": (
        'reverdict: --set echo_timin.arrival_ms=1: "echo_timin" is no check table; did you mean echo_timing?'
    ),
    "golden approve short --set echo_timing.arrival_ms=1ms --why because": (
        "reverdict: --set echo_timing.arrival_ms=1ms: 1ms is not a TOML value"
    ),
    "golden approve short --from takes --why ''": "reverdict: golden/short: say why this is how it must sound",
    "golden approve short --from nowhere --why because": "reverdict: nowhere: no such build",
    "golden approve short --from text.wav --why because": "reverdict: text.wav: not a readable WAV",
    "golden list --golden nowhere": "reverdict: nowhere: no such folder",
    "golden verify --golden empty": "reverdict: empty: no golden reference in it",
    "golden tolerances --golden nowhere": "reverdict: nowhere: no such folder",
    "demo takes": "reverdict: takes: is not empty; name a new or an empty folder",
    "demo text.wav": "reverdict: text.wav: is a file; name a new or an empty folder",
    "demo text.wav/demo": "reverdict: text.wav/demo: cannot be written",
    "schema": "reverdict schema: the following arguments are required: which",
    "schema golden": "reverdict schema: argument which: invalid choice: 'golden'",
}


@pytest.fixture
def untidy(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    """The workspace with unusable files in it, and we stand in it."""
    monkeypatch.chdir(workspace.root)
    sound = spring(300)[np.newaxis]
    Path("empty").mkdir()
    Path("text.wav").write_text("RIFF, in a way", encoding="utf-8")
    write_sound(Path("zero.wav"), sound[:, :0], RATE_HZ)
    write_sound(Path("silent.wav"), 0 * sound, RATE_HZ)
    write_sound(Path("three.wav"), np.vstack([sound] * 3), RATE_HZ)
    write_sound(Path("slow.wav"), sound[:, :400], 100)
    holed = sound.copy()
    holed[0, 100] = np.nan
    write_sound(Path("nan.wav"), holed, RATE_HZ)
    workspace.build().rename("builds/good.toml")
    argv = ["cp", "{input}", "{output}", "{parameters.program}"]
    workspace.build(kind="command", argv=argv).rename("builds/asks.toml")
    return workspace


def words(command: str) -> list[str]:
    return [word if word != "''" else "" for word in command.split()]


@pytest.mark.parametrize("command", SLIPS)
def test_a_slip_is_told_in_one_line_and_changes_nothing(
    untidy: Workspace, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    before = holdings(untidy.root)
    assert run(*words(command)) == 2
    (line,) = complaint(capsys)
    assert line.startswith(SLIPS[command])
    after = {path: content for path, content in holdings(untidy.root).items() if "__pycache__" not in path}
    assert after == before


@pytest.mark.parametrize(
    ("command", "meant"),
    [
        ("gat takes", "; did you mean gate? See reverdict --help"),
        ("golden verfy", "; did you mean verify? See reverdict golden --help"),
        (
            "golden new x --from y.toml --channels mono-stereo",
            "; did you mean mono-to-stereo? See reverdict golden new",
        ),
        ("xyz", "); see reverdict --help"),
    ],
)
def test_the_nearest_word_is_offered(capsys: pytest.CaptureFixture[str], command: str, meant: str) -> None:
    assert run(*words(command)) == 2
    assert meant in capsys.readouterr().err


@pytest.mark.parametrize("command", ["gate takes --golden nowhere", "gate takes --jobs 0", "measure text.wav", ""])
@pytest.mark.usefixtures("untidy")
def test_a_slip_ends_the_real_program_with_status_2(command: str) -> None:
    ended = subprocess.run([*REVERDICT, *words(command)], capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert ended.stderr.startswith(SLIPS[command])
    assert len(ended.stderr.splitlines()) == 1


@pytest.mark.usefixtures("untidy")
def test_a_report_folder_without_permission_is_refused_before_rendering(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who runs the tests as root may write anywhere, so the system's answer is made up."""
    monkeypatch.setattr(os, "access", lambda *_: False)
    monkeypatch.setattr("reverdict.gate.gate", lambda *_: pytest.fail("has been judged"))
    assert run("gate", "takes", "--report", "report") == 2
    assert complaint(capsys) == ["reverdict: report: cannot write the report here (no permission)"]


@pytest.mark.usefixtures("untidy")
def test_what_the_system_refuses_is_told_with_its_file(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied", "golden/short/reference.toml")

    monkeypatch.setattr("reverdict.golden_set.describe", refused)
    assert run("golden", "list") == 2
    assert complaint(capsys) == ["reverdict: golden/short/reference.toml: Permission denied"]


@pytest.mark.usefixtures("untidy")
def test_a_bug_of_ours_says_so_in_two_lines(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise KeyError("springs")

    monkeypatch.setattr("reverdict.measure.measurement.measure", broken)
    assert run("measure", "takes/short.wav") == 3
    assert complaint(capsys) == [
        "reverdict: internal error, KeyError: 'springs'",
        "reverdict: set REVERDICT_TRACEBACK=1 and run again to see where",
    ]
    monkeypatch.setenv("REVERDICT_TRACEBACK", "1")
    with pytest.raises(KeyError):
        run("measure", "takes/short.wav")
    assert run("measure", "nowhere.wav") == 2  # a slip stays a slip


# Help.

LISTING = "import sys; from reverdict.command_line import main\ntry: main(sys.argv[1:])\nexcept SystemExit: pass\n"
HEAVY = ("numpy", "scipy", "pydantic", "matplotlib", "soundfile", "pytest", "tomlkit", "asyncio", "subprocess")


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["gate", "--help"], ["golden", "new", "--help"], []])
def test_help_imports_nothing_heavy(arguments: list[str]) -> None:
    code = f"{LISTING}print('imported', *sorted(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)"
    ended = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    assert ended.stderr.splitlines()[-1] == "imported"


@pytest.mark.parametrize(
    ("arguments", "taught"),
    [
        (
            (),
            ["exit status: 0 all pass, 1 stopped", *(f"  {command}" for command in COMMANDS), "reverdict demo try-it"],
        ),
        (
            ("gate",),
            [
                "BUILD  ",
                "--only",
                "--report",
                "--jobs",
                "exit status: 0 all pass",
                "build TOML, a folder of recordings",
            ],
        ),
        (("measure",), ["--json", "--plot", "--click-at", "count from the click", "holds little at 500 Hz"]),
        (("golden",), ["new", "approve", "list", "verify", "tolerances"]),
        (("golden", "list"), ["reverdict golden list --golden golden"]),
        (("golden", "verify"), ["reverdict golden verify --golden golden"]),
        (("golden", "tolerances"), ["reverdict golden tolerances --golden golden"]),
        (
            ("golden", "new"),
            [
                "of the new reference",
                "build TOML to render",
                "not asked, with the reason",
                "tolerances.toml",
                "--parameter program=hall",
            ],
        ),
        (("golden", "approve"), ["of the one reference", "--why", "Says what changes", "One reference at a"]),
        (("demo",), ["a new or an empty folder", "reverdict demo try-it"]),
        (("schema",), ["reverdict schema build >", "reference,tolerances,build,verdict"]),
    ],
)
def test_help_teaches(capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], taught: list[str]) -> None:
    assert run(*arguments, "--help") == 0
    said = capsys.readouterr().out
    assert not [words for words in taught if words not in said]
    assert max(map(len, said.splitlines())) <= 120
    assert "example" in said


AHEAD = b"reverdict: judging takes: references 1, checks 5\n"


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.usefixtures("untidy")
def test_a_terminal_is_told_what_is_being_done(monkeypatch: pytest.MonkeyPatch) -> None:
    """From before the first item, and nothing of it is left at the end."""
    stream = Terminal()
    monkeypatch.setattr("sys.stderr", stream)
    assert run("gate", "takes", "--only", "short") == 0
    first, second, *_, last, after = stream.getvalue().split("\r\x1b[K")[1:]
    assert first == "judging takes: references 1, checks 5…"
    assert second == "1 of 5, short: echo-timing…"
    assert last == "5 of 5, short: conduct…"
    assert after == ""


@pytest.mark.few(4)
@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
@pytest.mark.parametrize(
    "command",
    ["measure takes/short.wav", "gate takes --only short", "golden list", "golden tolerances", "schema build"],
)
def test_a_terminal_without_our_letters_gets_others(untidy: Workspace, encoding: str, command: str) -> None:
    untidy.edit('title = "the short spring"', 'title = "große Feder → kurz"')
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    ended = subprocess.run([*REVERDICT, *words(command)], capture_output=True, env=environment, check=False)
    assert (ended.returncode, ended.stderr) == (0, AHEAD if command.startswith("gate") else b"")
    assert len(ended.stdout.decode(encoding).splitlines()) > 2


def test_the_demo_can_be_gated_as_it_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("demo", "try it") == 0
    assert "reverdict gate" in capsys.readouterr().out
    assert run("golden", "verify", "--golden", "try it/golden") == 0
    assert sorted(path.name for path in Path("try it").iterdir()) == ["README.md", "builds", "golden"]
