"""From which size on a fault is caught, as a rule: left is mild, right is grave, and what lies pale slips through.

    ░░░░░░░░░░░┊▒▒▒▒▒▒▒▒▒├──────────────┤
    passes      unsure   fails

One rule for a fault, from the mildest to the gravest size that was tried; sizes on a log axis, but levels and bits,
which are logarithmic already, as they are. Ground: pale where the gate passes, hatched where it is unsure, plain where
it fails. Marks carry the letter of a check: an open one where it begins to be unsure, a full one where it begins to
fail. A dotted line stands where the fault is heard.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from html import escape
from typing import Any

from reverdict.report.wording.basics import CHECK_NAMES, plain
from reverdict.report.wording.sensitivity import number, sizeless, told

Json = Mapping[str, Any]

WIDTH, HEIGHT = 440, 34
LEFT, RIGHT, TOP, FOOT = 8, 8, 3, 21
LABEL_PX = 34
LETTERS = {"echo-timing": "t", "group-delay": "g", "energy-decay": "d", "conduct": "c"}
"""A mark carries the letter of its check."""

STYLE = """
.faults{width:100%;margin:.6rem 0 1.4rem}
.faults th,.faults td{vertical-align:top;padding:.35rem 1rem .35rem 0;border-bottom:1px solid var(--line);
 text-align:left}
.faults th{font-weight:600;width:15rem}
.faults td.drawn{width:28rem}
.faults .quiet{display:block;font-weight:400}
.sense{display:block;width:100%;max-width:28rem;height:auto;font:10px system-ui,sans-serif;
 font-variant-numeric:tabular-nums}
.sense text{fill:var(--soft)}
.sense .slip{fill:var(--band)}
.sense .open{fill:none;stroke:var(--ink);stroke-width:.9}
.sense .edge{fill:none;stroke:var(--ink);stroke-width:1.2}
.sense .heard{fill:none;stroke:var(--build);stroke-width:1.4;stroke-dasharray:1.5 2.5}
.sense .at{fill:var(--paper);stroke:var(--ink);stroke-width:1.1}
.sense .at.fails{fill:var(--out);stroke:var(--paper)}
.sense .letter{fill:var(--ink);font-size:8.5px;font-weight:600;text-anchor:middle}
.sense .letter.fails{fill:var(--paper)}
@media screen and (max-width:56rem){
.faults,.faults tbody,.faults tr,.faults th,.faults td{display:block;width:auto}
.faults th,.faults td{border:0;padding:.15rem 0}.faults td.drawn{width:auto}
.faults tr{border-bottom:1px solid var(--line);padding:.5rem 0}
}
"""


def rule_svg(fault: Json, reference: Json) -> str:
    """Draw one fault."""
    spoken = escape(f"{plain(fault['fault'])}: {told(fault, reference)}")
    if sizeless(fault):
        drawn = list(_sizeless(fault))
    else:
        drawn = [*_ground(fault), *_axis(fault), *_heard(fault), *_marks(fault)]
    return (
        f'<svg class="sense" role="img" aria-label="{spoken}" viewBox="0 0 {WIDTH} {HEIGHT}">'
        f"<title>{spoken}</title>{''.join(drawn)}</svg>"
    )


def key_svg_notes() -> list[str]:
    """How to read a rule, in words."""
    letters = ", ".join(f"{letter} {CHECK_NAMES[check]}" for check, letter in LETTERS.items())
    return [
        "left is mild, right is grave: from the first to the last size that was tried",
        "pale: slips through; hatched: unsure; plain paper: fails",
        f"a mark where a check begins to catch, open where it is unsure, full where it fails: {letters}",
        "dotted: from here on it is heard, where that is known",
    ]


def place(fault: Json, size: float) -> float:
    """Where a size stands, in px."""
    if fault["scale"] == "log":
        low, high, at = (math.log(value) for value in (fault["mild"], fault["grave"], size))
    else:
        low, high, at = fault["mild"], fault["grave"], size
    share = max(0.0, min(1.0, (at - low) / (high - low)))
    return LEFT + share * (WIDTH - LEFT - RIGHT)


def stretches(fault: Json) -> list[tuple[str, float, float]]:
    """What the gate says along the axis, as runs of one outcome: outcome, from px, to px.

    Each size counts up to the next graver one that was judged.
    """
    trials = fault["trials"]
    places = [place(fault, one["size"]) for one in trials]
    runs: list[tuple[str, float, float]] = []
    for index, one in enumerate(trials):
        end = places[index + 1] if index + 1 < len(trials) else places[index]
        if runs and runs[-1][0] == one["gate"]:
            runs[-1] = (one["gate"], runs[-1][1], end)
        else:
            runs.append((one["gate"], places[index], end))
    return runs


def _ground(fault: Json) -> Iterator[str]:
    for outcome, start, end in stretches(fault):
        if outcome == "pass":
            width = max(end - start, 1)
            yield f'<rect class="slip" x="{start:.1f}" y="{TOP}" width="{width:.1f}" height="{FOOT - TOP}"/>'
        elif outcome == "unsure":
            yield _hatched(start, max(end, start + 3))


def _hatched(start: float, end: float) -> str:
    steps = int((end - start) // 4)
    strokes = "".join(
        f"M{start + 4 * step:.1f} {FOOT}L{min(start + 4 * step + 6, end):.1f} {TOP}" for step in range(steps)
    )
    return f'<path class="open" opacity=".45" d="M{start:.1f} {TOP}H{end:.1f}{strokes}"/>'


def _axis(fault: Json) -> Iterator[str]:
    yield f'<path class="edge" d="M{LEFT} {FOOT}H{WIDTH - RIGHT}M{LEFT} {TOP}V{FOOT}M{WIDTH - RIGHT} {TOP}V{FOOT}"/>'
    ends = (fault["mild"], fault["grave"])
    for value in _ticks(fault):
        at = place(fault, value)
        yield f'<path class="open" d="M{at:.1f} {FOOT}v3"/>'
        if all(abs(at - place(fault, end)) > LABEL_PX for end in ends):
            yield f'<text x="{at:.1f}" y="{HEIGHT - 2}" text-anchor="middle">{number(value)}</text>'
    for value, anchor in zip(ends, ("start", "end"), strict=True):
        yield f'<text x="{place(fault, value):.1f}" y="{HEIGHT - 2}" text-anchor="{anchor}">{number(value)}</text>'


def _ticks(fault: Json) -> list[float]:
    low, high = sorted((fault["mild"], fault["grave"]))
    if fault["scale"] == "log":
        first, last = math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9)
        return [10.0**power for power in range(first, last + 1)]
    step = 20 if high - low > 40 else 4
    return [float(value) for value in range(math.ceil(low / step) * step, math.floor(high / step) * step + 1, step)]


def _heard(fault: Json) -> Iterator[str]:
    if fault["heard"]:
        at = place(fault, fault["heard"]["size"])
        yield f'<path class="heard" d="M{at:.1f} 0V{FOOT}"/>'


def _marks(fault: Json) -> Iterator[str]:
    """Marks of the checks; those that would cover one another step aside to the right."""
    wanted = []
    for check, letter in LETTERS.items():
        caught = fault["caught"].get(check)
        for key in ("stopped_from", "fails_from"):
            size = caught[key] if caught else None
            if size is not None and not (key == "stopped_from" and size == caught["fails_from"]):
                wanted.append((place(fault, size), letter, key == "fails_from"))
    taken = -math.inf
    for at, letter, fails in sorted(wanted):
        taken = min(max(at, taken + 12.5), WIDTH - 6.0)
        css = " fails" if fails else ""
        yield (
            f'<circle class="at{css}" cx="{taken:.1f}" cy="{(TOP + FOOT) / 2:g}" r="5.8"/>'
            f'<text class="letter{css}" x="{taken:.1f}" y="{(TOP + FOOT) / 2 + 3:g}">{letter}</text>'
        )


def _sizeless(fault: Json) -> Iterator[str]:
    outcomes = fault["trials"][0]["checks"]
    at = LEFT + 6.0
    if fault["trials"][0]["gate"] == "pass":
        yield f'<rect class="slip" x="{LEFT}" y="{TOP}" width="60" height="{FOOT - TOP}"/>'
    for check, letter in LETTERS.items():
        if outcomes.get(check) in ("fail", "unsure"):
            css = " fails" if outcomes[check] == "fail" else ""
            yield (
                f'<circle class="at{css}" cx="{at:g}" cy="{(TOP + FOOT) / 2:g}" r="5.8"/>'
                f'<text class="letter{css}" x="{at:g}" y="{(TOP + FOOT) / 2 + 3:g}">{letter}</text>'
            )
            at += 14
