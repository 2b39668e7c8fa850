"""How a deviation is put into words, the same in a verdict's reasons and in every report."""

from __future__ import annotations

import math
import re

BROKE = "the check itself broke"
"""How the reason begins where a check that a package brings raised, or gave no findings."""
RELATIVE_UNITS = ("s", "Hz")
"""Units of which people think in percent: decay times and transition frequencies."""

_LEANINGS = (
    (r"^(sound for silence|offset in silence)$", ("of full scale", "of full scale")),
    (r"^end of the tail$", ("left over", "left over")),
    (r"^cost of a silent tail$", ("dearer than loud sound", "cheaper than loud sound")),
    (r"^click of a moved parameter$", ("of the peak", "of the peak")),
    (r"^growth$", ("steeper than linear", "flatter than linear")),
    (r"^leak$", ("left behind", "given back")),
    (r"^memory$", ("more", "less")),
    (r"^(same|later)? ?click\b", ("off", "off")),
    (r"^balance$", ("to the right", "to the left")),
    (r"\bcurve\b", ("above golden", "below golden")),
    (r"\blag\b", ("late", "early")),
    (r"\b(edt|t20|t30|t60|decay|tail|length|set-up)\b", ("longer", "shorter")),
    (r"^budget$", ("spent", "spent")),
    (r"\b(cost|instructions|kernel|price|worst block)\b", ("dearer", "cheaper")),
    (r"\bmisses\b", ("more", "fewer")),
    (r"\b(arrival|onset|delay|latency|lag)\b", ("late", "early")),
    (r"\b(level|gain|peak)\b", ("louder", "quieter")),
    (r"\b(transition|frequency)\b", ("higher", "lower")),
)
_LEANINGS_BY_UNIT = {"ms": ("late", "early"), "µs": ("late", "early"), "dB": ("louder", "quieter")}
_NEUTRAL = ("above golden", "below golden")
_BEFORE_CELLS = {"blocks": "in", "one": "in", "preset": "with"}


def of_another_version(schema: object, known: int) -> str:
    """What to say of a file by the version of its format; empty where it is the one that we know."""
    if type(schema) is int and schema == known:
        return ""
    if type(schema) is int and schema > known:
        return f"schema {schema}, which a newer reverdict wrote; this one reads {known}: update it, or judge again"
    return f"schema {schema!r}; this version reads {known}"


def leaning(quantity: str, unit: str) -> tuple[str, str]:
    """Words for a positive and a negative deviation of a quantity: late/early, longer/shorter, …"""
    for pattern, pair in _LEANINGS:
        if re.search(pattern, quantity, re.IGNORECASE):
            return pair
    return _LEANINGS_BY_UNIT.get(unit, _NEUTRAL)


def direction(quantity: str, unit: str, deviation: float) -> str:
    """Say which way a deviation goes; "off" where it goes neither way."""
    more, less = leaning(quantity, unit)
    return "off" if deviation == 0 else more if deviation > 0 else less


def in_percent(deviation: float, golden: float | None, unit: str) -> str:
    """The deviation in percent of the golden, in brackets, for the units of which people think so; else nothing."""
    return true_minus(f" ({100 * deviation / golden:+.1f} %)") if unit in RELATIVE_UNITS and golden else ""


def true_minus(text: str) -> str:
    """Write minus signs before figures as such; hyphens within words and ranges stay."""
    return re.sub(r"(?<![\w.)\]-])-(?=\d)", "−", text)


def in_cell(cell: str) -> str:
    """Say in which cell of the render matrix: "at 96 kHz", "in blocks of 1"; nothing for the main one."""
    return f"{_BEFORE_CELLS.get(cell.partition(' ')[0], 'at')} {cell}" if cell else ""


def cell_key(cell: str) -> str:
    """The name of a cell as a word without spaces, for names of items and test cases: "96-kHz+blocks-of-1"."""
    return cell.replace("−", "-").replace(", ", "+").replace(" ", "-")


def standing(where: str) -> str:
    """Where something is, without the point at which a whole curve of it was worst: that is another one every time."""
    return re.sub(r"(^|, )at \d+\.\d+ s(, \d+ to \d+ Hz)?$", "", where)


def names_itself(subject: str, reason: str) -> bool:
    """Whether a reason begins with its subject, so that it need not be said: no "output output is silent"."""
    return not subject or bool(re.search(rf"(^|: ){re.escape(subject)}\b", reason))


def headed(head: str, reason: str) -> str:
    """What is the matter, under its name where it does not say that itself."""
    return reason if names_itself(head, reason) else f"{head}: {reason}"


def decimals(deviation: float | None, tolerance: float) -> int:
    """Two digits of a tolerance that is not 0, and more where a value off its limit would read as if it stood on it."""
    places = max(0, 1 - math.floor(math.log10(abs(tolerance))))
    if deviation is not None and abs(deviation) != tolerance:
        while places < 9 and f"{abs(deviation):.{places}f}" == f"{tolerance:.{places}f}":
            places += 1
    return places
