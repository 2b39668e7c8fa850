"""tolerances.toml read: what holds for every reference of a folder that does not set its own."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from reverdict.errors import BadInputs
from reverdict.reference import DefaultTolerances, Own
from reverdict.schema import TOLERANCES_FILE
from reverdict.schema.brought import brought_for, own_settings, with_brought
from reverdict.schema.mistakes import validated
from reverdict.schema.tables.tolerances import TolerancesFile
from reverdict.schema.tables.values import written
from reverdict.schema.toml import read_toml
from reverdict.words import CHECK_TABLES


def read_tolerances(path: Path) -> DefaultTolerances:
    """Read tolerances.toml. Raises BadInputs with every mistake of the file."""
    tables = read_toml(path)
    brought = brought_for(tables, path)
    own, mistakes = validated(with_brought(TolerancesFile, brought), tables, path)
    if own is None:
        raise BadInputs(mistakes)
    as_written = {check.table: tables[check.table] for check in brought}
    return DefaultTolerances(path, {table: written(getattr(own, table)) for table in CHECK_TABLES} | as_written)


def shared_own_checks(path: Path) -> list[Own]:
    """What a tolerances.toml asks of every reference by checks that packages brought. BadInputs where it cannot be."""
    defaults = read_tolerances(path)
    own, mistakes = own_settings({}, defaults, path)
    if mistakes:
        raise BadInputs(mistakes)
    return list(own.values())


def tolerances_of(table: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """Tolerances of one check as TOML reads them, made into those of ``reference``. BadInputs where they may not be."""
    own, mistakes = validated(TolerancesFile, {table: dict(values)}, Path(TOLERANCES_FILE))
    if own is None:
        raise BadInputs(mistakes)
    return written(getattr(own, table))
