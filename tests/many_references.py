"""A golden folder of any size and a folder of recordings to gate against it: 4 s at 48 kHz each, for the benchmarks.

    PYTHONPATH=checks python tests/many_references.py FOLDER NUMBER      makes FOLDER/golden and FOLDER/takes

Ten models by turns: eight random tanks of one to three springs (``tank_truth``), the demo's physical model of two
springs, and a dense reverb. Each is made a reference as a user would make it, tolerances and all (``golden new``). The
references are made of it with a noise of their own, 80 dB below the peak, so that no two are alike, and so are the
recordings. Decay curves may depart by ``CURVE_DB``, or by chance a few of a thousand would be unsure where they end in
noise. So every check but cost is put, and a gate passes.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.demo.physical_springs import Spring, impulse_response
from reverdict.golden_set import writing
from reverdict.making import Wishes, new_reference
from reverdict.schema.toml import read_toml
from reverdict.sound import write_sound
from reverdict.words import Response
from spring_truth import respond
from tank_truth import random_tank

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

RATE_HZ = 48000
SECONDS = 4.0
PEAK = 0.5
NOISE_DB = -80.0
CURVE_DB = 4.0
TANKS = 8
TANK_OF_TWO = (Spring.wound(0.2, 2.38, 340), Spring.wound(0.2, 2.38, 300, level_db=-2))
GIVEN_ANEW = ("schema", "rate_hz", "channels", "files", "approval")


@dataclass(frozen=True)
class Folders:
    golden: Path
    takes: Path


def models() -> list[NDArray[np.float64]]:
    """The ten responses without noise, shape (samples,), peak 1."""
    tanks = [respond(random_tank(seed).springs, RATE_HZ, SECONDS, noise_db=None) for seed in range(TANKS)]
    springs = impulse_response(RATE_HZ, SECONDS, TANK_OF_TWO, noise_db=None)
    time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    dense = np.random.default_rng(1).standard_normal(time_s.size) * np.exp(-3 * np.log(10) * time_s / 2)
    return [np.asarray(sound / np.abs(sound).max()) for sound in (*tanks, springs, dense)]


def make(root: Path, number: int) -> Folders:
    """Make so many references, and a recording of each, in a folder that has none yet."""
    folders = Folders(root / "golden", root / "takes")
    folders.takes.mkdir(parents=True)
    clean = models()
    with TemporaryDirectory(prefix="reverdict-models-") as name:
        asked = [_asked_of(with_noise(clean[n], n), Path(name), n) for n in range(min(number, len(clean)))]
    for n in range(number):
        name, model = f"ref-{n:04d}", n % len(clean)
        golden = Response(with_noise(clean[model], 2 * n)[np.newaxis], RATE_HZ)
        writing.new(name, golden, asked[model], folders.golden)
        write_sound(folders.takes / f"{name}.wav", with_noise(clean[model], 2 * n + 1)[np.newaxis], RATE_HZ)
    return folders


def with_noise(sound: NDArray[np.float64], seed: int) -> NDArray[np.float64]:
    """As it is recorded: at half of full scale, with a noise of its own."""
    noise = np.random.default_rng(seed).standard_normal(sound.size)
    return PEAK * (sound + 10 ** (NOISE_DB / 20) * noise)


def _asked_of(sound: NDArray[np.float64], beside: Path, number: int) -> Mapping[str, Any]:
    """What ``golden new`` asks of builds when it is given this recording, as tables."""
    recording = beside / f"model-{number}.wav"
    write_sound(recording, sound[np.newaxis], RATE_HZ)
    path, _ = new_reference(recording.stem, recording, beside / "golden", Wishes(click_at=0.0))
    told = read_toml(path)
    asked = {key: table for key, table in told.items() if key not in GIVEN_ANEW}
    asked["approval"] = {key: told["approval"][key] for key in ("who", "build", "why")}
    asked["energy_decay"]["curve_db"] = CURVE_DB
    return asked


if __name__ == "__main__":
    make(Path(sys.argv[1]), int(sys.argv[2]))
