"""Where cost goes: functions gathered into the stages of an algorithm, such as dispersion, delay and filters.

Method. A stage is a row of shell-style patterns. One is held against the name of a function ("chain_step", "allpass_*",
"Chain::*"); one with a colon against the source file before it and the function behind it ("dispersion.c:*"). The first
stage that has a pattern which matches takes the function; what none takes is ``OTHER``.

Conventions. Names are compared with upper and lower case told apart, as the compiler left them, and also without what
it may have added: endings of copies (``.constprop.0``, ``.isra.0``, ``.part.0``, ``.cold``), arguments of C++. Costs
are a function's own, so that stages add up to the whole.

Limits of validity. What a compiler put inline belongs to the function it went into, and only its source file, where
there is debug information, still tells it apart.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

OTHER = "other"
COPIES = re.compile(r"(\.(constprop|isra|part|cold|lto_priv|llvm)(\.\d+)*|@@?[\w.]+)+\Z")
ARGUMENTS = re.compile(r"(?<=[\w>\]])\(.*\Z")
IN_FILE = re.compile(r"([^:]+):(?!:)(.+)\Z")


class Function(Protocol):
    """Something that costs ``per_sample`` by itself; ``file`` is empty where it is not known."""

    @property
    def name(self) -> str: ...
    @property
    def file(self) -> str: ...
    @property
    def per_sample(self) -> float: ...


@dataclass(frozen=True)
class StageCost:
    """One stage of two builds, in the unit of their functions; None where a cost is not known."""

    stage: str
    golden: float | None
    candidate: float | None

    @property
    def change(self) -> float | None:
        return None if self.golden is None or self.candidate is None else self.candidate - self.golden


def group(functions: Iterable[Function], stages: Mapping[str, Sequence[str]]) -> dict[str, float]:
    """Cost of every stage, in their order, and of ``OTHER`` at the end; a stage without functions costs 0."""
    costs = dict.fromkeys([*stages, OTHER], 0.0)
    for function in functions:
        costs[stage_of(function, stages)] += function.per_sample
    return costs


def stage_of(function: Function, stages: Mapping[str, Sequence[str]]) -> str:
    """The stage that a function belongs to."""
    names = {function.name, plain_name(function.name)}
    file = PurePosixPath(function.file).name
    taking = (stage for stage, patterns in stages.items() if any(_matches(one, names, file) for one in patterns))
    return next(taking, OTHER)


def plain_name(name: str) -> str:
    """A function's name without what the compiler added: the same in a build that it copied otherwise."""
    return ARGUMENTS.sub("", COPIES.sub("", name))


def _matches(pattern: str, names: Iterable[str], file: str) -> bool:
    if located := IN_FILE.match(pattern):
        if not fnmatchcase(file, located[1]):
            return False
        pattern = located[2]
    return any(fnmatchcase(name, pattern) for name in names)


def compare(golden: Mapping[str, float], candidate: Mapping[str, float]) -> list[StageCost]:
    """Stages of two builds beside each other, in the candidate's order and then those that it no longer has.

    Where nothing is known of the golden's stages, neither is of any one of them. A stage that the candidate names and
    no function of it fits, though the golden has some, is not known, nor is ``OTHER``, which has those functions then.
    So it is with all the golden's stages where the candidate names none.
    """
    names = [*candidate, *(name for name in golden if name not in candidate)]
    lost = {name for name, cost in candidate.items() if not cost and golden.get(name) and name != OTHER}
    if set(candidate) == {OTHER}:
        lost = {name for name in golden if name != OTHER}
    unknown = lost | {OTHER} if lost else lost
    return [
        StageCost(
            name, golden.get(name, 0.0) if golden else None, None if name in unknown else candidate.get(name, 0.0)
        )
        for name in names
    ]


def most_changed(stages: Iterable[StageCost]) -> StageCost | None:
    """The stage whose cost moved the most; None where none did."""
    moved = [stage for stage in stages if stage.change]
    return max(moved, key=lambda stage: abs(stage.change or 0.0), default=None)
