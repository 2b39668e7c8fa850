"""What a history says in words: which quantity moved, when, how fast, and when it will leave its tolerance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from reverdict import phrases
from reverdict.history.lines import History, Line, Release
from reverdict.history.moves import Forecast, Slope
from reverdict.report.margin_ruler import Ruler
from reverdict.report.wording.basics import CHECK_NAMES, amount, listed, place, plain, shorten

SAID_FIRST = 3
FAR = 1000.0
"""A forecast beyond so many releases says nothing."""


def ruler_of(line: Line) -> Ruler:
    """Where the newest release stands in the original tolerance."""
    return Ruler("fail" if line.out else "pass", line.now, line.spreads[-1] / line.tolerance)


def name_of(line: Line) -> str:
    """What was measured and where, with its cell: "arrival, spring 2, pass 1, 500 Hz"."""
    return place({"quantity": line.quantity, "where": line.where, "cell": line.cell})


def check_of(line: Line) -> str:
    """The check, in words."""
    return CHECK_NAMES.get(line.check, plain(line.check))


def places_of(line: Line) -> int:
    """Decimals of values and tolerance."""
    return min(9, phrases.decimals(line.values[-1], line.tolerance))


def off(line: Line, value: float) -> str:
    """A departure with its way: "0.052 ms late"."""
    return " ".join(_way(line, value, places_of(line)))


def share_of(line: Line) -> str:
    """How much of its original tolerance is used: "0.52 of its original limit"."""
    used = abs(line.now)
    hundredths = math.ceil(used * 100 - 1e-9) if used > 1 else min(round(used * 100), 99 if used < 1 else 100)
    return f"{hundredths / 100:.2f} of its original limit"


def release_of(line: Line, position: int, history: History) -> Release:
    """The release at a position of the line."""
    return history.releases[line.build][line.releases[position]]


def called(release: Release) -> str:
    """A release by name, version and commit."""
    commit = f" ({plain(release.commit)[:7]})" if release.commit else ""
    return f"{shorten(plain(release.label), 48)}{commit}"


def since_first(line: Line) -> str:
    """How far the newest release is from the original golden."""
    places = places_of(line)
    limit = amount(line.tolerance, line.unit, places)
    away = off(line, line.values[-1])
    away = away.removesuffix(" golden") if away.endswith(" golden") else f"{away} against"
    said = f"{away} the original golden, {share_of(line)} ({limit})"
    if line.out and line.passed[-1]:
        said += ", though every gate was content" if all(line.passed) else ", though its own gate was content"
    return said


def story(line: Line, history: History) -> list[str]:
    """What happened, in the order of releases, and what will."""
    told: list[tuple[int, str]] = []
    for step in line.moves.steps:
        by, way = _way(line, step.size * line.tolerance, places_of(line))
        told.append((step.at, f"moved {way} by {by} at {called(release_of(line, step.at, history))}"))
    told += [(slope.since, _drifting(line, slope, history)) for slope in line.moves.slopes]
    said = [words for _, words in sorted(told, key=lambda one: one[0])]
    if not said and line.near:
        said.append("went there neither in steps nor along a line")
    if line.moves.forecast:
        said.append(_leaves(line.moves.forecast))
    if line.anew:
        many = f"{len(line.anew)} times" if len(line.anew) > 1 else "once"
        said.append(f"the golden was approved anew {many} since")
    return said


def _drifting(line: Line, slope: Slope, history: History) -> str:
    per_release = slope.rate * line.tolerance
    places = min(9, max(places_of(line), 1 - math.floor(math.log10(abs(per_release)))))
    since = called(release_of(line, slope.since, history))
    by, way = _way(line, per_release, places)
    return f"drifts {way} by {by} a release after {since}"


def _way(line: Line, value: float, places: int) -> tuple[str, str]:
    return amount(abs(value), line.unit, places), phrases.direction(line.quantity, line.unit, value)


def told_of(line: Line, history: History) -> str:
    """All that is told of a line, in one sentence without its full stop."""
    return "; ".join([since_first(line), *story(line, history)])


def _leaves(forecast: Forecast) -> str:
    if forecast.likely > FAR:
        return "leaves its limit in more than a thousand releases"
    latest = "never" if forecast.latest is None or forecast.latest > FAR else f"{math.ceil(forecast.latest)}"
    soonest, likely = math.ceil(forecast.soonest), math.ceil(forecast.likely)
    span = "" if latest == f"{soonest}" else f" ({soonest} to {latest})"
    return f"leaves its limit in about {likely} release{'s' if likely != 1 else ''}{span}"


def opening(history: History, within: float) -> list[str]:
    """Sentences a colleague would begin with."""
    if not any(history.releases.values()):
        return ["No run was read."]
    worst = [line for line in history.moved if line.closes(within) or line.near] or list(history.moved)
    said = [
        f"{_capital(name_of(line))} of {shorten(plain(line.reference))}: {told_of(line, history)}."
        for line in _one_each(worst)[:SAID_FIRST]
    ]
    return [_scope(history), *said]


def _scope(history: History) -> str:
    runs = sum(len(one) for one in history.releases.values())
    moved = len(history.moved)
    said = f"{runs} run{'s' if runs != 1 else ''}, {history.followed} quantities followed: "
    if moved:
        return f"{said}{moved} moved."
    short = history.too_short
    if short and short == history.followed:
        return f"{said}too few releases yet to tell a movement."
    return f"{said}nothing moved."


def _one_each(lines: Iterable[Line]) -> list[Line]:
    """The worst of each quantity of a reference: an echo that moves takes many others with it."""
    seen: set[tuple[str, str, str]] = set()
    told = []
    for line in lines:
        key = (line.build, line.reference, line.check)
        if key not in seen:
            seen.add(key)
            told.append(line)
    return told


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def remarks(history: History) -> list[str]:
    """What was left out, and why."""
    told = list(history.notes)
    if history.no_runs:
        some = [f"{one.file.name}: {one.why}" for one in history.no_runs[:3]]
        more = len(history.no_runs) - len(some)
        told.append(f"left out: {'; '.join(some)}" + (f"; and {more} more" if more else ""))
    names = [name or "names that came once" for name in history.releases]
    if len(names) > 1:
        told.append(f"followed apart: {listed([shorten(plain(name)) for name in names])}")
    return told


def as_json(history: History, within: float) -> dict[str, Any]:
    """The same as data."""
    return {
        "schema": 1,
        "releases": {
            build: [
                {"label": one.label, "judged_at": one.judged_at, "commit": one.commit or None, "file": one.file.name}
                for one in these
            ]
            for build, these in history.releases.items()
        },
        "followed": history.followed,
        "too_short": history.too_short,
        "closes": any(line.closes(within) for line in history.moved),
        "moved": [_line_json(line, within) for line in history.moved],
        "notes": list(history.notes),
        "no_runs": [{"file": one.file.name, "why": one.why} for one in history.no_runs],
    }


def _line_json(line: Line, within: float) -> Mapping[str, Any]:
    forecast = line.moves.forecast
    return {
        "build": line.build, "reference": line.reference, "check": line.check, "cell": line.cell,
        "quantity": line.quantity, "where": line.where, "unit": line.unit, "tolerance": line.tolerance,
        "releases": list(line.releases), "deviation": list(line.values), "uncertainty": list(line.spreads),
        "share_of_tolerance": line.now, "out": line.out, "closes": line.closes(within),
        "approved_anew": [line.releases[one] for one in line.anew],
        "steps": [{"release": line.releases[one.at], "by": one.size * line.tolerance} for one in line.moves.steps],
        "drifts": [
            {"since": line.releases[one.since], "a_release": one.rate * line.tolerance} for one in line.moves.slopes
        ],
        "leaves_in_releases": None if forecast is None else {
            "likely": forecast.likely, "soonest": forecast.soonest, "latest": forecast.latest,
        },
    }  # fmt: skip
