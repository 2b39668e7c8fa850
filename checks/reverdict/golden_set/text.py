"""The TOML of golden references as text: written for a newcomer to read, edited without losing a comment."""

from __future__ import annotations

import difflib
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.items import Item, Table

from reverdict import own_checks
from reverdict.errors import BadInput
from reverdict.schema import TOLERANCES_FILE
from reverdict.schema.meanings import reference_keys, tolerance_keys
from reverdict.schema.tables.tolerances import OPTIONAL_TOLERANCES
from reverdict.words import CHECK_TABLES

LINE_LENGTH = 110

PROPOSED_TOLERANCES = """\
# Tolerances for every reference of this folder. A reference may override any of them in its own table.
# They are proposals, a quarter to a half of what is heard: tighten them where your build repeats exactly,
# widen them only with a reason.

[echo_timing]
arrival_ms = 0.1          # every pass of every spring, either way
onset_ms = 0.1            # the first sound, either way

[group_delay]
# [Hz, ms], interpolated on log frequency: tight where the ear is, wide near the transition frequency, where the
# delay itself grows without bound. Headphone listeners notice about 0.5 ms at best.
delay_ms = [[3000, 0.25], [4000, 1.0]]
transition_percent = 1

[energy_decay]
edt_percent = 2           # 5 % is just noticed (ISO 3382-1, Table A.1)
t20_percent = 2
t30_percent = 2
level_db = 0.5            # level of each band; 1 dB is just noticed

[cost]
dearer_percent = 10       # how much more a sample may cost
cheaper_percent = 100     # any saving is welcome; lower it to be told of suspicious ones

[conduct]
# A build must be usable: finite, not silent, of the right length, in one piece. Beyond that it must keep to itself:
# asked again, softer, turned over, later, amid noise, in odd blocks, after a reset or beside another instance, it may
# answer a click differently by so many percent of the response (1 is -40 dB, 0.001 is -100 dB). What a reverb does on
# purpose is declared in its own table: [conduct.declared] time_variance = "its delay lines are modulated".
repeats_percent = 0.01
level_scaling_percent = 1
superposition_percent = 1
time_variance_percent = 1
block_size_percent = 0.1
reset_percent = 0.1
instances_percent = 0.1
cold_start_percent = 10   # without silence before the click
silence_percent = 0.001   # what sounds for silence, of full scale
dc_percent = 0.001
tail_percent = 0.01       # of the loudest sample, once the tail should have died away by 130 dB
slow_tail_percent = 300   # how much dearer silence may be than sound, as where numbers become denormal
"""


def proposed_tolerances() -> dict[str, Any]:
    """What a tolerances.toml holds that nobody has written yet."""
    return dict(tomlkit.parse(PROPOSED_TOLERANCES).unwrap())


def reference_text(name: str, tables: Mapping[str, Any], evidence: Mapping[str, str]) -> str:
    """reference.toml with the meaning of every key, or where its value comes from ("table.key" in ``evidence``).

    Unknown keys are written too, for the reader to refuse.
    """
    document = tomlkit.document()
    document.add(tomlkit.comment(f"How {name} must sound, and how far a build may depart from it."))
    document.add(
        tomlkit.comment("Tolerances and comments are yours to edit. Impulses, digests and the approval change")
    )
    document.add(tomlkit.comment(f"by: reverdict golden approve {name} --from BUILD --why TEXT"))
    document.add(tomlkit.nl())
    meanings = reference_keys()
    keys = _in_order({**{table: {} for table in CHECK_TABLES}, **tables}, meanings)
    plain = [key for key in keys if not isinstance(tables.get(key, {}), Mapping) and key != "files"]
    for key in plain:
        _explain(document, key, tables[key], meanings.get(key, ""))
    files = tomlkit.aot()
    for file in tables["files"]:
        files.append(tomlkit.item(dict(file)))
    document.add(tomlkit.nl())
    document.add("files", files)
    for key in keys:
        if key not in plain and key != "files":
            document.add(tomlkit.nl())
            document.add(key, _table(key, tables.get(key, {}), meanings.get(key, ""), evidence))
    return tomlkit.dumps(document)


def with_files(text: str, files: Sequence[Mapping[str, str]], price: Mapping[str, Any]) -> str:
    """reference.toml with other impulses, if there are any, and what they cost; comments and tolerances as they were.

    price : keys of ``[cost]``, the golden's own figures.
    """
    document: dict[str, Any] = tomlkit.parse(text)
    by_input = {file["input"]: file for file in files}
    for entry in document["files"]:
        entry.update(by_input.get(entry["input"], {}))
    if price:
        table = document.setdefault("cost", tomlkit.table())
        if "instructions_per_sample" in price:
            table.pop("stages", None)  # those of another count
        table.update(price)
    return tomlkit.dumps(document)


def with_terms(text: str, settings: Sequence[Setting]) -> str:
    """reference.toml with other terms; comments stay, also those beside what is set."""
    document: dict[str, Any] = tomlkit.parse(text)
    for one in settings:
        if one.table not in document:
            document[one.table] = tomlkit.table()
        table = document[one.table]
        if one.value is None:
            table.pop(one.key, None)
        else:
            table[one.key] = one.value
    return tomlkit.dumps(document)


def with_approval(text: str, approval: Mapping[str, str | int | datetime]) -> str:
    """reference.toml with another approval."""
    document: dict[str, Any] = tomlkit.parse(text)
    document["approval"].update(approval)
    return tomlkit.dumps(document)


@dataclass(frozen=True)
class Setting:
    """One term to be set in a reference.toml. ``value`` None takes its own one away, so that the shared one holds."""

    table: str
    key: str
    value: Any


def settings_from(texts: Sequence[str]) -> list[Setting]:
    """TABLE.KEY=VALUE as said on a command line, each key once; VALUE is TOML, or ``default``.

    Raises
    ------
    BadInput
        Not of that form, no check table, no TOML, or said twice. What the key and its value may be, the schema says.
    """
    settings = [_setting(text) for text in texts]
    for number, one in enumerate(settings):
        if any((one.table, one.key) == (other.table, other.key) for other in settings[:number]):
            raise BadInput(f"--set {texts[number]}", f"{one.table}.{one.key} is set already; say it once")
    return settings


def _setting(text: str) -> Setting:
    name, equals, value = (part.strip() for part in text.partition("="))
    table, dot, key = name.partition(".")
    place = f"--set {text}"
    if not (equals and dot and key and value):
        raise BadInput(place, "is not TABLE.KEY=VALUE, such as echo_timing.arrival_ms=0.2")
    table = table.replace("-", "_")
    known = (*CHECK_TABLES, *own_checks.tables())
    if table not in known:
        near = difflib.get_close_matches(table, known, 1)
        meant = f"did you mean {near[0]}?" if near else f"there are {', '.join(known)}"
        raise BadInput(place, f'"{table}" is no check table; {meant}')
    if value == "default":
        return Setting(table, key, None)
    try:
        return Setting(table, key, tomlkit.value(value))
    except (tomlkit.exceptions.TOMLKitError, ValueError):
        raise BadInput(place, f"{value} is not a TOML value; text stands in quotes, 'not_asked=\"…\"'") from None


def comments_beside(text: str, settings: Sequence[Setting]) -> dict[str, str]:
    """Comments at the ends of the lines of these terms, by "table.key"."""
    document: dict[str, Any] = tomlkit.parse(text)
    found = {}
    for one in settings:
        item = document.get(one.table, {}).get(one.key)
        if isinstance(item, Item) and item.trivia.comment:
            found[f"{one.table}.{one.key}"] = item.trivia.comment.removeprefix("#").strip()
    return found


def _table(name: str, values: Mapping[str, Any], heading: str, evidence: Mapping[str, str]) -> Table:
    meanings = {key: evidence.get(f"{name}.{key}", said) for key, said in reference_keys(name).items()}
    table = tomlkit.table()
    if heading:
        table.comment(heading)
    keys = _in_order(values, meanings)
    inner = [key for key in keys if isinstance(values[key], Mapping)]
    for key in keys:
        if key not in inner:
            _explain(table, key, values[key], meanings.get(key, ""))
    usual = tolerance_keys(name).keys() - OPTIONAL_TOLERANCES if name in CHECK_TABLES else ()
    shared = [key for key in meanings if key in usual and key not in values]
    if shared and "not_asked" not in values:
        table.add(tomlkit.comment(f"from ../{TOLERANCES_FILE}, unless set here: {', '.join(shared)}"))
    for key in inner:  # whatever came after would be theirs
        _explain(table, key, values[key], meanings.get(key, ""))
    return table


def _explain(table: Table | Container, key: str, value: Any, meaning: str) -> None:
    """Add a key with its meaning at the end of its line, or above it where that would be too long."""
    item = tomlkit.item(value)
    if meaning and not isinstance(value, Mapping):
        if len(f"{key} = {item.as_string()} # {meaning}") <= LINE_LENGTH:
            item.comment(meaning)
        else:
            for line in textwrap.wrap(meaning, LINE_LENGTH - 2):
                table.add(tomlkit.comment(line))
    table.add(key, item)


def _in_order(keys: Mapping[str, Any], known: Mapping[str, Any]) -> list[str]:
    """Keys as the schema lists them, unknown ones last."""
    return [key for key in known if key in keys] + [key for key in keys if key not in known]
