"""The page about kinds of builds, and the files that stand in it: what it shows is what tests run."""

from __future__ import annotations

import re
from pathlib import Path

import reverdict

PAGE = Path(reverdict.__file__).parents[1] / "BUILDS.md"


def shown(heading: str, language: str) -> str:
    """The one block of a language under a heading of the page."""
    (section,) = re.findall(
        rf"^## {re.escape(heading)}\n(.*?)(?=^## |\Z)", PAGE.read_text(encoding="utf-8"), re.M | re.S
    )
    (block,) = re.findall(rf"^```{language}\n(.*?)^```$", section, re.M | re.S)
    return block
