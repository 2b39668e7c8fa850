"""Tolerances proposed from evidence: how far repeats differ, what is heard, what can be resolved.

Evidence
    *Repeats*: the same thing recorded or rendered again, each judged beside the first. With n takes a quantity has the
    standard deviation s (Type A, JCGM 100:2008, 4.2), and two takes differ by t95(n − 1)·√2·s, where Student's t
    stands for k = 2 of few takes; the uncertainty U of each comparison comes on top, because a verdict adds it, too.
    *Hearing*, the outer limit: group delay after J. Blauert, P. Laws, JASA 63(5), 1978; early decay 5 % and level 1 dB
    after ISO 3382-1:2009, Table A.1. A pass that moves as a whole moves at all frequencies, so of an arrival the
    least of the group delays is heard. Of T20 and T30 we take that of the early decay. Of the transition frequency
    none is known.
    *Noise*, the inner limit: what two copies of the golden differ by that have fresh noise (``measure.fresh_noise``),
    2·√2·s, or the uncertainty U that a verdict would add, whichever is more. Two and a half times that, so that
    there is room for both, is the tightest tolerance proposed: noise does not make it unsure. Of a build only U
    counts: it has the same noise the next time, unless its repeats say otherwise.
Rule
    Captures with repeats: what repeats differ by and half as much again, no tighter than noise or a tenth of what is
    heard, since takes of one afternoon agree better than those of two. Without repeats: half of what is heard. Where
    no threshold of hearing is known, no tighter than the shared tolerance.
    Builds: the shared tolerances, unless repeats or noise need more.
    The decay curve is judged as a whole, by what the other tolerances leave it. It is judged once more by those that
    are proposed; where a repeat or a copy that departed half as much again would not pass, ``curve_db`` gives it room.
    What must be wider than what is heard is proposed so, and says it.
Conventions
    Values in the units of the tolerances; they are rounded up to two digits. Nothing here reads a file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from reverdict.golden_set.terms import least_limit
from reverdict.measure.clock import t95
from reverdict.measure.manners import Observed
from reverdict.words import Finding

ROOM = 1.5
CLEAR_OF_NOISE = 2.5
HALF, TENTH = 0.5, 0.1
STRANGE = 10.0
DELAY = ("group_delay", "delay_ms")
KEYS = {
    "arrival": ("echo_timing", "arrival_ms"),
    "onset": ("echo_timing", "onset_ms"),
    "delay": DELAY,
    "transition frequency": ("group_delay", "transition_percent"),
    "EDT": ("energy_decay", "edt_percent"),
    "T20": ("energy_decay", "t20_percent"),
    "T30": ("energy_decay", "t30_percent"),
    "level": ("energy_decay", "level_db"),
}
"""Which tolerance a finding's quantity is judged by. Others, such as polarity, have none to propose."""

HEARD_DELAY_MS = [[500, 3.2], [1000, 2.0], [2000, 1.0], [4000, 1.5], [8000, 2.0]]
HEARD = {
    "arrival_ms": 1.0, "onset_ms": 1.0, "edt_percent": 5.0, "t20_percent": 5.0, "t30_percent": 5.0, "level_db": 1.0,
}  # fmt: skip
DEPARTURES = (
    "silence_percent", "dc_percent", "tail_percent", "repeats_percent", "block_size_percent", "instances_percent",
    "reset_percent", "level_scaling_percent", "superposition_percent", "time_variance_percent", "cold_start_percent",
)  # fmt: skip
"""Tolerances of what a build departs from itself by."""

CORNERS_HZ = (200, 315, 500, 800, 1250, 2000, 3150, 5000)


@dataclass(frozen=True)
class Reading:
    """One finding in the unit of the tolerance it is judged by. ``hz`` is None where that does not vary with it."""

    table: str
    key: str
    where: str
    hz: float | None
    deviation: float
    uncertainty: float


@dataclass(frozen=True)
class Proposal:
    """One tolerance for a reference's own table, where it comes from, and what to tell the user beyond that."""

    table: str
    key: str
    value: Any
    because: str
    warning: str = ""


@dataclass(frozen=True)
class _Need:
    """What one quantity needs at one frequency (or anywhere), in its unit."""

    differ: float
    noise: float


def readings(findings: Iterable[Finding]) -> list[Reading]:
    """The findings that have a number and a tolerance."""
    return [reading for finding in findings if (reading := _reading(finding))]


def _reading(finding: Finding) -> Reading | None:
    named = KEYS.get(finding.quantity)
    if named is None or finding.deviation is None or finding.uncertainty is None:
        return None
    share = 1.0
    if named[1].endswith("_percent"):
        if not finding.golden:
            return None
        share = 100 / abs(finding.golden)
    at = re.search(r"([\d.]+) Hz$", finding.where)
    hz = float(at[1]) if at and named == DELAY else None
    return Reading(*named, finding.where, hz, share * finding.deviation, share * finding.uncertainty)


def propose(
    origin: str,
    itself: Sequence[Finding],
    noisy: Sequence[Sequence[Finding]],
    repeats: Sequence[Sequence[Finding]],
    shared: Mapping[str, Mapping[str, Any]],
    asked: Iterable[str],
) -> list[Proposal]:
    """Tolerances for a new reference.

    Parameters
    ----------
    origin : "capture" or "build"
    itself : findings of the golden beside itself.
    noisy : findings of each copy with fresh noise beside the golden; none where its noise is not known.
    repeats : findings of each repeat beside the first take.
    shared : tables of tolerances.toml as it reads.
    asked : tables of the checks that are asked.
    """
    own, copies = _by_key(readings(itself)), [_by_key(readings(findings)) for findings in noisy]
    takes = [_by_key(readings(findings)) for findings in repeats]
    proposals: list[Proposal] = []
    for table, key in dict.fromkeys(KEYS.values()):
        named = (table, key)
        if table not in asked or not own.get(named):
            continue
        noise = _noise(own[named], [copy.get(named, []) for copy in copies])
        needs = _needs(noise, [take.get(named, []) for take in takes])
        propose_one = _over_frequency if (table, key) == DELAY else _one_value
        proposals += propose_one(table, key, origin, needs, len(repeats), shared.get(table, {}).get(key))
    return proposals


def curve_proposal(judged: Iterable[Finding], level_db: float, repeats: int) -> list[Proposal]:
    """Room for the decay curve, where repeats or noisy copies do not pass well by the tolerances proposed so far.

    Parameters
    ----------
    judged : findings of them all, by those tolerances.
    level_db : what the curve may be off where it begins, by these.
    """
    curves = [one for one in judged if one.quantity == "decay curve" and one.deviation is not None]
    departing = [
        ROOM * (abs(one.deviation or 0.0) + (one.uncertainty or 0.0)) - (one.tolerance or 0.0) for one in curves
    ]
    lacking = max(departing, default=0.0)
    if lacking <= 0.0:
        return []
    whose = f"repeats' decay curves ({_takes(repeats)})" if repeats else "decay curves of copies with other noise"
    value, heard = _rounded_up(level_db + lacking), HEARD["level_db"]
    because, warning = f"{whose} need {_amount(lacking)} dB more than level_db", ""
    if value > heard:
        because += f"; beyond what is heard, {heard:g} dB"
        warning = f"curve_db = {value:g} dB is wider than what is heard, {heard:g} dB: {whose} need it"
    return [Proposal("energy_decay", "curve_db", value, because, warning)]


def missing(findings: Iterable[Finding]) -> list[Finding]:
    """What a repeat does not have that the first take has."""
    return [finding for finding in findings if finding.quantity in KEYS and finding.deviation is None and finding.where]


def lost(findings: Iterable[Finding]) -> list[Finding]:
    """What a repeat does not have, wherever that is."""
    return [finding for finding in findings if finding.quantity in KEYS and finding.deviation is None]


def strangest(findings: Iterable[Finding]) -> Finding | None:
    """What no repeat of the same thing would do: the finding farthest beyond ``STRANGE`` times what is heard."""
    shares = [
        (abs(reading.deviation) / least_limit(HEARD.get(reading.key, HEARD_DELAY_MS), reading.hz or 1000.0), finding)
        for finding in findings
        if (reading := _reading(finding)) and reading.key != "transition_percent"
    ]
    share, finding = max(shares, key=lambda pair: pair[0], default=(0.0, None))
    return finding if share > STRANGE else None


def clear_passes(passes: int, repeats: Iterable[Iterable[Finding]]) -> int:
    """How many passes of every spring can be told in all repeats; one at least."""
    lost = [
        int(number[1])
        for findings in repeats
        for finding in missing(findings)
        if finding.quantity == "arrival" and (number := re.search(r"pass (\d+)", finding.where))
    ]
    return max(min([passes, *(number - 1 for number in lost)]), 1)


def _by_key(found: Iterable[Reading]) -> dict[tuple[str, str], list[Reading]]:
    groups: dict[tuple[str, str], list[Reading]] = {}
    for reading in found:
        groups.setdefault((reading.table, reading.key), []).append(reading)
    return groups


def _by_place(takes: Iterable[Iterable[Reading]]) -> dict[tuple[float | None, str], list[Reading]]:
    places: dict[tuple[float | None, str], list[Reading]] = {}
    for take in takes:
        for reading in take:
            places.setdefault((reading.hz, reading.where), []).append(reading)
    return places


def _noise(itself: Sequence[Reading], copies: Sequence[Sequence[Reading]]) -> dict[float | None, float]:
    """Per frequency, the most that noise moves any place by (k = 2), between two takes that have no other difference.

    The golden beside itself has next to no uncertainty, as both have the same noise; beside a copy it has.
    """
    noise: dict[float | None, float] = {}
    for one in itself:
        noise[one.hz] = max(noise.get(one.hz, 0.0), one.uncertainty)
    for (hz, _), found in _by_place(copies).items():
        spread = 2 * math.sqrt(2) * float(np.std([one.deviation for one in found], ddof=1)) if len(found) > 1 else 0.0
        stated = max(one.uncertainty for one in found)
        noise[hz] = max(noise.get(hz, 0.0), spread, stated)
    return noise


def _needs(noise: Mapping[float | None, float], takes: Sequence[Sequence[Reading]]) -> dict[float | None, _Need]:
    """Per frequency, the most that any place needs."""
    differ: dict[float | None, float] = {}
    for (hz, _), found in _by_place(takes).items():
        differ[hz] = max(differ.get(hz, 0.0), _differ(found))
    return {hz: _Need(differ.get(hz, 0.0), noise.get(hz, 0.0)) for hz in dict.fromkeys([*noise, *differ])}


def _differ(repeats: Sequence[Reading]) -> float:
    """How far two takes differ at one place: Student's t, √2 for two, and the uncertainty of comparing them."""
    values = [0.0, *(one.deviation for one in repeats)]
    spread = t95(len(values) - 1) * math.sqrt(2) * float(np.std(values, ddof=1))
    return spread + max(one.uncertainty for one in repeats)


def _one_value(
    table: str, key: str, origin: str, needs: Mapping[float | None, _Need], repeats: int, usual: Any
) -> Iterator[Proposal]:
    (need,) = needs.values()
    unit = _unit(key)
    heard = HEARD.get(key)  # None where no threshold is known
    value, because = _proposed(origin, need, repeats, heard, None if usual is None else least_limit(usual), unit)
    if value is None:
        return
    value = _rounded_up(value)
    warning = ""
    if heard is not None and value > heard:
        because += f"; beyond what is heard, {heard:g} {unit}"
        warning = _beyond(key, f"{value:g} {unit}", f"{heard:g} {unit}", need, repeats, unit)
    yield Proposal(table, key, value, because, warning)


def _over_frequency(
    table: str, key: str, origin: str, needs: Mapping[float | None, _Need], repeats: int, usual: Any
) -> Iterator[Proposal]:
    """A curve of corners, each with the most that is needed up to its neighbours, so that between them it is enough."""
    known = {hz: need for hz, need in needs.items() if hz is not None}
    unit = _unit(key)
    points: list[list[float]] = []
    reasons: list[str] = []
    beyond: list[tuple[float, float, float, _Need]] = []
    for before, corner, after in zip((0, *CORNERS_HZ), CORNERS_HZ, (*CORNERS_HZ[1:], math.inf), strict=False):
        near = [need for hz, need in known.items() if before < hz < after]
        if not near:
            continue
        need = _Need(max(one.differ for one in near), max(one.noise for one in near))
        heard = least_limit(HEARD_DELAY_MS, corner)
        allowed = None if usual is None else least_limit(usual, corner)
        value, because = _proposed(origin, need, repeats, heard, allowed, unit)
        points.append([corner, _rounded_up(allowed or heard if value is None else value)])
        reasons.append(because if value is not None else "")
        if points[-1][1] > heard:
            beyond.append((corner, points[-1][1], heard, need))
    if not any(reasons):
        return
    if origin == "capture" and not repeats and set(reasons) == {HALF_HEARD}:
        yield Proposal(table, key, [[hz, HALF * limit] for hz, limit in HEARD_DELAY_MS], HALF_HEARD)
        return
    if repeats:
        spreads = [need.differ for need in known.values()]
        because = f"repeats differ by {_amount(min(spreads))} to {_amount(max(spreads))} {unit} ({_takes(repeats)})"
    else:
        because = " or ".join(dict.fromkeys(re.sub(r" of [\d.e-]+ ms", "", reason) for reason in reasons if reason))
    warning = ""
    if beyond:
        at = ", ".join(f"{hz:g}" for hz, *_ in beyond)
        because += f"; beyond what is heard at {at} Hz"
        hz, value, heard, need = beyond[0]
        warning = _beyond(f"{key} at {hz:g} Hz", f"{value:g} {unit}", f"{heard:g} {unit}", need, repeats, unit)
    yield Proposal(table, key, _slim(points), because, warning)


HALF_HEARD = "half of what is heard"


def _proposed(
    origin: str, need: _Need, repeats: int, heard: float | None, usual: float | None, unit: str
) -> tuple[float | None, str]:
    """Value and where it comes from; None where the shared tolerance will do."""
    inner, differ = CLEAR_OF_NOISE * need.noise, ROOM * need.differ
    by_noise = f"{CLEAR_OF_NOISE:g} times what noise of its own moves it by, {_amount(need.noise)} {unit}"
    by_repeats = f"repeats differ by {_amount(need.differ)} {unit} ({_takes(repeats)})"
    shared_may_do = origin == "build" or heard is None
    if shared_may_do and usual is not None and max(inner, differ) <= usual:
        return None, ""
    if repeats:
        least = TENTH * heard if heard is not None else 0.0
        value = max(inner, differ, least if origin == "capture" else 0.0)
        if value == differ:
            return value, by_repeats
        return value, f"{by_repeats}; {by_noise if value == inner else 'a tenth of what is heard'}"
    if origin == "capture" and heard is not None:
        half = HALF * heard
        return (half, HALF_HEARD) if half >= inner else (inner, by_noise)
    return inner, by_noise


def _beyond(key: str, value: str, heard: str, need: _Need, repeats: int, unit: str) -> str:
    if repeats and ROOM * need.differ >= CLEAR_OF_NOISE * need.noise:
        why = f"repeats differ by {_amount(need.differ)} {unit}"
    else:
        why = f"noise alone moves it by {_amount(need.noise)} {unit}"
    return f"{key} = {value} is wider than what is heard, {heard}: {why}; steadier or quieter, it is tighter"


KEPT_BY_DESIGN_PERCENT = 10.0
"""A build that departs from itself by more does so by design, as with modulated delay lines."""


def manners(observed: Iterable[Observed], usual: Mapping[str, Any]) -> tuple[list[Proposal], dict[str, str]]:
    """Tolerances for the manners of a new reference, and the questions to be declared as not put, with the reason.

    Parameters
    ----------
    observed : what the golden's own build was put through.
    usual : table ``conduct`` of tolerances.toml as it reads.

    A question in which the golden needs no more than half of what is usual keeps the usual tolerance.
    """
    most: dict[str, Observed] = {}
    for one in observed:
        needs_more = one.question not in most or _needed(one) > _needed(most[one.question])
        if one.amount is not None and one.question in usual and needs_more:
            most[one.question] = one
    proposals, declared = [], {}
    for key, one in most.items():
        needed, limit = _needed(one), least_limit(usual[key])
        where = f" ({one.name or one.where})" if one.name or one.where else ""
        said = f"the golden's own build: {figure(needed)} {_unit(key)}{where}"
        if key in DEPARTURES and one.uncertainty >= abs(one.amount or 0.0) / 2 > 0.0:
            said += ", as it does not repeat itself, or not at another time"
        if needed <= limit / 2:
            continue
        if key in DEPARTURES and needed > KEPT_BY_DESIGN_PERCENT:
            declared[key.rpartition("_")[0]] = said
        else:
            because = f"twice that of {said}; wider than usual, {limit:g}"
            proposals.append(Proposal("conduct", key, _rounded_up(2 * needed), because))
    return proposals, declared


def figure(value: float) -> str:
    """Two digits of a percentage, or as many as it has before the point."""
    return f"{value:.0f}" if value >= 10.0 else f"{value:.2g}"


def _needed(one: Observed) -> float:
    return abs(one.amount or 0.0) + one.uncertainty


def _amount(value: float) -> str:
    return "under 0.001" if value < 1e-3 else f"{value:.2g}"


def _takes(repeats: int) -> str:
    return f"k = 2, {repeats + 1} takes"


def _unit(key: str) -> str:
    return {"percent": "%", "db": "dB"}.get(key.rpartition("_")[2], key.rpartition("_")[2])


def _rounded_up(value: float) -> float:
    """Two digits, rounded up, but for what is rounding itself."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1) if value > 0 else 1.0
    return float(f"{math.ceil(value / step - 1e-9) * step:.2g}")


def _slim(points: list[list[float]]) -> list[list[float]]:
    """The same curve without corners between equal neighbours."""
    if len(points) < 3:
        return points
    flat = [before[1] == here[1] == after[1] for (before, here), (_, after) in pairwise(pairwise(points))]
    return [points[0], *(point for point, same in zip(points[1:-1], flat, strict=True) if not same), points[-1]]
