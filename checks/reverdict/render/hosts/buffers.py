"""Sound buffers that C code reads and writes: 32-bit floats, a row per channel, with guards at both ends."""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING

import numpy as np

from reverdict.render.hosts import BuildError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

GUARD = 64
"""Samples before and after each row that nobody may write to: enough for one vector too many of any processor."""

UNWRITTEN = 0x7FC0DEAD
"""Bits of a NaN that stand in outputs before they are written: what is left of them shows."""

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

    def spoil(self, frames: int) -> None:
        """Fill rows with what nobody writes."""
        self.rows.view(np.uint32)[:, :frames] = UNWRITTEN

    def require_written(self, frames: int, rows: Sequence[int] | slice = slice(None)) -> None:
        """Raise BuildError where some of it still stands there after a block."""
        left = (self.rows.view(np.uint32)[rows, :frames] == UNWRITTEN).any(axis=0)
        if left.any():
            at = np.flatnonzero(left)
            which = f"sample {at[0]}" if at.size == 1 else f"samples {at[0]} to {at[-1]}"
            raise BuildError(f"leaves {which} of a block of {frames} unwritten, or adds to what stood there")

    @property
    def overrun(self) -> bool:
        """Whether somebody wrote before the first or after the last sample of a row."""
        ends = np.concatenate([self._whole[:, :GUARD], self._whole[:, -GUARD:]], axis=1)
        return bool((ends != SENTINEL).any())
