"""How an outcome is set in a page: the word, the share of the limit used beside it, and never colour alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from reverdict.report.pages.markup import text_of
from reverdict.report.ranking import worst_finding
from reverdict.report.wording.basics import share

Json = Mapping[str, Any]


def told(check: Json) -> str:
    """The word of a check and the share of its worst finding."""
    accepted = check["outcome"] == "unsure" and not check["closes_gate"]
    said = word(check["outcome"], "unsure, accepted" if accepted else check["outcome"])
    used = share(worst_finding(check))
    return f"{said}, {text_of(used)}" if used else said


def word(outcome: str, said: str) -> str:
    """What is ``said`` of an outcome, set as such."""
    return f'<span class="word {css(outcome)}">{text_of(said)}</span>'


def css(outcome: str) -> str:
    """The class that styles an outcome."""
    return {"error": "fail"}.get(outcome, outcome.replace(" ", "-"))
