"""What is left when all passes of a response are settled, for figures that are read from the passes themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.excerpt import Excerpt
    from reverdict.measure.track import Track


@dataclass(frozen=True)
class Settled:
    """The excerpt, all its passes (also those that are not told), and what no pass explains, shape (bins,)."""

    excerpt: Excerpt
    tracks: tuple[Track, ...]
    rest: NDArray[Any]
