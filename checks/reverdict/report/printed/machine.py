"""What a machine can do, in words: a sentence first, then each thing with what it serves, then how to get the rest.

Pure functions of what ``abilities`` found and ``machine.describe`` told, in the shape of ``reverdict machine --json``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TextIO

from reverdict.report import margin_ruler
from reverdict.report.printed.verdict import in_ascii, wrapped
from reverdict.report.wording.basics import listed, plain

if TYPE_CHECKING:
    from collections.abc import Mapping

SCHEMA = 1


def show(told: Mapping[str, Any], stream: TextIO) -> None:
    """Write it to a stream in what the stream can show."""
    said = text(told)
    stream.write(said if margin_ruler.can_draw(stream) else in_ascii(said))
    stream.flush()


def text(told: Mapping[str, Any]) -> str:
    """Give the whole as text, a final newline included."""
    lines = [*wrapped(headline(told)), *wrapped(_machine(told))]
    wide = max(len(one["name"]) for one in told["abilities"])
    group = ""
    for one in told["abilities"]:
        if one["group"] != group:
            group = one["group"]
            lines += ["", group]
        mark = {"here": "", "in part": "in part: ", "missing": "missing: "}[one["state"]]
        lines += _beside(one["name"], wide, f"{mark}{plain(one['told'])}", f"for {one['serves']}")
    wanted = [one for one in told["abilities"] if one["getting"]]
    if wanted:
        lines += ["", "how to get the rest"]
        for one in wanted:
            lines += _beside(one["name"], wide, one["getting"])
    return "\n".join([*lines, ""])


def headline(told: Mapping[str, Any]) -> str:
    """The sentence that a colleague would say."""
    short = {
        state: [one["name"] for one in told["abilities"] if one["state"] == state] for state in ("missing", "in part")
    }
    if not any(short.values()):
        return "Everything that reverdict can make use of is here."
    parts = []
    if short["missing"]:
        parts.append(f"{_first_big(listed(short['missing']))} {_are(short['missing'])} missing here.")
    if short["in part"]:
        parts.append(f"{_first_big(listed(short['in part']))} will do in part.")
    return " ".join([*parts, "All else that reverdict can make use of is here."])


def _machine(told: Mapping[str, Any]) -> str:
    machine = told["machine"]
    cores = f"{machine['cores']} core{'s' * (machine['cores'] != 1)}"
    parts = [machine["class"], cores, machine["processor"], machine["system"], machine["libc"]]
    return ", ".join(
        [*(plain(part) for part in parts if part), f"Python {machine['python']}, reverdict {told['reverdict']}"]
    )


def _beside(name: str, wide: int, *said: str) -> list[str]:
    """A name, and beside it what is said of it, wrapped under itself."""
    margin = wide + 4
    lines = [" " * margin + part for one in said for part in wrapped(one, indent=margin)]
    return [f"  {name:<{wide}}  {lines[0].lstrip()}", *lines[1:]]


def _are(names: list[str]) -> str:
    return "is" if len(names) == 1 and not names[0].endswith("plug-ins") else "are"


def _first_big(said: str) -> str:
    return said[0].upper() + said[1:]
