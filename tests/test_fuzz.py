"""What is read of others is read or refused, never broken on: seeds, crashes that were found, mutations of a fixed
seed. The long form, guided by coverage, is tests/fuzz.py.
"""

from __future__ import annotations

import lzma
import random
import time
import zlib
from pathlib import Path

import pytest

from fuzz_targets import CRASHES, TARGETS, mutated
from reverdict.errors import BadInput

ROUNDS = {"board": 10, "part": 6, "run": 10, "reference": 20, "approvals": 25, "sensitivity": 20, "tolerances": 30}
FOUND = sorted(CRASHES.glob("*.xz"))
HANG_S, WAITED_S = 5.0, 60.0
"""Of a processor, and on the clock of a machine that is busy with other things."""


def refused(name: str, data: bytes, folder: Path) -> str:
    """What is said against a file; empty where it is read. Anything but BadInput comes through."""
    file = folder / TARGETS[name].name
    file.parent.mkdir(parents=True)
    file.write_bytes(data)
    started, worked = time.monotonic(), time.process_time()
    said = ""
    try:
        TARGETS[name].read(file)
    except BadInput as refusal:
        said = str(refusal) or "nothing"
    assert said != "nothing"
    assert time.process_time() - worked < HANG_S
    assert time.monotonic() - started < WAITED_S
    return said


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_are_good_files(name: str, tmp_path: Path) -> None:
    """Else fuzzing would only ever see refusals."""
    seeds = TARGETS[name].seeds()
    said = [refused(name, seed, tmp_path / str(number)) for number, seed in enumerate(seeds)]
    good = said.count("")
    assert good == (1 if name == "captured" else len(seeds)), said  # one build alone is of recordings


@pytest.mark.parametrize("target", sorted({file.name.partition(".")[0] for file in FOUND}))
def test_what_once_crashed_no_longer_does(target: str, tmp_path: Path) -> None:
    for file in FOUND:
        if file.name.startswith(f"{target}."):
            refused(target, lzma.decompress(file.read_bytes()), tmp_path / file.stem)


@pytest.mark.parametrize("name", TARGETS)
def test_mutations_are_read_or_refused(name: str, tmp_path: Path) -> None:
    chance = random.Random(zlib.crc32(name.encode()))
    seeds = TARGETS[name].seeds()
    said = []
    for number in range(ROUNDS.get(name, 60)):
        data = mutated(chance.choice(seeds), TARGETS[name].form, chance)
        said.append(refused(name, data, tmp_path / str(number)))
    if name != "hardware":  # any text at all is a count, or none
        assert any(said), "no mutation went deep enough to be refused"
