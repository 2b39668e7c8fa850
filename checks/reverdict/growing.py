"""How a build grows, what it needs and what it keeps: played by ``render.growing``, measured by ``measure.growth``."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from reverdict.check.growth import judge_needs
from reverdict.measure.growth import Figure, Grown, Growth, Needs, growth_of, growth_with_length, leak_of, least
from reverdict.render.growing import try_growth, try_needs
from reverdict.words import Outcome

if TYPE_CHECKING:
    from pathlib import Path

    from reverdict.reference import Cost
    from reverdict.render import Build, Request
    from reverdict.render.growing import Tried

SETUP_FLOOR, MEMORY_FLOOR = 0.05, 0.02
"""Relative, expanded (k = 2): what two starts of one build differ by for good."""

MORE_STARTS = 3


def asks_growth(settings: Cost) -> bool:
    """Whether a reference asks anything of it."""
    asked = (settings.growth_exponent, settings.leak_kb_per_s, settings.memory_percent, settings.setup_percent)
    return any(one is not None for one in asked)


def observe(build: Build, baseline: Build | None, request: Request, settings: Cost, work_folder: Path) -> Grown:
    """Put a build, and its baseline where there is one, through what a reference asks.

    Where set-up or memory is not known well enough to decide, both are started again, ``MORE_STARTS`` times at most.

    Raises
    ------
    BadInput
        As ``render.play``.
    """
    grows = settings.growth_exponent is not None or settings.leak_kb_per_s is not None
    if grows:
        own = try_growth(build, request, settings.grows_with, work_folder)
    else:
        own = try_needs(build, request, work_folder)
    grown = _grown(own) if grows else Grown()
    compared = settings.memory_percent is not None or settings.setup_percent is not None
    if baseline is None or not compared or own.why_not:
        return replace(grown, candidate=_needs(own))
    golden = try_needs(baseline, request, work_folder)
    for more in range(MORE_STARTS + 1):
        grown = replace(grown, candidate=_needs(own), golden=_needs(golden, "baseline: "))
        undecided = any(one.outcome is Outcome.UNSURE for one in judge_needs(grown, settings))
        if not undecided or more == MORE_STARTS or own.why_not or golden.why_not:
            break
        own = _with(own, try_needs(build, request, work_folder))
        golden = _with(golden, try_needs(baseline, request, work_folder))
    return grown


def _grown(tried: Tried) -> Grown:
    if tried.why_not:
        nothing = Figure(why_not=tried.why_not, applies=tried.applies)
        return Grown((Growth("", "", why_not=tried.why_not, applies=tried.applies),), leak=nothing)
    along = [growth_of(axis) for axis in tried.axes]
    if tried.plays:
        along.append(growth_with_length(tried.plays))
    return Grown(tuple(along), leak=tried.leak or leak_of(tried.plays), levels=tried.levels)


def _with(tried: Tried, more: Tried) -> Tried:
    """The same with more starts."""
    return replace(
        tried,
        setup_s=tried.setup_s + more.setup_s,
        peak_mb=tried.peak_mb + more.peak_mb,
        why_not=more.why_not,
    )


def _needs(tried: Tried, whose: str = "") -> Needs:
    if tried.why_not:
        nothing = Figure(why_not=whose + tried.why_not, applies=tried.applies)
        return Needs(nothing, nothing)
    setup, memory = least(tried.setup_s, SETUP_FLOOR), least(tried.peak_mb, MEMORY_FLOOR)
    return Needs(setup, replace(memory, why_not=whose + memory.why_not if memory.why_not else ""))
