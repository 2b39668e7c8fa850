"""Octave and third-octave bands after IEC 61260-1:2014, class 1.

Each band is a Butterworth band-pass of the sixth order, applied as its exact frequency response to the spectrum, with
its phase turned round: that is filtering the sound backwards in time, which ISO 3382-2:2008, 7.3, allows for decays
down to B·T = 4 where forward filtering needs 16. A digital filter's warping near half the sample rate does not arise.
A low band is brought back to time with no more samples than it needs.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

OCTAVE_RATIO = 10**0.3
NOMINAL_HZ = (
    50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300,
    8000, 10000, 12500, 16000, 20000,
)  # fmt: skip
"""Third-octaves; every third of them from 63 Hz on is an octave."""
SHUT = 16.0
RINGING_S = 0.25
"""Room for what a backward filter moves before the click: the 63 Hz octave and the 100 Hz third-octave have rung down
by 60 dB well within this."""
BLOCK_S = 0.0005
DELAY_POINTS = 500
KEPT_BINS = 300_000
"""A band of more is not kept for the next sound: of a minute at 192 kHz all bands would take 200 MB."""
WANDER_HZ = 50.0


def octave_centres(rate_hz: float, lowest_hz: float = 125.0, highest_hz: float = 8000.0) -> list[float]:
    """Nominal mid-bands whose upper edge lies below 0.95 of half the sample rate."""
    return _centres(rate_hz, lowest_hz, highest_hz, 1)


def third_octave_centres(rate_hz: float, lowest_hz: float = 100.0, highest_hz: float = 10000.0) -> list[float]:
    """Nominal mid-bands whose upper edge lies below 0.95 of half the sample rate."""
    return _centres(rate_hz, lowest_hz, highest_hz, 3)


def _centres(rate_hz: float, lowest_hz: float, highest_hz: float, fraction: int) -> list[float]:
    nominal = [float(hz) for hz in (NOMINAL_HZ if fraction == 3 else NOMINAL_HZ[1::3])]
    edge = OCTAVE_RATIO ** (0.5 / fraction)
    return [c for c in nominal if lowest_hz <= c <= highest_hz and exact_centre(c) * edge < 0.475 * rate_hz]


def exact_centre(nominal_hz: float) -> float:
    """Exact mid-band of a nominal octave or third-octave, 1000·G^(x/3) with whole x."""
    return float(1000 * OCTAVE_RATIO ** (round(3 * np.log(nominal_hz / 1000) / np.log(OCTAVE_RATIO)) / 3))


def bandwidth_hz(centre_hz: float, fraction: int = 1) -> float:
    """Between the edges of a band: 0.71 of an octave's mid-band, 0.23 of a third-octave's."""
    half = OCTAVE_RATIO ** (0.5 / fraction)
    return centre_hz * (half - 1 / half)


def detuning(frequency_hz: NDArray[Any], centre_hz: float, fraction: int = 1) -> NDArray[Any]:
    """Where frequencies lie in a band: −1 and 1 at its edges, 0 at its exact mid-band ``centre_hz``."""
    half = OCTAVE_RATIO ** (0.5 / fraction)
    ratio = np.maximum(np.asarray(frequency_hz, dtype=float) / centre_hz, 1e-6)
    return np.asarray((ratio - 1 / ratio) / (half - 1 / half))


def band_response(frequency_hz: NDArray[Any], centre_hz: float, fraction: int = 1) -> NDArray[Any]:
    """Complex response of one band filter (forward in time) at the given frequencies.

    Parameters
    ----------
    centre_hz : float
        Exact mid-band frequency.
    fraction : int
        1 for octaves, 3 for third-octaves.
    """
    x = detuning(frequency_hz, centre_hz, fraction)
    square = x * x
    return np.asarray(1 / (1 - 2 * square + 1j * (x * (2 - square))))


def band_power(frequency_hz: NDArray[Any], centre_hz: float, fraction: int = 1) -> NDArray[Any]:
    """Squared magnitude of ``band_response``."""
    square = detuning(frequency_hz, centre_hz, fraction) ** 2
    return np.asarray(1 / (1 + square * square * square))


def high_pass(frequency_hz: NDArray[Any]) -> NDArray[Any]:
    """Response, without phase, that keeps the whole sound but not the wander below 50 Hz."""
    cube = (np.asarray(frequency_hz) / WANDER_HZ) ** 2
    cube = cube * cube * cube
    return np.asarray(cube / (1 + cube))


def filter_delay_s(frequency_hz: NDArray[Any], centre_hz: float, fraction: int = 1) -> NDArray[Any]:
    """Group delay of ``band_response``; applied backwards, the filter makes the sound that much earlier."""
    square = detuning(frequency_hz, centre_hz, fraction) ** 2
    ratio = np.maximum(np.asarray(frequency_hz, dtype=float) / centre_hz, 1e-6)
    low_pass = (2 + square + 2 * square * square) / (1 + square * square * square)
    return np.asarray(low_pass * (1 + 1 / ratio**2) / (2 * np.pi * bandwidth_hz(centre_hz, fraction)))


@dataclass(frozen=True)
class BandSound:
    """One band of a sound, from ``lead_blocks(rate_hz)`` blocks before the click on.

    turned : ndarray, shape (all blocks × per_block,)
        As a transform gives it, from the click on, with the ``lead`` blocks before the click at the end. At a rate of
        its own: ``per_block`` samples stand for a block of ``block`` samples of the sound.
    heard : int
        Blocks from the click on.
    early_s : float
        How much earlier the backward filter makes the energy, on average; 0 for the whole sound.
    """

    turned: NDArray[Any]
    per_block: int
    block: int
    lead: int
    heard: int
    early_s: float = 0.0

    @property
    def samples(self) -> NDArray[Any]:
        """In the order of time, shape (blocks × per_block,)."""
        rows = self.turned.reshape(-1, self.per_block)
        return np.concatenate([rows[rows.shape[0] - self.lead :], rows[: self.heard]]).ravel()

    def block_energy(self) -> NDArray[Any]:
        """Sum of squares of the sound per block, shape (blocks,)."""
        rows = self.turned.reshape(-1, self.per_block)
        energy = np.einsum("ij,ij->i", rows, rows) * (self.block / self.per_block)
        return np.concatenate([energy[energy.size - self.lead :], energy[: self.heard]])


def each_band(
    samples: NDArray[Any], rate_hz: float, centres_hz: Sequence[float], fraction: int = 1
) -> Iterator[BandSound]:
    """Yield the whole sound without offset and wander below 50 Hz, then each band; one or two at a time in memory.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        From the click on; what does not fill a block at the end is left out.
    """
    block, lead = block_samples(rate_hz), lead_blocks(rate_hz)
    heard = samples.size // block
    blocks = fft.next_fast_len(-(-samples.size // block) + 2 * lead, real=True)
    spectrum = fft.rfft(samples, blocks * block)
    step_hz = rate_hz / (blocks * block)
    frequency = np.arange(spectrum.size) * step_hz

    def in_time(parts: NDArray[Any], per_block: int) -> NDArray[Any]:
        # As large at fewer samples; the bins are scaled, of which there are no more.
        parts *= per_block / block
        return np.asarray(fft.irfft(parts, blocks * per_block))

    yield BandSound(in_time(spectrum * high_pass(frequency), block), block, block, lead, heard)
    # Beyond four octaves on either side the filter is more than 80 dB down; there it is taken as shut.
    edges = [
        (centre_hz, int(centre_hz / SHUT / step_hz), min(int(centre_hz * SHUT / step_hz), spectrum.size))
        for centre_hz in map(exact_centre, centres_hz)
    ]
    sizes = [_enough_per_block(block, 2 * last / blocks) for *_, last in edges]
    # Two transforms of a length take little more than one.
    for begin, end in _runs(sizes, 2 if spectrum.size <= KEPT_BINS else 1):
        per_block = sizes[begin]
        parts = np.zeros((end - begin, blocks * per_block // 2 + 1), dtype=complex)
        for part, (centre_hz, first, last) in zip(parts, edges[begin:end], strict=True):
            response = _backward(first, last, step_hz, centre_hz, fraction)
            np.multiply(spectrum[first:last], response, out=part[first:last])
        early_s = [
            _mean_delay_s(part[first:last], frequency[first:last], centre_hz, fraction)
            for part, (centre_hz, first, last) in zip(parts, edges[begin:end], strict=True)
        ]
        for turned, sooner_s in zip(in_time(parts, per_block), early_s, strict=True):
            yield BandSound(turned, per_block, block, lead, heard, sooner_s)


def _runs(values: Sequence[int], most: int) -> Iterator[tuple[int, int]]:
    """Stretches of at most so many equal values, as first index and end."""
    begin = 0
    for end in range(1, len(values) + 1):
        if end == len(values) or values[end] != values[begin] or end - begin == most:
            yield begin, end
            begin = end


def _backward(first: int, last: int, step_hz: float, centre_hz: float, fraction: int) -> NDArray[Any]:
    """The response of a band that is applied backwards, on these bins; kept for the next sound of the length."""
    of = _kept_response if last - first <= KEPT_BINS else _kept_response.__wrapped__
    return of(first, last, step_hz, centre_hz, fraction)


@lru_cache(12)
def _kept_response(first: int, last: int, step_hz: float, centre_hz: float, fraction: int) -> NDArray[Any]:
    return np.conj(band_response(np.arange(first, last) * step_hz, centre_hz, fraction))


def _enough_per_block(block: int, needed: float) -> int:
    """Samples per block for a spectrum of so many, in a number that a Fourier transform likes."""
    return next((count for count in (2, 3, 4, 5, 6, 8, 9, 10, 12, 15, 16, 18, 20) if needed < count < block), block)


def _mean_delay_s(part: NDArray[Any], frequency_hz: NDArray[Any], centre_hz: float, fraction: int) -> float:
    # Two octaves on either side hold all but a ten-thousandth of the filter's power; the delay is smooth there.
    first, last = np.searchsorted(frequency_hz, [centre_hz / 4, centre_hz * 4])
    count = max((last - first) // DELAY_POINTS, 1)
    near = slice(first, first + (last - first) // count * count)
    groups = part[near].view(float).reshape(-1, 2 * count)
    power = np.einsum("ij,ij->i", groups, groups)
    total = float(power.sum())
    middle_hz = frequency_hz[near][count // 2 :: count]
    return float(power @ filter_delay_s(middle_hz, centre_hz, fraction)) / total if total > 0 else 0.0


def block_samples(rate_hz: float) -> int:
    """Samples of the sound in one block, half a millisecond."""
    return max(round(BLOCK_S * rate_hz), 1)


def lead_blocks(rate_hz: float) -> int:
    """How many blocks before the click ``each_band`` starts."""
    return round(RINGING_S * rate_hz / block_samples(rate_hz))
