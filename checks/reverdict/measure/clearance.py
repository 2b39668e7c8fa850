"""Where a pass stands clear of all others, so that what its cut holds is its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.measure.excerpt import Excerpt
    from reverdict.measure.track import Track

STEP_HZ = 25.0
BEYOND = 1.1
"""A pass may sound so far above the highest frequency at which it is known."""
NOWHERE_S = 1e3
OVER_S = 1.0e-3
LEAST = 1e-4


def clear_of_others(excerpt: Excerpt, tracks: Sequence[Track], cut_s: float) -> NDArray[Any]:
    """Where a cut reaching ``cut_s`` to both sides of each pass holds nothing of another, shape (tracks, bins): 0 to 1.

    Where two passes cross, what lies in both cuts cannot be told apart.
    """
    stride = max(int(STEP_HZ / excerpt.step_hz), 1)
    coarse_hz = excerpt.frequency_hz[::stride]
    rows = clear_of_all(clear_of_each(coarse_hz, tracks, cut_s, stride))
    return np.array([np.interp(excerpt.frequency_hz, coarse_hz, row) for row in rows])


def clear_of_each(frequency_hz: NDArray[Any], tracks: Sequence[Track], cut_s: float, stride: int) -> NDArray[Any]:
    """The same pair by pair on every so many bins, shape (tracks, tracks, frequencies)."""
    delays_s = np.array([track.delay_s[::stride][: frequency_hz.size] for track in tracks])
    for index, track in enumerate(tracks):
        delays_s[index, frequency_hz > BEYOND * track.high_hz] = NOWHERE_S * (index + 1)
    apart_s = np.abs(delays_s[:, None] - delays_s[None, :])
    apart_s[np.arange(len(tracks)), np.arange(len(tracks))] = NOWHERE_S
    return np.clip((apart_s - cut_s) / OVER_S, LEAST, 1.0)


def clear_of_all(each: NDArray[Any]) -> NDArray[Any]:
    """What ``clear_of_each`` found, over all others, shape (tracks, frequencies)."""
    return np.asarray(np.maximum(np.prod(each, axis=1), LEAST))
