"""How a build grows, what it needs and what it keeps: played by ``render.growing``, measured by ``measure.growth``."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from reverdict.measure.growth import Figure, Grown, Growth, Needs, growth_of, growth_with_length, leak_of, least
from reverdict.render.growing import try_growth, try_needs

if TYPE_CHECKING:
    from pathlib import Path

    from reverdict.reference import Cost
    from reverdict.render import Build, Request
    from reverdict.render.growing import Tried

SETUP_FLOOR, MEMORY_FLOOR = 0.05, 0.02
"""Relative, expanded (k = 2): what two starts of one build differ by for good."""


def asks_growth(settings: Cost) -> bool:
    """Whether a reference asks anything of it."""
    asked = (settings.growth_exponent, settings.leak_kb_per_s, settings.memory_percent, settings.setup_percent)
    return any(one is not None for one in asked)


def observe(build: Build, baseline: Build | None, request: Request, settings: Cost, work_folder: Path) -> Grown:
    """Put a build, and its baseline where there is one, through what a reference asks.

    Raises
    ------
    BadInput
        As ``render.play``.
    """
    grows = settings.growth_exponent is not None or settings.leak_kb_per_s is not None
    own = (
        try_growth(build, request, settings.grows_with, work_folder)
        if grows
        else try_needs(build, request, work_folder)
    )
    compared = settings.memory_percent is not None or settings.setup_percent is not None
    golden = None
    if baseline is not None and compared and not own.why_not:
        golden = _needs(try_needs(baseline, request, work_folder), "baseline: ")
    if not grows:
        return Grown(candidate=_needs(own), golden=golden)
    if own.why_not:
        nothing = Figure(why_not=own.why_not, applies=own.applies)
        growth = Growth("", "", why_not=own.why_not, applies=own.applies)
        return Grown((growth,), _needs(own), golden, nothing)
    along = [growth_of(axis) for axis in own.axes]
    if own.plays:
        along.append(growth_with_length(own.plays))
    leak = own.leak or leak_of(own.plays)
    return Grown(tuple(along), _needs(own), golden, leak, own.levels)


def _needs(tried: Tried, whose: str = "") -> Needs:
    if tried.why_not:
        nothing = Figure(why_not=whose + tried.why_not, applies=tried.applies)
        return Needs(nothing, nothing)
    setup, memory = least(tried.setup_s, SETUP_FLOOR), least(tried.peak_mb, MEMORY_FLOOR)
    return Needs(setup, replace(memory, why_not=whose + memory.why_not if memory.why_not else ""))
