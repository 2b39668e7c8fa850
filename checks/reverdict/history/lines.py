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

The worst point of a curve (lag along the tail, decay) is one quantity wherever it lies, in shares of its tolerance.

What stands beyond half of its limit, and did not at first, is told even where neither steps nor lines describe its way.

Limits of validity. A quantity without a tolerance (its limit is zero, or any departure that way is well) is not
followed. Of a curve's worst point, a tolerance that was widened counts as wider from then on.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.history.moves import FEWEST, Moves, moves_of

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.history.index import Kept, Key, Runs
    from reverdict.history.runs import NoRun

NEAR = 0.5
"""Share of a limit at which a quantity is told, however it came there."""
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
    def near(self) -> bool:
        """Whether it went beyond half of its limit and stays there, even where no step or line tells the way."""
        shares = np.asarray(self.values) / self.tolerance
        if shares.size < FEWEST or abs(self.now) < NEAR:
            return False
        last, first = shares[-3:] * np.sign(self.now), float(np.median(shares[:3])) * np.sign(self.now)
        went = float(np.median(last)) - first
        return bool(last.min() >= NEAR - 0.1 and went >= max(NEAR / 2, 4.0 * self.moves.noise))

    @property
    def moved(self) -> bool:
        return bool(self.out or self.moves.steps or self.moves.slopes or self.near)

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
    tomorrow = (datetime.now(timezone.utc) + timedelta(days=1)).isoformat()
    ahead = [one.file.name for one in kept if str(one.about["judged_at"]) > tomorrow]
    if ahead:
        several = f"{ahead[-1]} is" if len(ahead) == 1 else f"{len(ahead)} runs ({ahead[-1]} the last) are"
        notes.append(f"{several} dated in the future, by a clock that was wrong, and counted as newer than all others")
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
    return not line.out, forecast.likely if forecast else np.inf if abs(line.now) < NEAR else 0.0, -abs(line.now)


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
    told: dict[Key, list[_Readings]] = {}
    for number, readings in _together(runs).items():
        key = keys[number]._replace(reference=called.get(keys[number].reference, keys[number].reference))
        if wanted(key):
            told.setdefault(key, []).append(readings)
    goldens = {name: _goldens(runs, called, name) for name in {key.reference for key in told}}
    machines = np.array([_machine(run) for run in runs])
    lines = []
    for key, parts in told.items():
        readings = _Readings.of(parts)
        if key.check == "cost" and key.quantity not in COUNTED:
            readings = readings.only(machines[readings.runs] == machines[-1])
        line = _line(build, key, readings, goldens[key.reference])
        lines += [line] if line else []
    return lines


@dataclass(frozen=True)
class _Readings:
    """Readings of one quantity: positions of the runs, in their order, and what they read; shape (readings,)."""

    runs: NDArray[np.int64]
    read: NDArray[Any]

    @classmethod
    def of(cls, parts: Sequence[_Readings]) -> _Readings:
        """Those of several names, in the order of runs."""
        runs = np.concatenate([part.runs for part in parts])
        order = np.argsort(runs, kind="stable")
        return cls(runs[order], np.concatenate([part.read for part in parts])[order])

    def only(self, which: NDArray[Any]) -> _Readings:
        return _Readings(self.runs[which], self.read[which])


def _together(runs: Sequence[Kept]) -> dict[int, _Readings]:
    """By key, what all runs read."""
    if not runs:
        return {}
    read = np.concatenate([run.readings for run in runs])
    positions = np.repeat(np.arange(len(runs)), [run.readings.size for run in runs])
    order = np.argsort(read["key"], kind="stable")
    read, positions = read[order], positions[order]
    numbers, begins = np.unique(read["key"], return_index=True)
    ends = [*begins[1:], read.size]
    return {
        int(number): _Readings(positions[begin:end], read[begin:end])
        for number, begin, end in zip(numbers, begins, ends, strict=True)
    }


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


def _goldens(runs: Sequence[Kept], called: Mapping[str, str], reference: str) -> NDArray[Any]:
    """By run, which impulses the reference had; empty where it was not there or nobody said."""
    told = []
    for run in runs:
        own = [one for name, one in run.about["golden"].items() if called.get(name, name) == reference]
        told.append(" ".join(own[0].get("sha256") or ()) if own else "")
    return np.array(told)


def _line(build: str, key: Key, readings: _Readings, goldens: NDArray[Any]) -> Line | None:
    """The line of one quantity; None where it has no tolerance or nothing is known of it."""
    known = readings.only(np.isfinite(readings.read["deviation"]) & np.isfinite(readings.read["uncertainty"]))
    only_differences = bool(known.read["of_curve"].any()) or not np.any(np.nan_to_num(known.read["golden"]))
    prints = goldens[known.runs]
    anew = np.flatnonzero(prints[1:] != prints[:-1]) + 1
    if only_differences and anew.size:
        known, anew = known.only(np.arange(known.runs.size) >= anew[-1]), anew[:0]
    tolerances = known.read["tolerance"][known.read["tolerance"] > 0]
    if not tolerances.size:
        return None
    golden = known.read["golden"]
    moved = np.zeros(golden.size) if only_differences else golden - golden[0]
    if not np.all(np.isfinite(moved)):
        return None
    # The worst point of a curve has the tolerance of where it lies: its share of that is what can be followed.
    own = known.read["tolerance"]
    scale = np.divide(tolerances[0], own, out=np.ones(own.size), where=known.read["of_curve"] & (own > 0))
    return Line(
        build, *key,
        releases=tuple(known.runs.tolist()),
        values=tuple((scale * (known.read["deviation"] + moved)).tolist()),
        spreads=tuple((scale * known.read["uncertainty"]).tolist()),
        tolerance=float(tolerances[0]),
        passed=tuple(known.read["passed"].tolist()),
        anew=tuple(anew.tolist()),
        moves=Moves(),
    )  # fmt: skip


def _followed(line: Line, rows: int, smallest: float) -> Line:
    shares = np.asarray(line.values) / line.tolerance
    floor = max(LEAST_NOISE, float(np.median(line.spreads)) / 2.0 / line.tolerance)
    return replace(line, moves=moves_of(shares.tolist(), floor=floor, rows=rows, smallest=smallest))
