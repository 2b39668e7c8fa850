"""What may stand in the files, told: keys with what they mean, and JSON Schema for editors."""

from __future__ import annotations

from typing import Any

from reverdict.errors import BadInput
from reverdict.schema.brought import with_all_brought
from reverdict.schema.tables.build import BuildFile
from reverdict.schema.tables.keys import described, table_at
from reverdict.schema.tables.reference import ReferenceFile
from reverdict.schema.tables.tolerances import TolerancesFile
from reverdict.schema.tables.values import Table


def reference_keys(table: str = "") -> dict[str, str]:
    """Keys that may stand in a table of reference.toml (none: at its top), each with its description, in order."""
    return described(table_at(with_all_brought(ReferenceFile, table), [table] if table else []))


def tolerance_keys(table: str) -> dict[str, str]:
    """Tolerances of a check table, each with its description, in order."""
    return described(table_at(with_all_brought(TolerancesFile, table), [table]))


def json_schema(which: str, *, brought: bool = True) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a reference, of tolerances or of a build, for editors: every key with its unit.

    brought : with the tables of checks that packages bring, where some are installed.
    """
    models: dict[str, type[Table]] = {"reference": ReferenceFile, "tolerances": TolerancesFile, "build": BuildFile}
    if which not in models:
        raise BadInput(which, f"no such schema; there are {', '.join(models)}")
    model = with_all_brought(models[which]) if brought and which != "build" else models[which]
    schema: dict[str, Any] = _as_toml(model.model_json_schema(by_alias=True))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | schema | {"title": f"{which}.toml"}


def _as_toml(schema: Any) -> Any:
    """TOML has no null: a key is there or not. Leave that out, and titles that only repeat the key."""
    if isinstance(schema, list):
        return [_as_toml(entry) for entry in schema]
    if not isinstance(schema, dict):
        return schema
    made_up = {key for key, value in schema.items() if key == "title" and isinstance(value, str)}
    made_up |= {key for key, value in schema.items() if key == "default" and value is None}
    slim: dict[str, Any] = {key: _as_toml(value) for key, value in schema.items() if key not in made_up}
    choices = slim.get("anyOf")
    if choices and {"type": "null"} in choices:
        left = [choice for choice in choices if choice != {"type": "null"}]
        del slim["anyOf"]
        slim = (left[0] if len(left) == 1 else {"anyOf": left}) | slim
    return slim
