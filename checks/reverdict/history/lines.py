"""Each quantity over releases, against the *original* golden: what moved, when, and where it leads.

Aim. A golden may be approved anew, and anew, each time a little further off, and a gate that holds a build against the
newest golden is content every time. Here the first golden of a line stays the middle and its tolerance the ends.

Method. Runs are in the order in which they were judged. Those of one build name are a line; names that come only once
are taken together (``name = "release-1.4"``). A reference that got another name keeps its line: the newer verdict says
what it was called (``formerly``), or the same impulses stand under another name. Runs of another analysis version stand
apart, since they measure otherwise: the newest version is told.

A value is deviation plus what its golden has moved since the first. Quantities of which only the difference is known
(their golden is 0 in every run) begin anew where the golden was approved anew. What the machine has a part in, as a
time, is followed on the machine of the newest run alone. ``moves`` is asked for each line of values.

Conventions. Values are in the unit of the quantity, shares in its original tolerance: the first that is known.

Limits of validity. A quantity without a tolerance (its limit is zero, or any departure that way is well) is not
followed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.history.moves import FEWEST, Moves, moves_of

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.history.index import Kept, Key, Runs
    from reverdict.history.runs import NoRun

LEAST_NOISE = 0.003
"""Of tolerance: rows that repeat exactly are taken to be known no better."""

COUNTED = ("instructions", "budget", "cache misses")
"""Quantities of cost in which the machine has no part."""


@dataclass(frozen=True)
class Release:
    """One run of a line, as people call it."""

    label: str
    judged_at: str
    commit: str
    file: Path


@dataclass(frozen=True)
class Line:
    """One quantity over the releases that measured it.

    releases : positions in ``History.releases`` of its line.
    values, spreads : shape (releases,), deviation from the original golden and its expanded uncertainty, in ``unit``.
    tolerance : the original one, in ``unit``.
    passed : whether each run found it inside the limits of its day.
    anew : positions in ``releases`` at which the golden was another one than before.
    """

    build: str
    reference: str
    check: str
    cell: str
    quantity: str
    where: str
    unit: str
    releases: tuple[int, ...]
    values: tuple[float, ...]
    spreads: tuple[float, ...]
    tolerance: float
    passed: tuple[bool, ...]
    anew: tuple[int, ...]
    moves: Moves

    @property
    def now(self) -> float:
        """The newest deviation, in shares of the original tolerance."""
        return self.values[-1] / self.tolerance

    @property
    def out(self) -> bool:
        """Whether it surely is outside its original tolerance."""
        return abs(self.values[-1]) - self.spreads[-1] > self.tolerance

    @property
    def moved(self) -> bool:
        return bool(self.out or self.moves.steps or self.moves.slopes)

    def leaves_within(self, releases: float) -> bool:
        """Whether a drift is likely to leave tolerance so soon."""
        forecast = self.moves.forecast
        return forecast is not None and forecast.likely <= releases

    def closes(self, releases: float) -> bool:
        """Whether it is out, or soon will be."""
        return self.out or self.leaves_within(releases)


@dataclass(frozen=True)
class History:
    """What runs tell together.

    releases : by build name ("" for names that come once), in the order in which they were judged.
    moved : lines that moved, the worst first.
    followed : how many quantities were followed in all; ``too_short``, how many of them in too few releases.
    notes : what was left out, and why.
    """

    releases: Mapping[str, tuple[Release, ...]]
    moved: tuple[Line, ...]
    followed: int
    too_short: int
    notes: tuple[str, ...]
    no_runs: tuple[NoRun, ...]


def history_of(
    runs: Runs,
    wanted: Callable[[Key], bool] = lambda _: True,
    smallest: float = 0.1,
    progress: Callable[[str], None] = lambda _: None,
) -> History:
    """Follow every quantity that is ``wanted``; what moved less than ``smallest`` of its tolerance is not told."""
    newest = max((_analysis(one) for one in runs.kept), default=0)
    kept = [one for one in runs.kept if _analysis(one) == newest]
    notes = []
    if len(kept) < len(runs.kept):
        notes.append(f"{len(runs.kept) - len(kept)} runs of an older analysis stand apart and are not followed")
    releases, asked = {}, []
    for build, these in _lines_of_builds(kept).items():
        releases[build] = tuple(_release(one) for one in these)
        asked += _rows(build, these, runs.keys, wanted)
    lines = []
    for number, line in enumerate(asked):
        if number % 500 == 0:
            progress(f"following quantities: {number + 1} of {len(asked)}")
        lines.append(_followed(line, len(asked), smallest))
    moved = sorted((one for one in lines if one.moved), key=_worst_first)
    too_short = sum(len(one.values) < FEWEST for one in lines)
    return History(releases, tuple(moved), len(lines), too_short, tuple(notes), runs.no_runs)


def _worst_first(line: Line) -> tuple[bool, float, float]:
    forecast = line.moves.forecast
    return not line.out, forecast.likely if forecast else np.inf, -abs(line.now)


def _analysis(run: Kept) -> int:
    return int(run.about.get("analysis_version") or 0)


def _lines_of_builds(kept: Sequence[Kept]) -> dict[str, list[Kept]]:
    counts = Counter(str(one.about["build"]["name"]) for one in kept)
    lines: dict[str, list[Kept]] = {}
    for one in kept:
        name = str(one.about["build"]["name"])
        lines.setdefault(name if counts[name] > 1 else "", []).append(one)
    return lines


def _release(run: Kept) -> Release:
    build = run.about["build"]
    commit = str(build.get("commit") or "")
    label = " ".join(filter(None, (str(build["name"]), str(build["version"]))))
    return Release(label, str(run.about["judged_at"]), commit, run.file)


def _rows(build: str, runs: Sequence[Kept], keys: Mapping[int, Key], wanted: Callable[[Key], bool]) -> list[Line]:
    """Lines without their moves, in the order in which quantities first came."""
    called = _names(runs)
    told: dict[Key, list[tuple[int, NDArray[Any]]]] = {}
    for position, run in enumerate(runs):
        for reading in run.readings:
            key = keys[int(reading["key"])]
            key = key._replace(reference=called.get(key.reference, key.reference))
            if wanted(key):
                told.setdefault(key, []).append((position, reading))
    machine = _machine(runs[-1]) if runs else ""
    lines = []
    for key, readings in told.items():
        if key.check == "cost" and key.quantity not in COUNTED:
            readings = [(at, one) for at, one in readings if _machine(runs[at]) == machine]
        line = _line(build, key, readings, _goldens(runs, called, key.reference))
        lines += [line] if line else []
    return lines


def _machine(run: Kept) -> str:
    machine = run.about.get("machine") or {}
    return f"{machine.get('class')} {machine.get('processor')}"


def _names(runs: Sequence[Kept]) -> dict[str, str]:
    """Older name of a reference -> the newest it has."""
    called: dict[str, str] = {}
    newest: dict[str, str] = {}  # impulses -> the name they had last
    for run in reversed(runs):
        for name, golden in run.about["golden"].items():
            current = called.get(name, name)
            for older in golden.get("formerly") or ():
                called.setdefault(str(older), current)
            prints = " ".join(golden.get("sha256") or ())
            known = newest.setdefault(prints, current) if prints else current
            if known != current and name not in _names_in(runs[-1]):
                called.setdefault(name, known)
    return called


def _names_in(run: Kept) -> Mapping[str, Any]:
    names: Mapping[str, Any] = run.about["golden"]
    return names


def _goldens(runs: Sequence[Kept], called: Mapping[str, str], reference: str) -> list[str]:
    """By run, which impulses the reference had; empty where it was not there or nobody said."""
    told = []
    for run in runs:
        own = [one for name, one in run.about["golden"].items() if called.get(name, name) == reference]
        told.append(" ".join(own[0].get("sha256") or ()) if own else "")
    return told


def _line(build: str, key: Key, readings: Sequence[tuple[int, Any]], goldens: Sequence[str]) -> Line | None:
    known = [(at, one) for at, one in readings if np.isfinite(one["deviation"]) and np.isfinite(one["uncertainty"])]
    only_differences = not any(one["golden"] for _, one in known if np.isfinite(one["golden"]))
    anew = [
        here for here in range(1, len(known)) if goldens[known[here][0]] != goldens[known[here - 1][0]]
    ]  # fmt: skip
    if only_differences and anew:
        known, anew = known[anew[-1] :], []
    tolerances = [float(one["tolerance"]) for _, one in known if one["tolerance"] > 0]
    if not known or not tolerances:
        return None
    first = float(known[0][1]["golden"])
    moved = [0.0 if only_differences else float(one["golden"]) - first for _, one in known]
    if not np.all(np.isfinite(moved)):
        return None
    return Line(
        build, *key,
        releases=tuple(at for at, _ in known),
        values=tuple(float(one["deviation"]) + by for (_, one), by in zip(known, moved, strict=True)),
        spreads=tuple(float(one["uncertainty"]) for _, one in known),
        tolerance=tolerances[0],
        passed=tuple(bool(one["passed"]) for _, one in known),
        anew=tuple(anew),
        moves=Moves(),
    )  # fmt: skip


def _followed(line: Line, rows: int, smallest: float) -> Line:
    shares = np.asarray(line.values) / line.tolerance
    floor = max(LEAST_NOISE, float(np.median(line.spreads)) / 2.0 / line.tolerance)
    return replace(line, moves=moves_of(shares.tolist(), floor=floor, rows=rows, smallest=smallest))
