"""A headless Chromium for tests, if there is one; nothing it opens may reach beyond the folder under test."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

_FOLDER = Path(os.environ.get("REVERDICT_BROWSER") or Path(sys.prefix) / "browser")


def executable() -> tuple[str, dict[str, str]] | None:
    """Path of Chromium and what it needs in its environment, or None."""
    if found := shutil.which("chromium"):
        return found, {}
    fetched = _FOLDER / "usr/lib/chromium/chromium"
    if not fetched.exists():
        return None
    libraries = sorted({str(file.parent) for file in _FOLDER.rglob("*.so*")})
    return str(fetched), {"LD_LIBRARY_PATH": os.pathsep.join(libraries)}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium, closed at the end; skips the test where Playwright or Chromium is missing."""
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright, of the extra dev")
    found = executable()
    if found is None:
        pytest.skip("needs Chromium; bash ci/get-browser fetches it")
    path, environment = found
    with playwright.sync_playwright() as started:
        chromium = started.chromium.launch(
            executable_path=path, env={**os.environ, **environment}, args=["--no-sandbox", "--disable-gpu"]
        )
        try:
            yield chromium
        finally:
            chromium.close()
