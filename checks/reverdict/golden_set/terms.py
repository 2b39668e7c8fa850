"""The terms of a reference: all that its check tables say, own ones over shared ones, as they are written in TOML.

They decide how strict the judge is, so an approval seals them, and whoever changes one is told whether it gets wider.
They are compared as written, whatever types they are read into: a number; [[Hz, value], …], interpolated on log
frequency; or a table with the sides ``above`` and ``below``, of which one that is missing or ``inf`` has no limit.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from reverdict.words import CHECK_TABLES

NO_CHECKS = ("render", "approval", "cells")
"""Tables of a reference.toml that are none of a check; whatever else is there belongs to a check of some package."""

UNLIMITED, NOTHING = 1e30, 1e-30
ROUNDING = 1e-9
ANYWHERE_HZ = 1000.0

Terms = dict[str, Any]
"""Keys are "table.key"; values are text, true or false, numbers (``inf`` as the text "inf"), lists and tables."""


def in_force(own: Mapping[str, Any], shared: Mapping[str, Any]) -> Terms:
    """Terms of a reference.toml (``own``) over those of tolerances.toml, both as TOML reads.

    Of a check that is not asked, only the reason counts: what is shared of it holds for others.
    """
    terms: Terms = {}
    brought = sorted({*own, *shared} - {*CHECK_TABLES, *NO_CHECKS})
    for table in (*CHECK_TABLES, *(name for name in brought if isinstance(own.get(name, {}), Mapping))):
        written = own.get(table, {})
        merged = written if "not_asked" in written else {**shared.get(table, {}), **written}
        terms |= {f"{table}.{key}": _plain(merged[key]) for key in sorted(merged)}
    for axis, tables in sorted(own.get("cells", {}).items()):
        for table, written in sorted(tables.items()):
            terms |= {f"cells.{axis}.{table}.{key}": _plain(written[key]) for key in sorted(written)}
    return terms


def seal(terms: Terms) -> str:
    """SHA-256 of terms, the same on every machine."""
    return hashlib.sha256(json.dumps(terms, sort_keys=True, ensure_ascii=True).encode()).hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, bool | str):
        return str(value) if isinstance(value, str) else bool(value)
    if isinstance(value, int | float):
        return float(value) if math.isfinite(value) else str(float(value))
    if isinstance(value, Mapping):
        return {str(key): _plain(value[key]) for key in sorted(value)}
    if isinstance(value, Iterable):
        return [_plain(entry) for entry in value]
    return str(value)


@dataclass(frozen=True)
class Change:
    """One term that differs; None is not set. ``leaning`` says which way a tolerance goes, empty where none does."""

    key: str
    old: Any
    new: Any

    @property
    def leaning(self) -> str:
        return _leaning(self.key, self.old, self.new)

    def __str__(self) -> str:
        said = f"{self.key}: {written(self.old)} → {written(self.new)}"
        return f"{said}, {self.leaning}" if self.leaning else said


def changes(old: Terms, new: Terms) -> tuple[Change, ...]:
    """What differs between two sets of terms. Of a check that ceases to be asked only that."""
    found = []
    for key in [*old, *(key for key in new if key not in old)]:
        reason = f"{key.rpartition('.')[0]}.not_asked"
        ceased = reason in new and reason not in old
        if old.get(key) != new.get(key) and (key == reason or not ceased):
            found.append(Change(key, old.get(key), new.get(key)))
    return tuple(found)


def written(value: Any) -> str:
    """A value as it stands in TOML."""
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float | int):
        return f"{value:g}"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {written(entry)}" for key, entry in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(written(entry) for entry in value) + "]"
    return "inf" if value == "inf" else json.dumps(value, ensure_ascii=False)


def least_limit(value: Any, hz: float = ANYWHERE_HZ) -> float:
    """The stricter of the two sides of a tolerance at a frequency."""
    return min(_at(side, hz) for side in _sides(value))


JUDGED_IF_SET = (
    "tail_lag_ms", "stray_db", "repeats_percent", "block_size_percent", "instances_percent", "reset_percent",
    "level_scaling_percent", "superposition_percent", "time_variance_percent", "cold_start_percent", "silence_percent",
    "dc_percent", "tail_percent", "move_percent", "slow_tail_percent", "headroom_db", "balance_db", "mono_db",
    "instructions_percent", "stages_percent", "cache_misses_percent", "worst_block_percent", "memory_percent",
    "setup_percent", "growth_exponent", "leak_kb_per_s",
)  # fmt: skip
WIDER_IF_SET = (
    "latency_ms", "gain_db", "arrival_percent", "delay_percent", "transition_hz", "edt_s", "t20_s", "t30_s",
)  # fmt: skip
"""Tolerances that may be left out: those without which nothing is judged, and those that only ever allow more."""


def _leaning(key: str, old: Any, new: Any) -> str:
    name = key.rpartition(".")[2]
    if name == "not_asked":
        return "no longer asked" if old is None else "asked again" if new is None else ""
    if name == "timed_is_enough":
        return "need not be counted" if old is None else "must be counted" if new is None else ""
    if name == "accept_unsure":
        return "an unsure passes from now on" if old is None else "an unsure no longer passes" if new is None else ""
    if (old is None) != (new is None):
        judges, allows = ("newly judged", "wider") if old is None else ("no longer judged", "tighter")
        return judges if name in JUDGED_IF_SET else allows if name in WIDER_IF_SET else ""
    if old is None or new is None or not re.search(r"_(ms|s|percent|db|exponent)$|^transition_hz$", name):
        return ""
    try:
        both = list(zip(_sides(old), _sides(new), strict=True))
    except (TypeError, ValueError):
        return ""  # no limit at all, but a key of a package's own that ends like one
    steps = []
    for before, after in both:
        corners = {hz for hz, _ in (*before, *after)}
        steps += [math.log(max(_at(after, hz), NOTHING) / max(_at(before, hz), NOTHING)) for hz in sorted(corners)]
    wider, tighter = max(steps) > ROUNDING, min(steps) < -ROUNDING
    if not (wider or tighter):
        return ""
    return "wider in part, tighter in part" if wider and tighter else "wider" if wider else "tighter"


Side = list[tuple[float, float]]


def _sides(value: Any) -> tuple[Side, Side]:
    """Limits above and below, each as (Hz, limit) rising in frequency."""
    if isinstance(value, Mapping):
        return _side(value.get("above", "inf")), _side(value.get("below", "inf"))
    return _side(value), _side(value)


def _side(value: Any) -> Side:
    if isinstance(value, list):
        return [(float(hz), _number(limit)) for hz, limit in value]
    return [(ANYWHERE_HZ, _number(value))]


def _number(value: Any) -> float:
    return min(float(value), UNLIMITED)


def _at(side: Side, hz: float) -> float:
    corners = [corner for corner, _ in side]
    return float(np.interp(np.log(hz), np.log(corners), [limit for _, limit in side]))
