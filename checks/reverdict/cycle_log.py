"""Logs of a cycle counter: what each block that the firmware processed cost, written on the target, read strictly.

    CSV     reference,block_frames,cycles        header, then one row per processed block, in the order of processing
    JSON    {"target": "…", "clock_hz": 480000000,
             "blocks": [{"reference": "hall", "block_frames": 64, "cycles": 51234}, …]}

``target`` and ``clock_hz`` are for people, and a CSV has neither. Everything else is refused, with file, row and the
likely slip: a log that is half understood would be half judged.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.errors import BadInput
from reverdict.reading import first_line, parsed, text_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

COLUMNS = ("reference", "block_frames", "cycles")
KEYS = ("target", "clock_hz", "blocks")
LARGEST_MB = 64
MOST_FRAMES = 1 << 20
MOST_CYCLES = 1 << 48


@dataclass(frozen=True)
class Blocks:
    """Blocks of one reference in the order of processing: frames and cycles, ndarrays of shape (blocks,), int64."""

    frames: NDArray[np.int64]
    cycles: NDArray[np.int64]


@dataclass(frozen=True)
class CycleLog:
    """What a log holds, by reference; ``clock_hz`` is None where it does not say."""

    path: Path
    blocks: Mapping[str, Blocks] = field(default_factory=dict)
    target: str = ""
    clock_hz: float | None = None


def read_cycle_log(path: Path) -> CycleLog:
    """Read a log.

    Raises
    ------
    BadInput
        No such file, too large, another format, or a row that is not text, frames and cycles; with the row.
    """
    if path.suffix.lower() not in (".csv", ".json"):
        raise BadInput(path, "a log of cycles is a .csv or a .json")
    text = text_of(path, "a log of fewer blocks", LARGEST_MB)
    if path.suffix.lower() == ".csv":
        return CycleLog(path, _gathered(path, _csv_rows(path, text)))
    told = _json_object(path, text)
    rows = [_json_row(path, number, row) for number, row in enumerate(told["blocks"], start=1)]
    return CycleLog(path, _gathered(path, rows), told["target"], float(told["clock_hz"]))


def _gathered(path: Path, rows: Iterable[tuple[str, int, int]]) -> dict[str, Blocks]:
    found: dict[str, list[tuple[int, int]]] = {}
    for reference, frames, cycles in rows:
        found.setdefault(reference, []).append((frames, cycles))
    if not found:
        raise BadInput(path, "holds no block")
    return {name: Blocks(*np.array(blocks, dtype=np.int64).T) for name, blocks in found.items()}


def _csv_rows(path: Path, text: str) -> Iterator[tuple[str, int, int]]:
    reader = csv.reader(io.StringIO(text), strict=True)
    header = ",".join(COLUMNS)
    try:
        for row in reader:
            place = f"{path}: row {reader.line_num}"
            if reader.line_num == 1:
                if row != list(COLUMNS):
                    slip = "; it is separated by semicolons, need commas" if ";" in "".join(row) else ""
                    raise BadInput(place, f'need the header "{header}", got "{",".join(row)[:60]}"{slip}')
            elif len(row) != len(COLUMNS):
                slip = "; are thousands separated?" if len(row) > len(COLUMNS) else "; was the log cut off?"
                raise BadInput(place, f"{len(row)} fields, need {len(COLUMNS)}: {header}{slip if row else ''}")
            else:
                yield _row(place, row[0], _whole(place, "block_frames", row[1]), _whole(place, "cycles", row[2]))
    except csv.Error as error:
        raise BadInput(f"{path}: row {reader.line_num}", f"not CSV ({error})") from None


def _whole(place: str, key: str, text: str) -> int:
    if re.fullmatch(r"[0-9]{1,18}", text):
        return int(text)
    slip = "a decimal point" if "." in text else "a negative number" if text.startswith("-") else "no whole number"
    raise BadInput(place, f'{key} = "{text[:40]}" is {slip}; need a whole number such as 51234')


def _json_object(path: Path, text: str) -> dict[str, Any]:
    try:
        told = parsed(text)
    except json.JSONDecodeError as error:
        raise BadInput(path, f"line {error.lineno}: not JSON ({error.msg})") from None
    except ValueError as error:
        raise BadInput(path, first_line(error)) from None
    except RecursionError:
        raise BadInput(path, "nested too deep for a log of cycles") from None
    if not isinstance(told, dict) or set(told) != set(KEYS):
        given = ", ".join(map(str, told)) if isinstance(told, dict) else f"a {type(told).__name__}"
        raise BadInput(path, f"need an object with {', '.join(KEYS)}; got {given[:80] or 'none'}")
    if not isinstance(told["target"], str):
        raise BadInput(f"{path}: target", "need text, which processor and which build of it")
    clock_hz = told["clock_hz"]
    if isinstance(clock_hz, bool) or not isinstance(clock_hz, int | float) or not 0 < clock_hz < math.inf:
        raise BadInput(f"{path}: clock_hz", "need the processor's clock in Hz, a number above 0")
    if not isinstance(told["blocks"], list):
        raise BadInput(f"{path}: blocks", "need a list, an object per processed block")
    return told


def _json_row(path: Path, number: int, row: Any) -> tuple[str, int, int]:
    place = f"{path}: block {number}"
    if not isinstance(row, dict) or set(row) != set(COLUMNS):
        raise BadInput(place, f"need an object with {', '.join(COLUMNS)}")
    for key in COLUMNS[1:]:
        if isinstance(row[key], bool) or not isinstance(row[key], int):
            raise BadInput(place, f"{key} = {json.dumps(row[key])[:40]} is no whole number; need one such as 51234")
    if not isinstance(row["reference"], str):
        raise BadInput(place, "reference: need the name of a reference, as text")
    return _row(place, row["reference"], row["block_frames"], row["cycles"])


def _row(place: str, reference: str, frames: int, cycles: int) -> tuple[str, int, int]:
    if not reference.strip():
        raise BadInput(place, "names no reference")
    if not 1 <= frames <= MOST_FRAMES:
        raise BadInput(place, f"block_frames = {frames}; need 1 to {MOST_FRAMES}")
    if not 1 <= cycles <= MOST_CYCLES:
        slip = "did the counter run?" if cycles == 0 else "did it wrap round?"
        raise BadInput(place, f"cycles = {cycles}; {slip}")
    return reference, frames, cycles
