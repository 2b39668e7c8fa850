"""Tables of checks that packages bring: added to the models of files, and read by the packages' own schemas."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any, TypeVar, cast, get_type_hints

from pydantic import Field, TypeAdapter, ValidationError, create_model
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from reverdict import own_checks
from reverdict.errors import BadInput
from reverdict.reference import DefaultTolerances, Own
from reverdict.schema import REFERENCE_FILE
from reverdict.schema.mistakes import problem_of
from reverdict.schema.tables.reference import Asked, ReferenceFile
from reverdict.schema.tables.values import Table
from reverdict.words import CHECK_TABLES

File = TypeVar("File", bound=Table)


def brought_for(names: Iterable[str], path: Path) -> tuple[own_checks.OwnCheck, ...]:
    """The checks of these tables that packages bring. BadInput where one cannot be used, or takes the name of ours."""
    found = []
    for name in own_checks.tables():
        if name in names:
            try:
                found.append(own_checks.load(name))
            except BadInput as error:
                raise BadInput(f"{path}: {name}", error.problem) from error
    for check in found:
        if check.table in ReferenceFile.model_fields:
            raise BadInput(f"{path}: {check.table}", f"{check.package} brings a check of this name, which is taken")
    return tuple(found)


def with_all_brought(model: type[File], *wanted: str) -> type[File]:
    """The model with the tables of all checks that packages bring, or of those that are wanted."""
    return with_brought(model, brought_for(wanted or own_checks.tables(), Path(REFERENCE_FILE)))


@cache
def with_brought(model: type[File], checks: tuple[own_checks.OwnCheck, ...]) -> type[File]:
    """The model of a file with the tables of these checks; made once, for hundreds of references may ask for it."""
    base = Asked if issubclass(model, ReferenceFile) else Table
    added: dict[str, Any] = {}
    for check in checks:
        name = f"{check.table} of {model.__name__}"
        table = create_model(name, __base__=base, **_optional_fields(check))
        added[check.table] = (table | None, Field(default=None, description=check.about))
    return create_model(model.__name__, __base__=model, **added) if added else model


def _optional_fields(check: own_checks.OwnCheck) -> dict[str, Any]:
    """The keys of its table, of which each may be left out of a file: another file may have it."""
    model = check.tolerances
    if is_dataclass(model):
        types = get_type_hints(model, include_extras=True)
        said = {one.name: str(one.metadata.get("description", "")) for one in fields(model)}
    else:
        entries: dict[str, FieldInfo] = cast(Any, model).model_fields
        types = {name: _annotated(entry.annotation, entry.metadata) for name, entry in entries.items()}
        said = {name: entry.description or "" for name, entry in entries.items()}
    return {name: (types[name] | None, Field(default=None, description=said[name])) for name in said}


def _annotated(kind: Any, constraints: Sequence[Any]) -> Any:
    """A type with what a model says of it, as ``Annotated`` has it."""
    said = (kind, *constraints)
    return cast(Any, Annotated)[said] if constraints else kind


def own_settings(
    written: Mapping[str, Any], defaults: DefaultTolerances, path: Path
) -> tuple[dict[str, Own], list[BadInput]]:
    """What is asked by checks that packages brought: tables of this file over the shared ones."""
    own: dict[str, Own] = {}
    mistakes: list[BadInput] = []
    for check in brought_for({*written, *defaults.values} - {*CHECK_TABLES}, path):
        table = written.get(check.table, {})
        said = {key: table[key] for key in Asked.model_fields if key in table}
        values = {**defaults.values.get(check.table, {}), **table}
        if "not_asked" in said:
            own[check.name] = Own(check=check, **said)
            continue
        try:
            asked = {key: value for key, value in values.items() if key not in said}
            tolerances: Any = TypeAdapter(check.tolerances).validate_python(asked)
        except ValidationError as error:
            mistakes += [
                _mistake_of(detail, check, table, defaults, path) for detail in error.errors(include_url=False)
            ]
        except Exception as error:  # a validator of the package's own
            mistakes.append(BadInput(f"{path}: {check.table}", f"{check.package} cannot read it: {error}"))
        else:
            own[check.name] = Own(check=check, tolerances=tolerances, **said)
    return own, mistakes


def _mistake_of(
    detail: ErrorDetails, check: own_checks.OwnCheck, table: Mapping[str, Any], defaults: DefaultTolerances, path: Path
) -> BadInput:
    place = ".".join(map(str, (check.table, *detail["loc"])))
    missing = detail["type"] == "missing"
    elsewhere = "" if defaults.path == path else f" or in {defaults.path.name}"
    problem = f"missing; set it here{elsewhere}" if missing else problem_of(detail, Table)
    shared = not missing and bool(detail["loc"]) and detail["loc"][0] not in table
    return BadInput(f"{defaults.path if shared else path}: {place}", problem)
