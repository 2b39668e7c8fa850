"""Text and JSON of others: read whole, or refused in a line that says why.

Refused are what is no regular file (a pipe would wait for ever, a device never end), what is larger than anybody
means, what is not UTF-8, and JSON that another program could not read either: NaN and infinity, numbers beyond
double precision, nesting without end. ``misfit`` holds data against a JSON Schema of our own, in the few words of
that language which they use; ``of_form`` tells of what lies deeper and does not fit.
"""

from __future__ import annotations

import contextlib
import json
import math
import re
import stat
from collections.abc import Collection, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from reverdict.errors import BadInput

if TYPE_CHECKING:
    from pathlib import Path

LARGEST_MB = 512
MAY_BE_TOO_LARGE = re.compile(r"\d{300}|[eE]\+?0*[1-9]\d{2}")
"""How a number looks that no float can hold. Digests look like it, too."""

TYPES: dict[str, tuple[type, ...]] = {
    "string": (str,), "number": (int, float), "integer": (int,), "boolean": (bool,), "object": (dict,),
    "array": (list,), "null": (type(None),),
}  # fmt: skip
AMISS = (KeyError, IndexError, TypeError, ValueError, AttributeError, ArithmeticError, StopIteration, RecursionError)


def text_of(path: Path, need: str, largest_mb: int = LARGEST_MB) -> str:
    """The text of a file, without a byte order mark; ``need`` says what it should be ("a TOML file").

    Raises
    ------
    BadInput
        There is no such file, it is none, too large, not UTF-8, or cannot be read.
    """
    try:
        about = path.stat()
        if stat.S_ISDIR(about.st_mode):
            raise BadInput(path, f"a folder, need {need}")
        if not stat.S_ISREG(about.st_mode):
            raise BadInput(path, f"a pipe or a device, need {need}")
        if about.st_size > largest_mb << 20:
            raise BadInput(path, f"is larger than {largest_mb} MB, need {need}")
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise BadInput(path, "no such file") from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise BadInput(path, f"line {line}: not UTF-8 text") from None
    except OSError as error:
        raise BadInput(path, f"cannot be read ({error.strerror})") from error
    except ValueError:
        raise BadInput(path, "can be the name of no file") from None


def json_of(path: Path, need: str = "a JSON file") -> Any:
    """What a JSON file holds. Raises BadInput as ``text_of``, and where it is no JSON, with the line."""
    try:
        return parsed(text_of(path, need))
    except json.JSONDecodeError as error:
        raise BadInput(path, f"no JSON that can be read (line {error.lineno}: {error.msg})") from error
    except (ValueError, RecursionError) as error:
        raise BadInput(path, f"no JSON that can be read ({first_line(error)})") from error


def parsed(text: str) -> Any:
    """What JSON text holds. Raises ValueError, of which JSONDecodeError is one, or RecursionError."""
    if MAY_BE_TOO_LARGE.search(text):
        return json.loads(text, parse_constant=_no_number, parse_float=_finite, parse_int=_whole)
    return json.loads(text, parse_constant=_no_number)


def _no_number(name: str) -> None:
    raise ValueError(f"holds {name}, which is no number of JSON")


def _finite(text: str) -> float:
    if math.isinf(value := float(text)):
        raise ValueError(f"holds the number {text[:20]}, too large")
    return value


def _whole(text: str) -> int:
    if len(text) > 300:
        raise ValueError(f"holds a number of {len(text)} digits")
    return int(text)


def first_line(error: BaseException) -> str:
    return str(error).partition("\n")[0][:120]


def lowered(text: str) -> str:
    """The start of a sentence, for use after a semicolon."""
    text = text.rstrip(".")
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def misfit(value: Any, schema: Mapping[str, Any], optional: Collection[str] = (), place: str = "") -> str:
    """Where and how data does not fit a JSON Schema ("references.0.name: missing"); empty where it does.

    optional : keys that may be missing, although the schema requires them: older files have none.
    """
    here = place.removeprefix(".") or "it"
    if "type" in schema:
        names = [schema["type"]] if isinstance(schema["type"], str) else schema["type"]
        fits = (isinstance(value, TYPES[name]) and (name == "boolean" or not isinstance(value, bool)) for name in names)
        if not any(fits):
            return f"{here}: need {' or '.join(names)}"
    if "enum" in schema and value not in schema["enum"]:
        return f"{here}: none of {', '.join(map(str, schema['enum']))}"
    if "const" in schema and value != schema["const"]:
        return f"{here}: need {schema['const']}"
    if isinstance(value, str) and not re.search(schema.get("pattern", ""), value):
        return f"{here}: no such name"
    if isinstance(value, dict):
        for key in schema.get("required", ()):
            if key not in value and key not in optional:
                return f"{place}.{key}: missing".removeprefix(".")
    children: list[tuple[Any, Any, str]] = []
    if isinstance(value, dict):
        known, others = schema.get("properties", {}), schema.get("additionalProperties", {})
        children = [(one, known.get(key, others), str(key)) for key, one in value.items()]
    if isinstance(value, list) and "items" in schema:
        children = [(one, schema["items"], str(number)) for number, one in enumerate(value)]
    found = (misfit(one, inner, optional, f"{place}.{name}") for one, inner, name in children)
    also = (misfit(value, inner, optional, place) for inner in schema.get("allOf", ()))
    if said := next(filter(None, found), "") or next(filter(None, also), ""):
        return said
    either = [misfit(value, inner, optional, place) for name in ("anyOf", "oneOf") for inner in schema.get(name, ())]
    return either[0] if either and all(either) else ""


@contextlib.contextmanager
def of_form(place: Path | str, what: str) -> Iterator[None]:
    """Tell of data read from ``place`` which turns out not to have the form of ``what``, as BadInput.

    A bug of ours looks the same, so the line ends with what was raised.
    """
    try:
        yield
    except AMISS as error:
        said = f"{type(error).__name__}: {first_line(error)}"
        raise BadInput(place, f"is no whole {what}; was it changed by hand? ({said})") from error
