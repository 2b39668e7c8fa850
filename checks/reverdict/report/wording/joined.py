"""Findings of one quantity joined over bands, passes, springs and paths, as a colleague would say them in a breath.

"The tail is 15 to 18 % longer in every band, on both sides." Only findings that are off the same way are joined. What
has no value stays a sentence of its own, with its reason.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reverdict import phrases
from reverdict.report.ranking import worst_first
from reverdict.report.wording.basics import (
    amount,
    decimals,
    extent,
    figure,
    leaning,
    listed,
    off_by,
    place,
    plain,
    sentence,
    shorten,
)

Group = list[dict[str, Any]]

_DECAY_TIMES = ("EDT", "T20", "T30")
_PLURALS = ("instructions", "cache misses", "cycles")
_NEARLY_EQUAL = 0.1  # amounts this close are said to be one


@dataclass(frozen=True)
class _Where:
    """The place of a finding in its parts; empty where it does not say."""

    path: str
    spring: str
    number: str
    hz: str

    @classmethod
    def of(cls, finding: Mapping[str, Any]) -> _Where:
        where = finding["where"]
        return cls(
            _found(r"\b(?:left|right)(?:→(?:left|right))?(?=,|$)", where),
            _found(r"\bspring (\d+)", where),
            _found(r"\bpass (\d+)", where),
            _found(r"[\d.]+ k?Hz", where),
        )


def joined(failed: Group, everyone: Group) -> list[tuple[str, int]]:
    """Say what fails in sentences, the worst first, and how many findings each speaks of.

    ``everyone`` are all findings of the check: only beside them "every band" can be told.
    """
    groups: dict[tuple[object, ...], Group] = defaultdict(list)
    for finding in worst_first(failed):
        groups[_kind(finding)].append(finding)
    told = []
    for group in sorted(groups.values(), key=lambda one: _says_little(one, failed)):
        family = [one for one in everyone if _family(one) == _family(group[0])]
        told += _about_arrivals(group, family) if _is_arrival(group[0]) else [(_about(group, family), len(group))]
    return told


def _says_little(group: Group, failed: Group) -> bool:
    """A transition frequency follows from the delays, and a few missing values say less than the many that moved."""
    follows = group[0]["quantity"] == "transition frequency"
    return follows or (group[0]["deviation"] is None and 2 * len(group) < len(failed))


def _kind(finding: Mapping[str, Any]) -> tuple[object, ...]:
    off = finding["deviation"]
    if off is None:
        return (_family(finding), plain(finding["reason"]))
    return (_family(finding), finding["unit"], off > 0)


def _family(finding: Mapping[str, Any]) -> str:
    return "tail" if finding["quantity"] in _DECAY_TIMES else str(finding["quantity"])


def _is_arrival(finding: Mapping[str, Any]) -> bool:
    where = _Where.of(finding)
    return bool(finding["quantity"] == "arrival" and where.spring and where.number and finding["deviation"] is not None)


def _about(group: Group, family: Group) -> str:
    worst, where = group[0], [_Where.of(one) for one in group]
    if worst["deviation"] is None or len(group) == 1:
        return _about_one(worst, len(group))
    whole = [_Where.of(one) for one in family]
    springs = _springs(where, whole)
    spread_over = _comma(f"on {springs[0].lower()}{springs[1:]}" if springs else "", _paths(where, whole))
    if worst["quantity"] == "delay":
        return sentence(f"{_bands(where, whole)} sound comes {_span(group)}{spread_over}")
    subject, verb = _subject(group)
    bands = _bands(where, whole)
    return sentence(f"{subject} {verb} {_span(group)}{f' {bands}' if bands else ''}{spread_over}")


def _about_one(finding: dict[str, Any], number: int) -> str:
    if finding["deviation"] is None:
        said = phrases.headed(place(finding), plain(finding["reason"]) or "no value")
    elif finding["quantity"] == "growth" and finding["reason"]:
        said = plain(finding["reason"])  # what twice the size costs says more than an exponent
    else:
        said = f"{place(finding)}: {extent(finding) or off_by(finding)}"
    more = f" (and {number - 1} more of this kind)" if number > 1 else ""
    return sentence(shorten(said, 300) + more)


def _about_arrivals(group: Group, family: Group) -> list[tuple[str, int]]:
    """Springs and paths that are late on the same passes share a sentence."""
    own: dict[tuple[str, str], Group] = defaultdict(list)
    for one in group:
        own[_Where.of(one).path, _Where.of(one).spring].append(one)
    alike: dict[tuple[tuple[str, ...], bool], Group] = defaultdict(list)
    for (path, spring), late in own.items():
        there = [one for one in family if (_Where.of(one).path, _Where.of(one).spring) == (path, spring)]
        numbers = tuple(sorted(_Where.of(one).number for one in late))
        alike[numbers, len(there) == len(late) > 1].extend(late)
    whole = [_Where.of(one) for one in family]
    told = []
    for (numbers, every), late in alike.items():
        where = [_Where.of(one) for one in late]
        springs = _springs(where, whole) or f"Spring {where[0].spring}"
        answer = "answers" if springs.startswith("Spring ") else "answer"
        on = "every pass" if every else f"pass{'es' if len(numbers) > 1 else ''} {listed(numbers)}"
        said = f"{springs} {answer} {_span(late)} on {on}{_comma(_paths(where, whole))}"
        told.append((sentence(said), len(late)))
    return told


def _subject(group: Group) -> tuple[str, str]:
    quantities = sorted({one["quantity"] for one in group})
    late = leaning(group[0])[0] == "late"
    if {"T20", "T30"} <= set(quantities) <= set(_DECAY_TIMES):
        return "The tail", "is"
    if quantities == ["level"]:
        return "The build", "is"
    return listed(plain(one) for one in quantities), _verb(quantities, late)


def _verb(quantities: list[str], late: bool) -> str:
    return "comes" if late else "are" if len(quantities) > 1 or quantities[0] in _PLURALS else "is"


def _span(group: Group) -> str:
    """Say how far a group is off: one amount where they agree, else from least to most; in percent where people do."""
    if group[0]["unit"] in phrases.RELATIVE_UNITS and all(one["golden"] for one in group):
        sizes, unit = sorted(abs(100 * one["deviation"] / one["golden"]) for one in group), "%"
        places = 0 if sizes[0] >= 1 and sizes[-1] >= 10 else 1
    else:
        sizes, unit = sorted(abs(one["deviation"]) for one in group), group[0]["unit"]
        places = decimals(max(group, key=lambda one: abs(one["deviation"])))
    which_way = phrases.direction(group[0]["quantity"], group[0]["unit"], group[0]["deviation"])
    least, middle, most = sizes[0], sizes[len(sizes) // 2], sizes[-1]
    if most - least <= _NEARLY_EQUAL * most or figure(least, places) == figure(most, places):
        return f"{amount(middle, unit, places)} {which_way}"
    return f"{figure(least, places)} to {amount(most, unit, places)} {which_way}"


def _bands(where: Sequence[_Where], whole: Sequence[_Where]) -> str:
    """Say "in every band", "from 500 Hz to 4 kHz", "at 1 kHz"; how many where they are scattered."""
    bands, every = _distinct(one.hz for one in where), _distinct(one.hz for one in whole)
    if not bands:
        return ""
    cells = {(one.hz, one.path, one.spring) for one in where}
    paths = {(one.path, one.spring) for one in where}
    if len(cells) < len(bands) * len(paths):
        among = len({(one.hz, one.path, one.spring) for one in whole if (one.path, one.spring) in paths})
        return f"in {len(cells)} of {among} bands" if len(paths) == 1 else f"in {len(cells)} of {among} bands in all"
    if len(bands) == 1:
        return f"at {plain(bands[0])}"
    if bands == every:
        return "in every band"
    first = every.index(bands[0])
    if every[first : first + len(bands)] == bands:
        return f"from {plain(bands[0])} to {plain(bands[-1])}"
    return f"in {len(bands)} of {len(every)} bands"


def _springs(where: Sequence[_Where], whole: Sequence[_Where]) -> str:
    """Say "Both springs", "Spring 2"; nothing where there is but one."""
    springs, every = sorted({one.spring for one in where}), {one.spring for one in whole}
    if len(every) < 2 or "" in every:
        return ""
    if len(springs) == 1:
        return f"Spring {springs[0]}"
    if len(springs) == len(every):
        return "Both springs" if len(springs) == 2 else "All springs"
    return f"Springs {listed(springs)}"


def _paths(where: Sequence[_Where], whole: Sequence[_Where]) -> str:
    """Say "on both sides", "on every path", "on the left"; nothing for mono."""
    paths, every = _distinct(one.path for one in where), _distinct(one.path for one in whole)
    if not paths:
        return ""
    if len(paths) == len(every) > 1:
        return "on both sides" if set(every) == {"left", "right"} else "on every path"
    return f"on {listed(f'the {path}' if '→' not in path else path for path in paths)}"


def _distinct(values: Iterable[str]) -> list[str]:
    """In rising order of frequency, or as they first came."""
    found = [value for value in dict.fromkeys(values) if value]
    return sorted(found, key=_hz)


def _hz(band: str) -> float:
    number, _, unit = band.partition(" ")
    return float(number) * (1000 if unit == "kHz" else 1) if unit in ("Hz", "kHz") else 0.0


def _comma(*parts: str) -> str:
    said = ", ".join(part for part in parts if part)
    return f", {said}" if said else ""


def _found(pattern: str, text: str) -> str:
    found = re.search(pattern, text)
    return found.group(found.re.groups) if found else ""
