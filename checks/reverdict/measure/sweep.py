"""Exponential sweeps: made, recognised in a file, and their spectrum in closed form.

Method
    A. Farina, AES 108 (2000): sin(2π f1 L (e^{t/L} − 1)), L = T/ln(f2/f1), so that a response to order n arrives
    L ln n early. A. Novak, P. Lotton, L. Simon, J. AES 63(10), 2015: with f1·L a whole number that sweep is
    sin(2π f1 L e^{t/L}), and orders are advanced by L ln n with no phase besides. One class holds both: a synchronized
    sweep is an exponential one of the right length.
    Spectrum by stationary phase: ½ √(L/f) e^{j(2πfL(1 − ln(f/f1)) − 2πf1L − π/4)} times the sample rate; its inverse is
    the analytic inverse filter of both papers.
Conventions
    Seconds from the sweep's start, at zero phase. Fades are sin² of time, so that they are a weight over frequency too.
Validity
    The closed form has no fades and no ends: it holds where ``band`` is one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

FADE_IN_OCTAVES = 1 / 4
FADE_OUT_OCTAVES = 1 / 12
SHORTEST = 1000
LONGEST_FIT = 20000
MOST_OFF_RAD = 0.2
"""A sweep's phase stays so near (rms) to the exponential law; noise, music and linear sweeps are far from it."""


@dataclass(frozen=True)
class Sweep:
    """A rising exponential sine sweep: from f1 to f2 in ``seconds``, peak ``amplitude``."""

    f1_hz: float
    f2_hz: float
    seconds: float
    rate_hz: int
    kind: str = "exponential"
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0
    amplitude: float = 1.0

    @property
    def growth_s(self) -> float:
        """L: the time in which the frequency grows by e."""
        return float(self.seconds / np.log(self.f2_hz / self.f1_hz))

    @property
    def flat_hz(self) -> tuple[float, float]:
        """Frequencies between the fades."""
        return (
            float(self.f1_hz * np.exp(self.fade_in_s / self.growth_s)),
            float(self.f2_hz * np.exp(-self.fade_out_s / self.growth_s)),
        )

    def lead_s(self, order: int) -> float:
        """How early the response to a harmonic arrives."""
        return float(self.growth_s * np.log(order))

    def phase(self, time_s: NDArray[Any]) -> NDArray[Any]:
        """Radians at times from the start."""
        return np.asarray(2 * np.pi * self.f1_hz * self.growth_s * np.expm1(time_s / self.growth_s))

    def envelope(self, time_s: NDArray[Any]) -> NDArray[Any]:
        """Fades over time: 0 outside the sweep, 1 between the fades."""
        rise = np.clip(time_s / max(self.fade_in_s, 1e-12), 0, 1)
        fall = np.clip((self.seconds - time_s) / max(self.fade_out_s, 1e-12), 0, 1)
        return np.asarray((np.sin(np.pi / 2 * rise) * np.sin(np.pi / 2 * fall)) ** 2)

    def samples(self) -> NDArray[Any]:
        """The sweep, shape (samples,)."""
        time_s = np.arange(round(self.seconds * self.rate_hz)) / self.rate_hz
        return self.amplitude * self.envelope(time_s) * np.sin(self.phase(time_s))

    def time_of(self, frequency_hz: NDArray[Any]) -> NDArray[Any]:
        """When the sweep passes a frequency, seconds; long before its start for 0 Hz."""
        return np.asarray(self.growth_s * np.log(np.maximum(frequency_hz, 1e-6) / self.f1_hz))

    def band(self, frequency_hz: NDArray[Any]) -> NDArray[Any]:
        """The fades as a weight over frequency."""
        return self.envelope(self.time_of(frequency_hz))

    def spectrum(self, frequency_hz: NDArray[Any]) -> NDArray[Any]:
        """Fourier sum of the samples in closed form, without ends and fades, complex; 0 Hz is taken as 1 µHz."""
        hz = np.maximum(frequency_hz, 1e-6)
        growth_s = self.growth_s
        turns = hz * growth_s * (1 - np.log(hz / self.f1_hz)) - self.f1_hz * growth_s - 1 / 8
        size = self.amplitude * self.rate_hz / 2 * np.sqrt(growth_s / hz)
        return np.asarray(size * np.exp(2j * np.pi * (turns % 1.0)))


def make_sweep(
    f1_hz: float, f2_hz: float, seconds: float, rate_hz: int, kind: str = "synchronized", amplitude: float = 1.0
) -> Sweep:
    """A sweep with our fades; a synchronized one is the nearest in length to ``seconds`` (at least f1·L = 1)."""
    octaves = np.log2(f2_hz / f1_hz)
    if kind == "synchronized":
        growth_s = max(round(f1_hz * seconds / np.log(f2_hz / f1_hz)), 1) / f1_hz
        seconds = float(growth_s * np.log(f2_hz / f1_hz))
    fade_in_s, fade_out_s = seconds * FADE_IN_OCTAVES / octaves, seconds * FADE_OUT_OCTAVES / octaves
    return Sweep(f1_hz, f2_hz, seconds, rate_hz, kind, float(fade_in_s), float(fade_out_s), amplitude)


def recognise(samples: NDArray[Any], rate_hz: int) -> tuple[Sweep, float] | None:
    """The sweep in a stimulus and when it starts (seconds from the first sample); None where it is something else.

    The phase of its analytic signal is fitted by a e^{t/L} + c over the middle eight tenths (Gauss-Newton).

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        From its first to its last sounding sample.
    """
    from scipy import fft

    count = samples.size
    if count < SHORTEST:
        return None
    # scipy.signal.hilbert would transform the whole, at a length that may be a prime.
    size = fft.next_fast_len(count)
    spectrum = fft.fft(samples, size)
    spectrum[size // 2 :] = 0
    analytic = 2j * fft.ifft(spectrum)[:count]
    middle = slice(count // 10, count - count // 10)
    phase = np.unwrap(np.angle(analytic[middle]))
    step = max(phase.size // LONGEST_FIT, 1)
    time_s = np.arange(count)[middle][::step] / rate_hz
    law = _exponential_law(time_s, phase[::step])
    if law is None:
        return None
    scale, growth_s, offset = law
    start_phase = 2 * np.pi * round((scale + offset) / (2 * np.pi))
    if not (start_phase - offset) / scale > 0:
        return None
    start_s = float(growth_s * np.log((start_phase - offset) / scale))
    f1_hz = float((start_phase - offset) / (2 * np.pi * growth_s))
    seconds = count / rate_hz - start_s
    f2_hz = float(f1_hz * np.exp(seconds / growth_s))
    if not 0 < f1_hz < f2_hz <= 0.51 * rate_hz:
        return None
    size_of = np.abs(analytic)
    amplitude = float(np.median(size_of[middle]))
    loud = np.flatnonzero(size_of > amplitude / 2)
    narrowest_s = growth_s * np.log(2) * FADE_OUT_OCTAVES
    fade_in_s = max(2 * (loud[0] / rate_hz - start_s), narrowest_s)
    fade_out_s = max(2 * (count - loud[-1]) / rate_hz, narrowest_s)
    whole = f1_hz * growth_s
    kind = "synchronized" if abs(whole - round(whole)) < 0.01 else "exponential"
    return Sweep(f1_hz, f2_hz, seconds, rate_hz, kind, float(fade_in_s), float(fade_out_s), amplitude), start_s


def _exponential_law(time_s: NDArray[Any], phase: NDArray[Any]) -> tuple[float, float, float] | None:
    """(a, L, c) of phase = a e^{t/L} + c, or None where the phase does not follow that law upwards."""
    half = phase.size // 2
    first, second = phase[half] - phase[0], phase[2 * half - 1] - phase[half]
    if not 0 < first * 1.001 < second:
        return None
    growth_s = (time_s[half] - time_s[0]) / np.log(second / first)
    scale = offset = 0.0
    for _ in range(8):
        power = np.exp(time_s / growth_s)
        columns = np.stack([power, np.ones_like(power)], axis=1)
        (scale, offset), *_ = np.linalg.lstsq(columns, phase, rcond=None)
        bend = -scale * time_s / growth_s**2 * power
        left = phase - columns @ (scale, offset)
        (_, _, change), *_ = np.linalg.lstsq(np.column_stack([columns, bend]), left, rcond=None)
        growth_s = float(np.clip(growth_s + change, growth_s / 2, growth_s * 2))
    power = np.exp(time_s / growth_s)
    off = phase - scale * power - offset
    return (float(scale), float(growth_s), float(offset)) if off.std() < MOST_OFF_RAD and scale > 0 else None
