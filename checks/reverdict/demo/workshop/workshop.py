"""The reverb of the Fennholt workshop's two-spring pedal, in the form its sound is tuned in.

(Fennholt is invented, and so is its pedal; see README.md.)

Programs, chosen by ``program``:
    tank    the pedal's tank: two springs, one channel
    spring  two shorter, brighter springs, one channel
    stereo  one spring for each side, each faintly heard on the other
    hall    a dense hall, one channel in and two out

A spring is a loop of two trips, forth and back. A trip is a delay line, a chain of stretched allpass sections
(a + z⁻ᴷ)/(1 + a z⁻ᴷ) that delays high frequencies more, and a filter for what a trip loses. The pickup sits at the
far end, so it hears 1, 3, 5, … trips; the near end reflects with inverted sign, so every second pass is inverted.
The line's length makes up the trip's time at 500 Hz, whatever else is in the trip.

Springs: V. Välimäki, J. Parker, J. S. Abel, J. AES 58(7/8) 2010, 547-562.
Hall: a feedback delay network, J.-M. Jot and A. Chaigne, AES 90, 1991.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import hadamard
from scipy.signal import lfilter, sosfilt

Samples = NDArray[np.float64]

TUNED_AT_HZ = 500.0
"""Where a spring's trip time is meant: low in its range, where its echoes are heard as separate."""

HIGH_PASS_HZ = 80.0


@dataclass(frozen=True)
class Spring:
    """What one spring sounds like.

    trip_ms : one trip at 500 Hz.
    transition_hz : above it a spring passes nothing; sets the stretch K = rate/(2 transition), rounded.
    sections : (how many, coefficient a) for each group of allpass sections.
    trip_db : gain of one trip at low frequencies.
    damping_hz, damping_q : gentle lowpass of second order that a trip goes through.
    edge_hz : pass-band edge of the steep lowpass below the transition.
    """

    trip_ms: float
    transition_hz: float
    sections: tuple[tuple[int, float], ...]
    trip_db: float
    damping_hz: float
    damping_q: float
    edge_hz: float
    level_db: float = 0.0


@dataclass(frozen=True)
class Tank:
    """Springs side by side on one frame."""

    springs: tuple[Spring, ...]
    coupling: float  # share of a reflection that goes over to the other springs
    bleed: float  # drive heard directly at the pickup
    gain: float


# Sections, damping and edges are one least-squares fit for each spring of the tank on the bench: group delay of a
# trip from 100 Hz to 0.76 of the transition (worst 0.02 ms) and decay from 100 Hz to 0.85 of it (within 4 % below
# 3 kHz, 11 % above). Trip times are those at 500 Hz. The gain matches the mean level from 250 Hz to 2 kHz.
TANK = Tank(
    springs=(
        Spring(30.9431, 4800, ((100, 0.60581), (108, 0.16386)), -0.540, 4711, 0.652, 4150),
        Spring(41.9630, 4000, ((106, 0.60727), (122, 0.16825)), -0.728, 3902, 0.657, 3497, level_db=-2.0),
    ),
    coupling=0.02,
    bleed=0.00037,
    gain=14.85,
)

# By ear: shorter, brighter, one group of 100 sections for each trip.
SPRING = Tank(
    springs=(
        Spring(24.35, 4800, ((100, 0.62),), -0.50, 6500, 0.65, 4050),
        Spring(33.45, 4800, ((100, 0.57),), -0.65, 6500, 0.65, 4050, level_db=-1.5),
    ),
    coupling=0.01,
    bleed=0.0004,
    gain=10.0,
)

LEFT = Tank((Spring(28.72, 4800, ((80, 0.60),), -0.62, 5500, 0.65, 4250),), 0.0, 0.0004, 10.0)
RIGHT = Tank((Spring(36.55, 4000, ((80, 0.60),), -0.75, 5000, 0.65, 3550),), 0.0, 0.0004, 10.0)
ACROSS = 10 ** (-12 / 20)

HALL_LINES = (1009, 1087, 1171, 1259, 1361, 1459, 1571, 1693, 1823, 1973, 2111, 2273, 2447, 2633, 2837, 3049)
HALL_DIFFUSERS = (113, 167, 241, 347)
HALL_SECONDS = 1.6
HALL_DAMPING_HZ = 9000.0
HALL_GAIN = 6.5

# An elliptic lowpass of order 8, 0.01 dB ripple, 60 dB down, as (pole frequency, pole Q, zero frequency) relative
# to its pass-band edge: scipy.signal.ellipap(8, 0.01, 60).
STEEP = (
    (0.680764, 0.564667, 5.295923),
    (0.865186, 1.126594, 1.985029),
    (0.999374, 2.782354, 1.443794),
    (1.055589, 10.542823, 1.293794),
)


class DelayLine:
    """A delay of whole samples. Read a chunk, then write the next one in its place."""

    def __init__(self, length: int) -> None:
        self.ring = np.zeros(length)
        self.position = 0

    def read(self, frames: int) -> Samples:
        self.places = (self.position + np.arange(frames)) % self.ring.size
        return self.ring[self.places]

    def write(self, chunk: Samples) -> None:
        self.ring[self.places] = chunk
        self.position = (self.position + chunk.size) % self.ring.size


class AllpassChain:
    """Stretched allpass sections in a row.

    A stretched section only ever joins samples K apart, so the chain is K independent unstretched chains, one for
    each phase n mod K. Two neighbouring sections of a group make one biquad.
    """

    def __init__(self, groups: tuple[tuple[int, float], ...], stretch: int, precision: str = "double") -> None:
        kind = np.dtype(precision)
        rows = []
        for count, a in groups:
            rows += [[a * a, 2 * a, 1, 1, 2 * a, a * a]] * (count // 2) + [[a, 1, 0, 1, a, 0]] * (count % 2)
        self.sections = np.array(rows, dtype=kind)
        self.stretch = stretch
        self.state = np.zeros((len(rows), stretch, 2), dtype=kind)  # row 0 belongs to the next sample's phase

    def process(self, chunk: Samples) -> Samples:
        rounds, rest = divmod(chunk.size, self.stretch)
        whole = chunk.size - rest
        out = np.empty_like(chunk)
        chunk = chunk.astype(self.sections.dtype, copy=False)
        if rounds:
            phases = chunk[:whole].reshape(rounds, self.stretch).T
            result, self.state = sosfilt(self.sections, phases, zi=self.state)
            out[:whole] = result.T.ravel()
        if rest:
            result, done = sosfilt(self.sections, chunk[whole:, None], zi=self.state[:, :rest])
            out[whole:] = result[:, 0]
            self.state = np.concatenate([self.state[:, rest:], done], axis=1)
        return out


class Filter:
    """Biquads in a row that remember where they were."""

    def __init__(self, biquads: list[list[float]]) -> None:
        self.biquads = np.array(biquads)
        self.state = np.zeros((len(biquads), 2))

    def process(self, chunk: Samples) -> Samples:
        out, self.state = sosfilt(self.biquads, chunk, zi=self.state)
        return np.asarray(out)


def one_pole_lowpass(rate: float, corner_hz: float) -> list[float]:
    pole = np.exp(-2 * np.pi * corner_hz / rate)
    return [1 - pole, 0, 0, 1, -pole, 0]


def one_pole_highpass(rate: float, corner_hz: float) -> list[float]:
    tangent = np.tan(np.pi * corner_hz / rate)
    return [1 / (1 + tangent), -1 / (1 + tangent), 0, 1, (tangent - 1) / (1 + tangent), 0]


def lowpass(rate: float, corner_hz: float, quality: float, notch: float = np.inf) -> list[float]:
    """Second order by bilinear transform, gain 1 at 0 Hz, zero at ``notch`` times the corner."""
    square = np.tan(np.pi * corner_hz / rate) ** -2
    slope, above = np.sqrt(square) / quality, square / notch**2
    norm = square + slope + 1
    top = [(above + 1) / norm, 2 * (1 - above) / norm, (above + 1) / norm]
    return [*top, 1, 2 * (1 - square) / norm, (square - slope + 1) / norm]


def steep_lowpass(rate: float, edge_hz: float) -> list[list[float]]:
    """The elliptic lowpass; its corners keep their ratios on the warped axis of the bilinear transform."""
    edge = np.tan(np.pi * edge_hz / rate)
    biquads = []
    for pole, quality, zero in STEEP:
        corner_hz = rate / np.pi * np.arctan(pole * edge)
        biquads.append(lowpass(rate, corner_hz, quality, zero / pole))
    return biquads


def fraction(samples: float) -> list[float]:
    """First-order allpass that delays by 0.5 to 1.5 samples (Thiran)."""
    a = (1 - samples) / (1 + samples)
    return [a, 1, 0, 1, a, 0]


def biquad_delay(biquads: list[list[float]], radians: float) -> float:
    """Group delay in samples at ``radians`` per sample."""
    turns = np.exp(-1j * radians * np.arange(3))
    total = 0.0
    for row in np.array(biquads):
        for coefficients, sign in ((row[:3], 1), (row[3:], -1)):
            total += sign * ((np.arange(3) * coefficients) @ turns / (coefficients @ turns)).real
    return total


def chain_delay(groups: tuple[tuple[int, float], ...], stretch: int, radians: float) -> float:
    """Group delay in samples of stretched allpass sections."""
    cosine = math.cos(stretch * radians)
    return sum(count * stretch * (1 - a * a) / (1 + 2 * a * cosine + a * a) for count, a in groups)


class Trip:
    """One passage from end to end of a spring."""

    chain_type: type[AllpassChain] = AllpassChain

    def __init__(self, spring: Spring, rate: int, precision: str) -> None:
        stretch = round(rate / (2 * spring.transition_hz))
        losses = [lowpass(rate, spring.damping_hz, spring.damping_q), *steep_lowpass(rate, spring.edge_hz)]
        radians = 2 * np.pi * TUNED_AT_HZ / rate
        others = chain_delay(spring.sections, stretch, radians) + biquad_delay(losses, radians)
        length, rest = self.line_length(spring.trip_ms * rate / 1000 - others)
        self.line = DelayLine(length)
        self.chain = self.chain_type(spring.sections, stretch, precision)
        self.losses = Filter([fraction(rest), *losses] if rest else losses)
        self.gain = 10 ** (spring.trip_db / 20)

    def line_length(self, wanted: float) -> tuple[int, float]:
        """Whole samples for the line and the rest, 0.5 to 1.5 samples, for an allpass."""
        length = int(wanted - 0.5)
        return length, wanted - length

    def read(self, frames: int) -> Samples:
        return self.gain * self.losses.process(self.chain.process(self.line.read(frames)))


class Springs:
    """A tank at work."""

    def __init__(self, tank: Tank, rate: int, trip: type[Trip] = Trip, precision: str = "double") -> None:
        self.tank = tank
        self.forth = [trip(spring, rate, precision) for spring in tank.springs]
        self.back = [trip(spring, rate, precision) for spring in tank.springs]
        count = len(tank.springs)
        shared = tank.coupling if count > 1 else 0.0
        self.reflect = -((1 - count * shared) * np.eye(count) + shared * np.ones((count, count)))
        self.levels = np.array([10 ** (spring.level_db / 20) for spring in tank.springs])
        self.longest_chunk = min(each.line.ring.size for each in self.forth + self.back)
        self.high_pass = Filter([one_pole_highpass(rate, HIGH_PASS_HZ)])

    def process(self, drive: Samples) -> Samples:
        pickup = np.concatenate([self._advance(chunk) for chunk in chunks(drive, self.longest_chunk)])
        return self.tank.gain * (self.high_pass.process(pickup) + self.tank.bleed * drive)

    def _advance(self, drive: Samples) -> Samples:
        far = np.array([trip.read(drive.size) for trip in self.forth])
        near = np.array([trip.read(drive.size) for trip in self.back])
        for trip, sent in zip(self.forth, drive + self.reflect @ near, strict=True):
            trip.line.write(sent)
        for trip, sent in zip(self.back, far, strict=True):
            trip.line.write(sent)
        return np.asarray(self.levels @ far)


class Hall:
    """Sixteen lines that all feed each other, after four diffusers."""

    def __init__(self, rate: int, feedback_db: float, precision: str = "double") -> None:
        lengths = [round(length * rate / 48000) for length in HALL_LINES]
        self.diffusers = [AllpassChain(((1, 0.62),), round(k * rate / 48000), precision) for k in HALL_DIFFUSERS]
        self.lines = [DelayLine(length) for length in lengths]
        passes_db = -60 * np.array(lengths) / (rate * HALL_SECONDS) + feedback_db
        self.gains = 10 ** (passes_db / 20)[:, None]
        low = one_pole_lowpass(rate, HALL_DAMPING_HZ)
        self.numerator, self.denominator = low[:1], low[3:5]
        self.damping = np.zeros((len(lengths), 1))
        self.mix = hadamard(len(lengths)) / np.sqrt(len(lengths))
        self.pickups = HALL_GAIN * self.mix[[5, 10]]
        self.longest_chunk = min(lengths)

    def process(self, drive: Samples) -> Samples:
        return np.concatenate([self._advance(chunk) for chunk in chunks(drive, self.longest_chunk)], axis=1)

    def _advance(self, drive: Samples) -> Samples:
        for diffuser in self.diffusers:
            drive = diffuser.process(drive)
        arriving = np.array([line.read(drive.size) for line in self.lines])
        arriving, self.damping = lfilter(self.numerator, self.denominator, self.gains * arriving, zi=self.damping)
        for line, sent in zip(self.lines, drive + self.mix @ arriving, strict=True):
            line.write(sent)
        return np.asarray(self.pickups @ arriving)


def chunks(samples: Samples, longest: int) -> list[Samples]:
    """Pieces short enough that what a loop sends out does not come back within one."""
    return [samples[start : start + longest] for start in range(0, samples.size, longest)]


class Reverb:
    """A program at work.

    Parameters
    ----------
    sample_rate : int
    program : "tank", "spring", "stereo" or "hall"
    sections_share : share of the allpass sections that is kept, for small processors.
    damping_scale : moves the corner of the damping, so that fewer sections need not shorten the decay.
    feedback_db : added to the gain of a spring's round trip (and of the hall's loop).
    trim_db : added to the level of the springs.
    precision : "double" or "single", of the allpass sections.
    """

    trip: type[Trip] = Trip

    def __init__(
        self,
        sample_rate: int,
        program: str = "tank",
        sections_share: float = 1.0,
        damping_scale: float = 1.0,
        feedback_db: float = 0.0,
        trim_db: float = 0.0,
        precision: str = "double",
    ) -> None:
        def springs(tank: Tank) -> Springs:
            tank = altered(tank, sections_share, damping_scale, feedback_db, trim_db)
            return Springs(tank, sample_rate, self.trip, precision)

        self.sides: tuple[Springs, ...] = ()
        if program == "tank":
            self.sides = (springs(TANK),)
        elif program == "spring":
            self.sides = (springs(SPRING),)
        elif program == "stereo":
            self.sides = (springs(LEFT), springs(RIGHT))
        elif program == "hall":
            self.hall = Hall(sample_rate, feedback_db, precision)
        else:
            raise ValueError(f"no program {program!r}; there are tank, spring, stereo and hall")

    def process(self, block: Samples) -> Samples:
        """Next frames, shape (channels in, frames) to (channels out, frames)."""
        inputs = len(self.sides) or 1
        if block.shape[0] != inputs:
            raise ValueError(f"{block.shape[0]} channels in, this program takes {inputs}")
        if not self.sides:
            return self.hall.process(block[0])
        sides = np.array([side.process(channel) for side, channel in zip(self.sides, block, strict=True)])
        return sides if inputs == 1 else sides + ACROSS * sides[::-1]


def altered(
    tank: Tank, sections_share: float, damping_scale: float, feedback_db: float = 0.0, trim_db: float = 0.0
) -> Tank:
    """The tank with other sections, damping, feedback or level; the trip times at 500 Hz stay."""
    springs = tuple(
        replace(
            spring,
            sections=tuple((round(count * sections_share), a) for count, a in spring.sections),
            damping_hz=spring.damping_hz * damping_scale,
            trip_db=spring.trip_db + feedback_db / 2,
        )
        for spring in tank.springs
    )
    return replace(tank, springs=springs, gain=tank.gain * 10 ** (trim_db / 20))
