"""Sound of a candidate where its golden has none: clicks, hum, offsets, gaps at block edges, whatever does not belong.

Method
    Energy in windows of 10 ms, every 5 ms from 20 ms before the click, in bands of half an octave and of what lies
    below 50 Hz, up to nine tenths of half the sample rate: what resampling and converters do lies above. A cell of the
    candidate is held against the loudest cell of the golden within one band of it, from 5 ms later back to 20 ms
    before, and to two thirds of its time: what comes a little later or sooner, or takes half as long again to die away,
    is not stray but for others to judge. It is held against 60 dB below the golden's loudest cell, too; below that
    nothing is looked at.
Conventions
    ``excess_db`` above 0 is louder than anything near by in the golden. Times count from the click.
Validity
    What is missing is for others to say, as is what lies under the golden's own sound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

if TYPE_CHECKING:
    from numpy.typing import NDArray

WINDOW_S = 0.01
LEAD_S = 0.02
SOONER_WINDOWS = 1
LATER_WINDOWS = 4
LINGERS = 2 / 3
TOP = 0.9
FLOOR_DB = -60.0
SILENT = 1e-30


@dataclass(frozen=True)
class StraySound:
    """The cell in which the candidate exceeds its golden most.

    excess_db : over the golden's loudest cell near by, or its floor; level_db : re the golden's loudest cell of all.
    time_s, low_hz, high_hz : where it lies.
    """

    excess_db: float
    level_db: float
    time_s: float
    low_hz: float
    high_hz: float


def stray_sound(golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float) -> StraySound | None:
    """Hold a candidate against its golden, shapes (samples,), both from the click on; None if the golden is silent."""
    size = min(golden.size, candidate.size)
    edges = _edges(rate_hz)
    known, found = (_cells(sound[:size], rate_hz, edges) for sound in (golden, candidate))
    loudest = float(known.max(initial=0.0))
    if loudest <= SILENT:
        return None
    near = _loudest_near(known)
    excess = found / np.maximum(near, loudest * 10 ** (FLOOR_DB / 10))
    window, band = np.unravel_index(int(np.argmax(excess)), excess.shape)
    step_hz = 1 / WINDOW_S
    return StraySound(
        float(10 * np.log10(max(excess[window, band], SILENT))),
        float(10 * np.log10(max(found[window, band] / loudest, SILENT))),
        float(window) * WINDOW_S / 2 + WINDOW_S / 2 - LEAD_S,
        max(float(edges[band] - 0.5), 0.0) * step_hz,
        float(edges[band + 1] - 0.5) * step_hz,
    )


def _loudest_near(cells: NDArray[Any]) -> NDArray[Any]:
    """Per cell, the loudest of those it may stand for: shape (windows, bands)."""
    around = np.pad(cells, ((0, 0), (1, 1)))
    bands = np.maximum(np.maximum(around[:, :-2], around[:, 2:]), cells)
    window = np.arange(bands.shape[0])
    first = np.minimum((LINGERS * window).astype(int), np.maximum(window - LATER_WINDOWS, 0))
    last = np.minimum(window + SOONER_WINDOWS, window.size - 1)
    return _loudest_from_to(bands, first, last)


def _loudest_from_to(values: NDArray[Any], first: NDArray[Any], last: NDArray[Any]) -> NDArray[Any]:
    """Greatest of rows ``first`` to ``last``, column by column: of two overlapping stretches, each a power of two long.

    values : ndarray, shape (rows, columns); first, last : ndarray, shape (stretches,). So that the work grows as
    n log n.
    """
    found = np.empty((first.size, values.shape[1]))
    power = np.frexp(last - first + 1)[1] - 1
    doubled = values
    for exponent in range(int(power.max(initial=0)) + 1):
        here = np.flatnonzero(power == exponent)
        found[here] = np.maximum(doubled[first[here]], doubled[last[here] - 2**exponent + 1])
        doubled = np.maximum(doubled[: -(2**exponent)], doubled[2**exponent :])
    return found


def _edges(rate_hz: float) -> NDArray[Any]:
    """First bin of each band, and the end of the last one."""
    last = int(WINDOW_S * rate_hz * TOP / 2) + 1
    halves = np.round(2 ** (np.arange(0, 2 * int(np.log2(last)) + 1) / 2)).astype(int)
    return np.unique([0, *halves, last])


def _cells(sound: NDArray[Any], rate_hz: float, edges: NDArray[Any]) -> NDArray[Any]:
    """Energy per window and band."""
    length = int(WINDOW_S * rate_hz)
    padded = np.pad(sound, (round(LEAD_S * rate_hz), length))
    windows = sliding_window_view(padded, length)[:: max(length // 2, 1)] * np.hanning(length)
    spectrum = np.fft.rfft(windows, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    return np.add.reduceat(power[:, : edges[-1]], edges[:-1], axis=1)
