"""How numbers, places and other people's words are written, the same in every report.

Names and reasons come from builds and TOML files and may hold anything. ``plain`` makes them one line of visible text:
control and format characters (terminal escapes, right-to-left overrides, lone surrogates) are shown as escapes.
Markup is each report's own affair.
"""

from __future__ import annotations

import math
import shlex
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any

from reverdict import phrases
from reverdict.report.ranking import closes_gate, conduct_fails, worst_finding, worst_first

CHECK_NAMES = {
    "echo-timing": "echo timing",
    "group-delay": "group delay",
    "energy-decay": "energy decay",
    "cost": "cost",
    "conduct": "conduct",
}

LINES_PER_CHECK = 5

_HIDDEN = {"Cc", "Cf", "Cs", "Cn", "Zl", "Zp"}
_JOINERS = "\u200c\u200d"  # needed to spell Persian and Indic words


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


def place(finding: Mapping[str, Any]) -> str:
    """Say what was measured where: "arrival, spring 2, pass 1, 500 Hz"."""
    return ", ".join(part for part in (plain(finding["quantity"]), plain(finding["where"])) if part)


def reason_line(finding: Mapping[str, Any]) -> str:
    """Say in one line what is wrong with a finding: place, value, limit, both values, reason."""
    reason = plain(finding["reason"])
    if finding["deviation"] is None:
        return shorten(f"{place(finding)}: {reason or 'no value'}", 400)
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


def reason_lines(check: Mapping[str, Any], reference: Mapping[str, Any]) -> list[str]:
    """Say why a check fails or is unsure and what to do next, worst first, ``LINES_PER_CHECK`` lines at most."""
    if check["outcome"] not in ("fail", "unsure"):
        return []
    bad = [finding for finding in worst_first(check["findings"]) if finding["outcome"] in ("fail", "unsure")]
    lines = []
    if check["reason"] and (not bad or not closes_gate(check)):
        # Why an unsure is accepted; it speaks of the worst finding too. Else the findings say more than the reason.
        lines, bad = [shorten(plain(check["reason"]), 400)], bad[1:]
    room = LINES_PER_CHECK - 1 - len(lines)
    shown = bad if len(bad) <= room else bad[: room - 1]
    lines += [reason_line(finding) for finding in shown]
    if len(shown) < len(bad):
        lines.append(f"and {len(bad) - len(shown)} more")
    return [*lines, next_step(check, reference)]


def next_step(check: Mapping[str, Any], reference: Mapping[str, Any]) -> str:
    """Say what a developer can do about a fail or an unsure."""
    name = shlex.quote(plain(reference["name"]))
    if check["check"] == "conduct":
        return f"next: run this one alone: reverdict gate BUILD --only {name}"
    if conduct_fails(reference) and worst_finding(check) is None:
        return "next: mend what conduct found first"
    if not closes_gate(check):
        return "next: measure with more range to be sure"
    if check["outcome"] == "unsure":
        table = check["check"].replace("-", "_")
        return f'next: measure with more range, or write accept_unsure = "why" under [{table}] of {name}'
    return f"next: mend the build; if the change is wanted: reverdict golden approve {name} --from BUILD --why TEXT"


def listed(parts: Iterable[str]) -> str:
    """Join words as in a sentence: "a, b and c"."""
    *most, last = list(parts)
    return f"{', '.join(most)} and {last}" if most else last


def sentence(text: str) -> str:
    """Give a text a capital and a full stop."""
    text = text.strip()
    closed = text if text.endswith((".", "!", "?", "…")) else f"{text}."
    return closed[:1].upper() + closed[1:]


def _visible(character: str) -> str:
    if unicodedata.category(character) in _HIDDEN and character not in _JOINERS:
        return character.encode("unicode_escape").decode("ascii")
    return character
