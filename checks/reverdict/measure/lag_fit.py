"""A lag curve taken apart: lag(t) = offset + drift·t + steps, by weighted least squares with Huber's weights.

A step is taken only where it explains clearly more than chance and more than any bend of a steady drift would.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

OVERLAP_COST = 4 / 3
"""Neighbouring windows that overlap by half have errors correlated by 1/6."""

FEWEST, FEWEST_FOR_DRIFT = 4, 8
MOST_STEPS = 3
CLEARLY = 30.0
"""By how much the sum of squares must fall for a step: five and a half standard deviations."""
TWICE = 2.0
"""A step must be this many times its expanded uncertainty."""

NANOSECOND = 1e-9


@dataclass(frozen=True)
class LagStep:
    """A lag that changes at one time and stays changed. Uncertainties are expanded, k = 2."""

    time_s: float
    time_uncertainty_s: float
    size_s: float
    size_uncertainty_s: float


@dataclass(frozen=True)
class LagFit:
    """lag(t) = offset + drift·t + steps. Uncertainties are expanded, k = 2.

    offset_s : float
        Lag at the click: latency.
    drift_ppm : float or None
        Positive where the candidate falls behind: its clock is slow, or its delays are longer. None, and no steps,
        where fewer than eight windows tell a lag.
    scatter : float
        Root mean square of what the fit leaves, over what the uncertainties lead to expect; about 1 where it holds.
    """

    offset_s: float
    offset_uncertainty_s: float
    drift_ppm: float | None
    drift_uncertainty_ppm: float | None
    steps: tuple[LagStep, ...]
    scatter: float


def fit_lag(
    time_s: NDArray[Any], lag_s: NDArray[Any], sigma_s: NDArray[Any], sure: NDArray[Any], window_s: float
) -> LagFit | None:
    """Take a lag curve apart into offset, drift and steps; None with fewer than four points.

    Parameters
    ----------
    time_s, lag_s, sigma_s : ndarray, shape (points,)
        Times in order; standard deviations of the lags.
    sure : ndarray of bool, shape (points,)
        Points that may tell of a step: where the tail blurs, any curve could be had from steps.
    window_s : float
        What one point stands for, twice their distance.
    """
    if time_s.size < FEWEST:
        return None
    edges: list[int] = []
    fit = _fitted(time_s, lag_s, sigma_s, edges, window_s)
    while time_s.size >= FEWEST_FOR_DRIFT and len(edges) < MOST_STEPS:
        edge = _best_edge(time_s, lag_s, sigma_s, sure, edges)
        if edge is None:
            break
        further = _fitted(time_s, lag_s, sigma_s, [*edges, edge], window_s)
        if any(abs(step.size_s) < TWICE * step.size_uncertainty_s for step in further.steps):
            break
        edges, fit = [*edges, edge], further
    return fit


def _fitted(
    time_s: NDArray[Any], lag_s: NDArray[Any], sigma_s: NDArray[Any], edges: list[int], window_s: float
) -> LagFit:
    columns = _columns(time_s, edges)
    values, covariance, scatter = _least_squares(columns, lag_s, _huber(columns, lag_s, _weights(sigma_s)))
    unsure = 2 * np.sqrt(np.diag(covariance)) * max(scatter, 1.0)
    # What windows cut at whole samples cost does not average out.
    unsure = np.where(np.arange(unsure.size) == 1, unsure, np.hypot(unsure, 2 * NANOSECOND))
    steps = [
        LagStep(float((time_s[edge - 1] + time_s[edge]) / 2), window_s / 2, float(size), float(size_unsure))
        for edge, size, size_unsure in zip(edges, values[2:], unsure[2:], strict=True)
    ]
    steps.sort(key=lambda step: step.time_s)
    drift_ppm, drift_unsure_ppm = (
        (1e6 * float(values[1]), 1e6 * float(unsure[1])) if time_s.size >= FEWEST_FOR_DRIFT else (None, None)
    )
    return LagFit(float(values[0]), float(unsure[0]), drift_ppm, drift_unsure_ppm, tuple(steps), scatter)


def _columns(time_s: NDArray[Any], edges: list[int]) -> list[NDArray[Any]]:
    if time_s.size < FEWEST_FOR_DRIFT:
        return [np.ones_like(time_s)]
    return [np.ones_like(time_s), time_s, *(np.where(np.arange(time_s.size) >= edge, 1.0, 0.0) for edge in edges)]


def _weights(sigma_s: NDArray[Any]) -> NDArray[Any]:
    """1/σ, with a nanosecond for what no reading can be better than (a golden beside itself has no σ)."""
    return 1 / np.hypot(sigma_s * np.sqrt(OVERLAP_COST), NANOSECOND)


def _least_squares(
    columns: list[NDArray[Any]], lag_s: NDArray[Any], weights: NDArray[Any]
) -> tuple[NDArray[Any], NDArray[Any], float]:
    design = np.column_stack(columns) * weights[:, None]
    wanted = lag_s * weights
    covariance = np.linalg.pinv(design.T @ design, hermitian=True)
    values = covariance @ (design.T @ wanted)
    left = wanted - design @ values
    scatter = float(np.sqrt(np.sum(left**2) / max(lag_s.size - len(columns), 1)))
    return values, covariance, scatter


def _huber(columns: list[NDArray[Any]], lag_s: NDArray[Any], weights: NDArray[Any]) -> NDArray[Any]:
    """Weights that hold outliers down: Huber's, with the scale from the median of what is left."""
    held = weights
    for _ in range(4):
        values, _, _ = _least_squares(columns, lag_s, held)
        left = np.abs(lag_s - np.column_stack(columns) @ values) * weights
        scale = max(1.4826 * float(np.median(left)), 1.0)
        if left.max() < 2 * scale:
            return held
        held = weights * np.sqrt(np.minimum(1.0, 2 * scale / np.maximum(left, 1e-300)))
    return held


def _best_edge(
    time_s: NDArray[Any], lag_s: NDArray[Any], sigma_s: NDArray[Any], sure: NDArray[Any], edges: list[int]
) -> int | None:
    """First point after a step that explains clearly more than chance and than a bend; None where there is none."""
    size = time_s.size
    columns = _columns(time_s, edges)
    weights = _weights(sigma_s) * sure
    basis, _ = np.linalg.qr(np.column_stack(columns) * weights[:, None])
    left = lag_s * weights
    left = left - basis @ (basis.T @ left)
    scale = max((1.4826 * float(np.median(np.abs(left)))) ** 2, 1.0)
    step = _gained(np.ones(size), basis, left, weights)
    # A bend at t is (t' − t) from t on: suffix sums of t' less t times those of 1.
    bend = _gained(time_s - time_s[0], basis, left, weights, time_s - time_s[0])
    least = 4
    inside = step[least : size - least + 1]
    if inside.size == 0:
        return None
    edge = least + int(np.argmax(inside))
    if step[edge] < CLEARLY * scale:
        return None
    total, bent = float(np.sum(left**2)), float(bend.max())
    return edge if step[edge] > 1.2 * bent or total - step[edge] < 0.5 * (total - bent) else None


def _gained(
    column: NDArray[Any], basis: NDArray[Any], left: NDArray[Any], weights: NDArray[Any],
    less: NDArray[Any] | None = None,
) -> NDArray[Any]:  # fmt: skip
    """By how much the sum of squares falls when ``column − less[i]``, from point i on, joins the fit; for every i."""

    def later(values: NDArray[Any]) -> NDArray[Any]:
        return np.cumsum(values[::-1], axis=0)[::-1]

    shift = np.zeros(column.size) if less is None else less
    along = later(column * weights * left) - shift * later(weights * left)
    on_basis = later((column * weights)[:, None] * basis) - shift[:, None] * later(weights[:, None] * basis)
    square = later((column * weights) ** 2) - 2 * shift * later(column * weights**2) + shift**2 * later(weights**2)
    free = square - np.sum(on_basis**2, axis=1)
    usable = free > 1e-6 * np.maximum(square, 1e-300)
    return np.where(usable, along**2 / np.where(usable, free, 1.0), 0.0)
