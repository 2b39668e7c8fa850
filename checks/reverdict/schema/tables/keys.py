"""The tables within a file, found by their place, and the keys of each with what they mean."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, cast, get_args

from reverdict.schema.tables.build import KIND_TABLES, KINDS
from reverdict.schema.tables.values import Table


def described(table: type[Table]) -> dict[str, str]:
    """The keys of a table as files write them, each with what it means."""
    return {entry.alias or name: entry.description or "" for name, entry in table.model_fields.items()}


def tables_in(model: type[Table]) -> dict[str, type[Table]]:
    """The file itself, under an empty name, and the tables right below it."""
    return {"": model} | {name: inner for name in model.model_fields if (inner := _table_under(model, name))}


def table_at(model: type[Table], location: Iterable[int | str]) -> type[Table]:
    """The model of the table at a location; an index or the kind of a build picks within what came before it."""
    for part in location:
        if part in KINDS and model in KIND_TABLES:
            model = cast(type[Table], KINDS[part])
        elif isinstance(part, str):
            model = _table_under(model, part) or model
    return model


def _table_under(model: type[Table], name: str) -> type[Table] | None:
    """The model of a field that is a table, a list of tables, or (the first) one of several."""
    entry = model.model_fields.get(name)
    found = list(_models_in(entry.annotation)) if entry else []
    return found[0] if found else None


def _models_in(annotation: Any) -> Iterator[type[Table]]:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)
