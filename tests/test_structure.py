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
    "reading": {"errors"},
    "reference": {"own_checks", "words"},
    "own_checks": {"errors", "phrases", "words"},
    "cells": {"phrases", "reference"},
    "terms": {"words"},
    "durable": {"errors"},
    "cycle_log": {"errors", "reading"},
    "approvals": {"durable", "errors", "reading"},
    "proposing": {"measure", "terms", "words"},
    "sound": {"errors"},
    "measure": {"measure", "words"},
    "fit": {"fit", "measure", "words"},
    "faults": {"faults", "fit", "measure", "words"},
    "searching": {"faults", "words"},
    "phrases": set(),
    "judging": {"phrases", "words"},
    "parting": {"judging", "words"},
    "items": {"parts", "trial", "words"},
    "cluster": {
        "cluster",
        "cells",
        "errors",
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
    "capture": {"capture", "errors", "measure", "reading", "sound"},
    "render": {"render", "errors", "later", "measure", "sound", "words"},
    "history": {"history", "durable", "errors", "phrases", "reading"},
    "listening": {"listening"},
    "choosing": {"phrases"},
    "report": {"report", "choosing", "errors", "fit", "history", "measure", "phrases", "words"},
}
"""What each room may know. ``check`` sees ``render`` for types only: timers and renderings are handed to it."""


@functools.cache
def imports_of(file: Path) -> frozenset[str]:
    """Names of the rooms a module imports, type-only imports included."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        modules: list[str] = []
        if isinstance(node, ast.ImportFrom) and node.module:
            inside = node.module == "reverdict"
            modules = [f"reverdict.{alias.name}" for alias in node.names] if inside else [node.module]
        elif isinstance(node, ast.Import):
            modules = [alias.name for alias in node.names]
        found |= {module.split(".")[1] for module in modules if module.startswith("reverdict.")}
    return frozenset(found - {"__version__"})


@pytest.mark.parametrize("room", sorted(MAY_IMPORT))
def test_a_room_imports_only_what_it_may_know(room: str) -> None:
    place = PACKAGE / room
    files = sorted(place.rglob("*.py")) if place.is_dir() else [PACKAGE / f"{room}.py"]
    assert files
    strangers = {str(file.relative_to(PACKAGE)): imports_of(file) - MAY_IMPORT[room] for file in files}
    assert not {file: sorted(names) for file, names in strangers.items() if names}


def test_data_flows_one_way() -> None:
    rooms: dict[str, set[str]] = {}
    for file in PACKAGE.rglob("*.py"):
        room = file.relative_to(PACKAGE).parts[0].removesuffix(".py")
        rooms.setdefault(room, set()).update(imports_of(file) - {room})
    graphlib.TopologicalSorter(rooms).prepare()  # raises where rooms know each other in a circle


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
    knowing = {file.name for file in PACKAGE.rglob("*.py") if "commands" in imports_of(file)}
    assert knowing - {file.name for file in (PACKAGE / "commands").glob("*.py")} == {"command_line.py"}


def test_render_alone_starts_other_peoples_code() -> None:
    starters = {
        str(file.relative_to(PACKAGE))
        for file in PACKAGE.rglob("*.py")
        if "workshop" not in file.parts and "import subprocess" in file.read_text(encoding="utf-8")
    }
    # git, for an approver, the commit of a build and goldens of then, and versions of tools are ours to ask.
    ours = {"abilities.py", "bisecting.py", "machine.py", "making.py", "schema.py"}
    assert {name for name in starters if not name.startswith("render/")} <= ours
