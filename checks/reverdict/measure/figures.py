"""A measurement in figures: what an approval writes down, so that a later analysis can be held against it.

Names are "path: quantity, unit" ("left: spring 1 pass 1 arrival, ms"), the path left out for mono. Values are rounded
to ``DIGITS``. Two values are the same within ``SAME`` of their unit: platforms and libraries differ by far less, and a
change of the analysis that moves them by less moves no verdict.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reverdict.measure.repeats import quantities

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from reverdict.measure.measurement import Measurement

DIGITS = 7
SAME = {"ms": (1e-3, 0.0), "Hz": (0.0, 1e-4), "s": (0.0, 1e-3), "dB": (0.01, 0.0), "": (0.0, 0.0)}
"""Per unit: absolute, and as a share of the value."""


def figures_of(measured: Measurement) -> dict[str, float]:
    """How many springs each path has, arrivals, transition frequencies, and level and decay times of every band."""
    figures: dict[str, float] = {}
    for path in measured.paths:
        head = f"{path.path}: " if path.path else ""
        figures[f"{head}springs"] = len(path.springs.springs)
        for (quantity, unit), value in quantities(path, path):
            figures[f"{head}{quantity}, {unit}"] = float(f"{value:.{DIGITS}g}")
    return figures


def moved(before: Mapping[str, float], now: Mapping[str, float]) -> Iterator[tuple[str, float | None, float | None]]:
    """(name, before, now) of what is no longer the same; None where it was not, or is no longer, measured."""
    for name in [*before, *(name for name in now if name not in before)]:
        one, other = before.get(name), now.get(name)
        if one is None or other is None or not _same(name, one, other):
            yield name, one, other


def _same(name: str, one: float, other: float) -> bool:
    absolute, share = SAME.get(name.rpartition(", ")[2] if ", " in name else "", (0.0, 1e-3))
    return abs(other - one) <= absolute + share * abs(one)
