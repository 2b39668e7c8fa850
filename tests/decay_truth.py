"""Decays whose truth is known, in closed form or from the sound before noise. Shares no code with ``measure``.

An envelope is a sum of exponentials in energy, {decay time in s: share}. A carrier is one tone per octave, under which
the decay is exact, or white noise, whose own decay wanders about the envelope (ISO 3382-1, 7.1); for noise the truth is
that of the sound itself, filtered by ``scipy.signal`` and integrated to a far end without noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
MID_BANDS_HZ = tuple(1000 * 10 ** (0.3 * x) for x in range(-3, 4))
FITS_DB = {"t20": (-5, -25), "t30": (-5, -35)}
LN_60DB = 6 * np.log(10)


@dataclass(frozen=True)
class Envelope:
    """Energy that falls in stages: shares, at the arrival, of what is to come."""

    stages: dict[float, float]

    def power(self, time_s: Samples) -> Samples:
        """Energy per second at a time, for a whole energy of 1."""
        return np.asarray(
            sum(share * LN_60DB / t60_s * np.exp(-LN_60DB * time_s / t60_s) for t60_s, share in self.stages.items())
        )

    def left_db(self, time_s: Samples) -> Samples:
        """The decay curve in closed form."""
        left = sum(share * np.exp(-LN_60DB * time_s / t60_s) for t60_s, share in self.stages.items())
        return np.asarray(10 * np.log10(left))

    def times(self) -> dict[str, float]:
        """T20 and T30 of the closed form, by least squares."""
        time_s = np.arange(0, 3 * max(self.stages), 1e-3)
        return fitted(time_s, self.left_db(time_s))

    def knee(self) -> tuple[float, float]:
        """When both stages have the same energy to come, and the level of the curve there (closed form)."""
        (early_s, early), (late_s, late) = sorted(self.stages.items())
        at_s = np.log(early / late) / (LN_60DB / early_s - LN_60DB / late_s)
        return float(at_s), float(self.left_db(np.array([at_s]))[0])


def fitted(time_s: Samples, level_db: Samples) -> dict[str, float]:
    """T20 and T30 by least squares on a decay curve."""
    times = {}
    for name, (high, low) in FITS_DB.items():
        inside = (level_db <= high) & (level_db >= low)
        times[name] = -60 / float(np.polyfit(time_s[inside], level_db[inside], 1)[0])
    return times


def tones(envelope: Envelope, rate_hz: int, seconds: float) -> Samples:
    """One tone per octave, each of a mean square as the envelope says."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    inside = [hz for hz in MID_BANDS_HZ if hz * 2**0.5 < 0.475 * rate_hz]
    carrier = sum(np.cos(2 * np.pi * hz * time_s + number) for number, hz in enumerate(inside))
    return np.asarray(np.sqrt(2 * envelope.power(time_s)) * carrier)


def noise_carried(envelope: Envelope, rate_hz: int, seconds: float, seed: int) -> Samples:
    """White noise under the envelope."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.asarray(np.sqrt(envelope.power(time_s)) * np.random.default_rng(seed).standard_normal(time_s.size))


def own_times(sound: Samples, rate_hz: int, centre_hz: float) -> dict[str, float]:
    """T20 and T30 of a sound without noise in one octave, by a filter run backwards and a plain backward integral."""
    from scipy.signal import butter, freqs_zpk

    edges = 2 * np.pi * centre_hz * np.array([10**-0.15, 10**0.15])
    early = np.append(sound[::-1], np.zeros(rate_hz // 4))  # room for what a filter run backwards makes earlier
    hz = np.fft.rfftfreq(early.size, 1 / rate_hz)
    _, response = freqs_zpk(*butter(3, edges, "bandpass", analog=True, output="zpk"), 2 * np.pi * np.maximum(hz, 1.0))
    filtered = np.fft.irfft(np.fft.rfft(early) * response, early.size)
    level_db = 10 * np.log10(np.cumsum(filtered**2)[::-1])
    time_s = np.arange(early.size) / rate_hz
    return fitted(time_s, level_db - level_db[0])


def random_envelopes(count: int, *, slopes: int, seed: int) -> list[Envelope]:
    """Decay times of 0.3 to 4 s; of two slopes the late one is 2 to 6 times as long, its share −5 to −25 dB."""
    draw = np.random.default_rng(seed)
    envelopes = []
    for _ in range(count):
        early_s = float(np.exp(draw.uniform(np.log(0.3), np.log(4.0 if slopes == 1 else 1.0))))
        late_s, late = early_s * draw.uniform(2, 6), 10 ** (draw.uniform(-25, -5) / 10)
        envelopes.append(Envelope({early_s: 1.0} if slopes == 1 else {early_s: 1 - late, late_s: late}))
    return envelopes
