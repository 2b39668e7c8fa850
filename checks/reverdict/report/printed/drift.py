"""A history in a terminal: sentences first, then what moved, a margin ruler in the original tolerance each."""

from __future__ import annotations

from typing import TextIO

from reverdict.history.lines import History, Line
from reverdict.report import margin_ruler
from reverdict.report.printed.verdict import in_ascii, wrapped
from reverdict.report.wording.basics import plain, shorten
from reverdict.report.wording.drift import check_of, name_of, opening, remarks, ruler_of, share_of, since_first, story

SHOWN = 8
"""Quantities of one reference; the others are counted."""


def show(history: History, within: float, stream: TextIO) -> None:
    """Write a history to a stream in what the stream can show."""
    said = text(history, within)
    stream.write(said if margin_ruler.can_draw(stream) else in_ascii(said))
    stream.flush()


def text(history: History, within: float) -> str:
    """Give the whole history as text, a final newline included."""
    lines = [line for paragraph in opening(history, within) for line in wrapped(paragraph)]
    together: dict[tuple[str, str], list[Line]] = {}
    for line in history.moved:
        together.setdefault((line.build, line.reference), []).append(line)
    for (build, reference), moved in together.items():
        lines += ["", shorten(plain(reference)) + (f"  {shorten(plain(build))}" if build else "")]
        for line in moved[:SHOWN]:
            lines += _line(line, history)
        if len(moved) > SHOWN:
            lines.append(f"  and {len(moved) - SHOWN} more")
    told = remarks(history)
    return "\n".join([*lines, *([""] if told else []), *(part for one in told for part in wrapped(one)), ""])


def _line(line: Line, history: History) -> list[str]:
    head = f"  {margin_ruler.text(ruler_of(line))}  {share_of(line)}  {check_of(line)}: {name_of(line)}"
    parts = [since_first(line), *story(line, history)]
    return [head.rstrip(), *(f"      {part}" for said in parts for part in wrapped(said, indent=6))]
