"""Kind python with somebody else's reverb: a general effects library behind the adapter of the page about builds."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from reverdict.command_line import main
from reverdict.errors import BadInput
from reverdict.render import Played, Request, Stimulus, play, render, working_folder
from reverdict.schema.build import read_build
from test_build_pages import shown

pytest.importorskip("pedalboard", reason="pedalboard is not installed: pip install '.[vst3]'")

REQUEST = Request("room", rate_hz=16000, seconds=0.5)
GROWING = (17, 64, 3, 512)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with effects.py and room.toml as the page has them."""
    build, files = shown("A Python library of effects")
    (tmp_path / "effects.py").write_text(files["effects.py"], encoding="utf-8")
    (tmp_path / "room.toml").write_text(build, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def changed(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


def outcome_of(report: Path) -> dict[str, str]:
    (reference,) = json.loads((report / "verdict.json").read_text(encoding="utf-8"))["references"]
    return {check["check"]: check["outcome"] for check in reference["checks"]}


def in_blocks(sizes: tuple[int, ...], channels: str = "mono") -> NDArray[Any]:
    request = replace(REQUEST, block_size=max(sizes), channels=channels)
    heard = np.random.default_rng(1).normal(0.0, 0.1, (request.input_channels, 4000))
    with working_folder() as work:
        (played,) = play(read_build(Path("room.toml")), request, [Stimulus(heard, sizes)], work)
    assert isinstance(played, Played), played
    return played.samples


@pytest.mark.usefixtures("undiagnosed")
@pytest.mark.parametrize("priced", [False, pytest.param(True, marks=pytest.mark.slow)], ids=["unpriced", "priced"])
def test_it_goes_from_a_golden_to_a_gate(here: Path, priced: bool) -> None:
    """It passes by its own golden; a room that is a little larger is stopped by energy decay alone."""
    if not priced:
        toml = here / "room.toml"
        toml.write_text(toml.read_text(encoding="utf-8") + '\n[build.not_asked]\ncost = "this test is about sound"\n')
    assert main(["golden", "new", "room", "--from", "room.toml", "--seconds", "2"]) == 0
    reference = here / "golden" / "room" / "reference.toml"
    table = reference.read_text(encoding="utf-8")
    start = table.index("\n[cost]")
    reference.write_text(
        table[:start] + '\n[cost]\nnot_asked = "this test is about sound"\n' + table[table.index("\n[conduct]") :],
        encoding="utf-8",
    )
    assert main(["gate", "room.toml", "--report", "same"]) == 0
    changed(here / "room.toml", "room_size = 0.6", "room_size = 0.65")
    assert main(["gate", "room.toml", "--report", "longer"]) == 1
    assert [check for check, outcome in outcome_of(here / "longer").items() if outcome == "fail"] == ["energy-decay"]


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize("channels", ["mono", "stereo-to-stereo"])
def test_blocks_of_any_size_sound_alike(channels: str) -> None:
    whole = in_blocks((512,), channels)
    assert np.abs(whole).max() > 0.001
    for sizes in ((1,), GROWING):
        np.testing.assert_array_equal(in_blocks(sizes, channels), whole)


def test_without_its_first_silent_block_growing_blocks_lose_the_tail(here: Path) -> None:
    changed(here / "effects.py", "if not self._primed:", "if False:")
    whole = in_blocks((512,))
    np.testing.assert_array_equal(in_blocks((64,)), whole)
    assert np.abs(in_blocks(GROWING) - whole).max() > 0.001


def test_a_parameter_moves(here: Path) -> None:
    heard = np.random.default_rng(1).normal(0.0, 0.1, (1, 4000))
    with working_folder() as work:
        still, moved = play(
            read_build(here / "room.toml"),
            REQUEST,
            [Stimulus(heard), Stimulus(heard, changes=((2000, "wet_level", 0.0),))],
            work,
        )
    assert isinstance(still, Played)
    assert isinstance(moved, Played)
    np.testing.assert_array_equal(moved.samples[:, :2000], still.samples[:, :2000])
    assert not moved.samples[:, 3500:].any()
    assert still.samples[:, 3500:].any()


def test_a_wrong_parameter_is_answered_with_those_there_are(here: Path) -> None:
    changed(here / "room.toml", "room_size", "roomsize")
    said = 'no parameter "roomsize"; did you mean room_size? there are room_size, damping, wet_level, '
    with working_folder() as work, pytest.raises(BadInput, match=said.replace("?", r"\?")):
        render(read_build(Path("room.toml")), REQUEST, work)
