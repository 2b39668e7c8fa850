"""Timed cost on real builds, on a quiet machine and a loaded one: what is dearer is stopped, the same is not."""

from __future__ import annotations

from collections import Counter

import pytest

from loads import LOADS, load
from reverdict.check.cost import judge, run_interleaved
from reverdict.render import Request, working_folder
from reverdict.render.timing import open_timer
from reverdict.words import Outcome
from test_cost import Rounds, Tolerances
from timed_truth import HAS_COMPILER, c_chain, numpy_chain

REQUEST = Request("chain", rate_hz=48000, block_size=512)
FIVE = Tolerances(5.0, 5.0)
MAKERS = {
    "C": pytest.param(c_chain, marks=pytest.mark.skipif(not HAS_COMPILER, reason="needs a C compiler (cc)"), id="C"),
    "numpy": pytest.param(numpy_chain, id="numpy"),
}


def timed(make, folder, sections, golden_sections=100, **candidate):
    """A candidate from a file of its own, as in a repository, beside a golden build."""
    for name in ("candidate", "golden"):
        (folder / name).mkdir(exist_ok=True)
    own = make(folder / "candidate", sections=sections, **candidate)
    golden = make(folder / "golden", sections=golden_sections)
    with working_folder() as work, open_timer(own, REQUEST, work) as one, open_timer(golden, REQUEST, work) as other:
        measured = run_interleaved(
            one, other, Rounds(), lambda found: judge(1.0, found, FIVE)[0].outcome is not Outcome.UNSURE
        )
    return measured, judge(1.0, measured, FIVE)[0]


@pytest.mark.few(1)  # a build in Python, too, in test_cost
@pytest.mark.parametrize("make", MAKERS.values())
def test_twice_the_work_fails_and_the_same_does_not(make, tmp_path):
    assert timed(make, tmp_path, 200)[1].outcome is Outcome.FAIL
    assert timed(make, tmp_path, 100)[1].outcome is not Outcome.FAIL


@pytest.mark.skipif(not HAS_COMPILER, reason="needs a C compiler (cc)")
def test_a_heavy_block_every_64_shows_in_p99_and_worst_and_not_in_the_median(tmp_path):
    measured, _ = timed(c_chain, tmp_path, 100, every=64, heavy=20)
    own, golden = measured.blocks.candidate, measured.blocks.golden
    assert measured.blocks.count >= 1000
    assert 0.7 < own.median_us / golden.median_us < 1.4
    assert own.p99_us > 8.0 * own.median_us
    assert own.worst_us >= own.p999_us > 8.0 * own.median_us
    assert measured.ratio > 1.15  # 1 + 19/64 of the mean


@pytest.mark.slow
@pytest.mark.parametrize("kind", LOADS)
@pytest.mark.parametrize("make", MAKERS.values())
def test_ten_percent_more_work_is_stopped_and_the_same_is_not(make, kind, tmp_path):
    """19 of 20, and none of 50, with a tolerance of 5 %."""
    with load(kind):
        dearer = [timed(make, tmp_path, 110) for _ in range(20)]
        same = [timed(make, tmp_path, 100) for _ in range(50)]
    for told, runs in (("10 % more", dearer), ("the same", same)):
        ratios = [measured.ratio for measured, _ in runs]
        count = Counter(str(finding.outcome) for _, finding in runs)
        print(f"{kind}, {told}: {dict(count)}, ratio {min(ratios):.3f} to {max(ratios):.3f}")
    assert sum(finding.outcome is Outcome.FAIL for _, finding in dearer) >= 19
    assert not any(finding.outcome is Outcome.FAIL for _, finding in same)
