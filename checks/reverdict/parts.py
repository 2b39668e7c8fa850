"""What the items of a gate hand on to it: a JSON file each, because they may run in other processes.

<reference>.<check>.<cell>.json   what was judged in a cell, by its number; that of conduct, which comes last there,
                              brings a diagnosis along, and in the main cell (0) the curves; that of cost what there
                              is to know of it beyond findings
<anything>.trouble            why something could not be judged: the user's slips, or our bug; empty where there was no
                              room to say it
"""

from __future__ import annotations

import json
import tempfile
import traceback
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from reverdict.durable import replacing
from reverdict.errors import BadInput, BadInputs, no_room
from reverdict.words import CheckVerdict, Finding, Outcome

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Besides:
    """What an item brings along for the whole reference, as ``words.ReferenceVerdict`` has it.

    cost : brought by the item of that check.
    """

    curves: dict[str, Any] = field(default_factory=dict)
    diagnosis: tuple[dict[str, Any], ...] = ()
    diagnosis_failed: str = ""
    cost: dict[str, Any] = field(default_factory=dict)


def write_verdict(folder: Path, reference: str, cell: int, verdict: CheckVerdict, besides: Besides) -> None:
    """Hand on what one item judged."""
    told = {**vars(verdict), "findings": [vars(finding) for finding in verdict.findings]}
    _write(_file(folder, reference, verdict.check, cell), {"verdict": told, "besides": vars(besides)})


def read_verdict(folder: Path, reference: str, check: str, cell: int = 0) -> tuple[CheckVerdict, Besides]:
    """What one item judged, and what it brought along. Raises RuntimeError where it never came to that."""
    file = _file(folder, reference, check, cell)
    if not file.exists():
        raise RuntimeError(f"{reference}: {check}: its process ended before it was judged")
    part = json.loads(file.read_text(encoding="utf-8"))
    told = part["verdict"]
    findings = tuple(Finding(**{**finding, "outcome": Outcome(finding["outcome"])}) for finding in told["findings"])
    besides = Besides(**{**part["besides"], "diagnosis": tuple(part["besides"]["diagnosis"])})
    return CheckVerdict(**{**told, "outcome": Outcome(told["outcome"]), "findings": findings}), besides


def _file(folder: Path, reference: str, check: str, cell: int) -> Path:
    return folder / f"{reference}.{check}.{cell}.json"


def write_trouble(folder: Path, name: str, error: Exception) -> None:
    """Hand on why something could not be judged."""
    if no_room(error):
        error = _full()
    elif isinstance(error, OSError) and error.filename:
        error = BadInput(error.filename, str(error.strerror))
    slips = error.mistakes if isinstance(error, BadInputs) else [error] if isinstance(error, BadInput) else []
    bug = "" if slips else "".join(traceback.format_exception(error))
    file = folder / f"{name}.trouble"
    try:
        _write(file, {"slips": [(slip.place, slip.problem) for slip in slips], "bug": bug})
    except OSError:
        file.touch()  # a full disk has room for a name


def raise_troubles(folder: Path) -> None:
    """Raise what was handed on: RuntimeError with the traceback of a bug, else BadInputs with every slip once."""
    said = [file.read_text(encoding="utf-8") for file in sorted(folder.glob("*.trouble"))]
    if "" in said:
        raise _full()
    troubles = [json.loads(text) for text in said]
    for trouble in troubles:
        if trouble["bug"]:
            raise RuntimeError(trouble["bug"])
    slips = dict.fromkeys((place, problem) for trouble in troubles for place, problem in trouble["slips"])
    if slips:
        raise BadInputs([BadInput(place, problem) for place, problem in slips])


def _full() -> BadInput:
    return BadInput(tempfile.gettempdir(), "no room left to judge in; make some, or let TMPDIR name another folder")


def _write(file: Path, content: dict[str, Any]) -> None:
    with replacing(file) as beside:
        beside.write_text(json.dumps(content), encoding="utf-8")
