"""Hooks that run before a commit or a push: what they call is there, and stops what it should."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import pytest

from conftest import Workspace
from reverdict.command_line import main

HOOKS = Path(__file__).parents[1] / ".pre-commit-hooks.yaml"

pytestmark = pytest.mark.skipif(not HOOKS.is_file(), reason="the tests run without the repository's hooks")


@pytest.fixture(scope="module")
def hooks() -> dict[str, dict[str, Any]]:
    yaml = pytest.importorskip("ruamel.yaml")
    told = yaml.YAML(typ="safe", pure=True).load(HOOKS.read_text(encoding="utf-8"))
    return {hook["id"]: hook for hook in told}


def run(hook: dict[str, Any], *more: str) -> int:
    program, *arguments = shlex.split(hook["entry"])
    assert program == "reverdict"
    return main([*arguments, *more])


def test_a_hook_installs_the_package_and_takes_no_names_of_files(hooks: dict[str, dict[str, Any]]) -> None:
    assert set(hooks) == {"reverdict-golden-verify", "reverdict-gate"}
    for hook in hooks.values():
        assert (hook["language"], hook["pass_filenames"]) == ("python", False)
    assert "pre-commit" not in hooks["reverdict-gate"]["stages"]


def test_a_golden_that_was_altered_is_not_committed(
    hooks: dict[str, dict[str, Any]], workspace: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(workspace.root)
    assert run(hooks["reverdict-golden-verify"]) == 0
    workspace.impulse().write_bytes(workspace.impulse("long").read_bytes())
    assert run(hooks["reverdict-golden-verify"]) != 0


def test_a_build_that_does_not_pass_is_not_pushed(
    hooks: dict[str, dict[str, Any]], workspace: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(workspace.root)
    assert run(hooks["reverdict-gate"], str(workspace.build())) == 0
    assert run(hooks["reverdict-gate"], str(workspace.faulty("silence", "short"))) == 1
