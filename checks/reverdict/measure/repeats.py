"""Repeats of one stimulus: brought into step, spoilt ones set aside, averaged, and how far they agree.

Method
    Step: repeats are deconvolved and each one's lag against the first is the peak of their cross-correlation, refined
    by Newton's steps on Re Σ H_k H_1* e^{jωτ} where the two are coherent, which is exact for a mere delay.
    Spoilt: a repeat whose response differs from the median of all, in any octave, by 10 dB more than that of the
    typical repeat (a door, a burst of hum). Needs three repeats; up to just under half of them may be spoilt.
    Spread: Type A evaluation of JCGM 100:2008, 4.2: the mean of what is measured on each repeat, and
    t95·s/√n as its expanded uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.clock import t95

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from reverdict.measure.measurement import Measurement, PathMeasurement
    from reverdict.measure.passes import Spring

STEPS = 8
COHERENT_BINS = 64
LEAST_COHERENCE = 0.2
SPOILT = 10.0
ROUNDING = 1e-12
FEWEST_BINS = 32
SAME_ARRIVAL_S = 1e-3


@dataclass(frozen=True)
class Spread:
    """One quantity over the repeats: mean and expanded uncertainty of the mean (t95·s/√n), of ``count`` repeats."""

    path: str
    quantity: str
    unit: str
    mean: float
    uncertainty: float
    count: int


def lag_of(first: NDArray[Any], other: NDArray[Any], size: int) -> tuple[float, float]:
    """Samples by which ``other`` comes later than ``first``, and their standard uncertainty.

    Parameters
    ----------
    first, other : ndarray, shape (size // 2 + 1,)
        Spectra of two deconvolved repeats.
    """
    across = fft.irfft(other * np.conj(first), size)
    lag = float(np.argmax(across))
    lag -= size if lag > size / 2 else 0
    omega = 2 * np.pi / size * np.arange(first.size)
    weight = _coherent(first, other * np.exp(1j * omega * lag))
    total = float(np.sum(omega**2 * np.abs(first) ** 2))
    turned = other
    for _ in range(STEPS):
        turned = other * np.exp(1j * omega * lag)
        cross = weight * turned * np.conj(first)
        bend = float(np.sum(omega**2 * cross.real))
        total = bend if bend > 0 else total
        lag -= float(np.clip(np.sum(omega * cross.imag) / max(total, 1e-300), -0.5, 0.5))
    noise = weight**2 * np.abs(turned - first) ** 2 * np.abs(first) ** 2
    return lag, float(np.sqrt(np.sum(omega**2 * noise) / 2)) / max(total, 1e-300)


def _coherent(first: NDArray[Any], other: NDArray[Any]) -> NDArray[Any]:
    """Squared coherence of two spectra in step, over some bins; 0 where it may be that of noise."""
    from scipy.ndimage import uniform_filter1d

    cross = other * np.conj(first)
    real, imaginary, one, two = (
        uniform_filter1d(part, COHERENT_BINS)
        for part in (cross.real, cross.imag, np.abs(first) ** 2, np.abs(other) ** 2)
    )
    power = one * two
    # A running mean leaves rounding where nothing sounds; what is left there is no coherence.
    heard = power > ROUNDING**2 * float(power.max())
    squared = np.zeros_like(power)
    squared[heard] = np.minimum((real**2 + imaginary**2)[heard] / power[heard], 1.0)
    return np.where(squared > LEAST_COHERENCE, squared, 0.0)


def not_spoilt(responses: NDArray[Any]) -> NDArray[Any]:
    """Which repeats to keep, shape (repeats,), bool.

    Parameters
    ----------
    responses : ndarray, shape (repeats, samples)
        Deconvolved and in step.
    """
    if len(responses) < 3:
        return np.ones(len(responses), dtype=bool)
    median = fft.rfft(np.median(responses, axis=0))
    octaves = np.log2(max(median.size / FEWEST_BINS, 2.0))
    edges = np.append(0, (FEWEST_BINS * 2 ** np.arange(1, int(octaves))).astype(int))
    off = np.array([np.add.reduceat(np.abs(fft.rfft(one) - median) ** 2, edges) for one in responses])
    floor = ROUNDING * np.add.reduceat(np.abs(median) ** 2, edges)
    return np.all(off <= SPOILT * np.median(off, axis=0) + floor, axis=1)


def spread_of(average: Measurement, singles: Sequence[Measurement]) -> tuple[Spread, ...]:
    """Spread of every quantity that was measured on the average and on at least two repeats."""
    spreads = []
    for index, path in enumerate(average.paths):
        found = [dict(quantities(path, one.paths[index])) for one in singles]
        for name in dict(quantities(path, path)):
            values = [one[name] for one in found if name in one]
            if len(values) > 1:
                uncertainty = t95(len(values) - 1) * float(np.std(values, ddof=1)) / np.sqrt(len(values))
                mean = float(np.mean(values))
                spreads.append(Spread(path.path, *name, mean, float(uncertainty), len(values)))
    return tuple(spreads)


def quantities(average: PathMeasurement, one: PathMeasurement) -> Iterator[tuple[tuple[str, str], float]]:
    """((quantity, unit), value) of what was measured on one repeat, springs numbered as in the average."""
    for number, spring in enumerate(average.springs.springs, start=1):
        same = _same_spring(spring, one.springs.springs)
        if same is None:
            continue
        for arrival in same.passes[: len(spring.passes)]:
            yield (f"spring {number} pass {arrival.number} arrival", "ms"), 1e3 * arrival.time_s
        if same.transition.frequency_hz is not None:
            yield (f"spring {number} transition", "Hz"), same.transition.frequency_hz
    for band in (one.decay.whole, *one.decay.bands):
        name = "above 50 Hz" if band.centre_hz is None else f"{band.centre_hz:g} Hz"
        if band.level_db is not None:
            yield (f"{name} level", "dB"), band.level_db
        for time_name, time in band.times.items():
            if time.seconds is not None:
                yield (f"{name} {time_name.upper()}", "s"), time.seconds


def _same_spring(spring: Spring, others: Sequence[Spring]) -> Spring | None:
    near = [one for one in others if abs(one.passes[0].time_s - spring.passes[0].time_s) < SAME_ARRIVAL_S]
    return near[0] if near else None
