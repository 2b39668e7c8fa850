"""Latency of plug-ins that tell it by a control port: only while they run."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Protocol

from reverdict.render.hosts import BuildError

if TYPE_CHECKING:
    from collections.abc import Callable

SETTLING_S = 0.05
"""Silence to hear before it is believed: some tell the latency of the block before."""
FEWEST_BLOCKS = 2


class Running(Protocol):
    """An instance that can run without a block being handed over."""

    @property
    def latency_samples(self) -> int | None: ...
    def run(self, frames: int) -> None:
        """Run on whatever stands in the inputs."""

    def close(self) -> None:
        """Free what it holds."""


def settled_latency(make: Callable[[], Running], rate_hz: int, block_size: int) -> int | None:
    """What an instance, made for this and thrown away, says after some silence."""
    asked = make()
    for _ in range(max(FEWEST_BLOCKS, math.ceil(SETTLING_S * rate_hz / block_size))):
        asked.run(block_size)
    latency = asked.latency_samples
    asked.close()
    return latency


def told_latency(value: float) -> int:
    """The value of a latency port in samples. Raises BuildError where it is no number."""
    if not math.isfinite(value):
        raise BuildError(f"reports a latency of {value} samples")
    return round(value)
