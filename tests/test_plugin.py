"""The pytest plugin, used as people use pytest: a reference's story, selection, reports, parallel runs."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from conftest import Workspace
from reverdict.command_line import main

pytest_plugins = ["pytester"]

ALONE = (
    "-p",
    "reverdict.pytest_plugin",
    "-p",
    "pytest_benchmark.plugin",
    "-p",
    "xdist.plugin",
    "-p",
    "no:cacheprovider",
)

Run = Callable[..., pytest.RunResult]


@pytest.fixture
def own(pytester: pytest.Pytester, original_workspace: Path, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    """A workspace in the folder that pytester stands in. Only the plugins named above are loaded."""
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")
    for name in ("PYTEST_XDIST_WORKER", "PYTEST_ADDOPTS", "PYTEST_PLUGINS"):
        monkeypatch.delenv(name, raising=False)
    shutil.copytree(original_workspace, pytester.path, dirs_exist_ok=True)
    workspace = Workspace(pytester.path)
    workspace.build(path="builds").rename("good.toml")
    return workspace


@pytest.fixture
def judge(pytester: pytest.Pytester, own: Workspace) -> Run:  # noqa: ARG001 - lays out what is judged
    def run(*arguments: str, build: str = "good.toml") -> pytest.RunResult:
        return pytester.runpytest_inprocess(*ALONE, "golden", "--build", build, *arguments)

    return run


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def changed(before: dict[str, bytes], after: dict[str, bytes]) -> set[str]:
    """Folders below golden/ in which a file came, went or changed."""
    paths = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
    return {path.split("/")[0] for path in paths}


def test_the_story_of_a_reference(own: Workspace, judge: Run, capsys: pytest.CaptureFixture[str]) -> None:
    """Missing, mended, passing; a change fails and touches nothing; approved with a reason, it passes."""
    impulse = own.impulse().rename(own.root / own.impulse().name)
    lost = judge()
    lost.assert_outcomes(passed=4, skipped=1, failed=1)
    lost.stdout.fnmatch_lines([f"*{impulse.name}: missing, but named in reference.toml; was it not committed?"])

    impulse.rename(own.golden / "short" / impulse.name)
    judge().assert_outcomes(passed=8, skipped=2)

    louder = "[build.parameters]\ngain = 1.2\n"
    changed_build = str(own.build(louder))
    before = contents(own.golden)
    failing = judge(build=changed_build)
    failing.assert_outcomes(passed=6, skipped=2, failed=2)
    # 20 log10(1.2) = 1.58 dB
    failing.stdout.re_match_lines([r"^fail: .*level 1\.58 dB louder, limit 0\.50 dB$"])
    failing.stdout.no_fnmatch_line("*NotPassed*")
    assert contents(own.golden) == before

    capsys.readouterr()
    assert main(["golden", "approve", "short", "--from", changed_build, "--why", "more drive, as agreed"]) == 0
    assert "1.58 dB louder" in capsys.readouterr().out
    assert changed(before, contents(own.golden)) == {"short"}
    toml = own.reference().read_text(encoding="utf-8")
    assert 'why = "more drive, as agreed"' in toml
    judge("-k", "short", build=changed_build).assert_outcomes(passed=4, skipped=1, deselected=5)
    judge("-k", "long", build=changed_build).assert_outcomes(passed=3, skipped=1, failed=1, deselected=5)


def test_items_are_named_after_reference_and_check(judge: Run) -> None:
    listed = judge("--collect-only", "-q")
    expected = [f"*{name}/reference.toml::{check}" for name in ("long", "short") for check in
                ("echo-timing", "group-delay", "energy-decay", "cost", "conduct")]  # fmt: skip
    listed.stdout.fnmatch_lines([*expected, "10 tests collected*"])


def test_selection_by_keyword(judge: Run) -> None:
    judge("-k", "short and conduct").assert_outcomes(passed=1, deselected=9)
    judge("-k", "not conduct and not long").assert_outcomes(passed=3, skipped=1, deselected=6)
    judge("--reverdict-only", "sh*").assert_outcomes(passed=4, skipped=1)


def test_selection_by_place(pytester: pytest.Pytester, own: Workspace) -> None:
    item = f"{own.reference('long').relative_to(own.root)}::energy-decay"
    pytester.runpytest_inprocess(*ALONE, "--build", "good.toml", item).assert_outcomes(passed=1)


def test_x_stops_at_the_first_that_fails(own: Workspace, judge: Run) -> None:
    judge("-x", build=str(own.faulty("silence"))).assert_outcomes(failed=1)


def test_junit_xml_tells_reference_check_and_reason(own: Workspace, judge: Run) -> None:
    judge("--junitxml=junit.xml", "-k", "short", build=str(own.faulty("silence", at="short")))
    cases = {case.get("name"): case for case in ET.parse("junit.xml").iter("testcase")}  # noqa: S314 - our own
    assert {case.get("classname") for case in cases.values()} == {"golden.short.reference.toml"}
    assert cases["conduct"][0].tag == "failure"
    assert "output is silent" in (cases["conduct"][0].text or "")
    assert cases["cost"][0].get("message") == "not asked: not asked of a player"


def test_parallel_workers_judge_sound_and_leave_cost_unsure(own: Workspace, judge: Run) -> None:
    own.edit('not_asked = "not asked of a player"', "kernel_ratio = 90.0")
    result = judge("-n2", "--benchmark-disable-gc")
    result.assert_outcomes(passed=8, skipped=1, failed=1)
    result.stdout.fnmatch_lines(["unsure: cost not measured: timing is switched off, as in parallel runs; judge cost*"])


def test_a_bad_reference_fails_alone_with_every_mistake(own: Workspace, judge: Run) -> None:
    own.edit("passes = 3", 'passes = "3"\npases = 3')
    result = judge()
    result.assert_outcomes(passed=4, skipped=1, failed=1)
    result.stdout.fnmatch_lines(
        [
            "*short/reference.toml: echo_timing.passes: need a whole number, got the text*",
            "*short/reference.toml: echo_timing.pases: unknown key; did you mean passes?",
        ]
    )
    result.stdout.no_fnmatch_line("*Traceback*")
    result.stdout.no_fnmatch_line("*BadInput*")


def test_a_reference_that_does_not_fit_the_build_fails_alone(own: Workspace, judge: Run) -> None:
    own.edit('program = "short"', "")
    argv = [sys.executable, "-c", "pass", "{parameters.program}", "{input}", "{output}"]
    result = judge("-k", "conduct or short", build=str(own.build(kind="command", argv=argv)))
    result.assert_outcomes(failed=2, deselected=4)
    result.stdout.fnmatch_lines(['*short/reference.toml: render.parameters: no "program", which build.argv of *'])
    result.stdout.fnmatch_lines(["*wrote no output file"])


def test_a_slip_that_shows_late_is_told_without_a_traceback(own: Workspace, judge: Run) -> None:
    build = own.build(kind="command", argv=["no-such-reverb", "{input}", "{output}"])
    result = judge("-k", "short", build=str(build))
    result.assert_outcomes(failed=4, skipped=1, deselected=5)
    result.stdout.fnmatch_lines([f"{build}: build.argv: no-such-reverb: no such program*"])
    result.stdout.no_fnmatch_line("*def *")


def test_a_slip_found_by_cost_is_told_in_one_line(own: Workspace, judge: Run) -> None:
    own.edit('not_asked = "not asked of a player"', "kernel_ratio = 90.0")
    build = own.build(kind="command", argv=["no-such-reverb", "{input}", "{output}"])
    result = judge("-k", "short and cost", "-W", "error:Benchmark", build=str(build))
    result.assert_outcomes(failed=1, deselected=9)
    result.stdout.fnmatch_lines([f"{build}: build.argv: no-such-reverb: no such program*"])
    result.stdout.no_fnmatch_line("*Benchmark fixture*")


def test_a_bad_build_is_a_usage_error(judge: Run) -> None:
    result = judge(build="nowhere.toml")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["ERROR: nowhere.toml: no such build; name a build TOML*"])


BROKEN = """
from reverdict.check import conduct

def broken(*_):
    raise ZeroDivisionError("nothing to divide by")

conduct.judge = broken
"""


def test_a_bug_keeps_its_traceback(pytester: pytest.Pytester, own: Workspace) -> None:  # noqa: ARG001
    pytester.makeconftest(BROKEN)
    chosen = ("golden", "--build", "takes/short.wav", "-k", "conduct")
    result = pytester.runpytest_subprocess(*ALONE, *chosen)
    result.assert_outcomes(failed=1, deselected=4)
    result.stdout.fnmatch_lines(["*def broken*", "*ZeroDivisionError: nothing to divide by"])


def test_a_failure_says_the_worst_first_and_is_short(own: Workspace, judge: Run) -> None:
    result = judge("-k", "short and energy", build=str(own.build("[build.parameters]\ngain = 1.2")))
    text = result.stdout.str()
    told = text[text.index("___ short") :].splitlines()[1:7]
    assert [line.partition(":")[0] for line in told[:4]] == ["fail"] * 4
    assert told[4].startswith("and ")


def test_a_recording_is_put_to_its_own_reference_alone(judge: Run) -> None:
    judge(build="takes/short.wav").assert_outcomes(passed=4, skipped=1)
    judge("--reverdict-only", "long", build="takes/short.wav").assert_outcomes(passed=1, skipped=1, failed=3)


def test_other_tests_run_beside_the_items(pytester: pytest.Pytester, own: Workspace) -> None:  # noqa: ARG001
    pytester.makepyfile(test_other="def test_other(): pass")
    every = ("golden", "test_other.py", "--build", "takes/short.wav")
    pytester.runpytest_inprocess(*ALONE, *every).assert_outcomes(passed=5, skipped=1)


def test_a_working_folder_does_not_outlive_the_run(
    judge: Run, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    scratch = tmp_path_factory.mktemp("scratch")
    monkeypatch.setattr("tempfile.tempdir", str(scratch))
    judge("-k", "short and conduct").assert_outcomes(passed=1, deselected=9)
    assert not list(scratch.iterdir())


def test_without_a_build_one_line_asks_for_it(pytester: pytest.Pytester, own: Workspace) -> None:
    result = pytester.runpytest_inprocess(*ALONE, "golden")
    assert result.ret == pytest.ExitCode.NO_TESTS_COLLECTED
    hint = f"reverdict: {own.golden}: references without a build to judge; add --build BUILD"
    result.stdout.fnmatch_lines([hint])
    assert result.stdout.str().count("reverdict: ") == 1


WITHOUT_BUILD = """
import sys
import pytest
status = pytest.main([*sys.argv[1:], "golden", "test_other.py"])
heavy = {"numpy", "scipy", "pydantic", "soundfile", "matplotlib", "tomlkit"} & set(sys.modules)
print("imported:", *sorted(heavy))
sys.exit(status)
"""


def test_without_a_build_nothing_is_collected_and_nothing_imported(own: Workspace) -> None:
    (own.root / "test_other.py").write_text("def test_other(): pass\n", encoding="utf-8")
    command = [sys.executable, "-c", WITHOUT_BUILD, *ALONE[:2], "-p", "no:cacheprovider", "-q"]
    ended = subprocess.run(command, cwd=own.root, capture_output=True, text=True, check=False)
    assert "1 passed" in ended.stdout
    assert ended.stdout.splitlines()[-1] == "imported:"
    assert ended.returncode == 0


def test_items_of_other_cells_carry_their_name(own: Workspace, judge: Run) -> None:
    own.edit("sample_rates_hz = [48000]", "levels_dbfs = [-6, -40]\nsample_rates_hz = [48000]")
    own.edit("block_sizes = [512]", 'block_sizes = [512, 1, 17, "whole"]')
    sound_checks = ("echo-timing", "group-delay", "energy-decay", "conduct")
    listed = judge("--collect-only", "-q", "-k", "short")
    found = [line.partition("::")[2] for line in listed.outlines if "short/reference.toml::" in line]
    assert found[:5] == ["echo-timing", "group-delay", "energy-decay", "cost", "conduct"]
    assert found[5:] == [
        f"{check}[{cell}]"
        for cell in ("blocks-of-1", "blocks-of-17", "one-block", "-40-dBFS")
        for check in sound_checks
    ]
    judge("-k", "blocks-of-17").assert_outcomes(passed=4, deselected=22)
    judge("-k", "blocks-of-1] and conduct").assert_outcomes(passed=1, deselected=25)
    judge("-k", "40-dBFS or one-block and conduct").assert_outcomes(passed=5, deselected=21)
