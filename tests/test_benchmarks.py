"""How long measuring and judging take. Nothing here asserts a time: machines differ, and so does one from hour to hour.

    python -m pytest tests/test_benchmarks.py -n 0 --benchmark-columns=min,median,rounds

Under pytest-xdist, and so in ``ci/test``, each is run once and not timed: it must still give the right result.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from made_history import finding, run, write
from reverdict.check import echo_timing, energy_decay, group_delay
from reverdict.history.index import NAME, runs_of
from reverdict.history.lines import history_of
from reverdict.history.runs import files_of
from reverdict.measure.decay import measure_decay
from reverdict.measure.lag import onset_lag, pass_lags
from reverdict.measure.lag_curve import lag_curves
from reverdict.measure.measurement import measure, measure_beside
from reverdict.measure.springs import find_springs
from reverdict.reference import EchoTiming, EnergyDecay, FrequencyTolerance, GroupDelay, Tolerance
from reverdict.words import Finding, Outcome, Response
from spring_truth import TrueSpring, respond

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray
    from pytest_benchmark.fixture import BenchmarkFixture

    from reverdict.history.lines import History

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
