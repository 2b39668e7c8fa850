"""Springs as they are told: their passes, with time, level and polarity, and the group delay of each.

``springs`` finds them. Times in seconds from the click, delay positive, expanded uncertainties (k = 2).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.settled import Settled
    from reverdict.measure.track import Track
    from reverdict.measure.transition import Transition


@dataclass(frozen=True)
class DelayCurve:
    """Group delay of one pass. Arrays of equal shape (points,), only where it could be read.

    frequency_hz, delay_s, uncertainty_s (expanded, k = 2), level_db (magnitude of the pass, 0 dB = unit click), ratio
    (its energy over that of noise and other sound in the cut).
    """

    frequency_hz: NDArray[Any]
    delay_s: NDArray[Any]
    uncertainty_s: NDArray[Any]
    level_db: NDArray[Any]
    ratio: NDArray[Any]

    def at(self, hz: float) -> float | None:
        """Delay at one frequency in seconds; None outside what was read."""
        return _inside(hz, self.frequency_hz, self.delay_s)

    def uncertainty_at(self, hz: float) -> float | None:
        """Expanded uncertainty of the delay at one frequency in seconds; None outside what was read."""
        return _inside(hz, self.frequency_hz, self.uncertainty_s)


@dataclass(frozen=True)
class Pass:
    """One arrival of one spring. ``number`` counts from 1; ``trips`` is how often it went through the spring.

    ``track`` is the settled pass itself, as long as figures are read from it.
    """

    number: int
    trips: int
    time_s: float
    uncertainty_s: float
    gain_db: float
    polarity: int
    curve: DelayCurve
    track: Track | None


@dataclass(frozen=True)
class Spring:
    """One spring: its passes in order, its law, and its transition frequency (or why there is none)."""

    passes: tuple[Pass, ...]
    pass_law: str
    coherence: float
    transition: Transition

    @property
    def curve(self) -> DelayCurve:
        """Group delay of the first pass."""
        return self.passes[0].curve


@dataclass(frozen=True)
class SpringMeasurement:
    """What ``find_springs`` found, in order of first arrival; ``why_none`` where there are no separate passes.

    latency_s, latency_uncertainty_s : by how much all passes come later than whole trips from the click (k = 2).
    settled : what the passes were read from, as long as figures are.
    """

    springs: tuple[Spring, ...]
    arrival_hz: float
    why_none: str = ""
    settled: Settled | None = None
    latency_s: float | None = None
    latency_uncertainty_s: float | None = None

    def as_told(self) -> SpringMeasurement:
        """Without what the passes were read from, which is most of it: some megabytes."""
        springs = tuple(
            replace(one, passes=tuple(replace(each, track=None) for each in one.passes)) for one in self.springs
        )
        return replace(self, springs=springs, settled=None)


def _inside(hz: float, frequency_hz: NDArray[Any], values: NDArray[Any]) -> float | None:
    if frequency_hz.size == 0 or not frequency_hz[0] <= hz <= frequency_hz[-1]:
        return None
    return float(np.interp(hz, frequency_hz, values))
