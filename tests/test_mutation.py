"""The mutation checks themselves: each mutant is one change, and a judge that lets everything pass is caught."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from mutation import MODULES, PACKAGE, mutants

RUNNER = Path(__file__).parent / "mutation.py"


def test_each_mutant_is_another_program() -> None:
    source = "def f(a, b):\n    assert a > 0\n    return a + 1 if a <= b and not b else min(a, -b)\n"
    made = {ast.unparse(make()) for _, make in mutants(source)}
    assert ast.unparse(ast.parse(source)) not in made
    assert all("assert a > 0" in one for one in made)
    for piece in ("a - 1 if", "a + 2 if", "a < b and", "a > b and", "<= b or", "max(a", "min(a, +b)", "if not (a <= b"):
        assert any(piece in one for one in made), piece


@pytest.mark.parametrize("module", MODULES)
def test_every_part_of_the_judge_has_mutants(module: str) -> None:
    source = PACKAGE.joinpath(*module.split(".")).with_suffix(".py").read_text(encoding="utf-8")
    assert len(list(mutants(source))) > 30


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="forks")
def test_most_mutants_of_the_rule_are_caught() -> None:
    """Those that survive are looked at by whoever changes the rule; a few change nothing."""
    command = [sys.executable, str(RUNNER), "judging", "--sample", "30"]
    said = subprocess.run(command, capture_output=True, text=True, check=False).stdout
    caught, of = (int(word) for word in said.partition(": ")[2].split() if word.isdigit())
    assert of == 30
    assert caught >= 28, said
