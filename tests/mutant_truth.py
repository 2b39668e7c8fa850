"""Reverbs in which one thing is changed by a known share of its tolerance. Shares no code with what measures or judges.

A fault has one size, and the truth of what it does is had without the suite, in closed form. ``used`` is the largest
true deviation over its tolerance among the quantities that the reference asks for. What a moved spring does to decay
times, by beating otherwise with its neighbour, is had by octave filters of ``scipy.signal`` from the sound itself.

    springs     random tanks (``tank_truth``): one trip longer, transition moved (arrival kept), allpass sections
                missing, decay scaled, level, latency, one spring turned over, one gone, all read at another rate
    halls       random modes whose decay falls with frequency; plates: modes of a plate (f ~ m² + n²); networks of delay
                lines: late, clock wrong, decay scaled, level, turned over, tail cut, one delay line moved
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from dense_truth import LINES, MOVED, network
from spring_truth import TRIPS, TrueSpring
from tank_truth import random_tank

Sound = NDArray[np.float64]
Change = dict[str, Any]
"""What ``Subject.render`` is asked to do otherwise."""

RATE_HZ = 48000
LN_60DB = 3 * np.log(10)
SECONDS = 2.0
OTHER_RATE = 48000 / 44100


@dataclass(frozen=True)
class Subject:
    """A reverb that can be rendered with a change: ``render(seconds, **change)``, no change being the golden.

    faults : which of the changes below make sense of it.
    noise_db : recording noise re the peak, None for a clean render.
    truth_s : how long a sound its decay times are taken from, so that no end bends them.
    """

    name: str
    render: Callable[..., Sound]
    faults: tuple[str, ...]
    noise_db: float | None = None
    springs: tuple[TrueSpring, ...] = ()
    truth_s: float = 2.5


# Springs


def _tank(seed: int) -> tuple[tuple[TrueSpring, ...], Callable[..., Sound]]:
    springs = random_tank(seed).springs

    def render(seconds: float = SECONDS, changed: tuple[TrueSpring, ...] | None = None, **change: float) -> Sound:
        scale = 1 / float(np.abs(_sum_of(springs, SECONDS)).max())
        return scale * _shared(lambda late_s: _sum_of(changed or springs, seconds, late_s), change)

    return springs, render


def _sum_of(springs: tuple[TrueSpring, ...], seconds: float, late_s: float = 0.0) -> Sound:
    size = round(seconds * RATE_HZ)
    grid = fft.next_fast_len(4 * max(size, 2 * RATE_HZ), real=True)
    hz = np.arange(grid // 2 + 1) * RATE_HZ / grid
    spectrum = np.sum([spring.spectrum(hz) for spring in springs], axis=0) * np.exp(-2j * np.pi * hz * late_s)
    return np.asarray(fft.irfft(spectrum, grid)[:size])


# Dense reverbs


def _modal(hz: Sound, level: Sound, phase: Sound, t60_s: Sound) -> Callable[..., Sound]:
    def render(seconds: float = SECONDS, stretch: float = 1.0, longer: float = 1.0, **change: float) -> Sound:
        turning = 2j * np.pi * hz - LN_60DB / (t60_s * longer)

        def late(late_s: float) -> Sound:
            # e^(s t) of every sample as the product of that of its block and that of its place therein.
            block = 320
            begin_s = (np.arange(-(-round(seconds * RATE_HZ) // block)) * block / RATE_HZ - late_s) / stretch
            within_s = np.arange(block) / RATE_HZ / stretch
            start = level * np.exp(1j * phase) * np.exp(turning * begin_s[:, None])
            sound = (start @ np.exp(turning[:, None] * within_s)).imag.ravel()[: round(seconds * RATE_HZ)]
            time_s = (begin_s[:, None] + within_s).ravel()[: sound.size]
            # Rises over 3 ms instead of an edge, which no filter could tell from a click.
            return np.asarray(sound * np.clip(time_s / 0.003, 0.0, 1.0) / 20)

        return _shared(late, change)

    return render


def _hall(seed: int) -> Callable[..., Sound]:
    draw = np.random.default_rng(500 + seed)
    hz = draw.uniform(60, 9000, 350)
    t60_s = draw.uniform(0.5, 1.4) / (1 + (hz / draw.uniform(4000, 9000)) ** 2)
    return _modal(hz, draw.standard_normal(hz.size), draw.uniform(0, 2 * np.pi, hz.size), t60_s)


def _plate(seed: int) -> Callable[..., Sound]:
    draw = np.random.default_rng(700 + seed)
    wide_m = draw.uniform(0.8, 2.0)
    m, n = (side.ravel() for side in np.meshgrid(np.arange(1, 60), np.arange(1, 60)))
    hz = 1.2 * ((m / wide_m) ** 2 + (n / (wide_m / 2)) ** 2)
    x, y, ear_x, ear_y = np.pi * draw.uniform(0.1, 0.9, 4)
    level = np.sin(m * x) * np.sin(n * y) * np.sin(m * ear_x) * np.sin(n * ear_y)
    heard = (hz > 60) & (hz < 6000) & (np.abs(level) > 0.2)
    chosen = draw.permutation(np.flatnonzero(heard))[:400]
    t60_s = draw.uniform(0.7, 1.3) / (1 + (hz[chosen] / 6000) ** 2)
    return _modal(hz[chosen], level[chosen], np.zeros(chosen.size), t60_s)


def _network(seed: int) -> Callable[..., Sound]:
    scale = np.random.default_rng(900 + seed).uniform(0.6, 1.1)
    lines = tuple(round(line * scale) for line in LINES)

    def render(seconds: float = SECONDS, moved: int = 0, longer: float = 1.0, **change: float) -> Sound:
        changed = tuple(line + (moved if index == MOVED else 0) for index, line in enumerate(lines))
        sound = _lines(changed, seconds, 1.2 * longer)
        return _shared(lambda late_s: _delayed(sound, late_s), change)

    return render


@cache
def _lines(lines: tuple[int, ...], seconds: float, decay_s: float) -> Sound:
    return np.asarray(np.real(network(lines, seconds, decay_s)))


def _delayed(sound: Sound, late_s: float) -> Sound:
    """Later by any part of a sample. Faded out below half the rate: what lies between samples rings for ever there."""
    grid = fft.next_fast_len(2 * sound.size, real=True)
    hz = np.arange(grid // 2 + 1) * RATE_HZ / grid
    fade = np.cos(np.pi / 2 * np.clip((hz / RATE_HZ - 0.35) / 0.1, 0.0, 1.0)) ** 2
    return np.asarray(fft.irfft(fft.rfft(sound, grid) * fade * np.exp(-2j * np.pi * hz * late_s), grid)[: sound.size])


def _shared(render: Callable[[float], Sound], change: Mapping[str, float]) -> Sound:
    """The changes that any reverb may suffer, round a render that is so many seconds late."""
    assert set(change) <= {"late_s", "gain_db", "turned", "cut_s", "misread"}
    sound = render(change.get("late_s", 0.0)) * 10 ** (change.get("gain_db", 0.0) / 20)
    if change.get("turned"):
        sound = -sound
    if "misread" in change:
        stretched = signal.resample_poly(sound, 160, 147)[: sound.size]
        sound = np.pad(stretched, (0, sound.size - stretched.size))
    if "cut_s" in change:
        sound = sound.copy()
        sound[round(change["cut_s"] * RATE_HZ) :] = 0.0
    return sound


SPRING_FAULTS = (
    "trip", "transition", "decay", "level", "latency", "spring turned", "spring gone", "misread",
)  # fmt: skip
BEATS = {"trip", "transition", "sections"}
"""Faults that may change decay times, too."""

MODAL_FAULTS = ("onset", "clock", "decay", "level", "turned", "tail cut", "misread")
NETWORK_FAULTS = ("onset", "decay", "level", "turned", "tail cut", "line moved", "misread")
OWNER = {
    "trip": "echo-timing", "latency": "echo-timing", "spring turned": "echo-timing", "spring gone": "echo-timing",
    "misread": "echo-timing", "onset": "echo-timing", "clock": "echo-timing", "turned": "echo-timing",
    "line moved": "echo-timing", "transition": "group-delay", "sections": "group-delay", "decay": "energy-decay",
    "level": "energy-decay", "tail cut": "energy-decay",
}  # fmt: skip
"""The check to which a fault belongs."""

NO_DEGREE = {"spring turned", "spring gone", "misread", "turned", "tail cut", "line moved"}


def subjects() -> list[Subject]:
    """Thirty-six references: 18 tanks, 6 halls, 6 plates, 6 networks; every third one recorded with noise."""
    found: list[Subject] = []
    for seed in range(18):
        springs, render = _tank(seed)
        chained = all(spring.chain for spring in springs)
        faults = (*SPRING_FAULTS, "sections") if chained else SPRING_FAULTS
        faults = faults if len(springs) > 1 else tuple(fault for fault in faults if fault != "spring gone")
        found.append(Subject(f"tank-{seed}", render, faults, _noise(seed), springs, 5.0))
    for seed in range(6):
        found.append(Subject(f"hall-{seed}", _hall(seed), MODAL_FAULTS, _noise(seed)))
        found.append(Subject(f"plate-{seed}", _plate(seed), MODAL_FAULTS, _noise(seed)))
        found.append(Subject(f"network-{seed}", _network(seed), NETWORK_FAULTS, _noise(seed)))
    return found


def _noise(seed: int) -> float | None:
    return (None, None, -70.0)[seed % 3]


def recorded(subject: Subject, sound: Sound, seed: int) -> Sound:
    """With the noise of its recording, another one for every seed."""
    if subject.noise_db is None:
        return sound
    level = 10 ** (subject.noise_db / 20) * float(np.abs(subject.render()).max())
    return sound + level * np.random.default_rng(seed).standard_normal(sound.size)


# Sizes


@dataclass(frozen=True)
class Asked:
    """What a reference asks, as plain numbers: tolerances, and which quantities of the golden it holds.

    arrivals : (spring, pass) pairs; delays_hz : per spring the frequencies; bands : (centre Hz, name of time) pairs.
    """

    arrival_hz: float
    arrival_ms: float
    onset_ms: float
    tail_lag_ms: float
    delay_ms: Callable[[float], float]
    transition_percent: float
    level_db: float
    times_percent: Callable[[float, str], float]
    arrivals: tuple[tuple[int, int], ...]
    delays_hz: Mapping[int, tuple[float, ...]]
    bands: tuple[tuple[float, str], ...]


def mutant(subject: Subject, fault: str, used: float, asked: Asked, draw: np.random.Generator) -> Change | None:
    """What to change for a fault that uses so much of its tolerance; None where this subject cannot have it so.

    Of faults without degree ``used`` is not looked at.
    """
    sign = float(draw.choice([-1, 1]))
    if fault in ("latency", "onset"):
        late_ms = used * (asked.arrival_ms if subject.springs else asked.onset_ms)
        return {"late_s": 1e-3 * late_ms}
    if fault == "level":
        return {"gain_db": sign * used * asked.level_db}
    if fault == "turned":
        return {"turned": 1.0}
    if fault == "misread":
        return {"misread": 1.0}
    if fault == "tail cut":
        return {"cut_s": _falls_to(subject, -30.0)}
    if fault == "line moved":
        return {"moved": int(draw.integers(2, 12))}
    if fault == "clock":
        # The lag grows: it is surely told 40 dB down, and never looked at 60 dB down.
        at_s = _falls_to(subject, -40.0 if used > 1 else -60.0)
        return {"stretch": 1 + sign * 1e-3 * used * asked.tail_lag_ms / at_s}
    if fault == "decay":
        return _longer(subject, used, asked, sign)
    return _spring_mutant(subject, fault, used, asked, sign, draw)


@cache
def _falls_to(subject: Subject, level_db: float) -> float:
    energy = np.cumsum(subject.render() ** 2)
    return float(np.searchsorted(energy, (1 - 10 ** (level_db / 10)) * energy[-1])) / RATE_HZ


def _spring_mutant(
    subject: Subject, fault: str, used: float, asked: Asked, sign: float, draw: np.random.Generator
) -> Change | None:
    index = int(draw.integers(len(subject.springs)))
    spring = subject.springs[index]
    if fault == "spring turned":
        return {"changed": _with(subject, index, replace(spring, polarity=-spring.polarity))}
    if fault == "spring gone":
        return {"changed": _with(subject, index, replace(spring, level_db=-200.0))}
    if fault == "trip":
        trips = [TRIPS[spring.law][number - 1] for one, number in asked.arrivals if one == index]
        if not trips:
            return None
        longer_s = sign * 1e-3 * used * asked.arrival_ms / max(trips)
        per_second = float(spring.delay_s(asked.arrival_hz)) / spring.trip_s if spring.chain is None else 1.0
        return {"changed": _with(subject, index, replace(spring, trip_s=spring.trip_s + longer_s / per_second))}
    if fault not in ("transition", "sections") or index not in asked.delays_hz:
        return None
    high, low = 0.5 if fault == "transition" else 0.9, 0.0
    for _ in range(40):
        middle = (low + high) / 2
        if share_of_delay(spring, _bent(spring, fault, sign * middle, asked), index, asked) < used:
            low = middle
        else:
            high = middle
    return {"changed": _with(subject, index, _bent(spring, fault, sign * high, asked))}


def _with(subject: Subject, index: int, spring: TrueSpring) -> tuple[TrueSpring, ...]:
    return tuple(spring if number == index else one for number, one in enumerate(subject.springs))


def _bent(spring: TrueSpring, fault: str, share: float, asked: Asked) -> TrueSpring:
    """Another dispersion, the arrival kept. Sections need not be whole here: their phase is a closed form."""
    if fault == "sections":
        assert spring.chain is not None
        changed = replace(spring, chain=(spring.chain[0] * (1 + share), spring.chain[1]))
    else:
        changed = replace(spring, transition_hz=spring.transition_hz * (1 + share))
    late_s = float(changed.delay_s(asked.arrival_hz) - spring.delay_s(asked.arrival_hz))
    slope = float(changed.delay_s(asked.arrival_hz)) / changed.trip_s if changed.chain is None else 1.0
    return replace(changed, trip_s=changed.trip_s - late_s / slope)


def share_of_delay(spring: TrueSpring, changed: TrueSpring, index: int, asked: Asked) -> float:
    """Largest true deviation of the first pass's curve after its arrival, and of the transition, in tolerances."""
    hz = np.array([one for one in asked.delays_hz[index] if one < 0.97 * changed.transition_hz])
    if hz.size < len(asked.delays_hz[index]):
        return np.inf
    before, after = (one.delay_s(hz) - one.delay_s(asked.arrival_hz) for one in (spring, changed))
    shares = 1e3 * np.abs(after - before) / np.array([asked.delay_ms(float(one)) for one in hz])
    moved = 100 * abs(changed.transition_hz / spring.transition_hz - 1) / asked.transition_percent
    return float(max(shares.max(initial=0.0), moved))


def _longer(subject: Subject, used: float, asked: Asked, sign: float) -> Change | None:
    """All decay times scaled by one factor: each is then as much longer, in percent, whatever band it is read in."""
    if not asked.bands:
        return None
    return _scaled(subject, 1 + sign * 0.01 * used * min(asked.times_percent(*band) for band in asked.bands))


def _scaled(subject: Subject, factor: float) -> Change:
    if not subject.springs:
        return {"longer": factor}
    return {"changed": tuple(replace(spring, t60_s=spring.t60_s * factor) for spring in subject.springs)}


def share_of_decay(subject: Subject, change: Change, asked: Asked) -> float:
    """Largest true change of a decay time that is asked for, in tolerances, by the truth's own filters and fits."""
    before, after = _times_of(subject, asked.bands), times_of(subject.render(subject.truth_s, **change), asked.bands)
    shares = [100 * abs(after[key] / before[key] - 1) / asked.times_percent(*key) for key in asked.bands]
    return max(shares, default=0.0)


@cache
def _times_of(subject: Subject, bands: tuple[tuple[float, str], ...]) -> dict[tuple[float, str], float]:
    return times_of(subject.render(subject.truth_s), bands)


def times_of(sound: Sound, bands: tuple[tuple[float, str], ...]) -> dict[tuple[float, str], float]:
    """EDT, T20 and T30 in octaves by a filter run backwards and a plain backward integral."""
    found = {}
    for centre_hz in dict.fromkeys(hz for hz, _ in bands):
        curve_db = _decay_db(sound, centre_hz)
        time_s = np.arange(curve_db.size) / RATE_HZ
        for name, (high, low) in {"edt": (0, -10), "t20": (-5, -25), "t30": (-5, -35)}.items():
            if (centre_hz, name) in bands:
                end = int(np.argmax(curve_db <= low))
                begin = int(np.flatnonzero(curve_db[:end] >= min(high, -0.05))[-1])
                found[centre_hz, name] = -60 / float(np.polyfit(time_s[begin:end], curve_db[begin:end], 1)[0])
    return found


def _decay_db(sound: Sound, centre_hz: float) -> Sound:
    edges = 2 * np.pi * centre_hz * np.array([10**-0.15, 10**0.15])
    lead = RATE_HZ // 4  # room for what a filter run backwards makes earlier
    size = fft.next_fast_len(sound.size + 2 * lead, real=True)
    hz = np.arange(size // 2 + 1) * RATE_HZ / size
    _, response = signal.freqs_zpk(
        *signal.butter(3, edges, "bandpass", analog=True, output="zpk"), 2 * np.pi * np.maximum(hz, 1.0)
    )
    filtered = fft.irfft(fft.rfft(sound, size) * np.conj(response), size)
    energy = np.roll(filtered**2, lead)[: sound.size + lead]
    left = np.cumsum(energy[::-1])[::-1]
    return np.asarray(10 * np.log10(left / left[0]))
