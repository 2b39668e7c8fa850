"""How early the energy comes: clarity C50 and C80, definition D50, centre time Ts (ISO 3382-1:2009, A.2).

Conventions
    They count from the *arrival*, not from the click: from the first moment at which the whole sound above 50 Hz is
    within 20 dB of its peak (and well above the noise), one moment for all bands (ISO 3382-1, A.3.4; from memory). A
    pre-delay therefore changes none of them. What comes before the arrival, as a faint crosstalk of the click does,
    counts to neither side.
Method
    The sound is cut at 50 and 80 ms and filtered afterwards, so that the filter smears nothing across the cut; late is
    whole less early, and less what the filter mixes of both sides, the whole with noise taken out and its tail put back
    as in the decay curve. Ts is the first moment
    of the band's energy, moved by what the filter itself delays.
Springs
    The arrival is that of the first thing heard: the first pass at the frequencies that come first, or crosstalk where
    it is loud. 50 ms hold about one pass and 80 ms one or two, so C50 tells how the first pass stands against all that
    follow, and a band near the transition frequency, whose chirp comes late, is less clear for that reason alone.
Validity
    At least 20 dB between peak and noise, or to the end of the record. Energy after the cut that noise hides is None.
Uncertainty
    From the noise, early and late apart (k = 2).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.measure.bands import RINGING_S, band_power, exact_centre, high_pass
from reverdict.measure.decay_times import Figure

if TYPE_CHECKING:
    from numpy.typing import NDArray

ARRIVAL_DB = 20.0
NOISE_CREST = 5.0
CUTS_S = {"c50_db": 0.050, "c80_db": 0.080}
LEAST_RANGE_DB = 20.0
NEAR_CUT_S = 0.1
LEAST_REAR = 1e-6
"""Energy so much less after a cut than before it is what a filter puts there, stop band and rounding."""
MOST_BEYOND = 0.5
SPREADING = 3.0
"""Inverse bandwidths over which a filter run backwards spreads a click."""
NAMES = ("c50_db", "c80_db", "d50", "ts_ms")


def find_arrival(sound: NDArray[Any]) -> int | None:
    """Sample at which a sound, shape (samples,), without offset, arrives; None in silence."""
    if sound.size == 0:
        return None
    size = np.abs(sound)
    noise = float(np.sqrt(np.mean(sound[-max(sound.size // 10, 1) :] ** 2)))
    peak = float(size.max())
    if peak <= 0:
        return None
    loud = size >= min(max(peak * 10 ** (-ARRIVAL_DB / 20), NOISE_CREST * noise), peak)
    return int(np.argmax(loud))


@dataclass(frozen=True)
class Stretches:
    """Stretches of the sound as power spectra that any band filter may be laid on.

    powers : ndarray, shape (stretches, bins)
        Each sums to the energy of its stretch (sum of squares).
    """

    frequency_hz: NDArray[Any]
    powers: NDArray[Any]

    @classmethod
    def of(cls, stretches: NDArray[Any], rate_hz: float) -> Stretches:
        """Of an array, shape (stretches, samples)."""
        size = fft.next_fast_len(stretches.shape[1] + int(RINGING_S * rate_hz), real=True)
        spectra: NDArray[Any] = fft.rfft(stretches, size, axis=1)
        return cls(np.arange(size // 2 + 1) * (rate_hz / size), (spectra.real**2 + spectra.imag**2) * (2 / size))

    def energies(self, centre_hz: float | None, fraction: int) -> NDArray[Any]:
        """In one band, or in the whole sound above 50 Hz where ``centre_hz`` is None; shape (stretches,)."""
        if centre_hz is None:
            return np.asarray(self.powers @ high_pass(self.frequency_hz) ** 2)
        return np.asarray(self.powers @ band_power(self.frequency_hz, exact_centre(centre_hz), fraction))


@dataclass(frozen=True)
class EarlySound:
    """The sound before its arrival, and around each cut that the record holds.

    before : Stretches
        One.
    around : Stretches
        Three for each cut in ``cuts``: from the arrival to it, from it on, and both together.
    """

    arrival_s: float
    before: Stretches
    cuts: tuple[str, ...]
    around: Stretches

    @classmethod
    def of(cls, sound: NDArray[Any], rate_hz: float, arrival: int) -> EarlySound:
        lengths = {name: round(cut_s * rate_hz) for name, cut_s in CUTS_S.items()}
        held = {name: length for name, length in lengths.items() if arrival + length < sound.size}
        heard = sound[arrival : arrival + max(lengths.values()) + round(NEAR_CUT_S * rate_hz)]
        stretches = np.tile(heard, (3 * len(held), 1))
        for row, length in zip(range(0, len(stretches), 3), held.values(), strict=True):
            stretches[row, length:] = 0.0
            stretches[row + 1, :length] = 0.0
        before = Stretches.of(sound[np.newaxis, :arrival], rate_hz)
        return cls(arrival / rate_hz, before, tuple(held), Stretches.of(stretches, rate_hz))

    def energies(self, centre_hz: float | None, fraction: int) -> tuple[float, dict[str, tuple[float, float]]]:
        """Energy before the arrival; per cut, that from the arrival to it, and what a filter mixes of both sides."""
        front, rear, both = self.around.energies(centre_hz, fraction).reshape(-1, 3).T
        sides = {name: (float(f), float(b - f - r)) for name, f, r, b in zip(self.cuts, front, rear, both, strict=True)}
        before = float(self.before.energies(centre_hz, fraction)[0]) if self.arrival_s else 0.0
        return before, sides


@dataclass(frozen=True)
class BandEnergy:
    """Energy of one band with its noise, as the ratios need it.

    energy : ndarray, shape (blocks,)
        Up to where the decay meets the noise, noise taken out.
    time_s : ndarray, shape (blocks,)
        Middle of each block, from the click.
    noise : float
        Energy of the noise in a block.
    beyond : float
        Energy of the decay after the last block; ``beyond_s`` later than that, on average, it comes.
    freedom : float
        Independent values of the noise in a block.
    early_s : float
        How much the filter made the energy earlier.
    """

    energy: NDArray[Any]
    time_s: NDArray[Any]
    noise: float
    beyond: float
    beyond_sigma: float
    beyond_s: float
    freedom: float
    early_s: float
    range_db: float

    @property
    def block_s(self) -> float:
        return float(self.time_s[1] - self.time_s[0])


def energy_ratios(early: EarlySound, band: BandEnergy, centre_hz: float | None, fraction: int) -> dict[str, Figure]:
    """C50 and C80 in dB, D50, and Ts in ms, of one band."""
    if band.range_db < LEAST_RANGE_DB:
        return dict.fromkeys(NAMES, Figure(None, why_not=f"{band.range_db:.0f} dB of decay, needs {LEAST_RANGE_DB:g}"))
    before, sides = early.energies(centre_hz, fraction)
    noise = band.noise / band.block_s
    total = float(band.energy.sum()) + band.beyond - (before - noise * early.arrival_s)
    if band.beyond > MOST_BEYOND * total:
        return dict.fromkeys(NAMES, Figure(None, why_not="most of its energy would come after the record ends"))
    variance = (2 * band.noise * np.maximum(band.energy, 0) + band.noise**2) / band.freedom
    figures = {}
    for name, cut_s in CUTS_S.items():
        if name not in sides:
            figures[name] = Figure(None, why_not=f"the record ends {1e3 * cut_s:g} ms after the arrival or before")
            continue
        front = sides[name][0] - noise * cut_s
        rear = total - front - sides[name][1]
        late = band.time_s >= early.arrival_s + cut_s
        rear_variance = float(variance[late].sum()) + band.beyond_sigma**2
        front_variance = float(variance[~late & (band.time_s >= early.arrival_s)].sum())
        figures[name] = _ratio_db(front, rear, front_variance, rear_variance, 1e3 * cut_s)
    c50_db, c80_db = figures["c50_db"].value, figures["c80_db"].value
    if c50_db is not None and c80_db is not None:
        # Where nothing sounds between the cuts, rounding and filters must not let more come after the later one.
        figures["c80_db"] = replace(figures["c80_db"], value=max(c80_db, c50_db))
    figures["d50"] = _share(figures["c50_db"])
    figures["ts_ms"] = _centre_time_ms(band, early.arrival_s, variance)
    return {name: figures[name] for name in NAMES}


def _ratio_db(front: float, rear: float, front_variance: float, rear_variance: float, cut_ms: float) -> Figure:
    if rear <= 2 * np.sqrt(rear_variance) or rear <= LEAST_REAR * front:
        return Figure(None, why_not=f"nothing to be told of what comes {cut_ms:g} ms after the arrival")
    if front <= 2 * np.sqrt(front_variance):
        return Figure(None, why_not=f"nothing to be told of the first {cut_ms:g} ms after the arrival")
    sigma = np.sqrt(front_variance / front**2 + rear_variance / rear**2)
    return Figure(float(10 * np.log10(front / rear)), float(2 * 10 / np.log(10) * sigma))


def _share(ratio: Figure) -> Figure:
    """Early over whole from early over late in dB."""
    if ratio.value is None or ratio.uncertainty is None:
        return ratio
    share = 1 / (1 + 10 ** (-ratio.value / 10))
    return Figure(share, float(share * (1 - share) * np.log(10) / 10 * ratio.uncertainty))


def _centre_time_ms(band: BandEnergy, arrival_s: float, variance: NDArray[Any]) -> Figure:
    time_s = band.time_s + band.early_s - arrival_s
    # What a filter spreads to before the arrival belongs to the sound; what lies farther ahead does not.
    counted = time_s >= -SPREADING * band.block_s / band.freedom
    time_s, energy = time_s[counted], band.energy[counted]
    if energy.size == 0:
        return Figure(None, why_not="it meets the noise before the arrival")
    end_s = float(time_s[-1]) + band.block_s / 2 + band.beyond_s
    total = float(energy.sum()) + band.beyond
    centre_s = (float(time_s @ energy) + end_s * band.beyond) / total
    spread = float((time_s - centre_s) ** 2 @ variance[counted]) + ((end_s - centre_s) * band.beyond_sigma) ** 2
    # Within a block energy is taken to stand in the middle.
    unsure_s = np.hypot(2 * np.sqrt(spread) / total, band.block_s / 4)
    return Figure(1e3 * centre_s, 1e3 * float(unsure_s))
