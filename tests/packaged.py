"""Plug-ins of packages that tests render with: unpacked by ``ci/get-plugins``, or installed. Never ours.

``skip_without`` skips a test, with the reason, where one of them is not there; ``ci/test`` lists what was skipped.
"""

from __future__ import annotations

import ctypes
import functools
import os
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from reverdict.render import Build
from reverdict.render.build import Plugin
from reverdict.words import BuildIdentity

ROOT = Path(__file__).parents[1]
UNPACKED = Path(
    os.environ.get("REVERDICT_PLUGINS") or Path(os.environ.get("REVERDICT_VENV") or ROOT / ".venv") / "plugins"
)
PLACES = (UNPACKED / "usr/lib", Path("/usr/lib"))
LIBRARIES = sorted(UNPACKED.glob("usr/lib/*-*-*"))
"""Folder of shared libraries that plug-ins and hosts need, of the machine's architecture."""

PROGRAMS = [str(UNPACKED / "usr/bin")]

STANDARDS = ("ladspa", "lv2", "clap")


@dataclass(frozen=True)
class Packaged:
    """A reverb of a package.

    moved : tuple
        A parameter, and a value of it that is heard.
    alike_in_blocks : bool
        Whether it sounds the same in blocks of 1 to 512 frames.
    alike_later : bool
        Whether it answers the same click alike at any time.
    """

    kind: str
    package: str
    file: str
    plugin: str
    moved: tuple[str, float]
    parameters: dict[str, Any] = field(default_factory=dict)
    alike_in_blocks: bool = True
    alike_later: bool = True


DISTRHO, SWH = "http://distrho.sf.net/plugins/", "http://plugin.org.uk/swh-plugins/"
INVADA = "http://invadarecords.com/plugins/lv2/erreverb/"

REVERBS = {
    "tap-reverb": Packaged("ladspa", "tap-plugins", "tap_reverb.so", "tap_reverb", ("Decay [ms]", 5000)),
    "gverb": Packaged("ladspa", "swh-plugins", "gverb_1216.so", "gverb", ("Reverb time", 2)),
    "plate": Packaged("ladspa", "swh-plugins", "plate_1423.so", "plate", ("Reverb time", 2)),
    "freeverb": Packaged("ladspa", "cmt", "cmt.so", "freeverb3", ("Room Size", 0.9)),
    "caps-plate": Packaged("ladspa", "caps", "caps.so", "Plate", ("tail", 0.9), alike_later=False),
    "zita": Packaged("ladspa", "rev-plugins", "zita-reverbs.so", "zita-reverb", ("RT-mid", 5)),
    "ambience": Packaged(
        "lv2",
        "mda-lv2",
        "mda.lv2",
        "http://drobilla.net/plugins/mda/Ambience",
        ("size", 0.9),
        # Empties its delay lines whenever a block ends while one of its lowpasses is silent.
        alike_in_blocks=False,
        alike_later=False,
    ),
    "dragonfly-plate": Packaged(
        "lv2", "dragonfly-reverb-lv2", "DragonflyPlateReverb.lv2", "urn:dragonfly:plate", ("decay", 2)
    ),
    "dragonfly-room": Packaged(
        "lv2",
        "dragonfly-reverb-lv2",
        "DragonflyRoomReverb.lv2",
        "urn:dragonfly:room",
        ("decay", 2),
        # Its modulation goes on from instance to instance of a process.
        alike_in_blocks=False,
        alike_later=False,
    ),
    "mverb": Packaged("lv2", "dpf-plugins-lv2", "MVerb.lv2", DISTRHO + "MVerb", ("decay", 90)),
    "gigaverb": Packaged(
        "lv2", "dpf-plugins-lv2", "MaGigaverb.lv2", DISTRHO + "MaGigaverb", ("revtime", 2), alike_later=False
    ),
    "lv2-gverb": Packaged("lv2", "swh-lv2", "gverb-swh.lv2", SWH + "gverb", ("revtime", 2)),
    "early": Packaged("lv2", "invada-studio-plugins-lv2", "invada.lv2", INVADA + "mono", ("room length", 50)),
}


def place_of(kind: str, file: str) -> Path | None:
    """Where a plug-in lies, None where it does not."""
    return next((place / kind / file for place in PLACES if (place / kind / file).exists()), None)


def program(name: str) -> Path | None:
    """A program of the unpacked packages, or an installed one."""
    return next((path for path in (UNPACKED / "usr/bin" / name, Path("/usr/bin") / name) if path.exists()), None)


@functools.cache
def lilv_is_there() -> bool:
    if any((folder / "liblilv-0.so.0").exists() for folder in LIBRARIES):
        return True
    try:
        ctypes.CDLL("liblilv-0.so.0")
    except OSError:
        return False
    return True


def lack(kind: str, file: str, package: str = "") -> str:
    """Why a plug-in cannot be run here; empty where it can."""
    if kind == "lv2" and not lilv_is_there():
        return "no liblilv here (ci/get-plugins fetches it)"
    if place_of(kind, file) is None:
        return f"no {file} here (ci/get-plugins fetches it{f' from {package}' if package else ''})"
    return ""


def skip_without_program(name: str, package: str) -> None:
    """Skip the test where a program is neither installed nor unpacked; call it after ``let_find``."""
    if shutil.which(name) is None:
        pytest.skip(f"no {name} here (ci/get-plugins fetches it from {package})")


def skip_without(kind: str, file: str, package: str = "") -> None:
    """Skip the test where a plug-in is not there."""
    if reason := lack(kind, file, package):
        pytest.skip(reason)


def let_find(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let builds find what was unpacked, by name alone."""
    for kind in STANDARDS:
        monkeypatch.setenv(f"{kind.upper()}_PATH", os.pathsep.join(str(place / kind) for place in PLACES))
    monkeypatch.setenv("PATH", os.pathsep.join([os.environ["PATH"], *PROGRAMS]))
    known = os.environ.get("LD_LIBRARY_PATH", "")
    monkeypatch.setenv("LD_LIBRARY_PATH", os.pathsep.join([*map(str, LIBRARIES), *([known] if known else [])]))


def build_of(reverb: Packaged, folder: Path, **parameters: Any) -> Build:
    """A build that runs it."""
    identity = BuildIdentity(reverb.plugin, "1", reverb.kind)
    plugin = Plugin(reverb.file, reverb.plugin)
    source = folder / "build.toml"
    return Build(identity, reverb.kind, folder, plugin=plugin, parameters=reverb.parameters | parameters, source=source)
