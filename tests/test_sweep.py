"""Sweeps against closed forms: known nonlinear chains, springs, clocks and noise, from ``sweep_truth``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft

from reverdict.command_line import main
from reverdict.measure.clock import from_dispersion, from_repeats, scaled_spectrum, t95
from reverdict.measure.deconvolution import LEAD_S, Deconvolved, deconvolve, find_place
from reverdict.measure.measurement import measure
from reverdict.measure.passes import SpringMeasurement
from reverdict.measure.repeats import lag_of, not_spoilt, spread_of
from reverdict.measure.springs import find_springs
from reverdict.measure.stimulus import Stimulus, read_stimulus
from reverdict.measure.sweep import Sweep, make_sweep, recognise
from reverdict.measure.swept import measure_swept
from reverdict.report.pictures.measured import figure_of
from reverdict.sound import read_sound, write_sound
from reverdict.words import Response
from spring_truth import TrueSpring
from sweep_truth import chirps, through

Capture = pytest.CaptureFixture[str]
Array = NDArray[Any]

RATE = 48000
SPRINGS = (TrueSpring(0.030, 4500.0, t60_s=2.5), TrueSpring(0.041, 4000.0, t60_s=2.5))
UNIT = make_sweep(20, 20000, 10, RATE)
TWICE = make_sweep(20, 20000, 20, RATE)
SHORT = make_sweep(20, 20000, 2, RATE, amplitude=0.25)


def played(sweep: Sweep, repeats: int = 1, tail_s: float = 1.0) -> Array:
    """A stimulus file, shape (samples,)."""
    one = sweep.samples()
    return np.tile(np.append(one, np.zeros(round(tail_s * sweep.rate_hz))), repeats)


def stimulus(sweep: Sweep, repeats: int = 1, tail_s: float = 1.0) -> Stimulus:
    read = read_stimulus(played(sweep, repeats, tail_s), sweep.rate_hz)
    assert read is not None
    return read


def recorded(
    sweep: Sweep, repeats: int = 1, tail_s: float = 1.0, offset: float = 0.0, begin_s: float = 0.0, bent: bool = True
) -> Array:
    """What a recorder hears of ``played`` after the nonlinear chain (or through a wire), shape (samples,)."""
    size = repeats * (sweep.samples().size + round(tail_s * sweep.rate_hz))
    period_s = size / repeats / sweep.rate_hz
    size += round(begin_s * sweep.rate_hz)
    fades = (sweep.fade_in_s, sweep.fade_out_s)
    return sum(
        (
            chirps(
                sweep.f1_hz, sweep.f2_hz, sweep.seconds, sweep.rate_hz, size, offset=offset,
                begin_s=begin_s + k * period_s, amplitude=sweep.amplitude, fade_s=fades, bent=bent,
            )
            for k in range(repeats)
        ),
        np.zeros(size),
    )  # fmt: skip


def noise(size: int, level: float, seed: int = 1) -> Array:
    return level * np.random.default_rng(seed).standard_normal(size)


def click_response(seconds: float = 4.0) -> Array:
    click = np.zeros(round(seconds * RATE))
    click[0] = 1.0
    return through(click, SPRINGS, RATE)


# Check values.


def test_orders_lead_as_published() -> None:
    # A. Farina, AES 108 (2000): L ln n, L = T/ln(f2/f1).
    sweep = Sweep(20, 20000, 10, RATE)
    assert [sweep.lead_s(n) for n in (2, 3, 4)] == pytest.approx([1.00343, 1.59040, 2.00687], abs=5e-6)


def test_a_synchronized_sweep_has_the_published_length() -> None:
    # A. Novak, P. Lotton, L. Simon, J. AES 63(10), 2015: L = round(f1 T/ln(f2/f1))/f1.
    assert UNIT.growth_s == pytest.approx(1.45, abs=1e-12)
    assert UNIT.seconds == pytest.approx(10.016245, abs=5e-7)
    time_s = np.linspace(0, UNIT.seconds, 1000)
    as_published = np.sin(2 * np.pi * 20 * 1.45 * np.exp(time_s / 1.45))
    np.testing.assert_allclose(np.sin(UNIT.phase(time_s)), as_published, atol=1e-8)


def test_gain_over_a_unit_click() -> None:
    # Derived: ½ √(L/f) times the rate, 10 s at 48 kHz. The sum over samples agrees where fades and ends do not reach.
    sweep = make_sweep(20, 20000, 10, RATE, "exponential")
    hz = np.array([100.0, 1000.0, 4000.0])
    assert 20 * np.log10(np.abs(sweep.spectrum(hz))) == pytest.approx([69.21, 59.21, 53.19], abs=0.005)
    size = 20 * RATE
    summed = fft.rfft(sweep.samples(), size)
    grid = np.arange(100 * 20, 15000 * 20)
    ratio = summed[grid] / sweep.spectrum(grid / 20)
    assert np.abs(20 * np.log10(np.abs(ratio))).max() < 0.01
    assert np.abs(np.angle(ratio)).max() < 0.002


BIAS_US = {500: -305.3, 1000: -355.5, 5000: -472.0}  # derived: −δ L (1 + ln(f/f1)), 50 ppm, 20 Hz to 20 kHz in 10 s


def test_a_clock_offset_looks_like_dispersion() -> None:
    """Recorded by a clock that differs and deconvolved as if it did not, a wire is dispersive by just so much."""
    sweep = make_sweep(20, 20000, 10, RATE, "exponential")
    sound = recorded(sweep, offset=50e-6, bent=False)
    result = deconvolve(sound[np.newaxis], stimulus(sweep), 0)
    assert result.clock.offset is None
    heard = result.samples[0]
    for hz, bias_us in {100: -188.9, **BIAS_US}.items():
        assert 1e6 * group_delay_s(heard, RATE, hz) == pytest.approx(bias_us, abs=0.3)
        assert -50 * sweep.growth_s * (1 + np.log(hz / 20)) == pytest.approx(bias_us, abs=0.1)


def group_delay_s(response: Array, rate_hz: int, hz: float) -> float:
    """Group delay after the lead-in by the phase step across a narrow Gaussian band. Shares no code with ``clock``."""
    size = fft.next_fast_len(4 * response.size)
    step_hz = rate_hz / size
    spectrum = fft.rfft(response, size)
    bins = np.arange(int(0.6 * hz / step_hz), int(1.5 * hz / step_hz))
    weight = np.exp(-0.5 * ((bins * step_hz - hz) / (0.12 * hz)) ** 2)
    phase = np.unwrap(np.angle(spectrum[bins] * np.exp(2j * np.pi * bins * step_hz * LEAD_S)))
    slope = np.polyfit(bins * step_hz - hz, phase, 3, w=np.sqrt(weight))[2]
    return float(-slope / (2 * np.pi))


# Recognising.

SWEEPS = {
    "synchronized": make_sweep(20, 20000, 10, RATE, "synchronized", 0.25),
    "exponential": make_sweep(20, 20000, 10, RATE, "exponential", 0.25),
    "192 kHz": make_sweep(20, 40000, 3, 192000, "synchronized", 0.25),
    "8 kHz": make_sweep(50, 3600, 2, 8000, "exponential", 0.25),
    "half a second": make_sweep(100, 20000, 0.5, 44100, "exponential", 0.01),
    "without fades": Sweep(20, 20000, 5, RATE, amplitude=0.5),
}


@pytest.mark.parametrize("name", SWEEPS)
def test_a_sweep_is_known_by_its_samples(name: str) -> None:
    sweep = SWEEPS[name]
    sound = np.round(played(sweep, 3, 0.2) * 2**23) / 2**23
    read = read_stimulus(np.append(np.zeros(777), sound), sweep.rate_hz)
    assert read is not None
    assert read.sweep is not None
    assert len(read.starts) == 3
    assert read.gap == sound.size // 3
    assert read.sweep.f1_hz == pytest.approx(sweep.f1_hz, rel=2e-4)
    assert read.sweep.growth_s == pytest.approx(sweep.growth_s, rel=1e-5)
    assert read.sweep.f2_hz == pytest.approx(sweep.f2_hz, rel=1e-3)
    assert read.sweep.amplitude == pytest.approx(sweep.amplitude, rel=1e-3)
    assert read.sweep.kind == sweep.kind
    assert read.starts[0] + read.sweep_at_s * sweep.rate_hz == pytest.approx(777, abs=0.5)


TIME_S = np.arange(2 * RATE) / RATE
NO_SWEEPS = {
    "noise": noise(2 * RATE, 0.1),
    "tone": np.sin(2 * np.pi * 440 * TIME_S),
    "linear sweep": np.sin(2 * np.pi * (50 * TIME_S + 2000 * TIME_S**2)),
    "falling sweep": SHORT.samples()[::-1],
    "click": np.eye(1, RATE)[0],
    "constant": np.ones(RATE),
    "two tones": np.sin(2 * np.pi * 440 * TIME_S) + np.sin(2 * np.pi * 700 * TIME_S),
    "sweep in noise": 0.5 * SHORT.samples() + noise(SHORT.samples().size, 0.5),
    "nine samples": np.ones(9),
}


@pytest.mark.parametrize("name", NO_SWEEPS)
def test_other_sounds_are_no_sweeps(name: str) -> None:
    assert recognise(NO_SWEEPS[name], RATE) is None


def test_silence_is_no_stimulus() -> None:
    assert read_stimulus(np.zeros(RATE), RATE) is None


def test_stretches_that_differ_are_one_stimulus() -> None:
    parts = [noise(4800, 0.1, 1), np.zeros(4800), noise(4800, 0.1, 2)]
    read = read_stimulus(np.concatenate(parts), RATE)
    assert read is not None
    assert (read.starts, read.samples.size) == ((0,), 14400)


# The linear response.


@dataclass(frozen=True)
class Case:
    """How a sweep was recorded, and where its clock offset can be read.

    The second order leads by L ln 2: 1.0 s of the sweep of 10 s, in which a tail of 2.5 s falls by 24 dB only. One of
    20 s is what such a tail asks for.
    """

    offset: float
    noise: float
    repeats: int
    loopback: bool
    bent: bool = True
    sweep: Sweep = UNIT


CASES = {
    "linear, one, clocks alike": Case(0.0, 1e-4, 1, False, bent=False),
    "linear, three repeats, +50 ppm": Case(50e-6, 1e-4, 3, False, bent=False),
    "one, clocks alike": Case(0.0, 1e-4, 1, False),
    "three repeats, +50 ppm": Case(50e-6, 1e-4, 3, False),
    "three repeats, −50 ppm": Case(-50e-6, 1e-4, 3, False),
    "loopback, +50 ppm": Case(50e-6, 1e-4, 1, True),
    "loopback, −300 ppm": Case(-300e-6, 1e-4, 1, True),
    "20 s, loopback, +50 ppm": Case(50e-6, 1e-4, 1, True, sweep=TWICE),
}
"""Noise: rms, re the unit sweep."""
LONG = ("linear, three repeats, +50 ppm", "three repeats, −50 ppm", "loopback, −300 ppm", "20 s, loopback, +50 ppm")


@cache
def run(name: str) -> tuple[Deconvolved, SpringMeasurement]:
    case = CASES[name]
    bent = recorded(case.sweep, case.repeats, 4.0, case.offset, bent=case.bent)
    sound = through(bent, SPRINGS, RATE, case.offset)
    rows = [sound + noise(sound.size, case.noise)]
    if case.loopback:
        rows.append(recorded(case.sweep, case.repeats, 4.0, case.offset, bent=False) + noise(sound.size, case.noise, 2))
    result = deconvolve(np.array(rows), stimulus(case.sweep, case.repeats, 4.0), 0, 1 if case.loopback else None)
    return result, find_springs(result.samples[0], RATE, LEAD_S)


@cache
def click_springs() -> SpringMeasurement:
    return find_springs(click_response(), RATE)


def in_bands(response: Array, truth: Array) -> tuple[Array, Array]:
    """Level difference, dB, and lag, µs, of two responses per third-octave from 100 Hz to 3.2 kHz (cross-spectrum)."""
    size = fft.next_fast_len(2 * max(response.size, truth.size), real=True)
    one, other = fft.rfft(truth, size), fft.rfft(response, size)
    levels, lags = [], []
    for centre_hz in 100 * 2 ** (np.arange(16) / 3):
        bins = slice(round(centre_hz * 2 ** (-1 / 6) * size / RATE), round(centre_hz * 2 ** (1 / 6) * size / RATE))
        levels.append(10 * np.log10(np.sum(np.abs(other[bins]) ** 2) / np.sum(np.abs(one[bins]) ** 2)))
        cross = other[bins] * np.conj(one[bins])
        omega = 2 * np.pi * np.arange(bins.start, bins.stop) / size * RATE
        away = omega - np.average(omega, weights=np.abs(cross))
        # A straight line through the phase, which stays near zero.
        slope = np.sum(np.abs(cross) * away * np.angle(cross)) / np.sum(np.abs(cross) * away**2)
        lags.append(-1e6 * slope)
    return np.array(levels), np.array(lags)


@pytest.mark.parametrize("name", [pytest.param(name, marks=pytest.mark.slow if name in LONG else ()) for name in CASES])
def test_the_linear_response_is_the_clicks(name: str) -> None:
    result, found = run(name)
    lead = round(LEAD_S * RATE)
    gain = 1.06 if CASES[name].bent else 1.0  # of x + 0.08 x³ and a unit sweep (derived)
    level_db, lag_us = in_bands(result.samples[0, lead:], gain * click_response())
    truth = click_springs()
    assert len(found.springs) == len(truth.springs) == 2
    arrivals_us, gains_db, curves_us = [], [], []
    for one, other in zip(found.springs, truth.springs, strict=True):
        arrivals_us += [1e6 * (a.time_s - b.time_s) for a, b in zip(one.passes, other.passes, strict=True)]
        gains_db += [a.gain_db - b.gain_db - 20 * np.log10(gain) for a, b in zip(one.passes, other.passes, strict=True)]
        within = [hz for hz in other.curve.frequency_hz if 200 <= hz <= 0.8 * other.transition.frequency_hz]
        curves_us += [1e6 * (one.curve.at(hz) - other.curve.at(hz)) for hz in within]
    clock = result.clock
    told = f"{1e6 * clock.offset:.4f} ± {1e6 * clock.uncertainty:.4f}" if clock.offset is not None else "–"
    print(
        f"\n| {name} | {told} | {np.abs(level_db).max():.3f} | {np.abs(lag_us).max():.2f},"
        f" {np.abs(lag_us[10:]).max():.2f} |"
        f" {np.abs(arrivals_us).max():.2f} | {np.sqrt(np.mean(np.square(curves_us))):.2f},"
        f" {np.abs(curves_us).max():.2f} |"
    )
    assert np.abs(level_db).max() < 0.1
    assert np.abs(gains_db).max() < 0.1
    # Below 1 kHz the tail of the second order, 1 s early and 50 dB down, rings in bands a few resonances wide.
    rings = CASES[name].bent and CASES[name].sweep is UNIT
    assert np.abs(lag_us[10 if rings else 2 :]).max() < 2
    assert np.abs(lag_us[:2]).max() < (40 if rings else 3)
    assert np.abs(arrivals_us).max() < 2
    assert np.abs(curves_us).max() < 2


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=pytest.mark.slow if name in LONG else ()) for name in CASES if CASES[name].offset],
)
def test_the_clock_offset_is_found_within_its_uncertainty(name: str) -> None:
    clock = run(name)[0].clock
    assert clock.offset == pytest.approx(CASES[name].offset, abs=2 * clock.uncertainty)
    assert clock.uncertainty < 0.1e-6


def test_one_sweep_through_a_spring_does_not_tell_the_clocks() -> None:
    clock = run("one, clocks alike")[0].clock
    assert clock.offset is None
    assert clock.to_correct == 0
    assert "look like dispersion" in clock.why_not


def test_an_equal_clock_is_left_alone() -> None:
    """Digital repeats: no correction, and the wire comes out as the band-limited click it is."""
    result = deconvolve(played(SHORT, 2)[np.newaxis], stimulus(SHORT, 2), 0)
    assert abs(result.clock.offset or 0) < 1e-12
    assert result.clock.to_correct == 0
    assert int(np.argmax(result.samples[0])) == round(LEAD_S * RATE)
    np.testing.assert_allclose(result.singles[0], result.singles[1], atol=1e-9)


@pytest.mark.parametrize(
    ("rate_hz", "top_hz"), [(8000, 3600), (44100, 20000), pytest.param(192000, 40000, marks=pytest.mark.slow)]
)
@pytest.mark.parametrize("offset", [0.0, 50e-6, -1e-3])
def test_loopback_tells_the_clocks_through_converters(rate_hz: int, top_hz: float, offset: float) -> None:
    """DC blocks at 5 Hz and a falling response are no clocks."""
    sweep = make_sweep(20, top_hz, 4, rate_hz)
    sound = recorded(sweep, offset=offset, bent=False)
    size = 2 * sound.size
    hz = fft.rfftfreq(size, 1 / rate_hz)
    converters = (1j * hz / (1j * hz + 5)) ** 2 / (1 + 1j * hz / (1.2 * rate_hz))
    sound = fft.irfft(fft.rfft(sound, size) * converters, size)[: sound.size] + noise(sound.size, 1e-4)
    clock = deconvolve(np.array([sound, sound]), stimulus(sweep), 0, 1).clock
    print(
        f"\n{rate_hz} Hz, {1e6 * offset:+.0f} ppm: {1e6 * (clock.offset - offset):+.4f} ± {1e6 * clock.uncertainty:.4f}"
    )
    assert clock.offset == pytest.approx(offset, abs=0.2e-6)
    assert clock.uncertainty < 0.5e-6


def test_loopback_takes_latency_and_converters_out() -> None:
    """A wire beside a loopback through the same converters, 12.3 samples late, is a click at exactly zero."""
    size = 4 * RATE
    hz = fft.rfftfreq(2 * size, 1 / RATE)
    converters = 0.5 * (1j * hz / (1j * hz + 5)) ** 2 * np.exp(-2j * np.pi * hz * 12.3 / RATE)
    sound = np.append(SHORT.samples(), np.zeros(size))[:size]
    heard = fft.irfft(fft.rfft(sound, 2 * size) * converters, 2 * size)[:size] + noise(size, 1e-6)
    later = np.roll(heard, 480)
    result = deconvolve(np.array([later, heard, -0.5 * heard]), stimulus(SHORT), 0, 1)
    assert result.channels == (0, 2)
    for row, (gain, delay) in zip(result.samples, ((1.0, 480), (-0.5, 0)), strict=True):
        peak = round(LEAD_S * RATE) + delay
        assert int(np.argmax(np.abs(row))) == peak
        band = 2 * (SHORT.f2_hz - SHORT.f1_hz) / RATE  # of the rate: the peak of a click through the band
        assert row[peak] == pytest.approx(gain * band, rel=0.05)
        # Symmetric about its peak: nothing of the fraction, nothing of the DC blocks is left.
        before, after = row[peak - 40 : peak][::-1], row[peak + 1 : peak + 41]
        np.testing.assert_allclose(before, after, atol=2e-4)


def test_every_channel_is_deconvolved_and_keeps_its_number() -> None:
    sound = np.append(SHORT.samples(), np.zeros(RATE))
    recording = np.array([np.roll(sound, shift) for shift in (100, 0, 300)])
    read = stimulus(SHORT)
    alone = measure_swept(recording, read, 0, 500.0)
    beside = measure_swept(recording, read, 0, 500.0, loopback=1)
    assert alone.response.paths == ("channel 1", "channel 2", "channel 3")
    assert beside.response.paths == ("channel 1", "channel 3")
    lead = round(LEAD_S * RATE)
    assert [int(np.argmax(row)) - lead for row in alone.response.samples] == [100, 0, 300]
    assert [int(np.argmax(row)) - lead for row in beside.response.samples] == [100, 300]


def test_resampling_is_exact_for_what_is_band_limited() -> None:
    """A recording of tones at other frequencies comes to stand where they were played."""
    time_s = np.arange(RATE) / RATE
    window = np.hanning(RATE)
    for offset in (50e-6, -2e-3):
        heard = sum(np.sin(2 * np.pi * hz * (1 + offset) * time_s) for hz in (100, 3000, 17000)) * window
        should = sum(np.sin(2 * np.pi * hz * time_s) for hz in (100, 3000, 17000))
        should *= np.interp(time_s, time_s * (1 + offset), window)
        got = fft.irfft(scaled_spectrum(heard, 2 * RATE, offset), 2 * RATE)[:RATE]
        assert np.abs(got - should)[: RATE - 200].max() < 2e-4


# Distortion.

HARMONICS = {"2nd": 0.06 / 1.06, "3rd": 0.02 / 1.06}
TOTAL = 0.0596656  # derived, CHECK VALUE: √(0.06² + 0.02²)/1.06


@pytest.mark.parametrize("offset", [0.0, 50e-6])
@pytest.mark.parametrize(
    ("rate_hz", "low_hz", "top_hz", "seconds"),
    [(48000, 20, 20000, 10), (192000, 20, 40000, 5), (8000, 50, 3600, 5), (48000, 20, 10000, 3)],
)
def test_orders_of_a_known_chain(rate_hz: int, low_hz: float, top_hz: float, seconds: float, offset: float) -> None:
    """Of x + 0.12 x² + 0.08 x³ and a unit sweep: |H1| 1.06, |H2| 0.06, |H3| 0.02, total 5.96656 % (derived)."""
    sweep = make_sweep(low_hz, top_hz, seconds, rate_hz)
    sound = recorded(sweep, offset=offset)
    result = deconvolve((sound + noise(sound.size, 1e-5))[np.newaxis], stimulus(sweep), 0)
    second, third, fourth, fifth = result.distortion[0].orders
    total = result.distortion[0].total
    assert total is not None
    both = total.frequency_hz < min(top_hz, 0.475 * rate_hz) / 3
    assert both.sum() > 9
    worst = np.abs(total.ratio[both] / TOTAL - 1).max()
    print(
        f"\n| {rate_hz} Hz, {low_hz:g} to {top_hz:g} Hz in {seconds:g} s, {1e6 * offset:.0f} ppm | {100 * worst:.3f} |"
    )
    np.testing.assert_allclose(second.ratio, HARMONICS["2nd"], rtol=3e-3)
    np.testing.assert_allclose(third.ratio, HARMONICS["3rd"], rtol=3e-3)
    np.testing.assert_allclose(total.ratio[both], TOTAL, rtol=3e-3)
    for none in (fourth, fifth):
        assert none.frequency_hz.size == 0
        assert "would not stand above the noise" in none.why_not
        assert none.below is not None
        assert none.below < 1e-4


def test_the_linear_share_of_a_known_chain() -> None:
    result = deconvolve(recorded(UNIT)[np.newaxis], stimulus(UNIT), 0)
    row = result.samples[0]
    spectrum = np.abs(fft.rfft(row, 2 * row.size))
    inner = spectrum[round(100 / RATE * 2 * row.size) : round(15000 / RATE * 2 * row.size)]
    np.testing.assert_allclose(inner, 1.06, rtol=0.01)  # 0.09 dB


@pytest.mark.parametrize("kind", ["synchronized", "exponential"])
def test_orders_arrive_as_early_as_they_should(kind: str) -> None:
    """Raw: the analytic inverse puts a pulse at L ln n before zero for n = 2, 3, upright for x² and turned for x³."""
    sweep = make_sweep(20, 20000, 5, RATE, kind)
    size = fft.next_fast_len(16 * RATE)
    hz = np.arange(1, size // 2) * RATE / size
    band = (hz > 200) & (hz < 20000)
    spectrum = fft.rfft(recorded(sweep), size)[1 : size // 2]
    whole = np.zeros(size // 2 + 1, dtype=complex)
    whole[1:-1][band] = spectrum[band] / sweep.spectrum(hz[band])
    envelope = np.abs(fft.ifft(np.append(2 * whole, np.zeros(size - whole.size))))
    for order in (2, 3):
        at = size - round(sweep.lead_s(order) * RATE)
        near = envelope[at - 200 : at + 200]
        assert abs(int(np.argmax(near)) - 200) <= 1
        assert near.max() > 20 * np.median(near)


def test_orders_of_a_driven_spring_hold_its_response() -> None:
    """|H_n(nf)|/|H_1(f)| with both through the springs: the ratio of the springs' levels joins that of the chain."""
    result, _ = run("three repeats, +50 ppm")
    response = click_response()
    size = 2 * response.size
    power = np.abs(fft.rfft(response, size)) ** 2

    def level(hz: float) -> float:
        return float(power[round(hz * 0.891 * size / RATE) : round(hz * 1.122 * size / RATE)].mean())

    second = result.distortion[0].orders[0]
    for hz in (200, 500, 1000):
        ratio, _ = second.at(hz)
        exact_hz = 1000 * 10 ** (round(10 * np.log10(hz / 1000)) / 10)
        expected = HARMONICS["2nd"] * np.sqrt(level(2 * exact_hz) / level(exact_hz))
        assert ratio == pytest.approx(expected, rel=0.05)


def test_no_distortion_is_told_of_a_linear_device() -> None:
    wrong = 0
    for seed in range(12):
        sound = recorded(SHORT, bent=False)
        result = deconvolve((sound + noise(sound.size, 1e-4, seed))[np.newaxis], stimulus(SHORT), 0)
        total = result.distortion[0].total
        assert total is not None
        wrong += total.frequency_hz.size
    assert wrong <= 3  # by chance one band in a thousand; 12 draws have some 600


def test_a_sweep_too_short_tells_no_orders() -> None:
    sweep = make_sweep(100, 20000, 0.5, RATE)
    distortion = deconvolve(played(sweep)[np.newaxis], stimulus(sweep), 0).distortion[0]
    assert distortion.total is None
    assert "too short" in distortion.why_not


# Repeats.


def test_t95() -> None:
    # JCGM 100:2008, Table G.2, n = 5, 10, 20.
    assert [t95(n - 1) for n in (5, 10, 20)] == pytest.approx([2.776, 2.262, 2.093], abs=6e-4)


def test_a_lag_of_a_fraction_of_a_sample() -> None:
    size = 8192
    spectrum = fft.rfft(noise(4096, 1.0), size)
    for lag in (0.0, 0.37, -5.25, 123.456):
        later = spectrum * np.exp(-2j * np.pi * lag / size * np.arange(spectrum.size))
        assert lag_of(spectrum, later, size)[0] == pytest.approx(lag, abs=1e-9)


def test_the_uncertainty_of_a_lag_is_its_scatter() -> None:
    size = 4096
    clean = fft.rfft(noise(2048, 1.0), size)
    rng = np.random.default_rng(5)
    lags, sigmas = [], []
    for _ in range(200):
        pair = [clean + fft.rfft(0.1 * rng.standard_normal(size), size) for _ in range(2)]
        lag, sigma = lag_of(pair[0], pair[1], size)
        lags.append(lag)
        sigmas.append(sigma)
    assert np.std(lags) == pytest.approx(np.mean(sigmas), rel=0.25)


@pytest.mark.few(1)
@pytest.mark.parametrize("repeats", [2, 4])
def test_the_clock_offset_of_noisy_repeats_is_held_by_its_uncertainty(repeats: int) -> None:
    """Noise 34 dB below the sweep and above the spring's highs: 10 draws, of which 95 % should hold the truth."""
    clean = through(recorded(SHORT, repeats, 2.0, 50e-6), SPRINGS[:1], RATE, 50e-6)
    read = stimulus(SHORT, repeats, 2.0)
    held = 0
    for seed in range(10):
        clock = deconvolve((clean + noise(clean.size, 5e-3, seed))[np.newaxis], read, 0).clock
        held += abs(clock.offset - 50e-6) <= clock.uncertainty
    assert held >= 8


@pytest.mark.parametrize("offset", [2e-3, -2e-3])
def test_clocks_far_apart(offset: float) -> None:
    sound = through(recorded(SHORT, 3, 2.0, offset), SPRINGS[:1], RATE, offset)
    clock = deconvolve(sound[np.newaxis], stimulus(SHORT, 3, 2.0), 0).clock
    assert clock.offset == pytest.approx(offset, abs=1e-9)


def test_clock_offset_from_spacing() -> None:
    starts = [0, 100_000, 200_000, 300_000]
    clock = from_repeats(starts, [-start * 50e-6 / (1 + 50e-6) for start in starts], [0.0] + 3 * [1e-3])
    assert clock.offset == pytest.approx(50e-6, rel=1e-9)
    assert 0 < clock.uncertainty < 1e-7
    assert from_repeats([0], [0.0], [0.0]).why_not


def spoil(sound: Array, how: str) -> Array:
    """Disturb the second repeat of ``SHORT`` with 3 s of silence after each."""
    begin = SHORT.samples().size + 3 * RATE
    spoilt = sound.copy()
    if how == "a door":
        spoilt[begin + RATE : begin + RATE + 9600] += noise(9600, 0.3, 9) * np.exp(-np.arange(9600) / 2000)
    elif how == "hum":
        spoilt[begin : begin + RATE] += 0.05 * np.sin(2 * np.pi * 50 * np.arange(RATE) / RATE)
    else:
        spoilt[begin + RATE : begin + RATE + 240] = 0
    return spoilt


@pytest.mark.few(3)
@pytest.mark.parametrize(
    ("repeats", "how"),
    [
        (3, "a door"), (5, "a door"), (5, "hum"), (3, "hum"), (5, "a dropout of 5 ms"), (3, "a dropout of 5 ms"),
    ],
)  # fmt: skip
def test_a_spoilt_repeat_is_set_aside(repeats: int, how: str) -> None:
    sound = through(recorded(SHORT, repeats, 3.0), (TrueSpring(0.030, 4500.0, t60_s=1.0),), RATE)
    sound += noise(sound.size, 1e-4)
    spoilt = spoil(sound, how)
    result = deconvolve(spoilt[np.newaxis], stimulus(SHORT, repeats, 3.0), 0)
    assert result.spoilt == (2,)
    assert len(result.singles) == repeats - 1
    clean = deconvolve(sound[np.newaxis], stimulus(SHORT, repeats, 3.0), 0)
    assert clean.spoilt == ()
    level_db, lag_us = in_bands(result.samples[0], clean.samples[0])
    assert np.abs(level_db).max() < 0.02
    assert np.abs(lag_us).max() < 1


def test_steady_noise_spoils_nothing() -> None:
    rng = np.random.default_rng(3)
    for repeats in (3, 4, 5, 8):
        for _ in range(10):
            assert not_spoilt(rng.standard_normal((repeats, 4097)) + np.eye(1, 4097)).all()


def test_averaging_lowers_the_noise_as_told() -> None:
    told = {}
    for repeats in (2, 4, 8):
        sound = recorded(SHORT, repeats, 1.0, bent=False)
        result = deconvolve((sound + noise(sound.size, 1e-3))[np.newaxis], stimulus(SHORT, repeats), 0)
        (told[repeats],) = result.noise_db
        clean = deconvolve(sound[np.newaxis], stimulus(SHORT, repeats), 0)
        error = result.samples[0] - clean.samples[0]
        assert told[repeats] == pytest.approx(10 * np.log10(np.mean(error**2)), abs=0.5)
    assert told[2] - told[4] == pytest.approx(3.01, abs=0.4)
    assert told[4] - told[8] == pytest.approx(3.01, abs=0.4)


def test_spread_is_a_type_a_evaluation() -> None:
    """Five repeats whose clicks lie 0, 1, …, 4 samples late and are 0 to 4 % louder: t95·s/√n by hand."""
    click = click_response(1.0)
    shifts = np.arange(5)
    singles = [Response(np.roll((1 + 0.01 * k) * click, k)[np.newaxis], RATE) for k in shifts]
    average = measure(singles[2])
    found = {(one.quantity, one.unit): one for one in spread_of(average, [measure(one) for one in singles])}
    arrival = found["spring 1 pass 1 arrival", "ms"]
    expected = 2.776 * np.std(shifts, ddof=1) / np.sqrt(5) * 1000 / RATE  # JCGM 100:2008, 4.2
    assert arrival.count == 5
    assert arrival.uncertainty == pytest.approx(expected, rel=2e-3)
    assert arrival.mean == pytest.approx(1e3 * average.paths[0].springs.springs[0].passes[0].time_s, abs=1e-3)
    level = found["1000 Hz level", "dB"]
    expected = 2.776 * np.std(20 * np.log10(1 + 0.01 * shifts), ddof=1) / np.sqrt(5)
    assert level.uncertainty == pytest.approx(expected, rel=0.01)


# Where the stimulus lies.


def test_a_recording_that_began_early() -> None:
    sound = recorded(SHORT, begin_s=3.2, bent=False)
    read = stimulus(SHORT)
    place = find_place(sound[np.newaxis], read, 0)
    assert not place.why_not
    assert 2.5 * RATE < place.begin < 3.2 * RATE
    found = measure_swept(sound[np.newaxis], read, place.begin, 500.0)
    zero_s = found.deconvolved.begin_s + found.response.click_at_s - LEAD_S
    assert zero_s == pytest.approx(3.2, abs=0.02 / RATE)
    told = measure_swept(sound[np.newaxis], read, round(3.2 * RATE), 500.0, click_at_s=3.2)
    assert int(np.argmax(told.response.samples)) == round(told.response.click_at_s * RATE)


def test_loops_of_a_file_are_repeats() -> None:
    read = read_stimulus(played(SHORT, 2), RATE, loops=3)
    assert read is not None
    assert len(read.starts) == 6
    assert set(np.diff(read.starts)) == {played(SHORT).size}


def test_any_broadband_stimulus_is_divided_by() -> None:
    """Noise as stimulus: the response comes out, harmonics do not, and that is said."""
    sound = np.append(noise(6 * RATE, 0.1), np.zeros(4 * RATE))
    read = read_stimulus(sound, RATE)
    assert read is not None
    assert read.sweep is None
    heard = through(sound, SPRINGS, RATE)
    heard += noise(heard.size, 1e-5, 4)
    result = deconvolve(heard[np.newaxis], read, 0)
    level_db, lag_us = in_bands(result.samples[0, round(LEAD_S * RATE) :], click_response())
    assert np.abs(level_db).max() < 0.1
    assert np.abs(lag_us).max() < 2
    assert "no exponential sweep" in result.distortion[0].why_not


@pytest.mark.parametrize("level", [1e-5, 1e-3, 1e-2])
@pytest.mark.parametrize("rate_hz", [16000, 48000, 96000])
def test_noise_and_rate_cost_what_they_should(rate_hz: int, level: float) -> None:
    """The worse the recording, the wider the stated uncertainty; the truth stays within it."""
    sweep = make_sweep(20, min(20000, 0.45 * rate_hz), 5, rate_hz)
    sound = through(recorded(sweep, 1, 2.0, bent=False), SPRINGS[:1], rate_hz)
    result = deconvolve((sound + noise(sound.size, level))[np.newaxis], stimulus(sweep, 1, 2.0), 0)
    (spring,) = find_springs(result.samples[0], rate_hz, LEAD_S).springs
    for one in spring.passes:
        truth_s = one.trips * SPRINGS[0].delay_s(500.0)
        print(f"\n{rate_hz} Hz, noise {level:g}: pass {one.number} {1e6 * (one.time_s - truth_s):+.1f} µs")
        assert abs(one.time_s - truth_s) < one.uncertainty_s + 2e-6


# The command line.


def complain(capsys: Capture, *arguments: object) -> str:
    assert main([str(one) for one in arguments]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    (line,) = captured.err.splitlines()
    return line


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """sweep.wav of two repeats, and recordings of it: wet.wav (a spring), stereo.wav (with a loopback)."""
    sweep = make_sweep(20, 20000, 3, RATE, amplitude=0.25)
    wet = 0.2 * through(4 * recorded(sweep, 2, 2.0, 50e-6), SPRINGS[:1], RATE, 50e-6)
    wet += noise(wet.size, 1e-5)
    dry = recorded(sweep, 2, 2.0, 50e-6, bent=False)
    write_sound(tmp_path / "sweep.wav", played(sweep, 2, 2.0)[np.newaxis], RATE, subtype="PCM_24")
    write_sound(tmp_path / "wet.wav", wet[np.newaxis], RATE)
    write_sound(tmp_path / "stereo.wav", np.array([wet, dry]), RATE)
    return tmp_path


def test_measure_prints_what_a_click_gives_and_what_only_a_sweep_can(folder: Path, capsys: Capture) -> None:
    options = ["--stimulus", str(folder / "sweep.wav"), "--plot", str(folder / "wet.png")]
    assert main(["measure", str(folder / "wet.wav"), *options]) == 0
    captured = capsys.readouterr()
    assert captured.err == ""
    for said in (
        "Stimulus: synchronized sweep from 20 Hz", "Clock skew: +50.000 ±", "by the spacing of the repeats; taken out",
        "Repeats: 2 of 2 averaged; noise of the average −", "1 spring. Arrivals at 500 Hz", "Decay", "T30",
        "Harmonic distortion by the frequency that excites it", "Spread between repeats", "wet.png",
    ):  # fmt: skip
        assert said in captured.out
    assert (folder / "wet.png").stat().st_size > 20000


def test_the_plot_shows_what_was_read_of_each_order() -> None:
    sound = recorded(SHORT) + noise(recorded(SHORT).size, 1e-5)
    swept = measure_swept(np.array([sound, sound]), stimulus(SHORT), 0, 500.0)
    figure = figure_of(swept.response, swept.measurement, "two", swept=swept)
    panels = [axes for axes in figure.axes if axes.get_label() == "distortion"]
    assert len(panels) == 2
    for axes, distortion in zip(panels, swept.deconvolved.distortion, strict=True):
        lines = {line.get_gid(): line for line in axes.get_lines()}
        assert set(lines) == {"total", "2nd", "3rd"}
        np.testing.assert_array_equal(lines["2nd"].get_ydata(), 100 * distortion.orders[0].ratio)
        assert "4th and 5th within the noise" in [text.get_text() for text in axes.texts]


def test_json_of_a_sweep(folder: Path, capsys: Capture) -> None:
    options = ["--stimulus", str(folder / "sweep.wav"), "--loopback-channel", "2", "--json"]
    assert main(["measure", str(folder / "stereo.wav"), *options]) == 0
    told = json.loads(capsys.readouterr().out, parse_constant=lambda text: pytest.fail(text))
    sweep, (channel,) = told["sweep"], told["channels"]
    assert sweep["clock_skew_ppm"] == pytest.approx(50, abs=1e-3)
    assert sweep["clock_skew_taken_out"]
    assert (sweep["repeats"], sweep["repeats_set_aside"], sweep["kind"]) == (2, [], "synchronized")
    assert sweep["reasons"] == {}
    assert {one["unit"] for one in sweep["spread"]} >= {"ms", "Hz", "dB", "s"}
    arrivals = channel["springs"][0]["arrivals"]
    assert arrivals[0]["time_ms"] == pytest.approx(1e3 * SPRINGS[0].delay_s(500.0), abs=0.02)
    distortion = channel["harmonic_distortion"]
    assert [one["order"] for one in distortion["orders"]] == [2, 3, 4, 5]
    second = distortion["orders"][0]
    sizes = {len(second[key]) for key in ("frequency_hz", "distortion_db", "distortion_percent", "uncertainty_percent")}
    assert len(sizes) == 1
    percent, level = second["distortion_percent"][0], second["distortion_db"][0]
    assert level == pytest.approx(20 * np.log10(percent / 100), abs=0.01)


def test_one_sweep_says_that_the_clocks_are_not_known(folder: Path, capsys: Capture) -> None:
    for name in ("sweep", "wet"):
        sound, _ = read_sound(folder / f"{name}.wav")
        write_sound(folder / f"{name}.wav", sound[:, : sound.shape[1] // 2], RATE, subtype="PCM_24")
    assert main(["measure", str(folder / "wet.wav"), "--stimulus", str(folder / "sweep.wav")]) == 0
    told = capsys.readouterr().out
    assert "Clock skew: not known (one repeat and no loopback channel" in told
    assert "Beware: if two clocks were at work, each ppm between them tilts delays by 0.9 µs per 3 octaves" in told
    assert "Spread" not in told
    assert main(["measure", str(folder / "wet.wav"), "--stimulus", str(folder / "sweep.wav"), "--json"]) == 0
    sweep = json.loads(capsys.readouterr().out)["sweep"]
    assert sweep["clock_skew_ppm"] is None
    assert "dispersion" in sweep["reasons"]["clock_skew_ppm"]


def test_clipping_and_foreign_stimuli_are_warned_of(folder: Path, capsys: Capture) -> None:
    sound = np.append(noise(2 * RATE, 0.2), np.zeros(RATE))
    write_sound(folder / "noise.wav", sound[np.newaxis], RATE)
    write_sound(folder / "hot.wav", np.clip(8 * sound, -1, 1)[np.newaxis], RATE)
    assert main(["measure", str(folder / "hot.wav"), "--stimulus", str(folder / "noise.wav")]) == 0
    told = capsys.readouterr().out
    assert "Beware: channel 1 clips, first at sample" in told
    assert "Beware: the stimulus is no exponential sweep: measured by division, without harmonics" in told
    assert "Harmonic distortion: none told (the stimulus is no exponential sweep)" in told


def test_a_sweep_too_short_for_the_reverb_is_told(folder: Path, capsys: Capture) -> None:
    """T60 2.2 s, L 0.45 s: a second order of −25 dB lies some 25 + 60·0.31/2.2 = 33 dB below; L 1.45 s: 52 dB."""
    for seconds, warned in ((3, True), (10, False)):
        sweep = make_sweep(20, 20000, seconds, RATE)
        write_sound(folder / "sweep.wav", played(sweep, 1, 3.0)[np.newaxis], RATE)
        write_sound(folder / "wet.wav", through(recorded(sweep, 1, 3.0), SPRINGS[:1], RATE)[np.newaxis], RATE)
        assert main(["measure", str(folder / "wet.wav"), "--stimulus", str(folder / "sweep.wav")]) == 0
        told = capsys.readouterr().out
        assert ("Beware: the tail of the second order lies on the response, 3" in told) == warned


def test_slips_are_named(folder: Path, capsys: Capture) -> None:
    wet, sweep = folder / "wet.wav", folder / "sweep.wav"
    sound, _ = read_sound(wet)
    write_sound(folder / "slow.wav", sound, 44100)
    write_sound(folder / "short.wav", sound[:, :RATE], RATE)
    write_sound(
        folder / "cut.wav", sound[:, : played(make_sweep(20, 20000, 3, RATE), 2, 2.0).size - 2 * RATE + 200], RATE
    )
    write_sound(folder / "late.wav", sound[:, RATE:], RATE)
    write_sound(folder / "silent.wav", 0 * sound, RATE)
    write_sound(folder / "other.wav", noise(sound.size, 0.1)[np.newaxis], RATE)
    write_sound(folder / "half.wav", np.vstack([sound, 0 * sound]), RATE)
    slips = {
        (folder / "slow.wav", "--stimulus", sweep): "slow.wav: recorded at 44100 Hz, but",
        (folder / "short.wav", "--stimulus", sweep): "short.wav: 1.00 s are shorter than the stimulus of 2 repeats",
        (folder / "cut.wav", "--stimulus", sweep): "cut.wav: ends 0.00 s after the stimulus; go on recording",
        (folder / "silent.wav", "--stimulus", sweep): "silent.wav: silent; was the right input recorded?",
        (folder / "other.wav", "--stimulus", sweep): "other.wav: does not hold the stimulus",
        (wet, "--stimulus", folder / "silent.wav"): "silent.wav: silent; a stimulus is what was played",
        (wet, "--stimulus", folder / "none.wav"): "none.wav: no such file",
        (wet, "--stimulus", sweep, "--loopback-channel", 3): "wet.wav: has no channel 3",
        (wet, "--stimulus", sweep, "--loopback-channel", 1): "wet.wav: has one channel; with --loopback-channel",
        (folder / "half.wav", "--stimulus", sweep, "--loopback-channel", 2): "half.wav: channel 2 is silent; is it the",
        (wet, "--stimulus", sweep, "--repeats", 9): "wet.wav: ",
        (wet, "--stimulus", sweep, "--click-at", 9): "wet.wav: ends 0.00 s after the stimulus",
        (wet, "--stimulus", sweep, "--arrival-hz", 9): "wet.wav: --arrival-hz 9 is outside 50…24000 Hz",
        (folder / "stereo.wav", "--stimulus", sweep, "--loopback-channel", 2, "--click-at", 0): "both say when the",
        (wet, "--loopback-channel", 2): "wet.wav: --loopback-channel needs --stimulus",
        (wet, "--repeats", 2): "wet.wav: --repeats needs --stimulus",
    }
    for arguments, said in slips.items():
        assert said in complain(capsys, "measure", *arguments)
    read = stimulus(SHORT)
    begun_late = played(SHORT, 1, 3.0)[RATE:]
    assert "1.00 s after its stimulus, or answers another one" in find_place(begun_late[np.newaxis], read, 0).why_not


def test_sweep_writes_a_stimulus_after_its_cautions(tmp_path: Path, capsys: Capture) -> None:
    target = tmp_path / "stimulus.wav"
    assert main(["sweep", str(target), "--seconds", "2", "--tail", "1", "--repeats", "2"]) == 0
    told = capsys.readouterr().out
    caution, written = told.split(f"{target}: ")[0], told
    for word in (
        "rated line output",
        "hundreds of volts",
        "trained people",
        "local electrical codes",
        "No headphones on",
    ):
        assert word in caution
    assert "-40 dBFS" in caution
    assert "reverdict measure RECORDING --stimulus" in written
    import soundfile

    assert soundfile.info(target).subtype == "PCM_24"
    sound, rate_hz = read_sound(target)
    assert rate_hz == 48000
    assert 20 * np.log10(np.abs(sound).max()) == pytest.approx(-12, abs=0.01)
    assert not sound[0, -RATE:].any()
    read = read_stimulus(sound[0], rate_hz)
    assert read is not None
    assert read.sweep is not None
    assert (len(read.starts), read.sweep.kind) == (2, "synchronized")
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["s.flac"], "a stimulus is a 24-bit WAV"),
        (["nowhere/s.wav"], "no folder"),
        (["s.wav", "--rate", "8000", "--to-hz", "5000"], "--to-hz 5000 is too high for 8000 Hz; 3840 Hz is the most"),
        (["s.wav", "--from-hz", "900", "--to-hz", "1000"], "less than an octave"),
        (["s.wav", "--repeats", "900", "--seconds", "60"], "over an hour"),
    ],
)
def test_slips_of_sweep(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture, arguments: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["sweep", *arguments]) == 2
    assert said in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_dispersion_of_too_narrow_a_band_tells_no_clock() -> None:
    sweep = make_sweep(200, 900, 5, RATE)
    response = np.eye(1, RATE // 4)[0]
    assert "too narrow" in from_dispersion(response, 0, RATE, sweep, "the loopback channel").why_not
