"""The calibration kernel: a fixed piece of reverb work that tells how fast a machine is.

A golden's cost is kept as a multiple of it, so that no absolute time is ever compared. One channel in, one out: a chain
of 24 biquad allpass sections (scipy.signal.sosfilt, state carried over), a soft saturation and a gain (numpy), in
float64. Changing anything here changes the unit: every ``kernel_ratio`` on file would be void.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.signal import sosfilt

if TYPE_CHECKING:
    from numpy.typing import NDArray

SECTIONS = 24
COEFFICIENT = 0.6


class Kernel:
    """A processor of kind ``python``: (1, frames) in and out."""

    def __init__(self, sample_rate: int) -> None:
        del sample_rate  # the same work at every rate
        section = [COEFFICIENT, 0.0, 1.0, 1.0, 0.0, COEFFICIENT]
        self._sections = np.tile(section, (SECTIONS, 1))
        self._state = np.zeros((SECTIONS, 2))

    def process(self, block: NDArray[Any]) -> NDArray[Any]:
        filtered, self._state = sosfilt(self._sections, block[0], zi=self._state)
        return np.asarray(0.5 * np.tanh(filtered))[None, :]
