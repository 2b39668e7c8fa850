"""A lag curve in words and on the page."""

from __future__ import annotations

from typing import Any

import pytest

from dense_truth import NETWORK_HZ, modes, moved_network, network
from reverdict.measure.lag_curve import lag_curves
from reverdict.report.pictures.lag import lag_picture
from reverdict.report.wording.lag import about_lag, time_in_words


def table(**changes: Any) -> dict[str, Any]:
    """An invented curve: 0.2 ms late, no drift, agrees to 1.5 s."""
    fit = {
        "offset_s": 2e-4,
        "offset_uncertainty_s": 1e-6,
        "drift_ppm": 0.1,
        "drift_uncertainty_ppm": 0.5,
        "steps": [],
        "scatter": 1.0,
    }
    usual = {
        "path": "left",
        "reason": "",
        "polarity": 1,
        "time_scale": None,
        "shares": [],
        "agrees_until_s": None,
        "heard_until_s": 1.5,
        "fit": fit | changes.pop("fit", {}),
        "time_s": [0.0, 0.5, 1.0, 1.5],
        "lag_s": [2e-4, 2.01e-4, None, 2e-4],
        "uncertainty_s": [1e-6, 1e-6, None, 1e-6],
        "coherence": [1.0, 0.99, 0.3, 0.9],
    }
    return usual | changes


STEP = {"time_s": 0.3, "time_uncertainty_s": 0.01, "size_s": -1e-4, "size_uncertainty_s": 1e-6}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "It is 200.0 ± 1.0 µs late at the click."),
        ({}, "It does not drift (within 0.50 ppm)."),
        ({}, "It agrees with the golden as far as that can be heard, 1.50 s."),
        ({"fit": {"offset_s": -0.02}}, "It is 20.000 ± 0.001 ms early at the click."),
        ({"fit": {"offset_s": 5e-7}}, "It begins in step with the golden (within 1.0 µs)."),
        ({"fit": {"drift_ppm": 50.0}}, "It falls behind by 50.00 ± 0.50 ppm."),
        ({"fit": {"drift_ppm": -50.0}}, "It runs ahead by 50.00 ± 0.50 ppm."),
        ({"fit": {"steps": [STEP]}}, "At 300 ms it jumps 100.0 ± 1.0 µs earlier."),
        ({"polarity": -1}, "It is turned over (polarity)."),
        ({"agrees_until_s": 0.12}, "It agrees with the golden for the first 120 ms, then no longer"),
        ({"agrees_until_s": 0.0}, "It agrees with the golden nowhere."),
        ({"time_scale": 48 / 44.1}, "All its times are the golden's times 1.0884, as after a mistaken sample rate."),
        ({"reason": "the golden is silent"}, "No lag can be told: the golden is silent."),
    ],
)
def test_what_is_said(changes: dict[str, Any], said: str) -> None:
    assert said in " ".join(about_lag(table(**changes)))


def test_no_fit_is_said() -> None:
    assert about_lag({**table(), "fit": None}) == ["Too little of it looks like the golden to tell its lag."]


def test_times_are_told_as_finely_as_they_are_known() -> None:
    assert time_in_words(1.23456e-4, 2e-9) == "123.456 ± 0.002 µs"
    assert time_in_words(0.02, 3e-5) == "20.000 ± 0.030 ms"
    assert time_in_words(2.08e-4) == "208 µs"


def test_a_moved_line_is_told_of_a_real_network() -> None:
    told = lag_curves(network(), moved_network(10), NETWORK_HZ).table(200)
    said = " ".join(about_lag(told))
    assert "then no longer" in said
    assert "% of the energy comes 205 µs later than the rest" in said  # 10 samples are 208 µs (derived)


def test_the_picture_has_band_line_and_coherence() -> None:
    picture = lag_picture("x", table())
    assert picture is not None
    assert picture.svg.count('class="build"') == 2
    assert 'class="band"' in picture.svg
    assert "200.0 ± 1.0 µs late" in picture.said


def test_nothing_is_drawn_where_no_lag_is_told() -> None:
    assert lag_picture("x", {**table(), "lag_s": [None] * 4, "uncertainty_s": [None] * 4}) is None


def test_a_drift_is_drawn_without_a_golden_line_that_lies_elsewhere() -> None:
    told = lag_curves(modes(48000, 1.0, count=100), modes(48000, 1.0, count=100, late_s=0.003), 48000).table(100)
    picture = lag_picture("x", told | {"path": ""})
    assert picture is not None
    assert "golden" not in picture.svg.partition("</desc>")[2]
