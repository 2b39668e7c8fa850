"""Which of several candidates to take: how close each is to the golden set, what it costs, and what is told apart.

Aim. Two to twenty builds were judged by the gate against the same references. Put them in an order that means
something, say which pairs no measurement here tells apart, and recommend one with reasons, or none.

Method. A finding's deviation in shares of its tolerance is a coordinate, in which 1 is the limit everywhere, so that
ms, % and dB can be put together. The **distance** of a candidate in a check of a reference is the root mean square of
its coordinates; over references, and over the three checks of the sound (echo timing, group delay, energy decay), again
the root mean square, so that a check with many findings weighs no more than another. Only findings that every candidate
that passes has a value for are used (where none passes: every one), so that a broken build changes nothing among the
others; its own distance is over those of them that it has, how many it lacks is said, and it is not on the front.
The worst point of a curve is one finding wherever it lies. A check of the sound that fails on what has no value
(another sound altogether, a polarity) has no distance, and neither has then the whole.
By the triangle inequality an error e of the coordinates moves such a distance by no more than the root mean square of
e, whatever errors have to do with one another: that, of the expanded uncertainties, is the distance's own. A mean
hides a single bad value, so the **worst** finding stands beside it, and whether a candidate passes is the gate's word
alone.

Two candidates are **told apart** if any value of the sound differs by more than both uncertainties together (root sum
of squares). Among n values some differ by that much for nothing but noise, so the uncertainties are widened until this
happens as rarely among n as it does with one (Bonferroni; k = 2 becomes 3.5 for 100 values). Both were held against the
same golden, whose noise cancels in their difference but is in both uncertainties: the rule errs towards not telling.

Recommended is, of the candidates that pass, the cheapest of those that are not surely farther than the closest, or
sound like it. Those that cost the same besides are **tied** with it.

Cost is the geometric mean over references of the build's cost to the golden's: of instructions where all candidates
were counted, else of times where all were timed. They are never mixed. Candidates may have goldens of their own (a C
build is held against a C build): where their costs differ, counts are told against the first candidate, and times,
which are only known as ratios, not at all.

A candidate is on the **front** if none is both closer and cheaper (V. Pareto: surely worse in neither, surely
better in one).

Conventions. Distances in tolerances, smaller is closer. Costs in percent of the golden's, positive is dearer.

Limits of validity. What differs by less than ``LEAST`` of a tolerance is taken as alike, however well it is known. A
distance says how far, not which way: two builds of one distance may sound different, and
``told_apart`` looks at their values one by one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import Any

from reverdict.phrases import standing

LEAST = 0.01
ALIKE = {"counted": 1e-4, "timed": 0.1}
"""Costs of goldens that differ by no more, relatively, are those of one golden."""

SOUND = ("echo-timing", "group-delay", "energy-decay")
Verdict = Mapping[str, Any]
Point = tuple[str, str, str, str, str, str]
"""Reference, check, cell, quantity, where and unit of a finding."""


@dataclass(frozen=True)
class Distance:
    """How far from the golden, in tolerances, with its expanded uncertainty (k = 2)."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Price:
    """Cost in percent of the golden's, or of the candidate named in ``against``; ``by`` is "counted" or "timed"."""

    percent: float
    uncertainty: float
    by: str
    against: str = ""


@dataclass(frozen=True)
class Candidate:
    """One build among others.

    label : what it is called here, different from all others.
    outcome : the gate's: pass, fail, unsure, or error where it could not be judged.
    distances : by check, those that have any.
    distance : of the sound as a whole; None where a check of it has no common value, or fails on what has none.
    without : checks that fail on what has no value; they have no distance.
    worst : the finding nearest to its limit or farthest beyond, with "reference" and "check" in it.
    lacks : how many of the findings compared it has no value for; its distances are over the others.
    why_not : why it does not pass, in a sentence; or why there is nothing to compare.
    """

    label: str
    verdict: Verdict
    outcome: str
    distances: Mapping[str, Distance] = field(default_factory=dict)
    distance: Distance | None = None
    worst: Mapping[str, Any] | None = None
    price: Price | None = None
    lacks: int = 0
    without: tuple[str, ...] = ()
    why_not: str = ""

    @property
    def passes(self) -> bool:
        return self.outcome == "pass"


@dataclass(frozen=True)
class Choice:
    """What is told of all candidates.

    candidates : those that pass first, the closest first.
    front : labels of those on the front, among all that have a price and lack nothing.
    alike : pairs that cannot be told apart in sound.
    taken : label of the one that is recommended, empty where none is.
    tied : labels of those that would do as well, as far as can be told.
    compared : how many findings the distances are over, and ``left_out``, how many others there are.
    """

    candidates: tuple[Candidate, ...]
    front: tuple[str, ...]
    alike: tuple[tuple[str, str], ...]
    taken: str
    tied: tuple[str, ...]
    compared: int
    left_out: int


@dataclass(frozen=True)
class _Coordinate:
    share: float
    spread: float


def choose(verdicts: Mapping[str, Verdict]) -> Choice:
    """Put candidates side by side; ``verdicts`` are those of the gate as JSON, by label, with the "place" of each."""
    points = {label: _coordinates(verdict) for label, verdict in verdicts.items()}
    judged = {label: own for label, own in points.items() if own}
    leading = _leading(verdicts, judged)
    common = set.intersection(*(set(judged[label]) for label in leading)) if leading else set()
    everything = set().union(*judged.values())
    prices = _prices(verdicts)
    candidates = [
        _candidate(label, verdict, points[label], common, prices.get(label)) for label, verdict in verdicts.items()
    ]
    candidates.sort(key=_closest_first)
    alike = tuple(
        (one.label, other.label)
        for at, one in enumerate(candidates)
        for other in candidates[at + 1 :]
        if points[one.label] and points[other.label] and not told_apart(points[one.label], points[other.label], common)
    )
    taken, tied = _taken(candidates, alike, list(verdicts))
    return Choice(tuple(candidates), _front(candidates), alike, taken, tied, len(common), len(everything - common))


def _leading(verdicts: Mapping[str, Verdict], known: Mapping[str, object]) -> list[str]:
    """Those of which something is known that pass; all of them where none does."""
    return [label for label in known if verdicts[label]["outcome"] == "pass"] or list(known)


def _closest_first(candidate: Candidate) -> tuple[bool, bool, bool, float]:
    far = candidate.distance.value if candidate.distance else math.inf
    return not candidate.passes, candidate.distance is None, candidate.lacks > 0, far


def _coordinates(verdict: Verdict) -> dict[Point, _Coordinate]:
    """What can be put in tolerances: findings with a value and a limit that is not zero."""
    told: dict[Point, _Coordinate] = {}
    for reference in verdict["references"]:
        for check in reference["checks"]:
            for one in check["findings"]:
                deviation, limit, spread = one["deviation"], one["tolerance"], one["uncertainty"]
                if deviation is None or not limit or spread is None:
                    continue
                point = (
                    reference["name"], check["check"], one.get("cell", ""), one["quantity"], standing(one["where"]),
                    one["unit"],
                )  # fmt: skip
                told[point] = _Coordinate(deviation / limit, spread / limit)
    return told


def _without_value(verdict: Verdict) -> tuple[str, ...]:
    """Checks in which something fails that has no value."""
    return tuple(
        dict.fromkeys(
            str(check["check"])
            for reference in verdict["references"]
            for check in reference["checks"]
            if any(one["outcome"] == "fail" and one["deviation"] is None for one in check["findings"])
        )
    )


def _candidate(
    label: str, verdict: Verdict, own: Mapping[Point, _Coordinate], common: set[Point], price: Price | None
) -> Candidate:
    there = common & set(own)
    checks = dict.fromkeys(point[1] for point in sorted(there))
    without = _without_value(verdict)
    distances = {check: _of_check(own, there, check) for check in checks if check not in without}
    sound = [distances[check] for check in SOUND if check in distances]
    whole = _joined(sound) if sound and not set(without) & set(SOUND) else None
    return Candidate(
        label, verdict, str(verdict["outcome"]), distances, whole, _worst(verdict), price, len(common) - len(there),
        without, _why_not(verdict),
    )  # fmt: skip


def _of_check(own: Mapping[Point, _Coordinate], common: set[Point], check: str) -> Distance:
    references = sorted({point[0] for point in common if point[1] == check})
    return _joined([_rms([own[p] for p in common if p[:2] == (reference, check)]) for reference in references])


def _rms(values: Sequence[_Coordinate]) -> Distance:
    return Distance(
        math.sqrt(sum(one.share**2 for one in values) / len(values)),
        math.sqrt(sum(one.spread**2 for one in values) / len(values)),
    )


def _joined(distances: Sequence[Distance]) -> Distance:
    return _rms([_Coordinate(one.value, one.uncertainty) for one in distances])


def told_apart(one: Mapping[Point, _Coordinate], other: Mapping[Point, _Coordinate], common: set[Point]) -> bool:
    """Whether any value of the sound differs by more than both are known to, and by more than ``LEAST``.

    One that only one of them has tells them apart.
    """
    points = [point for point in common if point[1] in SOUND]
    if any((point in one) != (point in other) for point in points):
        return True
    both = [(one[point], other[point]) for point in points if point in one]
    wider = widening(len(both))
    return any(abs(a.share - b.share) > max(LEAST, wider * math.hypot(a.spread, b.spread)) for a, b in both)


def widening(count: int) -> float:
    """By how much k = 2 must be widened for ``count`` values, so that noise exceeds any as rarely as it does one."""
    normal = NormalDist()
    return -normal.inv_cdf(normal.cdf(-2.0) / max(count, 1)) / 2.0


def _worst(verdict: Verdict) -> Mapping[str, Any] | None:
    told = [
        {**finding, "reference": reference["name"], "check": check["check"]}
        for reference in verdict["references"]
        for check in reference["checks"]
        for finding in check["findings"]
        if finding["share_of_tolerance"] is not None or finding["outcome"] == "fail"
    ]
    return max(told, key=_share, default=None)


def _share(finding: Mapping[str, Any]) -> float:
    """Of its tolerance; what fails without a value is beyond all others."""
    share = finding["share_of_tolerance"]
    return math.inf if share is None else float(share)


def _why_not(verdict: Verdict) -> str:
    if verdict["outcome"] == "pass":
        return ""
    if verdict["errors"]:
        return str(verdict["errors"][0])
    checks = [(reference, check) for reference in verdict["references"] for check in reference["checks"]]
    # What fails comes before what it left unmeasured, and the worst of it first.
    checks.sort(key=lambda one: (one[1]["outcome"] != "fail", -max(map(_share, one[1]["findings"]), default=0.0)))
    closing = [
        f"{reference['name']}: {check['reason']}"
        for reference, check in checks
        if check["outcome"] == "fail" or check["closes_gate"]
    ]
    return closing[0] + (f"; and {len(closing) - 1} more" if len(closing) > 1 else "") if closing else ""


@dataclass(frozen=True)
class _Cost:
    """What a sample costs in one reference: the build's and the golden's, and the build's relative uncertainty."""

    own: float
    golden: float
    spread: float


def _prices(verdicts: Mapping[str, Verdict]) -> dict[str, Price]:
    """Prices by label; none where candidates have no cost in common."""
    leading = _leading(verdicts, {label: 0 for label, verdict in verdicts.items() if _has_cost(verdict)})
    for by, costs_of in (("counted", _counted), ("timed", _timed)):
        costs = {label: costs_of(verdict) for label, verdict in verdicts.items()}
        references = set.intersection(*(set(costs[label]) for label in leading)) if leading else set()
        if references:
            comparable = {label: own for label, own in costs.items() if references <= set(own)}
            return _priced({label: [own[name] for name in sorted(references)] for label, own in comparable.items()}, by)
    return {}


def _has_cost(verdict: Verdict) -> bool:
    return verdict["outcome"] == "pass" or bool(_counted(verdict) or _timed(verdict))


def _priced(costs: Mapping[str, Sequence[_Cost]], by: str) -> dict[str, Price]:
    first = next(iter(costs))
    goldens = zip(*([one.golden for one in own] for own in costs.values()), strict=True)
    alike = all(max(these) <= (1.0 + ALIKE[by]) * min(these) for these in goldens)
    if by == "timed" and not alike:
        return {}
    bases = [None if alike else one.own for one in costs[first]]
    prices = {}
    for label, own in costs.items():
        ratios = [one.own / (base or one.golden) for one, base in zip(own, bases, strict=True)]
        mean = math.exp(sum(math.log(ratio) for ratio in ratios) / len(ratios))
        spread = sum(one.spread for one in own) / len(own)
        prices[label] = Price(100.0 * (mean - 1.0), 100.0 * mean * spread, by, "" if alike else first)
    return prices


def _counted(verdict: Verdict) -> dict[str, _Cost]:
    """Instructions by reference."""
    told = {}
    for reference in verdict["references"]:
        counted = (reference.get("cost") or {}).get("counted") or {}
        if counted.get("golden") and counted.get("candidate"):
            spread = (counted.get("uncertainty") or 0.0) / counted["candidate"]
            told[str(reference["name"])] = _Cost(counted["candidate"], counted["golden"], spread)
    return told


def _timed(verdict: Verdict) -> dict[str, _Cost]:
    """Times by reference. Only the ratio was measured turn by turn; the golden's time tells goldens apart."""
    told = {}
    for reference in verdict["references"]:
        timed = (reference.get("cost") or {}).get("timed") or {}
        golden = (timed.get("seconds_per_sample") or {}).get("golden")
        if timed.get("ratio") and golden:
            spread = (timed.get("uncertainty") or 0.0) / timed["ratio"]
            told[str(reference["name"])] = _Cost(timed["ratio"] * golden, golden, spread)
    return told


def _front(candidates: Sequence[Candidate]) -> tuple[str, ...]:
    placed = [one for one in candidates if one.distance and one.price and not one.lacks]
    return tuple(one.label for one in placed if not any(_beats(other, one) for other in placed if other is not one))


def _beats(one: Candidate, other: Candidate) -> bool:
    """Whether one is surely worse in neither and surely better in one."""
    better = surely_farther(other, one) or surely_cheaper(one, other)
    return better and not surely_farther(one, other) and not surely_cheaper(other, one)


def _all_the_same(one: Candidate, other: Candidate, alike: Sequence[tuple[str, str]]) -> bool:
    """Whether two cannot be told apart in sound, nor by cost."""
    sound = any({one.label, other.label} == set(pair) for pair in alike)
    return sound and not surely_cheaper(one, other) and not surely_cheaper(other, one)


def _taken(
    candidates: Sequence[Candidate], alike: Sequence[tuple[str, str]], order: Sequence[str]
) -> tuple[str, tuple[str, ...]]:
    """The recommended one of those that pass, and those tied with it; of twins the one that was named first."""
    passing = [one for one in candidates if one.passes and one.distance]
    if not passing:
        return "", ()
    closest = passing[0]
    near = [one for one in passing if not surely_farther(one, closest) or (closest.label, one.label) in alike]
    cheapest = min(near, key=lambda one: one.price.percent if one.price else math.inf)
    same = [one for one in near if one is cheapest or _all_the_same(one, cheapest, alike)]
    taken = min(same, key=lambda one: order.index(one.label))
    tied = [one.label for one in near if one is not taken and not surely_cheaper(taken, one)]
    return taken.label, tuple(tied)


def surely_farther(one: Candidate, other: Candidate) -> bool:
    """Whether one is farther from golden than another by more than their distances are known to."""
    assert one.distance is not None
    assert other.distance is not None
    sure = max(LEAST, one.distance.uncertainty + other.distance.uncertainty)
    return one.distance.value - other.distance.value > sure


def surely_cheaper(one: Candidate, other: Candidate) -> bool:
    """Whether one costs less than another by more than their costs are known to; False where one is not known."""
    if one.price is None or other.price is None:
        return False
    sure = math.hypot(one.price.uncertainty, other.price.uncertainty)
    return other.price.percent - one.price.percent > sure
