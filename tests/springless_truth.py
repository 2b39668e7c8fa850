"""A hundred sounds in which there is no spring, each with a rate of its own.

Left out on purpose, for a spring without dispersion would look alike: feedback combs and flutter echoes that repeat
every 4 to 120 ms, and rows of a few equal echoes at 1:3:5 or 1:2:3 of that. Combs outside that range are in.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from dense_truth import LINES, network

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Sound = NDArray[np.float64]

LN_60DB = 3 * np.log(10)
SOUND_M_S = 343.0


def times_s(rate_hz: int, seconds: float) -> Sound:
    return np.arange(round(seconds * rate_hz)) / rate_hz


def noise(rate_hz: int, seconds: float, seed: int) -> Sound:
    return np.random.default_rng(seed).standard_normal(round(seconds * rate_hz))


def pink(rate_hz: int, seconds: float, seed: int) -> Sound:
    spectrum = np.fft.rfft(noise(rate_hz, seconds, seed))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    return np.fft.irfft(spectrum, round(seconds * rate_hz))


def decaying(rate_hz: int, seconds: float, seed: int, t60_s: float) -> Sound:
    return noise(rate_hz, seconds, seed) * np.exp(-LN_60DB * times_s(rate_hz, seconds) / t60_s)


def velvet(rate_hz: int, seconds: float, seed: int, t60_s: float, density_hz: float) -> Sound:
    """One impulse of either sign somewhere in every stretch of 1/density, decaying."""
    random, sound = np.random.default_rng(seed), np.zeros(round(seconds * rate_hz))
    stretch = rate_hz / density_hz
    at = ((np.arange(int(sound.size / stretch)) + random.random(int(sound.size / stretch))) * stretch).astype(int)
    sound[at] = random.choice([-1.0, 1.0], at.size)
    return sound * np.exp(-LN_60DB * times_s(rate_hz, seconds) / t60_s)


def delay_network(scale: float, decay_s: float) -> Sound:
    """Eight delay lines behind a Hadamard matrix, lengths scaled."""
    return np.asarray(network(tuple(round(line * scale) for line in LINES), decay_s=decay_s))


def plate(rate_hz: int, seconds: float, seed: int, wide_m: float) -> Sound:
    """Modes of a supported steel plate, 2:1 and 0.5 mm thick: f = π/2 √(D/ρh) (m²/a² + n²/b²); T60 2 s."""
    bending = np.sqrt(2.0e11 * 0.0005**2 / (12 * (1 - 0.3**2) * 7850))
    m, n = (side.ravel() for side in np.meshgrid(np.arange(1, 200), np.arange(1, 200)))
    hz = np.pi / 2 * bending * ((m / wide_m) ** 2 + (n / (wide_m / 2)) ** 2)
    x, y, ear_x, ear_y = np.pi * np.random.default_rng(seed).uniform(0.1, 0.9, 4)
    level = np.sin(m * x) * np.sin(n * y) * np.sin(m * ear_x) * np.sin(n * ear_y)
    time_s = times_s(rate_hz, seconds)
    sound = np.zeros(time_s.size)
    for mode in np.flatnonzero((hz > 20) & (hz < 6000)):
        sound += level[mode] * np.sin(2 * np.pi * hz[mode] * time_s)
    return sound * np.exp(-LN_60DB / 2.0 * time_s)


def room(rate_hz: int, seconds: float, seed: int, size_m: tuple[float, float, float], reflects: float) -> Sound:
    """Image sources of a shoebox (J. B. Allen, D. A. Berkley, JASA 65(4) 1979), each between two samples by a sinc."""
    random, sound = np.random.default_rng(seed), np.zeros(round(seconds * rate_hz) + 64)
    box = np.array(size_m)
    source, ear = box * random.uniform(0.15, 0.85, 3), box * random.uniform(0.15, 0.85, 3)
    reach = np.ceil(seconds * SOUND_M_S / (2 * box)).astype(int)
    grids = [np.arange(-r, r + 1) for r in reach]
    taps = np.arange(-16, 17)
    for flips in np.ndindex(2, 2, 2):
        away = [
            (1 - 2 * flip) * source[axis] + 2 * grids[axis] * box[axis] - ear[axis] for axis, flip in enumerate(flips)
        ]
        bounces = [np.abs(grids[axis] - flip) + np.abs(grids[axis]) for axis, flip in enumerate(flips)]
        far_m = np.sqrt(sum(part**2 for part in np.meshgrid(*away, indexing="ij"))).ravel()
        order = sum(np.meshgrid(*bounces, indexing="ij")).ravel()
        heard = (far_m < seconds * SOUND_M_S) & (reflects**order / far_m > 1e-5)
        at = far_m[heard] / SOUND_M_S * rate_hz
        gain = reflects ** order[heard] / far_m[heard]
        whole = np.round(at).astype(int)
        for tap in taps:
            place = whole + tap
            weight = gain * np.sinc(place - at) * np.cos(np.pi / 2 * np.clip((place - at) / 17, -1, 1)) ** 2
            np.add.at(sound, place[place >= 0], weight[place >= 0])
    return sound[:-64]


def echoes(rate_hz: int, seconds: float, at: dict[float, float]) -> Sound:
    """A click and copies of it: {seconds: gain}."""
    sound = np.zeros(round(seconds * rate_hz))
    sound[0] = 1.0
    for time_s, gain in at.items():
        sound[round(time_s * rate_hz)] += gain
    return sound


def comb(rate_hz: int, seconds: float, every_s: float, gain: float) -> Sound:
    count = int((seconds - 1e-3) / every_s)
    return echoes(rate_hz, seconds, {n * every_s: gain**n for n in range(1, count + 1)})


def speech(rate_hz: int, seconds: float, seed: int) -> Sound:
    """Noise and a buzz through three wandering resonances, in syllables, four or so a second."""
    random, time_s = np.random.default_rng(seed), times_s(rate_hz, seconds)
    pitch = 2 * np.pi * np.cumsum(110 + 25 * np.sin(2 * np.pi * 0.7 * time_s + seed)) / rate_hz
    throat = np.sign(np.sin(pitch)) + 0.3 * random.standard_normal(time_s.size)
    sound = np.zeros(time_s.size)
    for centre_hz in (600, 1500, 2600):
        wander = 1 + 0.3 * np.sin(2 * np.pi * random.uniform(1, 4) * time_s + random.uniform(0, 6))
        sound += throat * np.sin(2 * np.pi * np.cumsum(centre_hz * wander) / rate_hz)
    syllables = np.clip(np.sin(2 * np.pi * random.uniform(3, 5) * time_s + random.uniform(0, 6)), 0, 1)
    return sound * syllables


def sweep(rate_hz: int, seconds: float, low_hz: float, high_hz: float, length_s: float, late_s: float = 0.0) -> Sound:
    """One exponential sweep and silence after it."""
    t = np.clip(times_s(rate_hz, seconds) - late_s, 0, length_s)
    growth_s = length_s / np.log(high_hz / low_hz)
    return np.sin(2 * np.pi * low_hz * growth_s * (np.exp(t / growth_s) - 1)) * ((t > 0) & (t < length_s))


def gated(rate_hz: int, seconds: float, seed: int, open_s: float) -> Sound:
    return noise(rate_hz, seconds, seed) * (times_s(rate_hz, seconds) < open_s)


def reversed_noise(rate_hz: int, seconds: float, seed: int, length_s: float) -> Sound:
    time_s = times_s(rate_hz, seconds)
    return noise(rate_hz, seconds, seed) * np.exp(LN_60DB / 2 * (time_s / length_s - 1)) * (time_s < length_s)


def hum(rate_hz: int, seconds: float, hz: float) -> Sound:
    time_s = times_s(rate_hz, seconds)
    return sum((np.sin(2 * np.pi * n * hz * time_s + n) / n for n in (1, 2, 3, 5, 7)), np.zeros(time_s.size))


def click_in_noise(rate_hz: int, seconds: float, seed: int, below_db: float) -> Sound:
    return echoes(rate_hz, seconds, {}) + 10 ** (-below_db / 20) * noise(rate_hz, seconds, seed)


def sparse_then_dense(rate_hz: int, seconds: float, seed: int) -> Sound:
    """Eight early reflections at random within 60 ms, then a dense tail."""
    random, time_s = np.random.default_rng(seed), times_s(rate_hz, seconds)
    tail = 0.1 * decaying(rate_hz, seconds, seed + 1, 1.2) * (time_s > 0.06)
    early = {
        float(t): float(g) for t, g in zip(random.uniform(0.005, 0.06, 8), random.uniform(-0.7, 0.7, 8), strict=True)
    }
    return echoes(rate_hz, seconds, early) + tail


def springless() -> dict[str, tuple[int, Callable[[], Sound]]]:
    """The hundred: name, rate in Hz, and how each is made."""
    rates = (8000, 44100, 48000, 96000)
    made: dict[str, tuple[int, Callable[[], Sound]]] = {}
    for seed, rate_hz in enumerate(rates):
        made[f"white noise at {rate_hz} Hz"] = rate_hz, partial(noise, rate_hz, 1.5, seed)
        made[f"pink noise at {rate_hz} Hz"] = rate_hz, partial(pink, rate_hz, 1.5, seed)
        made[f"clipped noise at {rate_hz} Hz"] = rate_hz, lambda r=rate_hz, s=seed: np.clip(4 * noise(r, 1.5, s), -1, 1)
        made[f"noise open for {0.1 + 0.15 * seed:.2f} s"] = (
            rate_hz,
            partial(gated, rate_hz, 1.5, seed, 0.1 + 0.15 * seed),
        )
        made[f"reversed over {0.3 + 0.3 * seed:.1f} s"] = (
            rate_hz,
            partial(reversed_noise, rate_hz, 2.0, seed, 0.3 + 0.3 * seed),
        )
        made[f"speech {seed}"] = rate_hz, partial(speech, rate_hz, 2.0, seed)
        made[f"click in noise at {rate_hz} Hz"] = rate_hz, partial(click_in_noise, rate_hz, 1.5, seed, 30 + 10 * seed)
    for t60_s in (0.1, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0, 3.0, 5.0, 8.0):
        made[f"noise decaying in {t60_s} s"] = 48000, partial(decaying, 48000, 1.5, round(10 * t60_s), t60_s)
    for seed, (t60_s, density_hz) in enumerate(
        ((0.3, 1500), (0.5, 1500), (1.0, 1500), (2.0, 1500), (4.0, 1500), (1.0, 3000), (2.0, 3000), (8.0, 3000))
    ):
        made[f"velvet noise, {density_hz} /s, {t60_s} s"] = 48000, partial(velvet, 48000, 1.5, seed, t60_s, density_hz)
    for scale, decay_s in (
        (0.25, 0.5),
        (0.25, 2.0),
        (0.5, 1.0),
        (0.5, 3.0),
        (0.75, 2.0),
        (1.0, 1.0),
        (1.0, 2.0),
        (1.0, 5.0),
    ):
        made[f"network of delay lines × {scale}, {decay_s} s"] = 48000, partial(delay_network, scale, decay_s)
    for seed, wide_m in enumerate((0.4, 0.6, 0.8, 1.0)):
        made[f"plate {wide_m} m wide"] = 44100, partial(plate, 44100, 1.0, seed, wide_m)
    boxes = ((3.1, 2.7, 2.4), (4.3, 3.2, 2.5), (5.7, 4.1, 2.7), (7.9, 5.3, 3.1), (12.3, 8.9, 4.2), (21.0, 15.0, 8.0))
    for seed, box in enumerate(boxes):
        for reflects in (0.7, 0.85):
            made[f"room {box[0]} m long, reflecting {reflects}"] = (
                48000,
                partial(room, 48000, 0.5, seed, box, reflects),
            )
    for every_s in (0.5e-3, 1e-3, 2e-3, 3e-3, 0.16, 0.25, 0.4):
        made[f"comb of {1e3 * every_s:g} ms"] = (
            48000,
            partial(comb, 48000, 1.5, every_s, 0.8 if every_s > 0.1 else 0.97),
        )
    for at_s in (0.02, 0.05, 0.09, 0.14):
        made[f"slapback of {1e3 * at_s:g} ms"] = 48000, partial(echoes, 48000, 1.0, {at_s: 0.6})
    for seed in range(3):
        made[f"early reflections before a tail {seed}"] = 48000, partial(sparse_then_dense, 48000, 1.5, seed)
    made["sweep of a second"] = 48000, partial(sweep, 48000, 2.0, 50, 15000, 1.0)
    made["sweep of 0.1 s"] = 48000, partial(sweep, 48000, 1.0, 50, 15000, 0.1)
    made["one chirp, 30 ms late"] = 48000, partial(sweep, 48000, 1.0, 150, 4000, 0.03, 0.03)
    made["one falling chirp"] = 48000, lambda: sweep(48000, 0.2, 100, 5000, 0.08)[::-1].copy()
    for mains_hz in (50.0, 60.0):
        made[f"hum of {mains_hz:g} Hz"] = 48000, partial(hum, 48000, 1.5, mains_hz)
    for tone_hz in (500.0, 997.0):
        made[f"tone of {tone_hz:g} Hz"] = 44100, lambda hz=tone_hz: np.sin(2 * np.pi * hz * times_s(44100, 1.5))
    for size in (1, 7, 500, 1500, 4000):
        made[f"{size} samples of noise"] = 48000, lambda n=size: np.random.default_rng(n).standard_normal(n)
    made["silence"] = 48000, partial(np.zeros, 72000)
    made["a constant"] = 48000, partial(np.full, 72000, 0.3)
    made["a click"] = 48000, partial(echoes, 48000, 1.0, {})
    return made
