"""What the documents say holds: formats from the schema, links that lead somewhere, commands that parse, the guide."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import reverdict
from reverdict.command_line import _parser
from reverdict.formats import formats
from reverdict.schema.meanings import json_schema
from reverdict.schema.tables.tolerances import WAYS

ROOT = Path(__file__).parents[1]
FOLDERS = ("checks", "ci", "golden", "tests")
FOUND = [*ROOT.glob("*.md"), *(page for folder in FOLDERS for page in (ROOT / folder).rglob("*.md"))]
PAGES = sorted(page.relative_to(ROOT) for page in FOUND)
GUIDE = ROOT / "ci" / "README.md"


def text_of(page: Path) -> str:
    return (ROOT / page).read_text(encoding="utf-8")


def test_the_reference_of_formats_is_what_the_schema_says() -> None:
    assert text_of(Path("golden/FORMATS.md")) == formats(), "python -m reverdict.formats > golden/FORMATS.md"


def undescribed(part: Any, place: str = "") -> list[str]:
    """Keys of a JSON Schema without a description."""
    found = []
    if isinstance(part, dict):
        for key, one in (part.get("properties") or {}).items():
            if isinstance(one, dict) and not one.get("description") and key not in WAYS:
                found.append(f"{place}.{key}")
        for name, inner in part.items():
            found += undescribed(inner, f"{place}.{name}" if name not in ("properties", "$defs") else place)
    elif isinstance(part, list):
        for inner in part:
            found += undescribed(inner, place)
    return found


@pytest.mark.parametrize("which", ["reference", "tolerances", "build"])
def test_every_key_has_a_description(which: str) -> None:
    assert undescribed(json_schema(which, brought=False)) == []


def anchors(text: str) -> set[str]:
    """The anchors of headings, as the usual hosts make them."""
    heads = re.findall(r"^#+ +(.+?) *$", re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.MULTILINE), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=str)
def test_links_lead_somewhere(page: Path) -> None:
    dead = []
    for link in re.findall(r"\]\(([^)\s]+)\)", text_of(page)):
        if re.match(r"[a-z]+:", link):
            continue
        name, _, anchor = link.partition("#")
        target = (ROOT / page).parent / name if name else ROOT / page
        if not target.exists() or (anchor and anchor not in anchors(target.read_text(encoding="utf-8"))):
            dead.append(link)
    assert dead == []


def commands(text: str) -> list[str]:
    """Lines of code blocks, indented or fenced, that call reverdict; those with gaps to fill in are left out."""
    fenced = [
        line
        for block in re.findall(r"^```sh\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
        for line in block.splitlines()
    ]
    indented = re.findall(r"^ {4,}(\S.*)$", text, re.MULTILINE)
    found = []
    for line in [*fenced, *indented]:
        called = re.match(r"(?:git bisect run |\"\$\(bash suite/ci/set-up\)/)?reverdict\"? +(.*)", line)
        # What stands in a sentence, two spaces away, is no part of the command; neither is a comment.
        if called and "…" not in line and "|" not in line:
            found.append(re.split(r" {3,}| +#", called[1])[0])
    return found


WRITTEN = [(page, command) for page in PAGES for command in commands(text_of(page))]


def test_there_are_commands_to_look_at() -> None:
    assert len(WRITTEN) > 25


@pytest.mark.parametrize(("page", "command"), WRITTEN, ids=[f"{page}: {command}" for page, command in WRITTEN])
def test_commands_parse(page: Path, command: str) -> None:
    try:
        _parser().parse_args(shlex.split(command))
    except SystemExit as error:
        pytest.fail(f"{page}: reverdict {command}: not understood ({error.code})")


def test_a_command_that_is_not_there_is_seen() -> None:
    (command,) = commands("    reverdict gaet build.toml --report report   # a slip\n")
    with pytest.raises(SystemExit):
        _parser().parse_args(shlex.split(command))


@pytest.mark.slow
def test_the_first_gate_goes_as_it_is_written(tmp_path: Path) -> None:
    """The guide's files and commands in an empty folder: pass, fail after the slip, pass when approved; cost asked."""
    section = re.split(r"^## ", GUIDE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    (guide,) = [part for part in section if part.startswith("A first gate")]
    for language, name in (("c", "plate.c"), ("toml", "build.toml")):
        (content,) = re.findall(rf"^```{language}\n(.*?)^```", guide, re.DOTALL | re.MULTILINE)
        (tmp_path / name).write_text(content, encoding="utf-8")
    shim = tmp_path / "bin" / "reverdict"
    shim.parent.mkdir()
    shim.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m reverdict "$@"\n', encoding="utf-8")
    shim.chmod(0o755)
    environment = os.environ | {
        "PATH": f"{shim.parent}{os.pathsep}{os.environ['PATH']}",
        "PYTHONPATH": str(Path(reverdict.__file__).parents[1]),
    }
    ended = []
    for block in re.findall(r"^```sh\n(.*?)^```", guide, re.DOTALL | re.MULTILINE):
        done = subprocess.run(
            ["sh", "-e", "-c", block], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
        )
        ended.append((done.returncode, done.stdout, done.stderr))
    assert [status for status, *_ in ended] == [0, 1, 0, 0], ended
    assert "1.73 ms late" in ended[1][1]
    assert (tmp_path / "report" / "index.html").is_file()
