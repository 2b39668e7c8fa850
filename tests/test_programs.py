"""What programs hand in is measured, or refused in words; two threads that judge take nothing from the program."""

from __future__ import annotations

import json
import re
import sys
import threading
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import reverdict
from conftest import Workspace
from reverdict import BadInput, Response

RATE_HZ = 48000
PLENTY = settings(max_examples=40, deadline=None, derandomize=True, database=None)


def sound(samples: int = 960, paths: int = 1) -> NDArray[Any]:
    """A decaying noise, shape (paths, samples)."""
    decay = np.exp(-np.arange(samples) / 200)
    return 0.1 * np.random.default_rng(2).standard_normal((paths, samples)) * decay


def spoilt(value: float, dtype: Any = float) -> NDArray[Any]:
    samples = sound().astype(dtype)
    samples[0, 7] = value
    return samples


ONE, TWO = sound(), sound(paths=2)


@pytest.mark.parametrize(
    ("response", "options", "said"),
    [
        (ONE, {}, "response is of type ndarray, needs a Response"),
        (Response(ONE.tolist(), RATE_HZ), {}, "response.samples is of type list, needs a numpy array"),
        (Response(ONE[0], RATE_HZ), {}, "has shape (960,), needs (paths, samples): samples[np.newaxis]"),
        (Response(ONE[np.newaxis], RATE_HZ), {}, "has shape (1, 1, 960), needs (paths, samples)"),
        (Response(ONE.T, RATE_HZ), {}, "has shape (960, 1), needs (paths, samples): samples.T"),
        (Response(TWO, RATE_HZ), {}, "paths names 1 path, response.samples has 2: paths=('left', 'right')"),
        (Response(sound(paths=3), RATE_HZ), {}, "paths=('channel 1', 'channel 2', 'channel 3')"),
        (Response(TWO, RATE_HZ, 0.0, ("a", "a")), {}, "response.paths is ('a', 'a'), needs names that differ"),
        (Response(TWO, RATE_HZ, 0.0, "ab"), {}, "response.paths is 'ab', needs a tuple of names"),  # type: ignore[arg-type]
        (Response(ONE[:, :0], RATE_HZ), {}, "has shape (1, 0), holds no sound"),
        (Response((1e4 * ONE).astype(np.int16), RATE_HZ), {}, "needs floats of which 1 is full scale: samples / 32768"),
        (Response(ONE.astype(complex), RATE_HZ), {}, "response.samples is of complex128, needs floats"),
        (Response(spoilt(np.nan), RATE_HZ), {}, "holds 1 value that is not finite, first at [0, 7]"),
        (Response(spoilt(-np.inf, np.float32), RATE_HZ), {}, "holds 1 value that is not finite, first at [0, 7]"),
        (Response(spoilt(1e31), RATE_HZ), {}, "is 600 dB and more above full scale, first at [0, 7]"),
        (Response(ONE, 0), {}, "response.rate_hz is 0 Hz, needs 8000 to 192000 Hz"),
        (Response(ONE, -1), {}, "response.rate_hz is -1 Hz, needs 8000"),
        (Response(ONE, 4000), {}, "response.rate_hz is 4000 Hz, needs 8000"),
        (Response(ONE, 10**6), {}, "response.rate_hz is 1e+06 Hz, needs 8000"),
        (Response(ONE, 10**400), {}, "response.rate_hz is too large a number"),
        (Response(ONE, 44100.5), {}, "response.rate_hz is 44100.5 Hz, needs a whole number"),  # type: ignore[arg-type]
        (Response(ONE, "48000"), {}, "response.rate_hz is of type str, needs a number"),  # type: ignore[arg-type]
        (Response(ONE, RATE_HZ, np.nan), {}, "response.click_at_s is nan s, needs 0 or more"),
        (Response(ONE, RATE_HZ, -0.1), {}, "response.click_at_s is -0.1 s, needs 0 or more"),
        (Response(ONE, RATE_HZ, 0.02), {}, "needs 0 or more, before the sound ends at 0.02 s"),
        (Response(ONE, RATE_HZ), {"arrival_hz": np.nan}, "arrival_hz is nan Hz, needs 50 to 24000 Hz"),
        (Response(ONE, RATE_HZ), {"fraction": 2}, "fraction is 2, needs 1 for octaves or 3 for third-octaves"),
        (Response(ONE, RATE_HZ), {"decay_from_s": 3.0}, "decay_from_s is 3 s, needs 0 or more, before the sound ends"),
    ],
)  # fmt: skip
def test_what_is_no_response_is_refused_in_words(response: Any, options: dict[str, Any], said: str) -> None:
    with pytest.raises((ValueError, TypeError)) as raised:
        reverdict.measure_response(response, **options)
    assert said in str(raised.value)


SHAPES = st.one_of(st.tuples(st.integers(0, 700)), st.tuples(st.integers(0, 40), st.integers(0, 3)))


@st.composite
def sounds(draw: st.DrawFn) -> NDArray[Any]:
    """Noise of any size and floating point, shape (1 to 3, up to 700); strided, or not."""
    shape = draw(st.integers(1, 3)), draw(st.integers(1, 700))
    kind = draw(st.sampled_from(["f8", "f4", ">f8", "g"]))
    size = draw(st.sampled_from([0.3, 0.0, 1e-30, 1e-200, 5e-324, 1e29]))
    samples = (size * np.random.default_rng(draw(st.integers(0, 9))).standard_normal(shape)).astype(kind)
    return samples if draw(st.booleans()) else np.repeat(samples, 2, axis=-1)[..., ::2]


@st.composite
def nonsense(draw: st.DrawFn) -> NDArray[Any]:
    """Of another shape, of another kind, or with a sample that may be anything."""
    what = draw(st.sampled_from(["shape", "kind", "sample"]))
    if what == "shape":
        return np.ones(draw(SHAPES))
    if what == "kind":
        return np.ones((1, 5), draw(st.sampled_from(["i2", "u1", "?", "c16", "O", "U3"])))
    samples = draw(sounds())
    samples[0, draw(st.integers(0, samples.shape[1] - 1))] = draw(st.floats(width=32))
    return samples


RATES = st.sampled_from([8000, 11025, 44100, 48000, 192000])


@PLENTY
@given(sounds(), RATES, st.floats(0, 0.999), st.floats(50, 4000), st.sampled_from([1, 3]), st.booleans())
@example(sound(3), RATE_HZ, 0.9999999, 500.0, 1, False)
@example(sound(700, 2), RATE_HZ, 0.0, 24000.0, 3, True)
@example(sound(1), 8000, 0.0, 50.0, 1, True)
def test_any_small_sound_is_measured_and_nothing_is_warned_of(
    samples: NDArray[Any], rate_hz: int, click_at: float, arrival_hz: float, fraction: int, early: bool
) -> None:
    """``click_at`` is a share of the sound."""
    before, names = samples.copy(), tuple(map(str, range(len(samples))))
    click_at_s = click_at * samples.shape[1] / rate_hz
    begun = Response(samples, rate_hz, 0.0, names)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        later = replace(begun, click_at_s=click_at_s)
        measured = reverdict.measure_response(later, arrival_hz, fraction, None if early else click_at_s)
        own = reverdict.measure_response(begun)
        compared = reverdict.measure_beside(begun, own, begun, without_latency=early, tail=True)
        reverdict.fit_tank(samples[0], rate_hz, click_at_s)
    assert tuple(one.path for one in measured.paths) == tuple(one.path for one in compared.paths) == names
    assert all(one.onset.seconds in (0.0, None) for one in compared.paths)
    np.testing.assert_array_equal(samples, before)


@PLENTY
@given(
    st.one_of(nonsense(), sounds()),
    st.one_of(RATES, st.integers(-10, 10**6)),
    st.floats(),
    st.lists(st.text(max_size=3), max_size=4).map(tuple),
    st.one_of(st.just(500.0), st.floats()),
    st.integers(0, 4),
)
def test_nonsense_is_refused_by_the_name_of_its_argument_and_nothing_is_warned_of(
    samples: NDArray[Any], rate_hz: int, click_at_s: float, paths: tuple[str, ...], arrival_hz: float, fraction: int
) -> None:
    named = r"^(samples|rate_hz|click_at_s|response\.\w+|arrival_hz|fraction)\b"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for call in (
            lambda: reverdict.measure_response(Response(samples, rate_hz, click_at_s, paths), arrival_hz, fraction),
            lambda: reverdict.fit_tank(samples, rate_hz, click_at_s),
        ):
            try:
                call()
            except (ValueError, TypeError) as error:
                said = str(error)
            else:  # by chance it was none
                said = "response.samples"
            assert re.match(named, said)


def test_floats_of_any_precision_measure_as_their_values_do() -> None:
    single = sound().astype(np.float32)
    measured = [
        reverdict.measure_response(Response(samples, RATE_HZ)).paths[0].decay.whole.level_db
        for samples in (single, single.astype(np.float64), single.astype(">f4"))
    ]
    assert measured[0] == measured[1] == measured[2]


def beside(change: Callable[[Response], Any], **options: Any) -> reverdict.Comparison:
    golden = Response(TWO, RATE_HZ, 0.0, ("left", "right"))
    measured = reverdict.measure_response(golden)
    given = {"golden": golden, "measured": measured, "candidate": golden} | change(golden)
    return reverdict.measure_beside(**given, **options)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda one: {"candidate": replace(one, rate_hz=44100)}, "candidate is at 44100 Hz, golden at 48000 Hz"),
        (lambda _: {"candidate": Response(ONE, RATE_HZ)}, "candidate has 1 path, golden 2 paths"),
        (lambda one: {"candidate": replace(one, samples=TWO[:, 9:])}, "candidate has 951 samples, golden 960; cut"),
        (lambda one: {"candidate": replace(one, click_at_s=0.01)}, "samples=candidate.samples[:, 480:], click_at_s=0"),
        (lambda one: {"golden": replace(one, click_at_s=0.01)}, "golden.click_at_s is 0.01 s, needs 0"),
        (lambda one: {"golden": replace(one, samples=TWO * np.nan)}, "golden.samples holds 1920 values that are not"),
        (lambda one: {"measured": reverdict.measure_response(one, fraction=3)}, "measured is in third-octaves"),
        (lambda one: {"measured": reverdict.measure_response(replace(one, rate_hz=16000))}, "is of another rate"),
        (lambda _: {"measured": reverdict.measure_response(Response(ONE, RATE_HZ))}, "measured is of paths ('',)"),
        (lambda one: {"measured": one}, "measured is of type Response, needs what measure_response gives"),
    ],
)  # fmt: skip
def test_what_cannot_be_held_beside_a_golden_is_refused(change: Callable[[Response], Any], said: str) -> None:
    with pytest.raises((ValueError, TypeError)) as raised:
        beside(change)
    assert said in str(raised.value)


def test_paths_are_taken_in_their_order_and_called_as_the_goldens() -> None:
    compared = beside(lambda one: {"candidate": replace(one, paths=("channel 1", "channel 2"))}, tail=True)
    assert [(one.path, one.onset.seconds) for one in compared.paths] == [("left", 0.0), ("right", 0.0)]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((ONE, RATE_HZ), "samples has shape (1, 960), needs (samples,), a single path: samples[0]"),
        ((spoilt(np.nan)[0], RATE_HZ), "samples holds 1 value that is not finite, first at [7]"),
        ((ONE[0], 4000), "rate_hz is 4000 Hz"),
        ((ONE[0], RATE_HZ, -1.0), "click_at_s is -1 s"),
        ((ONE[0], RATE_HZ, 0.0, ONE), "measured is of type ndarray"),
    ],
)
def test_what_is_no_path_is_not_fitted(arguments: tuple[Any, ...], said: str) -> None:
    with pytest.raises((ValueError, TypeError)) as raised:
        reverdict.fit_tank(*arguments)
    assert said in str(raised.value)


@pytest.mark.parametrize("click_at", [-1.0, np.nan, np.inf, "now", None])
def test_a_click_at_no_time_is_refused(workspace: Workspace, click_at: Any) -> None:
    with pytest.raises(BadInput, match=r"short\.wav: its click cannot be at .*; need \"auto\", or seconds"):
        reverdict.read_recording(workspace.takes / "short.wav", click_at)


def test_a_path_may_be_a_text(workspace: Workspace) -> None:
    response, _ = reverdict.read_recording(str(workspace.takes / "short.wav"), 0.0)
    (golden,) = reverdict.load_goldens(str(workspace.golden), "short")
    assert golden.response.samples.shape == response.samples.shape
    with pytest.raises(BadInput, match=r"build\.toml: no such build"):
        reverdict.judge_build(str(workspace.root / "build.toml"), str(workspace.golden), responses="kept")
    verdict = reverdict.Verdict("error", reverdict.BuildIdentity("b", "1", "python"), (), ("slip",))
    assert reverdict.write_report(verdict, str(workspace.root / "report")).is_file()


@pytest.mark.parametrize(
    ("among", "said"),
    [
        (["zz"], 'no reference is called "zz"; there are long, short'),
        (["short", "lang"], 'no reference is called "lang"; did you mean long?'),
        (["long"], 'no reference matches "s*" among the 1 that were named'),
        ([], 'no reference matches "s*" among the 0 that were named'),
        ("short", 'no reference is called "s"; '),
    ],
)
def test_names_that_select_nothing_are_refused(workspace: Workspace, among: Any, said: str) -> None:
    with pytest.raises(BadInput) as raised:
        reverdict.load_goldens(workspace.golden, "s*", among)
    assert said in str(raised.value)
    assert [one.name for one in reverdict.load_goldens(workspace.golden, "s*", ["long", "short"])] == ["short"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"checks": ("echo_timing",)}, 'checks: no check is called "echo_timing"; did you mean echo-timing?'),
        ({"checks": ("cost", "x")}, 'checks: no check is called "x"; there are echo-timing, group-delay, energy-decay'),
        ({"checks": "cost"}, 'checks: is the text "cost", needs a sequence of names: ("cost",)'),
        ({"checks": ()}, "checks: names none; there are echo-timing"),
        ({"jobs": 0}, "jobs: is 0, needs a number of workers, 1 or more"),
        ({"shard": reverdict.Shard(3, 2)}, "shard: is 3/2, needs an index from 1 to the count"),
    ],
)
def test_a_part_that_is_none_is_refused(workspace: Workspace, options: dict[str, Any], said: str) -> None:
    with pytest.raises(BadInput) as raised:
        reverdict.judge_build(workspace.build(), workspace.golden, **options)
    assert said in str(raised.value)


def test_a_report_is_of_a_verdict(tmp_path: Path) -> None:
    whole = reverdict.verdict_to_json(
        reverdict.Verdict("error", reverdict.BuildIdentity("b", "1", "python"), (), ("slip",))
    )
    wrong = [
        ({}, r"verdict: not a whole verdict of judge_build \(schema: missing\)"),
        (whole | {"references": None}, r"not a whole verdict of judge_build \(references: need array\)"),
        (whole | {"schema": 99}, "verdict: schema 99, which a newer reverdict wrote"),
    ]
    for verdict, said in wrong:
        with pytest.raises(BadInput, match=said):
            reverdict.write_report(verdict, tmp_path / "report")
    with pytest.raises(BadInput, match=r"sensitivity: not what sensitivity.json holds \(.*: missing\)"):
        reverdict.write_report(whole, tmp_path / "report", {})
    assert not (tmp_path / "report").exists()
    page = reverdict.write_report(whole, tmp_path / "report")
    assert json.loads(page.with_name("verdict.json").read_text(encoding="utf-8"))["errors"] == ["slip"]


def test_builds_judged_in_two_threads_leave_the_program_what_it_prints(workspace: Workspace) -> None:
    build, before = workspace.build(), (sys.stdout, sys.stderr)
    outcomes: list[str] = []

    def judge(name: str) -> None:
        asked = ("echo-timing",)
        outcomes.append(reverdict.judge_build(build, workspace.golden, name, checks=asked, pictures=False).outcome)

    threads = [threading.Thread(target=judge, args=(name,)) for name in ("long", "short")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (sys.stdout, sys.stderr) == before
    assert outcomes == ["pass", "pass"]
