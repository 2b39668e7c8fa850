"""Harmonic distortion from one sweep: orders 2 to 5 apart from the linear response, and their total.

Method
    The analytic inverse of the sweep turns the response to order n into a response of its own, L ln n earlier
    (A. Farina, AES 108, 2000; A. Novak et al., J. AES 63(10), 2015). Each is cut out from where it begins to where the
    next lower order begins, and set against as long a stretch of the linear response: what lies beyond is cut off both.
    Per third-octave of the exciting frequency f, ratio² = mean |H_n|² round n·f over mean |H_1|² round f. The ratio is
    the amplitude of the harmonic over that of the fundamental; total harmonic distortion is √(sum of ratio²).
Validity
    From where a third-octave settles within a quarter of the narrowest gap between orders (54 Hz for 20 Hz to 20 kHz in
    10 s) up to n·f below 0.475 of the sample rate, or within the sweep where a loopback is divided by. An order must
    stand 6 dB, and more than chance in a thousand allows, above what sounds just before it, which is noise and the tail
    of the next higher order; long reverbs ask for long sweeps (lead L ln n above the reverberation). Of a device whose
    distortion comes before its reverb, as in a driven spring, the ratio holds the reverb's response at n·f over that
    at f. Orders 6 and up are not counted.
Uncertainty
    k = 2, from what sounds just before: its power, and its beat with the order in the third-octave.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from reverdict.measure.sweep import Sweep

ORDERS = (2, 3, 4, 5)
FOOT_SHARE = 0.25
"""Of the narrowest gap between orders: a response has a foot before its time zero, the longer the narrower its band."""
THIRD = 10**0.05 - 10**-0.05
"""Bandwidth of a third-octave over its centre."""
HIGHEST_SHARE = 0.475
CLEAR = 4.0
BY_CHANCE = 0.999
SHORTEST_GAP_S = 0.04


@dataclass(frozen=True)
class OrderDistortion:
    """One order over the exciting frequency, arrays of shape (points,), only where it stands above the noise.

    ratio, uncertainty : of amplitudes, 0.01 is 1 %.
    lead_s : how early it arrives.
    below : float or None
        Where nothing could be read, the ratio it would have shown at (the least of all frequencies).
    """

    order: int
    lead_s: float
    frequency_hz: NDArray[Any]
    ratio: NDArray[Any]
    uncertainty: NDArray[Any]
    below: float | None = None
    why_not: str = ""

    def at(self, hz: float) -> tuple[float, float] | None:
        """Ratio and uncertainty in the third-octave that holds a frequency."""
        near = np.flatnonzero(np.abs(np.log2(self.frequency_hz / hz)) < 0.17)
        return (float(self.ratio[near[0]]), float(self.uncertainty[near[0]])) if near.size else None


@dataclass(frozen=True)
class Distortion:
    """Orders 2 to 5, and the total of those that could be read as ``order`` 0; ``why_not`` where there is no sweep."""

    orders: tuple[OrderDistortion, ...]
    total: OrderDistortion | None
    why_not: str = ""


def third_octaves(low_hz: float, high_hz: float) -> NDArray[Any]:
    """Exact centres 1000·G^(x/3) whose third-octaves lie within two frequencies."""
    half, ratio = 10**0.05, 10**0.1
    first = np.ceil(np.log(low_hz * half / 1000) / np.log(ratio) - 1e-9)
    last = np.floor(np.log(high_hz / half / 1000) / np.log(ratio) + 1e-9)
    return np.asarray(1000 * ratio ** np.arange(first, last + 1))


def measure_distortion(
    spectrum: NDArray[Any], size: int, rate_hz: float, sweep: Sweep, sweep_at_s: float, highest_hz: float
) -> Distortion:
    """Orders of one channel.

    Parameters
    ----------
    spectrum : ndarray, shape (size // 2 + 1,)
        Of the recording (in the player's clock, over the loopback's response where there is one).
    sweep_at_s : float
        When the sweep starts.
    highest_hz : float
        Up to where harmonics are known.
    """
    narrowest_s = sweep.lead_s(ORDERS[-1]) - sweep.lead_s(ORDERS[-1] - 1)
    foot_s = FOOT_SHARE * narrowest_s
    frequency_hz = np.arange(spectrum.size) * rate_hz / size
    heard = (frequency_hz > sweep.f1_hz) & (frequency_hz < highest_hz)
    inverse = np.zeros_like(spectrum)
    inverse[heard] = np.exp(2j * np.pi * frequency_hz[heard] * sweep_at_s) / sweep.spectrum(frequency_hz[heard])
    series = fft.irfft(spectrum * inverse, size)

    def cut(begin_s: float, seconds: float) -> NDArray[Any]:
        count = round(seconds * rate_hz)
        part = np.take(series, round((begin_s - foot_s) * rate_hz) + np.arange(count), mode="wrap")
        edge = min(round(foot_s / 2 * rate_hz), count // 4)
        part[:edge] *= np.sin(np.linspace(0, np.pi / 2, edge)) ** 2
        part[count - edge :] *= np.cos(np.linspace(0, np.pi / 2, edge)) ** 2
        return part

    if narrowest_s < SHORTEST_GAP_S:
        return Distortion((), None, "the sweep is too short to tell its harmonics apart")
    measured = tuple(_order(cut, order, sweep, rate_hz, highest_hz, foot_s) for order in ORDERS)
    return Distortion(measured, _total(measured))


def _order(
    cut: Callable[[float, float], NDArray[Any]], order: int, sweep: Sweep, rate_hz: float, top_hz: float, foot_s: float
) -> OrderDistortion:
    from scipy.special import fdtri

    lead_s = sweep.lead_s(order)
    seconds = lead_s - sweep.lead_s(order - 1)
    low_hz, high_hz = sweep.flat_hz
    centres_hz = third_octaves(max(low_hz, 1 / (THIRD * foot_s)), min(high_hz, top_hz / order))
    before_s = (sweep.lead_s(order + 1) - lead_s) / 4
    linear = _band_powers(cut(0.0, seconds), rate_hz, centres_hz)
    own = _band_powers(cut(-lead_s, seconds), rate_hz, order * centres_hz)
    beside = _band_powers(cut(-lead_s - before_s, before_s), rate_hz, order * centres_hz) * seconds / before_s
    # Independent values in a band number about bandwidth × time; the ratio of two such powers follows F.
    draws = np.maximum(order * centres_hz * THIRD * seconds, 1.0)
    least = np.maximum(CLEAR, fdtri(2 * draws, 2 * np.maximum(draws * before_s / seconds, 1.0), BY_CHANCE))
    clear = (own > least * beside) & (linear > 0)
    share = beside[clear] / own[clear]
    ratio = np.sqrt(own[clear] / linear[clear])
    uncertainty = ratio * np.hypot(share / 2, 2 * np.sqrt(share / (2 * draws[clear])))
    if clear.any():
        return OrderDistortion(order, lead_s, centres_hz[clear], ratio, uncertainty)
    none = np.zeros(0)
    if not (linear > 0).any():
        return OrderDistortion(order, lead_s, none, none, none, why_not="no third-octave lies within its band")
    below = float(np.sqrt((least * beside / np.maximum(linear, 1e-300))[linear > 0].min()))
    why = f"below {100 * below:.2g} % it would not stand above the noise and the tail of higher orders"
    return OrderDistortion(order, lead_s, none, none, none, below, why)


def _band_powers(part: NDArray[Any], rate_hz: float, centres_hz: NDArray[Any]) -> NDArray[Any]:
    """Mean power per bin in third-octaves."""
    if centres_hz.size == 0:
        return np.zeros(0)
    # Zeros are appended so that the narrowest band holds some bins.
    narrowest_hz = float(centres_hz.min()) * THIRD
    size = fft.next_fast_len(max(part.size, int(8 * rate_hz / narrowest_hz)), real=True)
    power = np.concatenate([[0.0], np.cumsum(np.abs(fft.rfft(part, size)) ** 2)])
    low = np.round(centres_hz * 10**-0.05 * size / rate_hz).astype(int)
    high = np.minimum(np.round(centres_hz * 10**0.05 * size / rate_hz).astype(int), power.size - 1)
    return np.asarray((power[high] - power[low]) / np.maximum(high - low, 1))


def _total(orders: tuple[OrderDistortion, ...]) -> OrderDistortion:
    frequencies = np.unique(np.concatenate([one.frequency_hz for one in orders]))
    power, variance = np.zeros(frequencies.size), np.zeros(frequencies.size)
    for one in orders:
        places = np.searchsorted(frequencies, one.frequency_hz)
        power[places] += one.ratio**2
        variance[places] += (one.ratio * one.uncertainty) ** 2
    ratio = np.sqrt(power)
    why = "" if frequencies.size else "no order stands above the noise"
    limits = [one.below for one in orders if one.below is not None]
    below = float(np.hypot.reduce(limits)) if limits and not frequencies.size else None
    return OrderDistortion(0, 0.0, frequencies, ratio, np.sqrt(variance) / np.maximum(ratio, 1e-300), below, why)
