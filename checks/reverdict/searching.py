"""The smallest size of a graded fault at which something happens, from few judgements.

Method
    A coarse row of sizes from the mildest to the gravest is judged first. Then, for every question that is asked (does
    this check stop being a pass? does it fail?), the gap between the gravest size where it does not happen and the
    next one tried is halved until it is too small to matter: more closely for the gate as a whole than for a single
    check. Judgements serve all questions.
Conventions
    The answer is the mildest size from which on *all* graver sizes that were tried are caught. Nothing says that a
    graver fault is easier to catch: where a graver size slipped through although a milder one was caught, that is kept.
Limits of validity
    Between the sizes that were tried nobody looked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reverdict.words import Outcome

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from reverdict.faults import Fault

GATE = "gate"
"""Stands among the names of checks for the gate as a whole."""

BADNESS = {Outcome.NOT_ASKED: 0, Outcome.PASS: 1, Outcome.UNSURE: 2, Outcome.FAIL: 3}
LEVELS = (Outcome.UNSURE, Outcome.FAIL)
"""What is looked for: not passed (unsure or fail), and failed."""

Outcomes = dict[str, Outcome]


@dataclass(frozen=True)
class Tried:
    """What every check, and the gate, said to one size.

    outcomes : of a fault that goes either way the milder one, check by check.
    stopped_by : checks that are unsure or fail in one way or the other.
    way : in which the gate was milder, if any.
    """

    size: float
    outcomes: Mapping[str, Outcome]
    stopped_by: tuple[str, ...] = ()
    way: str = ""


@dataclass(frozen=True)
class Edge:
    """Where catching begins.

    size : mildest size from which on all that was tried is caught; None where the gravest slips through.
    at_mildest : it is the mildest size there is; a milder fault might be caught as well.
    slips_again : graver sizes that slip through although a milder one was caught, the mildest first.
    """

    size: float | None
    at_mildest: bool
    slips_again: tuple[float, ...]


def search(fault: Fault, judge: Callable[[float], Outcomes]) -> list[Tried]:
    """Judge as many sizes of a fault as its edges need; the mildest first.

    Parameters
    ----------
    judge : callable
        Gives the outcomes for a signed size. A fault that goes either way is judged both ways and told by the milder.
    """
    tried = [_both_ways(fault, size, judge) for size in fault.coarse()]
    for level in LEVELS:
        for name in sorted(tried[0].outcomes, key=lambda name: name != GATE):
            rough = name != GATE
            while (gap := _gap(tried, name, level)) and (middle := fault.between(*gap, rough=rough)) is not None:
                at = next(index for index, one in enumerate(tried) if one.size == gap[1])
                tried.insert(at, _both_ways(fault, middle, judge))
    return tried


def edge(tried: Sequence[Tried], name: str, level: Outcome) -> Edge:
    """Where a check (or ``GATE``) begins to be as bad as ``level``. ``tried`` as ``search`` gives it."""
    caught = [_is_caught(one, name, level) for one in tried]
    first = next((index for index, is_so in enumerate(caught) if is_so), len(tried))
    last_slip = max((index for index, is_so in enumerate(caught) if not is_so), default=-1)
    again = tuple(one.size for one, is_so in zip(tried[first:], caught[first:], strict=True) if not is_so)
    size = tried[last_slip + 1].size if last_slip + 1 < len(tried) else None
    return Edge(size, last_slip == -1, again)


def _is_caught(one: Tried, name: str, level: Outcome) -> bool:
    return BADNESS[one.outcomes[name]] >= BADNESS[level]


def _gap(tried: Sequence[Tried], name: str, level: Outcome) -> tuple[float, float] | None:
    """The gravest size where it does not happen and the next graver one, if there are both."""
    slips = [index for index, one in enumerate(tried) if not _is_caught(one, name, level)]
    if not slips or slips[-1] + 1 == len(tried):
        return None
    return tried[slips[-1]].size, tried[slips[-1] + 1].size


def _both_ways(fault: Fault, size: float, judge: Callable[[float], Outcomes]) -> Tried:
    each = [judge(sign * size) for sign in fault.signs]
    milder = {name: min((one[name] for one in each), key=BADNESS.__getitem__) for name in each[0]}
    gate = [BADNESS[one[GATE]] for one in each]
    way = fault.ways[gate.index(min(gate))] if fault.ways and len(set(gate)) > 1 else ""
    graver = {name: max((one[name] for one in each), key=BADNESS.__getitem__) for name in each[0]}
    stopped_by = tuple(name for name, outcome in graver.items() if name != GATE and outcome in LEVELS)
    return Tried(size, milder, stopped_by, way)
