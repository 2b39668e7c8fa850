"""A hundred sounds without springs: noise, halls, plates, rooms, echoes, combs, speech, sweeps, hum, slips."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np
import pytest

from reverdict.measure.springs import find_springs
from springless_truth import decaying, room, springless

MOST_INVENTED = 1
"""Of a hundred."""

QUICK = (
    "white noise at 48000 Hz", "pink noise at 8000 Hz", "clipped noise at 44100 Hz", "noise open for 0.25 s",
    "reversed over 0.6 s", "speech 1", "click in noise at 48000 Hz", "noise decaying in 0.3 s",
    "noise decaying in 2.0 s", "velvet noise, 1500 /s, 1.0 s", "network of delay lines × 0.5, 1.0 s",
    "room 4.3 m long, reflecting 0.7",
    "comb of 1 ms", "comb of 160 ms", "slapback of 50 ms", "early reflections before a tail 0", "sweep of 0.1 s",
    "one chirp, 30 ms late", "hum of 50 Hz", "tone of 500 Hz", "7 samples of noise", "1500 samples of noise",
    "silence", "a constant", "a click",
)  # fmt: skip


def invented_in(names: Iterable[str]) -> list[str]:
    """Names of sounds a spring was told of; each of the others has a reason."""
    sounds, invented = springless(), []
    reasons: Counter[str] = Counter()
    for name in names:
        rate_hz, make = sounds[name]
        found = find_springs(make(), rate_hz)
        if found.springs:
            first = found.springs[0]
            invented.append(name)
            arrivals_ms = ", ".join(f"{1e3 * one.time_s:.2f}" for one in first.passes)
            print(f"\ninvented in {name}: {first.pass_law}, {arrivals_ms} ms, coherence {first.coherence:.2f}")
        else:
            assert found.why_none, name
            reasons["".join(c for c in found.why_none.partition(":")[0] if not c.isdigit())] += 1
    print(f"\n{len(invented)} springs invented in {sum(reasons.values()) + len(invented)} sounds")
    for reason, count in reasons.most_common():
        print(f"  {count}: {reason}")
    return invented


def test_no_spring_is_invented_in_a_dozen_of_the_hundred() -> None:
    assert not invented_in(QUICK[::2])


@pytest.mark.few(3)
@pytest.mark.parametrize(
    ("rate_hz", "t60_s", "seed"),
    [(8000, 0.15, 4), (8000, 0.2, 19), (48000, 0.15, 2), (48000, 0.15, 34), (48000, 0.2, 15), (48000, 0.2, 31)],
)
def test_no_spring_is_invented_in_short_halls_that_once_had_one(rate_hz: int, t60_s: float, seed: int) -> None:
    assert find_springs(decaying(rate_hz, 1.5, seed, t60_s), rate_hz).springs == ()


@pytest.mark.slow
def test_how_often_short_halls_make_a_spring() -> None:
    """Noise decaying by 60 dB in 0.15 to 1 s, of which many passes of many springs explain a good deal."""
    invented = [
        (rate_hz, t60_s, seed)
        for rate_hz in (8000, 48000)
        for t60_s in (0.15, 0.2, 0.3, 0.4, 0.6, 1.0)
        for seed in range(40)
        if find_springs(decaying(rate_hz, 1.5, seed, t60_s), rate_hz).springs
    ]
    print(f"\n{len(invented)} springs invented in 480 short halls: {invented}")
    assert len(invented) <= 5


@pytest.mark.slow
def test_hardly_a_spring_is_invented_in_a_hundred_sounds() -> None:
    names = list(springless())
    assert len(names) == 100
    assert len(invented_in(names)) <= MOST_INVENTED


@pytest.mark.slow
def test_how_often_rooms_make_a_spring() -> None:
    """Rooms drawn at random, 3 to 15 m long, reflecting 0.6 to 0.9: their early echoes may stand in line by chance."""
    invented = []
    for seed in range(40):
        random = np.random.default_rng(500 + seed)
        box = (random.uniform(3, 15), random.uniform(2.5, 9), random.uniform(2.3, 4.5))
        found = find_springs(room(48000, 0.4, seed, box, random.uniform(0.6, 0.9)), 48000)
        invented += [[round(1e3 * one.time_s, 2) for one in spring.passes] for spring in found.springs]
    print(f"\n{len(invented)} springs invented in 40 rooms, passes in ms: {invented}")
    assert len(invented) <= 2


@pytest.mark.parametrize(("seed", "rate_hz"), [(12, 48000), (64, 48000), (114, 48000), (191, 8000)])
def test_records_that_end_before_a_second_pass_are_none_the_worse(seed: int, rate_hz: int) -> None:
    """Decaying noise of some tens of milliseconds, in which a pass may seem to be that ends with the record."""
    random = np.random.default_rng(seed)
    size = int(random.integers(1500, 4500))
    noise = random.standard_normal(size) * np.exp(-np.arange(size) / (size * random.uniform(0.05, 0.4)))
    assert find_springs(noise, rate_hz).why_none
