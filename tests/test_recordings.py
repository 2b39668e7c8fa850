"""Real tanks and reverbs, public-domain recordings that lie beside the project; skipped where they are absent."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from reverdict.measure.measurement import Measurement, measure
from reverdict.sound import read_sound
from reverdict.words import Response

FOLDER = Path(os.environ.get("REVERDICT_RECORDINGS", Path(__file__).parents[2] / "shared" / "recordings"))


def measured(name: str, arrival_hz: float = 500.0) -> Measurement:
    """Measurement of one recording, its click at the first sample."""
    path = FOLDER / name
    if not path.exists():
        pytest.skip(f"{path} is absent; set REVERDICT_RECORDINGS to the folder of recordings")
    samples, rate_hz = read_sound(path)
    return measure(Response(samples, rate_hz, 0.0, tuple(f"{i}" for i in range(len(samples)))), arrival_hz)


def test_a_mono_tank() -> None:
    (path,) = measured("tank-mono.flac", 1000.0).paths
    first, second = path.springs.springs
    assert first.pass_law == second.pass_law == "1:3:5"
    arrivals_ms = sorted(1e3 * one.time_s for spring in (first, second) for one in spring.passes[:2])
    assert arrivals_ms == pytest.approx([29.9, 39.1, 89.3, 116.8], abs=0.5)  # note beside the recording, 1 kHz
    assert [one.polarity for one in first.passes[:2]] == [1, -1]
    octaves = {band.centre_hz: band.times["t30"].seconds for band in path.decay.bands}
    assert 2.0 < (octaves[1000.0] or 0.0) < 3.5


def test_a_stereo_tank() -> None:
    for path in measured("tank-stereo.flac").paths:
        assert [spring.pass_law for spring in path.springs.springs] == ["1:3:5", "1:3:5"]


@pytest.mark.parametrize(
    "name", ["digital-hall.flac", "digital-gated.flac", "digital-reversed.flac", "living-room.flac"]
)
def test_no_spring_is_invented(name: str) -> None:
    for path in measured(name).paths:
        assert not path.springs.springs
        assert path.springs.why_none
