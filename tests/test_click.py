"""When the click went in, found in recordings that do not say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from reverdict.measure.click import find_click
from spring_truth import TrueSpring, respond

if TYPE_CHECKING:
    from numpy.typing import NDArray

TANK = (TrueSpring(0.030, 4200), TrueSpring(0.041, 3900))


def recording(before_s: float, rate_hz: int = 48000, noise_db: float = -70, **more: float) -> NDArray[np.float64]:
    """A tank with crosstalk 20 dB below its peak, ``before_s`` of noise before the click."""
    tank = respond(TANK, rate_hz, 1.0, noise_db=None, crosstalk_db=-20)
    sound = np.concatenate([np.zeros(round(before_s * rate_hz)), tank])
    sound += 10 ** (noise_db / 20) * np.random.default_rng(4).standard_normal(sound.size)
    return sound + more.get("offset", 0.0)


@pytest.mark.parametrize(("crosstalk_db", "noise_db"), [(-20, -60), (-40, -80), (-60, -100)])
def test_a_click_40_db_above_the_noise_is_seen(crosstalk_db: float, noise_db: float) -> None:
    tank = respond(TANK, 48000, 0.5, noise_db=None, crosstalk_db=crosstalk_db)
    for seed in range(5):
        sound = np.concatenate([np.zeros(4800), tank])
        sound += 10 ** (noise_db / 20) * np.random.default_rng(seed).standard_normal(sound.size)
        assert find_click(sound, 48000) == 0.1


@pytest.mark.parametrize("noise_db", [None, -80, -60, -40])
def test_the_first_pass_of_a_spring_is_no_click(noise_db: float | None) -> None:
    assert find_click(respond(TANK, noise_db=noise_db), 48000) == 0.0


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("before_s", [0.01, 0.0105, 0.25])
def test_crosstalk_tells_the_click(before_s: float, rate_hz: int) -> None:
    assert find_click(recording(before_s, rate_hz), rate_hz) == pytest.approx(before_s, abs=1.5 / rate_hz)


def test_sound_that_begins_at_once_begins_at_0() -> None:
    assert find_click(recording(0.0), 48000) == 0.0


def test_a_constant_is_no_click() -> None:
    assert find_click(recording(0.1, offset=0.5), 48000) == pytest.approx(0.1, abs=1.5 / 48000)
    assert find_click(np.full(48000, 0.5), 48000) == 0.0


def test_the_loudest_path_speaks() -> None:
    loud, soft = recording(0.1), 0.01 * np.random.default_rng(1).standard_normal(recording(0.1).size)
    assert find_click(np.stack([soft, loud]), 48000) == pytest.approx(0.1, abs=1.5 / 48000)


def test_a_click_alone_is_found_to_the_sample() -> None:
    sound = np.zeros(48000)
    sound[12345] = -1.0
    assert find_click(sound, 48000) == 12345 / 48000


def test_without_a_sharp_onset_the_record_starts_at_0() -> None:
    time_s = np.arange(48000) / 48000
    noise = np.random.default_rng(2).standard_normal(48000)
    for sound in (np.zeros(48000), noise, noise * time_s**2, np.zeros(3), np.ones(1)):
        assert find_click(sound, 48000) == 0.0
