"""The reverb on its way to vector code: delay lines are whole vectors of 8 samples, so that no read is split."""

from __future__ import annotations

import workshop

VECTOR = 8


class VectorTrip(workshop.Trip):
    """A trip whose line needs no fraction and never wraps inside a vector."""

    def line_length(self, wanted: float) -> tuple[int, float]:
        return int(wanted) // VECTOR * VECTOR, 0.0


class Reverb(workshop.Reverb):
    trip = VectorTrip
