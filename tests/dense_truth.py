"""Dense reverbs whose lags are known exactly. Shares no code with the estimator.

A sum of decaying sinusoids can be evaluated at any time, so that a delay or a stretch is exact. A feedback delay
network (J.-M. Jot and A. Chaigne, AES 90, 1991; from memory) with a mark on one of its lines tells how often each part
of its sound went through that line, and so how much of the energy comes how late once that line has moved.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

LINES = (1129, 1301, 1447, 1571, 1709, 1873, 1997, 2137)
MOVED = 3
"""Which line is moved and marked."""

NETWORK_HZ = 48000


def hall(
    rate_hz: int, seconds: float, *, decay_s: float = 1.5, seed: int = 1, highest_hz: float = 10000.0
) -> NDArray[np.float64]:
    """Noise with an exponential decay, white up to the highest frequency (or 0.4 of the rate)."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    noise = np.random.default_rng(seed).standard_normal(time_s.size)
    spectrum = np.fft.rfft(noise)
    spectrum[np.fft.rfftfreq(noise.size, 1 / rate_hz) > min(highest_hz, 0.4 * rate_hz)] = 0
    return np.fft.irfft(spectrum, noise.size) * np.exp(-3 * np.log(10) * time_s / decay_s)


@cache
def modes(
    rate_hz: int, seconds: float, *, stretch: float = 1.0, late_s: float = 0.0, decay_s: float = 1.5, count: int = 300
) -> NDArray[np.float64]:
    """Sum of decaying sinusoids, every time of it multiplied by ``stretch`` and then later by ``late_s``, exactly."""
    chance = np.random.default_rng(2)
    top_hz = min(10000.0, 0.4 * rate_hz)
    hz, level, phase = chance.uniform(60, top_hz, count), chance.standard_normal(count), chance.uniform(0, 6.28, count)
    time_s = (np.arange(round(seconds * rate_hz)) / rate_hz - late_s) / stretch
    sound = np.zeros(time_s.size)
    sounding = time_s >= 0
    # One row at a time: all at once would be a gigabyte.
    for one_hz, one_level, one_phase in zip(hz, level, phase, strict=True):
        sound[sounding] += one_level * np.sin(2 * np.pi * one_hz * time_s[sounding] + one_phase)
    sound[sounding] *= np.exp(-3 * np.log(10) * time_s[sounding] / decay_s)
    return sound


def network(lines: tuple[int, ...] = LINES, seconds: float = 1.8, decay_s: float = 2.0, mark: complex = 1.0) -> Any:
    """Impulse response of a feedback delay network with a Hadamard matrix; line ``MOVED`` is multiplied by ``mark``."""
    count = len(lines)
    mixing = np.array([[(-1) ** (i & j).bit_count() for j in range(count)] for i in range(count)]) / np.sqrt(count)
    gains = np.array([10 ** (-3 * length / (decay_s * NETWORK_HZ)) for length in lines], dtype=complex)
    gains[MOVED] *= mark
    size, block = round(seconds * NETWORK_HZ), min(lines)
    sent = np.zeros((count, max(lines) + size + block), dtype=complex)
    heard = np.zeros(size + block, dtype=complex)
    for start in range(0, size, block):
        ends = np.stack(
            [
                gain * sent[i, start + max(lines) - length :][:block]
                for i, (gain, length) in enumerate(zip(gains, lines, strict=True))
            ]
        )
        heard[start : start + block] = ends.sum(axis=0)
        fed = mixing @ ends
        if start == 0:
            fed[:, 0] += 1
        sent[:, max(lines) + start : max(lines) + start + block] = fed
    return heard[:size].real if mark == 1.0 else heard[:size]


def moved_network(samples: int) -> NDArray[np.float64]:
    """The same with one line longer."""
    lines = list(LINES)
    lines[MOVED] += samples
    return np.asarray(network(tuple(lines)))


@cache
def passages(most: int = 12) -> NDArray[np.float64]:
    """The sound split by how often it went through the line ``MOVED``, shape (most, samples).

    The response is a polynomial in the mark; values at the roots of unity give its coefficients.
    """
    marks = np.exp(2j * np.pi * np.arange(most) / most)
    heard = np.stack([network(mark=complex(mark)) for mark in marks])
    return np.asarray(np.fft.fft(heard, axis=0).real / most)


def true_shares(from_s: float, to_s: float) -> NDArray[np.float64]:
    """Share of the energy between two times that went through the line ``MOVED`` n times, shape (n,)."""
    inside = slice(round(from_s * NETWORK_HZ), round(to_s * NETWORK_HZ))
    energy = np.sum(passages()[:, inside] ** 2, axis=1)
    return np.asarray(energy / energy.sum())
