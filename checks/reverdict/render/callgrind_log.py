"""What callgrind wrote: instructions, and where asked memory accesses and cache misses, of each function.

Reads the text of callgrind's own documentation (Callgrind Format Specification, version 1): several parts in a file,
names told once and then by number, positions relative to the last one, calls whose line holds the cost of the callee
and is no cost of the caller's own, and jumps. Costs are a function's own (self) costs.

Conventions. Code that a compiler put inline from another source file stays with the function it was put into, under the
file it was written in. The numbers that callgrind appends to recursive calls (``f'2``) are taken off.

Limits of validity. Without debug information files are unknown (empty), and functions without a symbol go by address.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from reverdict.errors import BadInput

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

NAMED = re.compile(r"\((\d{1,18})\)(?: (.*))?")
NUMBER = re.compile(r"(?:0x[0-9a-fA-F]{1,32}|\d{1,32})\Z")
SUMMARY = re.compile(r"summary:\s*([0-9]{1,32})\b")
POSITION = re.compile(r"(?:\*|[+-]?(?:0x[0-9a-fA-F]{1,32}|\d{1,32}))\Z")
HEADER = re.compile(r"([a-z][a-z ]*):(.*)")
NAME_LINE = re.compile(r"(c?ob|c?fn|cf[il]|f[lie])=(.*)")
RECURSION = re.compile(r"'\d+\Z")
UNKNOWN = "???"
MOST_EVENTS = 100


class Place(NamedTuple):
    """A function, the source file that its code was written in, and the program or library it is in."""

    function: str
    file: str
    object: str


@dataclass(frozen=True)
class Profile:
    """Own costs of every function.

    events : tuple of str
        What was counted: "Ir" instructions, "Dr" and "Dw" reads and writes, "I1mr" and so on misses.
    costs : dict
        Place -> number of each event.
    """

    events: tuple[str, ...]
    costs: dict[Place, tuple[int, ...]]

    def of(self, *events: str) -> dict[Place, int]:
        """The sum of some events, by place; an event that was not counted is 0."""
        columns = [column for column, event in enumerate(self.events) if event in events]
        return {place: sum(costs[column] for column in columns) for place, costs in self.costs.items()}

    def total(self, *events: str) -> int:
        """The same of all places."""
        return sum(self.of(*events).values())


def read_profile(files: Iterable[Path]) -> Profile:
    """Sum of all parts of all files. Raises BadInput for what does not follow the format, or does not add up."""
    events: tuple[str, ...] | None = None
    costs: dict[Place, tuple[int, ...]] = {}
    for file in files:
        reader = _Reader(file)
        reader.read()
        if events is not None and reader.events != events:
            raise BadInput(file, f"counts {' '.join(reader.events)}, others count {' '.join(events)}")
        events = reader.events
        for place, own in reader.costs.items():
            costs[place] = _sum(costs.get(place, ()), own)
    return Profile(events or (), costs)


def summary_of(file: Path) -> int:
    """The first event of the first part as its summary tells it, for which little is read."""
    with file.open(encoding="utf-8", errors="replace") as lines:
        for line in lines:
            if told := SUMMARY.match(line):
                return int(told[1])
    raise BadInput(file, "has no summary")


def _sum(some: tuple[int, ...], more: tuple[int, ...]) -> tuple[int, ...]:
    return tuple(one + other for one, other in zip(some, more, strict=True)) if some else more


class _Reader:
    """One file, line by line."""

    def __init__(self, file: Path) -> None:
        self.events: tuple[str, ...] = ()
        self.costs: dict[Place, tuple[int, ...]] = {}
        self._file, self._line = file, 0
        self._names: dict[str, dict[str, str]] = {"ob": {}, "fl": {}, "fn": {}}
        self._object = self._function = self._own_file = self._inline = ""
        self._positions = 1
        self._after = ""  # what the next line of numbers belongs to: "calls", "jump", or empty for a cost
        self._sums: tuple[int, ...] = ()
        self._promised: tuple[int, ...] | None = None

    def read(self) -> None:
        try:
            text = self._file.read_text(encoding="utf-8", errors="replace")
        except OSError as error:
            raise BadInput(self._file, f"cannot be read: {error.strerror}") from None
        for self._line, line in enumerate(text.split("\n"), 1):
            self._take(line.rstrip())
        if not self.events:
            raise self._bad("counts nothing: no line events:")
        self._settle()

    def _take(self, line: str) -> None:
        if not line or line.startswith("#"):
            return
        if line[0].isdigit() or line[0] in "+-*":
            self._numbers(line)
        elif named := NAME_LINE.match(line):
            self._name(named[1], named[2])
        elif line.startswith("calls="):
            self._after = "calls"
        elif line.startswith(("jump=", "jcnd=")):
            self._after = "jump"
        elif header := HEADER.match(line):
            self._header(header[1], header[2].split())
        else:
            raise self._bad(f"is no line of callgrind's format: {line[:60]!r}")

    def _header(self, key: str, words: list[str]) -> None:
        if key == "version" and words != ["1"]:
            raise self._bad(f"is of version {' '.join(words)[:20]} of the format, needs 1")
        if key == "positions":
            self._positions = len(words)
        elif key == "part":
            self._settle()
        elif key == "events":
            if self.events and self.events != tuple(words):
                raise self._bad("counts other events than the part before")
            if not 0 < len(words) <= MOST_EVENTS:
                raise self._bad(f"names {len(words)} events")
            self.events = tuple(words)
        elif key in ("summary", "totals"):
            self._promised = self._costs(words)
            if key == "totals":
                self._settle()

    def _settle(self) -> None:
        """At the end of a part: what it holds must be what it says it holds."""
        if self._promised is not None and (self._sums or (0,) * len(self.events)) != self._promised:
            raise self._bad("holds other counts than its summary; was it cut short?")
        self._sums, self._promised = (), None

    def _name(self, key: str, text: str) -> None:
        space = key.removeprefix("c") if key in ("cob", "cfn") else key
        space = "fl" if space not in ("ob", "fn") else space
        name = self._known(self._names[space], text)
        if key == "ob":
            self._object = name
        elif key == "fl":
            self._own_file = self._inline = name
        elif key in ("fi", "fe"):
            self._inline = name
        elif key == "fn":
            self._function, self._inline = RECURSION.sub("", name), self._own_file

    def _known(self, names: dict[str, str], text: str) -> str:
        """A name, or what its number stands for."""
        told = NAMED.fullmatch(text)
        if told is None:
            return "" if text == UNKNOWN else text
        number, name = told.groups()
        if name is not None:
            names[number] = "" if name == UNKNOWN else name
        if number not in names:
            raise self._bad(f"({number}) stands for no name yet")
        return names[number]

    def _numbers(self, line: str) -> None:
        words = line.split()
        after, self._after = self._after, ""
        if len(words) < self._positions or not all(map(POSITION.match, words[: self._positions])):
            raise self._bad(f"has no position: {line[:60]!r}")
        if after == "jump":
            return
        costs = self._costs(words[self._positions :])
        if after:
            return
        place = Place(self._function, self._inline, self._object)
        self.costs[place] = _sum(self.costs.get(place, ()), costs)
        self._sums = _sum(self._sums, costs)

    def _costs(self, words: list[str]) -> tuple[int, ...]:
        """As many numbers as there are events; those that are left out at the end are 0."""
        if not self.events:
            raise self._bad("has costs before the line events:")
        if len(words) > len(self.events) or not all(map(NUMBER.match, words)):
            raise self._bad(f"has costs that are no {len(self.events)} numbers: {' '.join(words)[:60]!r}")
        numbers = [int(word, 16 if word.startswith("0x") else 10) for word in words]
        return tuple(numbers + [0] * (len(self.events) - len(numbers)))

    def _bad(self, problem: str) -> BadInput:
        return BadInput(self._file, f"line {self._line}: {problem}")
