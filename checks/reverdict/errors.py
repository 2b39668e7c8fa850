"""The one error a user may see: something they gave us cannot be used, and here is the likely slip."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from pathlib import Path

UNPRINTED = re.compile(r"[\x00-\x1f\x7f]")
"""What a name may hold that would break a line, or tell a terminal to do something."""


class BadInput(Exception):
    """The input cannot be judged. Printed as it stands, one or two lines, exit status 2.

    Parameters
    ----------
    place : path or str
        The file (and, after a colon, the key or sample) that is wrong.
    problem : str
        What is wrong with it and what was likely meant, without a full stop.
    """

    def __init__(self, place: Path | str, problem: str) -> None:
        self.place = UNPRINTED.sub(lambda found: repr(found[0])[1:-1], str(place))
        self.problem = problem
        super().__init__(f"{self.place}: {problem}")


class BadInputs(BadInput):
    """Several mistakes found in one reading, so that a user mends them all at once. One line each, each once."""

    def __init__(self, mistakes: list[BadInput]) -> None:
        self.mistakes = list({str(mistake): mistake for mistake in mistakes}.values())
        super().__init__(mistakes[0].place, mistakes[0].problem)

    def __str__(self) -> str:
        return "\n".join(str(mistake) for mistake in self.mistakes)


def each(error: BadInput) -> list[BadInput]:
    """The mistakes that an error stands for."""
    return error.mistakes if isinstance(error, BadInputs) else [error]


@contextlib.contextmanager
def noted(mistakes: list[BadInput]) -> Iterator[None]:
    """Note what the user got wrong and go on, so that all of it is reported at once."""
    try:
        yield
    except BadInput as error:
        mistakes += each(error)
