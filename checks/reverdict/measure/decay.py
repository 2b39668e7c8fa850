"""How the energy dies away: noise floor, energy decay curve, EDT, T20, T30, band level.

Method
    Per band the squared response is summed in short blocks. Lundeby's iteration finds where decay meets noise
    (A. Lundeby et al., Acustica 81, 1995; pages from memory). Up to there the noise is subtracted in the backward
    integral (W. T. Chu, JASA 63, 1978; from memory; M. R. Schroeder, 1965) and the energy beyond is replaced by that of
    the fitted decay, so that neither noise nor truncation bends the curve. EDT 0…−10, T20 −5…−25, T30 −5…−35 dB by
    least squares (ISO 3382-1:2009).
Validity
    ISO 3382-1, 5.3.3: the noise must lie the fit range and 15 dB below the peak (25, 35, 45 dB). Where the record ends
    before the noise is reached, it must hold 5 dB more than the fit range. What the range does not allow is None, and
    ``why_not`` says why. Never a shortened fit.
Uncertainty
    From the noise alone: its beat with the tail and its own wavering in the integral at the end of the fit (k = 2).
    Zero for a render without noise; the spread between repeats of a measurement is not in it.
Conventions
    Levels in dB re a unit click (energy sum of squares). Time from the click.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.bands import each_band, lead_samples, octave_centres

if TYPE_CHECKING:
    from numpy.typing import NDArray

FITS = {"edt": (0.0, -10.0, 25.0), "t20": (-5.0, -25.0, 35.0), "t30": (-5.0, -35.0, 45.0)}
"""Fit from, to (dB), and the range between peak and noise that ISO 3382-1 asks for."""
RECORD_RESERVE_DB = 5.0
BLOCK_S = 0.0005
FADE_S = 0.05
LN_60DB = 6 * np.log(10)


@dataclass(frozen=True)
class DecayTime:
    """One decay time: seconds and its expanded uncertainty (k = 2), or why there is none."""

    seconds: float | None
    uncertainty_s: float | None = None
    why_not: str = ""


@dataclass(frozen=True)
class BandDecay:
    """Decay of one band; ``centre_hz`` is None for the whole sound above 50 Hz.

    level_db : float or None
        Energy of the whole decay, dB re a unit click; None in silence.
    range_db : float or None
        Peak over noise, or over what is left where the record ends first.
    noise_floor_db : float or None
        Mean square of the noise in dB re full scale; None where the record ends before it.
    peak_s : float or None
        When the energy (mean of 5 ms) is highest. Late, as in a reversed programme, EDT tells of the rise before it.
    curve_s, curve_db : ndarray, shape (points,)
        Energy decay curve, 0 dB at the start, down to where it is trusted.
    """

    centre_hz: float | None
    level_db: float | None
    range_db: float | None
    noise_floor_db: float | None
    peak_s: float | None
    times: dict[str, DecayTime]
    curve_s: NDArray[Any] = field(repr=False)
    curve_db: NDArray[Any] = field(repr=False)


@dataclass(frozen=True)
class DecayMeasurement:
    """Decay of one signal path: the whole sound and its octave bands."""

    whole: BandDecay
    bands: tuple[BandDecay, ...]


def measure_decay(samples: NDArray[Any], rate_hz: float, click_at_s: float = 0.0) -> DecayMeasurement:
    """Measure one signal path, shape (samples,), from its click on, in octave bands from 125 Hz to 8 kHz."""
    first = max(round(click_at_s * rate_hz), 0)
    sound, faded = _without_edge(samples[first:], rate_hz)
    centres_hz = octave_centres(rate_hz)
    widths_hz = [rate_hz / 2] + [centre_hz / np.sqrt(2) for centre_hz in centres_hz]
    hop = max(round(BLOCK_S * rate_hz), 1)
    lead_s = lead_samples(rate_hz) / rate_hz
    measured = []
    rows = each_band(sound, rate_hz, centres_hz)
    for centre_hz, width_hz, row in zip([None, *centres_hz], widths_hz, rows, strict=True):
        count = (row.size - faded) // hop
        energy = np.sum(row[: count * hop].reshape(count, hop) ** 2, axis=1)
        measured.append(_band_decay(centre_hz, energy, hop / rate_hz, hop, lead_s, width_hz))
    return DecayMeasurement(measured[0], tuple(measured[1:]))


def _without_edge(samples: NDArray[Any], rate_hz: float) -> tuple[NDArray[Any], int]:
    """Take the offset out and fade the end, whose edge a band filter would ring with; how many samples are faded."""
    if samples.size < 20:
        return samples, 0
    sound = samples - float(samples[-max(samples.size // 10, 1) :].mean())
    faded = max(int(min(FADE_S * rate_hz, 0.05 * samples.size)), 1)
    sound[-faded:] *= np.cos(np.linspace(0, np.pi / 2, faded)) ** 2
    return sound, faded


@dataclass(frozen=True)
class NoiseMeeting:
    """Where a decay meets the noise.

    end : int
        Blocks up to here are decay.
    noise : float
        Energy of the noise in a block (what is left at the end of the record where ``reached`` is false).
    slope : float
        Natural logarithm of energy per block, negative.
    tail : float
        Energy of the fitted decay in the block at ``end``.
    """

    end: int
    noise: float
    slope: float
    tail: float
    reached: bool


def _band_decay(
    centre_hz: float | None, energy: NDArray[Any], block_s: float, hop: int, lead_s: float, width_hz: float
) -> BandDecay:
    smooth = _running_mean(energy, max(int(0.005 / block_s), 1)) if energy.size else np.zeros(1)
    peak = float(smooth.max())
    peak_s = float(np.argmax(smooth)) * block_s - lead_s
    empty = np.zeros(0)
    if peak <= 1e-24:
        times = {name: DecayTime(None, why_not="silent in this band") for name in FITS}
        return BandDecay(centre_hz, None, None, None, None, times, empty, empty)
    meeting = _meet_noise(energy, block_s)
    if meeting is None:
        times = {name: DecayTime(None, why_not="does not decay within the record") for name in FITS}
        level = 10 * np.log10(energy.sum())
        return BandDecay(centre_hz, float(level), 0.0, None, peak_s, times, empty, empty)
    noise = meeting.noise if meeting.reached else 0.0
    beyond = meeting.tail / -np.expm1(meeting.slope)
    remaining = np.cumsum((energy[: meeting.end] - noise)[::-1])[::-1] + beyond
    remaining = np.append(remaining, beyond)
    total = float(remaining[0])
    curve_db = 10 * np.log10(np.maximum(remaining, 1e-30 * total) / total)
    range_db = 10 * np.log10(peak / max(meeting.noise, 1e-30 * peak))
    time_s = np.arange(remaining.size) * block_s - lead_s
    sigma = _sigma_db(remaining, noise, meeting.end, block_s, width_hz)
    times = {
        name: _fit(time_s, curve_db, sigma, low, high, needed if meeting.reached else -high + RECORD_RESERVE_DB,
                   float(range_db), meeting.reached)
        for name, (low, high, needed) in FITS.items()
    }  # fmt: skip
    floor_db = float(10 * np.log10(noise / hop)) if noise > 0 else None
    level_db = float(10 * np.log10(total))
    return BandDecay(centre_hz, level_db, float(range_db), floor_db, peak_s, times, time_s, curve_db)


def _meet_noise(energy: NDArray[Any], block_s: float) -> NoiseMeeting | None:
    """Lundeby's iteration on block energies; None where nothing decays."""
    size = energy.size
    tenth = max(size // 10, 4)
    noise = float(energy[-tenth:].mean())
    start = int(np.argmax(_running_mean(energy, max(int(0.01 / block_s), 1))))
    width = max(int(0.05 / block_s), 1)
    slope = _slope(energy, start, size, width, 10 * noise)
    if slope is None:
        # All within 10 dB of its own end: either it hardly decays or the record is far too short.
        slope = _slope(energy, start, size, width, 0.0)
        if slope is None:
            return None
    end = size
    for _ in range(8):
        rate, level = slope
        if rate >= 0:
            return None
        crossing = (np.log(max(noise, 1e-300)) - level) / rate
        end = int(np.clip(crossing, start + 4, size))
        ten_db = np.log(10) / -rate
        width = int(np.clip(ten_db / 5, max(int(0.02 / block_s), 1), max(size // 20, 1)))
        quiet = int(min(end + ten_db, size - tenth))
        noise = float(energy[quiet:].mean())
        later = _slope(
            energy, max(start, int(end - 2.5 * ten_db)), min(int(end - 0.5 * ten_db), size), width, 2 * noise
        )
        if later is None or later[0] >= 0:
            break
        if abs(later[0] - rate) < 1e-4 * abs(rate) and abs(later[1] - level) < 1e-3:
            slope = later
            break
        slope = later
    rate, level = slope
    crossing = (np.log(max(noise, 1e-300)) - level) / rate
    reached = crossing < size - tenth and noise > 0
    end = int(np.clip(crossing, start + 4, size)) if reached else size
    tail = float(np.exp(level + rate * end))
    return NoiseMeeting(end, noise, rate, tail, bool(reached))


def _slope(energy: NDArray[Any], first: int, last: int, width: int, floor: float) -> tuple[float, float] | None:
    """Least-squares line (per block, at block 0) through the log of mean energies until they fall to ``floor``."""
    count = (last - first) // width
    if count < 3:
        return None
    means = energy[first : first + count * width].reshape(count, width).mean(axis=1)
    below = np.flatnonzero(means <= floor)
    used = int(below[0]) if below.size else count
    if used < 3 or means[:used].min() <= 0:
        return None
    middle = first + width * (np.arange(used) + 0.5) - 0.5
    rate, level = np.polyfit(middle, np.log(means[:used]), 1)
    return float(rate), float(level)


def _fit(
    time_s: NDArray[Any], curve_db: NDArray[Any], sigma_db: NDArray[Any], low: float, high: float, needed: float,
    range_db: float, reached: bool,
) -> DecayTime:  # fmt: skip
    if range_db < needed:
        limit = "above the noise" if reached else "down when the record ends"
        return DecayTime(None, why_not=f"{range_db:.0f} dB {limit}, needs {needed:.0f}")
    below = np.flatnonzero(curve_db <= high)
    if below.size == 0:
        return DecayTime(None, why_not=f"the decay curve ends above {high:g} dB")
    begin = int(np.flatnonzero(curve_db >= min(low, -0.05))[-1])
    end = int(below[0])
    if end - begin < 3:
        return DecayTime(None, why_not=f"falls to {high:g} dB within {1e3 * (time_s[end] - time_s[begin]):.1f} ms")
    rate, _ = np.polyfit(time_s[begin : end + 1], curve_db[begin : end + 1], 1)
    seconds = -60 / float(rate)
    relative = 1.2 * np.hypot(sigma_db[begin], sigma_db[end]) / (low - high)
    return DecayTime(seconds, float(2 * seconds * relative))


def _sigma_db(remaining: NDArray[Any], noise: float, end: int, block_s: float, width_hz: float) -> NDArray[Any]:
    """Standard deviation of the decay curve in dB, from noise of known mean in a band ``width_hz`` wide.

    Beat of noise and decay: variance 2 N E / (B Δt) per block energy N over Δt; wavering of the noise: N² per B Δt
    independent values.
    """
    per_block = max(width_hz * block_s, 1e-12)
    blocks_left = np.maximum(end - np.arange(remaining.size), 0)
    variance = 2 * noise * np.maximum(remaining, 0) / per_block + noise**2 * blocks_left / per_block
    return 4.343 * np.sqrt(variance) / np.maximum(remaining, 1e-300)


def _running_mean(values: NDArray[Any], width: int) -> NDArray[Any]:
    width = min(width, values.size)
    sums = np.cumsum(np.insert(values, 0, 0.0))
    return (sums[width:] - sums[:-width]) / width
