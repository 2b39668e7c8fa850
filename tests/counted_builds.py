"""Builds whose instructions are counted in tests, compiled when they are needed, and what keeps cores busy."""

from __future__ import annotations

import functools
import shutil
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

from reverdict.reference import Cost, Tolerance
from reverdict.render import Build, Limits, Request
from reverdict.render.build import Plugin
from reverdict.render.counting import counter_version, why_not_counted
from reverdict.render.preparing import HEADERS
from reverdict.words import BuildIdentity

if TYPE_CHECKING:
    pass

SOURCES = Path(__file__).with_name("counted")
REQUEST = Request("spring", block_size=512)
HALF_A_PERCENT = Cost(instructions_percent=Tolerance.both_ways(0.5))
STAGES = {"dispersion": ("chain_step",), "delay": ("delay_*",), "filter": ("lowpass",)}


@functools.lru_cache(maxsize=1)
def lack() -> str:
    """Why nothing of this can be tried on this machine; empty where it can."""
    if shutil.which("cc") is None:
        return "no C compiler called cc"
    if not counter_version():
        return "no valgrind"
    return why_not_counted(library(Path("lib.so")))


def library(file: Path) -> Build:
    return Build(BuildIdentity("spring", "1", "library"), "library", file.parent, plugin=Plugin(str(file)))


def compiled_library(folder: Path, *defines: str) -> Build:
    file = folder / ("-".join(["spring", *defines]).replace("=", "") + ".so")
    _compile(file, SOURCES / "spring.c", "-shared", "-fPIC", f"-I{HEADERS}", *_defined(defines))
    return library(file)


def compiled_command(folder: Path, *defines: str) -> Build:
    file = folder / "-".join(["spring", *defines]).replace("=", "")
    _compile(file, SOURCES / "spring.c", *_defined(("COMMAND", *defines)))
    identity = BuildIdentity("spring", "1", "command")
    return Build(identity, "command", folder, argv=(str(file),), exchange="raw", limits=Limits(seconds=20.0))


def compiled_plugin(folder: Path, *defines: str) -> Build:
    file = folder / ("-".join(["one", *defines]).replace("=", "") + ".so")
    _compile(file, SOURCES / "ladspa.c", "-shared", "-fPIC", *_defined(defines))
    return Build(BuildIdentity("one", "1", "ladspa"), "ladspa", folder, plugin=Plugin(str(file)))


def _defined(names: tuple[str, ...]) -> list[str]:
    return [f"-D{name}" for name in names]


def _compile(target: Path, source: Path, *options: str) -> None:
    subprocess.run(["cc", "-O2", "-g", "-Wall", "-Wextra", "-Werror", *options, "-o", target, source], check=True)
