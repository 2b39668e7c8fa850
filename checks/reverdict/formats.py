"""``python -m reverdict.formats``: every table and key of the TOML files in Markdown, written from their schema.

golden/FORMATS.md is what it prints; a test holds the one against the other.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Set
from typing import Any

from reverdict.schema import REFERENCE_FILE, TOLERANCES_FILE
from reverdict.schema.meanings import json_schema
from reverdict.schema.tables.tolerances import OPTIONAL_TOLERANCES

Schema = Mapping[str, Any]

UNITS = {
    "ms": "ms", "s": "s", "hz": "Hz", "db": "dB", "dbfs": "dBFS", "percent": "%", "mb": "MB", "ppm": "ppm",
    "kb_per_s": "kB/s", "seconds": "s", "samples": "samples", "cycles": "cycles",
}  # fmt: skip
"""Units by the end of a key; where several fit, the longest."""

NEEDED, UNSET, INHERITED = "needed", "unset", f"needed, here or in {TOLERANCES_FILE}"

HEAD = """\
# File formats, key by key

Written by `python -m reverdict.formats > golden/FORMATS.md` from the schema by which files are read; do not edit it.
[README.md](README.md) explains in prose, `reverdict schema reference` (or `tolerances`, `build`) prints the same for
editors, [ci/README.md](../ci/README.md#what---report-dir-writes) has verdict.json. Checks that packages bring have
tables of their own, see [a check of your own](../checks/README.md#a-check-of-your-own).

A key that stands nowhere here is an error. *Needed* keys must be written; *unset* ones may be left out, and what that
means stands beside them. A **tolerance** is a number, both ways; `[[Hz, number], …]`, interpolated on log frequency
and constant outside; or `{ above = …, below = … }` with one of these, or `inf` for any, each way. A **flat tolerance**
does not vary with frequency.
"""


def formats() -> str:
    """The whole page."""
    reference, tolerances, build = (json_schema(which, brought=False) for which in ("reference", "tolerances", "build"))
    told = {key for table in tolerances["$defs"].values() for key in table["properties"]} - OPTIONAL_TOLERANCES
    parts = [HEAD]
    parts += [f"## {REFERENCE_FILE}\n\n{reference['description']}\n", *_tables(reference, reference, "", told)]
    parts += [f"## {TOLERANCES_FILE}\n\n{tolerances['description']}\n", *_tables(tolerances, tolerances, "")]
    parts += [f"## Build TOML\n\n{build['description']}\n", *_builds(build)]
    return "\n".join(dict.fromkeys(parts)).rstrip("\n") + "\n"  # ports are alike in all plug-ins


def _builds(root: Schema) -> Iterator[str]:
    """The keys that all kinds have, then those of each."""
    kinds = [_resolved(root, one) for one in root["properties"]["build"]["oneOf"]]
    shared = [name for name in kinds[0]["properties"] if all(name in kind["properties"] for kind in kinds)]
    common = {**kinds[0], "properties": {name: kinds[0]["properties"][name] for name in shared if name != "kind"}}
    yield from _tables(root, common, "build", said="Keys of every kind.")
    for kind in kinds:
        own = {name: one for name, one in kind["properties"].items() if name not in shared}
        name = kind["properties"]["kind"]["const"]
        said = f'`kind = "{name}"`: {_lowered(kind["description"])}'
        yield from _tables(root, {**kind, "properties": own}, "build", said=said, which=f" of kind {name}")


def _tables(
    root: Schema, table: Schema, path: str, shared: Set[str] = frozenset(), said: str = "", which: str = ""
) -> Iterator[str]:
    """A table as Markdown, then the tables inside it. ``shared`` keys are needed here or in tolerances.toml."""
    heading = f"`[{path}]`{which}" if path and not path.startswith("[") else f"`{path}`" if path else "At the top"
    keys = dict(table["properties"])
    inner = {key: found for key, one in keys.items() if (found := _inner(root, key, one))}
    rows = [_row(key, one, key in table.get("required", ()), key in shared) for key, one in keys.items()]
    shown = [row for key, row in zip(keys, rows, strict=True) if key not in inner or path]
    if shown or said:
        head = "| key | type | unit | default | meaning |\n|---|---|---|---|---|"
        yield "\n".join([f"### {heading}\n", *([f"{said}\n"] if said else []), *([head, *shown, ""] if shown else [])])
    for key, (name, model) in inner.items():
        below = f"{path}.{name}" if path else name
        at = f"[[{below}]]" if keys[key].get("type") == "array" else below
        there = frozenset() if at.startswith("cells") else shared
        yield from _tables(root, model, at, there, keys[key].get("description", ""))


def _inner(root: Schema, key: str, one: Schema) -> tuple[str, Schema] | None:
    """What a key that holds a table is called in a heading, and that table."""
    if "$ref" in one or one.get("allOf"):
        return key, _resolved(root, one)
    if "$ref" in one.get("items", {}):
        return key, _resolved(root, one["items"])
    within = one.get("additionalProperties")
    if isinstance(within, dict) and "$ref" in within:
        return f"{key}.NAME", _resolved(root, within)
    return None


def _row(key: str, one: Schema, needed: bool, shared: bool) -> str:
    default = NEEDED if needed else INHERITED if shared else _default(one)
    cells = [f"`{key}`", _kind(one), _unit(key), default, one.get("description", "")]
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _default(one: Schema) -> str:
    if one.get("default") in ("", [], {}) or "default" not in one:
        return UNSET
    return f"`{json.dumps(one['default'], ensure_ascii=False)}`"


def _unit(key: str) -> str:
    fitting = [end for end in UNITS if f"_{key}".endswith(f"_{end}")]
    return UNITS[max(fitting, key=len)] if fitting else ""


NAMES = {"string": "text", "number": "number", "integer": "whole number", "boolean": "true or false", "object": "table"}


def _kind(one: Schema) -> str:
    """The type of a value in words."""
    if "$ref" in one:
        return "table"
    if "enum" in one:
        return " or ".join(f"`{json.dumps(value)}`" for value in one["enum"])
    if "const" in one:
        return f"`{json.dumps(one['const'])}`"
    if "anyOf" in one:
        if any(set(choice.get("properties", ())) == {"above", "below"} for choice in one["anyOf"]):
            return "tolerance" if any(choice.get("type") == "array" for choice in one["anyOf"]) else "flat tolerance"
        return " or ".join(_kind(choice) for choice in one["anyOf"])
    if isinstance(one["type"], list):
        return " or ".join(NAMES[name] for name in one["type"])
    if one.get("format") == "date-time":
        return "date with time and zone"
    if one["type"] == "array":
        return f"list of {_kind(one['items'])}"
    if one["type"] == "object" and isinstance(one.get("additionalProperties"), dict):
        within = one["additionalProperties"]
        return "table" if within.get("type") == "object" or "$ref" in within else f"table of {_kind(within)}"
    return NAMES[one["type"]] + _bounds(one)


def _bounds(one: Schema) -> str:
    lowest, highest = one.get("minimum"), one.get("maximum")
    if lowest is not None and highest is not None:
        return f", {lowest:g} to {highest:g}"
    if lowest is not None:
        return f", {lowest:g} or more"
    return f", more than {one['exclusiveMinimum']:g}" if "exclusiveMinimum" in one else ""


def _resolved(root: Schema, one: Schema) -> Schema:
    name = (one.get("$ref") or one["allOf"][0]["$ref"]).rpartition("/")[2]
    found: Schema = root["$defs"][name]
    return found


def _lowered(text: str) -> str:
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


if __name__ == "__main__":
    print(formats(), end="")
