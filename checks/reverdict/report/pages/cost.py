"""What a reference costs, on the dashboard: stages, blocks, growth, what else it needs, and how that was measured.

Nothing where a verdict has no details of cost.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from reverdict.report.pages.markup import aligned, text_of, thin
from reverdict.report.pictures.cost import cost_picture
from reverdict.report.pictures.growth import about_growth, growth_picture
from reverdict.report.pictures.line_chart import Picture
from reverdict.report.wording.basics import figure, plain, sentence, shorten
from reverdict.report.wording.cost import (
    Stage,
    about_counting,
    about_timing,
    details,
    in_percent,
    known,
    machine_told,
    part,
    places_of,
    share_of,
    short_function,
    signed,
    stages_of,
    unit_of,
    whole_of,
)

Json = Mapping[str, Any]

_BLOCK_ROWS = (
    ("minimum", "minimum_us"),
    ("median", "median_us"),
    ("99 of 100 within", "p99_us"),
    ("999 of 1000 within", "p999_us"),
    ("worst", "worst_us"),
)
NAME_LENGTH = 60


def cost_html(reference: Json, anchor: str, machine: Json) -> str:
    """Give the section of a reference; empty without details."""
    cost = details(reference)
    body = [
        _stages(reference, anchor),
        _functions(reference, anchor),
        _blocks(part(cost, "timed", "blocks"), anchor),
        _growth(cost.get("growth") or (), cost.get("levels") or (), anchor),
        _besides(cost, anchor),
        _origin(cost, machine),
    ]
    told = "".join(body)
    return f'<div class="cost"><h3>What it costs</h3>{told}</div>' if told else ""


def _stages(reference: Json, anchor: str) -> str:
    stages, whole = stages_of(reference), whole_of(reference)
    if not stages and not known({"golden": whole.golden, "candidate": whole.candidate}, "golden", "candidate"):
        return ""
    picture = cost_picture(f"{anchor}-c-s", reference)
    table = _table(
        f"{anchor}-c-st",
        f"Stages in {unit_of(reference)}, the dearest first",
        ["", "stage", "golden", "build", "change", "in percent", "share"],
        _stage_rows(stages, whole, places_of(reference)),
        foot=bool(whole.golden is not None or whole.candidate is not None),
    )
    return f'<div class="beside">{_figure(picture)}{table}</div>'


def _stage_rows(stages: Sequence[Stage], whole: Stage, places: int) -> list[list[str]]:
    rows = [
        [
            str(number),
            _name(shorten(one.name, NAME_LENGTH)),
            figure(one.golden, places),
            figure(one.candidate, places),
            signed(one.change, places),
            in_percent(one.change, one.golden),
            share_of(one.candidate, whole.candidate),
        ]
        for number, one in enumerate(stages, start=1)
    ]
    numbers = [figure(whole.golden, places), figure(whole.candidate, places), signed(whole.change, places)]
    return [*rows, ["", "whole", *numbers, in_percent(whole.change, whole.golden), ""]]


def _functions(reference: Json, anchor: str) -> str:
    told = part(details(reference), "counted").get("functions") or []
    if not told:
        return ""
    places, whole = places_of(reference), whole_of(reference)
    rows = []
    for one in told:
        function = Stage(plain(one["function"]), one.get("golden"), one.get("candidate"))
        rows.append(
            [
                f"<code>{_name(short_function(function.name))}</code>",
                _name(shorten(plain(one.get("stage") or ""), NAME_LENGTH)),
                figure(function.golden, places),
                figure(function.candidate, places),
                signed(function.change, places),
                in_percent(function.change, function.golden),
                share_of(function.candidate, whole.candidate),
            ]
        )
    caption = f"Functions in {unit_of(reference)}, the dearest first; a function has what is spent in itself"
    heads = ["function", "stage", "golden", "build", "change", "in percent", "share"]
    table = _table(f"{anchor}-c-f", caption, heads, rows)
    number = "The dearest function" if len(rows) == 1 else f"The {len(rows)} dearest functions"
    return f"<details><summary>{number}</summary>{table}</details>"


def _blocks(blocks: Json, anchor: str) -> str:
    golden, build = part(blocks, "golden"), part(blocks, "candidate")
    budget = blocks.get("budget_us")
    rows = [
        [name, _us(golden.get(key)), _us(build.get(key)), share_of(build.get(key), budget)]
        for name, key in _BLOCK_ROWS
        if known({"a": golden.get(key), "b": build.get(key)}, "a", "b")
    ]
    if not rows:
        return ""
    count, size = blocks.get("count"), blocks.get("block_size")
    caption = "Time that a block takes, µs"
    if count and size:
        caption = f"Time that a block of {size} frames takes, µs, over {count} blocks"
    caption += f"; it lasts {figure(budget, 1)} µs" if budget else ""
    factors = [(who, told.get("real_time_factor")) for who, told in (("golden", golden), ("build", build))]
    if told := [f"{who} {_three(factor)}" for who, factor in factors if factor is not None]:
        caption += f"; real-time factor: {', '.join(told)}"
    return _table(f"{anchor}-c-b", caption, ["", "golden", "build", "share of it"], rows)


def _growth(growth: Sequence[Json], levels: Sequence[Json], anchor: str) -> str:
    drawn = [(one, growth_picture(f"{anchor}-c-g{number}", one)) for number, one in enumerate(growth)]
    figures = "".join(_figure(picture) for _, picture in drawn if picture)
    plate = f'<div class="plate">{figures}</div>' if figures else ""
    others = [sentence(about_growth(one)) for one, picture in drawn if not picture]
    if levels:
        told = ", ".join(f"{plain(one['sound'])} {_three(one['seconds'])} s" for one in levels)
        others.append(sentence(f"a second of sound takes: {told} of CPU time"))
    return plate + _list(others)


def _besides(cost: Json, anchor: str) -> str:
    """Set-up, memory, leak, and traffic with memory: a row each where one of the two is known."""
    counted, channel = part(cost, "counted"), "a sample and channel"
    leak = part(cost, "leak_kb_per_s")
    seconds = part(cost, "timed", "seconds_per_sample")
    told = (
        ("time, for this machine alone", "ns a sample", {who: value and 1e9 * value for who, value in seconds.items()}),
        ("set-up", "s", part(cost, "setup_s")),
        ("memory at its peak", "MB", part(cost, "memory_mb")),
        ("leak", "kB a second of sound", leak),
        ("reads", channel, part(counted, "reads")),
        ("writes", channel, part(counted, "writes")),
        ("first-level cache misses", channel, part(counted, "misses", "first_level")),
        ("last-level cache misses", channel, part(counted, "misses", "last_level")),
    )
    rows = []
    for name, unit, values in told:
        if not known(values, "golden", "candidate"):
            continue
        golden, build = values.get("golden"), values.get("candidate")
        change = in_percent(build - golden if golden is not None and build is not None else None, golden)
        rows.append([name, _three(golden), _three(build), change, _three(values.get("uncertainty"), ""), unit])
    heads = ["", "golden", "build", "in percent", "± U", "unit"]
    return _table(f"{anchor}-c-m", "What else it needs", heads, rows) if rows else ""


def _origin(cost: Json, machine: Json) -> str:
    """By what it was measured, where, and why some of it was not."""
    counted, timed = part(cost, "counted"), part(cost, "timed")
    said = [about_counting(counted), about_timing(timed)]
    for name, told in (("instructions", counted), ("time", timed), ("blocks", part(timed, "blocks"))):
        if told.get("why_not"):
            said.append(f"no {name}: {plain(told['why_not'])}" if name != "blocks" else plain(told["why_not"]))
    where = [value for key, value in machine_told(machine) if key in ("processor", "class", "cores")]
    if any(said) and where:
        said.append(f"measured on {', '.join(where[:2])}")
    return _list(sentence(one) for one in said if one)


def _list(lines: Iterable[str]) -> str:
    items = "".join(f"<li>{thin(text_of(one))}</li>" for one in lines)
    return f'<ul class="why">{items}</ul>' if items else ""


def _figure(picture: Picture | None) -> str:
    if picture is None:
        return ""
    return f"<figure>{picture.svg}<figcaption>{thin(text_of(sentence(picture.said)))}</figcaption></figure>"


_ALIGNED = ("golden", "build", "change")
_WORDS = ("", "stage", "function", "unit")


def _table(identity: str, caption: str, heads: Sequence[str], rows: list[list[str]], *, foot: bool = False) -> str:
    """Rows of markup under heads. Columns of figures are aligned; the last row is the sum where there is one."""
    columns = [[row[index] for row in rows] for index in range(len(heads))]
    shown = [aligned(column) if head in _ALIGNED else column for head, column in zip(heads, columns, strict=True)]
    names_row = next((index for index, head in enumerate(heads) if head in ("stage", "function")), 0)
    *body, last = [
        "".join(
            _cell(head, column[row], index == names_row)
            for index, (head, column) in enumerate(zip(heads, shown, strict=True))
        )
        for row in range(len(rows))
    ]
    top = "".join(f'<th scope="col"{_css(head)}>{head}</th>' if head else "<td></td>" for head in heads)
    lines = "".join(f"<tr>{one}</tr>" for one in body)
    end = f"</tbody><tfoot><tr>{last}</tr></tfoot>" if foot else f"<tr>{last}</tr></tbody>"
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-labelledby="{identity}"><table class="findings">'
        f'<caption id="{identity}"><span>{thin(text_of(caption))}.</span></caption><thead><tr>{top}</tr></thead>'
        f"<tbody>{lines}{end}</table></div>"
    )


def _cell(head: str, value: str, names_row: bool) -> str:
    return f'<th scope="row">{value}</th>' if names_row else f"<td{_css(head)}>{thin(value)}</td>"


def _css(head: str) -> str:
    return ' class="u"' if head in ("", "unit") else "" if head in _WORDS else ' class="n"'


def _name(name: str) -> str:
    return f"<bdi>{text_of(name)}</bdi>"


def _us(value: float | None) -> str:
    return figure(value, 1)


def _three(value: float | None, unknown: str = "–") -> str:
    """Three digits, whatever the size."""
    if value is None:
        return unknown
    return figure(value, max(0, min(6, 2 - math.floor(math.log10(abs(value)))))) if value else "0"
