"""What must hold of every estimator and of judging, whatever the sound: drawn by hypothesis.

Shift, scale, polarity, resampling, padding and silence behind change what they should and nothing else. The short form
draws a few sounds, always the same; the long one many.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from reverdict import judging
from reverdict.measure.click import find_sharp_onset
from reverdict.measure.colour import measure_colour
from reverdict.measure.decay import DecayMeasurement, measure_decay
from reverdict.measure.echo_density import echo_density
from reverdict.measure.lag import onset_lag
from reverdict.measure.manners import balance_db, peak_db
from reverdict.measure.measurement import measure
from reverdict.measure.resampling import at_rate
from reverdict.measure.stray import stray_sound
from reverdict.words import PATHS, Outcome, Response

RATE_HZ = 16000
Samples = NDArray[Any]


def drawn(few: int, many: int | None = None) -> Callable[[Any], Any]:
    """A property in two forms: a few cases (none: 0), always the same; and ``many`` (a hundred times), marked slow."""

    def with_forms(test: Any) -> Any:
        long = pytest.param(many or 100 * few, id="long", marks=pytest.mark.slow)
        forms = [*([pytest.param(few, id="short")] if few else []), long]

        @pytest.mark.parametrize("examples", forms)
        def in_both(examples: int) -> None:
            quiet = list(HealthCheck)
            settings(
                max_examples=examples, derandomize=True, deadline=None, database=None, suppress_health_check=quiet
            )(test)()

        in_both.__name__ = in_both.__qualname__ = test.__name__
        in_both.__doc__ = test.__doc__
        return in_both

    return with_forms


@st.composite
def decays(draw: Any) -> Samples:
    """Noise that dies away by 60 dB in 0.2 to 0.6 s, in 1 s, with a click first; shape (samples,)."""
    t60_s, seed = draw(st.floats(0.2, 0.6)), draw(st.integers(0, 2**32 - 1))
    time_s = np.arange(RATE_HZ) / RATE_HZ
    sound = 0.1 * np.random.default_rng(seed).standard_normal(RATE_HZ) * 10 ** (-3 * time_s / t60_s)
    sound[0] = 1.0
    return sound


gains = st.floats(-40, 20).map(lambda db: 10 ** (db / 20))
shifts = st.integers(1, 4000)


def figures(measured: DecayMeasurement) -> list[float | None]:
    """Decay times and ratios of all bands, in their order."""
    bands = (measured.whole, *measured.bands)
    times = [time.seconds for band in bands for time in band.times.values()]
    return times + [one.value for band in bands for one in band.ratios.values()]


def same(some: list[float | None], others: list[float | None], within: float) -> bool:
    """Whether both know the same, and tell the same within a share of it (or of 1)."""
    return [one is None for one in some] == [one is None for one in others] and all(
        abs(one - other) <= within * max(abs(one), 1.0)
        for one, other in zip(some, others, strict=True)
        if one is not None and other is not None
    )


@drawn(2)
@given(decays(), gains, st.sampled_from([-1, 1]))
def test_decay_knows_no_level_and_no_polarity(sound: Samples, gain: float, polarity: int) -> None:
    plain, scaled = measure_decay(sound, RATE_HZ), measure_decay(polarity * gain * sound, RATE_HZ)
    assert same(figures(plain), figures(scaled), 1e-6)
    assert plain.whole.level_db is not None
    assert scaled.whole.level_db == pytest.approx(plain.whole.level_db + 20 * np.log10(gain), abs=1e-6)


@drawn(2)
@given(decays(), shifts)
def test_decay_counts_from_the_click(sound: Samples, shift: int) -> None:
    later = np.pad(sound, (shift, 0))
    assert same(figures(measure_decay(sound, RATE_HZ)), figures(measure_decay(later, RATE_HZ, shift / RATE_HZ)), 1e-9)


@drawn(4)
@given(decays(), gains, st.sampled_from([-1, 1]))
def test_echo_density_knows_no_level(sound: Samples, gain: float, polarity: int) -> None:
    one, other = (echo_density(row, RATE_HZ, 0.0, 0.4) for row in (sound, polarity * gain * sound))
    assert np.allclose(one.density, other.density, atol=1e-9)
    assert one.mixing_s == other.mixing_s


@drawn(6)
@given(decays(), st.integers(0, 30), gains, st.sampled_from([-1, 1]))
def test_a_shift_is_the_lag_of_the_onset(sound: Samples, shift: int, gain: float, polarity: int) -> None:
    lag = onset_lag(sound, polarity * gain * np.pad(sound, (shift, 0)), RATE_HZ)
    assert lag.seconds == pytest.approx(shift / RATE_HZ, abs=1e-6)


@drawn(6)
@given(decays(), gains)
def test_nothing_strays_beside_itself(sound: Samples, gain: float) -> None:
    stray = stray_sound(gain * sound, gain * sound, RATE_HZ)
    assert stray is not None
    assert stray.excess_db <= 1e-9
    assert stray_sound(0 * sound, sound, RATE_HZ) is None


@drawn(3)
@given(decays(), gains, st.sampled_from([-1, 1]))
def test_colour_knows_no_level(sound: Samples, gain: float, polarity: int) -> None:
    one, other = (measure_colour(row, RATE_HZ) for row in (sound, polarity * gain * sound))
    assert (one.why_not == "") == (other.why_not == "")


@drawn(6)
@given(decays(), shifts, gains)
def test_an_onset_moves_with_its_sound(sound: Samples, shift: int, gain: float) -> None:
    one, other = find_sharp_onset(sound, RATE_HZ), find_sharp_onset(gain * np.pad(sound, (shift, 0)), RATE_HZ)
    assert (one is None) or other == pytest.approx(one + shift / RATE_HZ, abs=1 / RATE_HZ)


@drawn(0, many=3)  # a search for springs takes seconds
@given(decays(), decays(), gains)
def test_paths_are_measured_each_by_itself(left: Samples, right: Samples, gain: float) -> None:
    """Springs, flatness, colour and decay of a channel do not know which place it has."""
    names = PATHS["mono-to-stereo"]
    both = Response(np.stack([left, gain * right])[:, : RATE_HZ // 4], RATE_HZ, 0.0, names)
    turned = Response(both.samples[::-1].copy(), RATE_HZ, 0.0, names)
    one, other = measure(both).paths, measure(turned).paths
    for path, same_sound in zip(one, reversed(other), strict=True):
        assert same(figures(path.decay), figures(same_sound.decay), 1e-9)
        assert path.springs.why_none == same_sound.springs.why_none
        assert len(path.springs.springs) == len(same_sound.springs.springs)
        assert path.flatness == same_sound.flatness
        assert path.colour.why_not == same_sound.colour.why_not
    assert balance_db(both.samples) == pytest.approx(-(balance_db(turned.samples) or 0.0), abs=1e-9)


@drawn(2)
@given(decays(), st.sampled_from([24000, 32000, 48000]))
def test_there_and_back_again_at_another_rate(sound: Samples, rate_hz: int) -> None:
    sound = np.pad(sound, (RATE_HZ // 10, 0))  # what rings before the click is not cut off
    there = at_rate(Response(sound[np.newaxis], RATE_HZ, 0.0), rate_hz)
    assert there.samples.shape[1] == sound.size * rate_hz // RATE_HZ
    back = at_rate(there, RATE_HZ).samples[0]
    low = np.fft.rfft(np.pad(back, (0, sound.size - back.size)) - sound)[: RATE_HZ // 4]
    assert np.linalg.norm(low) < 1e-2 * np.linalg.norm(np.fft.rfft(sound)[: RATE_HZ // 4])


@drawn(6)
@given(decays(), shifts, gains)
def test_silence_behind_changes_no_peak(sound: Samples, shift: int, gain: float) -> None:
    padded = np.pad(gain * sound, (0, shift))[np.newaxis]
    assert peak_db(padded) == pytest.approx(peak_db(sound[np.newaxis]) + 20 * np.log10(gain), abs=1e-9)


# Judging.

numbers = st.floats(-1e6, 1e6)
amounts = st.floats(0, 1e6)


def judged(deviation: float | None, uncertainty: float | None, tolerance: float, **more: Any) -> Any:
    return judging.judge_deviation("arrival", "", "ms", 0.0, deviation, deviation, uncertainty, tolerance, **more)


@drawn(60)
@given(numbers, amounts, amounts)
def test_judging_knows_no_sign_and_no_unit(deviation: float, uncertainty: float, tolerance: float) -> None:
    found = judged(deviation, uncertainty, tolerance).outcome
    assert judged(-deviation, uncertainty, tolerance).outcome is found
    assert judged(4 * deviation, 4 * uncertainty, 4 * tolerance).outcome is found


@drawn(60)
@given(numbers, amounts, amounts, amounts)
def test_a_wider_tolerance_never_fails_what_passed(
    deviation: float, uncertainty: float, tolerance: float, wider: float
) -> None:
    if judged(deviation, uncertainty, tolerance).outcome is Outcome.PASS:
        assert judged(deviation, uncertainty, tolerance + wider).outcome is Outcome.PASS
        assert abs(deviation) <= tolerance


@drawn(30)
@given(st.sampled_from([None, float("nan"), float("inf")]), amounts, amounts)
def test_what_is_not_known_never_passes(deviation: float | None, uncertainty: float, tolerance: float) -> None:
    assert judged(deviation, uncertainty, tolerance).outcome is not Outcome.PASS
    assert judged(0.0, deviation, tolerance).outcome is not Outcome.PASS


@drawn(30)
@given(st.lists(st.tuples(numbers, amounts, amounts), min_size=1, max_size=6), st.randoms(use_true_random=False))
def test_the_order_of_findings_changes_no_outcome(several: list[tuple[float, float, float]], chance: Any) -> None:
    findings = [judged(*one) for one in several]
    turned = findings.copy()
    chance.shuffle(turned)
    one, other = judging.close("echo-timing", findings), judging.close("echo-timing", turned)
    assert (one.outcome, one.closes_gate) == (other.outcome, other.closes_gate)
    worse = judging.close("echo-timing", [*findings, replace(findings[0], outcome=Outcome.FAIL)])
    assert worse.outcome is Outcome.FAIL
