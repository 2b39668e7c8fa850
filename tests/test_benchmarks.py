"""How long measuring and judging take. Nothing here asserts a time: machines differ, and so does one from hour to hour.

    python -m pytest tests/test_benchmarks.py -s -n 0 --benchmark-columns=min,median,rounds

With ``-m "not slow"`` it takes a minute, without long responses, high rates and hundreds of references. Times are those
of a processor, in which others on the machine have little part. Under pytest-xdist, and so in ``ci/test``, each is run
once and not timed: it must still give the right result.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from made_history import finding, run, write
from many_references import make
from reverdict import golden_set
from reverdict.builds import open_build
from reverdict.check import echo_timing, energy_decay, group_delay
from reverdict.history.index import NAME, runs_of
from reverdict.history.lines import history_of
from reverdict.history.runs import files_of
from reverdict.measure.decay import measure_decay
from reverdict.measure.lag import onset_lag, pass_lags
from reverdict.measure.lag_curve import lag_curves
from reverdict.measure.measurement import measure, measure_beside
from reverdict.measure.springs import find_springs
from reverdict.measure.stray import stray_sound
from reverdict.reference import EchoTiming, EnergyDecay, FrequencyTolerance, GroupDelay, Tolerance
from reverdict.trial import SOUND_JUDGES, Trial
from reverdict.words import Finding, Outcome, Response
from spring_truth import TrueSpring, respond

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pytest_benchmark.fixture import BenchmarkFixture

    from reverdict.history.lines import History

pytestmark = pytest.mark.benchmark(timer=time.process_time)

TESTS = Path(__file__).parent
SETS = ((1, 1, 1), (10, 5, 2), (100, 3, 2), (1000, 1, 2))
"""References of a golden folder, turns in which it is gated, and processes at most."""
RATE_HZ = 48000
TANK = (TrueSpring(0.030, 4200), TrueSpring(0.041, 3900, level_db=-2))
TENTH, TWO = Tolerance.both_ways(0.1), Tolerance.both_ways(2.0)
ECHOES = EchoTiming(springs=2, pass_law="1:3:5", passes=2, arrival_ms=TENTH, onset_ms=TENTH)  # noqa: S106 (a law, no password)
DELAYS = GroupDelay(
    delay_ms=Tolerance.both_ways(FrequencyTolerance(((100.0, 0.25), (3000.0, 1.0)))),
    transition_percent=Tolerance.both_ways(1.0),
)
DECAY = EnergyDecay(edt_percent=TWO, t20_percent=TWO, t30_percent=TWO, level_db=Tolerance.both_ways(0.5))


@cache
def four_seconds(late_s: float = 0.0) -> Response:
    """Two springs, 4 s at 48 kHz, noise 80 dB below the peak."""
    moved = replace(TANK[1], trip_s=TANK[1].trip_s + late_s)
    return Response(respond((TANK[0], moved), RATE_HZ, 4.0, noise_db=-80)[None], RATE_HZ)


def slow(*cases: Any) -> list[Any]:
    """Cases of one argument, or of several as tuples, that ordinary runs leave out."""
    return [pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.slow) for case in cases]


def dense(seconds: float) -> NDArray[np.float64]:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.random.default_rng(1).standard_normal(time_s.size) * np.exp(-3 * np.log(10) * time_s / 2)


def judged(golden: Response, candidate: Response) -> list[Finding]:
    """What one reference costs: golden measured, candidate measured beside it, three checks judged."""
    measured = measure(golden)
    beside = measure_beside(golden, measured, candidate)
    findings = echo_timing.judge(measured, beside, ECHOES)
    findings += group_delay.judge(measured, beside, DELAYS)
    return findings + energy_decay.judge(measured, beside, DECAY)


def test_measure_in_full(benchmark: BenchmarkFixture) -> None:
    assert len(benchmark(measure, four_seconds()).paths[0].springs.springs) == 2


@pytest.mark.parametrize("seconds", [1, 2, *slow(4, 8, 15, 30, 60)])
def test_measure_so_many_seconds(benchmark: BenchmarkFixture, seconds: int) -> None:
    response = Response(respond(TANK, RATE_HZ, seconds, noise_db=-80)[None], RATE_HZ)
    assert len(benchmark(measure, response).paths[0].springs.springs) == 2


@pytest.mark.parametrize("rate_hz", [16000, *slow(32000, 44100, 48000, 88200, 96000, 176400, 192000)])
def test_measure_at_a_rate(benchmark: BenchmarkFixture, rate_hz: int) -> None:
    response = Response(respond(TANK, rate_hz, 4.0, noise_db=-80)[None], rate_hz)
    assert len(benchmark(measure, response).paths[0].springs.springs) == 2


def test_measure_and_judge_a_rebuild(benchmark: BenchmarkFixture) -> None:
    findings = benchmark(judged, four_seconds(), four_seconds())
    assert {finding.outcome for finding in findings} == {Outcome.PASS}


def test_measure_and_judge_a_spring_half_a_millisecond_longer(benchmark: BenchmarkFixture) -> None:
    findings = benchmark(judged, four_seconds(), four_seconds(0.52e-3))
    late = {f.where for f in findings if f.quantity == "arrival" and f.outcome is Outcome.FAIL}
    assert late == {"spring 2, pass 1, 500 Hz", "spring 2, pass 2, 500 Hz"}


def test_find_springs(benchmark: BenchmarkFixture) -> None:
    assert len(benchmark(find_springs, four_seconds().samples[0], RATE_HZ).springs) == 2


def test_lags_of_all_passes(benchmark: BenchmarkFixture) -> None:
    sound = four_seconds().samples[0]
    lags = benchmark(pass_lags, sound, four_seconds(0.1e-3).samples[0], RATE_HZ, find_springs(sound, RATE_HZ))
    assert len(lags) == 2


def test_stray_sound(benchmark: BenchmarkFixture) -> None:
    sound = four_seconds().samples[0]
    assert benchmark(stray_sound, sound, sound, RATE_HZ) is not None


def test_decay_in_octave_bands(benchmark: BenchmarkFixture) -> None:
    measured = benchmark(measure_decay, four_seconds().samples[0], RATE_HZ)
    assert measured.whole.times["t20"].seconds


def test_onset_of_a_dense_reverb(benchmark: BenchmarkFixture) -> None:
    hall = dense(4.0)
    assert benchmark(onset_lag, hall, np.roll(hall, 7), RATE_HZ).seconds is not None


def test_lag_over_time_of_a_dense_reverb(benchmark: BenchmarkFixture) -> None:
    hall = dense(4.0)
    assert benchmark(lag_curves, hall, np.roll(hall, 7), RATE_HZ).whole.fit is not None


def test_seeing_that_a_hall_has_no_springs(benchmark: BenchmarkFixture) -> None:
    assert not benchmark(find_springs, dense(4.0), RATE_HZ).springs


def test_measure_four_paths_of_a_stereo_reverb(benchmark: BenchmarkFixture) -> None:
    paths = ("left→left", "left→right", "right→left", "right→right")
    response = Response(np.tile(four_seconds().samples, (4, 1)), RATE_HZ, paths=paths)
    assert len(benchmark(measure, response).paths) == 4


@pytest.mark.few(1)
@pytest.mark.parametrize("index", ["anew", "there"])
def test_a_thousand_runs_are_read_and_followed(benchmark: BenchmarkFixture, tmp_path: Path, index: str) -> None:
    """A hundred quantities each; with the index of an earlier reading, or none."""
    noise = np.random.default_rng(1).standard_normal((1000, 100))
    folder = write(
        tmp_path, [run(n, [finding(str(q), 0.01 * one[q]) for q in range(100)]) for n, one in enumerate(noise)]
    )

    def followed() -> History:
        if index == "anew":
            (folder / NAME).unlink(missing_ok=True)
        return history_of(runs_of(files_of(folder)))

    history = benchmark.pedantic(followed, rounds=3, warmup_rounds=index == "there")
    assert len(history.releases["spring"]) == 1000
    assert (history.followed, len(history.moved)) == (100, 0)


@pytest.fixture(scope="module")
def measured_trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    """One reference and its recording, all measured."""
    root = tmp_path_factory.mktemp("one")
    folders = make(root, 1)
    (golden,) = golden_set.load(folders.golden)
    trial = Trial(golden, open_build(folders.takes), root)
    assert trial.measured.paths
    assert trial.beside is not None
    return trial


@pytest.mark.parametrize("check", [*SOUND_JUDGES, "conduct"])
def test_judge_what_is_measured(benchmark: BenchmarkFixture, measured_trial: Trial, check: str) -> None:
    assert benchmark(measured_trial.judge, check).outcome is Outcome.PASS


@dataclass(frozen=True)
class Spent:
    """What a program took: seconds of processors, seconds on the clock, and memory of the largest of its processes."""

    processor_s: float
    clock_s: float
    peak_mb: float
    said: str


LAUNCHER = """
import os, subprocess, sys
_, status, used = os.wait4(subprocess.Popen(sys.argv[1:]).pid, 0)
print(used.ru_utime + used.ru_stime, used.ru_maxrss, file=sys.stderr)
sys.exit(os.waitstatus_to_exitcode(status))
"""
"""A process is told to have been as large as the one that started it, so a small one does."""


def spend(arguments: list[str | Path], cache: Path | None = None) -> Spent:
    """Run a Python program on one thread, and see that it comes to a good end."""
    kept = {"REVERDICT_CACHE": str(cache) if cache else "off"}
    one_thread = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    alone = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-S", "-c", LAUNCHER, sys.executable, *map(str, arguments)],
        env=alone | one_thread | kept, capture_output=True, text=True, check=False,
    )  # fmt: skip
    clock_s = time.perf_counter() - began
    assert done.returncode == 0, done.stderr
    processor_s, peak_kb = map(float, done.stderr.splitlines()[-1].split())
    return Spent(processor_s, clock_s, peak_kb / 1024, done.stdout)


def of_children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


@pytest.mark.benchmark(timer=of_children_s)
@pytest.mark.parametrize(("number", "turns", "most_jobs"), [SETS[0], *slow(*SETS[1:])])
def test_gate_of_many_beside_a_plain_script(
    benchmark: BenchmarkFixture, tmp_path: Path, number: int, turns: int, most_jobs: int
) -> None:
    """A folder of recordings, in turns: a plain script, then the gate with nothing kept, and with goldens kept.

    The benchmark's own time is that of a whole turn; the shares are printed, and lie in ``extra_info``.
    """
    folders = make(tmp_path, number)
    gate: list[str | Path] = ["-m", "reverdict", "gate", folders.takes, "--golden", folders.golden]
    spent: dict[str, list[Spent]] = {}

    def take_turns() -> None:
        turn = {"plain script": spend([TESTS / "plain_script.py", folders.golden, folders.takes])}
        for jobs in range(1, most_jobs + 1):
            kept = tmp_path / f"kept-{jobs}-{len(spent.get('plain script', ()))}"
            for what in ("nothing", "goldens"):
                turn[f"gate --jobs {jobs}, {what} kept"] = spend([*gate, "--jobs", str(jobs)], kept)
        for way, one in turn.items():
            spent.setdefault(way, []).append(one)

    benchmark.pedantic(take_turns, rounds=turns)
    plain = spent.pop("plain script")
    assert all(one.said.count("\n") == number for one in plain)
    assert all(f"Everything asked holds: {number} reference" in one.said for ways in spent.values() for one in ways)
    assert len({one.said for ways in spent.values() for one in ways}) == 1
    for way, ones in {"plain script": plain, **spent}.items():
        shares = [one.processor_s / beside.processor_s for one, beside in zip(ones, plain, strict=True)]
        processor_s, clock_s = median(one.processor_s for one in ones), median(one.clock_s for one in ones)
        figures = {
            "processor_s": round(processor_s, 2),
            "ms_each": round(1e3 * processor_s / number),
            "of_plain": round(median(shares), 2),
            "clock_s": round(clock_s, 2),
            "peak_mb": round(max(one.peak_mb for one in ones)),
        }
        benchmark.extra_info[way] = figures
        print(f"| {number} | {way} | {' | '.join(map(str, figures.values()))} |")
