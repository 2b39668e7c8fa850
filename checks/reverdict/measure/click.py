"""When the click went in, where a recording does not say: the first sharp onset of the loudest path.

Electrical crosstalk or a dry path stands at the click itself. Where there is none, the first sound is already the
reverb, and no method can tell how long it travelled: the record's own start is then the best guess.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

SHARP_S = 0.001
ABOVE_BACKGROUND_DB = 20.0
BELOW_PEAK_DB = 60.0


def find_click(samples: NDArray[Any], rate_hz: float) -> float:
    """Seconds from the first sample to the click; 0 where sound begins at once or no sharp onset is found.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples) or (samples,)
    """
    loudest = np.atleast_2d(samples)
    loudest = loudest[int(np.argmax(np.sum(loudest**2, axis=1)))]
    loudest = loudest - float(np.mean(loudest))
    width = max(int(SHARP_S * rate_hz), 1)
    power = np.diff(loudest, prepend=loudest[:1]) ** 2
    blocks = power[: power.size // width * width].reshape(-1, width)
    level = blocks.max(axis=1) if blocks.size else np.zeros(1)
    if level.max() <= 0:
        return 0.0
    needed = 10 ** (-BELOW_PEAK_DB / 10) * level.max()
    before = np.maximum.accumulate(level)
    for index in np.flatnonzero(level > needed):
        background = before[index - 1] if index else 0.0
        if index == 0 or level[index] > 10 ** (ABOVE_BACKGROUND_DB / 10) * background:
            inside = power[index * width : (index + 1) * width]
            first = int(np.flatnonzero(inside > 0.1 * inside.max())[0])
            return 0.0 if index == 0 else (index * width + first) / rate_hz
        break
    return 0.0
