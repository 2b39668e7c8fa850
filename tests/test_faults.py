"""Injected faults against closed forms: a fault of size x moves its quantity by x, measured by other means."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from algorithm_truth import Algorithm, respond
from reverdict.faults import Catalogue, Fault, catalogue, sound, springs, tail
from reverdict.fit import TankFit, fit_tank
from reverdict.measure.measurement import Measurement, measure
from reverdict.words import PATHS, Response

RATE_HZ = 48000
TIME_S = np.arange(24000) / RATE_HZ
SPRINGS = (
    Algorithm(1040, 100, 0.62, 5, -0.85, 4500, edge_hz=4050),
    Algorithm(1456.3, 90, 0.57, 5.6, -0.8, 4000, edge_hz=3600, level_db=-2.0),
)


def pulse(at_s: NDArray[np.float64] | float = 0.2, stretch: float = 1.0) -> NDArray[np.float64]:
    """A short tone of 1 kHz in a bell, shape (1, samples); times of it stretched."""
    time_s = TIME_S / stretch
    return (np.exp(-(((time_s - at_s) / 0.002) ** 2)) * np.cos(2 * np.pi * 1000 * (time_s - at_s)))[np.newaxis]


def noise(seconds: float = 0.5, paths: int = 1) -> NDArray[np.float64]:
    return np.random.default_rng(7).standard_normal((paths, round(seconds * RATE_HZ)))


# Any sound


@pytest.mark.parametrize("samples", [0.01, 0.37, 5.0, 300.5])
def test_latency_is_exact_to_a_fraction_of_a_sample(samples: float) -> None:
    assert np.allclose(sound.late(pulse(), samples), pulse(0.2 + samples / RATE_HZ), atol=1e-9)


@pytest.mark.parametrize("ppm", [-85000.0, -100.0, 3.0, 20000.0])
def test_all_times_are_scaled(ppm: float) -> None:
    by = 1e-6 * ppm
    assert np.allclose(sound.stretched(pulse(), by), pulse(stretch=1 + by), atol=1e-9)


def test_what_a_faster_clock_puts_above_half_the_rate_is_lost_and_not_folded_back() -> None:
    high = np.cos(2 * np.pi * 23900 * TIME_S)[np.newaxis] * np.hanning(TIME_S.size)
    assert sound.peak(sound.stretched(high, -0.02)) < 1e-4


def test_a_tilt_is_that_many_db_per_octave_and_turns_no_phase() -> None:
    click = np.zeros((1, 24000))
    click[0, 12000] = 1.0
    spectrum = np.fft.rfft(sound.tilted(click, RATE_HZ, 0.7)[0]) * np.exp(2j * np.pi * np.arange(12001) * 0.5)
    at = {hz: spectrum[hz // 2] for hz in (250, 1000, 8000)}
    assert 20 * np.log10(abs(at[8000] / at[1000])) == pytest.approx(2.1, abs=0.01)
    assert 20 * np.log10(abs(at[250] / at[1000])) == pytest.approx(-1.4, abs=0.01)
    assert abs(at[1000]) == pytest.approx(1.0, abs=1e-3)
    assert max(abs(np.angle(value)) for value in at.values()) < 1e-3


def test_levels_are_what_they_say() -> None:
    own = noise(paths=2)
    peak = np.abs(own).max()
    assert np.allclose(sound.louder(own, 3.0) / own, 10**0.15)
    hum = sound.hummed(own, RATE_HZ, -40.0, 50.0) - own
    assert np.abs(hum).max() == pytest.approx(0.01 * peak)
    lines = np.abs(np.fft.rfft(hum[0]))[[25, 50, 75, 100, 125]]  # 2 Hz a bin
    assert np.allclose(lines / lines[0], [1, 1 / 2, 1 / 3, 1 / 4, 1 / 5], atol=1e-9)
    added = sound.noisy(own, -60.0) - own
    assert np.std(added) == pytest.approx(1e-3 * peak, rel=0.02)
    assert abs(np.corrcoef(added)[0, 1]) < 0.05
    assert np.array_equal(added, sound.noisy(own, -60.0) - own)
    assert np.allclose(sound.offset(own, -20.0) - own, 0.1 * peak)
    clicked = sound.clicked(own, 700, -6.0) - own
    assert np.flatnonzero(clicked[0]).tolist() == [700]
    assert clicked[1, 700] == pytest.approx(10**-0.3 * peak)


def test_crosstalk_leaks_within_each_input_only() -> None:
    own = noise(paths=4)
    leaked = (sound.crossed(own, -20.0) - own) / 0.1
    assert np.allclose(leaked, own[[1, 0, 3, 2]])
    assert np.array_equal(sound.swapped(own), own[[1, 0, 3, 2]])


def test_a_tail_is_cut_where_so_much_energy_is_left() -> None:
    decaying = np.exp(-TIME_S / 0.05)[np.newaxis]  # energy left at t: e^(-2t/0.05)
    silent_from = np.flatnonzero(sound.cut(decaying, -30.0)[0])[-1] + 1
    assert silent_from / RATE_HZ == pytest.approx(0.025 * np.log(1000), abs=2 / RATE_HZ)


def test_truncation_rounds_down_to_so_many_bits_of_what_was_played() -> None:
    own = 0.1 * noise()
    for level in (1.0, 0.5):
        kept = sound.truncated(own, 8, level) * level * 2**7
        assert np.allclose(kept, np.round(kept), atol=1e-9)
        error = (own * level * 2**7) - kept
        assert error.min() >= -1e-9
        assert error.max() < 1 + 1e-9


def test_samples_are_lost_at_the_ends_of_blocks_counted_from_the_first_rendered_one() -> None:
    ramp = np.arange(1.0, 41.0)[np.newaxis]
    block, lead = 16, 5  # blocks end before samples 11 and 27 of the response
    zeroed, repeated, dropped = (
        damage(ramp, 2, block, lead)[0] for damage in (sound.zeroed, sound.repeated, sound.dropped)
    )
    assert np.flatnonzero(zeroed == 0).tolist() == [9, 10, 25, 26]
    assert repeated[[9, 10, 25, 26]].tolist() == [8, 9, 24, 25]
    assert np.flatnonzero(repeated != ramp[0]).tolist() == [9, 10, 25, 26]
    assert dropped[:36].tolist() == [value for value in range(1, 41) if value - 1 not in (9, 10, 25, 26)]
    assert not dropped[36:].any()


# A dense tail


def test_part_of_a_tail_comes_late_and_the_rest_stays() -> None:
    both = pulse(0.02) + pulse(0.2)
    late = tail.late_from(both, RATE_HZ, 0.05, 0.5e-3)
    assert np.allclose(late, pulse(0.02) + pulse(0.2005), atol=1e-9)


@pytest.mark.parametrize("percent", [-20.0, 1.0, 50.0])
def test_each_path_decays_so_much_longer(percent: float) -> None:
    t60_s = (0.4, 0.7)
    own = np.array([10.0 ** (-3 * TIME_S / t60) for t60 in t60_s])
    changed = tail.decaying(own, RATE_HZ, t60_s, percent)
    slopes = np.diff(np.log10(changed), axis=1).mean(axis=1) * RATE_HZ
    assert np.allclose(-3 / slopes, np.array(t60_s) * (1 + percent / 100))


def test_modulation_reads_at_times_that_sway() -> None:
    tone = np.cos(2 * np.pi * 3000 * TIME_S)[np.newaxis]
    swaying = tail.modulated(tone, RATE_HZ, 1e-3, 1.0)
    truth = np.cos(2 * np.pi * 3000 * (TIME_S - 1e-3 * np.sin(2 * np.pi * TIME_S)))
    inside = slice(2000, -2000)
    assert np.abs(swaying[0] - truth)[inside].max() < 1e-4


# One spring: what is injected, against a response made anew with that number changed, by code of another kind.


@cache
def tank() -> tuple[Response, Measurement, TankFit]:
    golden = Response(respond(SPRINGS)[np.newaxis], RATE_HZ)
    measured = measure(golden)
    return golden, measured, fit_tank(golden.samples[0], RATE_HZ, 0.0, measured.paths[0].springs)


def known() -> Catalogue:
    golden, measured, fit = tank()
    return catalogue(golden, measured, (fit,), 512, 24000, 0.5)


def fault(name: str) -> Fault:
    return next(one for one in known().faults if one.name == name)


def longer(one: Algorithm, ms: float) -> Algorithm:
    return replace(one, line=one.line + 1e-3 * ms * RATE_HZ)


CHANGES = {
    "delay line": (longer, (0.01, -0.2, 3.0)),
    "allpass coefficient": (lambda one, p: replace(one, coefficient=one.coefficient * (1 + p / 100)), (0.1, -5.0)),
    "allpass sections": (lambda one, n: replace(one, sections=one.sections - round(n)), (1.0, 20.0)),
    "reflection": (lambda one, db: replace(one, reflection=one.reflection * 10 ** (db / 20)), (0.05, -0.5)),
    "lowpass": (lambda one, p: replace(one, lowpass_hz=one.lowpass_hz * (1 + p / 100)), (-10.0, 30.0)),
    "steep lowpass": (lambda one, p: replace(one, edge_hz=(one.edge_hz or 0) * (1 + p / 100)), (-10.0, 5.0)),
    "polarity": (lambda one, _: replace(one, polarity=-one.polarity), (1.0,)),
}


@pytest.mark.few(3)
@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize("what", CHANGES)
def test_a_spring_is_changed_as_if_the_algorithm_were(what: str, number: int) -> None:
    change, sizes = CHANGES[what]
    golden, *_ = tank()
    for size in sizes:
        anew = list(SPRINGS)
        anew[number - 1] = change(anew[number - 1], size)
        truth = respond(anew) - respond(SPRINGS)
        injected = fault(f"{what} of spring {number}").inject(golden, size)[0] - golden.samples[0]
        missed = np.sum((injected - truth) ** 2) / np.sum(truth**2)
        assert missed < 0.02**2, (what, size, missed)


def test_a_spring_heard_on_two_paths_is_changed_on_both() -> None:
    one, other = (respond([spring]) for spring in SPRINGS)
    golden = Response(np.array([one, 0.25 * one, 0.25 * other, other]), RATE_HZ, 0.0, PATHS["stereo-to-stereo"])
    fits = [fit_tank(row, RATE_HZ) for row in golden.samples]
    found = springs.springs_of([fit.model for fit in fits if fit.model], RATE_HZ)
    assert [spring.places for spring in found] == [((0, 0), (1, 0)), ((2, 0), (3, 0))]
    moved = springs.changed(golden, found[1], springs.later, 0.5)
    assert np.array_equal(moved[:2], golden.samples[:2])
    truth = respond([longer(SPRINGS[1], 0.5)])
    assert np.sum((moved[3] - truth) ** 2) < 1e-4 * np.sum(truth**2)
    assert np.allclose(moved[2], 0.25 * moved[3], atol=1e-3 * sound.peak(truth))


# Which faults there are


def test_a_golden_with_springs_gets_theirs_and_none_of_a_dense_tail() -> None:
    names = [one.name for one in known().faults]
    assert len(names) == len(set(names))
    assert {f"{what} of spring {number}" for what in CHANGES for number in (1, 2)} <= set(names)
    assert "decay time" not in names
    assert not known().not_injected


def test_a_dense_golden_gets_those_of_a_tail_and_is_told_why_no_other() -> None:
    dense = noise(paths=2) * 10.0 ** (-3 * TIME_S / 0.3)
    golden = Response(dense, RATE_HZ, 0.0, PATHS["mono-to-stereo"])
    found = catalogue(golden, measure(golden), 2 * [TankFit(None, why_none="too dense")], 512, 0, 1.0)
    names = {one.name for one in found.faults}
    assert {"decay time", "modulation", "part of the tail late", "crosstalk", "channels"} <= names
    assert [one.reason for one in found.not_injected] == ["left: too dense"]


def test_what_no_model_explains_is_not_injected() -> None:
    golden, measured, fit = tank()
    found = catalogue(golden, measured, (replace(fit, residual_db=-20.0),), 512, 0, 1.0)
    assert "−20 dB" in found.not_injected[0].reason
    assert not any("of spring" in one.name for one in found.faults)


def test_every_fault_changes_the_sound_from_its_mildest_size_on_and_keeps_it_finite() -> None:
    golden, *_ = tank()
    for one in known().faults:
        for size in (one.mild, one.grave):
            for sign in one.signs:
                changed = one.injected(golden, sign * size)
                assert changed.samples.shape == golden.samples.shape, one.name
                assert np.isfinite(changed.samples).all(), one.name
                # The tail of this one is not cut before it has ended.
                assert one.name == "tail cut" or not np.array_equal(changed.samples, golden.samples), one.name
