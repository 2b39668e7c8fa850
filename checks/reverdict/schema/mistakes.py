"""A file held against the model of it: what does not fit, in the words of the file, with the likely slip."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from reverdict import own_checks
from reverdict.errors import BadInput
from reverdict.reading import lowered
from reverdict.schema import REFERENCE_FILE
from reverdict.schema.tables.build import KINDS, BuildFile
from reverdict.schema.tables.keys import described, table_at, tables_in
from reverdict.schema.tables.reference import ReferenceFile
from reverdict.schema.tables.tolerances import TolerancesFile
from reverdict.schema.tables.values import Table, count, given, reads_as_number

File = TypeVar("File", bound=Table)

UNITS = ("ms", "s", "hz", "db", "dbfs", "percent", "mb", "ppm")
NEEDED = {
    "float_type": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "list_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "datetime_type": "a date with time and zone such as 2026-11-25T09:00:00Z",
    "timezone_aware": "a time with its zone such as 2026-11-25T09:00:00Z",
}
LIMITS = {
    "greater_than": ("more than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("less than", "lt"),
    "less_than_equal": ("at most", "le"),
}
LENGTHS = {"too_short": ("at least", "min_length"), "too_long": ("at most", "max_length")}


def validated(model: type[File], tables: dict[str, Any], path: Path) -> tuple[File | None, list[BadInput]]:
    """The tables of a file as its model has them, or what is wrong with them."""
    try:
        return model.model_validate(tables), []
    except ValidationError as error:
        details = error.errors(include_url=False)
    return None, [BadInput(f"{path}: {_key(detail)}", problem_of(detail, model)) for detail in details]


def _key(detail: ErrorDetails) -> str:
    key = ""
    for part in _location(detail):
        key += f"[{part}]" if isinstance(part, int) else f".{part}"
    return key.removeprefix(".")


def _location(detail: ErrorDetails) -> tuple[int | str, ...]:
    """Where a mistake is. Of the kinds of build, pydantic names the one it tried; it is no table of the file."""
    location = detail["loc"]
    if location[0] == "build" and len(location) > 1 and location[1] in KINDS:
        return (location[0], *location[2:])
    if detail["type"].startswith("union_tag"):
        return (*location, "kind")
    return location


def problem_of(detail: ErrorDetails, model: type[Table]) -> str:
    """What is wrong, in the words of the file and not those of the library that found it."""
    kind, value, context = detail["type"], detail["input"], detail.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    *location, last = detail["loc"]
    if kind == "extra_forbidden":
        if not location and isinstance(value, dict) and not issubclass(model, BuildFile):
            return _unknown_check(str(last), model)
        return _unknown(str(last), table_at(model, location), model)
    if kind == "missing":
        return f"missing; {lowered(described(table_at(model, location))[str(last)])}"
    if kind == "union_tag_not_found":
        return f"missing; need {_choice(KINDS)}"
    if kind == "union_tag_invalid":
        return f"need {_choice(KINDS)}, got {given(context['tag'])}"
    if kind == "literal_error":
        newer = (
            "; a newer reverdict wrote it, update this one"
            if last == "schema" and isinstance(value, int) and value > 1
            else ""
        )
        return f"need {context['expected']}, got {given(value)}".replace("'", '"') + newer
    if kind in NEEDED:
        quoted = isinstance(value, str) and NEEDED[kind].endswith("number") and reads_as_number(value)
        return f"need {NEEDED[kind]}, got {given(value)}{'; leave the quotes out' if quoted else ''}"
    if kind in LIMITS:
        words, bound = LIMITS[kind]
        return f"need {words} {context[bound]:g}, got {value:g}"
    if kind in LENGTHS:
        words, bound = LENGTHS[kind]
        return f"need {words} {count(context[bound], 'entry', 'entries')}, got {context['actual_length']}"
    if kind == "string_pattern_mismatch":
        return f'need module:object, got "{value}"'
    return lowered(detail["msg"])


def _unknown(key: str, table: type[Table], model: type[Table]) -> str:
    """An unknown key, with what was likely meant: its unit, another table, another file, another spelling."""
    known = list(described(table))
    with_unit = [name for name in known if name.rpartition("_")[0] == key and name.rpartition("_")[2] in UNITS]
    if with_unit:
        return f"unknown key; keys carry their unit: did you mean {with_unit[0]}?"
    homes = _homes_of(key, model)
    if len(homes) == 1:
        return f"unknown key here; it belongs {homes[0]}"
    close = difflib.get_close_matches(key.replace("-", "_"), known, 1, cutoff=0.65)
    if close:
        return f"unknown key; did you mean {close[0]}?"
    return f"unknown key; known here: {', '.join(known)}" if known else "unknown key; no key may stand here"


def _unknown_check(key: str, model: type[Table]) -> str:
    """An unknown table: one that stands elsewhere, a slip in the name of one, or a check whose package is not here."""
    known = [*tables_in(model), *own_checks.tables()]
    if key.replace("-", "_") != key and key.replace("-", "_") in known:
        return f"unknown table; its name in TOML is {key.replace('-', '_')}"
    if not _homes_of(key, model) and not difflib.get_close_matches(key.replace("-", "_"), known, 1, cutoff=0.65):
        there = [name for name in tables_in(model) if name] + list(own_checks.tables())
        return f"unknown table; check `{key}` needs a package that brings it; known here: {', '.join(there)}"
    near = difflib.get_close_matches(key.replace("-", "_"), own_checks.tables(), 1, cutoff=0.65)
    return f"unknown key; did you mean {near[0]}?" if near else _unknown(key, model, model)


def _homes_of(key: str, model: type[Table]) -> list[str]:
    """Where a key that stands in the wrong place would be at home."""
    if model is BuildFile:
        kinds = [kind for kind, table in KINDS.items() if key in described(table)]
        return ["in [build]"] if len(kinds) == len(KINDS) else [f'to a build of kind "{kind}"' for kind in kinds]
    tables = {name: described(table) for name, table in tables_in(model).items()}
    homes = [f"in [{name}]" if name else "at the top of the file" for name, keys in tables.items() if key in keys]
    if issubclass(model, TolerancesFile) and not homes:
        elsewhere = any(key in described(table) for table in tables_in(ReferenceFile).values())
        return [f"in a {REFERENCE_FILE}; only tolerances stand here"] if elsewhere else []
    return homes


def _choice(names: Iterable[str]) -> str:
    *others, last = (f'"{name}"' for name in names)
    return f"{', '.join(others)} or {last}"
