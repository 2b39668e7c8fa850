"""Mutation checks of the judge: one small change at a time in its source; some test must fail for it.

    python tests/mutation.py                          the judge and every check, all mutants
    python tests/mutation.py judging check.counted    some of them
    python tests/mutation.py judging --sample 12      so many mutants of each, evenly spaced

A mutant is one change of one place: a comparison at its edge or turned round, a sum for a difference, a product for a
quotient, ``and`` for ``or``, a condition or a sign turned, a number one more, ``min`` for ``max``, ``any`` for ``all``.
Texts, types, asserts, zips that are strict and what is imported stay. Each is tried in a forked process of its own, in
which it stands in the place of the module and the tests of that module are run until the first failure; nothing is
written. Status 1 where one survives.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import importlib
import io
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

TESTS = Path(__file__).parent
PACKAGE = TESTS.parent / "checks" / "reverdict"
SECONDS = 120

WITHOUT_BUILDS = " and ".join(
    f"not {word}"
    for word in (
        "uncertainty_covers", "differs_between", "command_build", "python_build", "kernel_is_timed", "faulty_build",
        "stopped_by_what_it_does", "bursts", "sums_all", "rate_that_is_refused", "never_starts",
    )
)  # fmt: skip

MODULES = {
    "judging": ["test_judging.py"],
    "check.counted": ["test_counted.py"],
    "check.cost": ["test_cost.py", "-k", WITHOUT_BUILDS],
    "check.blocks": ["test_cost.py", "-k", WITHOUT_BUILDS],
    "check.cycles": ["test_cycles.py"],
    "check.growth": ["test_growth.py", "-k", WITHOUT_BUILDS],
    "check.conduct": ["test_conduct.py"],
    "check.echo_timing": ["test_checks.py"],
    "check.group_delay": ["test_checks.py"],
    "check.energy_decay": ["test_checks.py"],
}
"""Each module of the judge, and the tests that are to catch its mutants: those that start no builds."""

EARLY = ("pytest", "hypothesis", "scipy.signal", *(f"reverdict.{name}" for name in MODULES))

EDGES = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
TURNED = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
SUMS = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}


def mutants(source: str) -> Iterator[tuple[str, Callable[[], ast.Module]]]:
    """Each mutant of a module: where and what it is, and what makes its tree."""
    tree = ast.parse(source)
    for number, node in enumerate(_changeable(tree)):
        for what, change in _changes(node):
            yield f"{node.lineno}:{node.col_offset + 1} {what}", partial(_made, tree, number, change)


def _made(tree: ast.Module, number: int, change: Callable[[ast.AST], object]) -> ast.Module:
    mutant = copy.deepcopy(tree)
    change(next(islice(_changeable(mutant), number, None)))
    return ast.fix_missing_locations(mutant)


def _changeable(tree: ast.AST) -> Iterator[ast.AST]:
    """Nodes that do something: no annotations, no asserts, nothing for type checkers alone, no texts."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.Assert | ast.JoinedStr):
                continue
            if isinstance(child, ast.keyword) and child.arg == "strict":  # of zip: as good as an assert
                continue
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                continue
            if hasattr(child, "lineno"):
                yield child
            yield from _changeable(child)


def _changes(node: ast.AST) -> Iterator[tuple[str, Callable[[Any], object]]]:
    """What can be changed of a node: in words, and a function that changes its twin."""
    match node:
        case ast.Compare(ops=[op]):
            for table in (EDGES, TURNED):
                if other := table.get(type(op)):
                    yield (
                        f"{type(op).__name__} -> {other.__name__}",
                        lambda twin, to=other: twin.ops.__setitem__(0, to()),
                    )
        case ast.BinOp(op=op) if type(op) in SUMS and not isinstance(node.left, ast.Constant | ast.JoinedStr):
            to = SUMS[type(op)]
            yield f"{type(op).__name__} -> {to.__name__}", lambda twin: setattr(twin, "op", to())
        case ast.BoolOp(op=op):
            other = ast.Or if isinstance(op, ast.And) else ast.And
            yield f"{type(op).__name__} -> {other.__name__}", lambda twin: setattr(twin, "op", other())
        case ast.UnaryOp(op=ast.Not() | ast.USub()):
            yield (
                "sign or not taken away",
                lambda twin: (
                    setattr(twin, "op", ast.UAdd())
                    if isinstance(twin.op, ast.USub)
                    else setattr(twin, "operand", ast.UnaryOp(ast.Not(), twin.operand))
                ),
            )
        case ast.If() | ast.IfExp() | ast.While():
            yield "condition turned", lambda twin: setattr(twin, "test", ast.UnaryOp(ast.Not(), twin.test))
        case ast.Constant(value=bool(value)):
            yield f"{value} -> {not value}", lambda twin: setattr(twin, "value", not value)
        case ast.Constant(value=int(value) | float(value)):
            yield f"{value} -> {value + 1}", lambda twin: setattr(twin, "value", value + 1)
        case ast.Name(id=name) if name in NAMES:
            yield f"{name} -> {NAMES[name]}", lambda twin: setattr(twin, "id", NAMES[name])


def caught(module: str, mutant: ast.Module, tests: list[str]) -> bool:
    """Whether a test fails, or does not end, with the mutant in place."""
    child = os.fork()
    if not child:
        with contextlib.suppress(BaseException):
            os.setpgid(0, 0)
            os._exit(_status(module, mutant, tests))
        os._exit(1)  # what does not even import is caught, too
    deadline = time.monotonic() + SECONDS
    while time.monotonic() < deadline:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status) != 0
        time.sleep(0.01)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


def _status(module: str, mutant: ast.Module | None, tests: list[str]) -> int:
    import pytest

    if mutant is not None:
        _put_in_place(f"reverdict.{module}", mutant)
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        files = [str(TESTS / word) if word.endswith(".py") else word for word in tests]
        return int(
            pytest.main(
                [
                    "-x",
                    "-q",
                    "--tb=no",
                    "-o",
                    "filterwarnings=",
                    "-p",
                    "no:xdist",
                    "-p",
                    "no:cacheprovider",
                    "-m",
                    "not slow",
                    *files,
                ]
            )
        )


def _put_in_place(name: str, mutant: ast.Module) -> None:
    """Into the module that is loaded already, whose names tests import afterwards."""
    module = importlib.import_module(name)
    exec(compile(mutant, str(module.__file__), "exec"), vars(module))  # noqa: S102 - our own source, changed in one place


def main() -> int:
    parser = argparse.ArgumentParser(description="mutation checks of the judge")
    parser.add_argument("modules", nargs="*", metavar="MODULE", help=", ".join(MODULES))
    parser.add_argument("--sample", type=int, default=0, metavar="N", help="so many mutants of each")
    options = parser.parse_args()
    sys.path[:0] = [str(TESTS), str(TESTS.parent / "checks")]
    for name in (
        "reverdict.trial",
        "reverdict.gate",
        "reverdict.conducting",
        "reverdict.demo.physical_springs",
        *EARLY,
    ):
        importlib.import_module(name)  # once, and not in every process
    survivors = 0
    for module in options.modules or MODULES:
        source = PACKAGE.joinpath(*module.split(".")).with_suffix(".py").read_text(encoding="utf-8")
        every = list(mutants(source))
        count = min(options.sample or len(every), len(every))
        chosen = [every[number * len(every) // count] for number in range(count)]
        assert not caught(module, ast.parse(source), MODULES[module]), f"{module}: its tests fail without a mutant"
        left = [what for what, made in chosen if not caught(module, made(), MODULES[module])]
        survivors += len(left)
        print(f"{module}: {len(chosen) - len(left)} of {len(chosen)} mutants caught", flush=True)
        for what in left:
            print(f"  survives: {module.replace('.', '/')}.py:{what}", flush=True)
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main())
