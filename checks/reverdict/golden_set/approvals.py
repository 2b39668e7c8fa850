"""The log of approvals of one reference: one JSON object a line, oldest first; nothing in it is ever lost.

``when``, ``who``, ``build``, ``why``; ``old_sha256`` and ``new_sha256`` of the impulses and their ``files``;
``terms`` in force from then on and, of those that the approval changed, ``changed`` (old and new value);
``analysis_version`` and what the golden ``measured`` under it. ``found`` marks a line that an approval wrote of what
it found in place without a line of its own, such as the golden of an approval that was killed. ``cut_off`` holds what
was left of a torn line. Older logs have fewer keys.

A line is added by renaming the whole log, so that a kill leaves it with or without the line, never with half of it.
"""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any

from reverdict.durable import replace_text
from reverdict.errors import BadInput, noted
from reverdict.golden_set import terms
from reverdict.reading import misfit, parsed
from reverdict.schema import REFERENCE_FILE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from reverdict.reference import Reference

APPROVALS_FILE = "approvals.log"

Record = dict[str, Any]

_TEXTS = {"type": "array", "items": {"type": "string"}}
_RECORD = {
    "type": "object",
    "properties": {
        "old_sha256": _TEXTS,
        "new_sha256": _TEXTS,
        "files": _TEXTS,
        "terms": {"type": "object"},
        "measured": {"type": "object", "additionalProperties": {"type": ["number", "null"]}},
    },
}
"""What is read of a record, where it has it."""


def read_log(folder: Path) -> tuple[list[Record], list[BadInput]]:
    """Records of the log in a reference's folder, and what is wrong with it. No log has no records."""
    path = folder / APPROVALS_FILE
    records: list[Record] = []
    mistakes: list[BadInput] = []
    lines: list[str] = []
    with noted(mistakes):
        lines = _lines(path)
    for number, line in enumerate(lines, start=1):
        record = _record(line)
        if record is None:
            mistakes.append(BadInput(f"{path}: line {number}", "not a record of an approval; was it cut off?"))
        elif "new_sha256" in record:
            records.append(record)
    return records, mistakes


def add_to_log(folder: Path, records: Sequence[Record]) -> None:
    """Add records. What is left of a torn last line is kept, under ``cut_off``; other lines stay as they are."""
    path = folder / APPROVALS_FILE
    lines = _lines(path)
    if lines and _record(lines[-1]) is None:
        lines[-1] = _line({"cut_off": lines[-1]})
    replace_text(path, "".join(f"{line}\n" for line in [*lines, *map(_line, records)]))


def log_approval(reference: Reference, before: tuple[str, ...], more: Record) -> None:
    """Add the approval that reference.toml tells of, which found impulses of the digests ``before``."""
    approval = reference.approval
    record = {
        "when": approval.when.isoformat(),
        "who": approval.who,
        "build": approval.build,
        "why": approval.why,
        "old_sha256": list(before),
        "new_sha256": list(digests(reference)),
        "files": [file.path.name for file in reference.files],
        "analysis_version": approval.analysis_version,
    }
    kept = {key: value for key, value in {**record, **more}.items() if value not in (None, {})}
    add_to_log(reference.path.parent, [kept])


def not_logged(reference: Reference, last: Record) -> bool:
    """Whether the last line of the log is that of another approval than reference.toml tells of."""
    approval = reference.approval
    other_terms = approval.terms_sha256 and "terms" in last and terms.seal(last["terms"]) != approval.terms_sha256
    return (
        last["new_sha256"] != list(digests(reference))
        or last.get("when") != approval.when.isoformat()
        or bool(other_terms)
    )


def unlogged(reference: Reference) -> list[BadInput]:
    """A log with lines that are none, or whose last approval is not that of the reference: cut off, changed by hand."""
    folder = reference.path.parent
    path = folder / APPROVALS_FILE
    if not os.path.lexists(path):
        return []
    records, mistakes = read_log(folder)
    if not records:
        return mistakes or [BadInput(path, "holds no approval; was it cut off? The next approval adds what it lacks")]
    if not not_logged(reference, records[-1]):
        return mistakes
    if records[-1]["new_sha256"] == list(digests(reference)):
        slip = f"that of {reference.approval.when:%Y-%m-%d %H:%M} is missing, the next approval adds it"
        return [*mistakes, BadInput(path, f"its last approval is not the one {REFERENCE_FILE} tells of; {slip}")]
    slip = "approve once more, so that it is known who changed it and why"
    return [*mistakes, BadInput(path, f"its last approval is not that of the impulses in place; {slip}")]


def last_measured(reference: Reference) -> Record | None:
    """The record of the approval that last wrote down what the golden in place measures, if there is one."""
    records = [record for record in read_log(reference.path.parent)[0] if "measured" in record]
    same = [record for record in records if record["new_sha256"] == list(digests(reference))]
    return same[-1] if same else None


def digests(reference: Reference) -> tuple[str, ...]:
    """SHA-256 of its impulses, in the order of the inputs."""
    return tuple(file.sha256 for file in reference.files)


def _lines(path: Path) -> list[str]:
    try:
        if path.exists() and not path.is_file():
            raise BadInput(path, "is no file; take it away, so that the next approval begins a log")
        lines = path.read_text(encoding="utf-8", errors="replace").split("\n")
    except FileNotFoundError:
        return []
    except OSError as error:
        raise BadInput(path, f"cannot be read ({error.strerror or error})") from error
    return [line for line in lines if line.strip()]


def _line(record: Record) -> str:
    return json.dumps(record, ensure_ascii=False, allow_nan=False)


def _record(line: str) -> Record | None:
    try:
        record = parsed(line)
    except (ValueError, RecursionError):
        return None
    whole = isinstance(record, dict) and ("cut_off" in record or "new_sha256" in record) and not misfit(record, _RECORD)
    return record if whole else None
