"""How the energy dies away: noise floor, energy decay curve, and all that is read off it, band by band.

Method
    Per band the squared response is summed in short blocks. ``truncation`` finds where decay meets noise. Up to there
    the noise is subtracted in the backward integral (W. T. Chu, JASA 63, 1978; from memory; M. R. Schroeder, 1965) and
    the energy beyond is replaced by that of the fitted decay, so that neither noise nor truncation bends the curve.
    ``decay_times``, ``energy_ratios``, ``two_slopes`` and ``echo_density`` say how their figures are found, and what
    each needs.
Uncertainty
    From the noise alone (k = 2). Zero for a render without noise; what repeats of a measurement differ by is in
    ``repeats``.
Conventions
    Levels in dB re a unit click (energy sum of squares). Times count from the click, except for C50, C80, D50 and Ts,
    which count from the arrival, as ISO 3382-1 has it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.bands import (
    bandwidth_hz,
    block_samples,
    each_band,
    exact_centre,
    lead_blocks,
    octave_centres,
    third_octave_centres,
)
from reverdict.measure.decay_times import FITS, DecayCurve, DecayTime, Figure, curvature_percent, decay_times
from reverdict.measure.echo_density import EchoDensity, echo_density
from reverdict.measure.energy_ratios import NAMES, BandEnergy, EarlySound, energy_ratios, find_arrival
from reverdict.measure.truncation import energy_beyond, meet_noise, running_mean
from reverdict.measure.two_slopes import TwoSlopes, find_two_slopes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.bands import BandSound
    from reverdict.measure.truncation import NoiseMeeting

FADE_S = 0.05
SILENCE = 1e-24
CLEAR_OF_NOISE = np.log(10)
LOWEST_DB = -60.0
"""Echo density is told down to here, and 10 dB clear of the noise."""


@dataclass(frozen=True)
class BlockNoise:
    """Noise in a block: its energy, what is not known of that, and how many free values it has there.

    Of a band that ends before it meets its noise the energy is what other bands let expect.
    """

    energy: float = 0.0
    sigma: float = 0.0
    freedom: float = 1.0


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
    noise : BlockNoise
        What lies under the curve from one of its points to the next.
    times : "edt", "t20", "t30", "t60".
    ratios : "c50_db", "c80_db", "d50", "ts_ms", "curvature_percent".
    """

    centre_hz: float | None
    level_db: float | None
    range_db: float | None
    noise_floor_db: float | None
    peak_s: float | None
    times: dict[str, DecayTime]
    curve_s: NDArray[Any] = field(repr=False)
    curve_db: NDArray[Any] = field(repr=False)
    noise: BlockNoise
    ratios: dict[str, Figure]
    two_slopes: TwoSlopes


@dataclass(frozen=True)
class DecayMeasurement:
    """Decay of one signal path: the whole sound and its bands.

    fraction : int
        1 for octave bands, 3 for third-octaves.
    arrival_s : float or None
        From the click to the arrival, from which the ratios count; None in silence.
    """

    whole: BandDecay
    bands: tuple[BandDecay, ...]
    fraction: int
    arrival_s: float | None
    echo_density: EchoDensity


def measure_decay(
    samples: NDArray[Any], rate_hz: float, click_at_s: float = 0.0, fraction: int = 1
) -> DecayMeasurement:
    """Measure one signal path, shape (samples,), from its click on.

    Parameters
    ----------
    fraction : int
        1 for octaves from 125 Hz to 8 kHz, 3 for third-octaves from 100 Hz to 10 kHz.
    """
    first = max(round(click_at_s * rate_hz), 0)
    sound, faded = _without_edge(samples[first:], rate_hz)
    centres_hz = third_octave_centres(rate_hz) if fraction == 3 else octave_centres(rate_hz)
    bands = each_band(sound, rate_hz, centres_hz, fraction)
    heard = next(bands)
    block = block_samples(rate_hz)
    above_wander = heard.samples[lead_blocks(rate_hz) * block :]
    arrival = find_arrival(above_wander)
    early = None if arrival is None else EarlySound.of(sound, rate_hz, arrival)
    grid = _Grid(block, block / rate_hz, lead_blocks(rate_hz), -(-faded // block), early, fraction)
    whole, end_s = grid.measure(None, rate_hz / 2, heard)
    widths_hz = [bandwidth_hz(exact_centre(hz), fraction) for hz in centres_hz]
    measured = [grid.measure(hz, width, band)[0]
                for hz, width, band in zip(centres_hz, widths_hz, bands, strict=True)]  # fmt: skip
    whole, *measured = _with_noise_of_others([whole, *measured], [rate_hz / 2, *widths_hz])
    arrival_s = None if early is None else early.arrival_s
    density = echo_density(above_wander, rate_hz, arrival_s or 0.0, end_s)
    return DecayMeasurement(whole, tuple(measured), fraction, arrival_s, density)


def _with_noise_of_others(bands: list[BandDecay], widths_hz: list[float]) -> list[BandDecay]:
    """Bands that end before they meet their noise, with as much of it as the quietest of the others has per hertz.

    It is there, though not seen, and no more than what any band has left in the last tenth of its curve. It is not
    taken out.
    """
    sounding = [(band, width) for band, width in zip(bands, widths_hz, strict=True) if band.curve_s.size]
    known = [band.noise.energy / width for band, width in sounding if band.noise.energy]
    if not known:
        return bands
    density = min(*known, *(_left_per_block(band) / width for band, width in sounding if not band.noise.energy), np.inf)
    return [
        replace(band, noise=replace(band.noise, energy=density * width))
        if band.curve_s.size and not band.noise.energy
        else band
        for band, width in zip(bands, widths_hz, strict=True)
    ]


def _left_per_block(band: BandDecay) -> float:
    """Energy in a block, mean of the last tenth of the curve."""
    tenth = max(band.curve_db.size // 10, 2)
    first, last = (10 ** ((band.curve_db[-index] + (band.level_db or 0.0)) / 10) for index in (tenth, 1))
    return max(float(first - last), 0.0) / (tenth - 1)


def _without_edge(samples: NDArray[Any], rate_hz: float) -> tuple[NDArray[Any], int]:
    """Take the offset out and fade the end, whose edge a band filter would ring with; how many samples are faded."""
    if samples.size < 20:
        return samples, 0
    sound = samples - float(samples[-max(samples.size // 10, 1) :].mean())
    faded = max(int(min(FADE_S * rate_hz, 0.05 * samples.size)), 1)
    sound[-faded:] *= np.cos(np.linspace(0, np.pi / 2, faded)) ** 2
    return sound, faded


@dataclass(frozen=True)
class _Grid:
    """The blocks into which energy is summed, and what all bands share.

    lead : int
        Blocks before the click.
    faded : int
        Blocks at the end that are not heard.
    """

    block: int
    block_s: float
    lead: int
    faded: int
    early: EarlySound | None
    fraction: int

    def measure(self, centre_hz: float | None, width_hz: float, band: BandSound) -> tuple[BandDecay, float]:
        """Decay of one band, and until when after the click its echo density may be told."""
        energy = band.block_energy()
        energy = energy[: energy.size - self.faded]
        smooth = running_mean(energy, max(int(0.005 / self.block_s), 1)) if energy.size else np.zeros(1)
        peak = float(smooth.max())
        if peak <= SILENCE:
            return _nothing(centre_hz, None, None, None, "silent in this band"), 0.0
        peak_s = float(np.argmax(smooth)) * self.block_s - self.lead * self.block_s
        meeting = meet_noise(energy, self.block_s)
        if meeting is None:
            level_db = float(10 * np.log10(energy.sum()))
            return _nothing(centre_hz, level_db, 0.0, peak_s, "does not decay within the record"), 0.0
        return self._decay(centre_hz, width_hz, band, energy, meeting, peak, peak_s)

    def _decay(
        self, centre_hz: float | None, width_hz: float, band: BandSound, energy: NDArray[Any], meeting: NoiseMeeting,
        peak: float, peak_s: float,
    ) -> tuple[BandDecay, float]:  # fmt: skip
        freedom = max(width_hz * self.block_s, 1e-12)
        slopes, after = find_two_slopes(energy, meeting, self.block_s, width_hz, -self.lead * self.block_s)
        if after is None:
            noise = meeting.noise if meeting.reached else 0.0
            noise_sigma = noise / np.sqrt(freedom * max(meeting.quiet, 1))
            beyond, beyond_sigma = energy_beyond(energy, meeting, freedom)
        else:
            noise, noise_sigma, beyond, beyond_sigma = after.noise, after.noise_sigma, after.energy, after.sigma
        decaying = energy[: meeting.end].copy()
        decaying[self.lead :] -= noise
        remaining = np.append(np.cumsum(decaying[::-1])[::-1] + beyond, beyond)
        total = float(remaining[0])
        if total <= 0:
            level_db = float(10 * np.log10(energy.sum()))
            return _nothing(centre_hz, level_db, 0.0, peak_s, "does not stand out of the noise"), 0.0
        blocks_left = np.arange(remaining.size)[::-1]
        range_db = float(10 * np.log10(peak / max(meeting.noise, 1e-30 * peak)))
        curve = DecayCurve(
            (np.arange(remaining.size) - self.lead) * self.block_s,
            10 * np.log10(np.maximum(remaining, 1e-30 * total) / total),
            _sigma_db(remaining, noise, freedom, blocks_left, beyond_sigma + noise_sigma * blocks_left),
            range_db,
            meeting.reached,
            None if centre_hz is None else width_hz,
        )
        times = decay_times(curve)
        ratios = dict.fromkeys(NAMES, Figure(None, why_not="nothing arrives"))
        if self.early is not None:
            heard = BandEnergy(
                decaying, curve.time_s[:-1] + self.block_s / 2, noise, beyond, beyond_sigma,
                self.block_s / -float(np.expm1(meeting.slope)), freedom, band.early_s, range_db,
            )  # fmt: skip
            ratios = energy_ratios(self.early, heard, centre_hz, self.fraction)
        measured = BandDecay(
            centre_hz, float(10 * np.log10(total)), range_db,
            float(10 * np.log10(noise / self.block)) if noise > 0 else None,
            peak_s, times, curve.time_s, curve.level_db,
            BlockNoise(noise, noise_sigma, freedom),
            ratios | {"curvature_percent": curvature_percent(times)},
            slopes,
        )  # fmt: skip
        clear = meeting.end + (CLEAR_OF_NOISE / meeting.slope if meeting.reached else 0)
        heard_until = int(np.flatnonzero(curve.level_db > LOWEST_DB)[-1])
        return measured, (min(clear, heard_until) - self.lead) * self.block_s


def _nothing(
    centre_hz: float | None, level_db: float | None, range_db: float | None, peak_s: float | None, why: str
) -> BandDecay:
    """A band without a decay."""
    return BandDecay(
        centre_hz, level_db, range_db, None, peak_s, {name: DecayTime(None, why_not=why) for name in FITS},
        np.zeros(0), np.zeros(0), BlockNoise(), dict.fromkeys((*NAMES, "curvature_percent"), Figure(None, why_not=why)),
        TwoSlopes(why_not=why),
    )  # fmt: skip


def _sigma_db(
    remaining: NDArray[Any], noise: float, freedom: float, blocks_left: NDArray[Any], beyond: NDArray[Any]
) -> NDArray[Any]:
    """Standard deviation of the decay curve in dB, from noise with so many free values in a block.

    Beat of noise and decay: variance 2 N E / (B Δt) per block energy N over Δt; wavering of the noise: N² per B Δt
    independent values; and what is not known of its mean and of the energy ``beyond``.
    """
    variance = 2 * noise * np.maximum(remaining, 0) / freedom + noise**2 * blocks_left / freedom + beyond**2
    return 4.343 * np.sqrt(variance) / np.maximum(remaining, 1e-30 * remaining[0])
