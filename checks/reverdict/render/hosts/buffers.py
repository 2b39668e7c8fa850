"""Sound buffers that C code reads and writes: 32-bit floats, a row per channel, with guards at both ends."""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

GUARD = 64
"""Samples before and after each row that nobody may write to: enough for one vector too many of any processor."""

SENTINEL = np.float32(-1.7014118e38)
"""A value that no reverb writes by chance."""

FloatPointer = ctypes.POINTER(ctypes.c_float)


class Buffers:
    """Rows of ``frames`` samples for C code.

    rows : ndarray, shape (channels, frames), float32
        Each row lies by itself in memory, its ends guarded.
    pointers : array of float *
        One per channel, to its first sample.
    """

    def __init__(self, channels: int, frames: int) -> None:
        self._whole: NDArray[np.float32] = np.full((channels, frames + 2 * GUARD), SENTINEL, np.float32)
        self.rows = self._whole[:, GUARD : GUARD + frames]
        self.rows[:] = 0.0
        addresses = [row.ctypes.data_as(FloatPointer) for row in self.rows]
        self.pointers = (FloatPointer * max(channels, 1))(*addresses)

    @property
    def overrun(self) -> bool:
        """Whether somebody wrote before the first or after the last sample of a row."""
        ends = np.concatenate([self._whole[:, :GUARD], self._whole[:, -GUARD:]], axis=1)
        return bool((ends != SENTINEL).any())
