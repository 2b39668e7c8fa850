"""How well a re-synthesised response agrees with the one that was fitted, both measured alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.decay import measure_decay
from reverdict.measure.springs import find_springs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.passes import Spring, SpringMeasurement

CURVE_SHARE = 0.8
"""Of the band of a curve: above, delay runs away and a little of frequency is much of time."""


@dataclass(frozen=True)
class Agreement:
    """Re-synthesised less original. None where one of them could not be measured, or has another number of springs.

    arrival_s : the largest difference of an arrival, signed; gain_db : of a pass's gain.
    curve_s : rms over the first passes' group delay; t30_percent : of the whole sound.
    """

    springs: int
    arrival_s: float | None = None
    gain_db: float | None = None
    curve_s: float | None = None
    t30_percent: float | None = None


def agreement(
    samples: NDArray[Any], again: NDArray[Any], rate_hz: float, click_at_s: float, measured: SpringMeasurement
) -> Agreement:
    """Compare what is measured of a response, shape (samples,), and of its re-synthesis, which clicks at 0 s."""
    remeasured = find_springs(again, rate_hz, 0.0, measured.arrival_hz).springs
    # Of another number of springs nobody can say which is which.
    same = len(remeasured) == len(measured.springs)
    pairs = list(zip(measured.springs, remeasured, strict=True)) if same else []
    passes = [both for one, other in pairs for both in zip(one.passes, other.passes, strict=False)]
    curves = np.concatenate([_apart(one, other) for one, other in pairs] or [np.zeros(0)])
    t30, t30_again = (
        measure_decay(row, rate_hz, at_s).whole.times["t30"].seconds
        for row, at_s in ((samples, click_at_s), (again, 0.0))
    )
    return Agreement(
        len(remeasured),
        _largest([other.time_s - one.time_s for one, other in passes]),
        _largest([other.gain_db - one.gain_db for one, other in passes]),
        float(np.sqrt(np.mean(curves**2))) if curves.size else None,
        100 * (t30_again / t30 - 1) if t30 and t30_again else None,
    )


def _largest(values: list[float]) -> float | None:
    return max(values, key=abs) if values else None


def _apart(one: Spring, other: Spring) -> NDArray[Any]:
    """Differences of two first passes' curves where both are known."""
    hz = np.intersect1d(one.curve.frequency_hz, other.curve.frequency_hz)
    hz = hz[hz <= CURVE_SHARE * one.curve.frequency_hz[-1]]
    mine, theirs = (np.interp(hz, c.frequency_hz, c.delay_s) for c in (one.curve, other.curve))
    return np.asarray(theirs - mine)
