"""What a comparison of candidates says: who passes, how close, how dear, which to take and why."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from reverdict.choosing import SOUND, Candidate, Choice, Distance, Price, surely_cheaper, surely_farther
from reverdict.report.wording.basics import CHECK_NAMES, figure, listed, place, plain, share, shorten

LABEL = 48


def called(candidate: Candidate) -> str:
    """Its label, in one line of bearable length."""
    return shorten(plain(candidate.label), LABEL)


def distance_of(distance: Distance | None) -> str:
    """In tolerances: "0.12 ± 0.01"."""
    if distance is None:
        return "–"
    spread = figure(distance.uncertainty, 2) if distance.uncertainty >= 0.005 else "0.00"
    return f"{figure(distance.value, 2)} ± {spread}"


def distance_in(check: str, candidate: Candidate) -> str:
    """Of one check: in tolerances, or that it is out by what has no value."""
    return "out" if check in candidate.without else distance_of(candidate.distances.get(check))


def price_of(price: Price | None) -> str:
    """Against the golden's cost: "+16 %"."""
    if price is None:
        return "–"
    places = 0 if abs(price.percent) >= 10 else 1
    written = figure(price.percent, places)
    return f"{'+' if price.percent > 0 and written.strip('0.') else ''}{written} %"


def worst_of(candidate: Candidate) -> str:
    """The finding nearest to its limit, or farthest beyond it."""
    worst = candidate.worst
    if worst is None:
        return ""
    return f"{share(worst)}: {place(worst)}, {shorten(plain(worst['reference']), 32)}"


def opening(choice: Choice) -> list[str]:
    """Sentences a colleague would begin with: which to take, why, and what else there is."""
    passing = [one for one in choice.candidates if one.passes]
    taken = next((one for one in passing if one.label == choice.taken), None)
    if taken is None:
        return [_none(choice)]
    said = [f"Take {called(taken)}: {_reasons(taken, passing, choice)}."]
    if choice.tied:
        tied = listed([called_by(label, choice) for label in choice.tied])
        told = "closeness and cost tell" if taken.price else "closeness tells; costs cannot be compared"
        said.append(f"A tie: {tied} would do as well, as far as {told}.")
    cheaper = [one for one in passing if surely_cheaper(one, taken) and one.label in choice.front]
    said += [_instead(one, taken) for one in cheaper[:2]]
    out = [one for one in choice.candidates if not one.passes]
    if out:
        said.append(f"{listed([called(one) for one in out])} {'do' if len(out) > 1 else 'does'} not pass.")
    return said


def _reasons(taken: Candidate, passing: Sequence[Candidate], choice: Choice) -> str:
    same = [one for one in passing if _alike(one, taken, choice)]
    if len(passing) == 1:
        first = "the only one that passes"
    elif same:
        first = f"it cannot be told apart in sound from {listed([called(one) for one in same])}, and nothing is closer"
    elif any(not surely_farther(one, taken) for one in passing if one is not taken and one.distance):
        first = "none that passes is surely closer"
    else:
        first = "the closest of those that pass"
    cost = ""
    if taken.price:
        others = [one for one in passing if one.price and one is not taken]
        superlative = "the cheapest of them, " if others and all(surely_cheaper(taken, one) for one in others) else ""
        against = taken.price.against == taken.label
        cost = f"; {superlative}{taken.price.by}" if against else f"; {superlative}cost {price_of(taken.price)}"
        cost += "" if against else f" ({taken.price.by})"
    return f"{first} ({distance_of(taken.distance)} of tolerance on the whole){cost}"


def _instead(one: Candidate, taken: Candidate) -> str:
    return (
        f"{called(one)} costs {price_of(one.price)} instead of {price_of(taken.price)} and is "
        f"{distance_of(one.distance)} of tolerance off."
    )


def _alike(one: Candidate, other: Candidate, choice: Choice) -> bool:
    return one is not other and any({one.label, other.label} == set(pair) for pair in choice.alike)


def _none(choice: Choice) -> str:
    nearest = next((one for one in choice.candidates if one.distance), None)
    if nearest is None:
        judged = any(one.worst for one in choice.candidates)
        return f"None passes, and none {'is so near that it has a distance' if judged else 'could be judged'}."
    why = shorten(plain(nearest.why_not), 200)
    return f"None passes. Nearest is {called(nearest)} ({distance_of(nearest.distance)} of tolerance): {why}."


def remarks(choice: Choice) -> list[str]:
    """What to know of the table."""
    told = [
        f"{listed([called_by(one, choice) for one in group])} cannot be told apart in sound."
        for group in _groups(choice)
    ]
    whose = "all that pass" if any(one.passes for one in choice.candidates) else "all"
    told.append(
        f"Distances are over {choice.compared} findings that {whose} have a value for"
        + (f"; {choice.left_out} others are left out." if choice.left_out else ".")
    )
    told += [
        f"That of {called(one)} is over {choice.compared - one.lacks} of them: it has no value for the others."
        for one in choice.candidates
        if one.lacks and one.distance
    ]
    told += [
        f"{called(one)} has no distance: {listed([CHECK_NAMES.get(check, check) for check in out])} "
        f"{'fail' if len(out) > 1 else 'fails'} on what no number tells."
        for one in choice.candidates
        if (out := [check for check in one.without if check in SOUND])
    ]
    against = next((one.price.against for one in choice.candidates if one.price), None)
    if against:
        told.append(f"Costs are against {called_by(against, choice)}, since the candidates' goldens cost differently.")
    if against is None:
        told.append("Costs cannot be compared: not all were counted, or timed, against the same.")
    return told


def _groups(choice: Choice) -> list[list[str]]:
    """Pairs that cannot be told apart, put together where that holds for all of a group; none is said twice."""
    pairs = {frozenset(pair) for pair in choice.alike}
    groups: list[list[str]] = []
    for one, other in choice.alike:
        if any(one in group and other in group for group in groups):
            continue
        group = [one, other]
        for more in (candidate.label for candidate in choice.candidates):
            if more not in group and all(frozenset((more, member)) in pairs for member in group):
                group.append(more)
        groups.append(group)
    return groups


def called_by(label: str, choice: Choice) -> str:
    """A candidate by its label."""
    return next(called(one) for one in choice.candidates if one.label == label)


def checks_of(choice: Choice) -> list[str]:
    """Checks in which any candidate has a distance, in their usual order."""
    there = {check for one in choice.candidates for check in (*one.distances, *one.without)}
    there.discard("cost")  # has a column of its own
    return [check for check in CHECK_NAMES if check in there] + sorted(there - set(CHECK_NAMES))


def folders(choice: Choice) -> dict[str, str]:
    """Folder of each candidate's own report, by its label."""
    return {
        one.label: f"{number}-{re.sub(r'[^A-Za-z0-9_.-]+', '_', plain(one.label)).strip('._')[:40] or 'build'}"
        for number, one in enumerate(choice.candidates, start=1)
    }


def as_json(choice: Choice) -> dict[str, Any]:
    """The comparison as data."""
    return {
        "schema": 1,
        "recommended": choice.taken or None,
        "said": opening(choice),
        "front": list(choice.front),
        "tied": list(choice.tied),
        "not_told_apart": [list(pair) for pair in choice.alike],
        "compared": choice.compared,
        "left_out": choice.left_out,
        "candidates": [
            {
                "label": one.label,
                "build": dict(one.verdict["build"]),
                "from": one.verdict.get("place", ""),
                "outcome": one.outcome,
                "why_not": one.why_not,
                "lacks": one.lacks,
                "without_value": list(one.without),
                "distance": _distance_json(one.distance),
                "checks": {check: _distance_json(distance) for check, distance in one.distances.items()},
                "cost": None if one.price is None else {
                    "percent": one.price.percent, "uncertainty": one.price.uncertainty, "by": one.price.by,
                },
                "worst": None if one.worst is None else dict(one.worst),
            }
            for one in choice.candidates
        ],
    }  # fmt: skip


def _distance_json(distance: Distance | None) -> dict[str, float] | None:
    return None if distance is None else {"value": distance.value, "uncertainty": distance.uncertainty}
