"""Clarity, definition and centre time against closed forms, and what they count from."""

from __future__ import annotations

import numpy as np
import pytest

from decay_truth import MID_BANDS_HZ, Envelope, Samples, noise_carried, tones
from reverdict.measure.decay import BandDecay, DecayMeasurement, measure_decay

RATE_HZ = 48000
NAMES = ("c50_db", "c80_db", "d50", "ts_ms")
# Derived: C_te = 10 lg(e^(k te) − 1) with k = 13.8155/T, D50 = 1 − e^(−0.05 k), Ts = 1/k.
CLOSED_FORMS = {1.0: (-0.02062, 3.05341, 0.498813, 72.3824), 2.0: (-3.84537, -1.32061, 0.292054, 144.7648)}
JUST_NOTICEABLE = {"c50_db": 1.0, "c80_db": 1.0, "d50": 0.05, "ts_ms": 10.0}  # ISO 3382-1:2009, Table A.1


def one(t60_s: float) -> Envelope:
    return Envelope({t60_s: 1.0})


def echoes(times_ms: dict[float, float], seconds: float = 1.0) -> Samples:
    """Single samples: level by time in ms."""
    sound = np.zeros(round(seconds * RATE_HZ))
    for ms, level in times_ms.items():
        sound[round(1e-3 * ms * RATE_HZ)] = level
    return sound


def values(band: BandDecay) -> list[float | None]:
    return [band.ratios[name].value for name in NAMES]


def bands(measured: DecayMeasurement) -> tuple[BandDecay, ...]:
    return (measured.whole, *measured.bands)


@pytest.mark.parametrize("t60_s", CLOSED_FORMS)
def test_closed_forms(t60_s: float) -> None:
    k = 6 * np.log(10) / t60_s
    c50, c80, d50, ts = CLOSED_FORMS[t60_s]
    assert (c50, c80) == pytest.approx([10 * np.log10(np.exp(k * te) - 1) for te in (0.05, 0.08)], abs=1e-5)
    assert (d50, ts) == pytest.approx([1 - np.exp(-0.05 * k), 1e3 / k], abs=1e-4)
    for band in bands(measure_decay(tones(one(t60_s), RATE_HZ, 2 * t60_s), RATE_HZ)):
        # The onset of a tone leaks out of its band, which thus lacks a part of its early energy (that of noise does
        # not). In the whole sound the beats between the tones are not the same early and late.
        near = {125: 0.35, 250: 0.25, 500: 0.2, None: 0.13}.get(band.centre_hz, 0.07)
        assert values(band)[:2] == pytest.approx([c50, c80], abs=near), band.centre_hz
        assert values(band)[2] == pytest.approx(d50, abs=0.058 * near)
        assert values(band)[3] == pytest.approx(ts, abs=10 * near)


def test_noise_under_an_exponential_has_them_on_average() -> None:
    """Far below what is noticed in the mean of 30 draws, band by band; the filter smears nothing across the cut."""
    found = np.array(
        [
            [values(band) for band in bands(measure_decay(noise_carried(one(1.0), 24000, 1.5, seed), 24000))]
            for seed in range(30)
        ],
        dtype=float,
    )
    off = found.mean(axis=0) - np.array(CLOSED_FORMS[1.0])
    wander = found.std(axis=0) / np.sqrt(30)
    assert np.all(np.abs(off) < 3.5 * wander + np.array([0.05, 0.05, 0.005, 0.5]))


def test_the_whole_sound_has_those_of_its_own_samples() -> None:
    """Sums of squares over the samples of random noise under an exponential, twenty times."""
    off = []
    for seed in range(20):
        sound = noise_carried(one(1.0), 24000, 1.5, seed)
        energy, time_ms = sound**2, 1e3 * np.arange(sound.size) / 24000
        early = float(energy[time_ms < 50].sum())
        c50, _, _, ts = values(measure_decay(sound, 24000).whole)
        assert c50 is not None
        assert ts is not None
        exact_db = 10 * np.log10(early / (energy.sum() - early))
        off.append((c50 - exact_db, ts - time_ms @ energy / energy.sum()))
    c50_rms, ts_rms = np.sqrt(np.mean(np.square(off), axis=0))
    print(f"\nC50 within {c50_rms:.3f} dB, Ts within {ts_rms:.3f} ms, rms")
    assert c50_rms < 0.03
    assert ts_rms < 0.2


@pytest.mark.parametrize("name", ["c50_db", "c80_db"])
def test_an_echo_counts_to_the_side_of_the_cut_it_stands_on(name: str) -> None:
    """A click and as loud an echo 0.1 ms before or after the cut, and a faint tail: 16 dB apart in every band, though
    the filter of the lowest rings for 11 ms.
    """
    cut_ms = {"c50_db": 50.0, "c80_db": 80.0}[name]
    tail = 0.3 * noise_carried(one(0.5), RATE_HZ, 1.0, 8) / np.sqrt(RATE_HZ)
    left = 0.09 * np.exp(-6 * np.log(10) * 1e-3 * cut_ms / 0.5)  # energy of the tail behind the cut (derived)
    before, after = (measure_decay(tail + echoes({0: 1.0, cut_ms + ms: 1.0}), RATE_HZ).bands for ms in (-0.1, 0.1))
    for inside, outside in zip(before, after, strict=True):
        assert inside.ratios[name].value == pytest.approx(10 * np.log10((2.09 - left) / left), abs=2.0)
        assert outside.ratios[name].value == pytest.approx(10 * np.log10((1.09 - left) / (1 + left)), abs=0.9)


def test_they_count_from_the_arrival_and_not_from_the_click() -> None:
    sound = noise_carried(one(0.8), RATE_HZ, 1.5, 1)
    near = measure_decay(sound, RATE_HZ)
    far = measure_decay(np.concatenate([np.zeros(RATE_HZ // 4), sound]), RATE_HZ)
    assert near.arrival_s is not None
    assert far.arrival_s == pytest.approx(near.arrival_s + 0.25, abs=1e-9)
    for close, late in zip(bands(near), bands(far), strict=True):
        assert values(late) == pytest.approx(values(close), abs=0.05)


def test_what_is_20_db_below_the_peak_is_not_yet_the_arrival() -> None:
    """ISO 3382-1, A.3.4 (from memory). Crosstalk of the click is ignored, or is the arrival where it is loud."""
    faint, loud = (echoes({0: level, 100: 1.0, 170: 0.5}) for level in (0.09, 0.11))
    assert measure_decay(faint, RATE_HZ).arrival_s == pytest.approx(0.1)
    assert measure_decay(loud, RATE_HZ).arrival_s == pytest.approx(0.0)
    late_db = 10 * np.log10(1 / 0.25)  # the echo 70 ms after the arrival
    assert measure_decay(faint, RATE_HZ).bands[3].ratios["c50_db"].value == pytest.approx(late_db, abs=0.05)
    early_db = 10 * np.log10(0.11**2 / 1.25)
    assert measure_decay(loud, RATE_HZ).bands[3].ratios["c50_db"].value == pytest.approx(early_db, abs=0.05)


def test_of_a_spring_c50_tells_the_first_pass_from_all_that_follow() -> None:
    """Passes 60 ms apart, each 0.8 of the one before (derived): E = 1 : 0.64/(1 − 0.64)."""
    sound = echoes({30 + 60 * number: 0.8**number * (-1) ** number for number in range(80)}, 5.0)
    for band in measure_decay(sound, RATE_HZ).bands:
        assert band.ratios["c50_db"].value == pytest.approx(10 * np.log10(0.36 / 0.64), abs=0.05)
        assert band.ratios["ts_ms"].value == pytest.approx(60 * 0.64 / 0.36, abs=0.6)  # Σ n q^n / Σ q^n = q/(1 − q)


def test_what_comes_long_before_the_arrival_counts_to_neither_side() -> None:
    quiet_rise = 0.02 * np.random.default_rng(3).standard_normal(RATE_HZ // 2)  # more than 20 dB below the peak
    after = noise_carried(one(0.5), RATE_HZ, 1.0, 4)
    after[0] = 1.5 * np.abs(after).max()
    alone, behind = measure_decay(after, RATE_HZ), measure_decay(np.concatenate([quiet_rise, after]), RATE_HZ)
    for clean, risen in zip(alone.bands[1:], behind.bands[1:], strict=True):
        for name in NAMES:
            assert risen.ratios[name].value == pytest.approx(clean.ratios[name].value, abs=0.4 * JUST_NOTICEABLE[name])


@pytest.mark.parametrize(("range_db", "share_of_noticeable"), [(25, 0.5), (40, 0.1), (60, 0.01)])
def test_noise_moves_them_within_their_uncertainty(range_db: float, share_of_noticeable: float) -> None:
    told = held = 0
    for seed in range(12):
        sound = noise_carried(one(1.0), 24000, 3.0, seed)
        power = one(1.0).power(np.zeros(1))[0] * 10 ** (-range_db / 10)
        noise = np.sqrt(power) * np.random.default_rng(100 + seed).standard_normal(sound.size)
        for clean, noisy in zip(
            measure_decay(sound, 24000).bands[2:], measure_decay(sound + noise, 24000).bands[2:], strict=True
        ):
            for name in NAMES:
                truth, found = clean.ratios[name], noisy.ratios[name]
                assert found.value is not None, found.why_not
                assert found.uncertainty is not None
                assert found.value == pytest.approx(truth.value, abs=share_of_noticeable * JUST_NOTICEABLE[name])
                told += 1
                held += abs(found.value - truth.value) <= found.uncertainty
    assert held / told > 0.9, held / told


def test_what_cannot_be_told_is_not_told() -> None:
    late = np.concatenate([np.zeros(RATE_HZ // 8), noise_carried(one(0.03), RATE_HZ, 0.07, 1)])
    short = measure_decay(late, RATE_HZ).whole.ratios
    assert "the record ends 80 ms after the arrival or before" in short["c80_db"].why_not
    click = measure_decay(echoes({0: 1.0}), RATE_HZ).whole.ratios
    assert "nothing to be told of what comes 50 ms after" in click["c50_db"].why_not
    for sound in (np.zeros(RATE_HZ), np.zeros(0), np.random.default_rng(1).standard_normal(RATE_HZ)):
        for band in bands(measure_decay(sound, RATE_HZ)):
            for figure in band.ratios.values():
                assert figure.value is None
                assert figure.why_not
    assert measure_decay(np.zeros(RATE_HZ), RATE_HZ).arrival_s is None
    assert len(MID_BANDS_HZ) == len(measure_decay(np.zeros(RATE_HZ), RATE_HZ).bands)


def test_gain_and_clipping() -> None:
    """Levels change none of them; clipping the loudest 3 dB moves C80 as much as the energy it took."""
    sound = noise_carried(one(1.0), RATE_HZ, 2.0, 9)
    clear, soft = (measure_decay(gain * sound, RATE_HZ) for gain in (1.0, 1e-4))
    for one_band, other in zip(bands(clear), bands(soft), strict=True):
        assert values(other) == pytest.approx(values(one_band), rel=1e-6)
    clipped = measure_decay(np.clip(sound, -0.7 * np.abs(sound).max(), 0.7 * np.abs(sound).max()), RATE_HZ)
    c80 = clipped.whole.ratios["c80_db"].value
    assert c80 == pytest.approx(clear.whole.ratios["c80_db"].value, abs=0.2)
