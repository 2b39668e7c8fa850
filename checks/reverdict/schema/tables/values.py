"""What tables are made of: the kinds of values in more than one file, and what is wrong with one that is none."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, WithJsonSchema


class Table(BaseModel):
    """A TOML table in which only known keys of the right type may stand."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


def written(table: Table) -> dict[str, Any]:
    """The keys of a table that were written or have a default; tolerances as they are, not as dictionaries."""
    return {key: value for key, value in table if value is not None}


def _said(text: str) -> str:
    if not text.strip():
        raise ValueError("empty; say it in a few words")
    return text


def _rate(hz: int) -> int:
    if hz < 1000:
        raise ValueError(f"need a rate in Hz such as 48000, got {hz}")
    return hz


def proven_parameters(values: dict[str, Any]) -> dict[str, Any]:
    for name, value in values.items():
        if not isinstance(value, (str, bool)) and not is_number(value):
            raise ValueError(f"{name}: need text, a number or true/false, got {given(value)}")
    return values


def proven_preset_name(name: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,79}", name):
        raise ValueError(
            f'"{name[:80]}" cannot name a preset; use letters, digits, "_", and after the first "-" and "."'
        )
    return name


def each_once(values: list[Any]) -> list[Any]:
    for number, value in enumerate(values):
        if value in values[:number]:
            raise ValueError(f"{value!r} stands there twice".replace("'", '"'))
    return values


Text = Annotated[str, AfterValidator(_said)]
Rate = Annotated[int, AfterValidator(_rate)]
Parameters = Annotated[
    dict[str, Any],
    AfterValidator(proven_parameters),
    WithJsonSchema({"type": "object", "additionalProperties": {"type": ["string", "number", "boolean"]}}),
]


def given(value: object) -> str:
    """A value as its writer would call it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'the text "{value if len(value) <= 40 else value[:39] + "…"}"'
    if isinstance(value, int | float):
        return f"{value!r}"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, datetime | date | time):
        return f"the date {value.isoformat()}"
    return f"a {type(value).__name__}"


def is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def reads_as_number(value: object) -> bool:
    return isinstance(value, str) and re.fullmatch(r"\s*[-+]?[0-9.]+\s*", value) is not None


def count(number: int, one: str, several: str) -> str:
    return f"{number} {one if number == 1 else several}"
