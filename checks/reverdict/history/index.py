"""A database over files of runs, so that thousands are read once: SQLite beside them, to be thrown away at will.

Method. A row for each file, known again by name, size and time of change; what is new or changed is read, what is gone
is forgotten, in one transaction that other processes wait for. The readings of a run are one packed array, which is
smaller and quicker than a row each. Where the folder cannot be written to, or the database is broken or of another
version, it is made anew, in memory if need be. It never holds anything that the files do not.
"""

from __future__ import annotations

import contextlib
import json
import math
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from reverdict.history.runs import NoRun, read
from reverdict.phrases import standing

if TYPE_CHECKING:
    from numpy.typing import NDArray

NAME = ".reverdict-index.sqlite"
VERSION = 2
WAIT_S = 60.0

NUMBERS = ("golden", "candidate", "deviation", "uncertainty", "tolerance")

READING = np.dtype([("key", "<i4"), *((name, "<f8") for name in NUMBERS), ("passed", "?"), ("of_curve", "?")])
"""One finding of a run; a number that is not known is NaN. ``of_curve``: the worst point of one, another every time."""

_TABLES = """
create table if not exists file (name text primary key, size integer, changed integer, why_not text, run text,
                                 readings blob);
create table if not exists key (id integer primary key, reference text, check_ text, cell text, quantity text,
                                place text, unit text, unique (reference, check_, cell, quantity, place, unit));
"""


class Key(NamedTuple):
    """What was measured, and where."""

    reference: str
    check: str
    cell: str
    quantity: str
    where: str
    unit: str


@dataclass(frozen=True)
class Kept:
    """One run as the index has it.

    about : build, judged_at, outcome, analysis_version, machine and, by reference, golden_identity.
    readings : shape (findings,), of ``READING``.
    """

    file: Path
    about: dict[str, Any]
    readings: NDArray[Any]


@dataclass(frozen=True)
class Runs:
    """All runs of some files, in the order in which they were judged, and what was no run."""

    kept: tuple[Kept, ...]
    keys: dict[int, Key]
    no_runs: tuple[NoRun, ...]

    def only(self, wanted: Callable[[str], bool]) -> Runs:
        """The same without builds whose name is not wanted."""
        return replace(self, kept=tuple(one for one in self.kept if wanted(str(one.about["build"]["name"]))))


def runs_of(files: Sequence[Path], progress: Callable[[str], None] = lambda _: None) -> Runs:
    """Read runs through the indices of their folders, which are made or brought up to date.

    progress : told how many files are read, where there are new ones.
    """
    kept: list[Kept] = []
    no_runs: list[NoRun] = []
    keys: dict[Key, int] = {}
    for folder in sorted({file.parent for file in files}):
        there = [file for file in files if file.parent == folder]
        with _opened(folder, there, progress) as database:
            wanted = {file.name for file in there}
            own = {row[0]: Key(*row[1:]) for row in database.execute("select * from key")}
            renumbered = np.zeros(max(own, default=0) + 1, dtype=np.int32)
            for number, key in own.items():
                renumbered[number] = keys.setdefault(key, len(keys))
            for name, why_not, run, readings in database.execute(
                "select name, why_not, run, readings from file order by name"
            ):
                if name not in wanted:
                    continue
                if why_not:
                    no_runs.append(NoRun(folder / name, why_not))
                    continue
                array = np.frombuffer(readings, READING).copy()
                array["key"] = renumbered[array["key"]]
                kept.append(Kept(folder / name, json.loads(run), array))
    kept.sort(key=lambda one: (str(one.about["judged_at"]), one.file.name))
    return Runs(tuple(kept), {number: key for key, number in keys.items()}, tuple(no_runs))


@contextlib.contextmanager
def _opened(
    folder: Path, files: Sequence[Path], progress: Callable[[str], None]
) -> Iterator[sqlite3.Connection]:  # fmt: skip
    """The index of a folder, up to date with these files of it; one in memory where none can be kept there."""
    of_report = (folder / "verdict.json").is_file()  # one run, read at once, in a folder that is shown to people
    database = None if of_report else _connected(folder / NAME)
    try:
        if database is None or not _updated(database, files, progress):
            database = _connected(None)
            assert database is not None
            _bring_up_to_date(database, files, progress)
        yield database
    finally:
        if database is not None:
            database.close()


def _updated(database: sqlite3.Connection, files: Sequence[Path], progress: Callable[[str], None]) -> bool:
    """Bring an index up to date; false, and it is closed as it was, where its disk has no room for that."""
    try:
        _bring_up_to_date(database, files, progress)
    except sqlite3.OperationalError:
        database.close()
        return False
    return True


def _connected(file: Path | None) -> sqlite3.Connection | None:
    """None where the file cannot serve. One that is broken or of another version is made anew."""
    for again in (False, True):
        if again and file is not None:
            with contextlib.suppress(OSError):
                file.unlink()
        database = None
        try:
            database = sqlite3.connect(":memory:" if file is None else file, timeout=WAIT_S, isolation_level=None)
            (version,) = database.execute("pragma user_version").fetchone()
            if version not in (0, VERSION):
                database.close()
                continue
            database.execute("begin immediate")
            for statement in _TABLES.split(";"):
                database.execute(statement)
            database.execute(f"pragma user_version = {VERSION}")
            database.execute("commit")
        except sqlite3.DatabaseError as error:
            if database is not None:
                database.close()
            if isinstance(error, sqlite3.OperationalError) and "locked" in str(error):
                return None  # another process is reading many runs for the first time; its index is not ours to delete
            continue
        return database
    return None


def _bring_up_to_date(database: sqlite3.Connection, files: Sequence[Path], progress: Callable[[str], None]) -> None:
    database.execute("begin immediate")
    # What was no run is read again each time: a later version of the suite may know its format.
    told = "select name, size, changed, why_not from file"
    known = {name: None if why else (size, changed) for name, size, changed, why in database.execute(told)}
    stats = {file: file.stat() for file in files if file.is_file()}
    fresh = [file for file, stat in stats.items() if known.get(file.name) != (stat.st_size, stat.st_mtime_ns)]
    if files:
        gone = [(name,) for name in known if not (files[0].parent / name).is_file()]
        database.executemany("delete from file where name = ?", gone)
    keys = {Key(*row[1:]): row[0] for row in database.execute("select * from key")}
    for number, file in enumerate(fresh):
        if number % 50 == 0:
            progress(f"reading runs: {number + 1} of {len(fresh)}")
        stat, run = stats[file], read(file)
        row: tuple[Any, ...]
        if isinstance(run, NoRun):
            row = (file.name, stat.st_size, stat.st_mtime_ns, _storable(run.why), None, None)
        else:
            packed = _packed(database, run, keys).tobytes()
            row = (file.name, stat.st_size, stat.st_mtime_ns, "", json.dumps(_about(run)), packed)
        database.execute("insert or replace into file values (?, ?, ?, ?, ?, ?)", row)
    database.execute("commit")


def _about(run: dict[str, Any]) -> dict[str, Any]:
    told = {key: run.get(key) for key in ("build", "judged_at", "outcome", "analysis_version", "machine")}
    told["golden"] = {one["name"]: one.get("golden_identity") or {} for one in run["references"]}
    return told


def _packed(database: sqlite3.Connection, run: dict[str, Any], keys: dict[Key, int]) -> NDArray[Any]:
    rows = []
    for reference in run["references"]:
        for check in reference["checks"]:
            for finding in check["findings"]:
                where = standing(str(finding["where"]))
                key = Key(
                    str(reference["name"]), str(check["check"]), str(finding.get("cell", "")),
                    str(finding["quantity"]), where, str(finding["unit"]),
                )  # fmt: skip
                if key not in keys:
                    key = Key(*map(_storable, key))
                if key not in keys:
                    keys[key] = len(keys) + 1
                    database.execute("insert into key values (?, ?, ?, ?, ?, ?, ?)", (keys[key], *key))
                numbers = (_number(finding.get(name)) for name in NUMBERS)
                rows.append((keys[key], *numbers, finding["outcome"] == "pass", where != finding["where"]))
    return np.array(rows, dtype=READING)


def _storable(text: str) -> str:
    """Text without halves of characters, of file names that are no UTF-8, which SQLite does not take."""
    return text.encode("utf-8", "backslashreplace").decode()


def _number(value: Any) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return math.nan
    try:
        return float(value)
    except OverflowError:
        return math.nan
