"""The reverb rewritten so that it reads like the paper: each allpass section is an object of its own."""

from __future__ import annotations

import numpy as np
import workshop
from scipy.signal import lfilter


class Section:
    """(a + z⁻ᴷ)/(1 + a z⁻ᴷ)."""

    def __init__(self, a: float, stretch: int, precision: str) -> None:
        between = np.zeros(stretch - 1)
        self.numerator = np.concatenate([[a], between, [1.0]]).astype(precision)
        self.denominator = np.concatenate([[1.0], between, [a]]).astype(precision)
        self.state = np.zeros(stretch, precision)

    def process(self, chunk: workshop.Samples) -> workshop.Samples:
        out, self.state = lfilter(self.numerator, self.denominator, chunk, zi=self.state)
        return np.asarray(out)


class SectionChain(workshop.AllpassChain):
    """The sections one after the other."""

    def __init__(self, groups: tuple[tuple[int, float], ...], stretch: int, precision: str = "double") -> None:
        self.each = [Section(a, stretch, precision) for count, a in groups for _ in range(count)]

    def process(self, chunk: workshop.Samples) -> workshop.Samples:
        for section in self.each:
            chunk = section.process(chunk)
        return chunk


class SectionTrip(workshop.Trip):
    chain_type = SectionChain


class Reverb(workshop.Reverb):
    trip = SectionTrip
