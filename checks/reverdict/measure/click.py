"""When the click went in, where a recording does not say: the first sharp onset of the loudest path.

Electrical crosstalk or a dry path stands at the click itself. Where there is none, the first sound is already the
reverb, and no onset can tell how long it travelled: the record's own start is then the best guess. A first pass that
rises sharply may be taken for the click; that springs answer before it, by the law of their passes, tells so, and when
the click went in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.series import SHORTEST_TRIP_S
from reverdict.measure.springs import find_springs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.passes import SpringMeasurement

SHARP_S = 0.0002
AT_ONCE_S = 0.001
ABOVE_BACKGROUND_DB = 20.0
BELOW_PEAK_DB = 60.0
LATE_S = 1e-3
"""A click so much later than the one that the passes tell was a pass itself."""


def find_click(samples: NDArray[Any], rate_hz: float) -> float:
    """Seconds from the first sample to the click; 0 where sound begins at once or no sharp onset is found."""
    return find_sharp_onset(samples, rate_hz) or 0.0


def find_sharp_onset(samples: NDArray[Any], rate_hz: float) -> float | None:
    """Seconds from the first sample to the click; 0 where sound begins at once, None where no sharp onset is found.

    The onset is the first stretch of 0.2 ms that rises 20 dB above everything before it, noise included: even the first
    pass of a spring takes longer to rise. Differences from sample to sample are looked at: they favour a click's highs.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples) or (samples,)
    """
    loudest = np.atleast_2d(samples)
    loudest = loudest[int(np.argmax(np.sum(loudest**2, axis=1)))]
    width = max(int(SHARP_S * rate_hz), 1)
    power = np.diff(loudest, prepend=loudest[:1]) ** 2
    blocks = power[: power.size // width * width].reshape(-1, width)
    level = blocks.max(axis=1) if blocks.size else np.zeros(1)
    above = 10 ** (ABOVE_BACKGROUND_DB / 10)
    at_once = max(round(AT_ONCE_S / SHARP_S), 1)
    background = float(np.median(level[at_once : 10 * at_once])) if level.size > at_once else 0.0
    if level[:at_once].max() > above * background:
        return 0.0
    heard = level > 10 ** (-BELOW_PEAK_DB / 10) * level.max()
    onsets = np.flatnonzero(heard[1:] & (level[1:] > above * np.maximum.accumulate(level)[:-1])) + 1
    if onsets.size == 0:
        return None
    begin = int(onsets[0]) * width
    inside = power[begin : begin + width]
    return (begin + int(np.flatnonzero(inside > 0.1 * inside.max())[0])) / rate_hz


def click_before(samples: NDArray[Any], rate_hz: float, onset_s: float) -> float | None:
    """When the click went in by the passes of springs, seconds, where a sharp onset at ``onset_s`` is one of them.

    samples : ndarray, shape (channels, samples) or (samples,)
    """
    if onset_s < SHORTEST_TRIP_S:
        return None
    loudest = np.atleast_2d(samples)
    found = find_springs(loudest[int(np.argmax(np.sum(loudest**2, axis=1)))], rate_hz, onset_s)
    early_s = answers_early(found)
    return None if early_s is None else max(onset_s - early_s, 0.0)


def answers_early(*measured: SpringMeasurement) -> float | None:
    """How long before the click springs have theirs, seconds: a click that is told too late. None where they do not."""
    known = [(one.latency_uncertainty_s, one.latency_s) for one in measured]
    told = [(unsure_s, late_s) for unsure_s, late_s in known if unsure_s is not None and late_s is not None]
    unsure_s, late_s = min(told, default=(0.0, 0.0))
    return -late_s if late_s + unsure_s < -LATE_S else None
