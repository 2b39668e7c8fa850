"""The noise that builds are timed, counted and grown on: white, Gaussian, -20 dBFS rms, the same every time."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

NOISE_RMS = 0.1
NOISE_SEED = 1


@functools.lru_cache(maxsize=4)
def noise(channels: int, samples: int) -> NDArray[Any]:
    """All at once, shape (channels, samples), for a program."""
    return _drawn((channels, samples))


def noise_blocks(job: dict[str, Any]) -> NDArray[Any]:
    """A second of it in the blocks of a job (``render.hosted.describe_job``), shape (blocks, channels in, frames)."""
    return _drawn((max(1, job["sample_rate"] // job["block_size"]), job["input_channels"], job["block_size"]))


def _drawn(shape: tuple[int, ...]) -> NDArray[Any]:
    return np.random.default_rng(NOISE_SEED).normal(0.0, NOISE_RMS, shape)
