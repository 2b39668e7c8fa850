"""What was added to a response or cut from it: a constant, hum, clicks, noise, an end that is missing.

These stand beside the reverb and are found in time, in the difference d = candidate − golden, before anything else is
thought of; what is found is taken out again, so that it does not disturb the rest.

    cut      from some moment on the candidate lies 30 dB or more below the golden, and did not just before
    offset   the mean of the tail of d
    hum      a line at 50 or 60 Hz in the tail of d, its harmonics up to the fifth counted in
    click    single samples whose second difference stands out of all around them, in the golden too
    noise    power of the candidate's tail above 0.6 of half the rate, beyond the golden's, as white noise

A line (the offset is one at 0 Hz) must stand 18 dB clear of what lies beside it and be as strong, with the same phase,
in both halves of the tail: what is left of a reverb there dies away, and its resonances do. Needs 0.2 s of tail.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLOCK_S = 0.005
CUT_DB = -30.0
NEAR_CUT_DB = -12.0
LEAST_CUT_DB = -110.0
"""Below the golden's peak: a tail that is quieter is not missed."""
TAIL = 0.4
ROW = 512
SHORTEST_TAIL_S = 0.2
MAINS_HZ = (50.0, 60.0)
HARMONICS = 5
CLEAR = 8.0
STEADY = 0.2
QUIETEST_DB = -85.0
"""Below the golden's peak: what is quieter is not told of."""
CLICK_CLEAR = 20.0
CLICK_OVER_GOLDEN = 3.0
CLICK_REACH_S = 0.02
AT_CLICK_S = 0.002
MOST_CLICKS = 30
HIGH_BAND = (0.6, 0.95)
NOISE_RATIO = 2.0
STATIONARY = 1.5


@dataclass(frozen=True)
class Addition:
    """One of them. ``kind``: cut, offset, hum of 50 Hz, hum of 60 Hz, click, noise.

    level_db : below the golden's peak: of the offset, the hum's amplitude, the largest click, the noise's rms.
    at_s : when (cut, click); number : of clicks; energy : what it adds to the sum of d².
    uncertainty : of ``level_db``, or of ``at_s`` where that is what counts, k = 2.
    """

    kind: str
    energy: float
    level_db: float | None = None
    at_s: float | None = None
    number: int = 1
    sign: int = 1
    uncertainty: float = 0.0


@dataclass(frozen=True)
class Cleaned:
    """A candidate without what was added to it, shape (samples,), as far as it goes; and what that was."""

    candidate: NDArray[Any]
    found: tuple[Addition, ...]


def without_additions(golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float) -> Cleaned:
    """Find what was added to a candidate and take it out; both from the click on, of one length."""
    peak = float(np.abs(golden).max(initial=0.0))
    if peak == 0.0 or not np.any(candidate):
        return Cleaned(candidate, ())
    end = _cut(golden, candidate, rate_hz, peak)
    sound = np.array(candidate[:end], dtype=float)
    found: list[Addition] = []
    if end < golden.size:
        energy = float(np.sum((candidate[end:] - golden[end:]) ** 2))
        found.append(Addition("cut", energy, at_s=end / rate_hz, uncertainty=1e-3))
    else:
        found += _take_out_lines(golden, sound, rate_hz, peak)
    found += _take_out_clicks(golden[:end], sound, rate_hz, peak)
    if end == golden.size:
        found += _noise(golden, sound, peak)
    return Cleaned(sound, tuple(found))


def _cut(golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float, peak: float) -> int:
    """Number of samples after which the candidate is missing; all of them where it is not."""
    block = max(round(BLOCK_S * rate_hz), 1)
    blocks = golden.size // block
    if blocks < 4:
        return golden.size
    own, other = (
        np.sqrt(np.mean(x[: blocks * block].reshape(blocks, block) ** 2, axis=1)) for x in (golden, candidate)
    )
    gone = (other <= 10 ** (CUT_DB / 20) * own) & (own > 10 ** (LEAST_CUT_DB / 20) * peak)
    there = np.flatnonzero(~gone)
    last = int(there[-1]) if there.size else blocks
    # The block with the cut in it, and two whole ones before.
    if (
        last >= blocks - 2
        or last < 2
        or not np.all(other[last - 2 : last] > 10 ** (NEAR_CUT_DB / 20) * own[last - 2 : last])
    ):
        return golden.size
    sounding = np.flatnonzero(np.abs(candidate[: (last + 2) * block]) > 0.1 * own[last])
    return int(sounding[-1]) + 1 if sounding.size else golden.size


# Lines


def _take_out_lines(golden: NDArray[Any], sound: NDArray[Any], rate_hz: float, peak: float) -> list[Addition]:
    found = []
    lines = [
        ("offset", (0.0,)),
        *((f"hum of {hz:.0f} Hz", tuple(n * hz for n in range(1, HARMONICS + 1))) for hz in MAINS_HZ),
    ]
    at_s = np.arange(sound.size) / rate_hz
    for kind, frequencies in lines:
        energy, first = 0.0, 0j
        for hz in frequencies:
            line = _line(sound - golden, rate_hz, hz)
            if line is None or (hz == frequencies[0] and abs(line[0]) < 10 ** (QUIETEST_DB / 20) * peak):
                if hz == frequencies[0]:
                    break
                continue
            wave = (line[0] * np.exp(2j * np.pi * hz * at_s)).real
            sound -= wave
            energy += float(np.sum(wave**2))
            if hz == frequencies[0]:
                first, unsure = line
        if first:
            unsure_db = 20 * np.log10(1 + unsure / abs(first))
            level_db = 20 * np.log10(abs(first) / peak)
            found.append(
                Addition(
                    kind, energy, float(level_db), sign=int(np.sign(first.real)) or 1, uncertainty=float(unsure_db)
                )
            )
    return found


def _line(apart: NDArray[Any], rate_hz: float, hz: float) -> tuple[complex, float] | None:
    """Complex amplitude of a steady line in the tail, and what lies beside it; None where there is none."""
    first = round((1 - TAIL) * apart.size)
    tail = apart[first:]
    if tail.size < SHORTEST_TAIL_S * rate_hz:
        return None

    def amplitude(part: slice, at_hz: float) -> complex:
        begin, end, _ = part.indices(tail.size)
        window = _hanning(end - begin)
        real = 1 if at_hz == 0 else 2
        turns = _turned_back(window * tail[part], first + begin, at_hz / rate_hz)
        return real * turns / float(np.sum(window))

    whole, half = slice(None), tail.size // 2
    here = amplitude(whole, hz)
    step_hz = rate_hz / tail.size
    sides = [hz + sign * away * step_hz for away in (4, 5.5, 7) for sign in (-1, 1)]
    beside = float(np.median([abs(amplitude(whole, abs(side))) for side in sides]))
    early, late = amplitude(slice(half), hz), amplitude(slice(half, None), hz)
    if abs(here) < CLEAR * beside or abs(early - late) > STEADY * abs(here) or here == 0:
        return None
    return here, beside


@lru_cache(4)
def _hanning(size: int) -> NDArray[Any]:
    return np.hanning(size)


def _turned_back(values: NDArray[Any], first: int, cycles: float) -> complex:
    """Σ xₙ exp(−2πj·cycles·n), n from ``first`` on, in rows: a few hundred exponentials do for all."""
    rows = -(-values.size // ROW)
    padded = np.pad(values, (0, rows * ROW - values.size)).reshape(rows, ROW)
    starts = first + ROW * np.arange(rows)
    along, down = (np.exp(-2j * np.pi * np.mod(cycles * at, 1.0)) for at in (np.arange(ROW), starts))
    return complex(down @ (padded @ along))


# Clicks and noise


def _take_out_clicks(golden: NDArray[Any], sound: NDArray[Any], rate_hz: float, peak: float) -> list[Addition]:
    """Clicks, taken out of ``sound`` in place."""
    from scipy.ndimage import maximum_filter1d

    apart = sound - golden
    sharp, golden_sharp = (np.abs(np.convolve(x, [1.0, -2.0, 1.0], "same")) for x in (apart, golden))
    # The ends have one neighbour only, and what comes at the click is no click but direct sound.
    sharp[: round(AT_CLICK_S * rate_hz)] = sharp[-1] = golden_sharp[0] = golden_sharp[-1] = 0.0
    reach = round(CLICK_REACH_S * rate_hz)
    block = max(reach // 2, 8)
    blocks = -(-sharp.size // block)
    padded = np.pad(sharp, (0, blocks * block - sharp.size), mode="edge").reshape(blocks, block)
    around = np.repeat(np.median(padded, axis=1), block)[: sharp.size]
    louder = max(1.0, float(np.sqrt(np.sum(sound**2) / max(np.sum(golden**2), 1e-300))))
    least = np.maximum(CLICK_CLEAR * around, CLICK_OVER_GOLDEN * louder * maximum_filter1d(golden_sharp, 2 * reach + 1))
    places = np.flatnonzero(sharp > np.maximum(least, 2 * 10 ** (QUIETEST_DB / 20) * peak))
    if not places.size:
        return []
    clicks = np.split(places, np.flatnonzero(np.diff(places) > reach // 4) + 1)
    if len(clicks) > MOST_CLICKS:
        return []
    largest, before = 0.0, float(np.sum(apart**2))
    for click in clicks:
        low, high = max(int(click[0]) - 1, 0), min(int(click[-1]) + 1, sound.size - 1)
        straight = np.interp(np.arange(low, high + 1), [low, high], [apart[low], apart[high]])
        largest = max(largest, float(np.abs(apart[low : high + 1] - straight).max()))
        apart[low : high + 1] = straight
    sound[:] = golden + apart
    at = int(clicks[0][np.argmax(sharp[clicks[0]])])
    energy = before - float(np.sum(apart**2))
    return [
        Addition(
            "click", energy, 20 * float(np.log10(largest / peak)), at / rate_hz, len(clicks), uncertainty=1 / rate_hz
        )
    ]


def _noise(golden: NDArray[Any], sound: NDArray[Any], peak: float) -> list[Addition]:
    tail = round((1 - TAIL / 2) * sound.size)
    if sound.size - tail < 256:
        return []
    own = _high_band_power(golden[tail:])
    halves = [_high_band_power(part) for part in np.array_split(sound[tail:], 2)]
    power = float(np.mean(halves)) - own
    if power < NOISE_RATIO * own or max(halves) > STATIONARY * min(halves):
        return []
    level_db = 10 * float(np.log10(power / peak**2))
    if level_db < QUIETEST_DB:
        return []
    bins = (HIGH_BAND[1] - HIGH_BAND[0]) * (sound.size - tail) / 2
    return [Addition("noise", power * sound.size, level_db, uncertainty=float(20 / np.log(10) / np.sqrt(bins)))]


def _high_band_power(part: NDArray[Any]) -> float:
    """Mean square that white noise as strong as this has above 0.6 of half the rate."""
    spectrum = np.abs(fft.rfft(part * np.hanning(part.size))) ** 2
    low, high = (int(share * spectrum.size) for share in HIGH_BAND)
    return float(np.mean(spectrum[low:high])) / float(np.sum(np.hanning(part.size) ** 2))
