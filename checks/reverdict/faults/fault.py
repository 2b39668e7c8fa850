"""What a graded fault is: a way to change a response, and the sizes from its mildest to its gravest.

Conventions. A size is positive where its unit is (ms, percent, samples); levels in dB and bits fall or rise as their
unit does, so ``mild`` may be above ``grave``. A fault that goes either way (later, earlier) takes its size with both
signs and counts as caught only where both are. A fault without sizes, such as a flipped polarity, has ``mild`` equal
to ``grave``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.words import Response

NEAR_RATIO, NEAR_STEP = 1.1, 0.5
"""Sizes this near to each other, on a log and on a linear axis (dB), are as good as one; of lesser interest: …"""
ROUGH_RATIO, ROUGH_STEP = 1.3, 2.0
"""… these."""
COARSE_SIZES = 9


@dataclass(frozen=True)
class Heard:
    """The size from which a fault is heard, and what that rests on."""

    size: float
    source: str


@dataclass(frozen=True)
class Fault:
    """A graded fault.

    about : what is done, in a line.
    inject : of a response and a signed size, the changed samples, shape (paths, samples) as before.
    scale : how sizes between ``mild`` and ``grave`` are spaced; those of levels are logarithmic already.
    step : sizes are whole multiples of it; 0 for any size.
    ways : names of the ways of a positive and a negative size; empty where there is one only.
    """

    name: str
    about: str
    unit: str
    mild: float
    grave: float
    inject: Callable[[Response, float], NDArray[Any]]
    scale: Literal["log", "linear"] = "log"
    step: float = 0.0
    ways: tuple[str, ...] = ()
    heard: Heard | None = None

    def injected(self, golden: Response, size: float) -> Response:
        """The golden with this fault."""
        return replace(golden, samples=self.inject(golden, size))

    @property
    def signs(self) -> tuple[float, ...]:
        return (1.0, -1.0) if self.ways else (1.0,)

    def coarse(self) -> list[float]:
        """Sizes to try first, the mildest first."""
        if self.mild == self.grave:
            return [self.mild]
        shares = [index / (COARSE_SIZES - 1) for index in range(COARSE_SIZES)]
        return list(dict.fromkeys(self._between(self.mild, self.grave, share) for share in shares))

    def between(self, milder: float, graver: float, *, rough: bool = False) -> float | None:
        """A size half-way between two; None where they are as good as one."""
        if self.scale == "log":
            near = graver / milder < (ROUGH_RATIO if rough else NEAR_RATIO)
        else:
            near = abs(graver - milder) <= (ROUGH_STEP if rough else NEAR_STEP)
        middle = self._between(milder, graver, 0.5)
        return None if near or middle in (milder, graver) else middle

    def _between(self, milder: float, graver: float, share: float) -> float:
        if self.scale == "log":
            size = math.exp(math.log(milder) + share * (math.log(graver) - math.log(milder)))
        else:
            size = milder + share * (graver - milder)
        return self.step * round(size / self.step) if self.step else float(f"{size:.4g}")
