"""What the gate says in a terminal: sentences first, then a margin ruler per check, then why and what to do next.

Plain text. Bold and colour only add to what the words say, and only on a terminal that wants them (a tty, ``NO_COLOR``
unset, ``TERM`` not "dumb"). Where the stream cannot encode the ruler, everything is written in ASCII.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any, TextIO

from reverdict.report import cells, margin_ruler
from reverdict.report.ranking import reached, references_worst_first, worst_finding
from reverdict.report.wording.basics import (
    CHECK_NAMES,
    CONDUCT_FAILED,
    about_unreached,
    extent,
    figure,
    in_short,
    listed,
    place,
    plain,
    questions_not_put,
    reason_lines,
    share,
    shorten,
    tally,
)
from reverdict.report.wording.cost import (
    details,
    in_percent,
    largest_share,
    moved,
    part,
    places_of,
    share_of,
    short_unit_of,
    signed,
    stages_of,
    whole_of,
)
from reverdict.report.wording.sentences import ERRORS_SPOKEN_OF, about_diagnosis, headline, opening

LINE_WIDTH = 100
_CELLS_HEAD, _CELL_WIDTH = "cell, share of limit", 12
STAGES_SHOWN = 5

_TRANSLITERATION = str.maketrans(
    {"−": "-", "±": "+/-", "→": "->", "µ": "u", "…": "...", "–": "-", "∞": "inf", "≤": "<="}
)
_BOLD, _DIM, _OUT, _PLAIN = "\x1b[1m", "\x1b[2m", "\x1b[1;33m", "\x1b[0m"
_EMPHASIS = {"pass": "", "fail": _OUT, "unsure": _BOLD, "not asked": _DIM}


def show(verdict: Mapping[str, Any], stream: TextIO) -> None:
    """Write the verdict to a stream in what the stream can show."""
    said = text(verdict, emphasis=wants_emphasis(stream))
    if not margin_ruler.can_draw(stream):
        said = in_ascii(said)
    stream.write(said)
    stream.flush()


def wants_emphasis(stream: TextIO) -> bool:
    """Whether bold and colour are welcome: a terminal, NO_COLOR unset or empty, and not a dumb one."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def text(verdict: Mapping[str, Any], *, emphasis: bool = False) -> str:
    """Give the whole verdict as text, a final newline included."""
    lines = [_strong(headline(verdict), str(verdict["outcome"]), emphasis)]
    lines += [line for paragraph in opening(verdict) for line in wrapped(paragraph)]
    lines += [f"error: {plain(error)}" for error in verdict["errors"][ERRORS_SPOKEN_OF:]]
    for reference in references_worst_first(verdict):
        lines += ["", *_reference(reference, str(verdict["build"]["kind"]), emphasis)]
    return "\n".join([*lines, "", f"checks: {tally(verdict)}", ""])


def in_ascii(said: str) -> str:
    """Write the same in ASCII: rulers cell by cell, signs by their usual stand-ins, the rest as escapes."""
    drawn = margin_ruler.in_ascii(said).translate(_TRANSLITERATION)
    return drawn.encode("ascii", "backslashreplace").decode("ascii")


def _reference(reference: Mapping[str, Any], kind: str, emphasis: bool) -> list[str]:
    name, title = shorten(plain(reference["name"])), shorten(plain(reference["title"]))
    lines = [_strong(name, "unsure", emphasis) + (f"  {title}" if title and title != name else "")]
    for said in about_diagnosis(reference):
        lines += [f"  {part}" for part in wrapped(said, indent=2)]
    put, waiting = reached(reference)
    for check in put:
        lines.append(_check(check, emphasis))
        told = [*reason_lines(check, reference, kind), *questions_not_put(check)]
        lines += [f"      {part}" for line in told for part in wrapped(line, indent=6)]
        if check["check"] == "cost":
            lines += [f"      {line}" for line in _stages(reference, well=check["outcome"] == "pass")]
    lines += [f"  {line}" for line in _cells(reference, emphasis)]
    for remark in reference.get("remarks", ()):
        lines += [f"  {part}" for part in wrapped(plain(remark), indent=2)]
    if waiting:
        lines += [f"  {said}: {CONDUCT_FAILED}" for said in about_unreached(waiting, reference)]
    return lines


def _cells(reference: Mapping[str, Any], emphasis: bool) -> list[str]:
    """Cells × checks, the word and the share of its limit that the worst finding uses; nothing where there is one."""
    told, unasked = cells.table(reference)
    lines = []
    if len(told) > 1:
        checks = cells.columns([cell for cell, _ in told])
        labels = [shorten(plain(cells.label(cell))) for cell, _ in told]
        wide = max(map(len, [_CELLS_HEAD, *labels]))
        head = [f"{_CELLS_HEAD:<{wide}}", *(f"{CHECK_NAMES[check]:<{_CELL_WIDTH}}" for check in checks)]
        lines.append(_strong("  ".join(head).rstrip(), "not asked", emphasis))
        for name, (_, there) in zip(labels, told, strict=True):
            put = {check["check"]: check for check in there["checks"]}
            said = [(put[check]["outcome"], f"{in_short(put[check], there):<{_CELL_WIDTH}}") for check in checks]
            row = [f"{name:<{wide}}", *(_strong(word, outcome, emphasis) for outcome, word in said)]
            lines.append("  ".join(row).rstrip())
    for why, names in unasked:
        lines += wrapped(f"not asked of {listed(map(plain, names))}: {plain(why)}", indent=2)
    return lines


def _stages(reference: Mapping[str, Any], *, well: bool) -> list[str]:
    """What a sample costs, stage by stage, what moved most first; a line where all is well and nothing moved."""
    whole, stages = whole_of(reference), stages_of(reference)
    if whole.candidate is None:
        return []
    changed = moved(reference)
    if well and not changed:
        return [largest_share(reference)]
    shown = [*changed, *(one for one in stages if one not in changed)]
    shown = [*shown[: STAGES_SHOWN if len(shown) <= STAGES_SHOWN else STAGES_SHOWN - 1], whole]
    places = places_of(reference)
    columns = [
        [shorten(one.name, 30) for one in shown],
        [figure(one.golden, places) for one in shown],
        [figure(one.candidate, places) for one in shown],
        [signed(one.change, places) for one in shown],
        [
            share_of(one.candidate, whole.candidate)
            if one is not whole
            else f"({in_percent(one.change, one.golden)})".removeprefix("()")
            for one in shown
        ],
    ]
    name, golden, candidate, change, share = (_even(column, left=not index) for index, column in enumerate(columns))
    rows = [
        f"{a}  {b} → {c}  {d}  {e}".rstrip()
        for a, b, c, d, e in zip(name, golden, candidate, change, share, strict=True)
    ]
    rows.insert(0, f"{short_unit_of(reference)}, golden → build, change, share of the whole:")
    if left := len(stages) + 1 - len(shown):
        rows.insert(-1, f"and {left} more stages")
    if part(details(reference), "counted").get("golden_from") == "reference":
        rows[-1] += "  golden as the reference holds it"
    return rows


def _even(column: list[str], *, left: bool) -> list[str]:
    """Pad to one width."""
    wide = max(map(len, column))
    return [one.ljust(wide) if left else one.rjust(wide) for one in column]


def _check(check: Mapping[str, Any], emphasis: bool) -> str:
    worst = worst_finding(check)
    outcome = check["outcome"]
    drawn = margin_ruler.text(margin_ruler.ruler_of(worst, outcome))
    word = outcome if outcome != "unsure" or check["closes_gate"] else "unsure, accepted"
    where = (
        ": ".join(filter(None, (place(worst), extent(worst).partition(", limit")[0])))
        if worst and outcome == "pass"
        else ""
    )
    because = plain(check["reason"]) if outcome == "not asked" or word == "unsure, accepted" else ""
    said = f"  {CHECK_NAMES[check['check']]:<12} {drawn} "
    told = "  ".join(part for part in (share(worst), where, because) if part)
    padded = f"{word:<9}" if told else word
    return said + _strong(padded, outcome, emphasis) + (f" {shorten(told, 160)}" if told else "")


def _strong(said: str, outcome: str, emphasis: bool) -> str:
    sign = _EMPHASIS.get(outcome, _OUT) if emphasis else ""
    return f"{sign}{said}{_PLAIN}" if sign else said


def wrapped(said: str, indent: int = 0) -> list[str]:
    """Lines of a text broken at spaces; with ``indent``, room is left for it and a continued line stands further in."""
    lines, room = [""], LINE_WIDTH - indent
    for word in said.split(" "):
        if lines[-1] and len(lines[-1]) + 1 + len(word) > room:
            lines.append(f"{'  ' if indent else ''}{word}")
        else:
            lines[-1] += f"{' ' if lines[-1] else ''}{word}"
    return lines
