"""``reverdict measure``: tables for people, JSON for programs. What it measures is tested where it is measured."""

from __future__ import annotations

import io
import json
import math
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from conftest import RATE_HZ, TURNS, once, spring
from reverdict.command_line import main
from reverdict.demo.physical_springs import Spring
from reverdict.measure import measurement
from reverdict.sound import write_sound

Capture = pytest.CaptureFixture[str]

TRUTH = Spring.wound(0.2, 2.38, TURNS["short"])


def hall() -> NDArray[Any]:
    """Dense noise that is 60 dB down after 0.25 s, shape (samples,)."""
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    return 0.1 * np.random.default_rng(5).normal(size=time_s.size) * 10 ** (-3 * time_s / 0.25)


SOUNDS: dict[str, NDArray[Any]] = {
    "spring": spring(TURNS["short"]),
    "stereo": np.vstack([spring(turns) for turns in TURNS.values()]),
    "hall": hall(),
    "noisy": spring(TURNS["short"]) + np.random.default_rng(6).normal(scale=0.05, size=28800),
    "hiss": np.random.default_rng(7).normal(scale=0.1, size=24000),
    "silence": np.zeros(24000),
    "offset": np.full(24000, 0.5),
    "click": np.eye(1, 24000)[0],
    "cut short": spring(TURNS["short"])[:2400],
    "one sample": np.ones(1),
}


MEASURED_ONCE = {name: once(getattr(measurement, name)) for name in ("measure", "lags_beside")}


@pytest.fixture(autouse=True)
def measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same sound is measured once for all tests here; what is told of it is made each time."""
    for name, remembering in MEASURED_ONCE.items():
        monkeypatch.setattr(measurement, name, remembering)


@pytest.fixture
def sounds(tmp_path: Path) -> Path:
    for name, samples in SOUNDS.items():
        write_sound(tmp_path / f"{name}.wav", np.atleast_2d(samples), RATE_HZ)
    return tmp_path


def as_json(capsys: Capture, file: Path, *options: str) -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    assert main(["measure", str(file), "--json", *options]) == 0
    captured = capsys.readouterr()
    assert captured.err == ""
    told: dict[str, Any] = json.loads(captured.out, parse_constant=refuse)
    return told


def tables(capsys: Capture, file: Path, *options: str) -> str:
    assert main(["measure", str(file), *options]) == 0
    captured = capsys.readouterr()
    assert captured.err == ""
    return captured.out


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every value in JSON with the path to it."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, f"{path}.{key}")
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from leaves(inner, f"{path}[{number}]")
    else:
        yield path, value


def unexplained(value: Any) -> list[str]:
    """Keys that are null although no ``reasons`` beside them says why; an uncertainty shares that of its value."""
    if isinstance(value, list):
        return [key for inner in value for key in unexplained(inner)]
    if not isinstance(value, dict):
        return []
    reasons = value.get("reasons", {})
    own = [
        key
        for key, one in value.items()
        if one is None and not (reasons.get(key) or reasons.get(key.replace("_uncertainty", "")))
    ]
    return own + [key for inner in value.values() for key in unexplained(inner)]


# JSON.


@pytest.mark.parametrize("name", SOUNDS)
def test_json_has_the_keys_agreed_and_a_reason_for_every_null(sounds: Path, capsys: Capture, name: str) -> None:
    told = as_json(capsys, sounds / f"{name}.wav")
    assert told["sample_rate_hz"] == RATE_HZ
    assert told["arrival_hz"] == 500
    assert told["click_at_s"] >= 0
    assert len(told["channels"]) == np.atleast_2d(SOUNDS[name]).shape[0]
    for channel in told["channels"]:
        for one in channel["springs"]:
            assert set(one) >= {"arrivals", "group_delay", "transition_hz"}
            assert set(one["group_delay"]) >= {"frequency_hz", "delay_ms", "uncertainty_ms"}
            assert len({len(values) for values in one["group_delay"].values()}) == 1
            for arrival in one["arrivals"]:
                assert set(arrival) >= {"pass", "trips", "time_ms", "uncertainty_ms", "gain_db", "polarity"}
                assert set(arrival["flatness"]) >= {"ripple_max_db", "ripple_rms_db", "tilt_db_per_octave", "span_db"}
        assert set(channel) >= {"at_click_db", "at_click_uncertainty_db"}
        assert set(channel["colour"]) >= {"spacing_hz", "prominence_db"}
        times = {"edt_s", "t20_s", "t30_s", "range_db"}
        more = {"t60_s", "c50_db", "c80_db", "d50", "ts_ms", "curvature_percent", "two_slopes", "remark"}
        assert set(channel["decay"]) >= {"noise_floor_db", "bands", "arrival_ms", "echo_density", *times, *more}
        assert set(channel["decay"]["echo_density"]) >= {"time_ms", "density", "mixing_ms", "mixing_uncertainty_ms"}
        for band in channel["decay"]["bands"]:
            assert set(band) >= {"centre_hz", *times, *more}
            assert set(band["two_slopes"]) >= {"early_s", "late_s", "knee_s", "knee_db"}
        assert channel["springs"] or channel["reasons"]["springs"]
    assert set(told["crosstalk"]) == {"leaks", "reasons"}
    assert unexplained(told) == []
    assert all(math.isfinite(value) for _, value in leaves(told) if isinstance(value, float))


def test_json_says_what_is_there(sounds: Path, capsys: Capture) -> None:
    """Against the exact group delay of the spring: 1, 3 and 5 trips, every other one inverted."""
    (channel,) = as_json(capsys, sounds / "spring.wav")["channels"]
    (found,) = channel["springs"]
    one_trip_ms = 1e3 * float(TRUTH.one_trip_delay_s(500.0))
    for arrival, trips, polarity in zip(found["arrivals"], (1, 3, 5), (1, -1, 1), strict=False):
        assert (arrival["trips"], arrival["polarity"]) == (trips, polarity)
        assert arrival["time_ms"] == pytest.approx(trips * one_trip_ms, abs=0.1)
    assert found["transition_hz"] == pytest.approx(TRUTH.transition_hz, rel=0.02)
    assert [band["centre_hz"] for band in channel["decay"]["bands"]] == [125, 250, 500, 1000, 2000, 4000, 8000]


def test_times_count_from_the_click(sounds: Path, capsys: Capture) -> None:
    late = np.append(np.zeros(4800), SOUNDS["spring"])
    write_sound(sounds / "late.wav", late[np.newaxis], RATE_HZ)
    told = as_json(capsys, sounds / "late.wav", "--click-at", "0.1")
    assert told["click_at_s"] == 0.1
    (one,) = told["channels"][0]["springs"]
    (other,) = as_json(capsys, sounds / "spring.wav")["channels"][0]["springs"]
    assert one["arrivals"][0]["time_ms"] == pytest.approx(other["arrivals"][0]["time_ms"], abs=0.001)


def test_arrivals_are_read_at_the_frequency_asked(sounds: Path, capsys: Capture) -> None:
    told = as_json(capsys, sounds / "spring.wav", "--arrival-hz", "1000")
    assert told["arrival_hz"] == 1000
    exact_ms = 1e3 * float(TRUTH.one_trip_delay_s(1000.0))
    assert told["channels"][0]["springs"][0]["arrivals"][0]["time_ms"] == pytest.approx(exact_ms, abs=0.1)


def test_third_octaves_on_request(sounds: Path, capsys: Capture) -> None:
    octaves = as_json(capsys, sounds / "hall.wav")["channels"][0]["decay"]
    thirds = as_json(capsys, sounds / "hall.wav", "--third-octaves")["channels"][0]["decay"]
    assert (octaves["band_fraction"], thirds["band_fraction"]) == (1, 3)
    assert [band["centre_hz"] for band in thirds["bands"]][1:-1:3] == [band["centre_hz"] for band in octaves["bands"]]
    assert thirds["t30_s"] == octaves["t30_s"]
    said = tables(capsys, sounds / "hall.wav", "--third-octaves")
    assert "  3150 Hz " in said
    assert "  3150 Hz " not in tables(capsys, sounds / "hall.wav")


def test_a_decay_in_two_stages_is_said(sounds: Path, capsys: Capture) -> None:
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    level = np.sqrt(10 ** (-6 * time_s / 0.3) + 1e-3 * 10 ** (-6 * time_s / 1.5))
    noise = np.random.default_rng(8).normal(size=time_s.size)
    write_sound(sounds / "coupled.wav", (0.1 * level * noise)[np.newaxis], RATE_HZ)
    told = as_json(capsys, sounds / "coupled.wav")["channels"][0]["decay"]["bands"][4]["two_slopes"]
    assert (told["early_s"], told["late_s"]) == pytest.approx((0.3, 1.5), rel=0.15)
    assert "two slopes: 0.3" in tables(capsys, sounds / "coupled.wav")


def test_a_metallic_hall_is_said(sounds: Path, capsys: Capture) -> None:
    """A feedback comb of 240 samples, g = 0.5: peaks 200 Hz apart, 20 lg(1.5/0.5) dB over the dips."""
    metallic = hall()
    for at in range(240, metallic.size):
        metallic[at] += 0.5 * metallic[at - 240]
    write_sound(sounds / "metallic.wav", metallic[np.newaxis], RATE_HZ)
    found = as_json(capsys, sounds / "metallic.wav")["channels"][0]["colour"]
    assert found["spacing_hz"] == pytest.approx(200, abs=found["spacing_uncertainty_hz"])
    assert found["prominence_db"] == pytest.approx(9.54, abs=found["prominence_uncertainty_db"])
    assert "Colour: metallic, with spectral peaks " in tables(capsys, sounds / "metallic.wav")


def test_crosstalk_between_channels_is_said(sounds: Path, capsys: Capture) -> None:
    one, other = SOUNDS["stereo"]
    write_sound(sounds / "leaking.wav", np.vstack([one + 0.1 * other, other]), RATE_HZ)
    leaks = as_json(capsys, sounds / "leaking.wav")["crosstalk"]["leaks"]
    assert [(leak["of_path"], leak["in_path"]) for leak in leaks] == [
        ("channel 1", "channel 2"), ("channel 2", "channel 1"),
    ]  # fmt: skip
    assert "in channel 1: " in tables(capsys, sounds / "leaking.wav")


# Tables.


def test_tables_show_what_a_designer_reads_first(sounds: Path, capsys: Capture) -> None:
    lines = tables(capsys, sounds / "spring.wav").splitlines()
    assert lines[0] == "spring.wav: 0.60 s at 48000 Hz, 1 channel, click at 0.00 ms"
    assert lines[2] == "1 spring. Arrivals at 500 Hz, from the click:"
    (channel,) = as_json(capsys, sounds / "spring.wav")["channels"]
    for row, arrival in zip(lines[4:], channel["springs"][0]["arrivals"], strict=False):
        assert row.split()[:4] == ["1", str(arrival["pass"]), str(arrival["trips"]), f"{arrival['time_ms']:.3f}"]
        assert row.endswith("+" if arrival["polarity"] > 0 else "−")
    header = next(line for line in lines if "EDT" in line)
    after = lines[lines.index(header) + 1 : lines.index("", lines.index(header))]
    assert [line.split()[0] for line in after if " dB " in line] == [
        "above", "125", "250", "500", "1000", "2000", "4000", "8000",
    ]  # fmt: skip


def test_columns_stand_below_their_headings(sounds: Path, capsys: Capture) -> None:
    lines = tables(capsys, sounds / "stereo.wav").splitlines()
    at = lines.index("Decay")
    early = next(at for at, line in enumerate(lines) if line.startswith("Early and late energy"))
    for begin, names in ((at, ("level", "range", "EDT", "T20", "T30")), (early, ("C50", "C80", "D50", "Ts"))):
        heading, *rows = lines[begin + 1 : begin + 10]
        for name in names:
            middle = heading.index(name) + 1
            assert all(not row[middle - 4 : middle + 5].isspace() for row in rows if row.strip() and " dB " in row)
    assert [line for line in lines if line.startswith("channel ")] == ["channel 1", "channel 2"]
    assert max(map(len, lines)) <= 150


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("hall", "No separate passes: "),
        ("silence", "\nSilence.\n"),
        ("hiss", "No separate passes: "),
        ("hiss", "It does not decay: is this the answer to a click"),
    ],
)
def test_tables_say_why_something_is_missing(sounds: Path, capsys: Capture, name: str, why: str) -> None:
    assert why in tables(capsys, sounds / f"{name}.wav")


def test_an_uncertainty_that_nobody_assessed_is_null_with_its_reason(sounds: Path, capsys: Capture) -> None:
    """A record that ends 80 dB down, in noise, and in exact silence after the tail."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    draws = np.random.default_rng(8).normal(size=(2, time_s.size))
    ends = draws[0] * 10 ** (-3 * time_s / 0.75)
    sounds_of = {"ends": ends, "noisy": ends + 1e-3 * draws[1], "fades": ends * (time_s < 0.5) * 10 ** (-6 * time_s)}
    found = {}
    for name, samples in sounds_of.items():
        write_sound(sounds / f"{name}.wav", samples[np.newaxis], RATE_HZ)
        (channel,) = as_json(capsys, sounds / f"{name}.wav")["channels"]
        found[name] = channel["decay"]
        assert unexplained(channel) == []
    assert found["ends"]["t20_s"] == pytest.approx(0.75, rel=0.05)
    assert found["ends"]["t20_uncertainty_s"] is None
    assert found["ends"]["reasons"]["t20_uncertainty_s"] == "the record ends before the noise is reached"
    assert found["noisy"]["t20_uncertainty_s"] > 0
    assert found["fades"]["t20_uncertainty_s"] == pytest.approx(0, abs=1e-6)
    said = tables(capsys, sounds / "ends.wav")
    assert "No ± where the record ends before the noise is reached" in said
    times, ratios = re.findall("above 50 Hz.*", said)
    assert "±" not in times + ratios
    rounded_up = math.ceil(1e3 * found["noisy"]["t20_uncertainty_s"]) / 1e3
    shown = f"{found['noisy']['t20_s']:.3f} ± {rounded_up:.3f} s"
    assert shown in tables(capsys, sounds / "noisy.wav")


@pytest.mark.parametrize(("late_db", "curved"), [(-100.0, False), (-18.0, True)])
def test_a_decay_of_two_slopes_is_warned_of(sounds: Path, capsys: Capture, late_db: float, curved: bool) -> None:
    """0.4 s with a tail of 1.6 s that many dB below; T30 and T20 then differ (ISO 3382-2:2008, B.3; memory)."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    first, second = np.random.default_rng(9).normal(size=(2, time_s.size))
    slow = 10 ** (late_db / 20) * second * 10 ** (-3 * time_s / 1.6)
    samples = first * 10 ** (-3 * time_s / 0.4) + slow
    write_sound(sounds / "two.wav", samples[np.newaxis], RATE_HZ)
    warned = re.search("  Curved in (.*): T30 and T20 differ by", tables(capsys, sounds / "two.wav"))
    assert bool(warned and re.search("above 50 Hz|every band", warned.group(1))) == curved


def test_uncertainties_and_reasons_stand_in_the_dispersion_table(sounds: Path, capsys: Capture) -> None:
    said = tables(capsys, sounds / "spring.wav")
    (channel,) = as_json(capsys, sounds / "spring.wav")["channels"]
    (one,) = channel["springs"]
    assert f"   {one['transition_hz']:.0f} ± {one['transition_uncertainty_hz']:.0f} Hz\n" in said
    stereo = tables(capsys, sounds / "stereo.wav")
    assert not re.search(r"(?<![\w.)\]-])-\d", stereo)
    for block in stereo.split("Dispersion")[1:]:
        table = block.partition("\nDecay")[0]
        assert ("  – spring 1 can be read from " in table) == (" –" in table.partition("  – spring")[0])


@pytest.mark.parametrize("name", SOUNDS)
def test_tables_hold_no_nan(sounds: Path, capsys: Capture, name: str) -> None:
    said = tables(capsys, sounds / f"{name}.wav")
    assert not {"nan", "inf", "None"} & set(said.replace("+", " ").replace("-", " ").split())


@pytest.mark.few(3)
@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8"])
def test_tables_suit_what_the_terminal_can_show(sounds: Path, encoding: str) -> None:
    command = [sys.executable, "-m", "reverdict", "measure", str(sounds / "spring.wav")]
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    ended = subprocess.run(command, capture_output=True, env=environment, check=False)
    assert (ended.returncode, ended.stderr) == (0, b"")
    said = ended.stdout.decode(encoding)
    assert ("±" if encoding == "utf-8" else "+/-") in said
    assert "\\x" not in said
    assert "\\u" not in said


def test_a_file_name_in_foreign_letters_is_no_obstacle(
    sounds: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    file = (sounds / "hall.wav").rename(sounds / "größe→.wav")
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", stream)
    assert main(["measure", str(file)]) == 0
    stream.seek(0)
    assert stream.read().startswith("gr\\xf6\\xdfe->.wav: 0.50 s")
    assert capsys.readouterr().err == ""


def test_a_plot_is_drawn_beside_the_tables(sounds: Path, capsys: Capture) -> None:
    picture = sounds / "picture.png"
    assert tables(capsys, sounds / "spring.wav", "--plot", str(picture)).splitlines()[-1] == f"Plot: {picture}"
    assert picture.read_bytes().startswith(b"\x89PNG")
    as_json(capsys, sounds / "spring.wav", "--plot", str(picture))  # prints JSON alone


@pytest.fixture
def late(sounds: Path) -> Path:
    """The hall, turned over, 7 samples late."""
    late = sounds / "late.wav"
    write_sound(late, -np.roll(hall(), 7)[None], RATE_HZ)
    return late


def test_beside_another_file_its_lag_is_told_in_sentences(sounds: Path, late: Path, capsys: Capture) -> None:
    said = tables(capsys, late, "--beside", str(sounds / "hall.wav")).partition("Beside the golden")[2]
    assert "It is turned over (polarity)." in said
    assert "It is 145.83" in said  # 7 samples at 48 kHz (derived)
    assert "µs late at the click." in said
    assert "It does not drift" in said
    assert "It agrees with the golden as far as that can be heard" in said
    assert (
        len([line for line in said.splitlines() if " Hz " in line and "the end" in line]) == 8
    )  # all, and seven octaves


def test_beside_itself_a_file_is_in_step(sounds: Path, capsys: Capture) -> None:
    said = tables(capsys, sounds / "hall.wav", "--beside", str(sounds / "hall.wav"))
    assert "It begins in step with the golden (within 0.002 µs)." in said


def test_json_beside_another_file_holds_the_lag_curve(sounds: Path, late: Path, capsys: Capture) -> None:
    lag = as_json(capsys, late, "--beside", str(sounds / "hall.wav"))["channels"][0]["lag"]
    assert lag["polarity"] == -1
    assert lag["fit"]["offset_s"] == pytest.approx(7 / RATE_HZ, abs=2e-8)
    assert len(lag["time_s"]) == len(lag["lag_s"]) == len(lag["uncertainty_s"]) == len(lag["coherence"])
    assert [band["centre_hz"] for band in lag["bands"]] == [125, 250, 500, 1000, 2000, 4000, 8000]
    assert "lag" not in as_json(capsys, late)["channels"][0]


def test_silence_beside_a_golden_says_why_it_has_no_lag(sounds: Path, capsys: Capture) -> None:
    assert "No lag can be told: the candidate is silent." in tables(
        capsys, sounds / "silence.wav", "--beside", str(sounds / "hall.wav")
    )


def test_a_plot_beside_a_golden_draws_the_lag(sounds: Path, late: Path, capsys: Capture) -> None:
    picture = sounds / "picture.png"
    tables(capsys, late, "--beside", str(sounds / "hall.wav"), "--plot", str(picture))
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_files_that_cannot_be_held_against_each_other(sounds: Path, capsys: Capture) -> None:
    slow = sounds / "slow.wav"
    write_sound(slow, hall()[None], 44100)
    assert main(["measure", str(sounds / "hall.wav"), "--beside", str(slow)]) == 2
    assert "slow.wav: is at 44100 Hz" in capsys.readouterr().err
    assert main(["measure", str(sounds / "hall.wav"), "--beside", str(sounds / "stereo.wav")]) == 2
    assert "stereo.wav: has 2 channels" in capsys.readouterr().err


def test_a_clipped_recording_is_warned_of(tmp_path: Path, capsys: Capture) -> None:
    """Not one that goes beyond full scale in floating point, as an algorithm's output may."""
    loud = np.append(np.zeros(480), 80 * hall())
    for name, samples, clips in (("clipped", np.clip(loud, -1, 1), True), ("loud", loud, False)):
        write_sound(tmp_path / f"{name}.wav", samples[np.newaxis], RATE_HZ)
        first = int(np.argmax(np.convolve(np.abs(samples) >= 1, np.ones(3), "valid") == 3))
        warning = f"channel 1 clips, first at sample {first}; lower its level and record again"
        assert main(["measure", str(tmp_path / f"{name}.wav")]) == 0
        assert (f"Beware: {warning}\n" in capsys.readouterr().out) == clips
        assert main(["measure", str(tmp_path / f"{name}.wav"), "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["warnings"] == [warning] * clips
