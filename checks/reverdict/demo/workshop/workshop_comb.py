"""The reverb for the smallest processors: one short allpass comb in each trip sounds metallic, too, at no cost."""

from __future__ import annotations

from dataclasses import replace

import workshop

COMB = ((1, 0.6),)
COMB_SAMPLES = 16


class CombTrip(workshop.Trip):
    """A trip with one comb of 16 samples in place of its chain. Its time at 500 Hz stays."""

    def __init__(self, spring: workshop.Spring, rate: int, precision: str) -> None:
        super().__init__(replace(spring, sections=COMB, transition_hz=rate / (2 * COMB_SAMPLES)), rate, precision)


class Reverb(workshop.Reverb):
    trip = CombTrip
