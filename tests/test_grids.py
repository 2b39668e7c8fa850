"""Impulses and time-frequency grids: closed forms, what is equal, size, and how they are drawn."""

from __future__ import annotations

import io
import json
import re
from base64 import b64decode, b64encode
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from reverdict.grids import FULL, GREYS, HIGHEST_DB, LOWEST_DB, OCTAVES_HZ, STEP_DB, impulse, time_frequency
from reverdict.report.look import INK_AND_PAPER
from reverdict.report.pictures.echogram import echogram_picture

RATE_HZ = 48_000
SHOWN_S = 0.2
MOST_BYTES = 25_000


def burst(at_s: float, hz: float, gain: float = 1.0, seconds: float = 1.0) -> NDArray[Any]:
    """A tone of 5 ms standard deviation."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return gain * np.exp(-0.5 * ((time_s - at_s) / 0.005) ** 2) * np.cos(2 * np.pi * hz * (time_s - at_s))


def levels(png: str) -> NDArray[Any]:
    """Levels of a grid in dB, shape (rows, columns), the first row the lowest frequency."""
    grey = np.asarray(Image.open(io.BytesIO(b64decode(png))), dtype=float)
    return LOWEST_DB + STEP_DB * grey[::-1] / GREYS


def grids(golden: NDArray[Any], candidate: NDArray[Any], paths: int = 1) -> dict[str, Any]:
    return time_frequency(golden, candidate, RATE_HZ, SHOWN_S, [], paths)


def test_a_burst_is_loudest_where_it_is() -> None:
    made = grids(burst(0.06, 2500), burst(0.06, 2500))
    level_db = levels(made["golden"])
    rows, columns = level_db.shape
    low_hz, high_hz = made["frequency_hz"]
    row_hz = low_hz + (np.arange(rows) + 0.5) * (high_hz - low_hz) / rows
    row = int(np.argmin(np.abs(row_hz - 2500)))
    middle = np.flatnonzero(level_db[row] == 0.0).mean()
    assert (middle + 0.5) / columns * SHOWN_S == pytest.approx(0.06, abs=SHOWN_S / columns)
    assert level_db[row].max() == 0.0
    assert level_db[np.abs(row_hz - 2500) > 1200].max() == LOWEST_DB
    (loudest,) = [octave for octave in made["octaves"] if octave["centre_hz"] == 2000]
    assert loudest["golden"][0] == 0.0
    assert loudest["golden"][1] == pytest.approx(60, abs=1e3 * SHOWN_S / columns)


def test_nothing_differs_from_itself() -> None:
    noise = np.random.default_rng(1).standard_normal(RATE_HZ)
    made = grids(noise, noise)
    assert made["golden"] == made["candidate"]
    assert np.all(levels(made["difference"]) == LOWEST_DB)
    assert {octave["difference"][0] for octave in made["octaves"]} == {-120.0}


@pytest.mark.parametrize("gain", [0.5, 0.9, 1.1, 2.0])
def test_levels_are_those_of_the_golden(gain: float) -> None:
    golden = burst(0.08, 1000)
    made = grids(golden, gain * golden)
    for name, ratio in (("candidate", gain), ("difference", abs(gain - 1))):
        assert levels(made[name]).max() == pytest.approx(min(20 * np.log10(ratio), HIGHEST_DB), abs=STEP_DB / 2 + 1e-9)
        (octave,) = [one for one in made["octaves"] if one["centre_hz"] == 1000]
        assert octave[name][0] == pytest.approx(20 * np.log10(ratio), abs=0.06)


def test_a_candidate_that_ends_early_is_silent_there() -> None:
    noise = np.random.default_rng(2).standard_normal(RATE_HZ)
    made = grids(noise, noise[: round(0.1 * RATE_HZ)])
    late = levels(made["candidate"]).shape[1] * 6 // 10
    assert levels(made["candidate"])[:, late:].max() == LOWEST_DB
    assert levels(made["difference"])[:, late:] == pytest.approx(levels(made["golden"])[:, late:], abs=STEP_DB)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 192_000])
def test_a_grid_ends_below_the_nyquist_frequency(rate_hz: int) -> None:
    noise = np.random.default_rng(3).standard_normal(rate_hz)
    made = time_frequency(noise, noise, rate_hz, SHOWN_S, [], 1)
    assert made["frequency_hz"][1] == pytest.approx(min(8000, 0.48 * rate_hz))
    assert all(one["centre_hz"] in OCTAVES_HZ for one in made["octaves"])


@pytest.mark.parametrize("sound", ["silence", "one sample", "offset"])
def test_sounds_that_are_none_give_finite_levels(sound: str) -> None:
    given = {"silence": np.zeros(4800), "one sample": np.ones(1), "offset": np.full(RATE_HZ, 0.5)}[sound]
    made = grids(given, given)
    assert np.isfinite(levels(made["golden"])).all()
    json.dumps([made, impulse(given, given, RATE_HZ, SHOWN_S, 1)], allow_nan=False)


@pytest.mark.parametrize("paths", [1, 2, 4, 16])
def test_pictures_of_a_reference_stay_small(paths: int) -> None:
    """Kept once in verdict.json and drawn once in a page; noise of 20 s at 192 kHz packs worst."""
    rng = np.random.default_rng(4)
    golden, candidate = rng.standard_normal((2, 20 * 192_000))
    made = time_frequency(golden, candidate, 192_000, 0.4, [], paths)
    drawn = impulse(golden, candidate, 192_000, 0.4, paths)
    shown = sum(len(made[name]) for name in ("golden", "candidate", "difference"))
    size = paths * (len(json.dumps(made)) + len(json.dumps(drawn)) + shown)
    print(f"\n{paths} paths: {size / 1000:.1f} kB")
    assert size < MOST_BYTES * (1 if paths <= 4 else 2.5)


def test_an_impulse_is_told_by_lowest_and_highest() -> None:
    golden = np.zeros(RATE_HZ)
    golden[480], golden[4800] = 0.5, -0.25
    told = impulse(golden, 2 * golden, RATE_HZ, SHOWN_S, 1)
    pairs = np.frombuffer(b64decode(told["golden"]), dtype=np.int8).reshape(-1, 2)
    assert pairs[:, 1].max() == FULL
    assert pairs[:, 0].min() == -round(FULL / 2)
    assert (int(pairs[:, 1].argmax()) + 0.5) / len(pairs) * SHOWN_S == pytest.approx(0.01, abs=SHOWN_S / len(pairs))
    assert np.frombuffer(b64decode(told["candidate"]), dtype=np.int8).max() == FULL  # clipped


# As they are drawn.


def picture(**changed: Any) -> Any:
    golden, candidate = burst(0.03, 2000) + burst(0.09, 2000, -0.7), burst(0.031, 2000) + burst(0.093, 2000, -0.7)
    passes = [
        {"label": "1.1", "golden_ms": 30.0, "candidate_ms": 31.0},
        {"label": "1.2", "golden_ms": 90.0, "candidate_ms": 93.0},
    ]
    times = [0.25 + 0.5 * index for index in range(400)]
    echogram = {
        "path": "", "time_ms": times, "golden_db": [-10.0] * 400, "candidate_db": [-11.0] * 400,
        "tolerance_ms": 0.1, "passes": passes,
    }  # fmt: skip
    made = time_frequency(golden, candidate, RATE_HZ, 0.107, [], 1) | changed
    return echogram_picture("e", echogram, [], impulse(golden, candidate, RATE_HZ, 0.107, 1), made)


def test_passes_stand_at_one_place_in_echogram_and_grids() -> None:
    drawn = picture().svg
    places = re.findall(
        r'<text class="strong[^"]*" x="([\d.]+)" y="[\d.]+" text-anchor="middle">([\d.]+)</text>', drawn
    )
    by_label = {label: [float(x) for x, one in places if one == label] for label in ("1.1", "1.2")}
    for label, late_ms in (("1.1", 1.0), ("1.2", 3.0)):
        in_echogram, in_golden, in_build = by_label[label]
        assert in_golden == in_echogram
        assert in_build > in_golden
        axis_px = (by_label["1.2"][0] - by_label["1.1"][0]) / 60.0
        assert (in_build - in_golden) / axis_px == pytest.approx(late_ms, abs=0.1)
    masks = re.findall(r'<image href="data:image/png;base64,[A-Za-z0-9+/=]+" x="([\d.]+)"[^>]* width="([\d.]+)"', drawn)
    assert len(masks) == 3
    start, wide = (float(value) for value in masks[0])
    axis_px = (by_label["1.2"][0] - by_label["1.1"][0]) / 60.0
    assert wide / axis_px == pytest.approx(107, abs=0.5)
    assert start + 30 * axis_px == pytest.approx(by_label["1.1"][0], abs=0.2)


def test_the_caption_and_the_tables_say_what_is_drawn() -> None:
    shown = picture()
    assert "bare paper is 48 dB below and full ink 6 dB above the golden's loudest" in shown.said
    assert "the difference is loudest about 2000 Hz" in shown.said
    passes, octaves = shown.tables
    assert list(passes.rows[1]) == ["1.2", "90.000", "93.000", "3.0000"]
    assert [row[0] for row in octaves.rows] == [
        f"{hz} Hz" for hz in OCTAVES_HZ[1:]
    ]  # no row of the grid lies within the lowest


@pytest.mark.parametrize("data", ['"/><script>alert(1)</script>', "javascript:alert(1)", "AAAA'"])
def test_what_is_no_base64_is_not_drawn(data: str) -> None:
    drawn = picture(golden=data).svg
    assert data not in drawn
    assert drawn.count('href="data:image/png;base64,"') == 1
    shown = echogram_picture(
        "e",
        {"path": "", "time_ms": [0.0, 1.0], "golden_db": [-1.0, -2.0], "candidate_db": [-1.0, -2.0], "passes": []},
        [],
        {"time_ms": [0.0, 1.0], "full": FULL, "golden": data, "candidate": b64encode(b"\0\1").decode()},
    )
    assert shown is not None
    assert "impulse" not in shown.svg


def lightness(colour: NDArray[Any]) -> float:
    """CIE 1976 L* of an sRGB colour (CIE 15; IEC 61966-2-1)."""
    linear = np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)
    luminance = float(linear @ [0.2126, 0.7152, 0.0722])
    return 116 * luminance ** (1 / 3) - 16 if luminance > (6 / 29) ** 3 else luminance * (29 / 3) ** 3


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_lightness_falls_evenly_with_the_level(scheme: int) -> None:
    """A grid is ink over paper by its grey: all 9 dB are a like step of lightness, and none turns back."""
    colours = [dict(re.findall(r"--(\w+):#(\w{6})", part)) for part in INK_AND_PAPER.split("}")[:2]][scheme]
    paper, ink = (
        np.array([int(colours[name][at : at + 2], 16) for at in (0, 2, 4)]) / 255 for name in ("paper", "ink")
    )
    steps = np.diff([lightness(paper + share * (ink - paper)) for share in np.linspace(0, 1, 7)])
    assert abs(steps.sum()) > 75
    assert np.all(np.sign(steps) == np.sign(steps[0]))
    assert abs(steps).max() / abs(steps).min() < 1.4
