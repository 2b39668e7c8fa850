"""Where a peak lies between the points that show it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from numpy.typing import NDArray


def vertex(around: NDArray[Any]) -> float:
    """Where the parabola through three values, the greatest in the middle, has its top: in steps from the middle one.

    0 where it has none. Of a pulse whose logarithm bends evenly, give the logarithms.
    """
    before, here, after = map(float, around)
    bend = before - 2 * here + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0
