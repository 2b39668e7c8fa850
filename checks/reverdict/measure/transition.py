"""Transition frequency: where the delay of the low-frequency branch runs away.

Two laws of the trade are fitted to a measured group-delay curve and the better one speaks:
- a helical spring, τ = T/√(1 − (f/f_C)²): 1/τ² is a straight line in f² with its zero at f_C²
  (within 0.4 % of the dispersion relation of Bilbao and Parker 2010 up to 0.85 f_C);
- a delay and a chain of stretched allpass sections, τ = D + A (1 − a²)/(1 + 2a cos(πf/f_C) + a²), peak at f_C
  (Välimäki, Parker and Abel 2010).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


FARTHEST_GUESS = 0.08
CLEARLY_BETTER = 0.5
SHORTER = 0.85
ROUNDS = 30
FINEST_HZ = 1e-3
ENOUGH_POINTS = 60


@dataclass(frozen=True)
class Transition:
    """Transition frequency, the law that gave it, and the rms misfit of that law; or why there is none.

    ``uncertainty_hz`` is how far the fit wanders when the top of the curve is left out, or a law is taken that fits a
    little better.
    """

    frequency_hz: float | None
    uncertainty_hz: float | None = None
    law: str = ""
    misfit_s: float | None = None
    why_not: str = ""


def find_transition(frequency_hz: NDArray[Any], delay_s: NDArray[Any], law: str = "") -> Transition:
    """Fit both laws, or the one named, to a curve, shapes (points,). None where delay does not bend enough to tell."""
    if frequency_hz.size < 12:
        return Transition(None, why_not="the group-delay curve is too short")
    start_s = float(np.median(delay_s[: max(frequency_hz.size // 8, 3)]))
    rise = (float(delay_s[-4:].mean()) - start_s) / start_s
    if rise < 0.08:
        return Transition(None, why_not=f"delay rises only {100 * rise:.0f} % up to {frequency_hz[-1]:.0f} Hz")
    fits = [_fit(name, frequency_hz, delay_s) for name in ([law] if law else _LAWS)]
    fits = [fit for fit in fits if fit.misfit_s is not None and fit.misfit_s < 0.05 * start_s]
    if not fits:
        return Transition(None, why_not="no dispersion law fits the curve within 5 % of its delay")
    # The chain has one parameter more, so it must fit clearly better to be believed.
    best = fits[-1] if (fits[-1].misfit_s or 0.0) < CLEARLY_BETTER * (fits[0].misfit_s or 0.0) else fits[0]
    if law:
        return best
    upto = max(int(SHORTER * frequency_hz.size), 12)
    others = [_fit(best.law, frequency_hz[:upto], delay_s[:upto])]
    others += [fit for fit in fits if (fit.misfit_s or 0.0) < (best.misfit_s or 0.0)]
    assert best.frequency_hz is not None
    away_hz = max(abs((other.frequency_hz or np.inf) - best.frequency_hz) for other in others)
    if away_hz > FARTHEST_GUESS * best.frequency_hz:
        return Transition(None, why_not=f"the curve ends at {frequency_hz[-1]:.0f} Hz, too far below its transition")
    return replace(best, uncertainty_hz=away_hz)


def moved_by_noise_hz(
    frequency_hz: NDArray[Any], delay_s: NDArray[Any], found: Transition, sigma_s: NDArray[Any], correlated_hz: float
) -> float:
    """Standard deviation of a transition frequency whose curve is known to ``sigma_s``, shapes (points,), in Hz.

    To first order, from the derivatives of the law by its numbers. Errors of neighbouring points are alike, less and
    less so up to ``correlated_hz`` apart.
    """
    assert found.frequency_hz is not None
    law, corner_hz = _LAWS[found.law], found.frequency_hz
    coefficients = np.zeros(1) if law is helical else np.linspace(0.05, 0.97, 185)
    misfits = _linear_misfit(np.atleast_2d(law(frequency_hz, corner_hz, 0.0, 1.0, coefficients[:, None])), delay_s)
    a = float(coefficients[int(np.argmin(misfits))])
    shape = law(frequency_hz, corner_hz, 0.0, 1.0, a)
    depth_s = float(np.polyfit(shape, delay_s, 1)[0])
    step_hz = 1e-4 * corner_hz
    slopes = [
        (law(frequency_hz, corner_hz + step_hz, 0.0, depth_s, a) - depth_s * shape) / step_hz,
        np.ones_like(shape),
        shape,
    ]
    if law is not helical:
        slopes.append((law(frequency_hz, corner_hz, 0.0, depth_s, a + 1e-4) - depth_s * shape) / 1e-4)
    pull = np.linalg.pinv(np.stack(slopes, axis=1))[0]
    alike = np.maximum(1 - np.abs(frequency_hz[:, None] - frequency_hz) / correlated_hz, 0.0)
    return float(np.sqrt((pull * sigma_s) @ alike @ (pull * sigma_s)))


def helical(f: NDArray[Any], corner_hz: Any, base_s: float, depth_s: float, _: Any) -> NDArray[Any]:
    """Delay of a helical spring on top of a fixed delay, seconds."""
    return base_s + depth_s * (1 / np.sqrt(np.maximum(1 - (f / corner_hz) ** 2, 1e-4)) - 1)


def allpass_chain(f: NDArray[Any], corner_hz: Any, base_s: float, depth_s: float, a: Any) -> NDArray[Any]:
    """Delay of a stretched allpass chain on top of a fixed delay, seconds; zero rise at 0 Hz."""
    bend = (1 - a**2) / (1 + 2 * a * np.cos(np.pi * f / corner_hz) + a**2)
    return base_s + depth_s * (bend - (1 - a) / (1 + a))


_LAWS = {"helical spring": helical, "allpass chain": allpass_chain}


def _fit(name: str, frequency_hz: NDArray[Any], delay_s: NDArray[Any]) -> Transition:
    """Scan the corner (and a); base and depth are linear; then polish around the best on ever finer grids."""
    law = _LAWS[name]
    every = max(frequency_hz.size // ENOUGH_POINTS, 1)
    frequency_hz, delay_s = frequency_hz[::-every][::-1], delay_s[::-every][::-1]
    top = float(frequency_hz[-1])
    corners = top * np.linspace(1.005, 2.0, 60)
    coefficients = np.zeros(1) if law is helical else np.linspace(0.3, 0.9, 13)
    best = (np.inf, top, 0.0)
    span, spread = float(corners[1] - corners[0]), 0.05
    for _ in range(ROUNDS):
        corner, a = (grid.ravel() for grid in np.meshgrid(corners, coefficients, indexing="ij"))
        # The cosine is that of a corner only: broadcast, it is taken once for all coefficients.
        shapes = law(frequency_hz, corners[:, None, None], 0.0, 1.0, coefficients[None, :, None])
        misfit = _linear_misfit(shapes.reshape(-1, frequency_hz.size), delay_s)
        pick = int(np.argmin(misfit))
        walks = corner[pick] in corners[[0, -1]] or (law is not helical and a[pick] in coefficients[[0, -1]])
        best = min(best, (float(misfit[pick]), float(corner[pick]), float(a[pick])))
        # A long narrow valley is walked along before it is looked at more closely.
        finer = 1 if walks else 2.5
        span, spread = span / finer, spread / finer
        corners = np.maximum(best[1] + span * np.arange(-2, 3), 1.001 * top)
        if span < FINEST_HZ:
            break
        if law is not helical:
            coefficients = np.clip(best[2] + spread * np.arange(-2, 3), 0.05, 0.97)
    misfit_s, corner_hz, _ = best
    if not np.isfinite(misfit_s):
        return Transition(None, why_not=f"the curve is no {name}")
    return Transition(corner_hz, None, name, misfit_s)


def _linear_misfit(shapes: NDArray[Any], delay_s: NDArray[Any]) -> NDArray[Any]:
    """Rms of what base + depth · shape leaves of the curve, shapes (laws, points); infinite unless depth > 0."""
    away = shapes - shapes.mean(axis=1, keepdims=True)
    target = delay_s - delay_s.mean()
    depth = away @ target / np.maximum(np.einsum("ij,ij->i", away, away), 1e-300)
    away *= depth[:, None]
    away -= target
    rest = np.sqrt(np.einsum("ij,ij->i", away, away) / target.size)
    return np.where(depth > 0, rest, np.inf)
