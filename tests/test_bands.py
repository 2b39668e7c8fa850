"""Filters held to IEC 61260-1:2014, class 1, as they are applied: on the spectrum, backwards in time."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest

from reverdict.measure.bands import (
    OCTAVE_RATIO,
    band_power,
    band_response,
    block_samples,
    each_band,
    exact_centre,
    filter_delay_s,
    lead_blocks,
    octave_centres,
    third_octave_centres,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

G = 10**0.3  # IEC 61260-1:2014, 5.2
# IEC 61260-1:2014, Table 1, class 1: breakpoints of Ω as powers of G (octaves), least and greatest attenuation in dB.
INSIDE = ((0.0, 0.4), (1 / 8, 0.5), (1 / 4, 0.7), (3 / 8, 1.4), (1 / 2, 5.3))
LEAST_INSIDE = -0.4
OUTSIDE = ((1 / 2, 1.2), (1.0, 16.6), (2.0, 40.5), (3.0, 60.0), (4.0, 70.0))
# The same table, third octaves: Ω at the breakpoints.
THIRD_OCTAVE_RATIOS = (1.02667, 1.05575, 1.08746, 1.12202, 1.29437, 1.88173, 3.05365, 5.39195)


def third_octave_ratio(octave_ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ω₃ = 1 + (G^(1/6) − 1)/(G^(1/2) − 1) (Ω − 1), IEC 61260-1:2014, 5.10.3."""
    return np.asarray(1 + (G ** (1 / 6) - 1) / (G**0.5 - 1) * (octave_ratio - 1))


def breakpoints(powers: tuple[float, ...], fraction: int) -> NDArray[np.float64]:
    """Ω of powers of G, for octaves or for third-octaves."""
    ratios = G ** np.array(powers)
    return ratios if fraction == 1 else third_octave_ratio(ratios)


def limits_db(ratio: NDArray[np.float64], fraction: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least and greatest attenuation at f/f_m, linear in lg Ω between breakpoints (IEC 61260-1:2014, 5.10)."""
    away = np.abs(np.log10(ratio))
    inside, most = zip(*INSIDE, strict=True)
    outside, least = zip(*OUTSIDE, strict=True)
    edge = G ** (0.5 / fraction)
    within = away < np.log10(edge)
    least_db = np.where(within, LEAST_INSIDE, np.interp(away, np.log10(breakpoints(outside, fraction)), least))
    most_db = np.where(within, np.interp(away, np.log10(breakpoints(inside, fraction)), most), np.inf)
    return least_db, most_db


def attenuation_db(
    rate_hz: int, nominal_hz: float, fraction: int, at_hz: NDArray[np.float64] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies and attenuation of one band, from its response to a click, relative to its exact mid-band.

    At the frequencies asked, or at those of a padded transform up to half the sample rate of the *sound*: what a band
    with fewer samples cannot hold is not in it.
    """
    click = np.zeros(rate_hz)
    click[rate_hz // 2] = 1.0
    band = list(each_band(click, rate_hz, [nominal_hz], fraction))[1]
    own_rate_hz = rate_hz * band.per_block / block_samples(rate_hz)
    centre_hz = exact_centre(nominal_hz)
    if at_hz is not None:
        time_s = np.arange(band.samples.size) / own_rate_hz
        asked = np.append(at_hz, centre_hz)
        magnitude = np.abs(np.exp(-2j * np.pi * asked[:, None] * time_s) @ band.samples)
        magnitude[:-1][at_hz > own_rate_hz / 2] = 0.0
        return at_hz, -20 * np.log10(np.maximum(magnitude[:-1], 1e-12) / magnitude[-1])
    size = 8 * band.samples.size
    magnitude = np.abs(np.fft.rfft(band.samples, size))
    frequency = np.arange(magnitude.size) * own_rate_hz / size
    centre = np.interp(centre_hz, frequency, magnitude)
    return frequency[1:], -20 * np.log10(np.maximum(magnitude[1:], 1e-12) / centre)


def centres(rate_hz: int, fraction: int) -> list[float]:
    return octave_centres(rate_hz) if fraction == 1 else third_octave_centres(rate_hz)


@pytest.mark.parametrize("fraction", [1, 3])
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_filters_meet_the_whole_mask_of_class_1(rate_hz: int, fraction: int) -> None:
    """Between breakpoints and at them, below and above the mid-band, bands as they come out of ``each_band``."""
    for nominal_hz in centres(rate_hz, fraction):
        frequency, away_db = attenuation_db(rate_hz, nominal_hz, fraction)
        ratio = frequency / exact_centre(nominal_hz)
        # At the edge itself the limits jump; the breakpoints just inside and just outside are looked at below.
        judged = (np.abs(np.abs(np.log(ratio) / np.log(G)) - 0.5 / fraction) > 1e-4) & (frequency > 1.0)
        least, greatest = limits_db(ratio, fraction)
        assert np.all(away_db[judged] >= least[judged]), nominal_hz
        assert np.all(away_db[judged] <= greatest[judged]), nominal_hz


@pytest.mark.parametrize("fraction", [1, 3])
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_filters_meet_class_1_at_every_breakpoint(rate_hz: int, fraction: int) -> None:
    inside = breakpoints(tuple(power for power, _ in INSIDE), fraction)
    outside = breakpoints(tuple(power for power, _ in OUTSIDE), fraction)
    for nominal_hz in centres(rate_hz, fraction)[:: 1 if fraction == 1 else 4]:
        for ratios, side in ((inside, 1), (1 / inside, 1), (outside, -1), (1 / outside, -1)):
            at_hz = exact_centre(nominal_hz) * ratios
            at_hz = at_hz[at_hz < rate_hz / 2]
            _, away_db = attenuation_db(rate_hz, nominal_hz, fraction, at_hz)
            limits = np.array([limit for _, limit in (INSIDE if side > 0 else OUTSIDE)])[: at_hz.size]
            assert np.all(side * away_db <= side * limits + 1e-9), (nominal_hz, ratios)
            if side > 0:
                assert np.all(away_db >= LEAST_INSIDE)


def test_third_octave_breakpoints_are_those_of_the_standard() -> None:
    powers = (*(power for power, _ in INSIDE[1:]), *(power for power, _ in OUTSIDE[1:]))
    assert breakpoints(powers, 3) == pytest.approx(THIRD_OCTAVE_RATIOS, abs=6e-6)


def test_a_narrower_filter_fails_the_mask() -> None:
    """The mask can fail: a third-octave filter is no octave filter, nor the other way round."""
    for fraction in (1, 3):
        ratio = breakpoints(tuple(power for power, _ in (*INSIDE, *OUTSIDE[1:])), fraction)
        least, greatest = limits_db(ratio, fraction)
        away_db = -10 * np.log10(band_power(ratio, 1.0, 4 - fraction))
        assert not np.all((away_db >= least) & (away_db <= greatest))


def test_edges_are_3_db_down() -> None:
    edges = np.array([G**-0.5, G**0.5])
    assert -20 * np.log10(np.abs(band_response(1000 * edges, 1000.0))) == pytest.approx(10 * np.log10(2), abs=1e-9)


def test_exact_mid_bands() -> None:
    assert pytest.approx(G) == OCTAVE_RATIO
    # 1000·G^x, IEC 61260-1:2014, 5.4
    assert exact_centre(160) == pytest.approx(1000 * G ** (-8 / 3))
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


def test_third_octaves_surround_the_octaves() -> None:
    thirds = third_octave_centres(48000)
    assert thirds[:4] == [100, 125, 160, 200]
    assert thirds[-1] == 10000
    assert thirds[1:-1:3] == octave_centres(48000)
    exact = [exact_centre(hz) for hz in thirds]
    assert [high / low for low, high in pairwise(exact)] == pytest.approx([G ** (1 / 3)] * (len(exact) - 1))


@pytest.mark.parametrize("fraction", [1, 3])
def test_power_and_delay_belong_to_the_response(fraction: int) -> None:
    """|H|² and −dφ/dω of the response itself, numerically."""
    hz = np.linspace(300, 3000, 2001)
    response = band_response(hz, 1000.0, fraction)
    assert band_power(hz, 1000.0, fraction) == pytest.approx(np.abs(response) ** 2, rel=1e-9)
    delay_s = -np.gradient(np.unwrap(np.angle(response)), 2 * np.pi * hz)
    assert filter_delay_s(hz, 1000.0, fraction)[5:-5] == pytest.approx(delay_s[5:-5], rel=1e-3, abs=1e-7)


def test_filters_ring_before_the_click_and_not_after_it() -> None:
    """Time-reversed filtering (ISO 3382-2:2008, 7.3): the ringing must not be taken for decay."""
    rate_hz = 48000
    click = np.zeros(rate_hz // 2)
    click[0] = 1.0
    for nominal_hz, band in zip((63, 125, 1000), list(each_band(click, rate_hz, [63, 125, 1000]))[1:], strict=True):
        energy = band.block_energy()
        lead = lead_blocks(rate_hz)
        assert energy[: lead + 1].sum() > 0.9 * energy.sum()
        # What would fall out of the lead has rung down by 60 dB.
        assert energy[: lead // 10].max() < 1e-6 * energy.max(), nominal_hz


@pytest.mark.parametrize("nominal_hz", [125, 500, 8000])
def test_the_mean_delay_of_a_click_is_that_of_its_energy(nominal_hz: float) -> None:
    rate_hz = 48000
    click = np.zeros(rate_hz // 2)
    click[4800] = 1.0
    band = list(each_band(click, rate_hz, [nominal_hz]))[1]
    time_s = np.arange(band.samples.size) * block_samples(rate_hz) / band.per_block / rate_hz
    time_s -= lead_blocks(rate_hz) * block_samples(rate_hz) / rate_hz
    centre_s = float(time_s @ band.samples**2) / float(band.samples @ band.samples)
    assert centre_s + band.early_s == pytest.approx(0.1, abs=2e-5)


def test_the_whole_sound_loses_its_wander_alone() -> None:
    rate_hz = 48000
    time_s = np.arange(2 * rate_hz) / rate_hz
    fade = np.sin(np.pi * time_s / 2) ** 2
    tones = {hz: np.sin(2 * np.pi * hz * time_s) * fade for hz in (5, 500)}
    (wander,) = each_band(tones[5], rate_hz, [])
    (tone,) = each_band(tones[500], rate_hz, [])
    assert np.abs(wander.samples).max() < 1e-4
    lead = lead_blocks(rate_hz) * block_samples(rate_hz)
    assert np.abs(tone.samples[lead:] - tones[500]).max() < 1e-4


def test_neighbouring_bands_add_up_to_the_power_of_noise() -> None:
    rate_hz = 48000
    noise = np.random.default_rng(2).standard_normal(4 * rate_hz)
    bands = each_band(noise, rate_hz, [250, 500, 1000, 2000])
    powers = [float(band.block_energy().sum()) for band in bands][1:]
    spectrum = np.abs(np.fft.rfft(noise)) ** 2
    frequency = np.arange(spectrum.size) * rate_hz / noise.size
    whole = (frequency > exact_centre(250) / G**0.5) & (frequency < exact_centre(2000) * G**0.5)
    assert sum(powers) == pytest.approx(2 * float(spectrum[whole].sum()) / noise.size, rel=0.06)


@pytest.mark.parametrize("rate_hz", [16000, 48000])
def test_bands_of_one_length_come_together_as_each_comes_alone(rate_hz: int) -> None:
    centres_hz = third_octave_centres(rate_hz)
    noise = np.random.default_rng(3).standard_normal(rate_hz)
    together = list(each_band(noise, rate_hz, centres_hz, 3))[1:]
    assert len({band.per_block for band in together}) < len(together)
    for centre_hz, band in zip(centres_hz, together, strict=True):
        _, alone = each_band(noise, rate_hz, [centre_hz], 3)
        assert band.block_energy() == pytest.approx(alone.block_energy(), rel=1e-9, abs=1e-12)
        assert band.early_s == pytest.approx(alone.early_s, rel=1e-12)
