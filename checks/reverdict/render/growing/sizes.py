"""The sizes a build is tried at, axis by axis, and what came of each."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from reverdict.measure.growth import FEWEST_REPEATS, AxisRuns, Figure, Play, PointRuns, growth_of
from reverdict.render.build import Build, Request, named_for, parameters_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

LARGEST_BLOCK = 4096
"""Frames that a block of the main cell has at most: of "whole" ones there would be too few."""

STEP = 8
HIGHEST_HZ = 192_000
PATHS_OF = {"mono": 1, "stereo-to-stereo": 4}
KNOWN = 0.12
"""Uncertainty of an exponent that is good enough."""

PLAYS = 2
"""How often set-up, memory and leak are looked at."""

PLAY_CPU_S, SHORTEST_S, LONGEST_S = 0.4, 3.0, 20.0
"""A long sound goes on until it took this CPU time; its shortest and longest in seconds of sound."""

NEEDS_S = 1.0


@dataclass(frozen=True)
class Tried:
    """What came of it.

    axes : runs of every axis but length.
    plays : of the length, where the build has a host.
    setup_s, peak_mb : each time it was opened.
    leak : of a program; None where ``plays`` tell it.
    levels : sound -> quickest CPU seconds per second of it.
    why_not : why there is nothing; empty where there is.
    applies : whether that is a failure, or this build just cannot be asked.
    """

    axes: tuple[AxisRuns, ...] = ()
    plays: tuple[Play, ...] = ()
    setup_s: tuple[float, ...] = ()
    peak_mb: tuple[float, ...] = ()
    leak: Figure | None = None
    levels: tuple[tuple[str, float], ...] = ()
    why_not: str = ""
    applies: bool = True


@dataclass
class Size:
    """One size along an axis, and what it took so far.

    differs : what a job says there instead.
    per_s : seconds of sound that the cost is of.
    lasts_s : seconds of sound of a program's run.
    """

    axis: str
    at: float
    told: str
    request: Request
    differs: dict[str, Any]
    per_s: float
    level_db: float | None = -20.0
    blocks: int = 1
    lasts_s: float = 0.0
    costs: list[float] = field(default_factory=list)
    not_put: str = ""
    failed: bool = False

    @property
    def block_s(self) -> float:
        return self.request.block_size / self.request.rate_hz


UNITS = {"block size": "frames", "sample rate": "Hz", "channels": "paths", "length": "s"}
MAY_NOT_APPLY = ("block size", "sample rate", "channels")
"""What all builds are asked, and may not apply to one; what the reference itself wants tried must be."""


def sizes_of(build: Build, request: Request, grows_with: Mapping[str, tuple[float, ...]]) -> list[Size]:
    """All sizes of all axes, by rising size."""
    block, rate = request.block_size, request.rate_hz
    sizes = [block // STEP, block, block * STEP] if block * STEP <= 2 * LARGEST_BLOCK else [
        block // STEP**2, block // STEP, block
    ]  # fmt: skip
    found = []
    for frames in sizes:
        if frames >= 1:
            asked = replace(request, block_size=frames)
            found.append(
                Size("block size", frames, f"blocks of {frames}", asked, {"block_size": frames}, frames / rate)
            )
    for hz in (rate, 2 * rate):
        if hz <= HIGHEST_HZ or hz == rate:
            asked = replace(request, rate_hz=hz)
            found.append(Size("sample rate", hz, f"{hz / 1000:g} kHz", asked, {"sample_rate": hz}, 1.0))
    for channels, paths in PATHS_OF.items():
        asked = replace(request, channels=channels)
        shape = {"input_channels": asked.input_channels, "output_channels": asked.output_channels}
        found.append(Size("channels", paths, channels, asked, shape, 1.0))
    for name, values in grows_with.items():
        own = next(iter(named_for(build, {name: 0.0})), "")
        for value in sorted(values):
            number: float = int(value) if float(value).is_integer() else value
            parameters = {**parameters_of(build, request), **({own: number} if own else {})}
            size = Size(name, value, f"{name} of {value:g}", request, {"parameters": parameters}, 1.0)
            size.not_put = "" if own else "this build has none"
            found.append(size)
    return found


def runs_of(sizes: list[Size]) -> tuple[AxisRuns, ...]:
    """What was tried, axis by axis."""
    axes = []
    for axis in dict.fromkeys(size.axis for size in sizes):
        own = [size for size in sizes if size.axis == axis]
        not_put = tuple(f"{size.told}: {size.not_put}" for size in own if size.not_put)
        points = tuple(PointRuns(size.at, tuple(size.costs)) for size in own if not size.not_put and size.costs)
        unit = UNITS.get(axis, "")
        applies = axis not in MAY_NOT_APPLY or any(size.failed for size in own)
        failed = next((f"{size.told}: {size.not_put}" for size in own if size.failed), "")
        why_not = failed or ("" if len(points) > 1 else "; ".join(not_put) or "there is but one size to try")
        axes.append(AxisRuns(axis, unit, () if why_not else points, not_put, why_not, applies))
    return tuple(axes)


def play_rounds(play_round: Callable[[], float], sizes: list[Size], rounds: int, budget_s: float) -> None:
    """Play rounds within budget, three in any case, and more of them while an exponent is not known well enough."""
    spent, played, last = 0.0, 0, 0.0
    while played < FEWEST_REPEATS or (spent + last <= budget_s and (played < rounds or not _known(sizes))):
        last = play_round()
        if not last:
            return
        spent += last
        played += 1


def _known(sizes: list[Size]) -> bool:
    grown = [growth_of(runs) for runs in runs_of(sizes) if not runs.why_not]
    return all(one.uncertainty is not None and one.uncertainty <= KNOWN for one in grown)
