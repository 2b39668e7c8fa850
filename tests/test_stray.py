"""Sound where the golden has none: found wherever it is put, and nothing found where there is none."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from dense_truth import hall
from reverdict.check import conduct
from reverdict.measure.stray import StraySound, stray_sound
from reverdict.reference import Conduct, Tolerance
from spring_truth import TrueSpring, respond

Sound = NDArray[np.float64]

RATE_HZ = 48000
GOLDENS = {
    "springs": respond((TrueSpring(0.030, 4200), TrueSpring(0.041, 3900)), RATE_HZ, 2.0, noise_db=None),
    "hall": hall(RATE_HZ, 2.0) / 4,
}


def click(at_s: float, level_db: float) -> Callable[[Sound], Sound]:
    def add(sound: Sound) -> Sound:
        changed = sound.copy()
        changed[round(at_s * RATE_HZ)] += 10 ** (level_db / 20) * np.abs(sound).max()
        return changed

    return add


def hum(level_db: float) -> Callable[[Sound], Sound]:
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    return lambda sound: sound + 10 ** (level_db / 20) * np.abs(sound).max() * np.sin(2 * np.pi * 50 * time_s)


def offset(level_db: float) -> Callable[[Sound], Sound]:
    return lambda sound: sound + 10 ** (level_db / 20) * np.abs(sound).max()


def gaps(samples: int) -> Callable[[Sound], Sound]:
    def cut(sound: Sound) -> Sound:
        changed = sound.copy()
        for begin in range(0, sound.size, 512):
            changed[begin : begin + samples] = 0.0
        return changed

    return cut


def found(golden: str, change: Callable[[Sound], Sound]) -> StraySound:
    sound = GOLDENS[golden]
    stray = stray_sound(sound, change(sound), RATE_HZ)
    assert stray is not None
    return stray


@pytest.mark.parametrize(
    ("golden", "change"),
    [
        ("springs", click(0.0, -30)),
        ("springs", click(0.9, -30)),
        ("springs", hum(-40)),
        ("springs", offset(-40)),
        ("springs", gaps(1)),
        ("hall", click(1.7, -25)),
        ("hall", hum(-40)),
        ("hall", offset(-40)),
    ],
    ids=["dry click", "late click", "hum", "offset", "gaps", "click in a hall", "hum in a hall", "offset in a hall"],
)
def test_what_does_not_belong_is_found(golden: str, change: Callable[[Sound], Sound]) -> None:
    assert found(golden, change).excess_db > 8


def test_a_click_in_the_predelay_is_found() -> None:
    late = np.append(np.zeros(1009), GOLDENS["hall"])[: 2 * RATE_HZ]
    stray = stray_sound(late, click(0.0, -20)(late), RATE_HZ)
    assert stray is not None
    assert stray.excess_db > 20
    assert stray.time_s == pytest.approx(0.0, abs=0.01)


def test_it_is_told_where_it_lies() -> None:
    stray = found("springs", click(0.9, -20))
    assert stray.time_s == pytest.approx(0.9, abs=0.01)
    assert stray.low_hz > 4000
    assert found("hall", hum(-30)).high_hz < 200


@pytest.mark.parametrize("golden", GOLDENS)
@pytest.mark.parametrize(
    "change",
    [
        lambda sound: sound,
        lambda sound: np.round(sound * 2**23) / 2**23,
        lambda sound: np.roll(sound, 5),
        lambda sound: sound[: RATE_HZ * 3 // 2],
        lambda sound: sound + 1e-5 * np.random.default_rng(1).standard_normal(sound.size) * np.abs(sound).max(),
    ],
    ids=["itself", "24 bits", "late by five samples", "shorter", "noise at −100 dB"],
)
def test_nothing_is_stray_that_is_a_rebuild(golden: str, change: Callable[[Sound], Sound]) -> None:
    assert found(golden, change).excess_db < 2.5


def test_a_decay_half_as_fast_again_is_not_stray() -> None:
    slow = hall(RATE_HZ, 2.0, decay_s=1.5 * 1.4) / 4
    stray = stray_sound(GOLDENS["hall"], slow, RATE_HZ)
    assert stray is not None
    assert stray.excess_db < 6


@pytest.mark.parametrize("rate_hz", [8000, 192000])
def test_other_rates(rate_hz: int) -> None:
    sound = respond((TrueSpring(0.030, 2500),), rate_hz, 1.0, noise_db=None)
    changed = sound.copy()
    changed[0] += 0.1
    assert (stray_sound(sound, sound, rate_hz) or found("hall", click(0, 0))).excess_db <= 0.0
    stray = stray_sound(sound, changed, rate_hz)
    assert stray is not None
    assert stray.excess_db > 8


def test_a_silent_golden_has_no_stray_sound() -> None:
    assert stray_sound(np.zeros(9600), np.ones(9600), RATE_HZ) is None


def test_what_rings_next_to_half_the_rate_is_resampling_and_no_stray_sound() -> None:
    """A fraction of a sample moves a sound with a jump at its start: it rings just there, before it begins too."""
    time = np.arange(RATE_HZ) / RATE_HZ
    sound = np.random.default_rng(8).normal(size=time.size) * np.exp(-5 * time) * (time > 0.1)
    spectrum = np.fft.rfft(sound, 2 * sound.size)
    late = np.fft.irfft(spectrum * np.exp(-1j * np.pi * 0.37 * np.arange(spectrum.size) / spectrum.size))[: sound.size]
    stray = stray_sound(sound, late, RATE_HZ)
    assert stray is not None
    assert stray.excess_db < 3.0
    assert stray.high_hz <= 0.9 * RATE_HZ / 2 + 100


def test_only_what_is_louder_is_judged() -> None:
    settings = Conduct(stray_db=Tolerance.both_ways(8.0))
    assert settings.stray_db is not None
    quiet = conduct._stray("left", StraySound(-20.0, -80.0, 0.5, 0.0, 50.0), settings.stray_db)
    loud = conduct._stray("left", StraySound(9.0, -40.0, 0.5, 0.0, 50.0), settings.stray_db)
    assert (quiet.outcome.value, loud.outcome.value) == ("pass", "fail")
    assert loud.where == "left, at 0.50 s, 0 to 50 Hz"
