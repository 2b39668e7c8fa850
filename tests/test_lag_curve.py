"""Lag over time against closed forms: delays, stretches, steps, noise, a network with one line moved.

"derived" is computed from the formula beside it. Each long proof prints a table (``-s``), which tests/README.md shows.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import fft

from dense_truth import LINES, NETWORK_HZ, hall, modes, moved_network, network, true_shares
from reverdict.measure.lag_curve import LagCurve, LagMeasurement, lag_curves, lag_curves_of_renders
from reverdict.measure.lag_fit import LagFit

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

RATE_HZ = 48000


@cache
def golden() -> NDArray[np.float64]:
    return hall(RATE_HZ, 2.0)


def shifted(sound: NDArray[np.float64], samples: float) -> NDArray[np.float64]:
    """Delay by a fraction of a sample, exactly, as a turn of phase."""
    size = fft.next_fast_len(2 * sound.size, real=True)
    spectrum = fft.rfft(sound, size)
    turn = np.exp(-2j * np.pi * np.arange(spectrum.size) / size * samples)
    return np.asarray(fft.irfft(spectrum * turn, size)[: sound.size])


def noise(size: int, level_db: float, seed: int) -> NDArray[np.float64]:
    return 10 ** (level_db / 20) * np.random.default_rng(seed).standard_normal(size)


def fit_of(curve: LagCurve) -> LagFit:
    assert curve.fit is not None
    return curve.fit


def drift_of(curve: LagCurve) -> tuple[float, float]:
    """Drift and its uncertainty, ppm."""
    fit = fit_of(curve)
    assert fit.drift_ppm is not None
    assert fit.drift_uncertainty_ppm is not None
    return fit.drift_ppm, fit.drift_uncertainty_ppm


def curves_of(told: LagMeasurement) -> tuple[LagCurve, ...]:
    return (told.whole, *told.bands)


# Nothing for nothing


def test_a_golden_beside_itself_lags_by_exactly_nothing() -> None:
    told = lag_curves(golden(), golden().copy(), RATE_HZ)
    assert len(told.bands) == 7
    for curve in curves_of(told):
        assert curve.told.sum() > 0.9 * curve.told.size
        assert not curve.lag_s.any()
        assert curve.uncertainty_s.max() < 1e-15
        fit = fit_of(curve)
        assert (fit.offset_s, fit.drift_ppm, fit.steps) == (0, 0, ())
        assert curve.agrees_until_s is None
    assert (told.polarity, told.time_scale, told.shares) == (1, None, ())


@pytest.mark.parametrize(("change", "polarity"), [(0.3, 1), (1e-4, 1), (-1.0, -1), (-5.0, -1)])
def test_gain_and_polarity_are_no_lag(change: float, polarity: int) -> None:
    told = lag_curves(golden(), change * golden(), RATE_HZ)
    assert told.polarity == polarity
    assert np.abs(told.whole.lag_s).max() < 1e-12
    assert told.whole.coherence[told.whole.told].min() > 0.999999


@pytest.mark.parametrize(("level_db", "most_ns"), [(-85, 100), (-120, 2), (-150, 0.1)])
def test_a_benign_rebuild_is_in_place(level_db: float, most_ns: float) -> None:
    """Errors that decay with the sound, as rebuilds have them ("Benign rebuilds", CHECKVALUES; measured)."""
    fading = np.exp(-3 * np.log(10) * np.arange(golden().size) / RATE_HZ / 1.5)
    rebuild = golden() + noise(golden().size, level_db, seed=4) * fading * np.abs(golden()).max()
    told = lag_curves(golden(), rebuild, RATE_HZ)
    assert 1e9 * abs(fit_of(told.whole).offset_s) < most_ns
    assert abs(drift_of(told.whole)[0]) < 1e-3 * most_ns
    assert all(fit_of(curve).steps == () for curve in curves_of(told))
    assert all(curve.agrees_until_s is None for curve in curves_of(told))


def test_no_step_is_invented_in_noise() -> None:
    for seed in range(6):
        sound = hall(RATE_HZ, 1.0, seed=seed)
        told = lag_curves(sound, sound + noise(sound.size, -40, seed=50 + seed), RATE_HZ)
        assert all(curve.fit is None or curve.fit.steps == () for curve in curves_of(told))


# Delays


@pytest.mark.parametrize("samples", [1, 0.37, -3, 960, -960, 4500])
def test_a_delay_is_told_to_a_fraction_of_a_sample(samples: float) -> None:
    """±20 ms and the largest latency of public builds, 4500 samples (CHECKVALUES, "Latency"; measured)."""
    early = shifted(golden(), max(-samples, 0))
    told = lag_curves(early, shifted(golden(), max(samples, 0)), RATE_HZ)
    fit = fit_of(told.whole)
    assert 1e6 * fit.offset_s == pytest.approx(1e6 * samples / RATE_HZ, abs=0.02)
    assert abs(drift_of(told.whole)[0]) < 0.02
    assert fit.steps == ()
    for curve in told.bands:
        assert 1e6 * fit_of(curve).offset_s == pytest.approx(1e6 * samples / RATE_HZ, abs=0.5)


def test_what_filters_ring_in_a_predelay_is_no_lag() -> None:
    """A network whose lines are 39 ms and longer: silence, single echoes, then ever more of them."""
    draw = np.random.default_rng(1)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    echoes = draw.random(time_s.size) < 0.2 * np.minimum(1.0, (time_s / 0.3) ** 2)
    sound = np.where(echoes, 0.1 * draw.choice([-1.0, 1.0], time_s.size), 0.0)
    sound[:1877] = 0.0
    sound[[1877, 2053, 2221, 2389, 2557, 2713, 2887, 3061]] = 0.13
    sound *= 10 ** (-3 * time_s / 1.5)
    for samples in (-37, 5, 200):
        told = lag_curves(sound, np.roll(sound, samples), RATE_HZ)
        assert np.abs(told.whole.lag_s * RATE_HZ - samples).max() < 0.01


@pytest.mark.parametrize("rate_hz", [8000, 11025, 22050, 44100, 96000, 192000])
def test_every_rate_tells_latency_and_drift(rate_hz: int) -> None:
    told = lag_curves(
        modes(rate_hz, 1.0, count=100), modes(rate_hz, 1.0, count=100, stretch=1 + 50e-6, late_s=0.0031), rate_hz
    )
    fit = fit_of(told.whole)
    assert 1e6 * fit.offset_s == pytest.approx(3100, abs=0.1)
    assert fit.drift_ppm == pytest.approx(50, abs=0.2)


@pytest.mark.parametrize("seconds", [0.01, 0.02, 0.1, 0.3, 60.0])
def test_short_and_long_records(seconds: float) -> None:
    sound = hall(RATE_HZ, seconds, decay_s=max(seconds / 2, 1.0))
    told = lag_curves(sound, shifted(sound, 5.37), RATE_HZ)
    fit = fit_of(told.whole)
    assert abs(fit.offset_s - 5.37 / RATE_HZ) < min(fit.offset_uncertainty_s, 2e-6)


def test_clipping_moves_nothing() -> None:
    peak = np.abs(golden()).max()
    told = lag_curves(golden(), np.clip(golden(), -0.3 * peak, 0.3 * peak), RATE_HZ)
    assert 1e9 * abs(fit_of(told.whole).offset_s) < 20


def test_a_comb_of_like_echoes_is_not_mistaken_for_its_neighbour() -> None:
    """Every 20.8 ms the same: a correlation with peaks as high everywhere."""
    comb = np.zeros(2 * RATE_HZ)
    comb[::1000] = 0.7 ** np.arange(96)
    assert 1e6 * fit_of(lag_curves(comb, shifted(comb, 5), RATE_HZ).whole).offset_s == pytest.approx(104.1667, abs=0.01)


# Drift and mistaken rates


@pytest.mark.few(3)
@pytest.mark.parametrize("ppm", [1, 50, -50, 500, 2000, -2000])
def test_a_stretch_is_drift(ppm: float) -> None:
    told = lag_curves(modes(RATE_HZ, 1.5), modes(RATE_HZ, 1.5, stretch=1 + 1e-6 * ppm), RATE_HZ)
    for curve in curves_of(told):
        drift_ppm, unsure_ppm = drift_of(curve)
        assert abs(drift_ppm - ppm) < max(1.1 * unsure_ppm, 0.01)
        assert fit_of(curve).steps == ()
    assert drift_of(told.whole)[0] == pytest.approx(ppm, abs=0.01 + 5e-4 * abs(ppm))
    assert told.whole.agrees_until_s is None
    assert told.shares == ()


def test_drift_and_latency_together() -> None:
    late = modes(RATE_HZ, 1.5, stretch=1.002, late_s=0.02)
    fit = fit_of(lag_curves(modes(RATE_HZ, 1.5), late, RATE_HZ).whole)
    assert 1e6 * fit.offset_s == pytest.approx(20000, abs=1)
    assert fit.drift_ppm == pytest.approx(2000, abs=1)


@pytest.mark.parametrize("scale", [48 / 44.1, 44.1 / 48, 2.0, 0.5])
def test_a_mistaken_rate_is_recognised(scale: float) -> None:
    told = lag_curves(modes(RATE_HZ, 1.5), modes(RATE_HZ, 1.5, stretch=scale, late_s=0.004), RATE_HZ)
    assert told.time_scale == pytest.approx(scale, rel=1e-12)
    assert told.shares == ()


def test_another_sound_is_not_the_golden_at_another_rate() -> None:
    told = lag_curves(golden(), hall(RATE_HZ, 2.0, seed=9), RATE_HZ)
    assert told.time_scale is None
    assert told.whole.fit is None
    assert told.whole.agrees_until_s == 0
    assert not told.whole.told.any()
    assert "coherence" in told.whole.why_not[2]


# Steps


@pytest.mark.parametrize(("samples", "at_s"), [(5, 0.3), (-2, 0.5), (1, 0.8), (200, 0.3)])
def test_a_step_is_told_with_time_and_size(samples: int, at_s: float) -> None:
    """Of the whole up to 4 ms; a band tells steps of up to a period and a half."""
    before = np.arange(golden().size) < round(at_s * RATE_HZ)
    moved = np.where(before, golden(), np.roll(golden(), samples))
    told = lag_curves(golden(), moved, RATE_HZ)
    fit = fit_of(told.whole)
    assert 1e6 * fit.offset_s == pytest.approx(0, abs=0.01)
    assert abs(drift_of(told.whole)[0]) < 0.01
    (step,) = fit.steps
    assert step.time_s == pytest.approx(at_s, abs=2 * step.time_uncertainty_s)
    assert 1e6 * step.size_s == pytest.approx(1e6 * samples / RATE_HZ, abs=0.01)


def test_two_steps_beside_a_drift() -> None:
    """Both are told, and the drift between them is not taken for a third."""
    sound, drifting = modes(RATE_HZ, 1.5), modes(RATE_HZ, 1.5, stretch=1 + 20e-6)
    first, second = round(0.4 * RATE_HZ), round(0.9 * RATE_HZ)
    moved = np.concatenate([drifting[:first], drifting[first - 3 : second - 3], drifting[second + 4 :], np.zeros(4)])
    fit = fit_of(lag_curves(sound, moved, RATE_HZ).whole)
    assert [round(step.size_s * RATE_HZ, 2) for step in fit.steps] == [3.0, -7.0]
    assert fit.drift_ppm == pytest.approx(20, abs=0.1)


# One delay line of a network moved


@pytest.mark.parametrize("samples", [5, 10, 25, 50])
def test_a_moved_line_is_told_by_how_much_of_the_energy_is_how_late(samples: int) -> None:
    told = lag_curves(network(), moved_network(samples), NETWORK_HZ)
    assert told.whole.agrees_until_s is not None
    assert 0.1 < told.whole.agrees_until_s < 0.2
    assert fit_of(told.whole).steps == ()
    moved_s = samples / NETWORK_HZ
    for from_s, to_s in ((0.05, 0.1), (0.1, 0.2), (0.2, 0.4)):
        shares = [share for share in told.shares if share.from_s == from_s]
        assert len(shares) >= 2
        for share in shares:
            number = round(share.lag_s / moved_s)
            assert share.lag_s == pytest.approx(number * moved_s, abs=9e-6)
            assert share.share == pytest.approx(true_shares(from_s, to_s)[number], abs=share.uncertainty + 0.02)


@pytest.mark.parametrize("samples", [1, 2])
def test_a_line_moved_by_less_than_can_be_resolved_falls_behind_in_low_bands(samples: int) -> None:
    """Mean lag t·d/Σm (derived): d = 1 of Σm = 13 164 samples is 76 ppm; and high bands part first."""
    told = lag_curves(network(), moved_network(samples), NETWORK_HZ)
    (octave,) = (curve for curve in told.bands if curve.centre_hz == 500)
    fit = fit_of(octave)
    assert fit.drift_ppm == pytest.approx(1e6 * samples / sum(LINES), rel=0.25)
    partings = [curve.agrees_until_s or 9.0 for curve in told.bands if (curve.centre_hz or 0) >= 1000]
    assert all(later <= earlier for earlier, later in pairwise(partings))
    assert partings[-1] < 0.3


def test_the_same_network_agrees_to_its_end() -> None:
    told = lag_curves(network(), network(), NETWORK_HZ)
    assert told.shares == ()
    assert all(curve.agrees_until_s is None for curve in curves_of(told))


# What cannot be told


@pytest.mark.parametrize("which", ["golden", "candidate"])
def test_silence_is_said(which: str) -> None:
    silent = np.zeros_like(golden())
    told = lag_curves(silent, golden(), RATE_HZ) if which == "golden" else lag_curves(golden(), silent, RATE_HZ)
    assert told.why_not == f"the {which} is silent"
    assert told.whole.fit is None
    assert told.whole.lag_s.size == 0


@pytest.mark.parametrize("size", [0, 1, 31, 200])
def test_too_short_is_said(size: int) -> None:
    assert lag_curves(golden()[:size], golden()[:size], RATE_HZ).why_not


def test_what_lies_in_the_noise_is_called_so_and_parts_nowhere() -> None:
    noisy = golden() + noise(golden().size, -50, seed=1)
    told = lag_curves(golden() + noise(golden().size, -50, seed=2), noisy, RATE_HZ)
    assert told.whole.agrees_until_s is None
    assert told.whole.heard_until_s == pytest.approx(1.0, abs=0.2)
    late = [why for why, time_s in zip(told.whole.why_not, told.whole.time_s, strict=True) if 1.5 < time_s < 1.8]
    assert set(late) == {"no sound clear of the noise"}
    assert told.shares == ()


def test_a_curve_is_a_table_of_plain_values() -> None:
    table = lag_curves(golden(), shifted(golden(), 1), RATE_HZ).table(50)
    assert len(table["time_s"]) == len(table["lag_s"]) == len(table["uncertainty_s"]) == len(table["coherence"]) <= 50
    assert table["lag_s"][3] == pytest.approx(1 / RATE_HZ, abs=1e-8)
    assert table["lag_s"][-1] is None
    assert table["fit"]["steps"] == ()


# Modulated reverbs


def modulated(seed: int, late_s: float = 0.0) -> NDArray[np.float64]:
    """A hall whose clock sways by 20 µs, 0.7 times a second, from another phase each time."""
    phase = np.random.default_rng(seed).uniform(0, 2 * np.pi)
    size = golden().size
    time_s = np.arange(size) / RATE_HZ
    sway_s = 20e-6 * np.sin(2 * np.pi * 0.7 * time_s + phase) + late_s
    fine = fft.irfft(np.pad(fft.rfft(golden()), (0, 3 * size // 2)), 4 * size) * 4
    return np.interp((time_s - sway_s) * 4 * RATE_HZ, np.arange(4 * size), fine)


def test_the_same_renders_lag_by_nothing_within_their_own_spread() -> None:
    renders = [modulated(seed) for seed in range(4)]
    told = lag_curves_of_renders(renders, renders, RATE_HZ)
    assert not told.whole.lag_s.any()
    assert np.median(told.whole.uncertainty_s) > 10e-6
    assert fit_of(told.whole).offset_s == 0


def test_a_lag_beyond_the_spread_of_renders_is_told() -> None:
    told = lag_curves_of_renders(
        [modulated(seed) for seed in range(4)], [modulated(seed, 300e-6) for seed in range(10, 14)], RATE_HZ
    )
    fit = fit_of(told.whole)
    assert abs(fit.offset_s - 300e-6) < fit.offset_uncertainty_s < 150e-6
    inside = np.abs(told.whole.lag_s - 300e-6) <= told.whole.uncertainty_s
    assert inside.mean() > 0.9


def test_renders_come_in_equal_numbers() -> None:
    with pytest.raises(ValueError, match="two or more"):
        lag_curves_of_renders([golden()], [golden()], RATE_HZ)
    with pytest.raises(ValueError, match="as many"):
        lag_curves_of_renders([golden()] * 3, [golden()] * 2, RATE_HZ)


# Uncertainty


def covered(levels_db: tuple[float, ...], draws: int) -> dict[float, list[tuple[float | None, int, int]]]:
    """Per noise level and band how many of the windows hold the truth within U; both sounds have noise of their own."""
    counts: dict[float, list[tuple[float | None, int, int]]] = {level_db: [] for level_db in levels_db}
    for level_db in levels_db:
        for seed in range(draws):
            sound = hall(RATE_HZ, 1.5, decay_s=1.0, seed=seed, highest_hz=20000)
            late_s = np.random.default_rng(seed).uniform(0, 10) / RATE_HZ
            one = sound + noise(sound.size, level_db, seed=1000 + seed)
            other = shifted(sound, late_s * RATE_HZ) + noise(sound.size, level_db, seed=5000 + seed)
            for curve in curves_of(lag_curves(one, other, RATE_HZ)):
                held = np.abs(curve.lag_s - late_s) <= curve.uncertainty_s
                counts[level_db].append((curve.centre_hz, int(held.sum()), held.size))
    return counts


def share_held(counts: list[tuple[float | None, int, int]]) -> float:
    return sum(held for _, held, _ in counts) / sum(size for _, _, size in counts)


def test_uncertainty_covers_nineteen_of_twenty() -> None:
    assert 0.92 < share_held(covered((-40.0,), draws=3)[-40.0]) < 0.985


@pytest.mark.slow
def test_uncertainty_covers_in_many_draws() -> None:
    counts = covered((-20.0, -40.0, -60.0, -80.0), draws=40)
    print("\n| noise | " + " | ".join("all" if hz is None else f"{hz:g} Hz" for hz, _, _ in counts[-60.0][:8]) + " |")
    for level_db, rows in counts.items():
        bands = dict.fromkeys(hz for hz, _, _ in rows)
        shares = {hz: share_held([row for row in rows if row[0] == hz]) for hz in bands}
        print(f"| {level_db:g} dB | " + " | ".join(f"{100 * share:.1f} %" for share in shares.values()) + " |")
        assert 0.92 < share_held(rows) < 0.985
        assert all(share > 0.88 for share in shares.values())


@pytest.mark.slow
def test_fits_cover_in_many_draws() -> None:
    """Offset and drift, and that no step is found where there is none."""
    held, steps = [], 0
    for level_db in (-40.0, -60.0):
        for seed in range(40):
            sound = hall(RATE_HZ, 1.5, decay_s=1.0, seed=seed, highest_hz=20000)
            other = sound + noise(sound.size, level_db, seed=5000 + seed)
            for curve in curves_of(lag_curves(sound, other, RATE_HZ)):
                if curve.time_s[curve.told].size < 12:
                    continue  # too few for a drift in the lowest octave
                fit, (drift_ppm, unsure_ppm) = fit_of(curve), drift_of(curve)
                held.append((abs(fit.offset_s) <= fit.offset_uncertainty_s, abs(drift_ppm) <= unsure_ppm))
                steps += len(fit.steps)
    offset, drift = 100 * np.mean(held, axis=0)
    print(f"\noffset {offset:.1f} %, drift {drift:.1f} % of {len(held)} curves, {steps} steps")
    assert min(offset, drift) > 92
    assert steps == 0


@pytest.mark.slow
def test_errors_table() -> None:
    """The table of tests/README.md."""
    cases: dict[str, tuple[float, float, Callable[[], NDArray[np.float64]]]] = {
        "0.37 sample": (1e6 * 0.37 / RATE_HZ, 0, lambda: shifted(modes(RATE_HZ, 1.5), 0.37)),
        "20 ms": (20000, 0, lambda: modes(RATE_HZ, 1.5, late_s=0.02)),
        "50 ppm": (0, 50, lambda: modes(RATE_HZ, 1.5, stretch=1 + 50e-6)),
        "20 ms and 2000 ppm": (20000, 2000, lambda: modes(RATE_HZ, 1.5, stretch=1.002, late_s=0.02)),
    }
    sound = modes(RATE_HZ, 1.5)
    scale = np.abs(sound).max()
    for name, (late_us, ppm, candidate) in cases.items():
        told = []
        for level_db in (None, -80, -60, -40):
            moved = candidate()
            if level_db is not None:
                moved = moved + scale * noise(moved.size, level_db, seed=8)
            curve = lag_curves(sound, moved, RATE_HZ).whole
            fit, (drift_ppm, unsure_ppm) = fit_of(curve), drift_of(curve)
            told.append(
                f"{1e6 * fit.offset_s - late_us:+.3f} ± {1e6 * fit.offset_uncertainty_s:.3f}, "
                f"{drift_ppm - ppm:+.3f} ± {unsure_ppm:.3f}"
            )
            assert abs(1e6 * fit.offset_s - late_us) < 1.5 * max(1e6 * fit.offset_uncertainty_s, 0.01)
        print(f"| {name} | " + " | ".join(told) + " |")
    for samples in (1, 2, 5, 10, 50):
        measured = lag_curves(network(), moved_network(samples), NETWORK_HZ)
        inside = [share for share in measured.shares if share.from_s == 0.1]
        told = [
            f"{1e6 * share.lag_s:.0f} µs {100 * share.share:.0f} ± {100 * share.uncertainty:.0f} %" for share in inside
        ]
        true = [
            f"{1e6 * n * samples / NETWORK_HZ:.0f} µs {100 * part:.0f} %"
            for n, part in enumerate(true_shares(0.1, 0.2)[:3])
        ]
        agrees = f"{1e3 * (measured.whole.agrees_until_s or 0):.0f} ms"
        print(f"| {samples} | {agrees} | {', '.join(true)} | {', '.join(told)} |")
