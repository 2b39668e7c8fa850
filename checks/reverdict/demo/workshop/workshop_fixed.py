"""The reverb with the output stage of a processor that counts in 24-bit words: beyond full scale they wrap around."""

from __future__ import annotations

import numpy as np
import workshop

STEPS = 2**23


class Reverb(workshop.Reverb):
    def process(self, block: workshop.Samples) -> workshop.Samples:
        words = np.rint(STEPS * super().process(block))
        # No saturation: it would cost two instructions a sample.
        return ((words + STEPS) % (2 * STEPS) - STEPS) / STEPS
