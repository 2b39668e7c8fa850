"""How numbers, places and other people's words are written, the same in every report.

Names and reasons come from builds and TOML files and may hold anything. ``plain`` makes them one line of visible text:
control and format characters (terminal escapes, right-to-left overrides, lone surrogates) are shown as escapes.
Markup is each report's own affair.
"""

from __future__ import annotations

import math
import re
import shlex
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from reverdict import phrases
from reverdict.choosing import SOUND
from reverdict.report.cells import axis_of, cells_of, split
from reverdict.report.data.verdict import counts
from reverdict.report.ranking import closes_gate, not_reached, one_of_each_first, worst_finding, worst_first


class _CheckNames(dict[str, str]):
    """Names of checks in a sentence; those that packages brought are called as they are written, without hyphens."""

    def __missing__(self, check: str) -> str:
        return re.sub(r"[^a-z0-9 ]", "?", check.replace("-", " "))


CHECK_NAMES = _CheckNames(
    {
        "echo-timing": "echo timing",
        "group-delay": "group delay",
        "energy-decay": "energy decay",
        "cost": "cost",
        "conduct": "conduct",
    }
)

ONSET = "onset"
"""What echo timing is called where a reference has no separate passes and only the onset was judged."""

LINES_PER_CHECK = 5
NOT_REACHED = "not reached"
CONDUCT_FAILED = "conduct failed"
CELLS_NAMED = 4

_HIDDEN = {"Cc", "Cf", "Cs", "Cn", "Zl", "Zp"}
_JOINERS = "\u200c\u200d"  # needed to spell Persian and Indic words


def judges_onset(check: Mapping[str, Any]) -> bool:
    """Whether this is echo timing and only the onset was judged of it."""
    quantities = {finding["quantity"] for finding in check["findings"]}
    return check["check"] == "echo-timing" and "onset" in quantities <= {"onset", "polarity"}


def check_name(check: Mapping[str, Any]) -> str:
    """Name a check in a sentence."""
    return ONSET if judges_onset(check) else CHECK_NAMES[check["check"]]


def plain(text: object) -> str:
    """One line of visible text: line breaks become spaces, characters that cannot be seen become escapes."""
    joined = " ".join(str(text).split())
    if joined.isprintable():
        return joined
    return "".join(_visible(character) for character in joined)


def shorten(text: str, limit: int = 60) -> str:
    """Cut the middle out of a text longer than ``limit`` characters."""
    if len(text) <= limit:
        return text
    tail = (limit - 1) // 3
    return f"{text[: limit - 1 - tail]}…{text[len(text) - tail :]}"


def decimals(finding: Mapping[str, Any]) -> int:
    """How many decimals the figures of a finding carry: two digits of its tolerance, else three of its value.

    More where a value off its limit would read as if it stood on it ("0.10 late, limit 0.10").
    """
    if finding["tolerance"]:
        places = phrases.decimals(finding["deviation"], finding["tolerance"])
    else:
        known = [abs(finding[key]) for key in ("deviation", "golden", "candidate") if finding[key]]
        places = max(0, 2 - math.floor(math.log10(max(known)))) if known else 0
    return min(places, 9)


def figure(value: float | None, places: int) -> str:
    """Write a number with a true minus sign; "–" where there is none."""
    if value is None:
        return "–"
    written = f"{value:.3g}" if abs(value) >= 1e7 else f"{value:.{places}f}"
    if not any(digit in "123456789" for digit in written):
        written = written.lstrip("-")
    return written.replace("-", "−")


def amount(value: float | None, unit: str, places: int) -> str:
    """Write a number with its unit."""
    return f"{figure(value, places)} {plain(unit)}".rstrip()


def share(finding: Mapping[str, Any] | None) -> str:
    """Say how much of its tolerance a finding uses: "0.31 of limit". Never rounded across the limit."""
    if finding is None:
        return ""
    used, deviation = finding["share_of_tolerance"], finding["deviation"]
    if used is None:
        if finding["tolerance"] is None:
            return ""
        if deviation is None:
            return "no value"
        return "limit is zero" if deviation else "exact"
    if used >= 10:
        return f"{used:.0f} of limit"
    hundredths = math.ceil(used * 100 - 1e-9) if used > 1 else min(round(used * 100), 99 if used < 1 else 100)
    return f"{hundredths / 100:.2f} of limit"


def leaning(finding: Mapping[str, Any]) -> tuple[str, str]:
    """Words for a positive and a negative deviation of a finding: late/early, longer/shorter, …"""
    return phrases.leaning(finding["quantity"], finding["unit"])


def off_by(finding: Mapping[str, Any]) -> str:
    """Say the deviation as a colleague would: "0.52 ms late"."""
    deviation, unit = finding["deviation"], finding["unit"]
    size = amount(abs(deviation), unit, decimals(finding))
    which_way = phrases.direction(finding["quantity"], unit, deviation)
    return f"{size} {which_way}{phrases.in_percent(deviation, finding['golden'], unit)}"


def extent(finding: Mapping[str, Any]) -> str:
    """Say how far off a finding is and what it may be: "0.04 ms late, limit 0.10 ms"; nothing without both."""
    deviation, tolerance, unit = finding["deviation"], finding["tolerance"], finding["unit"]
    if deviation is None or tolerance is None:
        return ""
    places = decimals(finding)
    said = off_by(finding) if abs(deviation) >= 0.5 * 10**-places else f"under {amount(10**-places, unit, places)} off"
    return f"{said if deviation else 'exact'}, limit {amount(tolerance, unit, places)}"


def tally(verdict: Mapping[str, Any]) -> str:
    """Count checks by outcome: "13 pass, 3 fail"; those that conduct kept from being put are named as such."""
    unreached = sum(not_reached(check, one) for one in verdict["references"] for check in one["checks"])
    told = [
        f"{number} {outcome}" + (f" ({unreached} not reached)" if outcome == "unsure" and unreached else "")
        for outcome, number in counts(verdict)["checks"].items()
        if number
    ]
    return ", ".join(told) or "none"


def place(finding: Mapping[str, Any]) -> str:
    """Say what was measured where: "arrival, spring 2, pass 1, 500 Hz", "at 96 kHz: arrival, …"."""
    cell = phrases.in_cell(plain(finding.get("cell", "")))
    what = ", ".join(part for part in (plain(finding["quantity"]), plain(finding["where"])) if part)
    return ": ".join(part for part in (cell, what) if part)


def reason_line(finding: Mapping[str, Any]) -> str:
    """Say in one line what is wrong with a finding: place, value, limit, both values, reason."""
    reason = plain(finding["reason"])
    if finding["deviation"] is None:
        return shorten(phrases.headed(place(finding), reason or "no value"), 400)
    places, unit = decimals(finding), finding["unit"]
    said = [f"{place(finding)}: {off_by(finding)}"]
    if finding["tolerance"] is not None:
        said.append(f"limit {amount(finding['tolerance'], unit, places)}")
    if finding["uncertainty"] and finding["outcome"] == "unsure":
        said.append(f"known to ± {amount(finding['uncertainty'], unit, places)}")
    whose = _WHOSE if finding["golden"] else ()  # beside a golden of zero, the build's value is the deviation again
    values = [f"{who} {figure(finding[key], places)}" for who, key in whose if finding[key] is not None]
    line = ", ".join(said) + (f"; {', '.join(values)} {plain(unit)}".rstrip() if values else "")
    return shorten(line + (f"; {reason}" if reason else ""), 400)


_WHOSE = (("golden", "golden"), ("build", "candidate"))


def reason_lines(check: Mapping[str, Any], reference: Mapping[str, Any], kind: str) -> list[str]:
    """Say why a check fails or is unsure and what to do next, worst first, ``LINES_PER_CHECK`` lines at most.

    ``kind`` is that of the build, which decides what can be done.
    """
    if check["outcome"] not in ("fail", "unsure"):
        return []
    if not_reached(check, reference):
        return [f"{unreached(check, reference)}: {CONDUCT_FAILED}"]
    bad = one_of_each_first([one for one in check["findings"] if one["outcome"] in ("fail", "unsure")])
    lines = []
    if check["reason"] and (not bad or not closes_gate(check)):
        # Why an unsure is accepted; it speaks of the worst finding too. Else the findings say more than the reason.
        lines, bad = [shorten(plain(check["reason"]), 400)], bad[1:]
    bad, elsewhere = split(bad)
    room = LINES_PER_CHECK - 1 - len(lines) - bool(elsewhere)
    shown = bad if len(bad) <= room else bad[: room - 1]
    lines += [reason_line(finding) for finding in shown]
    if len(shown) < len(bad):
        lines.append(f"and {len(bad) - len(shown)} more")
    if elsewhere:
        lines.append(f"out {in_cells(elsewhere)}, too")
    return [*lines, next_step(check, reference, kind)]


def questions_not_put(check: Mapping[str, Any]) -> list[str]:
    """A line with the questions of a check that were not put, each reason once; none where all were."""
    names: dict[str, list[str]] = {}
    for finding in check["findings"]:
        if finding["outcome"] == "not asked":
            names.setdefault(shorten(plain(finding["reason"]), 120), []).append(place({**finding, "cell": ""}))
    told = [f"{listed(these)} ({why})" for why, these in names.items()]
    return [f"not asked: {'; '.join(told)}"] if told else []


def in_cells(cells: Sequence[str]) -> str:
    """Say in which cells, not too many: "at 96 kHz and in blocks of 1"."""
    named = [phrases.in_cell(plain(cell)) or "in the main cell" for cell in cells]
    return listed(
        named
        if len(named) <= CELLS_NAMED
        else [*named[: CELLS_NAMED - 1], f"in {len(named) - CELLS_NAMED + 1} more cells"]
    )


def unreached(check: Mapping[str, Any], reference: Mapping[str, Any]) -> str:
    """Say that a check was not reached, and in which cells where it was put in others."""
    if not check["findings"]:
        return NOT_REACHED
    asked = [(cell["cell"], one) for cell in cells_of(reference) for one in cell["checks"]]
    cells = [cell for cell, one in asked if one["check"] == check["check"] and one["outcome"] == "unsure"]
    return f"{NOT_REACHED} {in_cells(cells)}"


def about_unreached(checks: Iterable[Mapping[str, Any]], reference: Mapping[str, Any]) -> list[str]:
    """Name checks that were not reached, those of the same cells together: "cost and conduct not reached"."""
    names: dict[str, list[str]] = {}
    for check in checks:
        names.setdefault(unreached(check, reference), []).append(CHECK_NAMES[check["check"]])
    return [f"{listed(these)} {where}" for where, these in names.items()]


def next_step(check: Mapping[str, Any], reference: Mapping[str, Any], kind: str) -> str:
    """Say what a developer can do about a fail or an unsure; a recording can be repeated, a render only changed."""
    name = shlex.quote(plain(reference["name"]))
    if check["reason"].startswith(phrases.BROKE):
        return f"next: mend {plain(check.get('brought_by', '')) or 'the check'}; no build can pass it"
    if check["check"] == "conduct":
        worst = worst_finding(check)
        if worst is None or worst["quantity"] == "output":
            what = "the recording" if kind in ("recordings", "interface") else "the build"
            return f"next: put {what} right, or its TOML; --only judges others without {name}"
        return f"next: mend the build; what it does on purpose is declared under [conduct.declared] of {name}"
    failed, _ = split([finding for finding in worst_first(check["findings"]) if finding["outcome"] == "fail"])
    if failed and (cell := failed[0].get("cell", "")):
        table = f"[cells.{axis_of(reference, cell)}.{check['check'].replace('-', '_')}]"
        return f"next: mend the build; if such cells may differ, give them limits of their own under {table} of {name}"
    if check["outcome"] == "fail":
        return f"next: mend the build; if the change is wanted: {_approval(check, failed, reference, name)}"
    again = _again_for_cost(check) if check["check"] == "cost" else ""
    if kind in ("recordings", "interface"):
        noisy = "log more blocks of its cycles" if check["check"] == "cost" else "record it with less noise"
        again = again if again == MEND else noisy
    if not closes_gate(check):
        return f"next: nothing must be done{f'; to be sure, {again}' if again else ''}"
    others = [one for one in reference["checks"] if one["outcome"] == "fail" and one["check"] in SOUND]
    if others and check["check"] in SOUND:
        return "next: mend what fails first; what a fault leaves unsure is often known again without it"
    table, worst = check["check"].replace("-", "_"), worst_finding(check)
    key = _TOLERANCES.get(worst["quantity"], "") if worst and worst["deviation"] is not None else ""
    if key and not again:
        again = f"rendering again tells no more; widen {key}"
    elif key:
        again += f", widen {key}"
    return f'next: {f"{again}, or " if again else ""}write accept_unsure = "why" under [{table}] of {name}'


MEND = "mend what it names"


def _approval(
    check: Mapping[str, Any], failed: Sequence[Mapping[str, Any]], reference: Mapping[str, Any], name: str
) -> str:
    """What has to be approved for a change that is wanted: another limit, another baseline, or another golden."""
    quantity = failed[0]["quantity"] if failed else ""
    if check["check"] == "cost" and quantity in _LIMITS_OF_COST:
        key = _LIMITS_OF_COST[quantity]
        return f"reverdict golden approve {name} --set 'cost.{key}' --why TEXT"
    approve = f"reverdict golden approve {name} --from BUILD --why TEXT"
    cost = reference.get("cost") or {}
    against = (cost.get("counted") or {}).get("golden_from"), (cost.get("timed") or {}).get("against")
    if check["check"] == "cost" and "baseline" in against:
        return f"name this release as baseline, and {approve}"
    return approve


_LIMITS_OF_COST = {
    "budget": "budgets={ TARGET = { … } }",
    "growth": "growth_exponent=…",
    "leak": "leak_kb_per_s=…",
    "memory": "memory_percent=…",
    "set-up": "setup_percent=…",
}
"""What is no property of the golden but a limit, approved as such."""

_TOLERANCES = {
    "arrival": "arrival_ms",
    "onset": "onset_ms",
    "tail lag": "tail_lag_ms",
    "latency": "latency_ms",
    "delay": "delay_ms",
    "transition frequency": "transition_percent",
    "EDT": "edt_percent",
    "T20": "t20_percent",
    "T30": "t30_percent",
    "level": "level_db",
    "decay curve": "curve_db",
    "gain": "gain_db",
    "stray sound": "stray_db",
    "cost": "dearer_percent",
    "instructions": "instructions_percent",
    "cache misses": "cache_misses_percent",
    "growth": "growth_exponent",
    "memory": "memory_percent",
    "set-up": "setup_percent",
    "leak": "leak_kb_per_s",
}
"""Key in reference.toml that holds the tolerance of a quantity."""

_COUNTED = ("instructions", "cache misses")


def _again_for_cost(check: Mapping[str, Any]) -> str:
    """What could settle a cost that cannot be told: counts need their tool, seconds a quiet machine."""
    worst = worst_finding(check)
    quantity = worst["quantity"] if worst else ""
    if worst and worst["deviation"] is None and not re.search("valgrind|noisy|leave", worst["reason"]):
        return MEND
    if worst and quantity in _COUNTED:
        uncounted = "install valgrind, or write timed_is_enough" if quantity == "instructions" else "install valgrind"
        return uncounted if worst["deviation"] is None else "count it in longer runs"
    if quantity == "leak":
        return "play it longer"
    return (
        "measure it on a quiet machine" if quantity in ("growth", "memory", "set-up") else "time it on a quiet machine"
    )


def in_short(check: Mapping[str, Any], reference: Mapping[str, Any]) -> str:
    """The word of a check and the share of its worst finding, for a table: "fail 2.31", "pass exact"."""
    if not_reached(check, reference):
        return NOT_REACHED
    used = share(worst_finding(check)).removesuffix(" of limit")
    accepted = ", accepted" if check["outcome"] == "unsure" and not check["closes_gate"] else ""
    return f"{check['outcome']}{accepted} {used}".rstrip()


def listed(parts: Iterable[str]) -> str:
    """Join words as in a sentence: "a, b and c"."""
    *most, last = list(parts)
    return f"{', '.join(most)} and {last}" if most else last


def sentence(text: str, *, as_written: bool = False) -> str:
    """Give a text a full stop and a capital, or no capital where it starts with a name."""
    text = text.strip()
    closed = text if text.endswith((".", "!", "?", "…")) else f"{text}."
    return closed if as_written else closed[:1].upper() + closed[1:]


def _visible(character: str) -> str:
    if unicodedata.category(character) in _HIDDEN and character not in _JOINERS:
        return character.encode("unicode_escape").decode("ascii")
    return character
