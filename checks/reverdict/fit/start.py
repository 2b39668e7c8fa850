"""Start values of a fit: what the measured passes of each spring say by themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.fit.model import TankModel, TripModel

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.measure.passes import DelayCurve, Spring

LOWPASS_HZ = 9000.0
MOST_POINTS = 80


def start_of(springs: tuple[Spring, ...], groups: int) -> TankModel:
    """A tank whose trips have the group delay of the first passes, with one or two groups of sections each."""
    return TankModel(tuple(_trip(one, groups) for one in springs), springs[0].pass_law)


def _trip(spring: Spring, groups: int) -> TripModel:
    first, second = spring.passes[:2]
    line_s, transition_hz, chains = chains_of(spring.curve, groups)
    reflection = first.polarity * second.polarity * 10 ** ((second.gain_db - first.gain_db) / 20)
    level = first.polarity * 10 ** (first.gain_db / 20)
    lowpass_s, edge_s = 1 / (2 * np.pi * LOWPASS_HZ), 1 / (2 * np.pi * 0.95 * float(spring.curve.frequency_hz[-1]))
    line_s = max(line_s - lowpass_s - 4.1 * edge_s, 1e-4)
    return TripModel(line_s, transition_hz, chains, reflection, level, lowpass_s, lowpass_s**2 / 2, edge_s)


def chain_delay_s(transition_hz: float, chains: Sequence[Sequence[float]], hz: NDArray[Any]) -> NDArray[Any]:
    """Group delay of stretched sections: N K (1 − a²)/(1 + 2a cos(πf/f_C) + a²) samples a group."""
    cosine = np.cos(np.pi * hz / transition_hz)
    return np.asarray(sum(n * (1 - a**2) / (1 + 2 * a * cosine + a**2) for n, a in chains) / (2 * transition_hz))


def chains_of(curve: DelayCurve, groups: int) -> tuple[float, float, tuple[tuple[float, float], ...]]:
    """Line, transition and groups of sections of a delay curve; outliers count less (soft L1)."""
    from scipy.optimize import least_squares

    every = max(curve.frequency_hz.size // MOST_POINTS, 1)
    hz, delay_s, uncertainty_s = (
        row[::-every][::-1] for row in (curve.frequency_hz, curve.delay_s, curve.uncertainty_s)
    )
    unsure_s = np.hypot(uncertainty_s, 5e-6 + 0.002 * np.abs(delay_s - delay_s[0]))
    top_hz, least_s = float(hz[-1]), float(np.quantile(delay_s, 0.1))
    low = [0.0, 0.97 * top_hz, *(groups * [1.0, 0.02])]
    # Two groups could feign a spring with countless sections and a far transition; a user could build neither.
    high = (
        [2 * least_s, 2.5 * top_hz, 1500.0, 0.95] if groups == 1 else [2 * least_s, 1.2 * top_hz, 400, 0.95, 400, 0.95]
    )

    def away(x: NDArray[Any]) -> NDArray[Any]:
        return np.asarray((x[0] + chain_delay_s(x[1], x[2:].reshape(-1, 2).tolist(), hz) - delay_s) / unsure_s)

    def slopes(x: NDArray[Any]) -> NDArray[Any]:
        corner, theta = x[1], np.pi * hz / x[1]
        columns, by_corner = [], np.zeros(hz.size)
        for n, a in x[2:].reshape(-1, 2):
            below, top = 1 + 2 * a * np.cos(theta) + a**2, 1 - a**2
            columns += [top / below, -n * (2 * a * below + top * (2 * np.cos(theta) + 2 * a)) / below**2]
            by_corner -= n * top / below * (1 + 2 * a * theta * np.sin(theta) / below) / corner
        rows = np.stack([2 * corner * np.ones(hz.size), by_corner, *columns]) / (2 * corner) / unsure_s
        return np.asarray(rows.T)

    best = None
    for share in (1.02, 1.15, 1.4):
        for a in (0.4, 0.65):
            corner = share * top_hz
            one = chain_delay_s(corner, [(1.0, a)], hz)
            design = np.stack([np.ones_like(hz), one], axis=1) / unsure_s[:, None]
            base, count = np.linalg.lstsq(design, delay_s / unsure_s, rcond=None)[0]
            chain = [count, a] if groups == 1 else [count, a, count, 0.15]
            x0 = np.clip([base, corner, *chain], np.array(low) + 1e-6, np.array(high) * (1 - 1e-6))
            found = least_squares(  # type: ignore[operator, unused-ignore]  # older stubs take it for its module
                away,
                x0,
                slopes,
                loss="soft_l1",
                x_scale=[1e-3, 100, *(groups * [10, 0.1])],
                bounds=(low, high),
                max_nfev=60,
            )
            if best is None or found.cost < best.cost:
                best = found
    assert best is not None
    x = [float(value) for value in best.x]
    return x[0], x[1], tuple(zip(x[2::2], x[3::2], strict=True))
