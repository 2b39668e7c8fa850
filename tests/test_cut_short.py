"""WAVs whose header says more than is there: told, and made no reference of; what was streamed is innocent."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import hostile_sounds
from conftest import Workspace
from hostile_sounds import FRAMES, READABLE, rf64, wav, written
from reverdict.command_line import main
from reverdict.sound import cut_short, read_sound, write_sound

INNOCENT = [
    *({name: one for name, one in READABLE.items() if name != "truncated-data.wav"}.values()),
    wav(says=0),
    wav(says=0xFFFFFFFF, riff_says=0xFFFFFFFF),
    wav(says=0x7FFFF000),
    wav(says=2 * FRAMES + 1),  # not even a frame
    b"RIFF",
    b"",
]
CUT = {
    "plain": (wav()[:-1000], "4000 samples, 3500 are there"),
    "stereo": (wav(channels=2)[:-2000], "4000 samples, 3500 are there"),
    "big-endian": (wav(riff=b"RIFX", order=">")[:-1000], "4000 samples, 3500 are there"),
    "64-bit size": (rf64(2 * FRAMES)[:-1000], "4000 samples, 3500 are there"),
    "chunk before": (READABLE["odd-chunk-before.wav"][:-1000], "4000 samples, 3500 are there"),
    "blocks": (written("WAV", "IMA_ADPCM")[:-500], "blocks of sound"),
}


def test_what_is_whole_or_streamed_is_innocent(tmp_path: Path) -> None:
    file = tmp_path / "file.wav"
    for content in INNOCENT:
        file.write_bytes(content)
        assert cut_short(file) == []
    assert cut_short(tmp_path / "none.wav") == []


@pytest.mark.parametrize("name", CUT)
def test_what_was_cut_off_is_told(name: str, tmp_path: Path) -> None:
    content, told = CUT[name]
    file = tmp_path / "file.wav"
    file.write_bytes(content)
    (said,) = cut_short(file)
    assert said.startswith("is cut short: its header says ")
    assert told in said


def cut(workspace: Workspace) -> Path:
    """A take of "short" with all that the reference needs, whose header says twice as much."""
    take = workspace.takes / "short.wav"
    samples, rate_hz = read_sound(take)
    write_sound(take, np.tile(samples, 2), rate_hz)
    take.write_bytes(take.read_bytes()[: -samples.size * 2])
    return take


def test_no_reference_is_made_of_it(workspace: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    take = str(cut(workspace))
    golden = ["--golden", str(workspace.golden)]
    assert main(["golden", "new", "fresh", "--from", take, *golden]) == 2
    assert "is cut short: its header says 57600 samples" in capsys.readouterr().err
    assert not (workspace.golden / "fresh").exists()
    before = workspace.reference().read_bytes()
    for source in (take, str(workspace.takes)):
        assert main(["golden", "approve", "short", "--from", source, "--why", "x", *golden]) == 2
        assert "cannot be approved: its recording is cut short" in capsys.readouterr().err
    assert workspace.reference().read_bytes() == before


def test_a_table_says_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "file.wav"
    file.write_bytes(hostile_sounds.wav()[:-1000])
    assert main(["measure", str(file), "--json"]) == 0
    assert (
        "is cut short: its header says 4000 samples, 3500 are there" in json.loads(capsys.readouterr().out)["warnings"]
    )
