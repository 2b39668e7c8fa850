"""How words and figures of others are set in a page: escaped, with thin spaces, aligned by decimal point."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape

from reverdict.report.wording.basics import plain

_UNITS = r"(?<=\d) (?=(?:ms|µs|s|dB|Hz|kHz|MB|%|samples?)\b|%)"
_THIN = "\u202f"
_POINT_WIDE, _DIGIT_WIDE = "\u2008", "\u2007"


def text_of(value: object) -> str:
    """Make a value one line of visible text that holds no markup."""
    return escape(plain(value))


def thin(text: str) -> str:
    """Set a thin space that does not break between a figure and its unit, and none that breaks after "spring"."""
    return re.sub(r"\b(spring|pass) (?=\d)", "\\1\u00a0", re.sub(_UNITS, _THIN, text))


def aligned(figures: Sequence[str]) -> list[str]:
    """Pad figures of one column with spaces as wide as digits, so that their decimal points stand in line."""
    parts = [written.partition(".") for written in figures]
    most = max(len(fraction) for _, _, fraction in parts)
    no_point = _POINT_WIDE if most else ""
    return [
        f"{whole}{point or no_point}{fraction}{_DIGIT_WIDE * (most - len(fraction))}"
        for whole, point, fraction in parts
    ]
