"""Parts of a run of the gate made one verdict, the same as of a run in one piece, apart from times and the machine.

Each reference and check is taken from the one part in which it was put. Parts of different runs (another build, other
golden references, another selection, another version of the suite or of its analysis), parts that overlap, and a part
that is missing are refused: a verdict that lacks something is no verdict. What a build was compiled from is known by
its commit alone; the files that asked are known by their digests.

``machine`` keeps what all machines on which costs were measured have in common.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from reverdict import judging
from reverdict.errors import BadInput
from reverdict.parting import label, sum_up
from reverdict.phrases import of_another_version
from reverdict.reading import json_of, misfit
from reverdict.report.data.verdict import EARLY, SCHEMA, counts, json_schema
from reverdict.words import CHECKS, CheckVerdict, Outcome

if TYPE_CHECKING:
    from pathlib import Path

Judged = Mapping[str, Any]
"""A verdict as verdict.json has it."""


def read_part(place: Path) -> Judged:
    """Read a part from a report folder or its verdict.json. Raises BadInput where there is none."""
    file = place / "verdict.json" if place.is_dir() else place
    if not file.is_file():
        raise BadInput(place, "no report; need a folder that gate --report wrote, or its verdict.json")
    judged = json_of(file)
    if not isinstance(judged, dict) or not isinstance(judged.get("references"), list):
        raise BadInput(file, "not a verdict of reverdict gate")
    if why := of_another_version(judged.get("schema"), SCHEMA):
        raise BadInput(file, why)
    if not judged.get("part"):
        errors = judged.get("errors")
        whole = "is a whole run, no part of one; there is nothing to merge"
        raise BadInput(file, f"could not judge: {errors[0]}" if isinstance(errors, list) and errors else whole)
    if slip := misfit(judged, json_schema(), EARLY):
        raise BadInput(file, f"not a whole verdict of reverdict gate ({slip})")
    return judged


def merged(parts: Sequence[tuple[str, Judged]]) -> dict[str, Any]:
    """One verdict from the parts of a run, the same as of a run in one piece (apart from times and the machine).

    Parameters
    ----------
    parts : sequence of (place, verdict)
        Where each was read from, for messages, and what ``read_part`` gave there.

    Raises
    ------
    BadInput
        A part is of another run, is there twice, or is missing.
    """
    first_place, first = parts[0]
    for place, verdict in parts[1:]:
        if strange := _of_another_run(first, verdict):
            raise BadInput(place, f"{strange} than in {first_place}; only parts of one run can be merged")
    owners = _owners(parts)
    names = first["part"]["references"]
    _require_all(owners, names, [verdict["part"] for _, verdict in parts])
    references = [_reference({check: owners[name, check] for check in CHECKS}) for name in names]
    costing = [verdict for _, verdict in parts if "cost" in verdict["part"]["checks"] and verdict["references"]]
    judged = {
        **first,
        "outcome": sum_up([reference["outcome"] for reference in references]),
        "judged_at": max(verdict["judged_at"] for _, verdict in parts),
        "machine": _common([verdict.get("machine", {}) for verdict in costing]),
        "errors": [],
        "part": None,
        "references": references,
    }
    return {**judged, "counts": counts(judged)}


def _of_another_run(first: Judged, other: Judged) -> str:
    """What tells two parts apart that should be of one run, empty where they are."""
    one, two = first["build"], other["build"]
    if any(one[key] != two[key] for key in ("name", "version", "kind", "commit")):
        said = [f"{build['name']} {build['version']}, commit {build['commit'] or 'unknown'}" for build in (two, one)]
        return f"another build ({said[0]}, not {said[1]})"
    for key, words in (("build_sha256", "another build file"), ("golden_sha256", "other golden references")):
        if first["part"][key] != other["part"][key]:
            return words
    if first["part"]["references"] != other["part"]["references"]:
        return "another selection of references"
    for key, words in (("analysis_version", "another analysis version"), ("suite_version", "another suite version")):
        if first[key] != other[key]:
            return f"{words} ({other[key]}, not {first[key]})"
    return ""


def _why_twice(parts: Sequence[tuple[str, Judged]]) -> str:
    shards = list(dict.fromkeys(str(verdict["part"]["shard"]) for _, verdict in parts if verdict["part"]["shard"]))
    if len({shard.partition("/")[2] for shard in shards}) > 1:
        return f"they are parts of different divisions (shards {', '.join(shards)})"
    return "give each part once"


def _owners(parts: Sequence[tuple[str, Judged]]) -> dict[tuple[str, str], Judged]:
    """For every reference and check, the reference of the part in which it was put."""
    owners: dict[tuple[str, str], Judged] = {}
    places: dict[tuple[str, str], str] = {}
    for place, verdict in parts:
        for reference in verdict["references"]:
            for check in verdict["part"]["checks"]:
                key = reference["name"], check
                if key in owners:
                    raise BadInput(place, f"holds {key[0]}: {check}, as does {places[key]}; {_why_twice(parts)}")
                owners[key], places[key] = reference, place
    return owners


def _require_all(owners: Mapping[tuple[str, str], Judged], names: Sequence[str], parts: Sequence[Judged]) -> None:
    lacking = [(name, check) for name in names for check in CHECKS if (name, check) not in owners]
    if lacking:
        name, check = lacking[0]
        more = f" and {len(lacking) - 1} more" if len(lacking) > 1 else ""
        given = "; ".join(sorted({label(part) for part in parts}))
        raise BadInput(f"{name}: {check}{more}", f"in none of the parts given ({given}); a part is missing")


def _reference(owners: Mapping[str, Judged]) -> dict[str, Any]:
    """One reference: what was told of its sound, with what was told of its cost."""
    whole = dict(owners["conduct"])
    brought = [check for check in owners["conduct"]["checks"] if check["check"] not in CHECKS]
    whole["checks"] = [*(_named(owners[check], check) for check in CHECKS), *brought]
    whole["cost"] = owners["cost"]["cost"]
    whole["cells"] = [
        {
            **cell,
            "checks": [
                _named(owners.get(one["check"], owners["conduct"]), one["check"], number) for one in cell["checks"]
            ],
        }
        for number, cell in enumerate(whole["cells"])
    ]
    told = [
        CheckVerdict(check["check"], Outcome(check["outcome"]), "", (), check["closes_gate"])
        for check in whole["checks"]
    ]
    whole["outcome"] = str(judging.reference_outcome(told))
    return whole


def _named(reference: Judged, name: str, cell: int | None = None) -> Judged:
    """What a reference tells of a check, or of it in a cell. Raises BadInput where its part was to, and does not."""
    told = [reference] if cell is None else reference["cells"][cell : cell + 1]
    found = [check for one in told for check in one["checks"] if check["check"] == name]
    if not found:
        raise BadInput(f"{reference['name']}: {name}", "a part says that it was put, and tells nothing of it")
    return dict(found[0])


def _common(machines: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What is the same of all machines on which costs were measured; None what differs."""
    first, *others = machines
    return {key: value if all(one.get(key) == value for one in others) else None for key, value in first.items()}
