"""What a reference asks of a build: which checks, rendered how, and whether the two fit, before it is rendered."""

from __future__ import annotations

import difflib
from dataclasses import replace
from typing import TYPE_CHECKING

from reverdict.cells import cells_of
from reverdict.cycle_log import read_cycle_log
from reverdict.errors import BadInput, BadInputs
from reverdict.render import RECORDED, Request, parameters_missing

if TYPE_CHECKING:
    from reverdict.cells import Cell
    from reverdict.reference import CheckSettings, Reference
    from reverdict.render import Build


def request_of(reference: Reference, cell: Cell | None = None) -> Request:
    """What a reference asks a build to render in a cell, the main one unless told otherwise."""
    asked, cell = reference.render, cell or cells_of(reference)[0]
    request = Request(
        reference.name, reference.channels, cell.rate_hz, 1, asked.seconds, asked.preroll_s, cell.level_dbfs,
        asked.parameters, cell.preset,
    )  # fmt: skip
    return replace(request, block_size=request.total_samples if cell.block_size == "whole" else int(cell.block_size))


def require_fit(build: Build, reference: Reference) -> None:
    """Raise BadInputs, before anything is rendered, with what this build cannot be put to this reference for.

    That is a preset that the reference asks for and the build, or the one which cost is timed against, does not have; a
    parameter which the argv of one of them asks for and nobody says; a build to time against that is not there; and a
    log of cycles that cannot be read.
    """
    mistakes = []
    if build.cycles is not None and not why_not_asked(build, reference.cost, "cost"):
        read_cycle_log(build.cycles)
    baseline, presets = baseline_of(build, reference), reference.render.presets
    asked = [(build, presets if build.kind not in RECORDED else ()), *([(baseline, presets[:1])] if baseline else ())]
    for one, names in asked:
        mistakes += [_no_preset(one, name, reference) for name in names if name not in one.presets]
        given = [{**reference.render.parameters, **one.presets.get(name, {})} for name in names or ("",)]
        for name in dict.fromkeys(name for parameters in given for name in parameters_missing(one, parameters)):
            near = difflib.get_close_matches(name, [*one.parameters, *reference.render.parameters], 1)
            if near:
                slip = f'asks for "{name}", which nobody gives; is {near[0]} meant?'
                mistakes.append(BadInput(f"{one.place}: build.argv", slip))
                continue
            ask = f'no "{name}", which build.argv of {one.place} asks for'
            mistakes.append(
                BadInput(f"{reference.path}: render.parameters", f'{ask}; write {name} = "…" under [render.parameters]')
            )
    if mistakes:
        raise BadInputs(mistakes)


def _no_preset(build: Build, name: str, reference: Reference) -> BadInput:
    known = ", ".join(build.presets)
    meant = f"there are {known}" if known else f"write it as a table [build.presets.{name}] of parameters"
    return BadInput(f"{build.place}: build.presets", f'no "{name}", which {reference.path} asks for; {meant}')


def baseline_of(build: Build, reference: Reference) -> Build | None:
    """The build that cost is timed against, where it is asked and there is one. BadInput if it cannot be read."""
    from reverdict.schema.build import read_build

    path, key = build.baseline, f"{build.place}: build.baseline"
    if not path:
        path, key = reference.cost.baseline, f"{reference.path}: cost.baseline"
    if not path or why_not_asked(build, reference.cost, "cost"):
        return None
    if not path.is_file():
        raise BadInput(key, f"{path}: no such file; need the TOML of a build to time against")
    # The same name in two TOMLs must not share a folder of compiled programs.
    baseline = read_build(path)
    return replace(baseline, identity=replace(baseline.identity, about="baseline"))


def why_not_asked(build: Build, settings: CheckSettings, check: str) -> str:
    """Why a check is not put to a build, by the reference or by the build; empty where it is."""
    return settings.not_asked or build.not_asked.get(check, "")
