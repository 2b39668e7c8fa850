"""The one error a user may see: something they gave us cannot be used, and here is the likely slip."""

from __future__ import annotations

import contextlib
import errno
import re
from collections.abc import Iterator
from pathlib import Path

UNPRINTED = re.compile(r"[\x00-\x1f\x7f]")
"""What a name may hold that would break a line, or tell a terminal to do something."""

NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
NUMPY_NO_ROOM = re.compile(r"\d+ requested and \d+ written")
"""What numpy raises in place of the system's error."""


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


def no_room(error: BaseException) -> bool:
    """Whether something could not be written because a disk is full, a quota used up or a file too large."""
    if not isinstance(error, OSError):
        return False
    return error.errno in NO_ROOM or (error.errno is None and NUMPY_NO_ROOM.match(str(error)) is not None)


def cause(error: OSError) -> str:
    """What the system said; of a folder that could not be copied, what it said first."""
    if error.strerror or not error.args or not isinstance(error.args[0], list):
        return error.strerror or str(error)
    *_, said = error.args[0][0]  # of shutil.Error: (from, to, why)
    return re.sub(r"^\[Errno \d+\] |: .*", "", str(said))


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
