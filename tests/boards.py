"""Boards for tests: all pages of a verdict, and a verdict as large as a board must stand."""

from __future__ import annotations

from typing import Any

from reverdict.report.pages.board import pages


def everything(verdict: dict[str, Any], sensitivity: dict[str, Any] | None = None) -> str:
    """All pages of a verdict, one after the other."""
    return "\n".join(pages(verdict, sensitivity).values())
