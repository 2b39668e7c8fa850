"""Where plug-ins lie: the folders of a variable such as LADSPA_PATH, or else those that a standard names."""

from __future__ import annotations

import os
import sysconfig
from pathlib import Path
from typing import TYPE_CHECKING

from reverdict.render.hosts import Slip, did_you_mean

if TYPE_CHECKING:
    from collections.abc import Sequence


def usual_folders(kind: str) -> list[Path]:
    """``lib/<kind>`` of the system, of this machine's architecture first, and ``.<kind>`` of the user."""
    architecture = sysconfig.get_config_var("MULTIARCH")
    libraries = [f"/usr/lib/{architecture}"] if architecture else []
    return [Path.home() / f".{kind}", *(Path(one, kind) for one in ("/usr/local/lib", *libraries, "/usr/lib"))]


def find_on_path(named: str, suffix: str, variable: str, usual: Sequence[Path]) -> str:
    """The path of a plug-in. What holds a slash is one already; a bare name is searched for, its suffix may be missing.

    Raises
    ------
    Slip
        It is in none of the folders.
    """
    if "/" in named:
        return named
    listed = os.environ.get(variable, "")
    folders = [Path(one) for one in listed.split(os.pathsep) if one] or list(usual)
    for folder in folders:
        for name in (named, named + suffix):
            if (folder / name).exists():
                return str(folder / name)
    there = [path.name for folder in folders if folder.is_dir() for path in folder.iterdir() if path.suffix == suffix]
    searched = ", ".join(map(str, folders))
    where = f"beside the TOML, nor on {variable} ({searched})" if listed else f"beside the TOML, nor in {searched}"
    raise Slip("build.file", f"no {named} {where}{did_you_mean(named, there)}")
