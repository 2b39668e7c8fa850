"""A capture written down as a ``recordings`` build, and beside it what was played and recorded.

    DIR/NAME.wav                 the response, from the click on; reference NAME
    DIR/build.toml               the build; its table of NAME says what was taken out of it
    DIR/raw/NAME.wav             as recorded, the loopback last
    DIR/raw/NAME-stimulus.wav    as played: reverdict measure DIR/raw/NAME.wav --stimulus DIR/raw/NAME-stimulus.wav

Every file is written beside and renamed, build.toml last. What lies there is never written over.
"""

from __future__ import annotations

import os
from datetime import datetime, timezone
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import tomlkit
from tomlkit.exceptions import TOMLKitError

from reverdict.errors import BadInput
from reverdict.reading import text_of
from reverdict.sound import write_sound

if TYPE_CHECKING:
    from reverdict.capture.capturing import Captured
    from reverdict.capture.plan import Plan

BUILD_FILE = "build.toml"


def paths_of(name: str, folder: Path) -> tuple[Path, Path, Path]:
    """Response, recording and stimulus of a capture."""
    return folder / f"{name}.wav", folder / "raw" / f"{name}.wav", folder / "raw" / f"{name}-stimulus.wav"


def prove_free(name: str, folder: Path) -> None:
    """Raise BadInput where a capture of this name lies there, or the folder is none of ours."""
    if folder.exists() and not folder.is_dir():
        raise BadInput(folder, "is a file; --out needs a folder")
    for path in paths_of(name, folder):
        if path.exists():
            raise BadInput(path, "is there already; capture under another name, or take it away")
    if (folder / BUILD_FILE).exists():
        _read(folder / BUILD_FILE)


def write_capture(name: str, folder: Path, captured: Captured, plan: Plan) -> Path:
    """Write it, and give the path of the build's TOML."""
    response, recording, stimulus = paths_of(name, folder)
    recording.parent.mkdir(parents=True, exist_ok=True)
    write_sound(stimulus, captured.played[np.newaxis], plan.rate_hz)
    write_sound(recording, captured.recording, plan.rate_hz)
    write_sound(response, captured.response, plan.rate_hz)
    build = folder / BUILD_FILE
    document = _read(build) if build.exists() else _new(folder)
    take = tomlkit.table()
    for line in captured.told:
        take.add(tomlkit.comment(line))
    take.add("click_at_s", 0.0)
    for key in ("latency_ms", "level_db", "clock_ppm"):
        take.add(key, 0.0)
    take["latency_ms"].comment("what is left to be taken out; the lines above were")
    document["build"]["takes"][name] = take
    beside = folder / f".{BUILD_FILE}.{os.getpid()}"
    try:
        beside.write_text(tomlkit.dumps(document), encoding="utf-8")
        beside.replace(build)
    finally:
        beside.unlink(missing_ok=True)
    return build


def _new(folder: Path) -> tomlkit.TOMLDocument:
    now = datetime.now(timezone.utc)
    document = tomlkit.document()
    document.add(
        tomlkit.comment("Written by reverdict capture. Files are named after the references they are held against.")
    )
    build = tomlkit.table()
    build.add("name", folder.resolve().name or "captures")
    build.add("version", f"{now:%Y-%m-%d %H:%M:%S} UTC")
    build.add("kind", "recordings")
    build.add("folder", ".")
    build.add("not_asked", {"cost": "recordings have no cost; name a log of the target's cycle counter by cycles"})
    build.add("takes", tomlkit.table(is_super_table=True))
    document.add("build", build)
    return document


def _read(path: Path) -> tomlkit.TOMLDocument:
    """The build's TOML as it stands, comments and all."""
    try:
        document = tomlkit.parse(text_of(path, "a TOML file"))
        takes = document["build"].setdefault("takes", tomlkit.table(is_super_table=True))
        if document["build"].get("kind") == "recordings" and isinstance(takes, dict):
            return document
    except (TOMLKitError, ValueError, KeyError, AttributeError, TypeError, RecursionError):
        pass
    raise BadInput(path, 'is no build of kind "recordings" to add a capture to; give another --out')
