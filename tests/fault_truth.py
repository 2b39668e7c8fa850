"""Random springs of the usual algorithm, and single faults put into them whose kind, place and size are known exactly.

Springs are ``algorithm_truth``'s, in the frequency domain, with one more thing: what is reflected goes over to other
springs through a matrix that is solved at every frequency. Every value is drawn evenly from its range, from one seed:

    springs           1, 2 or 3, in turn; trips at least 4 ms apart
    pass law          1:3:5 (two in three) or 1:2:3
    delay line        600 to 2000 samples, whole or not
    sections          60 to 130, coefficient 0.45 to 0.7, stretch 5 to 7 samples, whole or not
    reflection        −1.9 to −0.9 dB, turned over
    lowpass           3.2 to 5.5 kHz, second order (Butterworth); a steep one at 0.8 to 0.87 of the transition frequency
    level             0 to −3 dB; later springs of either polarity
    direct sound      0 to 0.02, coupling 0 to 0.03

Faults are of a size between ``least`` and ``most`` times the demo's tolerance; see ``FAULTS``. Shares no code with the
estimator.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

from algorithm_truth import Algorithm

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

RATE_HZ = 48000
SECONDS = 2.0
LEAST_APART = 200.0
HIGHPASS_HZ = 80.0


@dataclass(frozen=True)
class Tank:
    """Springs side by side, what goes over between them, and the drive heard at the pickup."""

    springs: tuple[Algorithm, ...]
    law: str
    coupling: float
    direct: float
    highpass_hz: float = HIGHPASS_HZ


@dataclass(frozen=True)
class Fault:
    """What was done: in the words of the suite, to which spring (0: all), and how much, in its unit."""

    kind: str
    spring: int
    amount: float
    candidate: NDArray[np.float64]


def random_tank(seed: int) -> Tank:
    """The tank of a seed, with 1 + seed % 3 springs."""
    random = np.random.default_rng(4000 + seed)
    count = 1 + seed % 3
    while True:
        springs = [_random_spring(random, index) for index in range(count)]
        springs.sort(key=_trip_samples)
        trips = np.array([_trip_samples(one) for one in springs])
        if np.diff(trips).min(initial=1e9) > LEAST_APART:
            break
    coupling = float(random.uniform(0, 0.03)) if count > 1 else 0.0
    return Tank(
        tuple(springs), str(random.choice(["1:3:5", "1:3:5", "1:2:3"])), coupling, float(random.uniform(0, 0.02))
    )


def _random_spring(random: np.random.Generator, index: int) -> Algorithm:
    stretch = float(random.integers(5, 8)) if random.integers(2) else float(random.uniform(5, 7))
    line = float(random.uniform(600, 2000))
    return Algorithm(
        line if random.integers(2) else float(round(line)),
        int(random.integers(60, 131)),
        float(random.uniform(0.45, 0.7)),
        stretch,
        -(10 ** float(random.uniform(-1.9, -0.9) / 20)),
        float(random.uniform(3200, 5500)),
        edge_hz=float(random.uniform(0.8, 0.87)) * RATE_HZ / (2 * stretch),
        level_db=-float(random.uniform(0, 3)) if index else 0.0,
        polarity=int(random.choice([-1, 1])) if index else 1,
    )


def _trip_samples(one: Algorithm) -> float:
    """A trip at 0 Hz."""
    return one.line + one.sections * one.stretch * (1 - one.coefficient) / (1 + one.coefficient)


def respond(tank: Tank, rate_hz: int = RATE_HZ, seconds: float = SECONDS) -> NDArray[np.float64]:
    """Response to a unit click at the first sample, shape (samples,)."""
    size = round(seconds * rate_hz)
    grid = 1 << int(np.ceil(np.log2(8 * rate_hz)))
    omega = 2 * np.pi * np.arange(grid // 2 + 1) / grid
    trips = np.array([one.trip(omega, rate_hz) for one in tank.springs])
    around = trips**2 if tank.law == "1:3:5" else trips
    count = len(tank.springs)
    back = np.full((count, count), tank.coupling) + np.diag([one.reflection - tank.coupling for one in tank.springs])
    # v = 1 + R (around · v), at every frequency.
    system = np.eye(count)[None] - back[None] * around.T[:, None, :]
    waves = np.linalg.solve(system, np.ones((omega.size, count, 1)))[..., 0].T
    levels = np.array([one.polarity * 10 ** (one.level_db / 20) for one in tank.springs])
    total = np.sum(levels[:, None] * trips * waves, axis=0)
    total *= signal.freqz(*signal.butter(1, tank.highpass_hz, "high", fs=rate_hz), omega)[1]
    sound = np.fft.irfft(total, grid)[:size]
    sound[0] += tank.direct
    return np.asarray(sound)


# Faults


def _on_spring(name: str) -> Callable[[Tank, int, float], Tank]:
    def changed(tank: Tank, index: int, amount: float) -> Tank:
        one = tank.springs[index]
        turned = {
            "delay line": lambda: replace(one, line=one.line + amount * RATE_HZ / 1000),
            "sections": lambda: replace(one, sections=one.sections + round(amount)),
            "coefficient": lambda: replace(one, coefficient=one.coefficient + amount),
            "transition frequency": lambda: replace(one, stretch=one.stretch / (1 + amount / 100)),
            "reflection": lambda: replace(one, reflection=one.reflection * 10 ** (amount / 20)),
            "level": lambda: replace(one, level_db=one.level_db + amount),
            "lowpass": lambda: replace(one, lowpass_hz=one.lowpass_hz * (1 + amount / 100)),
            "steep lowpass": lambda: replace(one, edge_hz=(one.edge_hz or 0.0) * (1 + amount / 100)),
        }[name]()
        return replace(tank, springs=(*tank.springs[:index], turned, *tank.springs[index + 1 :]))

    return changed


def _either(random: np.random.Generator, least: float, most: float) -> float:
    return float(random.choice([-1, 1]) * random.uniform(least, most))


SPRING_FAULTS: dict[str, tuple[float, float]] = {
    "delay line": (0.2, 1.0),  # ms; arrival_ms = 0.1
    "sections": (4, 40),  # of 60 to 130
    "coefficient": (0.015, 0.08),
    "transition frequency": (2, 10),  # %; transition_percent = 1
    "reflection": (0.1, 0.5),  # dB of a round trip; 0.1 dB is about 4 to 10 % of T30, t30_percent = 2
    "level": (1.0, 5.0),  # dB; level_db = 0.5
    "lowpass": (10, 40),  # %
    "steep lowpass": (4, 12),  # %
}
ONE_SPRING_HAS_NONE = (
    "coupling", "all delay lines", "all reflections", "all lowpasses", "all sections", "springs swapped",
    "spring polarity", "missing",
)  # fmt: skip
TANK_FAULTS = ("gain", "latency", "polarity", "time scale", "direct sound", *ONE_SPRING_HAS_NONE)
ADDED_FAULTS = ("hum", "offset", "click", "cut", "noise")
FAULTS = (*SPRING_FAULTS, *TANK_FAULTS, *ADDED_FAULTS)


def faulty(tank: Tank, golden: NDArray[np.float64], kind: str, seed: int) -> Fault | None:
    """The tank with one fault of a kind; None where it has none of that kind (one spring cannot be swapped)."""
    random = np.random.default_rng(9000 + seed)
    count = len(tank.springs)
    index = int(random.integers(count))
    if kind in SPRING_FAULTS:
        if kind == "level" and count == 1:
            return None
        amount = _either(random, *SPRING_FAULTS[kind])
        if kind == "sections":
            amount = float(round(amount if amount < 0 or random.integers(2) else -amount))
        if kind == "reflection":
            room = -20 * np.log10(abs(tank.springs[index].reflection)) - 0.3
            amount = min(amount, room) if amount < 0 or room > 0.1 else -amount
        return Fault(kind, index + 1, amount, respond(_on_spring(kind)(tank, index, amount)))
    if kind in ADDED_FAULTS:
        return _added(golden, kind, random)
    return _on_tank(tank, golden, kind, index, random)


def _on_tank(
    tank: Tank, golden: NDArray[np.float64], kind: str, index: int, random: np.random.Generator
) -> Fault | None:
    count = len(tank.springs)

    def all_springs(name: str, amount: float) -> NDArray[np.float64]:
        changed = tank
        for each in range(count):
            changed = _on_spring(name)(changed, each, amount)
        return respond(changed)

    if count == 1 and kind in ONE_SPRING_HAS_NONE:
        return None
    if kind == "gain":
        db = _either(random, 1, 5)
        return Fault("gain", 0, db, golden * 10 ** (db / 20))
    if kind == "latency":
        samples = int(random.integers(10, 600))
        return Fault("latency", 0, 1e3 * samples / RATE_HZ, np.concatenate([np.zeros(samples), golden[:-samples]]))
    if kind == "polarity":
        return Fault("polarity", 0, 0.0, -golden)
    if kind == "time scale":
        rate_hz = int(random.choice([44100, 47000, 47900, 48100, 49000, 32000, 96000]))
        other = tuple(
            replace(one, line=one.line * rate_hz / RATE_HZ, stretch=one.stretch * rate_hz / RATE_HZ)
            for one in tank.springs
        )
        seconds = SECONDS * RATE_HZ / rate_hz
        # As long as the golden, to the sample; what a faster rate leaves out at the end is as good as silent.
        sound = respond(replace(tank, springs=other), rate_hz, seconds)
        sound = np.pad(sound, (0, max(golden.size - sound.size, 0)))[: golden.size]
        return Fault("time scale", 0, rate_hz / RATE_HZ, sound)
    if kind == "direct sound":
        more = float(random.uniform(0.1, 0.4))
        return Fault("direct sound", 0, more, respond(replace(tank, direct=tank.direct + more)))
    if kind == "coupling":
        more = float(random.uniform(0.02, 0.1))
        return Fault("coupling", 0, more, respond(replace(tank, coupling=tank.coupling + more)))
    if kind == "springs swapped":
        other = (index + 1) % count
        one, two = tank.springs[index], tank.springs[other]
        springs = list(tank.springs)
        springs[index] = replace(one, level_db=two.level_db, polarity=two.polarity)
        springs[other] = replace(two, level_db=one.level_db, polarity=one.polarity)
        # Springs of nearly one level are exchanged without anyone hearing it.
        if one.polarity == two.polarity and abs(one.level_db - two.level_db) < 1.0:
            return None
        return Fault("springs swapped", 0, 0.0, respond(replace(tank, springs=tuple(springs))))
    if kind in ("spring polarity", "missing"):
        one = tank.springs[index]
        other_one = replace(one, polarity=-one.polarity) if kind == "spring polarity" else replace(one, level_db=-300.0)
        springs = [*tank.springs[:index], other_one, *tank.springs[index + 1 :]]
        named = "polarity" if kind == "spring polarity" else "missing"
        return Fault(named, index + 1, 0.0, respond(replace(tank, springs=tuple(springs))))
    name, (least, most) = {
        "all delay lines": ("delay line", (0.2, 1.0)),
        "all reflections": ("reflection", (0.1, 0.5)),
        "all lowpasses": ("lowpass", (10, 40)),
        "all sections": ("sections", (4, 20)),
    }[kind]
    amount = -float(random.uniform(least, most))
    if name == "sections":
        # A like share of each, as whoever optimises would do.
        share = -float(random.uniform(0.06, 0.5))
        changed = tank
        for each, one in enumerate(tank.springs):
            changed = _on_spring(name)(changed, each, share * one.sections)
        return Fault("sections", 0, 100 * share, respond(changed))
    return Fault(name, 0, amount, all_springs(name, amount))


def _added(golden: NDArray[np.float64], kind: str, random: np.random.Generator) -> Fault:
    at_s = np.arange(golden.size) / RATE_HZ
    peak = float(np.abs(golden).max())
    level_db = float(random.uniform(-60, -35))
    level = peak * 10 ** (level_db / 20)
    if kind == "hum":
        hz = float(random.choice([50.0, 60.0]))
        turn = random.uniform(0, 2 * np.pi)
        return Fault(f"hum of {hz:.0f} Hz", 0, level_db, golden + level * np.sin(2 * np.pi * hz * at_s + turn))
    if kind == "offset":
        return Fault("offset", 0, level_db, golden + float(random.choice([-1, 1])) * level)
    if kind == "click":
        place = int(random.integers(int(0.3 * golden.size), int(0.95 * golden.size)))
        sound = golden.copy()
        level = peak * 10 ** (float(random.uniform(-30, 0)) / 20)
        sound[place] += float(random.choice([-1, 1])) * level
        return Fault("click", 0, place / RATE_HZ, sound)
    if kind == "cut":
        place = int(random.uniform(0.1, 0.6) * golden.size)
        return Fault("cut", 0, place / RATE_HZ, np.where(np.arange(golden.size) < place, golden, 0.0))
    return Fault("noise", 0, level_db, golden + level * random.standard_normal(golden.size))
