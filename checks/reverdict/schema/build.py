"""The TOML of a build read."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

from reverdict.errors import BadInputs
from reverdict.render.build import Build, Interface, Limits, Loopback, Plugin, TakeNotes
from reverdict.schema.mistakes import validated
from reverdict.schema.tables.build import (
    BuildFile,
    ClapBuildTable,
    CommandBuildTable,
    InterfaceBuildTable,
    LadspaBuildTable,
    LibraryBuildTable,
    Lv2BuildTable,
    PythonBuildTable,
    RecordingsBuildTable,
    TakeTable,
    Vst3BuildTable,
)
from reverdict.schema.tables.values import written
from reverdict.schema.toml import read_toml
from reverdict.words import BuildIdentity


def read_build(path: Path) -> Build:
    """Read the TOML of a build. Raises BadInputs with every mistake of the file."""
    own, mistakes = validated(BuildFile, read_toml(path), path)
    if own is None:
        raise BadInputs(mistakes)
    build, folder = own.build, path.parent.resolve()
    common: dict[str, Any] = {
        "identity": BuildIdentity(
            build.name, build.version, build.kind, build.commit or _commit_of(folder), about=build.about
        ),
        "kind": build.kind,
        "folder": folder,
        "prepare": tuple(build.prepare or ()),
        "parameters": build.parameters,
        "parameter_names": build.parameter_names,
        "presets": build.presets,
        "limits": Limits(**build.limits.model_dump()),
        "baseline": folder / build.baseline if build.baseline else None,
        "not_asked": {table.replace("_", "-"): reason for table, reason in build.not_asked.items()},
        "stages": {stage: tuple(patterns) for stage, patterns in build.stages.items()},
        "source": path,
    }
    if isinstance(build, RecordingsBuildTable):
        return Build(**common, **_recordings(build, folder))
    if isinstance(build, InterfaceBuildTable):
        return Build(**common, interface=_interface(build))
    if isinstance(build, CommandBuildTable):
        return Build(**common, argv=tuple(build.argv), exchange=build.exchange, latency_samples=build.latency_samples)
    if isinstance(build, LibraryBuildTable):
        return Build(**common, plugin=Plugin(build.file))
    if isinstance(build, LadspaBuildTable | Lv2BuildTable | ClapBuildTable | Vst3BuildTable):
        ports = tuple(build.ports.inputs), tuple(build.ports.outputs)
        return Build(**common, plugin=Plugin(build.file, build.plugin, build.preset, *ports))
    assert isinstance(build, PythonBuildTable)
    return Build(**common, object=build.object, module_path=folder / build.path)


def _recordings(build: RecordingsBuildTable, folder: Path) -> dict[str, Any]:
    of_all = {key: value for key in TakeTable.model_fields if (value := getattr(build, key)) is not None}
    looped = build.loopback or build.loopback_channel
    return {
        "recordings_folder": folder / build.folder,
        "notes": TakeNotes(**of_all),
        "takes": {name: TakeNotes(**of_all | written(take)) for name, take in build.takes.items()},
        "loopback": Loopback(build.loopback or "", build.loopback_channel, build.click_every_s) if looped else None,
        "cycles": folder / build.cycles if build.cycles else None,
    }


def _interface(build: InterfaceBuildTable) -> Interface:
    return Interface(
        build.device, build.device if build.output_device is None else build.output_device, tuple(build.input_channels),
        tuple(build.output_channels), build.loopback_channel, build.level_dbfs, build.stimulus, build.sweep_seconds,
        build.repeats,
    )  # fmt: skip


def _commit_of(folder: Path) -> str | None:
    """HEAD of the git repository the folder is in, if it is in one and git is there; says where files differ from it.

    Files that git does not track are left out: reports and takes may lie about.
    """
    head = _git(folder, "rev-parse", "--verify", "--quiet", "HEAD")
    changed = head and _git(folder, "status", "--porcelain", "--untracked-files=no")
    return f"{head} + uncommitted changes" if changed else head or None


def _git(folder: Path, *arguments: str) -> str:
    """What git answers; empty where it has no answer, or is not there."""
    try:
        asked = ["git", "-C", str(folder), *arguments]
        answer = subprocess.run(asked, capture_output=True, text=True, timeout=10, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return answer.stdout.strip()
