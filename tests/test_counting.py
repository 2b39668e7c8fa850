"""Counted cost: the number against known ones, what is in it, and whether it repeats on a busy machine."""

from __future__ import annotations

import ctypes
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

import own_plugins
from counted_builds import (
    HALF_A_PERCENT,
    REQUEST,
    STAGES,
    compiled_command,
    compiled_library,
    compiled_plugin,
    lack,
)
from loads import load
from reverdict.check import counted as counted_check
from reverdict.render import Build, Limits, counting
from reverdict.render.bracket import DUMP, START, TOGGLE, Bracket
from reverdict.render.build import Plugin
from reverdict.render.counting import Count, count, counted_by_hardware, why_not_counted
from reverdict.words import BuildIdentity, Outcome

if TYPE_CHECKING:
    from reverdict.words import Finding

needs_counter = pytest.mark.skipif(bool(lack()), reason=lack())
HEADER = Path("/usr/include/valgrind/callgrind.h")

PROCESSOR = """
import numpy as np

class Gain:
    def __init__(self, sample_rate, rounds=1, slow_start=False):
        self.rounds = int(rounds)
        if slow_start:
            sum(k * k for k in range(300000))
        self.tables = [np.zeros(10) for _ in range(50)]

    def process(self, block):
        for _ in range(self.rounds):
            block = 0.5 * block + 0.25 * block
        return block

class Wire(Gain):
    def process(self, block):
        return block

class Failing(Gain):
    def process(self, block):
        raise ValueError("no such tap")
"""


def python_build(folder: Path, name: str = "Gain", **parameters: object) -> Build:
    (folder / "counted_gain.py").write_text(PROCESSOR, encoding="utf-8")
    identity = BuildIdentity("gain", "1", "python")
    return Build(identity, "python", folder, object=f"counted_gain:{name}", parameters=parameters, limits=Limits(60.0))


def judged(golden: Count, candidate: Count) -> Finding:
    first, second = counted_check.of_build(golden, STAGES, "baseline"), counted_check.of_build(candidate, STAGES)
    (finding,) = counted_check.judge(first, second, HALF_A_PERCENT)
    return finding


def number(counted: Count) -> float:
    assert counted.per_sample is not None, counted.why_not
    return counted.per_sample


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Count:
    """The library as it stands, counted once, with a cache simulated."""
    return count(compiled_library(tmp_path_factory.mktemp("plain")), REQUEST, cache=True)


# What is counted.


@needs_counter
def test_instructions_that_are_added_are_counted_to_the_last_one(plain: Count, tmp_path: Path) -> None:
    """Whether or not a cache is simulated, and though it was compiled anew, elsewhere."""
    more = count(compiled_library(tmp_path, "EXTRA=37"), REQUEST)
    assert number(more) - number(plain) == pytest.approx(37.0, abs=1e-9)
    assert more.misses is None
    assert more.reads_per_sample is None


@needs_counter
def test_instructions_added_to_a_program_are_counted_too(tmp_path: Path) -> None:
    plain, more = count(compiled_command(tmp_path), REQUEST), count(compiled_command(tmp_path, "EXTRA=37"), REQUEST)
    assert number(more) - number(plain) == pytest.approx(37.0, abs=1e-2)


@pytest.mark.slow
@needs_counter
def test_a_plug_in_is_counted_in_its_run_alone(tmp_path: Path) -> None:
    plain, more = count(compiled_plugin(tmp_path), REQUEST), count(compiled_plugin(tmp_path, "EXTRA=30"), REQUEST)
    assert number(more) - number(plain) == pytest.approx(30.0, abs=1e-9)
    assert {one.object for one in plain.functions} == {"one.so"}


@pytest.mark.slow
@needs_counter
@pytest.mark.skipif(bool(own_plugins.lack("clap")), reason=own_plugins.lack("clap"))
def test_a_clap_plug_in_is_counted(tmp_path: Path) -> None:
    folder = own_plugins.compile_into(tmp_path, "clap")
    build = Build(
        BuildIdentity("spring", "1", "clap"), "clap", folder,
        plugin=Plugin("spring.clap", "org.example.mono-spring"), parameters={"Delay": 5.0},
    )  # fmt: skip
    first, second = count(build, REQUEST), count(build, REQUEST)
    assert number(first) == pytest.approx(number(second), rel=1e-4)
    assert not any("python" in one.object or "ffi" in one.object for one in first.functions)
    own = sum(one.per_sample for one in first.functions if one.object == "spring.clap" or one.name == "lround")
    assert own > 0.98 * number(first)  # the rest is what the C library does when it asks its host


@pytest.mark.slow
@needs_counter
def test_what_comes_before_the_first_block_is_not_counted(tmp_path: Path) -> None:
    plain, slow = compiled_library(tmp_path), compiled_library(tmp_path, "EXPENSIVE_OPEN")
    assert number(count(plain, REQUEST)) == number(count(slow, REQUEST))


@needs_counter
def test_stages_of_a_library_are_told_by_function_and_file(plain: Count) -> None:
    assert sum(one.per_sample for one in plain.functions) == pytest.approx(number(plain), abs=1e-6)
    assert {one.file for one in plain.functions} == {"spring.c"}
    stages = counted_check.of_build(plain, STAGES).stages
    assert stages["dispersion"] > 0.9 * number(plain)  # two chains of a hundred sections
    assert min(stages.values()) > 0.0


@needs_counter
def test_what_brackets_a_call_of_python_is_taken_off(tmp_path: Path) -> None:
    """The bracket takes some 9000 instructions a call, a function that returns what it is given a few hundred.

    What it needs to start, millions, is none of it either.
    """
    assert REQUEST.block_size * number(count(python_build(tmp_path, "Wire", slow_start=True), REQUEST)) < 2000


@needs_counter
def test_the_work_of_a_python_build_is_counted(tmp_path: Path) -> None:
    """Twenty rounds of three operations on a block, each an instruction for every eight samples or more."""
    counted = count(python_build(tmp_path, rounds=20), REQUEST)
    assert counted.uncertainty is not None
    assert number(counted) > 20 * 3 / 8


@needs_counter
def test_nothing_of_what_brackets_a_call_of_c_is_counted(tmp_path: Path) -> None:
    """Four instructions for every sample and a thousand in every call, a few to begin and to return, and no other."""
    a_call = REQUEST.block_size * number(count(compiled_plugin(tmp_path, "THOUSAND"), REQUEST))
    assert 0 < a_call - (4 * REQUEST.block_size + 1000) <= 5


@pytest.mark.slow
@needs_counter
def test_counts_do_not_depend_on_the_size_of_blocks(tmp_path: Path) -> None:
    mono = count(compiled_plugin(tmp_path), REQUEST)
    assert mono.samples % (REQUEST.block_size * 32) == 0
    short = count(compiled_plugin(tmp_path), replace(REQUEST, block_size=64))
    assert number(short) == pytest.approx(number(mono), rel=0.02)  # a call more often is little


@needs_counter
def test_memory_accesses_and_misses_are_counted_where_a_cache_is_simulated(plain: Count) -> None:
    assert plain.misses is not None
    assert plain.reads_per_sample is not None
    assert plain.writes_per_sample is not None
    # A hundred sections of two springs are read, and written, once a sample.
    assert 200 <= plain.reads_per_sample < 260
    assert 200 <= plain.writes_per_sample < 260
    assert plain.misses.last_level <= plain.misses.first_level < 10


@pytest.mark.slow
@needs_counter
def test_a_count_does_not_depend_on_where_it_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    library, program = compiled_library(tmp_path), compiled_command(tmp_path)
    usual = number(count(library, REQUEST)), number(count(program, REQUEST))
    monkeypatch.setenv("REVERDICT_TEST_OF_COUNTING", "x" * 1237)
    for name in ("w", "a-work-folder-of-quite-another-length-of-name"):
        folder = tmp_path / name
        folder.mkdir()
        assert number(count(library, REQUEST, folder)) == usual[0]
        assert number(count(program, REQUEST, folder)) == pytest.approx(usual[1], rel=1e-5)


@needs_counter
def test_totals_agree_with_callgrind_s_own_reader(tmp_path: Path) -> None:
    if shutil.which("callgrind_annotate") is None:
        pytest.skip("no callgrind_annotate")
    program = compiled_command(tmp_path).argv[0]
    sound = np.zeros(4096, np.float32).tobytes()
    file = tmp_path / "counts"
    argv = ["valgrind", "-q", "--tool=callgrind", f"--callgrind-out-file={file}", program]
    subprocess.run(argv, input=sound, stdout=subprocess.DEVNULL, check=True)
    said = subprocess.run(
        ["callgrind_annotate", "--threshold=100", file], capture_output=True, text=True, check=True
    ).stdout
    profile = counting.read_profile([file])

    def told(pattern: str) -> int:
        found = re.search(rf"^\s*([\d,]+).*{pattern}", said, re.MULTILINE)
        assert found, pattern
        return int(found[1].replace(",", ""))

    assert profile.total("Ir") == told("PROGRAM TOTALS")
    for function in ("chain_step", "delay_write", "lowpass", "play", "main"):
        own = sum(costs for place, costs in profile.of("Ir").items() if place.function.startswith(function))
        assert own == told(rf"spring\.c:{function}"), function


# Where it cannot be counted.


def test_recordings_and_hardware_have_nothing_to_count(tmp_path: Path) -> None:
    for kind in ("recordings", "interface"):
        counted = count(Build(BuildIdentity("take", "1", kind), kind, tmp_path), REQUEST)
        assert counted.per_sample is None
        assert counted.impossible_here
        assert "no cost" in counted.why_not


def test_without_a_counter_it_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(counting, "counter_version", lambda: "")
    monkeypatch.setattr(counting, "hardware_counts", lambda: False)
    counted = count(python_build(tmp_path), REQUEST)
    assert (counted.why_not, counted.impossible_here) == ("no valgrind here", True)


def test_a_program_is_counted_by_the_processor_where_it_tells(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(counting, "counter_version", lambda: "")
    monkeypatch.setattr(counting, "hardware_counts", lambda: True)
    program = Build(BuildIdentity("p", "1", "command"), "command", tmp_path, argv=("true",), exchange="raw")
    assert why_not_counted(program) == ""
    assert why_not_counted(python_build(tmp_path)) == "no valgrind here"


def test_the_lines_of_perf_are_read() -> None:
    assert counted_by_hardware("0.53,msec,task-clock,526455,100.00,224.693,CPUs utilized\n", "task-clock") == 0.53
    assert counted_by_hardware("# started\n\n181562,,instructions:u,1,100.00,,\n", "instructions") == 181562
    assert counted_by_hardware("<not supported>,,instructions:u,0,100.00,,\n", "instructions") is None
    assert counted_by_hardware("nothing of the kind", "instructions") is None


@pytest.mark.skipif(shutil.which("perf") is None, reason="no perf")
def test_what_perf_itself_writes_is_understood() -> None:
    argv = ["perf", "stat", "-x", ",", "-e", "task-clock", "true"]
    ended = subprocess.run(argv, capture_output=True, text=True, check=False)
    if ended.returncode:
        pytest.skip("perf may not be used here")
    milliseconds = counted_by_hardware(ended.stderr, "task-clock")
    assert milliseconds is not None
    assert 0 < milliseconds < 10_000


@needs_counter
def test_a_build_that_fails_says_why(tmp_path: Path) -> None:
    counted = count(python_build(tmp_path, "Failing"), REQUEST)
    assert counted.per_sample is None
    assert not counted.impossible_here
    assert "no such tap" in counted.why_not
    program = Build(BuildIdentity("p", "1", "command"), "command", tmp_path, argv=("false",), exchange="raw")
    assert "ended with status 1" in count(program, REQUEST).why_not


@needs_counter
def test_a_processor_that_valgrind_does_not_know_is_told(tmp_path: Path) -> None:
    source, program = tmp_path / "new.c", tmp_path / "new"
    source.write_text('int main(void) { __asm__ volatile(".byte 0x62,0xf1,0x7c,0x48,0x58,0xc0"); return 0; }\n')
    subprocess.run(["cc", "-o", program, source], check=True)
    build = Build(BuildIdentity("p", "1", "command"), "command", tmp_path, argv=(str(program),), exchange="raw")
    assert "AVX-512" in count(build, REQUEST).why_not


# The bracket.


@pytest.mark.skipif(bool(lack()), reason=lack())
def test_outside_of_valgrind_a_bracket_calls_and_no_more() -> None:
    add = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_int, ctypes.c_int, ctypes.c_int, ctypes.c_int)(
        lambda a, b, c, d: a + 10 * b + 100 * c + 1000 * d
    )
    bracket = Bracket()
    assert bracket.call(add, 1, 2, 3, 4) == 4321
    assert bracket.call(lambda a, b=0: a - b, 5, b=3) == 2
    bracket.ask(START)


@pytest.mark.skipif(not HEADER.is_file(), reason="no callgrind.h")
def test_requests_have_the_numbers_of_the_header(tmp_path: Path) -> None:
    source, program = tmp_path / "requests.c", tmp_path / "requests"
    names = "DUMP_STATS", "TOGGLE_COLLECT", "START_INSTRUMENTATION"
    printed = "".join(f'printf("%u ", (unsigned)VG_USERREQ__{name});' for name in names)
    source.write_text(
        f"#include <stdio.h>\n#include <valgrind/callgrind.h>\nint main(void) {{ {printed} return 0; }}\n"
    )
    subprocess.run(["cc", "-o", program, source], check=True)
    said = subprocess.run([program], capture_output=True, text=True, check=True).stdout
    assert [int(word) for word in said.split()] == [DUMP, TOGGLE, START]


# One section more in a hundred.


@needs_counter
def test_one_section_more_is_stopped_and_told(plain: Count, tmp_path: Path) -> None:
    more = count(compiled_library(tmp_path, "SECTIONS=101"), REQUEST)
    finding = judged(plain, more)
    assert finding.outcome is Outcome.FAIL
    assert re.match(r"\+0\.9\d %, dispersion \+20\.0 instructions a sample, 9\d % of the whole", finding.reason)


@pytest.mark.slow
@needs_counter
@pytest.mark.parametrize("loaded", [False, True])
@pytest.mark.parametrize("compiled", [compiled_library, compiled_command])
def test_twenty_of_twenty_are_stopped_and_none_of_fifty_rebuilds(compiled, loaded: bool, tmp_path: Path) -> None:
    golden = count(compiled(tmp_path), REQUEST)
    changes = []
    with load("busy" if loaded else "idle"):
        for run in range(50):
            folder = tmp_path / f"run-{run:0{run % 7 + 1}d}"
            folder.mkdir()
            again = count(compiled(folder), REQUEST)
            assert judged(golden, again).outcome is Outcome.PASS
            if run < 20:
                more = count(compiled(folder, "SECTIONS=101"), REQUEST)
                assert judged(golden, more).outcome is Outcome.FAIL
                changes.append(100 * (number(more) / number(golden) - 1))
    assert 0.9 < min(changes) <= max(changes) < 1.1
