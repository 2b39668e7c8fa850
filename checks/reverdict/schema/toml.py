"""TOML of others as tables: whole, or refused with the line of its slip."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

from reverdict.errors import BadInput
from reverdict.reading import first_line, lowered, text_of

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

LARGEST_MB = 64
DEEPEST = 32


def parsed(text: str) -> dict[str, Any]:
    """The tables of a TOML that has been read without a complaint before."""
    return tomllib.loads(text.removeprefix("\ufeff"))


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file as it stands.

    Raises
    ------
    BadInput
        No such file, not text, or a slip in its syntax, with the line it stands on.
    """
    text = text_of(path, "a TOML file", LARGEST_MB)
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(path, _syntax_slip(str(error), text)) from None
    except RecursionError:
        raise BadInput(path, "is nested too deep") from None
    except ValueError as error:  # a number with thousands of digits
        raise BadInput(path, f"not TOML ({first_line(error)})") from None
    _prove_small(tables, path)
    return tables


def _prove_small(tables: dict[str, Any], path: Path) -> None:
    """Refuse what TOML would let pass, and no program can hold or walk through."""
    ahead: list[tuple[Any, int]] = [(tables, 0)]
    while ahead:
        value, depth = ahead.pop()
        if depth > DEEPEST:
            raise BadInput(path, "is nested too deep")
        if isinstance(value, int) and not -(1 << 63) <= value < 1 << 63:
            raise BadInput(path, f"holds {str(value)[:20]}…, a whole number of more than 64 bits")
        if isinstance(value, dict | list):
            ahead += [(one, depth + 1) for one in (value.values() if isinstance(value, dict) else value)]


def _syntax_slip(message: str, text: str) -> str:
    message = re.sub(
        r"^Illegal character '\\n'|^Unterminated string", "text without an end; is a quote not closed?", message
    )
    found = re.search(r"^(.*) \(at line (\d+), column \d+\)$", message, re.DOTALL)
    if found:
        return f"line {found[2]}: {lowered(found[1])}"
    return f"line {max(1, len(text.splitlines()))}: {lowered(message.removesuffix(' (at end of document)'))}"


def toml_value(text: str) -> str | int | float | bool:
    """A number or boolean where ``text`` reads as one in TOML, else the text itself."""
    try:
        value = tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text
    return value if isinstance(value, (bool, int, float)) else text
