"""A pass while it is being measured; ``following`` starts it, ``settling`` brings it to where it stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass
class Track:
    """A pass on its way to being measured: a delay on every bin, the band it is known in, its folded pulse.

    crowded_s : how much its nearest neighbour falls short of being far enough to be told apart.
    unsettled : frequencies, and how far its curve still moved there when it was last learnt, with little smoothing.
    first : the first pass of its spring, where this is a later one, of ``trips`` trips.
    held : whether its delay is that of the first, ``trips`` − 1 more through the spring alone, and ``offset_s``.
    extra_s : share of the delay that is not the spring's, on every bin: that of drive and pickup, passed once.
    curls : whether there is such a share.
    alone : whether no other first pass lies in its widest cut.
    """

    delay_s: NDArray[Any]
    low_hz: float
    high_hz: float
    pulse: NDArray[Any] | None = None
    crowded_s: float = 0.0
    unsettled: tuple[NDArray[Any], NDArray[Any]] = (np.zeros(1), np.zeros(1))
    first: Track | None = None
    held: bool = False
    trips: int = 1
    offset_s: float = 0.0
    extra_s: NDArray[Any] | float = 0.0
    curls: bool = False
    alone: bool = False

    def after(self, trips: int) -> NDArray[Any]:
        """Delay after so many trips through the spring of which this is the first pass, on every bin."""
        return self.delay_s + (trips - 1) * (self.delay_s - self.extra_s)

    @property
    def lawful_s(self) -> NDArray[Any]:
        """What the first pass prescribes for this later one, on every bin."""
        assert self.first is not None
        return self.first.after(self.trips) + self.offset_s

    def follow(self) -> None:
        """Take the delay that the first pass prescribes."""
        if self.first is not None and self.held:
            self.delay_s = self.lawful_s
