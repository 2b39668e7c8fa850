"""The usual spring algorithm, as an exact function of complex frequency and as a sound.

A trip, one passage from end to end of a spring, is a delay line, groups of stretched allpass sections, a lowpass and a
steep lowpass; s is complex frequency (rad/s), s̃ = 2 fs tanh(s/2fs) what the bilinear transform makes of it:

    T(s) = e^(−sD) · Π A(s)^N · 1/(1 + b₁s̃ + b₂s̃²) · E(s̃·e)
    A(s) = (a + z^(−K))/(1 + a z^(−K)),  z^(−K) = e^(−s/(2 f_C)),  K = fs/(2 f_C), whole or not

E is an elliptic lowpass of order 8 (0.01 dB ripple, 60 dB), 1/e the warped edge of its pass band; e = 0 leaves it out.
Springs stand side by side. The pickup hears v·T; what comes back is reflected, and a share c goes over to the others:

    1:3:5   vᵢ = 1 + rᵢ Tᵢ² vᵢ + c Σⱼ Tⱼ² vⱼ  (j ≠ i)        1:2:3   the same with T instead of T²
    H = e^(−s t₀) hp(s̃) Σ Lᵢ Tᵢ vᵢ,  hp = 1/(1 + h₁/s̃ + h₂/s̃²)

Damped by e^(−αt) a response has the spectrum H(α + jω): long tails die away without a window, and exactly so.

Sources: V. Välimäki, J. Parker, J. S. Abel, J. AES 58(7/8) 2010, 547-562 (line, chain, loop).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

TRIPS_PER_ROUND = {"1:3:5": 2, "1:2:3": 1}
SILENT_DB = 140.0
"""How far below itself a synthesised sound wraps round."""


@dataclass(frozen=True)
class TripModel:
    """One spring. Levels and gains are linear with their sign; ``sections`` may be any real number.

    line_s : delay line D of a trip; transition_hz : f_C; chains : (sections N, coefficient a) of each group.
    lowpass_s, lowpass_s2 : b₁ and b₂; edge_s : e.
    reflection : r, gain of a round trip at 0 Hz; level : L, gain of the first pass at 0 Hz.
    """

    line_s: float
    transition_hz: float
    chains: tuple[tuple[float, float], ...]
    reflection: float
    level: float
    lowpass_s: float = 0.0
    lowpass_s2: float = 0.0
    edge_s: float = 0.0


@dataclass(frozen=True)
class TankModel:
    """Springs side by side, of one pass law. ``direct`` is the drive heard at the pickup at t = 0, linear.

    latency_s : t₀, by which every pass is late against whole trips: a build's latency, a click told wrongly.
    """

    springs: tuple[TripModel, ...]
    pass_law: str
    coupling: float = 0.0
    highpass_per_s: float = 0.0
    highpass_per_s2: float = 0.0
    direct: float = 0.0
    latency_s: float = 0.0


def warped(s: NDArray[Any], rate_hz: float) -> NDArray[Any]:
    """s̃ of the bilinear transform."""
    return np.asarray(2 * rate_hz * np.tanh(s / (2 * rate_hz)))


def log_section(a: float, turn: NDArray[Any]) -> NDArray[Any]:
    """Logarithm of A, z^(−K) = e^(−turn), on the branch that begins at 0 and goes on for ever."""
    return np.asarray(np.log1p(a * np.exp(turn)) - np.log1p(a * np.exp(-turn)) - turn)


@cache
def _elliptic() -> tuple[NDArray[Any], NDArray[Any]]:
    from scipy.signal import ellipap

    zeros, poles, _ = ellipap(8, 0.01, 60)
    return zeros, poles


def log_steep(x: NDArray[Any]) -> NDArray[Any]:
    """Logarithm of E, 0 at x = 0."""
    zeros, poles = _elliptic()
    return np.asarray(sum(np.log1p(-x / zero) for zero in zeros) - sum(np.log1p(-x / pole) for pole in poles))


def steep_slope(x: NDArray[Any]) -> NDArray[Any]:
    """Derivative of log E by x."""
    zeros, poles = _elliptic()
    return np.asarray(sum(1 / (x - zero) for zero in zeros) - sum(1 / (x - pole) for pole in poles))


def log_trip(spring: TripModel, s: NDArray[Any], rate_hz: float) -> NDArray[Any]:
    """Logarithm of T."""
    bent = warped(s, rate_hz)
    turn = s / (2 * spring.transition_hz)
    chain = sum(sections * log_section(a, turn) for sections, a in spring.chains)
    lowpass = -np.log(1 + spring.lowpass_s * bent + spring.lowpass_s2 * bent**2)
    steep = log_steep(spring.edge_s * bent) if spring.edge_s else 0.0
    return np.asarray(-s * spring.line_s + chain + lowpass + steep)


@dataclass(frozen=True)
class Loops:
    """What the springs do together: H/hp, and its derivatives by what the trips do, all of shape (springs, bins).

    by_trip : Tᵢ·∂/∂Tᵢ; by_reflection : ∂/∂rᵢ; by_level : ∂/∂Lᵢ; by_coupling, shape (bins,) : ∂/∂c.
    """

    sound: NDArray[Any]
    by_trip: NDArray[Any]
    by_reflection: NDArray[Any]
    by_level: NDArray[Any]
    by_coupling: NDArray[Any]


def loops(tank: TankModel, trips: NDArray[Any]) -> Loops:
    """Solve the springs' reflections for v; ``trips``, shape (springs, bins), are the T."""
    power = TRIPS_PER_ROUND[tank.pass_law]
    coupling = tank.coupling
    level = np.array([one.level for one in tank.springs])[:, None]
    round_trip, alone, shared = _waves(tank, trips)
    wave = alone * shared
    heard = level * trips * alone
    back = heard + round_trip * alone * coupling * shared * heard.sum(axis=0)
    returned = round_trip * wave
    others = returned.sum(axis=0) - returned
    gathered = back.sum(axis=0)
    reflections = np.array([one.reflection for one in tank.springs])[:, None]
    by_round = (reflections * back + coupling * (gathered - back)) * returned
    return Loops(
        np.sum(level * trips * wave, axis=0),
        level * trips * wave + power * by_round,
        back * returned,
        trips * wave,
        np.sum(back * others, axis=0),
    )


def sounding(tank: TankModel, trips: NDArray[Any]) -> NDArray[Any]:
    """The ``sound`` of ``loops`` alone."""
    level = np.array([one.level for one in tank.springs])[:, None]
    _, alone, shared = _waves(tank, trips)
    return np.asarray(np.sum(level * trips * alone, axis=0) * shared)


def _waves(tank: TankModel, trips: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Round trips, 1/(1 − (r − c) of them), both of shape (springs, bins), and what springs share: v = alone·shared.

    The springs' system differs from a diagonal by one dyad (Sherman and Morrison).
    """
    reflections = np.array([one.reflection for one in tank.springs])[:, None]
    round_trip = trips ** TRIPS_PER_ROUND[tank.pass_law]
    alone = 1 / (1 - (reflections - tank.coupling) * round_trip)
    return round_trip, alone, 1 / (1 - tank.coupling * np.sum(round_trip * alone, axis=0))


def highpass(tank: TankModel, bent: NDArray[Any]) -> NDArray[Any]:
    """The highpass hp on s̃."""
    return np.asarray(bent**2 / (bent**2 + tank.highpass_per_s * bent + tank.highpass_per_s2))


def transfer(tank: TankModel, s: NDArray[Any], rate_hz: float) -> NDArray[Any]:
    """H(s) without the direct sound."""
    trips = np.exp([log_trip(spring, s, rate_hz) for spring in tank.springs])
    bent = warped(s, rate_hz)
    return np.asarray(sounding(tank, trips) * highpass(tank, bent) * np.exp(-s * tank.latency_s))


def synthesise(tank: TankModel, rate_hz: float, seconds: float) -> NDArray[Any]:
    """Response to a unit click at the first sample, shape (samples,), exact but for what wraps round 140 dB down."""
    samples = max(round(seconds * rate_hz), 1)
    grid = fft.next_fast_len(2 * samples, real=True)
    alpha = SILENT_DB / 20 * np.log(10) * rate_hz / grid
    s = alpha + 2j * np.pi * np.arange(grid // 2 + 1) * rate_hz / grid
    sound = fft.irfft(transfer(tank, s, rate_hz), grid)[:samples] * np.exp(alpha / rate_hz * np.arange(samples))
    sound[0] += tank.direct
    return np.asarray(sound)


def first_pass_delay_s(tank: TankModel, index: int, frequency_hz: NDArray[Any], rate_hz: float) -> NDArray[Any]:
    """Group delay of a spring's first pass: its trip, the highpass and the latency."""
    step = 0.01
    above, below = (highpass(tank, warped(2j * np.pi * (frequency_hz + d), rate_hz)) for d in (step, -step))
    shared_s = tank.latency_s - np.angle(above / below) / (4 * np.pi * step)
    return np.asarray(trip_delay_s(tank.springs[index], frequency_hz, rate_hz) + shared_s)


def trip_delay_s(spring: TripModel, frequency_hz: NDArray[Any], rate_hz: float) -> NDArray[Any]:
    """Group delay of a trip, −Im dlog T/dω by central differences of 0.02 Hz."""
    step = 0.01
    above, below = (log_trip(spring, 2j * np.pi * (frequency_hz + d), rate_hz) for d in (step, -step))
    return np.asarray(-np.imag(above - below) / (4 * np.pi * step))
