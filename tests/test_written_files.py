"""Single files that commands write: what is there and was not made here stays, what was made here is made anew."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from matplotlib.figure import Figure

from conftest import RATE_HZ, Workspace
from reverdict.command_line import main
from reverdict.commands.targets import prove_file
from reverdict.errors import BadInput
from reverdict.report.pictures.paper import write_png
from reverdict.sound import write_sound

SHORT = ["--seconds", "0.5", "--tail", "0.1"]


@pytest.mark.parametrize("arguments", [
    ["sweep", "{there}.wav"],
    ["fit", "{take}", "--wav", "{there}.wav"],
    ["fit", "{take}", "--toml", "{there}.toml"],
    ["fit", "{take}", "--plot", "{there}.png"],
    ["measure", "{take}", "--plot", "{there}.png"],
])  # fmt: skip
def test_a_file_of_others_is_not_written_over(
    arguments: list[str], workspace: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    there = workspace.root / "there"
    told = [one.format(take=workspace.takes / "short.wav", there=there) for one in arguments]
    file = Path(told[-1])
    write_sound(file.with_suffix(".wav"), np.ones((1, 100)) / 2, RATE_HZ)
    file.with_suffix(".wav").replace(file)
    before = file.read_bytes()
    assert main(told) == 2
    assert "is there already and was not made here" in capsys.readouterr().err
    assert file.read_bytes() == before


def test_a_sweep_is_made_anew(tmp_path: Path) -> None:
    file = tmp_path / "sweep.wav"
    file.touch()  # holds nothing that could be lost
    for hertz in ("48000", "44100"):
        assert main(["sweep", str(file), *SHORT, "--rate", hertz]) == 0
        assert soundfile.info(file).samplerate == int(hertz)


def test_a_picture_is_drawn_anew(tmp_path: Path) -> None:
    picture = tmp_path / "short.png"
    write_png(picture, Figure)
    prove_file(picture)


def test_what_only_names_us_is_of_others(tmp_path: Path) -> None:
    build = tmp_path / "build.toml"
    build.write_text("# Written by reverdict capture.", encoding="utf-8")
    with pytest.raises(BadInput, match="not made here"):
        prove_file(build)
