"""Several candidates side by side: distances in closed form, the front, what is told apart, and a real C build."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reverdict.choosing import choose
from reverdict.command_line import main
from reverdict.demo import write_demo
from reverdict.report.wording.comparison import distance_in, opening, remarks

needs_cc = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler called cc")


def finding(where: str, share: float | None, spread: float = 0.0, limit: float = 0.1) -> dict[str, Any]:
    return {
        "quantity": "arrival", "where": where, "unit": "ms", "golden": 30.0, "candidate": None,
        "deviation": None if share is None else share * limit, "uncertainty": spread * limit, "tolerance": limit,
        "share_of_tolerance": None if share is None else abs(share), "reason": "", "cell": "",
        "outcome": "unsure" if share is None else "pass" if abs(share) <= 1 else "fail",
    }  # fmt: skip


def verdict(counted: float | None = None, golden: float = 1000.0, **checks: Any) -> dict[str, Any]:
    """A verdict of one reference; ``checks`` are findings by the name of their check."""
    told = []
    for name, findings in checks.items():
        outcomes = {one["outcome"] for one in findings}
        outcome = next((one for one in ("fail", "unsure") if one in outcomes), "pass")
        told.append({
            "check": name.replace("_", "-"), "outcome": outcome, "reason": f"{name} is out", "findings": findings,
            "closes_gate": outcome != "pass",
        })  # fmt: skip
    whole = next((one for one in ("fail", "unsure") if any(check["outcome"] == one for check in told)), "pass")
    cost = {} if counted is None else {"counted": {"golden": golden, "candidate": counted, "uncertainty": 0.0}}
    return {
        "schema": 1, "outcome": whole, "errors": [], "build": {"name": "b", "version": "1", "commit": None},
        "references": [{"name": "tank", "title": "", "outcome": whole, "checks": told, "cost": cost}],
    }  # fmt: skip


def by_label(verdicts: Mapping[str, dict[str, Any]]) -> dict[str, Any]:
    return {one.label: one for one in choose(verdicts).candidates}


def test_the_distance_is_the_root_mean_square_and_checks_weigh_alike() -> None:
    many = [finding(str(n), 0.3) for n in range(9)]
    one = by_label({
        "a": verdict(echo_timing=many, group_delay=[finding("x", 0.4), finding("y", 0.0)]),
        "b": verdict(echo_timing=many, group_delay=[finding("x", 0.0), finding("y", 0.0)]),
    })["a"]  # fmt: skip
    assert one.distances["echo-timing"].value == pytest.approx(0.3)
    assert one.distances["group-delay"].value == pytest.approx(0.4 / math.sqrt(2))
    assert one.distance.value == pytest.approx(math.sqrt((0.3**2 + 0.4**2 / 2) / 2))


def test_only_what_all_that_pass_have_a_value_for_is_compared() -> None:
    full = verdict(echo_timing=[finding("x", 0.1), finding("y", 0.9)])
    choice = choose({"a": full, "b": verdict(echo_timing=[finding("x", 0.2)])})
    assert (choice.compared, choice.left_out) == (1, 1)
    assert {one.label: one.distance.value for one in choice.candidates if one.distance} == {
        "a": pytest.approx(0.1),
        "b": pytest.approx(0.2),
    }


def test_a_broken_build_changes_nothing_among_the_others() -> None:
    near, far = (verdict(1000 + 9 * y, echo_timing=[finding("x", x), finding("y", y)]) for x, y in ((0.3, 0), (0, 0.8)))
    half = verdict(echo_timing=[finding("x", 0.01), finding("y", None)])
    without, beside = choose({"near": near, "far": far}), choose({"near": near, "far": far, "half": half})
    assert beside.candidates[:2] == without.candidates
    assert (beside.taken, beside.front, beside.alike) == (without.taken, without.front, without.alike)
    broken = beside.candidates[2]
    assert (broken.lacks, broken.distance.value, broken.price) == (1, pytest.approx(0.01), None)
    assert any("over 1 of them" in said for said in remarks(beside))


def test_the_worst_point_of_a_curve_is_compared_wherever_it_lies() -> None:
    def build(share: float, at_s: float) -> dict[str, Any]:
        return verdict(echo_timing=[finding("x", 0.1), finding(f"left, at {at_s:.2f} s", share)])

    choice = choose({"near": build(0.2, 0.11), "far": build(0.9, 1.25), "out": build(4.1, 0.74)})
    assert (choice.compared, choice.left_out) == (2, 0)
    assert {one.label: one.lacks for one in choice.candidates} == {"near": 0, "far": 0, "out": 0}
    out = next(one for one in choice.candidates if one.label == "out")
    assert out.distance is not None
    assert out.distance.value == pytest.approx(math.sqrt((0.1**2 + 4.1**2) / 2))


def test_a_check_that_fails_without_a_value_is_no_distance() -> None:
    """Otherwise another sound altogether would stand nearer than one that is a little beyond its limit."""
    lost = {**finding("left", None), "outcome": "fail"}
    other = verdict(echo_timing=[finding("x", 0.0), lost], energy_decay=[finding("y", 0.3)])
    out = verdict(echo_timing=[finding("x", 1.2), finding("left", 1.1)], energy_decay=[finding("y", 0.3)])
    choice = choose({"other": other, "out": out})
    assert [one.label for one in choice.candidates] == ["out", "other"]
    last = choice.candidates[-1]
    assert (last.distance, last.without) == (None, ("echo-timing",))
    assert list(last.distances) == ["energy-decay"]
    assert last.worst is not None
    assert last.worst["where"] == "left"
    assert distance_in("echo-timing", last) == "out"
    assert opening(choice)[0].startswith("None passes. Nearest is out")
    assert any(said.startswith("other has no distance: echo timing fails") for said in remarks(choice))


def test_of_twins_the_first_named_is_taken() -> None:
    twins = {label: verdict(1000.0, echo_timing=[finding("x", 0.1, 0.01)]) for label in ("b", "a", "c")}
    choice = choose(twins)
    assert (choice.taken, set(choice.tied)) == ("b", {"a", "c"})


def test_only_a_build_that_passes_is_taken() -> None:
    near_but_out = verdict(echo_timing=[finding("x", 1.1), finding("y", 0.0)])
    far_but_in = verdict(echo_timing=[finding("x", 0.9), finding("y", 0.9)])
    choice = choose({"near": near_but_out, "far": far_but_in})
    assert choice.taken == "far"
    assert [one.label for one in choice.candidates] == ["far", "near"]
    none = choose({"near": near_but_out, "worse": verdict(echo_timing=[finding("x", 2.0), finding("y", 0.0)])})
    assert none.taken == ""
    assert none.candidates[0].why_not == "tank: echo_timing is out"


def test_of_those_that_sound_alike_the_cheapest_is_taken() -> None:
    def build(share: float, counted: float) -> dict[str, Any]:
        return verdict(counted, echo_timing=[finding("x", share, 0.05)])

    choice = choose({"dear": build(0.20, 1200), "cheap": build(0.22, 900), "far": build(0.6, 800)})
    assert choice.alike == (("dear", "cheap"),)
    assert choice.taken == "cheap"
    assert set(choice.front) == {"cheap", "far"}
    known_better = choose({"dear": verdict(echo_timing=[finding("x", 0.2)]), "cheap": verdict(
        echo_timing=[finding("x", 0.22)]
    )})  # fmt: skip
    assert known_better.alike == ()


def test_two_that_differ_by_noise_alone_are_not_told_apart_however_much_is_measured() -> None:
    """A hundred pairs of 200 values each, the golden without noise: the hardest case. k = 2 would part nearly all."""
    rng = np.random.default_rng(7)
    sigma = 0.05

    def take(moved: float = 0.0) -> dict[str, Any]:
        shares = rng.normal(0.0, sigma, 200)
        shares[0] += moved
        return verdict(echo_timing=[finding(str(n), float(share), 2 * sigma) for n, share in enumerate(shares)])

    told = sum(not choose({"a": take(), "b": take()}).alike for _ in range(100))
    assert told <= 12  # 4.6 are expected; more than 12 come once in a thousand
    assert not any(choose({"a": take(), "b": take(moved=12 * sigma)}).alike for _ in range(20))


def test_a_tie_is_a_tie() -> None:
    sound = [finding("x", 0.2)]
    choice = choose({"a": verdict(900, echo_timing=sound), "b": verdict(900, echo_timing=sound)})
    assert (choice.taken, choice.tied) == ("a", ("b",))
    said = opening(choice)
    assert any(one.startswith("A tie: b would do as well") for one in said)
    assert "the cheapest" not in " ".join(said)


def test_of_those_not_surely_farther_the_cheapest_is_taken() -> None:
    def build(one: float, other: float, counted: float) -> dict[str, Any]:
        return verdict(counted, echo_timing=[finding("x", one, 0.05), finding("y", other, 0.05)])

    choice = choose({"dear": build(0.4, 0.1, 1200), "cheap": build(0.1, 0.42, 900)})
    assert (choice.alike, choice.taken, choice.tied) == ((), "cheap", ())
    assert "none that passes is surely closer" in opening(choice)[0]


def test_two_of_one_distance_may_sound_different() -> None:
    late, early = (verdict(echo_timing=[finding("x", share)]) for share in (0.5, -0.5))
    assert choose({"late": late, "early": early}).alike == ()


def test_counts_of_goldens_that_cost_differently_are_told_against_the_first() -> None:
    sound = [finding("x", 0.1)]
    same = by_label({"a": verdict(1100, echo_timing=sound), "b": verdict(900, echo_timing=sound)})
    assert [same[label].price.percent for label in "ab"] == [pytest.approx(10), pytest.approx(-10)]
    other = by_label({"a": verdict(1100, echo_timing=sound), "b": verdict(2200, 2000.0, echo_timing=sound)})
    assert [other[label].price.percent for label in "ab"] == [pytest.approx(0), pytest.approx(100)]
    assert other["b"].price.against == "a"


def test_counts_and_times_are_never_mixed() -> None:
    sound = [finding("x", 0.1)]
    timed = verdict(echo_timing=sound)
    timed["references"][0]["cost"] = {"timed": {"ratio": 1.1, "seconds_per_sample": {"golden": 1e-7}}}
    assert all(one.price is None for one in choose({"a": verdict(900, echo_timing=sound), "b": timed}).candidates)
    both = by_label({"a": timed, "b": timed})
    assert both["a"].price.by == "timed"
    assert both["a"].price.percent == pytest.approx(10.0)


def test_one_that_could_not_be_judged_stays_in_the_table() -> None:
    broken = {"outcome": "error", "errors": ["build.toml: no such program"], "references": [], "build": {"name": "c"}}
    choice = choose({"broken": broken, "a": verdict(echo_timing=[finding("x", 0.1)])})
    assert [one.label for one in choice.candidates] == ["a", "broken"]
    assert choice.candidates[1].why_not == "build.toml: no such program"
    assert choice.taken == "a"


# The command, on real builds.


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("workspace") / "demo"
    write_demo(folder)
    return folder


def variant(demo: Path, number: int, by_ms: float, not_asked: tuple[str, ...] = ("cost",)) -> Path:
    """The demo's C port with the second spring's trip longer by so much; not asked what it costs."""
    builds = demo / "builds"
    source, toml = ((builds / name).read_text(encoding="utf-8") for name in ("workshop.c", "c-port.toml"))
    assert source.count("33.45") == 1
    (builds / f"v{number}.c").write_text(source.replace("33.45", f"{33.45 + by_ms:.6f}"), encoding="utf-8")
    told = toml.replace('"workshop.c"', f'"v{number}.c"').replace('name = "workshop-c"', f'name = "v{number}"')
    file = builds / f"v{number}.toml"
    lines = "\n".join(f'{check} = "only the sound is compared"' for check in not_asked)
    file.write_text(f"{told}\n[build.not_asked]\n{lines}\n", encoding="utf-8")
    return file


FOUR = (0.0, 0.0105, 0.003, 0.0)
TEN = (*FOUR, 0.0135, 0.006, 0.0015, 0.009, 0.0045, 0.0075)


@needs_cc
@pytest.mark.parametrize("by", [FOUR, pytest.param(TEN, marks=pytest.mark.slow)], ids=len)
def test_variants_of_a_c_build_come_out_in_the_order_of_their_distance(
    demo: Path, tmp_path: Path, by: tuple[float, ...]
) -> None:
    """Trips longer by 0 to 0.0135 ms; the first and the fourth are the same, and sound so."""
    files = [variant(demo, number, ms, ("cost", "conduct")) for number, ms in enumerate(by)]
    report = tmp_path / "report"
    asked = ["--golden", str(demo / "golden"), "--only", "workshop-spring", "--report", str(report)]
    assert main(["compare", *map(str, files), *asked]) == 0
    told = json.loads((report / "compare.json").read_text(encoding="utf-8"))
    order = [int(one["build"]["name"][1:]) for one in told["candidates"]]
    assert sorted(order[:2]) == [0, 3]
    assert order[2:] == sorted((n for n in range(len(by)) if by[n]), key=lambda n: by[n])
    assert told["not_told_apart"] == [[told["candidates"][0]["label"], told["candidates"][1]["label"]]]
    distances = [one["distance"]["value"] for one in told["candidates"]]
    assert distances == sorted(distances)
    page = (report / "index.html").read_text(encoding="utf-8")
    assert "cannot be told apart" in page
    assert all((report / f"{place}-v{number}_1.0" / "index.html").is_file() for place, number in enumerate(order, 1))


@needs_cc
def test_a_build_that_does_not_compile_stops_nobody(demo: Path, capsys: Any) -> None:
    good, broken = variant(demo, 20, 0.0, ("cost", "conduct")), variant(demo, 21, 0.0)
    (demo / "builds" / "v21.c").write_text("this is no C", encoding="utf-8")
    asked = ["--golden", str(demo / "golden"), "--only", "workshop-spring"]
    assert main(["compare", str(broken), str(good), *asked, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [one["outcome"] for one in told["candidates"]] == ["pass", "fail"]
    assert told["recommended"] == "v20 1.0"
    assert "the only one that passes" in told["said"][0]
    assert "prepare failed" in told["candidates"][1]["why_not"]


@pytest.mark.parametrize(
    ("builds", "said"),
    [
        (["release-1.0"], "compare: 1 build; it takes 2 to 20"),
        (["release-1.0", "release-1.0"], "is named twice"),
        (["release-1.0", "nowhere"], "no such build"),
    ],
)
def test_a_slip_is_told_before_anything_runs(demo: Path, capsys: Any, builds: list[str], said: str) -> None:
    files = [str(demo / "builds" / f"{name}.toml") for name in builds]
    assert main(["compare", *files, "--golden", str(demo / "golden")]) == 2
    assert said in capsys.readouterr().err
