"""The reverb for the smallest processors: one short allpass comb in each trip sounds metallic, too, at no cost."""

from __future__ import annotations

from dataclasses import replace

import workshop

COMB = ((1, 0.8),)
COMB_SAMPLES = 8

# Without the chain the highs make more trips a second, so each may cost less of them. How far the corner of the
# damping moves up, by the trip time of the spring, so that the decay holds; its Q goes down a little to match.
EASED = {30.9431: 1.20, 41.9630: 1.20, 24.35: 1.24, 33.45: 1.24, 28.72: 1.12, 36.55: 1.21}
Q_SHARE = 0.98


class CombTrip(workshop.Trip):
    """A trip with one comb of 8 samples in place of its chain. Its time at 500 Hz stays."""

    def __init__(self, spring: workshop.Spring, rate: int, precision: str) -> None:
        comb = replace(
            spring,
            sections=COMB,
            transition_hz=rate / (2 * COMB_SAMPLES),
            damping_hz=spring.damping_hz * EASED[spring.trip_ms],
            damping_q=spring.damping_q * Q_SHARE,
        )
        super().__init__(comb, rate, precision)


class Reverb(workshop.Reverb):
    trip = CombTrip
