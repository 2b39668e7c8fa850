"""The rooms of the package import each other in one direction only."""

from __future__ import annotations

import ast
import functools
import graphlib
import re
from pathlib import Path

import pytest

import reverdict

PACKAGE = Path(reverdict.__file__).parent

MAY_IMPORT = {
    "words": set(),
    "errors": set(),
    "extras": set(),
    "reading": {"errors"},
    "reference": {"own_checks", "words"},
    "own_checks": {"errors", "phrases", "words"},
    "cells": {"phrases", "reference"},
    "durable": {"errors"},
    "cycle_log": {"errors", "reading"},
    "golden_set": {
        "golden_set",
        "durable",
        "errors",
        "measure.version",
        "own_checks",
        "reading",
        "reference",
        "schema",
        "sound",
        "words",
    },
    "golden_set/terms": {"words"},
    "making/proposing": {"golden_set.terms", "measure", "words"},
    "sound": {"errors"},
    "measure": {"measure", "words"},
    "fit": {"fit", "measure", "words"},
    "faults": {"faults", "fit", "measure", "words"},
    "schema": {"schema", "errors", "own_checks", "reading", "reference", "render", "sound", "words"},
    "searching": {"faults", "words"},
    "phrases": set(),
    "judging": {"phrases", "words"},
    "parting": {"judging", "words"},
    "items": {"parts", "trial", "words"},
    "cluster": {
        "cluster",
        "cells",
        "errors",
        "extras",
        "golden_set",
        "items",
        "measure",
        "parts",
        "pytest_plugin",
        "reference",
        "render",
        "schema",
        "sound",
        "trial",
        "words",
    },
    "merging": {"errors", "judging", "parting", "phrases", "reading", "report", "words"},
    "diagnose": {"diagnose", "fit", "measure", "words"},
    "check": {"check", "judging", "measure", "phrases", "reference", "render", "words"},
    "capture": {"capture", "errors", "extras", "measure", "reading", "sound"},
    "render": {"render", "errors", "extras", "later", "measure", "sound", "words"},
    "page_folders": set(),
    "history": {"history", "durable", "errors", "phrases", "reading"},
    "listening": {"listening"},
    "choosing": {"phrases"},
    "report": {"report", "choosing", "errors", "fit", "history", "measure", "page_folders", "phrases", "words"},
}
"""What each room may know. ``check`` sees ``render`` for types only: timers and renderings are handed to it.

``schema`` sees of it what a build is as data.
"""


MODULES = {
    ".".join(file.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__"): file
    for file in PACKAGE.rglob("*.py")
}
"""Modules by their names within the package; a room by that of its face."""


@functools.cache
def imports_of(file: Path) -> frozenset[str]:
    """Modules of the package that one imports, type-only imports included."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            whole = [f"{node.module}.{alias.name}".removeprefix("reverdict.") for alias in node.names]
            found |= {name if name in MODULES else node.module.removeprefix("reverdict.") for name in whole}
        elif isinstance(node, ast.Import):
            found |= {alias.name.removeprefix("reverdict.") for alias in node.names}
    return frozenset(found & MODULES.keys())


@pytest.mark.parametrize("room", sorted(MAY_IMPORT))
def test_a_room_imports_only_what_it_may_know(room: str) -> None:
    place = PACKAGE / room
    files = sorted(place.rglob("*.py")) if place.is_dir() else [PACKAGE / f"{room}.py"]
    known = tuple(f"{name}." for name in MAY_IMPORT[room])
    strangers = {
        str(file.relative_to(PACKAGE)): sorted(name for name in imports_of(file) if not f"{name}.".startswith(known))
        for file in files
    }
    assert strangers
    assert not {file: names for file, names in strangers.items() if names}


def test_data_flows_one_way() -> None:
    rooms: dict[str, set[str]] = {}
    for name, file in MODULES.items():
        room = name.partition(".")[0]
        rooms.setdefault(room, set()).update({one.partition(".")[0] for one in imports_of(file)} - {room})
    assert len(rooms) > 30
    graphlib.TopologicalSorter(rooms).prepare()  # raises where rooms know each other in a circle


def test_no_modules_know_each_other_in_a_circle() -> None:
    used = {name: imports_of(file) for name, file in MODULES.items()}
    assert used["schema.reference"] >= {"schema.toml", "schema.tables.reference"}
    graphlib.TopologicalSorter(used).prepare()  # raises where modules know each other in a circle


def test_what_may_stand_in_a_file_knows_nothing_of_reading_it() -> None:
    tables = {name for name in MODULES if name.startswith("schema.tables")}
    above = {name for name in MODULES if name.startswith("schema")} - tables
    assert len(tables) > 4
    assert len(above) > 4
    assert {name: seen for name in tables if (seen := imports_of(MODULES[name]) & above)} == {}


def test_ordinary_runs_cannot_write_goldens() -> None:
    writers = {"golden_set.writing", "golden_set.text"}
    knowing = {name for name, file in MODULES.items() if imports_of(file) & writers}
    makers = {name for name in knowing if name.startswith("making.")}
    assert makers
    assert knowing - makers == {"golden_set.writing", "commands.golden", "demo.goldens"}


def test_reports_are_written_one_way() -> None:
    floors = ["data", "wording", "pictures", "files", "printed", "pages"]
    back = {}
    for floor in floors:
        for file in (PACKAGE / "report" / floor).glob("*.py"):
            seen = set(re.findall(r"reverdict\.report\.(\w+)", file.read_text(encoding="utf-8")))
            if above := seen & set(floors[floors.index(floor) + 1 :]):
                back[file.name] = above
    assert back == {}


def test_commands_are_known_to_the_command_line_alone() -> None:
    knowing = {
        name for name, file in MODULES.items() if any(one.partition(".")[0] == "commands" for one in imports_of(file))
    }
    assert {name for name in knowing if not name.startswith("commands")} == {"command_line"}


def test_render_alone_starts_other_peoples_code() -> None:
    starters = {
        str(file.relative_to(PACKAGE))
        for file in PACKAGE.rglob("*.py")
        if "workshop" not in file.parts and "import subprocess" in file.read_text(encoding="utf-8")
    }
    # git, for an approver, the commit of a build and goldens of then, and versions of tools are ours to ask.
    ours = {"abilities.py", "bisecting.py", "machine.py", "making/signing.py", "schema/build.py"}
    assert {name for name in starters if not name.startswith("render/")} <= ours
