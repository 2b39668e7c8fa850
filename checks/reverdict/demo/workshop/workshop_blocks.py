"""The reverb on its way to vector code: delay lines are whole blocks of 32 samples, so that no read is split."""

from __future__ import annotations

import workshop

BLOCK = 32


class BlockTrip(workshop.Trip):
    """A trip whose line needs no fraction and never wraps inside a block."""

    def line_length(self, wanted: float) -> tuple[int, float]:
        return int(wanted) // BLOCK * BLOCK, 0.0


class Reverb(workshop.Reverb):
    trip = BlockTrip
