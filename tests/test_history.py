"""Histories over releases: what moved is named at the right release, and nothing is where nothing moved."""

from __future__ import annotations

import contextlib
import json
import math
import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from made_history import finding, quiet_rows, run, write
from reverdict.command_line import main
from reverdict.demo import write_demo
from reverdict.errors import BadInput
from reverdict.history import index, runs
from reverdict.history.lines import History, history_of
from reverdict.history.moves import moves_of

RELEASES = 60
ROWS = 150


def told(folder: Path, **rest: Any) -> History:
    return history_of(index.runs_of(runs.files_of(folder)), **rest)


def test_the_worst_point_of_a_curve_is_followed_wherever_it_lies(tmp_path: Path) -> None:
    """A lag along a tail creeps; where it is worst, and the tolerance there, are others every time."""
    rows = [
        finding(
            f"left, at {0.1 + 0.37 * (number % 5):.2f} s", 0.04 * number * (1 + number % 3), golden=-3.0 * (number % 4),
            tolerance=1.0 + number % 3, quantity="tail lag",
        )
        for number in range(20)
    ]  # fmt: skip
    (line,) = told(write(tmp_path, [run(number, [one]) for number, one in enumerate(rows)])).moved
    assert (line.quantity, line.where, len(line.values)) == ("tail lag", "left", 20)
    assert line.values == pytest.approx([0.04 * number for number in range(20)])
    (slope,) = line.moves.slopes
    assert (slope.since, slope.rate) == (0, pytest.approx(0.04))


def test_what_stands_beyond_half_of_its_limit_is_told_however_it_came_there(tmp_path: Path) -> None:
    """A bent way among 164 rows, which no line fits so well that it counts; and noise that reaches as far."""
    bent = [0.0, 0.0, 0.0, 0.0, 0.0096, 0.0192, 0.0288, 0.0381, 0.0468, 0.0547, 0.0616, 0.0673, 0.0715, 0.0743]
    others = [finding(f"other {number}", 0.0) for number in range(162)]
    noise = 0.02 * np.random.default_rng(4).standard_normal(14)
    noise[-1] = 0.06
    rows = [
        [finding("bent", value, uncertainty=1e-7), finding("noisy", float(other), uncertainty=0.02), *others]
        for value, other in zip(bent, noise, strict=True)
    ]
    moved = told(write(tmp_path, [run(number, one) for number, one in enumerate(rows)])).moved
    assert [line.where for line in moved] == ["bent"]
    assert (moved[0].moves.steps, moved[0].moves.slopes) == ((), ())
    assert moved[0].near


# Moves: numbers in, steps and drifts out.


def test_a_row_that_repeats_moved_nowhere_and_too_short_a_one_says_so() -> None:
    same = moves_of([0.2] * 30, floor=0.003)
    assert (same.steps, same.slopes, same.forecast) == ((), (), None)
    assert np.ptp(same.fitted) < 1e-12
    assert "4 do" in moves_of([0.0, 0.0, 1.0], floor=0.003).why_not


def test_exact_rows_tell_a_step_at_once_and_noisy_ones_after_three_releases() -> None:
    (step,) = moves_of([0.0] * 9 + [0.2], floor=0.003).steps
    assert (step.at, step.size) == (9, pytest.approx(0.2))
    noise = np.random.default_rng(3).standard_normal(40)
    assert moves_of([*(0.05 * noise), 9.0], floor=0.003).steps == ()
    (step,) = moves_of([*(0.05 * noise), 9.0, 9.0, 9.0], floor=0.003).steps
    assert step.at == 40


def test_a_line_has_the_closed_form_of_its_forecast() -> None:
    moves = moves_of([0.01 * n for n in range(30)], floor=0.003)
    (slope,) = moves.slopes
    assert (slope.since, slope.rate) == (0, pytest.approx(0.01))
    assert moves.forecast is not None
    assert moves.forecast.likely == pytest.approx((1.0 - 0.29) / 0.01)
    assert moves.forecast.soonest < moves.forecast.likely < (moves.forecast.latest or math.inf)
    back = moves_of([-0.01 * n for n in range(30)], floor=0.003).forecast
    assert back is not None
    assert back.likely == pytest.approx(moves.forecast.likely)


def test_one_odd_run_is_set_aside() -> None:
    row = [0.0] * 30
    row[11] = 0.6
    moves = moves_of(row, floor=0.003)
    assert (moves.steps, moves.slopes, moves.odd) == ((), (), (11,))


def test_a_drift_that_stopped_is_no_forecast() -> None:
    moves = moves_of([0.02 * min(n, 20) for n in range(60)], floor=0.003)
    assert [slope.since for slope in moves.slopes] == [0, 20]
    assert moves.forecast is None


@pytest.mark.parametrize(("noise", "within"), [(0.0, 0), (0.01, 1), (0.05, 6)])
def test_a_drift_and_a_step_are_named_at_their_release(noise: float, within: int) -> None:
    """With noise of a twentieth of tolerance, the beginning of a slow drift is known to some releases."""
    rng = np.random.default_rng(11)
    at = np.arange(RELEASES)
    for _ in range(20):
        drifting = 0.012 * np.maximum(0, at - 20) + noise * rng.standard_normal(RELEASES)
        moves = moves_of(drifting.tolist(), floor=0.003, rows=ROWS)
        assert not moves.steps
        assert abs(moves.slopes[0].since - 20) <= within
        stepping = 0.4 * (at >= 37) + noise * rng.standard_normal(RELEASES)
        moves = moves_of(stepping.tolist(), floor=0.003, rows=ROWS)
        assert not moves.slopes
        (step,) = moves.steps
        assert step.at == 37


def test_a_row_may_both_step_and_drift() -> None:
    at = np.arange(RELEASES)
    moves = moves_of((0.008 * at + 0.3 * (at >= 37)).tolist(), floor=0.003, rows=ROWS)
    assert [(step.at, round(step.size, 6)) for step in moves.steps] == [(37, 0.3)]
    assert [(slope.since, round(slope.rate, 6)) for slope in moves.slopes] == [(0, 0.008)]


def alarms(histories: int, seed: int) -> int:
    """How many of so many made histories, ``ROWS`` quantities each, raise an alarm though nothing moved."""
    rng = np.random.default_rng(seed)
    raised = 0
    for _ in range(histories):
        rows = quiet_rows(ROWS, RELEASES, rng)
        found = [moves_of(row.tolist(), floor=0.003, rows=ROWS) for row in rows]
        raised += any(one.steps or one.slopes for one in found)
    return raised


def test_no_alarm_in_histories_without_a_movement() -> None:
    assert alarms(20, 1) == 0


@pytest.mark.slow
def test_no_alarm_in_a_hundred_histories_without_a_movement() -> None:
    assert alarms(100, 2) == 0


@pytest.mark.slow
def test_how_small_a_movement_is_seen() -> None:
    """Prints the table of tests/README.md; a movement ten times the noise must be seen nine times of ten."""
    rng = np.random.default_rng(4)
    for releases in (12, 24, 60):
        at = np.arange(releases)
        for noise in (0.0, 0.01, 0.05, 0.1):
            seen = {}
            for size in (0.2, 0.5, 1.0):
                step, drift = size * (at >= releases // 2), size * at / (releases - 1)
                for name, shape in (("step", step), ("drift", drift)):
                    found = [
                        moves_of((shape + noise * rng.standard_normal(releases)).tolist(), floor=0.003, rows=ROWS)
                        for _ in range(50)
                    ]
                    seen[name, size] = sum(bool(one.steps or one.slopes) for one in found)
                    assert size < 10 * noise or releases < 60 or seen[name, size] >= 45
            print(releases, noise, seen)


# Lines: runs in, quantities over releases out.


def test_a_made_history_of_sixty_releases_names_its_drift_and_its_step(tmp_path: Path) -> None:
    """Among quiet ones; the drift is hidden from every gate by a golden approved anew at release 1.40."""
    rng = np.random.default_rng(6)
    quiet = quiet_rows(40, RELEASES, rng)
    kept = []
    for k in range(RELEASES):
        anew = 0.07 * (k >= 40)
        drift = 0.0025 * max(0, k - 12) + 0.001 * rng.standard_normal()
        found = [
            finding("spring 1", drift - anew, golden=30.0 + anew),
            finding("spring 2", 0.03 * (k >= 37), golden=41.2),
            *(finding(f"quiet {n}", 0.1 * row[k], uncertainty=0.001) for n, row in enumerate(quiet)),
        ]
        kept.append(run(k, found, identity={"sha256": [f"{k >= 40:064d}"]}))
    history = told(write(tmp_path, kept))
    assert (history.followed, len(history.moved)) == (42, 2)
    first, second = history.moved
    assert (first.where, first.out, all(first.passed), first.anew) == ("spring 1", True, True, (40,))
    assert first.values[-1] == pytest.approx(0.1175, abs=0.004)
    assert abs(first.moves.slopes[0].since - 12) <= 1
    (step,) = second.moves.steps
    assert (second.where, step.at, history.releases["spring"][step.at].label) == ("spring 2", 37, "spring 1.37")


def test_a_reference_of_another_name_keeps_its_history(tmp_path: Path) -> None:
    def kept(number: int, name: str, **rest: Any) -> dict[str, Any]:
        return run(number, [finding("spring 1", 0.01 * number)], reference=name, **rest)

    new = {"formerly": ["old"], "sha256": ["1" * 64]}  # and another golden, so that only the name tells
    said = [kept(n, "new", identity=new) if n >= 4 else kept(n, "old") for n in range(8)]
    (line,) = told(write(tmp_path / "said", said)).moved
    assert (line.reference, len(line.values)) == ("new", 8)
    seen = [kept(n, "old" if n < 4 else "new") for n in range(8)]  # by the same impulses
    (line,) = told(write(tmp_path / "seen", seen)).moved
    assert (line.reference, len(line.values)) == ("new", 8)
    other = [kept(n, "old" if n < 4 else "new", identity={"sha256": [str(n >= 4) * 16]}) for n in range(8)]
    assert all(len(one.values) == 4 for one in told(write(tmp_path / "other", other)).moved)


def test_runs_of_another_analysis_and_times_of_another_machine_stand_apart(tmp_path: Path) -> None:
    def kept(number: int, **rest: Any) -> dict[str, Any]:
        cost = finding("", 0.05 * number, golden=0.0, quantity="cost", unit="%", tolerance=10.0)
        return run(number, [cost], check="cost", **rest)

    older = [kept(n, analysis_version=0) for n in range(5)] + [kept(n) for n in range(5, 12)]
    history = told(write(tmp_path / "analysis", older))
    assert len(history.releases["spring"]) == 7
    assert "older analysis" in history.notes[0]
    moved = [kept(n, machine={"class": "x86_64", "processor": "two" if n > 4 else "one"}) for n in range(12)]
    history = told(write(tmp_path / "machine", moved), smallest=0.001)
    assert [len(one.values) for one in history.moved] == [7]


def test_a_run_dated_in_the_future_is_told(tmp_path: Path) -> None:
    runs = [run(number, [finding("spring 1", 0.0)]) for number in range(4)]
    write(tmp_path, runs)
    assert not any("future" in note for note in told(tmp_path).notes)
    runs[1]["judged_at"] = "2126-01-01T00:00:00+00:00"
    write(tmp_path, runs)
    history = told(tmp_path)
    assert [note.split(",")[0] for note in history.notes] == ["00001.json is dated in the future"]
    assert history.releases["spring"][-1].label == "spring 1.1"


def test_differences_begin_anew_with_a_new_golden(tmp_path: Path) -> None:
    """A curve whose golden is 0 by its nature cannot be followed across an approval."""
    found = [finding("curve", 0.06 if n < 5 else 0.0, golden=0.0) for n in range(10)]
    kept = [run(n, [one], identity={"sha256": [str(n >= 5) * 16]}) for n, one in enumerate(found)]
    assert not told(write(tmp_path, kept)).moved


def test_builds_of_several_names_are_followed_apart_and_names_that_come_once_together(tmp_path: Path) -> None:
    def kept(number: int, name: str) -> dict[str, Any]:
        return run(number, [finding("spring 1", 0.01 * number)], build={"name": name})

    apart = told(write(tmp_path / "two", [kept(n, "pedal" if n % 2 else "rack") for n in range(12)]))
    assert {build: len(these) for build, these in apart.releases.items()} == {"rack": 6, "pedal": 6}
    once = told(write(tmp_path / "once", [kept(n, f"release-{n}") for n in range(6)]))
    assert {build: len(these) for build, these in once.releases.items()} == {"": 6}


def test_values_that_are_missing_or_without_a_limit_are_left_out(tmp_path: Path) -> None:
    found = [
        [
            finding("gaps", 0.05 * (n >= 8), **({"deviation": None, "outcome": "unsure"} if n % 3 == 1 else {})),
            finding("no limit", 0.1 * n, tolerance=None, share_of_tolerance=None),
            finding("zero", 0.1 * n, tolerance=0.0, share_of_tolerance=None),
        ]
        for n in range(12)
    ]
    history = told(write(tmp_path, [run(n, one) for n, one in enumerate(found)]))
    (line,) = history.moved
    assert (line.where, history.followed) == ("gaps", 1)
    assert history.releases["spring"][line.releases[line.moves.steps[0].at]].label == "spring 1.8"


# Files and their index.


def test_a_run_is_kept_whole_under_a_name_of_its_own(tmp_path: Path) -> None:
    verdict = run(3, [finding("spring 1", 0.01)])
    verdict["references"][0]["curves"] = {"echogram": [1.0] * 100}
    with ThreadPoolExecutor(8) as pool:
        files = set(pool.map(lambda _: runs.keep(verdict, tmp_path / "runs"), range(16)))
    assert len(files) == 16
    assert sorted(file.name for file in files)[0].startswith("20260104T090000-spring-1.3-0000000")
    assert {file.name for file in (tmp_path / "runs").iterdir()} == {file.name for file in files}
    read = runs.read(files.pop())
    assert isinstance(read, dict)
    assert read["references"][0]["curves"] == {}
    assert read["references"][0]["checks"] == verdict["references"][0]["checks"]


def test_hostile_names_make_harmless_files(tmp_path: Path) -> None:
    verdict = run(3, [finding("spring 1", 0.01)], build={"name": "../../etc/x\0<b>", "version": "‮" * 300})
    file = runs.keep(verdict, tmp_path)
    assert file.parent == tmp_path
    assert len(file.name) < 150


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "no JSON"),
        (b"\xff\xfe", "not UTF-8 text"),
        (b'{"schema": 1, "references": [', "no JSON"),
        (b"[" * 100000, "no JSON"),
        (b'["a list"]', "not a verdict"),
        (b'{"references": [1], "schema": 2}', "schema 2"),
        (b'{"references": [{"name": "x"}], "schema": 1}', "not a whole verdict"),
        (b'{"references": [{"checks": []}], "schema": 1}', "not a whole verdict"),
        (b'{"references": [{"name": "x", "checks": [{"findings": []}]}], "schema": 1}', "not a whole verdict"),
        (b'{"schema": ' + b"9" * 5000 + b"}", "no JSON"),
        (b'{"references": [], "schema": 1}', "nothing was judged"),
    ],
)
def test_what_is_no_run_is_named_and_left_out(tmp_path: Path, content: bytes, why: str) -> None:
    write(tmp_path, [run(n, [finding("spring 1", 0.01)]) for n in range(5)])
    (tmp_path / "99999.json").write_bytes(content)
    history = told(tmp_path)
    assert len(history.releases["spring"]) == 5
    (none,) = history.no_runs
    assert none.file.name == "99999.json"
    assert why in none.why


def test_a_number_beyond_all_bounds_is_told(tmp_path: Path) -> None:
    write(tmp_path, [run(n, [finding("spring 1", 0.01)]) for n in range(5)])
    last = sorted(tmp_path.glob("*.json"))[-1]
    verdict = json.loads(last.read_text())
    verdict["references"][0]["checks"][0]["findings"][0]["deviation"] = 10**400
    last.write_text(json.dumps(verdict))
    (left_out,) = told(tmp_path).no_runs
    assert left_out.file == last
    assert "a number of 401 digits" in left_out.why


def test_the_index_follows_its_files(tmp_path: Path) -> None:
    write(tmp_path, [run(n, [finding("spring 1", 0.0)]) for n in range(5)])
    assert len(told(tmp_path).releases["spring"]) == 5
    runs.keep(run(9, [finding("spring 1", 0.0)]), tmp_path)
    assert len(told(tmp_path).releases["spring"]) == 6
    (tmp_path / "00000.json").unlink()
    (tmp_path / "00001.json").write_text(json.dumps(run(1, [finding("spring 1", 5.0)])), encoding="utf-8")
    (line,) = index.runs_of(runs.files_of(tmp_path)).kept[:1]
    assert line.readings["deviation"] == [5.0]


def test_a_broken_or_older_index_is_made_anew(tmp_path: Path) -> None:
    write(tmp_path, [run(n, [finding("spring 1", 0.0)]) for n in range(5)])
    file = tmp_path / index.NAME
    file.write_bytes(b"no database" * 1000)
    assert len(told(tmp_path).releases["spring"]) == 5
    with contextlib.closing(sqlite3.connect(file, isolation_level=None)) as database:
        database.execute("pragma user_version = 99")
    assert len(told(tmp_path).releases["spring"]) == 5


def test_several_may_read_at_once(tmp_path: Path) -> None:
    write(tmp_path, [run(n, [finding("spring 1", 0.0)]) for n in range(30)])
    with ThreadPoolExecutor(4) as pool:
        counts = list(pool.map(lambda _: len(told(tmp_path).releases["spring"]), range(8)))
    assert counts == [30] * 8


def test_nothing_there_is_bad_input(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no such folder of runs"):
        runs.files_of(tmp_path / "nowhere")


# The command.


@pytest.fixture
def drifting(tmp_path: Path) -> Path:
    return write(tmp_path / "runs", [run(n, [finding("<b>spring", 0.004 * n)], reference="<i>t&") for n in range(20)])


def test_drift_says_what_moved_and_when_it_leaves(drifting: Path, tmp_path: Path, capsys: Any) -> None:
    report = tmp_path / "report"
    assert main(["drift", "--runs", str(drifting), "--report", str(report)]) == 1
    said = capsys.readouterr().out
    assert "0.08 ms late against the original golden, 0.76 of its original limit (0.10 ms)" in said
    assert "drifts late by 0.0040 ms a release after spring 1.0 (0000000)" in said
    assert "leaves its limit in about 6 releases" in said
    page = (report / "drift.html").read_text(encoding="utf-8")
    assert "&lt;i&gt;t&amp;" in page
    assert "<b>spring" not in page
    assert "<script" not in page
    assert json.loads((report / "drift.json").read_text(encoding="utf-8"))["moved"][0]["drifts"]


def test_drift_within_fewer_releases_is_status_0(drifting: Path, capsys: Any) -> None:
    assert main(["drift", "--runs", str(drifting), "--within", "3", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["moved"][0]["leaves_in_releases"]["likely"] == pytest.approx(6.0)
    assert main(["drift", "--runs", str(drifting), "--quantity", "lev*"]) == 0
    assert "nothing moved" in capsys.readouterr().out


@pytest.mark.parametrize("made", [True, False])
def test_drift_without_a_run_says_how_to_keep_one(tmp_path: Path, capsys: Any, made: bool) -> None:
    folder = tmp_path / "runs"
    if made:
        folder.mkdir()
        (folder / "notes.json").write_text("{}", encoding="utf-8")
    assert main(["drift", "--runs", str(folder)]) == 2
    said = capsys.readouterr().err
    assert "reverdict gate BUILD --runs DIR" in said
    assert "Traceback" not in said


def test_a_report_shows_the_history_it_belongs_to_and_no_index_lies_in_it(tmp_path: Path, capsys: Any) -> None:
    demo, kept, report = tmp_path / "demo", tmp_path / "runs", tmp_path / "report"
    write_demo(demo)
    takes = tmp_path / "takes"
    takes.mkdir()
    shutil.copy(demo / "golden" / "workshop-spring" / "response.flac", takes / "workshop-spring.flac")
    asked = ["--golden", str(demo / "golden"), "--only", "workshop-spring", "--runs", str(kept)]
    for _ in range(2):
        main(["gate", str(takes), *asked, "--report", str(report), "--sounds", "0"])
    assert len(list(kept.glob("*.json"))) == 2
    assert "No quantity moved" in (report / "index.html").read_text(encoding="utf-8")
    assert main(["board", str(report), str(kept), "--out", str(tmp_path / "board")]) == 0
    assert not list(report.glob(".*"))
    capsys.readouterr()
