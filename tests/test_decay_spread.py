"""Spread over repeats (JCGM 100:2008) and what random excitation does to decay times (ISO 3382-1)."""

from __future__ import annotations

import numpy as np
import pytest

from decay_truth import Envelope, noise_carried
from reverdict.measure.decay import measure_decay
from reverdict.measure.decay_spread import iso_3382_sigma, spread_of

RATE_HZ = 24000


def test_the_standards_own_numbers() -> None:
    # ISO 3382-1:2009, 7.1, with n = 10: T = 2 s, 1 kHz octave, N = 1
    assert iso_3382_sigma("t20", 2.0, 1000.0) == pytest.approx(0.050950, abs=2e-6)
    assert iso_3382_sigma("t30", 2.0, 1000.0) == pytest.approx(0.031331, abs=2e-6)
    assert iso_3382_sigma("t30", 2.0, 1000.0, n=4) == pytest.approx(0.031331 / 2, abs=1e-6)
    assert iso_3382_sigma("t20", 2.0, 1000.0, fraction=3) == pytest.approx(0.050950 * (0.71 / 0.23) ** 0.5, abs=1e-5)


def repeats(count: int, first: int = 0, t60_s: float = 1.0) -> list:
    return [
        measure_decay(noise_carried(Envelope({t60_s: 1.0}), RATE_HZ, 1.5 * t60_s, first + number), RATE_HZ)
        for number in range(count)
    ]


def test_random_excitation_spreads_decay_times_as_the_standard_says() -> None:
    """40 draws know a standard deviation to 11 %; the standard's own terms are those of a perfect filter."""
    found = {(one.centre_hz, one.name): one for one in spread_of(repeats(40))}
    for hz in (250.0, 1000.0, 4000.0):
        for name in ("t20", "t30"):
            spread = found[hz, f"{name}_s"]
            assert spread.deviation == pytest.approx(iso_3382_sigma(name, 1.0, hz), rel=0.4), (hz, name)


@pytest.mark.parametrize(("count", "student"), [(5, 2.776), (10, 2.262), (20, 2.093)])  # t95, JCGM 100:2008, Table G.2
def test_mean_and_its_uncertainty(count: int, student: float) -> None:
    measured = repeats(count)
    seconds = [one.whole.times["t20"].seconds for one in measured]
    (spread,) = (one for one in spread_of(measured) if one.centre_hz is None and one.name == "t20_s")
    assert spread.mean == pytest.approx(np.mean(seconds))
    assert spread.deviation == pytest.approx(np.std(seconds, ddof=1))
    assert spread.uncertainty == pytest.approx(student * np.std(seconds, ddof=1) / count**0.5, rel=2e-4)
    assert spread.count == count


def test_the_interval_holds_the_truth() -> None:
    held = []
    for group in range(12):
        for one in spread_of(repeats(5, 5 * group)):
            if one.name == "t20_s" and one.centre_hz and one.centre_hz >= 500:
                assert one.mean is not None
                assert one.uncertainty is not None
                held.append(abs(one.mean - 1.0) <= one.uncertainty)
    assert np.mean(held) > 0.85  # 95 % of 60


def test_repeats_of_a_digital_build_do_not_spread() -> None:
    same = repeats(1) * 3
    assert all(one.deviation == pytest.approx(0, abs=1e-12) for one in spread_of(same) if not one.why_not)


def test_what_one_repeat_lacks_has_no_spread() -> None:
    quiet = measure_decay(np.zeros(2 * RATE_HZ), RATE_HZ)
    for one in spread_of([*repeats(2), quiet]):
        assert one.mean is one.deviation is one.uncertainty is None
        assert one.why_not


def test_bands_must_agree() -> None:
    sound = noise_carried(Envelope({1.0: 1.0}), RATE_HZ, 1.5, 0)
    with pytest.raises(ValueError, match="two or more measurements of the same bands"):
        spread_of([measure_decay(sound, RATE_HZ), measure_decay(sound, RATE_HZ, fraction=3)])
    with pytest.raises(ValueError, match="two or more"):
        spread_of(repeats(1))
