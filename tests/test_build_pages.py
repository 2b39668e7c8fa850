"""Every TOML of ``checks/BUILDS.md`` is a build that runs as it stands.

Recordings and hardware need files and a card: ``test_take`` and ``test_capture`` judge those. Blocks of other kinds
that begin with a comment with a file's name (``/* spring.c */``, ``# reverb.py``) are files beside the TOMLs of their
section.
"""

from __future__ import annotations

import importlib.util
import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

import own_plugins
import packaged
from reverdict.render import Rendered, Request, render, working_folder
from reverdict.schema.build import read_build

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.render import Build

PAGE = Path(__file__).parents[1] / "checks" / "BUILDS.md"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
NAME_OF_FILE = re.compile(r"^(?:/\*|//|#) *([\w.-]+\.\w+)")
REQUEST = Request("page", seconds=0.5, preroll_s=0.1)


def builds_of_the_page() -> Iterator[object]:
    """Each TOML, with the files of its section."""
    for section in re.split(r"^## ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]:
        title, blocks = section.partition("\n")[0], BLOCK.findall(section)
        files = {found[1]: text for kind, text in blocks if kind != "toml" and (found := NAME_OF_FILE.match(text))}
        for number, text in enumerate((text for kind, text in blocks if kind == "toml"), start=1):
            if 'kind = "recordings"' in text or 'kind = "interface"' in text:
                continue
            yield pytest.param(text, files, id=f"{title} {number}".replace(" ", "-"))


def shown(title: str) -> tuple[str, dict[str, str]]:
    """The first TOML of a section, with the files of that section."""
    section = title.replace(" ", "-")
    text, files = next(one.values for one in builds_of_the_page() if one.id == f"{section}-1")
    return text, files


def lack(build: Build) -> str:
    """Why a build cannot run on this machine; empty where it can."""
    if build.kind in ("clap", "vst3"):
        return own_plugins.lack(build.kind)
    if build.object == "effects:Reverb" and importlib.util.find_spec("pedalboard") is None:
        return "pedalboard is not installed"
    if build.kind in packaged.STANDARDS:
        return packaged.lack(build.kind, build.plugin.file)
    programs = [argv[0] for argv in (build.prepare, build.argv) if argv and "{" not in argv[0]]
    return next((f"no program {program} here" for program in programs if shutil.which(program) is None), "")


@pytest.mark.parametrize(("text", "files"), [*builds_of_the_page()])
def test_a_build_of_the_page_runs_as_it_stands(text, files, tmp_path, monkeypatch):
    packaged.let_find(monkeypatch)
    for name, content in files.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    (tmp_path / "build.toml").write_text(text, encoding="utf-8")
    build = read_build(tmp_path / "build.toml")
    if reason := lack(build):
        pytest.skip(reason)
    if build.kind in ("clap", "vst3"):
        own_plugins.compile_into(tmp_path, build.kind)
        own_plugins.save_preset(tmp_path, build.kind, build.plugin.preset, build.plugin.plugin)
    with working_folder() as work:
        rendering = render(build, REQUEST, work)
    assert isinstance(rendering, Rendered), rendering
    assert np.abs(rendering.response.samples[:, 4800:]).max() > 1e-3


def test_the_page_has_builds():
    assert len(list(builds_of_the_page())) >= 3
