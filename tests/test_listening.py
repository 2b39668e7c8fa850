"""What can be heard beside a report: dry sounds, loudness after the standard, excerpts in step, whole files."""

from __future__ import annotations

import base64
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from reverdict.auditioning import audition, hand_on
from reverdict.listening import dry
from reverdict.listening.excerpts import DRY, PEAK_DBFS, excerpts
from reverdict.listening.loudness import loudness_lkfs, true_peak
from reverdict.page_folders import SOUNDS, take_sounds_away
from reverdict.report.pages.sounds import sounds_html
from reverdict.words import BuildIdentity, Outcome, ReferenceVerdict, Response, Verdict

RATE_HZ = 48000
TIME = np.arange(5 * RATE_HZ) / RATE_HZ


def sine(hz: float, dbfs: float) -> np.ndarray:
    return 10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * TIME)


def response(seconds: float = 0.5, seed: int = 0, rate_hz: int = RATE_HZ) -> np.ndarray:
    time = np.arange(int(seconds * rate_hz)) / rate_hz
    return np.random.default_rng(seed).standard_normal(time.size)[None] * np.exp(-time / 0.06)


# Loudness. Recommendation ITU-R BS.1770-4 and EBU Tech 3341 (both from memory).


@pytest.mark.parametrize(
    ("sound", "lkfs"),
    [
        (sine(997, 0.0)[None], -3.01),  # BS.1770-4, annex 1: a full-scale sine of 997 Hz in one channel
        (np.stack([sine(1000, -23.0)] * 2), -23.0),  # Tech 3341, case 1
        (np.stack([sine(1000, -33.0)] * 2), -33.0),  # case 2
    ],
)
def test_loudness_agrees_with_the_standard(sound: np.ndarray, lkfs: float) -> None:
    assert loudness_lkfs(sound) == pytest.approx(lkfs, abs=0.1)


def test_what_is_quiet_beside_the_rest_is_left_out() -> None:
    """Tech 3341, case 3: ten seconds at −36 before and after a minute at −23; here 5, 20 and 5 s."""
    loud, soft = sine(1000, -23.0), sine(1000, -36.0)
    row = np.concatenate([soft, *[loud] * 4, soft])
    assert loudness_lkfs(np.stack([row, row])) == pytest.approx(-23.0, abs=0.1)


def test_silence_has_no_loudness_and_no_peak() -> None:
    assert loudness_lkfs(np.zeros((1, RATE_HZ))) == -np.inf
    assert true_peak(np.zeros((1, 10))) == 0.0


def test_the_true_peak_lies_between_the_samples() -> None:
    """A sine at a quarter of the rate whose samples all lie 3 dB below its peak."""
    between = np.sin(np.pi / 2 * np.arange(4800) + np.pi / 4)[None]
    assert np.max(np.abs(between)) == pytest.approx(np.sqrt(0.5))
    assert true_peak(between[:, 100:-100]) == pytest.approx(1.0, abs=0.02)


# Dry sounds.


@pytest.mark.parametrize("make", [dry.snare, dry.plucked, dry.voice])
def test_a_dry_sound_is_the_same_every_time_begins_and_ends(make: Any) -> None:
    sound = make()
    assert np.array_equal(sound, make())
    assert np.max(np.abs(sound)) == pytest.approx(1.0)
    assert 0.3 < sound.size / RATE_HZ < 2.0
    assert abs(sound[-1]) < 1e-6
    assert abs(np.mean(sound)) < 0.05


def test_the_string_has_its_pitch() -> None:
    """The loop of the string is half a sample longer than its buffer: its first note is a g (196 Hz)."""
    note = dry.plucked()[int(0.02 * RATE_HZ) : int(0.24 * RATE_HZ)]
    spectrum = np.abs(np.fft.rfft(note * np.hanning(note.size), 1 << 18))
    hz = np.fft.rfftfreq(1 << 18, 1 / RATE_HZ)
    low = (hz > 150) & (hz < 230)
    assert hz[low][np.argmax(spectrum[low])] == pytest.approx(196.0, rel=0.01)


# Excerpts.


def test_the_same_build_leaves_no_difference() -> None:
    made = excerpts(response(), response(), RATE_HZ, ("",))
    assert not np.any(made.difference)
    assert (made.difference_db, made.candidate_db) == (None, 0.0)
    assert np.array_equal(made.golden, made.candidate)
    assert [cue.name for cue in made.cues] == list(DRY)


def test_a_louder_build_is_brought_down_and_its_difference_is_what_it_was() -> None:
    made = excerpts(response(), 2 * response(), RATE_HZ, ("",))
    assert made.candidate_db == pytest.approx(-6.02, abs=0.01)
    assert made.difference_db == pytest.approx(0.0, abs=1e-9)
    assert made.candidate == pytest.approx(made.golden, abs=1e-9)
    assert made.difference == pytest.approx(made.golden, abs=1e-9)


def test_a_small_difference_stays_small() -> None:
    other = response()
    other[0, 3000] += 1e-3 * np.max(np.abs(other))
    made = excerpts(response(), other, RATE_HZ, ("",))
    below = 10 * np.log10(np.mean(made.difference**2) / np.mean(made.golden**2))
    assert made.difference_db == pytest.approx(below, abs=1e-6)
    assert below < -50


@pytest.mark.parametrize("gain", [1e-6, 1.0, 1e4])
@pytest.mark.parametrize("seed", [0, 1])
def test_nothing_is_louder_than_the_limit(gain: float, seed: int) -> None:
    made = excerpts(response(), gain * response(seed=seed), RATE_HZ, ("",))
    limit = 10 ** (PEAK_DBFS / 20) + 1e-9
    assert all(true_peak(one) <= limit for one in (made.golden, made.candidate, made.difference))


def test_every_dry_sound_is_convolved_with_the_response_where_its_cue_says() -> None:
    echo = np.zeros((1, 6000))
    echo[0, 4800] = 0.5
    made = excerpts(echo, echo, RATE_HZ, ("",))
    snare = dry.snare()
    cue = made.cues[1]
    heard = made.golden[0, round(cue.from_s * RATE_HZ) + 4800 :][: snare.size // 2]
    assert heard == pytest.approx(snare[: heard.size] * heard[100] / snare[100], abs=1e-9)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000])
def test_a_response_at_another_rate_sounds_as_loud(rate_hz: int) -> None:
    """Sampled faster, the same response to a unit sample is made of more and smaller samples."""
    slow = response(rate_hz=8000)
    up = rate_hz // np.gcd(rate_hz, 8000)
    fast = resample_poly(slow, up, 8000 // np.gcd(rate_hz, 8000), axis=-1) * 8000 / rate_hz
    here, there = (excerpts(one, one, hz, ("",)).golden for one, hz in ((slow, 8000), (fast, rate_hz)))
    assert np.std(there) == pytest.approx(np.std(here), rel=0.03)


def test_paths_are_summed_to_outputs() -> None:
    one = response()[0]
    four = np.stack([one, 0 * one, 0 * one, 0.5 * one])
    made = excerpts(four, four, RATE_HZ, ("left→left", "left→right", "right→left", "right→right"))
    assert made.golden.shape[0] == 2
    assert made.golden[1] == pytest.approx(0.5 * made.golden[0])
    assert excerpts(four[:2], four[:2], RATE_HZ, ("left", "right")).golden.shape[0] == 2


def test_silent_and_shorter_builds_can_be_heard_too() -> None:
    made = excerpts(response(), np.zeros((1, 100)), RATE_HZ, ("",))
    assert made.candidate_db is None
    assert made.difference_db == pytest.approx(0.0)
    assert np.all(np.isfinite(made.golden))


# Files.


def verdict_of(*names: str) -> Verdict:
    references = tuple(ReferenceVerdict(name, "", Outcome.PASS, ()) for name in names)
    return Verdict("pass", BuildIdentity("b", "1", "python"), references)


def test_sounds_are_written_for_the_first_references_and_older_ones_go(tmp_path: Path) -> None:
    responses, report = tmp_path / "responses", tmp_path / "report"
    responses.mkdir()
    (report / SOUNDS / "gone").mkdir(parents=True)
    (report / SOUNDS / "gone" / "sounds.js").write_text("globalThis.reverdictSounds = {};", encoding="utf-8")
    for number, name in enumerate(("a", "b", "c")):
        hand_on(responses, name, Response(response(), RATE_HZ), Response(response(seed=number)[:, :9000], RATE_HZ))
    take_sounds_away(report)
    told = audition(verdict_of("a", "b", "c"), responses, report, ["c", "b", "a"], 2, lambda name: f"of-{name}")
    assert sorted(folder.name for folder in (report / SOUNDS).iterdir()) == ["of-b", "of-c"]
    assert [bool(one.sounds) for one in told.references] == [False, True, True]
    folder = report / told.references[2].sounds["folder"]
    assert sorted(file.name for file in folder.iterdir()) == [
        "candidate.flac", "difference.flac", "golden.flac", "sounds.js",
    ]  # fmt: skip
    script = (folder / "sounds.js").read_text(encoding="utf-8")
    coded = json.loads(script.removeprefix("globalThis.reverdictSounds = ").rstrip().removesuffix(";"))
    for version, content in coded.items():
        heard, rate_hz = soundfile.read(io.BytesIO(base64.b64decode(content)))
        beside, _ = soundfile.read(folder / f"{version}.flac")
        assert rate_hz == RATE_HZ
        assert np.array_equal(heard, beside)
        assert heard.shape[0] / RATE_HZ >= told.references[2].sounds["cues"][-1]["to_s"]


def test_no_file_has_a_true_peak_above_the_limit(tmp_path: Path) -> None:
    """Dither alone took a sound made to lie at −1 dBFS 0.0003 dB above it."""
    click = np.zeros((1, 9600))
    click[0, 0] = 1.0
    noise = np.random.default_rng(3).standard_normal((1, 9600)) * np.exp(-np.arange(9600) / 96)
    hand_on(tmp_path, "a", Response(click, RATE_HZ), Response(click + 0.9 * noise, RATE_HZ))
    audition(verdict_of("a"), tmp_path, tmp_path, ["a"], 1, str)
    peaks = {
        file.stem: 20 * np.log10(true_peak(soundfile.read(file, always_2d=True)[0].T))
        for file in (tmp_path / SOUNDS / "a").glob("*.flac")
    }
    assert -1.02 < max(peaks.values()) <= -1.0


def test_the_page_says_what_was_done_and_shows_names_as_text() -> None:
    sounds = {
        "folder": "sounds/<x>", "channels": 1, "candidate_db": 2.24, "difference_db": -31.4,
        "cues": [{"name": '"><script>', "from_s": 0.0, "to_s": 1.0}],
    }  # fmt: skip
    page = sounds_html({"sounds": sounds}, "../")
    assert "<script>" not in page
    assert page.index("Turn the volume down") < page.index("<audio")
    assert "raised by 2.2" in page
    assert "31" in page
    assert sounds_html({}, "../") == ""
    silent = sounds_html({"sounds": {**sounds, "candidate_db": None, "difference_db": None}}, "../")
    assert "silent" in silent


def test_a_folder_that_cannot_be_written_to_is_told(tmp_path: Path) -> None:
    from reverdict.errors import BadInput

    hand_on(tmp_path, "a", Response(response(), RATE_HZ), Response(response(), RATE_HZ))
    report = tmp_path / "report"
    report.mkdir()
    (report / SOUNDS).write_text("a file in the way", encoding="utf-8")
    with pytest.raises(BadInput, match="cannot write the sounds here"):
        audition(replace(verdict_of("a")), tmp_path, report, ["a"], 1, str)
