"""A run of the gate in parts: which references and which checks a part takes. ``merging`` makes one verdict of them.

Shards. All references that were selected are dealt out by their cells, the largest first, each to the shard that has
least so far; of equals by name, to the first. So every reference is in exactly one shard, the loads differ by one
reference at most, and each shard knows its own from the same golden folder without asking the others. A shard that gets
nothing (more shards than references) judges nothing: its verdict is "error", its exit status 2, and it merges.

Checks. ``sound`` is all checks but cost, ``cost`` is that one; diagnosis looks at all checks of the sound together, so
there is no finer cut. Checks that packages brought go with the sound. What a part leaves to another stands in it as not
asked, with ``ELSEWHERE`` as the reason.

A part says in ``part`` of its verdict.json what it is a part of; alone it is no verdict on the build.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reverdict import judging
from reverdict.words import CHECKS, Outcome

if TYPE_CHECKING:
    from pathlib import Path

    from reverdict.words import CheckVerdict

GROUPS = {"sound": tuple(check for check in CHECKS if check != "cost"), "cost": ("cost",)}
"""What ``--checks`` names."""

ELSEWHERE = "left to another part of this run; reverdict merge puts them together"


@dataclass(frozen=True)
class Shard:
    """Number ``index`` (from 1) of ``count`` shards."""

    index: int
    count: int

    def __str__(self) -> str:
        return f"{self.index}/{self.count}"


def read_shard(text: str) -> Shard:
    """Read "2/4". Raises ValueError unless 1 ≤ i ≤ n."""
    found = re.fullmatch(r"([0-9]{1,6})/([0-9]{1,6})", text)
    if not found or not 1 <= int(found[1]) <= int(found[2]):
        raise ValueError(f"{text!r} is no shard; need i/n with i from 1 to n, such as 2/4")
    return Shard(int(found[1]), int(found[2]))


def dealt(loads: Mapping[str, int], shard: Shard) -> tuple[str, ...]:
    """Names of the references of this shard, sorted; ``loads`` has the cells of every reference."""
    totals = [0] * shard.count
    mine = []
    for name in sorted(loads, key=lambda name: (-loads[name], name)):
        least = totals.index(min(totals))
        totals[least] += loads[name]
        if least == shard.index - 1:
            mine.append(name)
    return tuple(sorted(mine))


def digest(files: Sequence[tuple[str, Path]]) -> str:
    """SHA-256 over files, each under a name that is the same on every machine."""
    told = hashlib.sha256()
    for name, path in files:
        content = path.read_bytes()
        told.update(f"{len(name)} {name} {len(content)} ".encode("utf-8", "surrogateescape") + content)
    return told.hexdigest()


def put_with(checks: Sequence[str], there: Iterable[str]) -> tuple[str, ...]:
    """Of all checks that are there, each once, those of a part: named in it, or brought by a package to the sound."""
    sound = "conduct" in checks
    named = [check for check in there if check in checks or (sound and check not in CHECKS)]
    return tuple(dict.fromkeys(named))


def outcome_of(checks: Sequence[CheckVerdict], put: Sequence[str]) -> Outcome:
    """Sum up a reference by the checks that were put here; NOT_ASKED where a part asks nothing of it."""
    here = [check for check in checks if check.check in put]
    if len(here) < len(checks) and all(check.outcome is Outcome.NOT_ASKED for check in here):
        return Outcome.NOT_ASKED
    return judging.reference_outcome(here)


def sum_up(outcomes: Sequence[str]) -> str:
    """Outcome of a verdict from those of its references: the worst, and "error" where nothing was judged."""
    if not set(outcomes) - {"not asked"}:
        return "error"
    return next((worst for worst in ("fail", "unsure") if worst in outcomes), "pass")


def label(part: Mapping[str, Any]) -> str:
    """Name a part: "shard 2/3, sound"."""
    group = next((name for name, checks in GROUPS.items() if list(checks) == list(part["checks"])), "")
    return ", ".join(filter(None, (f"shard {part['shard']}" if part["shard"] else "", group)))
