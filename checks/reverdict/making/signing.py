"""Who approves, and what builds are called in an approval."""

from __future__ import annotations

import getpass
import subprocess
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reverdict.render import Build


def who() -> str:
    """Who is at the keyboard: git's user name, else the login."""
    try:
        said = subprocess.run(["git", "config", "user.name"], capture_output=True, text=True, timeout=5, check=False)
        if said.stdout.strip():
            return said.stdout.strip()
    except (OSError, subprocess.TimeoutExpired):
        pass
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"


def label_of(build: Build) -> str:
    """How an approval names a build: "workshop 1.1 (3f9a0c1)"."""
    commit, space, changes = (build.identity.commit or "").partition(" ")
    commit = f" ({commit[:10]}{space}{changes})" if commit else ""
    return f"{build.identity.name} {build.identity.version}".strip() + commit
