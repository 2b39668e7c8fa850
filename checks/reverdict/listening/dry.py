"""Dry sounds to be put through a reverb, synthesised here: a snare, a plucked string, a voice-like source.

Conventions. Mono, shape (samples,), at ``RATE_HZ``, peak 1, the same in every run.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48000


def snare() -> NDArray[Any]:
    """Two modes of a head that ring off, and the wires: noise above 1.5 kHz that decays within 0.1 s."""
    from scipy.signal import butter, sosfilt

    time = _time(0.4)
    head = sum(np.exp(-time / 0.06) * np.sin(2 * math.pi * hz * time) for hz in (186.0, 334.0))
    noise = np.random.default_rng(1).standard_normal(time.size)
    wires = sosfilt(butter(2, 1500.0, "highpass", fs=RATE_HZ, output="sos"), noise) * np.exp(-time / 0.07)
    attack = np.minimum(time / 0.001, 1.0)
    return _scaled((head + 0.7 * wires) * attack * _ending(time))


def plucked() -> NDArray[Any]:
    """Three notes of a string: a loop of noise through a mean of neighbours (K. Karplus, A. Strong, CMJ 7(2), 1983)."""
    notes = [_string(hz, seed) for seed, hz in enumerate((196.0, 246.9, 293.7), start=2)]
    sound = np.zeros(int(0.25 * RATE_HZ) * (len(notes) - 1) + notes[-1].size)
    for number, note in enumerate(notes):
        begin = int(0.25 * RATE_HZ) * number
        sound[begin : begin + note.size] += note
    return _scaled(sound)


def _string(hz: float, seed: int, seconds: float = 0.8) -> NDArray[Any]:
    """y[n] = x[n] + 0.996 (y[n − p] + y[n − p − 1]) / 2, the loop half a sample longer than p."""
    from scipy.signal import lfilter

    period = round(RATE_HZ / hz - 0.5)
    feedback = np.zeros(period + 2)
    feedback[0], feedback[period], feedback[period + 1] = 1.0, -0.498, -0.498
    burst = np.zeros(int(seconds * RATE_HZ))
    burst[:period] = np.random.default_rng(seed).uniform(-1.0, 1.0, period)
    time = np.arange(burst.size) / RATE_HZ
    return np.asarray(lfilter([1.0], feedback, burst) * _ending(time))


def voice() -> NDArray[Any]:
    """Pulses of a glottis through the resonances of three vowels.

    Pulses rise for 40 % of a period and fall for 16 % (A. E. Rosenberg, JASA 49(2B), 1971, his type B); resonators and
    their bandwidths are of the kind of D. H. Klatt (JASA 67(3), 1980), frequencies of the vowels a, i, u from memory.
    """
    vowels = ((730.0, 1090.0, 2440.0), (270.0, 2290.0, 3010.0), (300.0, 870.0, 2240.0))
    return _scaled(np.concatenate([_vowel(formants) for formants in vowels]))


def _vowel(formants: tuple[float, ...], seconds: float = 0.35) -> NDArray[Any]:
    from scipy.signal import lfilter

    time = _time(seconds)
    phase = np.cumsum(118.0 * (1.0 + 0.01 * np.sin(2 * math.pi * 5.5 * time))) / RATE_HZ % 1.0
    rising, falling = phase / 0.4, (phase - 0.4) / 0.16
    flow = np.where(rising < 1, 3 * rising**2 - 2 * rising**3, np.where(falling < 1, 1 - falling**2, 0.0))
    sound = np.diff(flow, prepend=0.0)
    for hz, wide in zip(formants, (60.0, 90.0, 150.0), strict=True):
        radius = math.exp(-math.pi * wide / RATE_HZ)
        poles = [1.0, -2 * radius * math.cos(2 * math.pi * hz / RATE_HZ), radius**2]
        sound = lfilter([sum(poles)], poles, sound)
    return np.asarray(sound * np.minimum(time / 0.03, 1.0) * _ending(time, 0.06))


def _time(seconds: float) -> NDArray[Any]:
    return np.arange(int(seconds * RATE_HZ)) / RATE_HZ


def _ending(time: NDArray[Any], seconds: float = 0.02) -> NDArray[Any]:
    """1, and down to 0 within the last ``seconds``."""
    return np.asarray(np.clip((time[-1] - time) / seconds, 0.0, 1.0))


def _scaled(sound: NDArray[Any]) -> NDArray[Any]:
    return sound / float(np.max(np.abs(sound)))
