"""CLAP and VST3 plug-ins of our own, compiled when tests need them, and what their springs sound like."""

from __future__ import annotations

import importlib.util
import platform
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from reverdict.render import Build, Failure, Played, Request, Stimulus, play, render

SOURCES = Path(__file__).parent
RATE_HZ = 8000
FRAMES = 4000
REQUEST = Request("tank", rate_hz=RATE_HZ, block_size=64, seconds=0.5, preroll_s=0.1)

SAVING = """
import sys, numpy, pedalboard
plugin = pedalboard.VST3Plugin(sys.argv[1], plugin_name=sys.argv[2])
for name, position in (("delay_ms", 0.08), ("reflection", 0.25), ("mode", 1.0)):
    plugin.parameters[name].raw_value = position
plugin.process(numpy.zeros((2, 64), numpy.float32), 48000.0, reset=False)
with open(sys.argv[3], "wb") as preset:
    preset.write(plugin.preset_data)
"""


def lack(kind: str) -> str:
    """Why plug-ins of a kind cannot be tried on this machine; empty where they can."""
    missing = [compiler for compiler in ("cc", "c++") if shutil.which(compiler) is None]
    if missing:
        return f"no compiler {' or '.join(missing)}"
    if kind == "clap":
        return ""
    if importlib.util.find_spec("pedalboard") is None:
        return "pedalboard is not installed: pip install '.[vst3]'"
    return "" if sys.platform == "linux" else "the bundles are laid out for Linux"


def compile_into(folder: Path, kind: str) -> Path:
    """Make a folder's plug-ins of a kind: springs, and "nothing", a library that is no plug-in."""
    if kind == "clap":
        _compile("cc", SOURCES / "clap_springs" / "spring.c", folder / "spring.clap")
        _compile("c++", SOURCES / "clap_springs" / "comb.cpp", folder / "comb.clap")
        _compile("cc", Path("/dev/null"), folder / "nothing.clap")
        return folder
    for name, source in (("spring", SOURCES / "vst3_springs" / "spring.cpp"), ("nothing", Path("/dev/null"))):
        place = folder / f"{name}.vst3" / "Contents" / f"{platform.machine()}-linux"
        place.mkdir(parents=True)
        _compile("c++", source, place / f"{name}.so")
    return folder


def save_preset(folder: Path, kind: str, name: str, plugin: str = "Spring") -> None:
    """Save a preset of the spring in a folder: a delay of 8 ms, a reflection of 0.25, inverted."""
    if kind == "clap":
        (folder / name).write_text("Delay 8\nReflection 0.25\nMode 1\n", encoding="utf-8")
    else:
        subprocess.run([sys.executable, "-c", SAVING, folder / "spring.vst3", plugin, folder / name], check=True)


def _compile(compiler: str, source: Path, target: Path) -> None:
    language = ["-x", "c++", "-std=c++17"] if compiler == "c++" else ["-x", "c"]
    flags = ["-Wall", "-Wextra", "-Werror", "-O1", "-shared", "-fPIC", "-o", target]
    subprocess.run([compiler, *flags, *language, source, "-lm"], check=True)


def noise(channels: int = 1) -> NDArray[Any]:
    """Half noise, half silence."""
    samples = np.random.default_rng(3).normal(0.0, 0.1, (channels, FRAMES))
    samples[:, FRAMES // 2 :] = 0.0
    return samples


def played(build: Build, work: Path, request: Request = REQUEST, **stimulus: Any) -> Played:
    """What comes of noise, or of another stimulus."""
    given = {"samples": noise(request.input_channels), **stimulus}
    (one,) = play(build, request, [Stimulus(**given)], work)
    assert isinstance(one, Played), one
    return one


def reason_of(build: Build, work: Path, request: Request = REQUEST) -> str:
    """Why a render of it failed."""
    failure = render(build, request, work)
    assert isinstance(failure, Failure), failure
    return failure.reason


def spring(samples: NDArray[Any], delay_ms: float = 5.0, reflection: float = 0.6) -> NDArray[Any]:
    """What the springs do, in closed form: W = H X / (1 + r H), with H a delay and eight allpass sections."""
    above, below = np.ones(1), np.ones(1)
    for _ in range(8):
        above, below = np.convolve(above, [0.6, 1.0]), np.convolve(below, [1.0, 0.6])
    above = np.append(np.zeros(round(delay_ms / 1000 * RATE_HZ)), above)
    closed = reflection * above
    closed[: below.size] += below
    return lfilter(above, closed, samples)


def assert_sounds(output: Played, expected: NDArray[Any]) -> None:
    """Alike but for 32-bit arithmetic."""
    np.testing.assert_allclose(output.samples, expected, rtol=0, atol=1e-6)
