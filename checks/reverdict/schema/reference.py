"""A reference.toml read, its tolerances over those of the folder."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from reverdict.errors import BadInput, BadInputs
from reverdict.reference import (
    Approval,
    Budget,
    Conduct,
    Cost,
    DefaultTolerances,
    EchoTiming,
    EnergyDecay,
    GroupDelay,
    ImpulseFile,
    Own,
    Reference,
    RenderRequest,
)
from reverdict.schema import TOLERANCES_FILE
from reverdict.schema.brought import brought_for, own_settings, with_brought
from reverdict.schema.meanings import tolerance_keys
from reverdict.schema.mistakes import validated
from reverdict.schema.tables.reference import CellsTable, FileTable, ReferenceFile, RenderTable
from reverdict.schema.tables.tolerances import OPTIONAL_TOLERANCES
from reverdict.schema.tables.values import Table, written
from reverdict.schema.toml import read_toml
from reverdict.words import CHECK_TABLES, INPUTS

DEFAULT_LEVEL_DBFS = -6.0


def check_name(name: str) -> str | None:
    """What is wrong with a name for a reference, which is also that of its folder; None if nothing is."""
    if re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,79}", name):
        return None
    return f'"{name[:80]}" cannot name a reference; use up to 80 letters, digits, "_", and after the first "-" and "."'


def read_reference(path: Path, defaults: DefaultTolerances | None = None) -> Reference:
    """Read one reference.toml; its name is that of its folder.

    Parameters
    ----------
    path : path of a reference.toml
    defaults : DefaultTolerances, optional
        Tolerances for the keys it does not set itself.

    Raises
    ------
    BadInputs
        Every mistake of the file: unknown keys, wrong types, negative or missing tolerances, files that do not fit
        the channels. ``mistakes`` holds them one by one.
    """
    defaults = defaults or DefaultTolerances(path.parent.parent / TOLERANCES_FILE)
    tables = read_toml(path)
    own, mistakes = validated(with_brought(ReferenceFile, brought_for(tables, path)), tables, path)
    mistakes += _missing_from_checks(tables, defaults, path)
    brought: dict[str, Own] = {}
    if not mistakes:
        brought, mistakes = own_settings(tables, defaults, path)
    if own is None or mistakes:
        raise BadInputs(mistakes)
    folder = path.parent
    return Reference(
        name=folder.resolve().name,
        path=path,
        title=own.title,
        formerly=tuple(own.formerly),
        origin=own.origin,
        rate_hz=own.rate_hz,
        channels=own.channels,
        files=tuple(ImpulseFile(folder / file.path, file.input, file.sha256) for file in _in_input_order(own)),
        render=RenderRequest(
            seconds=own.render.seconds,
            preroll_s=own.render.preroll_s,
            levels_dbfs=_levels(own.render),
            sample_rates_hz=tuple(own.render.sample_rates_hz),
            block_sizes=tuple(own.render.block_sizes),
            presets=tuple(own.render.presets or ()),
            matrix=own.render.matrix,
            parameters=own.render.parameters,
        ),
        approval=Approval(**own.approval.model_dump()),
        echo_timing=EchoTiming(**_merged(own.echo_timing, defaults, "echo_timing")),
        group_delay=GroupDelay(**_merged(own.group_delay, defaults, "group_delay")),
        energy_decay=EnergyDecay(**_merged(own.energy_decay, defaults, "energy_decay")),
        cost=_cost(_merged(own.cost, defaults, "cost"), folder),
        conduct=Conduct(**_undeclared(_merged(own.conduct, defaults, "conduct"))),
        cells=_cells(own.cells),
        own=brought,
    )


def _missing_from_checks(tables: dict[str, Any], defaults: DefaultTolerances, path: Path) -> list[BadInput]:
    """Tolerances, and the number of springs, that a check which is asked needs and nobody wrote down."""
    mistakes = []
    for table in CHECK_TABLES:
        own = tables.get(table, {})
        if not isinstance(own, dict) or "not_asked" in own:
            continue
        if table == "echo_timing" and "springs" not in own:
            problem = "missing; the number of springs, 0 where there are no separate passes"
            mistakes.append(BadInput(f"{path}: {table}.springs", problem))
        known = {*own, *defaults.values.get(table, {})}
        mistakes += [
            BadInput(f"{path}: {table}.{key}", f"missing; set it here or in {defaults.path.name}")
            for key in tolerance_keys(table)
            if key not in known and key not in OPTIONAL_TOLERANCES
        ]
    return mistakes


def _merged(own: Table, defaults: DefaultTolerances, table: str) -> dict[str, Any]:
    return {**defaults.values.get(table, {}), **written(own)}


def _undeclared(settings: dict[str, Any]) -> dict[str, Any]:
    """Without the tolerances of questions that are declared not to be put."""
    return {key: value for key, value in settings.items() if key.rpartition("_")[0] not in settings["declared"]}


def _levels(render: RenderTable) -> tuple[float, ...]:
    if render.levels_dbfs is not None:
        return tuple(render.levels_dbfs)
    return (DEFAULT_LEVEL_DBFS if render.level_dbfs is None else render.level_dbfs,)


def _in_input_order(own: ReferenceFile) -> list[FileTable]:
    return sorted(own.files, key=lambda file: INPUTS[own.channels].index(file.input))


def _cells(own: CellsTable) -> dict[str, dict[str, dict[str, Any]]]:
    """Per axis, per check, what holds there instead."""
    return {
        axis: {check.replace("_", "-"): written(table) for check, table in tables if table is not None}
        for axis, tables in own
        if tables is not None
    }


def _cost(settings: dict[str, Any], folder: Path) -> Cost:
    baseline = settings.get("baseline")
    typed = {
        "baseline": folder / baseline if baseline else None,
        "grows_with": {name: tuple(values) for name, values in settings["grows_with"].items()},
        "budgets": {target: Budget(**written(budget)) for target, budget in settings["budgets"].items()},
    }
    return Cost(**settings | typed)
