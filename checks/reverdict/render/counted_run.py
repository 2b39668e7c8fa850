"""What the worker does under callgrind: feeds noise to a build, block by block, and has each stretch of it counted.

A count of a stretch is the difference between two lengths of one run, to its end and to its beginning, so that opening
the build, its first blocks and what is bound on the first call are in none of them. The stretch is a power of two of
blocks long: what a build does every so many blocks, such as transforms, then falls into each stretch alike. How long,
follows from a trial: ``AIM`` instructions, and ``FEWEST_BLOCKS`` at least where these are not above ``MOST``. It is a
count, not a time, so that the length is the same on every machine. Every repeat is of a fresh instance, fed the same.
"""

from __future__ import annotations

import gc
import json
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.render.bracket import DUMP, START, STOP, Bracket
from reverdict.render.callgrind_log import summary_of
from reverdict.render.noise import noise_blocks

if TYPE_CHECKING:
    from reverdict.render.hosts import Host, Instance

WARM_SAMPLES = 8192
TRIAL_BLOCKS = 4
FEWEST_BLOCKS, FEWEST_OF_A_DEAR_BUILD = 32, 8
MOST_SAMPLES = 1 << 16
AIM, MOST = 100e6, 400e6
REPEATS = 3
EMPTY_CALLS = 16
IN_PYTHON = ("python", "vst3")


class Player:
    """An instance that hears noise, always the same, on and on."""

    def __init__(self, host: Host, job: dict[str, Any]) -> None:
        self._instance: Instance = host.make()
        self._at = 0
        self._noise = noise_blocks(job)

    def hear(self, blocks: int) -> None:
        """So many blocks more."""
        for _ in range(blocks):
            self._instance.process(self._noise[self._at % self._noise.shape[0]])
            self._at += 1

    def count_with(self, bracket: Bracket) -> None:
        """Have whatever the build does from now on counted."""
        self._instance.call_build = bracket.call

    def close(self) -> None:
        self._instance.close()


def count_calls(host: Host, job: dict[str, Any]) -> None:
    """Count, and tell how much was counted where.

    ``job["count"]`` is the start of the names of callgrind's files. Written to ``job["counted"]``: ``blocks`` a
    stretch, and the files of each of the ``stretches`` and, for kinds that run in Python, of ``empty`` calls.
    """
    counted = Counted(job["count"])
    warm = _power_of_two(WARM_SAMPLES / job["block_size"])
    player = Player(host, job)
    player.hear(warm)
    gc.collect()
    gc.freeze()
    counted.bracket.ask(START)
    empty = counted.of_empty_calls() if job["kind"] in IN_PYTHON else ""
    player.count_with(counted.bracket)
    trial = counted.of(player, TRIAL_BLOCKS)
    blocks = _stretch(summary_of(Path(trial)) / TRIAL_BLOCKS, job["block_size"])
    stretches = [counted.of(player, blocks)]
    for _ in range(REPEATS - 1):
        counted.bracket.ask(STOP)
        player.close()
        player = Player(host, job)
        player.hear(warm + TRIAL_BLOCKS)
        counted.bracket.ask(START)
        player.count_with(counted.bracket)
        stretches.append(counted.of(player, blocks))
    told = {"blocks": blocks, "empty": empty, "empty_calls": EMPTY_CALLS, "stretches": stretches}
    Path(job["counted"]).write_text(json.dumps(told), encoding="utf-8")


class Counted:
    """What has been counted in this process, file by file."""

    def __init__(self, start_of_names: str) -> None:
        self.bracket = Bracket()
        self._start, self._files = f"{start_of_names}.{os.getpid()}", 0

    def of(self, player: Player, blocks: int) -> str:
        """Have a stretch counted. Its file."""
        gc.collect()
        player.hear(blocks)
        return self._written()

    def of_empty_calls(self) -> str:
        """Have calls of a Python function counted that does nothing. Their file."""
        for _ in range(EMPTY_CALLS):  # Python learns what is called often
            self.bracket.call(_nothing)
        self._written()
        for _ in range(EMPTY_CALLS):
            self.bracket.call(_nothing)
        return self._written()

    def _written(self) -> str:
        self.bracket.ask(DUMP)
        self._files += 1
        return f"{self._start}.{self._files}"


def _nothing() -> None:
    pass


def _stretch(instructions_a_block: float, block_size: int) -> int:
    aimed, most = (max(1.0, budget / max(instructions_a_block, 1.0)) for budget in (AIM, MOST))
    fewest = max(FEWEST_OF_A_DEAR_BUILD, min(FEWEST_BLOCKS, 1 << int(math.log2(most))))
    return max(fewest, min(1 << int(math.log2(aimed)), _power_of_two(MOST_SAMPLES / block_size)))


def _power_of_two(number: float) -> int:
    """The next one that is not less, 1 at least."""
    return int(1 << max(0, math.ceil(math.log2(number))))
