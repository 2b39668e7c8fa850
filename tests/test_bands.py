"""Octave filters held to IEC 61260-1:2014, class 1, as they are applied: on the spectrum, backwards in time."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest

from reverdict.measure.bands import OCTAVE_RATIO, band_response, each_band, exact_centre, lead_samples, octave_centres

if TYPE_CHECKING:
    from numpy.typing import NDArray

G = 10**0.3  # IEC 61260-1:2014, 5.2
# IEC 61260-1:2014, Table 1, class 1: breakpoints of Ω as powers of G (octaves), least and greatest attenuation in dB.
INSIDE = ((0.0, 0.4), (1 / 8, 0.5), (1 / 4, 0.7), (3 / 8, 1.4), (1 / 2, 5.3))
LEAST_INSIDE = -0.4
OUTSIDE = ((1 / 2, 1.2), (1.0, 16.6), (2.0, 40.5), (3.0, 60.0), (4.0, 70.0))
# The same table, third octaves: Ω at the breakpoints.
THIRD_OCTAVE_RATIOS = (1.02667, 1.05575, 1.08746, 1.12202, 1.29437, 1.88173, 3.05365, 5.39195)


def limits_db(octaves: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least and greatest attenuation at |log_G Ω|, linear in lg Ω between breakpoints (IEC 61260-1:2014, 5.10)."""
    away = np.abs(octaves)
    inside = away < 0.5
    least = np.where(inside, LEAST_INSIDE, np.interp(away, *zip(*OUTSIDE, strict=True)))
    greatest = np.where(inside, np.interp(away, *zip(*INSIDE, strict=True)), np.inf)
    return least, greatest


def attenuation_db(rate_hz: int, nominal_hz: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies and attenuation of one band, from its response to a click, relative to its exact mid-band."""
    click = np.zeros(2 * rate_hz)
    click[rate_hz] = 1.0
    _, band = each_band(click, rate_hz, [nominal_hz])
    # A padded transform, so that mid-bands need not fall between bins.
    size = 8 * band.size
    magnitude = np.abs(np.fft.rfft(band, size))
    frequency = np.arange(magnitude.size) * rate_hz / size
    centre = np.interp(exact_centre(nominal_hz), frequency, magnitude)
    return frequency[1:], -20 * np.log10(np.maximum(magnitude[1:], 1e-12) / centre)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_octave_filters_meet_class_1(rate_hz: int) -> None:
    for nominal_hz in octave_centres(rate_hz):
        frequency, away_db = attenuation_db(rate_hz, nominal_hz)
        octaves = np.log(frequency / exact_centre(nominal_hz)) / np.log(G)
        # At the edge itself the limits jump; it belongs to both sides.
        judged = (np.abs(np.abs(octaves) - 0.5) > 1e-4) & (frequency > 1.0)
        least, greatest = limits_db(octaves)
        assert np.all(away_db[judged] >= least[judged]), nominal_hz
        assert np.all(away_db[judged] <= greatest[judged]), nominal_hz


def test_third_octave_filters_meet_class_1() -> None:
    """Third-octave breakpoints: Ω₃ = 1 + (G^(1/6) − 1)/(G^(1/2) − 1) (Ω − 1), IEC 61260-1:2014, 5.10.3."""
    powers = [power for power, _ in INSIDE[1:]] + [power for power, _ in OUTSIDE[1:]]
    ratios = 1 + (G ** (1 / 6) - 1) / (G**0.5 - 1) * (G ** np.array(powers) - 1)
    assert ratios == pytest.approx(THIRD_OCTAVE_RATIOS, abs=6e-6)
    below, above = -20 * np.log10(np.abs(np.stack([band_response(1 / ratios, 1.0, 3), band_response(ratios, 1.0, 3)])))
    for away_db in (below, above):
        for value, (_, greatest) in zip(away_db[:4], INSIDE[1:], strict=True):
            assert LEAST_INSIDE <= value <= greatest
        for value, (_, least) in zip(away_db[4:], OUTSIDE[1:], strict=True):
            assert value >= least


def test_edges_are_3_db_down() -> None:
    edges = np.array([G**-0.5, G**0.5])
    assert -20 * np.log10(np.abs(band_response(1000 * edges, 1000.0))) == pytest.approx(10 * np.log10(2), abs=1e-9)


def test_exact_mid_bands() -> None:
    assert pytest.approx(G) == OCTAVE_RATIO
    # 1000·G^x, IEC 61260-1:2014, 5.4
    exact = {125: 125.89, 250: 251.19, 500: 501.19, 1000: 1000.0, 2000: 1995.26, 4000: 3981.07}
    for nominal_hz, value in exact.items():
        assert exact_centre(nominal_hz) == pytest.approx(value, abs=0.005)


@pytest.mark.parametrize(("rate_hz", "highest_hz"), [(8000, 2000), (11025, 2000), (44100, 8000), (192000, 8000)])
def test_no_band_reaches_the_end_of_the_spectrum(rate_hz: int, highest_hz: float) -> None:
    centres_hz = octave_centres(rate_hz)
    assert centres_hz[0] == 125
    assert centres_hz[-1] == highest_hz
    assert all(high == 2 * low for low, high in pairwise(centres_hz))
    assert centres_hz[-1] * G**0.5 < 0.5 * rate_hz


def test_filters_ring_before_the_click_and_not_after_it() -> None:
    """Time-reversed filtering (ISO 3382-2:2008, 7.3): the ringing must not be taken for decay."""
    rate_hz = 48000
    click = np.zeros(rate_hz // 2)
    click[0] = 1.0
    for nominal_hz, band in zip((63, 125, 1000), list(each_band(click, rate_hz, [63, 125, 1000]))[1:], strict=True):
        energy = band**2
        lead = lead_samples(rate_hz)
        assert energy[: lead + 1].sum() > 0.9 * energy.sum()
        # What would fall out of the lead has rung down by 60 dB.
        assert energy[: lead // 10].max() < 1e-6 * energy.max(), nominal_hz


def test_the_whole_sound_loses_its_wander_alone() -> None:
    rate_hz = 48000
    time_s = np.arange(2 * rate_hz) / rate_hz
    fade = np.sin(np.pi * time_s / 2) ** 2
    tones = {hz: np.sin(2 * np.pi * hz * time_s) * fade for hz in (5, 500)}
    (wander,) = each_band(tones[5], rate_hz, [])
    (tone,) = each_band(tones[500], rate_hz, [])
    assert np.abs(wander).max() < 1e-4
    assert np.abs(tone[lead_samples(rate_hz) :] - tones[500]).max() < 1e-4


def test_neighbouring_bands_add_up_to_the_power_of_noise() -> None:
    rate_hz = 48000
    noise = np.random.default_rng(2).standard_normal(4 * rate_hz)
    powers = [float(np.sum(band**2)) for band in each_band(noise, rate_hz, [250, 500, 1000, 2000])][1:]
    spectrum = np.abs(np.fft.rfft(noise)) ** 2
    frequency = np.arange(spectrum.size) * rate_hz / noise.size
    whole = (frequency > exact_centre(250) / G**0.5) & (frequency < exact_centre(2000) * G**0.5)
    assert sum(powers) == pytest.approx(2 * float(spectrum[whole].sum()) / noise.size, rel=0.06)
