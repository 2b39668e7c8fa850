"""Recordings of a sweep that went through a known nonlinear chain, a spring and clocks that differ, in closed form.

A sweep A sin φ(t) through x + 0.12 x² + 0.08 x³ is a sum of chirps of phase nφ, each sampled where it lies below half
the rate: nothing aliases, as with converters. The spring follows as its exact spectrum. Where the player's clock is
fast by δ, each chirp is evaluated at times t(1 + δ), and the spring at f/(1 + δ): nothing is resampled. Shares no code
with what measures.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from spring_truth import TrueSpring

SQUARE, CUBE = 0.12, 0.08


def chirps(
    f1_hz: float, f2_hz: float, seconds: float, rate_hz: int, size: int, *, offset: float = 0.0, begin_s: float = 0.0,
    amplitude: float = 1.0, fade_s: tuple[float, float] = (0.25, 0.08), bent: bool = True,
) -> NDArray[np.float64]:  # fmt: skip
    """The sweep after the nonlinearity, shape (size,), in samples of the recorder. ``bent`` false: the sweep itself."""
    growth_s = seconds / np.log(f2_hz / f1_hz)
    time_s = np.arange(size) / rate_hz * (1 + offset) - begin_s
    inside = (time_s >= 0) & (time_s <= seconds)
    t = time_s[inside]
    phase = 2 * np.pi * f1_hz * growth_s * (np.exp(t / growth_s) - 1)
    hz = f1_hz * np.exp(t / growth_s) * (1 + offset)
    fade = np.sin(np.pi / 2 * np.minimum(t / fade_s[0], 1)) ** 2
    fade *= np.sin(np.pi / 2 * np.minimum((seconds - t) / fade_s[1], 1)) ** 2
    x = amplitude * fade

    def held(order: int) -> NDArray[np.float64]:
        """One where a harmonic lies well below half the rate."""
        return np.cos(np.pi / 2 * np.clip((order * hz / rate_hz - 0.47) / 0.02, 0, 1)) ** 2

    sound = np.zeros(size)
    if not bent:
        sound[inside] = x * np.sin(phase)
        return sound
    sound[inside] = (
        (x + 0.75 * CUBE * x**3) * np.sin(phase)
        + SQUARE * x**2 / 2 * (1 - np.cos(2 * phase) * held(2))
        - CUBE * x**3 / 4 * np.sin(3 * phase) * held(3)
    )
    return sound


def through(
    sound: NDArray[np.float64], springs: Sequence[TrueSpring], rate_hz: int, offset: float = 0.0
) -> NDArray[np.float64]:
    """A recording of the springs driven by ``sound``, same shape; the transform is long enough not to wrap."""
    size = fft.next_fast_len(sound.size + 8 * rate_hz, real=True)
    frequency_hz = np.arange(size // 2 + 1) * rate_hz / size / (1 + offset)
    answer = sum(spring.spectrum(frequency_hz) for spring in springs)
    return np.asarray(fft.irfft(fft.rfft(sound, size) * answer, size)[: sound.size])
