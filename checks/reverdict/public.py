"""``python -m reverdict.public``: the public interface in Markdown, written from signatures and docstrings.

checks/API.md is what it prints; a test holds the one against the other. Functions come first, then the data that they
take and give, then the dataclasses that these are made of.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import inspect
import re
import sys
from collections.abc import Iterator
from enum import Enum
from typing import Any

import reverdict

HEAD = """\
# What programs may import

Written by `python -m reverdict.public > checks/API.md` from the package itself; do not edit it. What stands here is
imported from `reverdict` by the name of its heading, and is taken away or changed by a new minor version only, which
[CHANGELOG.md](../CHANGELOG.md) tells; all else may change any day. All is typed (`py.typed`).
[README.md](README.md) says how things are measured and judged, and after whom.

    from pathlib import Path
    from reverdict import judge_build, measure_response, read_recording

    response, warnings = read_recording(Path("tank.wav"), "auto")
    for path in measure_response(response).paths:
        print([spring.pass_law for spring in path.springs.springs], path.springs.why_none)
    verdict = judge_build(Path("build.toml"), Path("golden"))
    print(verdict.outcome, [reference.outcome for reference in verdict.references])

A whole program is [tests/examples/own_program.py](../tests/examples/own_program.py): tests run it, and mypy reads it.

Shapes are those of numpy arrays, paths first, samples last. Names carry their unit: times are in seconds unless they
say `_ms`, levels in dB, uncertainties expanded (k = 2). What could not be measured is None, and a reason stands beside
it. Data is frozen. *Raises* names all that is raised for what somebody gave; anything else is a bug. What takes sound
proves it first, so that nothing measured is of nonsense. Data proves nothing when it is made. Types are those that are
written, which mypy proves.
"""


def page() -> str:
    """The whole page."""
    public = [getattr(reverdict, name) for name in reverdict.__all__]
    functions = [(name, one) for name, one in zip(reverdict.__all__, public, strict=True) if inspect.isfunction(one)]
    data = [(name, one) for name, one in zip(reverdict.__all__, public, strict=True) if inspect.isclass(one)]
    named = {one for _, one in data}
    parts = [one for _, whole in data for one in _reached(whole, named)]
    lines = [HEAD, "## Functions", ""]
    for name, function in functions:
        lines += [f"### `{name}`", "", *_code(_signature(name, function)), "", *_told(function), ""]
    lines += ["## Data", ""]
    for name, one in data:
        lines += [f"### `{name}`", "", *_described(one), *_asked_of(one), ""]
    lines += [
        "## What measurements are made of", "",
        "These come with the data above; they are not imported from `reverdict` by name.", "",
    ]  # fmt: skip
    for one in dict.fromkeys(parts):
        lines += [f"### `{one.__module__.removeprefix('reverdict.')}.{one.__name__}`", "", *_described(one), ""]
    return "\n".join(lines).rstrip() + "\n"


def _reached(whole: type[Any], known: set[type[Any]]) -> Iterator[type[Any]]:
    """Dataclasses of the package that fields of one are made of, each before what it is made of itself."""
    for found in _types_of_fields(whole):
        if found not in known:
            known.add(found)
            yield found
            yield from _reached(found, known)


def _types_of_fields(one: type[Any]) -> Iterator[type[Any]]:
    if not dataclasses.is_dataclass(one):
        return
    there = _names_of(one.__module__)
    for field in dataclasses.fields(one):
        for word in re.findall(r"\w+", str(field.type)):
            found = there.get(word)
            if inspect.isclass(found) and dataclasses.is_dataclass(found):
                yield found


def _names_of(module: str) -> dict[str, Any]:
    """What names mean in a module, those that it imports for type checkers alone included."""
    names = dict(vars(sys.modules[module]))
    for node in ast.walk(ast.parse(inspect.getsource(sys.modules[module]))):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("reverdict."):
            home = importlib.import_module(str(node.module))
            names |= {alias.name: getattr(home, alias.name) for alias in node.names if hasattr(home, alias.name)}
    return names


def _described(one: type[Any]) -> list[str]:
    if issubclass(one, Enum):
        members = [f"{one.__name__}.{member.name} = {member.value!r}" for member in one]
        return [*_code(members), "", *_told(one)]
    if dataclasses.is_dataclass(one):
        fields = [f"{field.name}: {field.type}{_default(field)}" for field in dataclasses.fields(one)]
        return [*_code(fields), "", *_told(one)]
    return [*_code(_signature(one.__name__, one)), "", *_told(one)]


def _asked_of(one: type[Any]) -> list[str]:
    """Properties and methods of a class that have a docstring, an item of a list each."""
    told = []
    for name, member in vars(one).items():
        function = getattr(member, "fget", None) or getattr(member, "func", None) or member
        if name.startswith("_") or not inspect.isfunction(function) or not function.__doc__:
            continue
        given, back = list(inspect.signature(function).parameters.values())[1:], function.__annotations__["return"]
        called = name if function is not member else f"{name}({', '.join(one.name for one in given)})"
        told.append(
            f"- `{called} -> {back}`: {' '.join(inspect.cleandoc(function.__doc__).split())}".replace("``", "`")
        )
    return ["", "**Besides its fields**", "", *told] if told else []


def _default(field: dataclasses.Field[Any]) -> str:
    if field.default is not dataclasses.MISSING:
        return f" = {_written(field.default)}"
    if field.default_factory is not dataclasses.MISSING:
        return f" = {getattr(field.default_factory, '__name__', '…')}()"
    return ""


def _signature(name: str, function: Any) -> list[str]:
    """A parameter on each line, types as they are written."""
    given = []
    for one in inspect.signature(function).parameters.values():
        if one.kind is inspect.Parameter.KEYWORD_ONLY and "    *," not in given:
            given.append("    *,")
        written = "" if one.default is inspect.Parameter.empty else f" = {_written(one.default)}"
        given.append(f"    {one.name}: {one.annotation}{written},")
    back = inspect.signature(function).return_annotation
    return [f"{name}(", *given, ")" if inspect.isclass(function) else f") -> {back}"]


def _written(value: Any) -> str:
    if isinstance(value, Enum):
        return f"{type(value).__name__}.{value.name}"
    return "…" if callable(value) else repr(value)


def _code(lines: list[str]) -> list[str]:
    return ["```python", *lines, "```"]


def _told(one: Any) -> list[str]:
    """The docstring: heads of sections as bold words, what is told in them and of fields as items of a list."""
    text = re.sub(r"^(\w+)\n-+$", r"**\1**", inspect.getdoc(one) or "", flags=re.MULTILINE)
    lines: list[str] = []
    in_section = False
    for line in text.replace("``", "`").splitlines():
        if line.startswith("**"):
            in_section = True
            lines += [line, ""]
        elif found := re.match(r"(\w[\w, ]*) : (.*)", line):
            lines.append(f"- `{found[1]}`: {found[2]}")
        elif in_section and line and not line.startswith(" "):
            lines.append(f"- {line}")
        else:
            lines.append(f"  {line.strip()}" if line.startswith("    ") else line)
    return lines


if __name__ == "__main__":
    sys.stdout.write(page())
