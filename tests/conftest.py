"""A small workspace to gate in: golden references of two short springs, and builds that play them back."""

from __future__ import annotations

import atexit
import gc
import json
import os
import pickle
import shutil
import signal
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pytest
from numpy.typing import NDArray

from reverdict.demo.physical_springs import Spring, impulse_response
from reverdict.golden_set import writing
from reverdict.golden_set.text import PROPOSED_TOLERANCES
from reverdict.sound import write_sound
from reverdict.words import Response

# A shell's background jobs, and what nohup starts, ignore Ctrl-C and hand that down; the programs under test must not.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN and threading.current_thread() is threading.main_thread():
    signal.signal(signal.SIGINT, signal.default_int_handler)

# What goldens measure is kept for all workers of a run, and for no other run.
if "REVERDICT_CACHE" not in os.environ:
    os.environ["REVERDICT_CACHE"] = tempfile.mkdtemp(prefix="reverdict-tests-")
    atexit.register(shutil.rmtree, os.environ["REVERDICT_CACHE"], ignore_errors=True)

T = TypeVar("T")

RATE_HZ = 48000
SECONDS = 0.6
TURNS = {"long": 340, "short": 300}

PLAYER = '''
"""Plays a stored response back at every click, or hands sound through. Faults on request, at one reference or all."""

import os
import signal
import time
from pathlib import Path

import numpy as np


class Player:
    def __init__(self, sample_rate, program, fault="", at="", gain=1.0):
        self.response = gain * np.load(Path(__file__).with_name(program + ".npy"))
        self.coming = np.zeros(0)
        self.fault = fault if at in ("", program) else ""

    def process(self, block):
        frames = block.shape[1]
        if self.fault == "crash":
            os.kill(os.getpid(), signal.SIGSEGV)
        while self.fault == "hang":
            time.sleep(1)
        if self.fault == "raise":
            raise ValueError("no such tap")
        if self.fault == "length":
            return block[:, 1:]
        needed = frames + self.response.size
        self.coming = np.append(self.coming, np.zeros(max(needed - self.coming.size, 0)))
        for click in np.flatnonzero(block[0]):
            self.coming[click : click + self.response.size] += block[0, click] * self.response
        out, self.coming = self.coming[:frames].copy(), self.coming[frames:]
        if self.fault == "nan":
            out[:] = np.nan
        if self.fault == "silence":
            out[:] = 0
        return out[np.newaxis]


class Through:
    def __init__(self, sample_rate, program):
        pass

    def process(self, block):
        return block


class Busy(Through):
    """Costs enough to be told from the start of Python."""

    def process(self, block):
        for _ in range(100):
            np.fft.fft(block)
        return block
'''


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Of tests marked ``few(n)``, make all cases slow but n of them: the first, the last, and evenly between."""
    cases: dict[str, list[pytest.Item]] = {}
    for item in items:
        if item.get_closest_marker("few"):
            cases.setdefault(item.nodeid.partition("[")[0], []).append(item)
    for alike in cases.values():
        marker = alike[0].get_closest_marker("few")
        assert marker is not None
        kept = {round(place) for place in np.linspace(0, len(alike) - 1, marker.args[0])}
        for number, item in enumerate(alike):
            if number not in kept:
                item.add_marker(pytest.mark.slow)


def pytest_collection_finish() -> None:
    """What was collected stays to the end: no use to search it for garbage, as pytest does twice in every gate."""
    gc.collect()
    gc.freeze()


@dataclass(frozen=True)
class Workspace:
    """Folders ``golden`` (references "long" and "short") and ``builds``; ``takes`` holds both as recordings."""

    root: Path

    @property
    def golden(self) -> Path:
        return self.root / "golden"

    @property
    def builds(self) -> Path:
        return self.root / "builds"

    @property
    def takes(self) -> Path:
        return self.root / "takes"

    def reference(self, name: str = "short") -> Path:
        return self.golden / name / "reference.toml"

    def impulse(self, name: str = "short") -> Path:
        (path,) = (self.golden / name).glob("response-*.*")
        return path

    def build(self, tables: str = "", **keys: Any) -> Path:
        """Write the TOML of a build that plays everything back, with keys and tables of one's own. Give its path."""
        kind = {"kind": "python", "object": "player:Player"}
        told = {"name": "player", "version": "1", **({} if "kind" in keys else kind), **keys}
        lines = [f"{key} = {json.dumps(value)}" for key, value in told.items()]
        path = self.builds / f"build-{len(list(self.builds.glob('*.toml')))}.toml"
        path.write_text("\n".join(["[build]", *lines, tables, ""]), encoding="utf-8")
        return path

    def faulty(self, fault: str, at: str = "", **more: Any) -> Path:
        """A build with one of the player's faults."""
        return self.build(f'[build.parameters]\nfault = "{fault}"\nat = "{at}"\n[build.limits]\nseconds = 20', **more)

    def edit(self, old: str, new: str, path: Path | None = None) -> Path:
        """Change a line of reference.toml of "short", or of another file."""
        path = path or self.reference()
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{old!r} is not in {path}"
        path.write_text(text.replace(old, new), encoding="utf-8")
        return path


def spring(turns: float) -> NDArray[Any]:
    """Response of one spring in 32-bit floats, shape (samples,), that is 60 dB down after about 0.35 s."""
    response = impulse_response(RATE_HZ, SECONDS, (Spring.wound(0.2, 2.38, turns),), noise_db=None)
    fading = np.exp(-np.arange(response.size) / RATE_HZ * np.log(1000) / 0.4)
    return (response * fading).astype(np.float32).astype(np.float64)


def tables_for(name: str) -> dict[str, Any]:
    return {
        "title": f"the {name} spring",
        "origin": "build",
        "render": {
            "seconds": SECONDS,
            "preroll_s": 0.05,
            "sample_rates_hz": [RATE_HZ],
            "block_sizes": [512],
            "parameters": {"program": name},
        },
        "approval": {"who": "First ear", "build": "player 1", "why": "It is the spring"},
        "echo_timing": {"springs": 1, "pass_law": "1:3:5", "passes": 3},
        "cost": {"not_asked": "not asked of a player"},
    }


def once(function: Callable[..., T]) -> Callable[..., T]:
    """The same function, that remembers what it gave for the same arguments."""
    known: dict[bytes, T] = {}

    def remembering(*arguments: Any) -> T:
        key = pickle.dumps(arguments)
        if key not in known:
            known[key] = function(*arguments)
        return known[key]

    return remembering


@pytest.fixture
def undiagnosed(monkeypatch: pytest.MonkeyPatch) -> None:
    """What explains a deviation is not sought: it takes seconds, and is proved elsewhere."""
    monkeypatch.setattr("reverdict.diagnose.diagnose", lambda *_: ())


@pytest.fixture(scope="session")
def original_workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The workspace that every test gets a copy of."""
    root = tmp_path_factory.mktemp("original")
    for folder in ("builds", "takes"):
        (root / folder).mkdir()
    # Nothing is asked of manners here: they are proved elsewhere, and cost a second or two each time.
    (root / "golden").mkdir()
    without_manners = PROPOSED_TOLERANCES.partition("[conduct]")[0] + "[conduct]\n"
    (root / "golden" / "tolerances.toml").write_text(without_manners, encoding="utf-8")
    for name, turns in TURNS.items():
        samples = spring(turns)
        writing.new(name, Response(samples[np.newaxis], RATE_HZ), tables_for(name), root / "golden")
        np.save(root / "builds" / f"{name}.npy", samples)
        write_sound(root / "takes" / f"{name}.wav", samples[np.newaxis], RATE_HZ)
    (root / "builds" / "player.py").write_text(PLAYER, encoding="utf-8")
    return root


@pytest.fixture
def workspace(tmp_path: Path, original_workspace: Path) -> Workspace:
    """A workspace of one's own, in tmp_path."""
    shutil.copytree(original_workspace, tmp_path, dirs_exist_ok=True)
    return Workspace(tmp_path)
