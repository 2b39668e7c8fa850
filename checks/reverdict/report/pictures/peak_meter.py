"""An echogram as a peak meter would write it: up at once, down no faster than ``FALL_DB_PER_MS``.

Between the zero crossings of a low note, and between the first echoes of a sparse hall, there is for some milliseconds
nothing at all. Drawn as it is, that is a fence of verticals in which nobody sees the level. Onsets stay where they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

FALL_DB_PER_MS = 5.0


def peak_meter(time_ms: ArrayLike, level_db: ArrayLike) -> NDArray[Any]:
    """Levels that fall by no more than ``FALL_DB_PER_MS``, shape (points,); NaN where there was none."""
    levels = np.asarray(level_db, dtype=float)
    fallen = FALL_DB_PER_MS * np.asarray(time_ms, dtype=float)[: levels.size]
    held = np.maximum.accumulate(np.where(np.isnan(levels), -np.inf, levels) + fallen) - fallen
    return np.where(np.isnan(levels), np.nan, held)
