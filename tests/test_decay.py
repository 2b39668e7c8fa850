"""Decay against closed forms: pure exponentials, a feedback comb, exponentials in noise, and what must not be told.

"derived" is computed from the formula beside it; "ISO 3382-1" is the 2009 edition.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from reverdict.measure.bands import exact_centre, octave_centres
from reverdict.measure.decay import BandDecay, DecayMeasurement, measure_decay
from reverdict.measure.decay_beside import decay_beside
from reverdict.measure.decay_times import FITS
from reverdict.measure.fresh_noise import with_fresh_noise
from reverdict.words import Response
from tank_truth import clean_response, random_tank

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48000
SHORT_FITS = ("edt", "t20", "t30")
ONE_KHZ = 3  # of the bands from 125 Hz on
NOISE_WIDTH_HZ = (
    1.047 * (2**0.5 - 2**-0.5) * 1000
)  # derived: π/(2·3)/sin(π/(2·3)) of the edges, third-order Butterworth


def ringing(t60_s: float, seconds: float, rate_hz: int = RATE_HZ, only_hz: float | None = None) -> NDArray[np.float64]:
    """Tones at every mid-band under one exponential, whose decay is exact in each band."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    centres = [exact_centre(only_hz)] if only_hz else [exact_centre(c) for c in octave_centres(rate_hz)]
    tones = sum(np.cos(2 * np.pi * hz * time_s + number) for number, hz in enumerate(centres))
    return np.asarray(tones * np.exp(-3 * np.log(10) * time_s / t60_s))


def noise_for(range_db: float, size: int, seed: int) -> NDArray[np.float64]:
    """White noise that lies ``range_db`` below a tone of amplitude 1 in the 1 kHz octave."""
    power = 0.5 * 10 ** (-range_db / 10) * RATE_HZ / (2 * NOISE_WIDTH_HZ)
    return np.sqrt(power) * np.random.default_rng(seed).standard_normal(size)


def in_noise(t60_s: float, range_db: float, seed: int) -> BandDecay:
    sound = ringing(t60_s, 2 * t60_s, only_hz=1000)
    return measure_decay(sound + noise_for(range_db, sound.size, seed), RATE_HZ).bands[ONE_KHZ]


def all_bands(measured: DecayMeasurement) -> tuple[BandDecay, ...]:
    return (measured.whole, *measured.bands)


# Closed forms.


@pytest.mark.parametrize(("t60_s", "within"), [(0.3, 2e-3), (1.0, 4e-4), (3.0, 4e-5)])
def test_a_pure_exponential_has_one_decay_time(t60_s: float, within: float) -> None:
    """EDT = T20 = T30 = T60 (derived), in every band; the 125 Hz octave's EDT feels its filter at 0.3 s."""
    for band in all_bands(measure_decay(ringing(t60_s, 2 * t60_s), RATE_HZ)):
        for name, time in band.times.items():
            slack = 0.021 if band.centre_hz == 125 and t60_s == 0.3 and name == "edt" else within
            assert time.seconds == pytest.approx(t60_s, rel=slack), (band.centre_hz, name)
            assert time.uncertainty_s == pytest.approx(0, abs=1e-3 * t60_s)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000])
def test_the_sample_rate_does_not_matter(rate_hz: int) -> None:
    measured = measure_decay(ringing(1.0, 2.0, rate_hz), rate_hz)
    assert [band.centre_hz for band in measured.bands] == octave_centres(rate_hz)
    for band in all_bands(measured):
        assert band.times["t30"].seconds == pytest.approx(1.0, rel=1e-3)


@pytest.mark.parametrize(
    ("gain", "delay", "t60_s", "steps"),
    # T60 = −3M/(fs lg|g|), derived. The decay curve is a staircase of −20 lg g dB: the coarser, the farther the fit.
    [(0.7, 1000, 0.403481, (0.11, 0.02, 0.01, 0.005)), (0.8413951, 2400, 2.0, (0.03, 0.006, 0.003, 0.002))],
)
def test_a_feedback_comb(gain: float, delay: int, t60_s: float, steps: tuple[float, ...]) -> None:
    assert -3 * delay / (RATE_HZ * np.log10(gain)) == pytest.approx(t60_s, abs=1e-6)
    comb = np.zeros(round(max(2 * t60_s, 1) * RATE_HZ))
    comb[::delay] = gain ** np.arange(comb[::delay].size)
    whole = measure_decay(comb, RATE_HZ).whole
    for name, within in zip(FITS, steps, strict=True):
        assert whole.times[name].seconds == pytest.approx(t60_s, rel=within)


def test_level_is_energy_in_db_of_a_unit_click() -> None:
    comb = np.zeros(RATE_HZ)
    comb[::1000] = 0.7 ** np.arange(48)
    # Energy 1/(1 − g²) = 1.9607843 → 2.9243 dB, derived; what is taken out below 50 Hz is 1/480 of the band.
    assert measure_decay(comb, RATE_HZ).whole.level_db == pytest.approx(10 * np.log10(1.9607843), abs=0.02)
    soft = measure_decay(0.1 * comb, RATE_HZ)
    for one, other in zip(all_bands(measure_decay(comb, RATE_HZ)), all_bands(soft), strict=True):
        assert one.level_db is not None
        assert other.level_db == pytest.approx(one.level_db - 20, abs=1e-9)
        assert other.times["t30"].seconds == pytest.approx(one.times["t30"].seconds, rel=1e-9)


def test_energy_comes_out_of_the_curve() -> None:
    """C80 and D50 of an exponential (derived): the curve holds them, so it is the decay and not only its slope."""
    t60_s = 2.0
    whole = measure_decay(ringing(t60_s, 4.0, only_hz=1000), RATE_HZ).whole
    left = 10 ** (np.interp([0.05, 0.08], whole.curve_s, whole.curve_db) / 10)
    assert 1 - left[0] == pytest.approx(0.292054, abs=5e-4)  # D50, derived, T = 2 s
    assert 10 * np.log10((1 - left[1]) / left[1]) == pytest.approx(-1.32061, abs=0.01)  # C80, derived, T = 2 s


def test_when_the_click_went_in_does_not_matter() -> None:
    sound = ringing(1.0, 2.0)
    late = np.concatenate([np.zeros(4800), sound])
    for one, other in zip(
        all_bands(measure_decay(sound, RATE_HZ)), all_bands(measure_decay(late, RATE_HZ, 0.1)), strict=True
    ):
        assert other.times["t20"].seconds == pytest.approx(one.times["t20"].seconds, rel=1e-9)
        assert other.level_db == pytest.approx(one.level_db, abs=1e-9)


# Noise.


@pytest.mark.parametrize("t60_s", [0.5, 2.0])
@pytest.mark.parametrize("range_db", [45.5, 50.0, 60.0])
def test_noise_bends_no_decay(t60_s: float, range_db: float) -> None:
    """1 % is asked at 60 dB and 2 % at 45 dB, where naive fits are off by 0.6 % and more than 9 % (derived)."""
    within = {45.5: 0.02, 50.0: 0.012, 60.0: 0.004}[range_db]
    told = 0
    for seed in range(4):
        band = in_noise(t60_s, range_db, seed)
        assert band.range_db == pytest.approx(range_db, abs=1.0)
        for time in band.times.values():
            if time.seconds is not None:
                assert time.seconds == pytest.approx(t60_s, rel=within)
                told += 1
    assert told >= 9  # of 12; T30 at 45 dB may fall either side of what ISO 3382-1 asks for


@pytest.mark.parametrize(
    ("range_db", "told"),
    # ISO 3382-1, 5.3.3: noise lies the fit range and 15 dB below the peak: 25 dB for EDT, 35 for T20, 45 for T30.
    [(22, ()), (30, ("edt",)), (40, ("edt", "t20")), (50, ("edt", "t20", "t30"))],
)
def test_what_the_range_does_not_allow_is_not_told(range_db: float, told: tuple[str, ...]) -> None:
    band = in_noise(1.0, range_db, 3)
    assert tuple(name for name, time in band.times.items() if time.seconds is not None) == told
    for name, time in band.times.items():
        if name not in told:
            assert time.why_not == f"{band.range_db:.0f} dB above the noise, needs {FITS[name][2]:.0f}"


def test_decay_meets_noise_where_it_should() -> None:
    """p² = e^(−kt) + 1e-6, T = 1 s → 1.000 s exactly (derived; Lundeby's crosspoint). The noise is a second tone."""
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = np.cos(2 * np.pi * 1000 * time_s) * np.exp(-3 * np.log(10) * time_s)
    band = measure_decay(tone + 1e-3 * np.cos(2 * np.pi * 1013 * time_s), RATE_HZ).bands[ONE_KHZ]
    assert band.curve_s[-1] == pytest.approx(1.0, abs=0.03)
    assert band.noise_floor_db == pytest.approx(10 * np.log10(0.5e-6), abs=0.05)
    assert band.times["t30"].seconds == pytest.approx(1.0, rel=1e-3)


def test_noise_adds_no_level() -> None:
    clean = measure_decay(ringing(1.0, 4.0, only_hz=1000), RATE_HZ).bands[ONE_KHZ].level_db
    assert in_noise(1.0, 40.0, 1).level_db == pytest.approx(clean, abs=0.05)


@pytest.mark.parametrize("offset", [0.3, -0.01])
def test_a_constant_is_no_sound(offset: float) -> None:
    sound = ringing(1.0, 2.0)
    for one, other in zip(
        all_bands(measure_decay(sound, RATE_HZ)), all_bands(measure_decay(sound + offset, RATE_HZ)), strict=True
    ):
        assert other.times["t30"].seconds == pytest.approx(one.times["t30"].seconds, rel=0.02)


def coverage(range_db: float, draws: int) -> float:
    """Share of stated k = 2 intervals that hold the true decay time, over noise draws."""
    times = [time for seed in range(draws) for time in in_noise(1.0, range_db, 100 + seed).times.values()]
    inside = [abs(t.seconds - 1.0) <= t.uncertainty_s for t in times if t.seconds and t.uncertainty_s]
    return float(np.mean(inside))


@pytest.mark.parametrize("range_db", [36.5, 50.0])
def test_stated_uncertainty_holds_the_truth(range_db: float) -> None:
    assert coverage(range_db, 12) >= 0.9


@pytest.mark.slow
@pytest.mark.parametrize("range_db", [36.5, 46.0, 60.0])
def test_stated_uncertainty_holds_the_truth_over_many_draws(range_db: float) -> None:
    share = coverage(range_db, 200)
    print(f"\ndecay times covered at k = 2, {range_db:g} dB: {100 * share:.1f} %")
    assert share >= 0.9


@pytest.mark.slow
def test_errors_of_decay_times_in_noise() -> None:
    """The noise itself moves a T30 by 2.6 % at 45 dB and T = 0.5 s; its rms is what the method answers for."""
    print("\nrange  T    error of EDT, T20, T30 in %: rms (largest) of 40 draws")
    for range_db, most in ((45.5, 0.04), (50.0, 0.02), (60.0, 0.008), (70.0, 0.003)):
        for t60_s in (0.5, 1.0, 2.0):
            bands = [in_noise(t60_s, range_db, seed) for seed in range(40)]
            row = []
            for name in SHORT_FITS:
                seconds = [band.times[name].seconds for band in bands]
                off = np.array([s / t60_s - 1 for s in seconds if s is not None])
                row.append((float(np.sqrt(np.mean(off**2))), float(np.abs(off).max())))
            print(f"{range_db:4g} dB {t60_s:3g} s  " + "  ".join(f"{100 * r:.2f} ({100 * m:.2f})" for r, m in row))
            assert max(rms for rms, _ in row) < (0.02 if range_db < 60 else 0.01)
            assert max(largest for _, largest in row) < most


# Records that end too early, and sounds that do not decay.


def test_a_record_that_ends_before_the_noise_is_completed_by_its_own_decay() -> None:
    """Truncation alone costs a naive T30 −0.85 % at −45 dB (derived); the tail beyond is put back."""
    band = measure_decay(ringing(1.0, 0.85, only_hz=1000), RATE_HZ).bands[ONE_KHZ]
    assert band.noise_floor_db is None
    assert band.times["t30"].seconds == pytest.approx(1.0, rel=2e-3)
    assert band.times["t20"].seconds == pytest.approx(1.0, rel=2e-3)


def test_a_record_that_ends_too_early_says_so() -> None:
    band = measure_decay(ringing(3.0, 1.5, only_hz=1000), RATE_HZ).bands[ONE_KHZ]  # 30 dB of decay
    assert band.times["t20"].seconds == pytest.approx(3.0, rel=0.01) or band.times["t20"].why_not
    assert band.times["t30"].seconds is None
    assert "down when the record ends, needs 40" in band.times["t30"].why_not


@pytest.mark.parametrize("rate_hz", [8000, 48000])
def test_what_does_not_decay_has_no_decay_time(rate_hz: int) -> None:
    noise = np.random.default_rng(1).standard_normal(2 * rate_hz)
    time_s = np.arange(noise.size) / rate_hz
    for name, sound in {
        "silence": np.zeros(noise.size),
        "constant": np.full(noise.size, 0.2),
        "noise": noise,
        "tone": np.sin(2 * np.pi * 500 * time_s),
        "rising": noise * 10 ** (time_s - 2),
        "one sample": np.ones(1),
        "nothing": np.zeros(0),
    }.items():
        measured = measure_decay(sound, rate_hz)
        # Beside a tone lies its own beginning and end, which do decay; the band that holds it does not.
        bands = [measured.whole] if name == "tone" else all_bands(measured)
        for band in bands:
            for time in band.times.values():
                assert time.seconds is None, name
                assert time.why_not, name


def test_a_click_alone_decays_too_fast_to_tell() -> None:
    click = np.zeros(RATE_HZ)
    click[0] = 1.0
    for band in all_bands(measure_decay(click, RATE_HZ)):
        assert all(time.seconds is None and time.why_not for time in band.times.values()), band.centre_hz


@pytest.mark.parametrize("milliseconds", [5, 20, 45])
def test_short_responses_are_measured_without_complaint(milliseconds: int) -> None:
    size = milliseconds * RATE_HZ // 1000
    sound = np.random.default_rng(1).standard_normal(size) * np.exp(-np.arange(size) / (0.2 * size))
    for band in all_bands(measure_decay(sound, RATE_HZ)):
        for time in band.times.values():
            assert (time.seconds is None) == bool(time.why_not)
            assert time.seconds is None or 0 < time.seconds < 1


def test_a_late_peak_is_told() -> None:
    """As in a reversed programme, whose EDT tells of the rise before it."""
    rising = np.concatenate([ringing(1.0, 0.5, only_hz=1000)[::-1], ringing(1.0, 2.0, only_hz=1000)])
    assert measure_decay(rising, RATE_HZ).bands[ONE_KHZ].peak_s == pytest.approx(0.5, abs=0.01)


def test_a_curve_that_falls_at_once_at_its_end_leaves_the_level_known() -> None:
    """Two takes of a tank that breaks off; between two points of a curve so much of it goes that nothing lies in
    between, and the level was told to be unsure by 10¹³ dB.
    """
    tank, _ = clean_response(random_tank(9))
    sound = np.pad(tank, (0, 4 * RATE_HZ - tank.size))
    sound += 10 ** (-70 / 20) * np.random.default_rng(9).standard_normal(sound.size)
    own = measure_decay(sound, RATE_HZ, 0.0)
    measured: Any = SimpleNamespace(paths=[SimpleNamespace(decay=own)])
    (other, *_) = with_fresh_noise(Response(sound[np.newaxis], RATE_HZ), measured)
    taken = measure_decay(other.samples[0], RATE_HZ, 0.0)
    for one, two in ((own.whole, taken.whole), *zip(own.bands, taken.bands, strict=True)):
        assert decay_beside(one, two).level_uncertainty_db < 0.1
