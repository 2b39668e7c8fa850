"""What ``reverdict sensitivity`` prints: sentences first, then a table of sizes, fault by fault and check by check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TextIO

from reverdict import words
from reverdict.report import margin_ruler
from reverdict.report.printed.verdict import LINE_WIDTH, in_ascii
from reverdict.report.wording.basics import CHECK_NAMES, listed, plain, shorten
from reverdict.report.wording.sensitivity import (
    about_reference,
    first_to_catch,
    in_order,
    key_lines,
    number,
    sizeless,
)

Json = Mapping[str, Any]

CELL = 13


def show(result: Json, stream: TextIO) -> None:
    """Write the result to a stream in what the stream can show."""
    said = text(result)
    if not margin_ruler.can_draw(stream):
        said = in_ascii(said)
    stream.write(said)
    stream.flush()


def text(result: Json) -> str:
    """Give the whole result as text, a final newline included."""
    lines: list[str] = []
    for reference in result["references"]:
        title = plain(reference["title"])
        lines += [f"{shorten(plain(reference['name']))}  {shorten(title)}".rstrip()]
        lines += [line for sentence in about_reference(reference) for line in _wrapped(sentence)]
        lines += ["", *_table(reference), ""] if reference["faults"] else [""]
    return "\n".join([*lines, *key_lines(), ""])


def _table(reference: Json) -> list[str]:
    """One line per fault; a column for each check that catches one."""
    faults = in_order(reference)
    shown = [check for check in words.CHECKS if any(_catches(fault, check) for fault in faults)]
    heads = [CHECK_NAMES[check].rjust(CELL) for check in shown]
    lines = [f"  {'fault':<33}{'unit':<19}{'gate':>{CELL}}{''.join(heads)}{'heard':>8}  first"]
    for fault in faults:
        cells = [_cell(fault, name).rjust(CELL) for name in ("gate", *shown)]
        heard = number(fault["heard"]["size"]) if fault["heard"] else ""
        first = ", ".join(CHECK_NAMES[check] for check in first_to_catch(fault)) or "slips through"
        unit = plain(fault["unit"])
        lines.append(f"  {plain(fault['fault']):<33}{unit:<19}{''.join(cells)}{heard:>8}  {first}")
    idle = [CHECK_NAMES[check] for check in words.CHECKS if faults[0]["caught"].get(check) and check not in shown]
    return [*lines, f"  Asked, and caught none: {listed(idle)}."] if idle else lines


def _catches(fault: Json, check: str) -> bool:
    caught = fault["caught"].get(check)
    return bool(caught and caught["stopped_from"] is not None)


def _cell(fault: Json, name: str) -> str:
    """Where a check begins to stop a fault, and to fail it: "−66? −34"."""
    caught = fault["caught"].get(name)
    if caught is None:
        return ""
    stopped, failed = caught["stopped_from"], caught["fails_from"]
    if stopped is None:
        return "–~" if caught["slips_again_at"] else "–"
    if sizeless(fault):
        return "fail" if failed is not None else "unsure"
    again = "~" if caught["slips_again_at"] else ""
    least = "≤" if caught["at_mildest"] else ""
    if failed == stopped:
        return f"{least}{number(stopped)}{again}"
    return f"{least}{number(stopped)}?{again}" + ("" if failed is None else f" {number(failed)}")


def _wrapped(said: str) -> list[str]:
    lines = [""]
    for word in said.split(" "):
        if lines[-1] and len(lines[-1]) + 1 + len(word) > LINE_WIDTH:
            lines.append(f"  {word}")
        else:
            lines[-1] += f"{' ' if lines[-1] else ''}{word}"
    return lines
