"""A response at another rate: nothing is moved in time, and what stays is the spectrum."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from reverdict.measure.resampling import KEPT, at_rate
from reverdict.words import Response

RATES_HZ = [(44100, 48000), (48000, 44100), (96000, 48000), (192000, 48000), (48000, 8000), (8000, 48000)]


def pulse(rate_hz: int, at_s: float, highest_hz: float, seconds: float = 0.2) -> NDArray[np.float64]:
    """A pulse with nothing above ``highest_hz``, in closed form: unit spectrum times a raised cosine, at any time.

    Samples of a digital filter of that spectrum: 1/rate times the value in continuous time.
    """
    t = np.arange(round(seconds * rate_hz)) / rate_hz - at_s
    x = 2 * highest_hz * t  # spectrum 1/2 + 1/2 cos(pi f / highest) below the highest: sinc(x) / (1 - x^2) in time
    with np.errstate(divide="ignore", invalid="ignore"):
        shape = np.where(np.abs(np.abs(x) - 1) < 1e-9, 0.5, np.sinc(x) / (1 - x**2))
    return highest_hz * shape / rate_hz


def lag_s(one: NDArray[np.float64], other: NDArray[np.float64], rate_hz: int, highest_hz: float) -> float:
    """Lag of two like pulses by the phase of their cross-spectrum."""
    cross = np.fft.rfft(other) * np.conj(np.fft.rfft(one))
    radians = 2 * np.pi * np.fft.rfftfreq(one.size, 1 / rate_hz)
    low = radians < 2 * np.pi * highest_hz / 2
    slope = np.sum(np.abs(cross[low]) * radians[low] * np.angle(cross[low])) / np.sum(
        np.abs(cross[low]) * radians[low] ** 2
    )
    return float(-slope)


@pytest.mark.parametrize(("rate_hz", "to_hz"), RATES_HZ)
@pytest.mark.parametrize("fraction", [0.0, 0.25, 0.5, 0.731])
def test_a_pulse_between_samples_is_that_pulse_at_the_other_rate(rate_hz: int, to_hz: int, fraction: float) -> None:
    """Band-limited, so both are known exactly; it stands at a fraction of a sample."""
    highest_hz = 0.85 * min(rate_hz, to_hz) / 2
    at_s = 0.05 + fraction / rate_hz
    response = Response(pulse(rate_hz, at_s, highest_hz)[np.newaxis], rate_hz)
    expected = pulse(to_hz, at_s, highest_hz)
    brought = at_rate(response, to_hz)
    assert brought.rate_hz == to_hz
    assert brought.samples.shape == (1, expected.size)
    # A closed form is cut off at both ends; that is what is left, under -120 dB of the peak.
    error = np.abs(brought.samples[0] - expected).max() / np.abs(expected).max()
    late_s = lag_s(expected, brought.samples[0], to_hz, highest_hz)
    print(f"| {rate_hz} → {to_hz} | {fraction:g} | {20 * np.log10(error):.0f} | {1e12 * late_s:.1g} |")
    assert error < 1e-6
    assert abs(late_s) < 1e-10


@pytest.mark.parametrize(("rate_hz", "to_hz"), [*RATES_HZ, (48000, 48000)])
def test_the_spectrum_stays_and_fades_out_at_the_lower_nyquist(rate_hz: int, to_hz: int) -> None:
    samples = np.zeros((2, rate_hz // 10))
    samples[0, rate_hz // 40] = 1.0  # a unit click: spectrum 1 at every rate
    samples[1, rate_hz // 20] = -0.5
    brought = at_rate(Response(samples, rate_hz, paths=("left", "right")), to_hz)
    assert brought.paths == ("left", "right")
    nyquist_hz = min(rate_hz, to_hz) / 2
    spectrum = np.abs(np.fft.rfft(brought.samples, axis=1))
    hz = np.fft.rfftfreq(brought.samples.shape[1], 1 / to_hz)
    kept, gone = hz < (KEPT - 0.01) * nyquist_hz, hz > nyquist_hz
    np.testing.assert_allclose(spectrum[0, kept], 1.0, atol=2e-4)  # of the click's own ringing, cut at the ends
    np.testing.assert_allclose(spectrum[1, kept], 0.5, atol=2e-4)
    assert (spectrum[:, gone] < 2e-4).all()


def test_nothing_wraps_round_the_ends() -> None:
    """A click at the very end rings behind it, not before the start."""
    samples = np.zeros((1, 9600))
    samples[0, -1] = 1.0
    brought = at_rate(Response(samples, 96000), 48000)
    assert brought.samples.shape == (1, 4800)
    assert np.abs(brought.samples[0, :2400]).max() < 1e-7
