"""What a user is told of a recording before its tables: slips refused in a line, doubts as warnings, no nonsense."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from reverdict.command_line import main
from reverdict.measure.decay import measure_decay
from reverdict.measure.rising import rising_sweep
from reverdict.measure.sweep import make_sweep
from reverdict.sound import write_sound
from spring_truth import TrueSpring, respond
from springless_truth import springless
from tank_truth import clean_response, random_tank, with_noise

RATE_HZ = 48000
SPRING = TrueSpring(0.0310, 4800)


def tank(noise_db: float | None = -80) -> NDArray[np.float64]:
    return respond([SPRING], RATE_HZ, 1.5, noise_db=noise_db, crosstalk_db=-20)


def hall(seconds: float = 2.0) -> NDArray[np.float64]:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return 0.2 * np.random.default_rng(1).standard_normal(time_s.size) * 10 ** (-3 * time_s / 0.8)


def sweep(seconds: float = 3.0) -> NDArray[np.float64]:
    return np.concatenate([make_sweep(20, 20000, seconds, RATE_HZ, "synchronized", 0.25).samples(), np.zeros(RATE_HZ)])


def wav(folder: Path, name: str, *rows: NDArray[np.float64]) -> Path:
    write_sound(folder / name, np.array(rows), RATE_HZ)
    return folder / name


def said(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    status = main([str(one) for one in arguments])
    return (status, *capsys.readouterr())


@pytest.mark.parametrize("room", ["none", "hall", "spring"])
def test_a_recorded_sweep_without_its_stimulus_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], room: str
) -> None:
    answer = {"none": np.ones(1), "hall": hall(), "spring": tank(None)}[room]
    take = wav(
        tmp_path, "take.wav", np.convolve(sweep(), answer)[: 4 * RATE_HZ] if room == "none" else _through(answer)
    )
    status, out, err = said(capsys, "measure", take)
    assert (status, out) == (2, "")
    assert "sounds like a recorded sweep" in err
    assert "--stimulus" in err


def _through(answer: NDArray[np.float64]) -> NDArray[np.float64]:
    size = 5 * RATE_HZ
    sound = np.fft.irfft(np.fft.rfft(sweep(), size) * np.fft.rfft(answer, size), size)
    return np.asarray(0.5 * sound / np.abs(sound).max())


@pytest.mark.slow
def test_nothing_else_sounds_like_a_recorded_sweep() -> None:
    sounds = springless()
    found = [name for name, (rate_hz, make) in sounds.items() if rising_sweep(make(), rate_hz) is not None]
    assert found == ["sweep of a second"]
    assert rising_sweep(np.cumsum(hall()), RATE_HZ) is None
    for seed in range(6):
        assert rising_sweep(with_noise(clean_response(random_tank(seed))[0], 60, seed), RATE_HZ) is None


def test_a_linear_sweep_is_one_too() -> None:
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    found = rising_sweep(np.sin(2 * np.pi * (50 * time_s + 4000 * time_s**2)), RATE_HZ)
    assert found is not None
    assert found.to_hz == pytest.approx(16050, rel=0.05)


@pytest.mark.parametrize("wrong", ["hall", "other sweep"])
def test_a_wrong_stimulus_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str], wrong: str) -> None:
    take = wav(tmp_path, "take.wav", np.concatenate([sweep(), np.zeros(2 * RATE_HZ)]))
    stimulus = wav(tmp_path, "stimulus.wav", hall() if wrong == "hall" else sweep(2.0))
    status, out, err = said(capsys, "measure", take, "--stimulus", stimulus)
    assert (status, out) == (2, "")
    assert "is it the right" in err


def test_the_click_is_put_where_passes_say_and_that_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = respond([SPRING], RATE_HZ, 1.5, noise_db=-90)
    take = wav(tmp_path, "take.wav", 0.9 * sound)
    monkeypatch.setattr("reverdict.recorded.find_click", lambda *_: 0.0310)
    status, out, _ = said(capsys, "measure", take, "--json")
    told = json.loads(out)
    assert status == 0
    assert told["click_at_s"] == pytest.approx(0.0, abs=50e-6)
    assert "is a pass of a spring, not the click" in told["warnings"][0]
    assert told["channels"][0]["springs"][0]["pass_law"] == "1:3:5"
    _, out, _ = said(capsys, "measure", take, "--click-at", "0.031")
    assert "Beware: passes come 31.0" in out


def test_latency_is_told_in_text_and_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    take = wav(tmp_path, "take.wav", np.concatenate([np.zeros(96), respond([SPRING], RATE_HZ, 1.5, noise_db=-80)]))
    channel = json.loads(said(capsys, "measure", take, "--click-at", 0, "--json")[1])["channels"][0]
    assert channel["latency_ms"] == pytest.approx(2.0, abs=0.01)
    assert 0 < channel["latency_uncertainty_ms"] < 0.05
    assert "Latency: +2.00" in said(capsys, "measure", take, "--click-at", 0)[1]
    channel = json.loads(said(capsys, "measure", wav(tmp_path, "hall.wav", hall()), "--json")[1])["channels"][0]
    assert channel["latency_ms"] is None
    assert "dense" in channel["reasons"]["latency_ms"]


def test_clipping_and_levels_apart_are_told_beside_and_of_a_fit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clean, clipped = wav(tmp_path, "clean.wav", 0.1 * tank()), wav(tmp_path, "hot.wav", np.clip(3 * tank(), -1, 1))
    out = said(capsys, "measure", clean, "--beside", clipped)[1]
    assert "Beware: hot.wav: channel 1 clips" in out
    assert "dB softer than the golden" in out
    assert "channel 1 clips" in said(capsys, "fit", clipped, "--click-at", 0)[1]
    assert "Beware" not in said(capsys, "measure", clean, "--beside", clean)[1]


def test_silence_and_steady_sounds_are_told_in_a_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = said(capsys, "measure", wav(tmp_path, "silence.wav", np.zeros(RATE_HZ)))[1]
    assert out.splitlines()[1:] == ["", "Silence."]
    tone = 0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)
    for sound in (tone, 0.1 * np.random.default_rng(1).standard_normal(RATE_HZ)):
        out = said(capsys, "measure", wav(tmp_path, "steady.wav", sound))[1]
        assert "It does not decay: is this the answer to a click" in out
        assert "needs" not in out
        assert len(out.splitlines()) < 10


def test_reasons_that_differ_in_what_they_need_only_are_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    noisy = hall() + 0.01 * np.random.default_rng(5).standard_normal(2 * RATE_HZ)
    out = said(capsys, "measure", wav(tmp_path, "noisy.wav", noisy))[1]
    assert re.search(r"T20, T30: \d+ dB above the noise, needs 35, 45\n", out)


def test_no_energy_figure_is_impossible() -> None:
    """C80 below C50, a centre of energy behind the end of the record, two slopes of a filter's ringing."""
    rng = np.random.default_rng(1)
    time_s = np.arange(RATE_HZ) / RATE_HZ
    tone = 0.5 * np.sin(2 * np.pi * 440 * np.arange(3 * RATE_HZ) / RATE_HZ)
    pulse = np.where(np.arange(RATE_HZ) == 100, 0.9, 0.0)
    short = 0.3 * rng.standard_normal(time_s.size) * 10 ** (-3 * time_s / 0.05)
    for sound in (tone, pulse, short + 1e-9 * rng.standard_normal(time_s.size)):
        measured = measure_decay(sound, RATE_HZ)
        for band in (measured.whole, *measured.bands):
            c50, c80, ts = (band.ratios[name] for name in ("c50_db", "c80_db", "ts_ms"))
            assert c50.value is None or c80.value is None or c80.value >= c50.value
            assert ts.value is None or -(ts.uncertainty or 0.0) <= ts.value < 1e3 * sound.size / RATE_HZ
            assert band.two_slopes.knee_db is None or band.two_slopes.knee_db > -75


@pytest.mark.slow
def test_a_fit_tells_what_it_wrote_and_no_highpass_that_does_not_show(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    take, toml = wav(tmp_path, "take.wav", tank()), tmp_path / "take.toml"
    _, out, _ = said(capsys, "fit", take, "--toml", toml, "--click-at", 0)
    assert str(toml) in out
    told = toml.read_text(encoding="utf-8")
    assert "e+" not in told


def test_a_text_file_is_known_by_its_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "text.wav").write_text("hello, not a sound\n" * 9)
    assert 'it begins with the text "hello, not a sound"' in said(capsys, "measure", tmp_path / "text.wav")[2]


def test_a_sweep_that_cannot_be_written_says_only_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = said(capsys, "sweep", tmp_path / "bad.wav", "--from-hz", 30000)
    assert (status, out) == (2, "")
    assert "nothing to sweep" in err
