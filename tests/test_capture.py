"""Capturing through a simulated sound card: what is played stays below its limit, what comes back is the reverb's own.

The simulated card (``fake_card``) has a latency of no whole number of samples and a clock of its own; the spring behind
it is known sample by sample.
"""

from __future__ import annotations

import json
import math
import os
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from conftest import RATE_HZ, Workspace, spring
from fake_card import FakeCard
from reverdict.capture import card
from reverdict.capture.capturing import Captured, capture
from reverdict.capture.plan import Plan, Route
from reverdict.command_line import main
from reverdict.errors import BadInput
from reverdict.extras import getting
from reverdict.gate import gate
from reverdict.measure.measurement import measure, measure_beside
from reverdict.sound import read_sound
from reverdict.words import Response

SECONDS = 0.6
GAIN = 0.5
LATENCY = 233.37 + 2 * 4096
"""Samples: the converter's, and two blocks of the driver."""


def loud_spring() -> NDArray[Any]:
    response = spring(340)
    return response * (0.2 / np.abs(response).max())


def plan_of(kind: str = "sweep", loopback: int | None = 2, repeats: int = 3, **more: Any) -> Plan:
    return Plan(Route(loopback=loopback), kind, SECONDS, 1.0, repeats, **more)


def captured(fake: FakeCard, plan: Plan) -> tuple[Captured, list[str]]:
    said: list[str] = []
    return capture(fake, plan, said.append), said


def told(result: Captured, start: str) -> str:
    (line,) = [line for line in result.told if line.startswith(start)]
    return line


def latency_of(result: Captured) -> float:
    """In samples, as told."""
    found = re.search(r"\(([\d.]+) samples\) taken out by the loopback channel", told(result, "latency"))
    assert found is not None
    return float(found[1])


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> FakeCard:
    fake = FakeCard(loud_spring(), gain=GAIN)
    monkeypatch.setattr(card, "open_library", lambda: fake)
    return fake


SHORT = ("--seconds", "0.6", "--sweep-seconds", "1", "--repeats", "2", "--loopback-channel", "2")


def run(*arguments: str | Path) -> int:
    return main([str(argument) for argument in arguments])


# What comes out is the reverb's own.


@pytest.mark.few(1)
@pytest.mark.parametrize(
    ("kind", "ppm", "worst_us"),
    [("sweep", 0.0, 1.0), ("sweep", 63.0, 1.0), ("sweep", -40.0, 1.0), ("click", 63.0, 5.0)],
)
def test_a_known_spring_comes_out_on_time(kind: str, ppm: float, worst_us: float) -> None:
    """Latency of 8425.37 samples and a clock off by ppm, both taken out: arrivals within microseconds."""
    truth = Response(loud_spring()[np.newaxis] * GAIN, RATE_HZ)
    result, _ = captured(FakeCard(loud_spring(), ppm=ppm, gain=GAIN), plan_of(kind))
    assert result.response.shape == (1, round(SECONDS * RATE_HZ))
    (path,) = measure_beside(truth, measure(truth), Response(result.response, RATE_HZ)).paths
    late_us = [1e6 * at[0] for one in path.passes for lag in one[:3] if (at := lag.at(500.0))]
    print(f"\n| {kind}, {ppm:+g} ppm | {' '.join(f'{us:+.3f}' for us in late_us)} µs |", end="")
    assert len(late_us) == 3
    assert np.abs(late_us).max() < worst_us
    assert latency_of(result) == pytest.approx(LATENCY, abs=0.05)
    clock = re.match(r"recorder's clock ([+-][\d.]+) ± ([\d.]+) ppm by the spacing of the repeats", told(result, "rec"))
    assert clock is not None
    assert float(clock[1]) == pytest.approx(ppm, abs=float(clock[2]) + 0.01)


def test_one_sweep_tells_the_clock_by_the_loopback() -> None:
    result, _ = captured(FakeCard(loud_spring(), ppm=63.0), plan_of(repeats=1))
    assert "by the loopback channel" in told(result, "recorder's clock")


def test_without_a_loopback_latency_stays_and_is_told() -> None:
    result, _ = captured(FakeCard(loud_spring()), plan_of("click", loopback=None))
    assert told(result, "no loopback") == "no loopback channel: the interface's latency is part of every time"
    first = int(np.argmax(np.abs(result.response[0]) > 0.5 * np.abs(result.response[0]).max()))
    truth = int(np.argmax(np.abs(loud_spring()) > 0.5 * np.abs(loud_spring()).max()))
    assert first - truth == pytest.approx(LATENCY, abs=2)


def test_two_inputs_make_two_channels() -> None:
    plan = Plan(Route(inputs=(1, 2)), "click", SECONDS, repeats=2)
    result, _ = captured(FakeCard(loud_spring()), plan)
    assert result.response.shape == (2, round(SECONDS * RATE_HZ))


# What is played.


@pytest.mark.parametrize("kind", ["sweep", "click"])
def test_nothing_is_played_above_its_level(kind: str) -> None:
    """Every stream: silence first and last, the ramp in steps of 6 dB from −40 dBFS, never above the level allowed."""
    fake = FakeCard(0.1 * loud_spring())
    result, _ = captured(fake, plan_of(kind, level_dbfs=-20.0))
    peaks_db = [20 * math.log10(float(np.abs(one).max())) for one in fake.played]
    assert peaks_db[: len(peaks_db) - 1] == pytest.approx(
        [-40.0, -34.0, -28.0, -22.0, -20.0][: len(peaks_db) - 1], abs=1e-3
    )
    assert peaks_db[-1] == pytest.approx(result.level_dbfs, abs=1e-3)
    assert max(peaks_db) <= -20.0 + 1e-5
    for one in fake.played:
        assert not one[: RATE_HZ // 2].any()
        assert not one[-RATE_HZ // 10 :].any()


def test_the_output_that_is_asked_for_plays_and_no_other() -> None:
    fake = FakeCard(loud_spring())
    card.play_and_record(fake, Route(output=2), np.full(9600, 0.05), -20.0)
    assert not fake.played[0][:, 0].any()
    assert fake.played[0][:, 1].max() == pytest.approx(0.05)


@pytest.mark.parametrize("sound", [np.full(4800, 9.0), -np.ones(4800), np.random.default_rng(1).normal(0, 3, 4800)])
def test_the_limiter_holds_whatever_comes(sound: NDArray[Any]) -> None:
    safe = card.limited(sound, -20.0, RATE_HZ)
    assert np.abs(safe).max() <= np.float32(0.1)
    assert safe[0] == safe[-1] == 0.0
    assert np.abs(np.diff(np.abs(safe[:20]))).max() < 0.1  # it rises over 5 ms, with no step
    assert (card.limited(np.zeros(0), -20.0, RATE_HZ)).size == 0


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_what_is_not_finite_is_not_played(bad: float) -> None:
    fake = FakeCard(loud_spring())
    with pytest.raises(ValueError, match="nothing is played"):
        card.play_and_record(fake, Route(), np.array([0.0, bad, 0.0]), -20.0)
    with pytest.raises(ValueError, match="nothing is played"):
        card.limited(np.zeros(3), 3.0, RATE_HZ)
    assert fake.played == []


def test_the_ramp_ends_where_there_is_signal_enough() -> None:
    result, said = captured(FakeCard(loud_spring(), noise=1e-6), plan_of())
    assert result.level_dbfs == -40.0
    assert len(said) == 2


def test_the_ramp_goes_back_where_it_clips() -> None:
    fake = FakeCard(loud_spring(), noise=1e-4, clips_at=0.1, gain=0.8)
    result, said = captured(fake, plan_of("click", level_dbfs=-1.0, loopback=None))
    (back,) = [line for line in said if "clips" in line]
    told = re.match(r"input 1 clips at ([-\d]+) dBFS", back)
    assert told is not None
    clipped = float(told[1])
    assert back == f"input 1 clips at {clipped:g} dBFS; going back to {result.level_dbfs:g} dBFS"
    assert result.level_dbfs < clipped


# What goes wrong.


@pytest.mark.parametrize(
    ("settings", "plan", "said"),
    [
        ({"silent": True}, plan_of(), "nothing was heard on input 1 up to -12 dBFS: is the input right?"),
        ({"silent": True, "noise": 0.0}, plan_of(), "nothing was heard on input 1 up to -12 dBFS"),
        ({"unplugged_loopback": True}, plan_of(), "nothing was heard on the loopback, input 2: is its cable in?"),
        ({"clips_at": 0.001}, plan_of(), "clips at -40 dBFS, the lowest level; turn the input's gain down"),
        ({"fails": "Device unavailable"}, plan_of(), "cannot play and record (Device unavailable)"),
        ({"stops_at": 30000}, plan_of(), "stopped after 0.7 of 2.9 s; was it unplugged?"),
        ({"gains": {1: 400.0}}, plan_of(), "input 1 clips at 0.0 dBFS, first at 1."),
        ({"gains": {1: 0.0}}, plan_of(), "nothing was heard on input 1: did a plug come out?"),
        ({"loses": dict.fromkeys(range(9), (20, True))}, plan_of(), "lost sound in each of 3 takes"),
    ],
)
def test_faults_are_told(settings: dict[str, Any], plan: Plan, said: str) -> None:
    with pytest.raises(BadInput, match=re.escape(said)):
        captured(FakeCard(loud_spring(), **settings), plan)


def test_a_take_in_which_the_driver_lost_sound_is_played_again() -> None:
    fake = FakeCard(loud_spring(), loses={1: (25, True)})
    result, said = captured(fake, plan_of())
    assert "the driver lost sound in 1 blocks of take 1" in said
    assert len(fake.played) == 3
    assert latency_of(result) == pytest.approx(LATENCY, abs=0.05)


def test_sound_lost_without_a_word_is_told_by_the_repeats() -> None:
    """The block falls into the silence before the last repeat, so no repeat is unlike the others."""
    sweep = Plan(Route(loopback=2), "click", SECONDS, 1.0, 3)
    fake = FakeCard(loud_spring(), loses={n: (int((1.0 + 1.5 * 0.9) * RATE_HZ / 4096), False) for n in range(1, 9)})
    with pytest.raises(BadInput, match=r"out of step .* it lost sound without saying so; capture again"):
        captured(fake, sweep)


def test_a_repeat_that_a_bang_spoilt_is_set_aside() -> None:
    plan = plan_of(repeats=4)
    period_s = plan.stimulus(-40.0).size / RATE_HZ + SECONDS + 0.3
    clean, _ = captured(FakeCard(loud_spring()), plan)
    spoilt, _ = captured(FakeCard(loud_spring(), burst={1: (1.0 + 2.4 * period_s, 0.01)}), plan)
    assert told(spoilt, "unlike") == "unlike the others and set aside: repeat 3 of 4"
    assert not [line for line in clean.told if line.startswith("unlike")]
    np.testing.assert_allclose(spoilt.response, clean.response, atol=2e-3 * np.abs(clean.response).max())


@pytest.mark.parametrize("hum_hz", [50.0, 60.0])
def test_hum_is_told_with_its_level(hum_hz: float) -> None:
    result, _ = captured(FakeCard(loud_spring(), hum=1e-3, hum_hz=hum_hz), plan_of())
    # A sine of 1e-3 has −63.0 dBFS rms; its third harmonic adds 0.4 dB.
    lines = [line for line in result.told if line.startswith("hum")]
    assert lines == [f"hum of {hum_hz:g} Hz on input {channel}, -63 dBFS" for channel in (1, 2)]


def test_a_device_that_hangs_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(card, "ANSWERS_WITHIN_S", -3.0)
    monkeypatch.setattr(card, "ENDS_WITHIN_S", 0.1)
    with pytest.raises(BadInput, match="stopped answering after 0 samples; was it unplugged"):
        captured(FakeCard(loud_spring(), hangs=True), plan_of())


def test_ctrl_c_fades_out_and_ends_in_silence() -> None:
    fake = FakeCard(np.ones(1), block=256)

    def press_when_it_plays() -> None:
        while not (fake.played and fake.played[0].any()):
            time.sleep(0.01)
        os.kill(os.getpid(), signal.SIGINT)

    threading.Thread(target=press_when_it_plays).start()
    with pytest.raises(KeyboardInterrupt):
        card.play_and_record(fake, Route(), np.full(2_000_000, 0.05), -20.0)
    (played,) = fake.played
    assert 0 < len(played) < 2_000_000
    assert not played[-256:].any()
    fading = played[-512:-256, 0]
    assert (np.diff(fading) <= 0).all()
    assert (fading[0], fading[-1]) == pytest.approx((0.05, 0.0), abs=1e-6)


def test_ctrl_c_leaves_no_file(bench: FakeCard, tmp_path: Path, capsys: Any) -> None:
    def press_during_the_take() -> None:
        while not (len(bench.played) > 1 and bench.played[1].any()):
            time.sleep(0.001)
        os.kill(os.getpid(), signal.SIGINT)

    threading.Thread(target=press_during_the_take).start()
    assert run("capture", "tank", "--out", tmp_path / "takes", *SHORT, "--repeats", "40", "--yes") == 130
    assert capsys.readouterr().err == "reverdict: stopped by Ctrl-C\n"
    assert not bench.played[-1][-bench.block :].any()
    assert not (tmp_path / "takes").exists()


@pytest.mark.parametrize(
    ("route", "said"),
    [
        (Route(rate_hz=22050), 'output device: "Bench 2x2" does not do 22050 Hz with 1 channels (Invalid sample rate'),
        (Route(inputs=(3,)), 'input device: "Bench 2x2" has 2 input channels, no channel 3'),
        (Route(output=4), 'output device: "Bench 2x2" has 2 output channels, no channel 4'),
        (Route(loopback=9), "no channel 9"),
        (Route(input_device="Nowhere"), 'input device: no device "Nowhere" (No input device matching'),
    ],
)
def test_devices_that_do_not_fit_are_told_before_anything_sounds(route: Route, said: str) -> None:
    with pytest.raises(BadInput, match=re.escape(said)):
        card.prove_route(FakeCard(loud_spring()), route)
    assert card.prove_route(FakeCard(loud_spring()), Route()) == 'output "Bench 2x2", input "Bench 2x2"'


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("raise ImportError('no')", "capture: needs the library sounddevice: " + getting("sounddevice")),
        ("raise OSError('PortAudio library not found')", "capture: the library sounddevice finds no PortAudio: "),
    ],
)
def test_a_missing_library_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, body: str, said: str
) -> None:
    (tmp_path / "sounddevice.py").write_text(body, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    with pytest.raises(BadInput, match=re.escape(said)):
        card.open_library()


# The command.


def test_nothing_sounds_without_yes(bench: FakeCard, tmp_path: Path, capsys: Any) -> None:
    assert run("capture", "tank", "--out", tmp_path / "takes", *SHORT) == 2
    said = capsys.readouterr()
    assert said.out.startswith("Before anything is played:\n  - Take the signal from a rated line output.")
    assert said.err == "reverdict: capture: nothing was played; --yes says that you have read the cautions, and plays\n"
    assert run("capture", "tank", "--out", tmp_path / "takes", *SHORT, "--dry-run") == 0
    said = capsys.readouterr()
    assert "hundreds of volts,\n    which kill" in said.out
    assert 'Devices: output "Bench 2x2", input "Bench 2x2", 48000 Hz.' in said.out
    assert "Channels: plays on output 1, records input 1; loopback on input 2." in said.out
    assert "Level: ramp from -40 to at most -12 dBFS in 6 steps of 2.9 s;" in said.out
    assert "Then 2 sweeps of 1 s, 4.9 s besides the ramp; response of 0.6 s." in said.out
    assert f"Files: {tmp_path}/takes/tank.wav, " in said.out
    assert bench.played == []
    assert not (tmp_path / "takes").exists()


@pytest.mark.usefixtures("undiagnosed")
def test_a_capture_is_a_build_that_the_gate_judges_and_a_golden_is_made_from(
    bench: FakeCard, tmp_path: Path, capsys: Any
) -> None:
    takes, golden = tmp_path / "takes", tmp_path / "golden"
    assert run("capture", "tank", "--out", takes, *SHORT, "--yes") == 0
    assert run("golden", "new", "tank", "--from", takes / "tank.wav", "--click-at", "0", "--golden", golden) == 0
    said = capsys.readouterr().out
    assert f"reverdict golden new tank --from {takes}/tank.wav --click-at 0" in said
    # The same hardware on another day: other noise, another latency and clock, a little hum.
    bench.latency, bench.ppm, bench.hum, bench.seed = 301.77, -35.0, 1e-5, 77
    again = tmp_path / "again"
    assert run("capture", "tank", "--out", again, *SHORT, "--yes") == 0
    report = tmp_path / "report"
    assert run("gate", again / "build.toml", "--golden", golden, "--report", report) == 0, capsys.readouterr().out
    verdict = json.loads((report / "verdict.json").read_text(encoding="utf-8"))
    arrivals = [
        finding["deviation"]
        for check in verdict["references"][0]["checks"]
        for finding in check["findings"]
        if finding["quantity"] == "arrival"
    ]
    print(f"\n| two captures, arrivals apart | {' '.join(f'{1e3 * one:+.2f}' for one in arrivals)} µs |", end="")
    assert arrivals
    assert np.abs(arrivals).max() < 5e-3
    # A spring that was moved is stopped.
    bench.response = np.concatenate([np.zeros(100), loud_spring()])
    assert run("capture", "tank", "--out", tmp_path / "moved", *SHORT, "--yes") == 0
    assert run("gate", tmp_path / "moved" / "build.toml", "--golden", golden) == 1


@pytest.mark.usefixtures("bench")
def test_captures_add_to_a_folder_and_are_never_written_over(tmp_path: Path, capsys: Any) -> None:
    quick = ("--seconds", "0.3", "--stimulus", "click", "--repeats", "2", "--level", "-34", "--yes", "--out", tmp_path)
    assert run("capture", "one", *quick) == 0
    comment = "# mine\n" + (tmp_path / "build.toml").read_text(encoding="utf-8")
    (tmp_path / "build.toml").write_text(comment, encoding="utf-8")
    assert run("capture", "two", *quick) == 0
    from reverdict.schema.build import read_build

    build = read_build(tmp_path / "build.toml")
    assert list(build.takes) == ["one", "two"]
    assert (build.takes["two"].click_at_s, build.takes["two"].latency_ms) == (0.0, 0.0)
    text = (tmp_path / "build.toml").read_text(encoding="utf-8")
    assert text.startswith("# mine\n")
    assert "# recorder's clock" in text
    kept = (tmp_path / "one.wav").read_bytes()
    capsys.readouterr()
    assert run("capture", "one", *quick) == 2
    assert "one.wav: is there already; capture under another name, or take it away" in capsys.readouterr().err
    assert (tmp_path / "one.wav").read_bytes() == kept
    (tmp_path / "build.toml").write_text("[build]\nkind = 'python'\n", encoding="utf-8")
    assert run("capture", "three", *quick) == 2
    assert 'is no build of kind "recordings" to add a capture to' in capsys.readouterr().err


@pytest.mark.usefixtures("bench")
def test_the_raw_take_measures_like_the_response(tmp_path: Path, capsys: Any) -> None:
    assert run("capture", "tank", "--out", tmp_path, *SHORT, "--yes") == 0
    capsys.readouterr()
    raw = tmp_path / "raw" / "tank.wav"
    options = ("--stimulus", tmp_path / "raw" / "tank-stimulus.wav", "--loopback-channel", "2", "--json")
    assert run("measure", raw, *options) == 0
    by_sweep = json.loads(capsys.readouterr().out)
    assert run("measure", tmp_path / "tank.wav", "--click-at", "0", "--json") == 0
    by_response = json.loads(capsys.readouterr().out)
    one, other = (told["channels"][0]["springs"][0]["arrivals"][0]["time_ms"] for told in (by_sweep, by_response))
    assert one == pytest.approx(other, abs=0.005)


def test_a_capture_that_fails_leaves_nothing(bench: FakeCard, tmp_path: Path) -> None:
    bench.silent = True
    assert run("capture", "tank", "--out", tmp_path / "takes", *SHORT, "--yes") == 2
    assert not (tmp_path / "takes").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "needs NAME and --out DIR (or --devices)"),
        (("tank",), "needs NAME and --out DIR"),
        (("a/b", "--out", "x"), '"a/b" cannot name a reference'),
        (("tank", "--out", "x", "--loopback-channel", "1"), "channel 1 is named twice"),
        (("tank", "--out", "x", "--input-channel", "1", "2", "3"), "name one or two inputs"),
        (("tank", "--out", "x", "--level", "3"), "is not a level of -60 to -1 dBFS"),
        (("tank", "--out", "x", "--yes", "--dry-run"), "not allowed with argument"),
    ],
)
def test_slips_on_the_command_line(
    bench: FakeCard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any, arguments: tuple[str, ...], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    try:
        status = run("capture", *arguments)
    except SystemExit as ended:
        status = int(ended.code or 0)
    assert status == 2
    assert said in capsys.readouterr().err
    assert bench.played == []


@pytest.mark.usefixtures("bench")
def test_devices_are_listed(capsys: Any) -> None:
    assert run("capture", "--devices") == 0
    assert capsys.readouterr().out == "  0  Bench 2x2: 2 in, 2 out, 48000 Hz\n"


# As a build: in a child process.

LIBRARY = """
import sys
sys.path.insert(0, {tests!r})
import numpy as np
from fake_card import FakeCard
_card = FakeCard(np.load({response!r}), **{settings!r})

def __getattr__(name):
    return getattr(_card, name)
"""


@pytest.fixture
def plugged(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Put a simulated card where the child finds the library; give the TOML of a build that plays into it."""

    def plug(tables: str = "", settings: dict[str, Any] | None = None, **keys: Any) -> Path:
        place = workspace.root / "library"
        place.mkdir(exist_ok=True)
        # A player's golden is of gain 1: so is the way through this card.
        library = LIBRARY.format(
            tests=str(Path(__file__).parent), response=str(workspace.builds / "short.npy"),
            settings={"gain": 1.0, "noise": 1e-7, "ppm": 20.0, **(settings or {})},
        )  # fmt: skip
        (place / "sounddevice.py").write_text(library, encoding="utf-8")
        monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(place), os.environ.get("PYTHONPATH", "")]))
        asked = {
            "kind": "interface", "accept_cautions": True, "device": "Bench", "loopback_channel": 2, "level_dbfs": -12.0,
            "sweep_seconds": 1.0, "repeats": 2,
        }  # fmt: skip
        return workspace.build(tables, **asked | keys)

    return plug


@pytest.mark.slow
def test_hardware_is_judged_like_any_build(workspace: Workspace, plugged: Any) -> None:
    (reference,) = gate(plugged(), workspace.golden, "short").references
    outcomes = {check.check: str(check.outcome) for check in reference.checks}
    reasons = {check.check: check.reason for check in reference.checks}
    assert outcomes == {
        "echo-timing": "pass", "group-delay": "pass", "energy-decay": "pass", "cost": "not asked", "conduct": "pass",
    }, reasons  # fmt: skip
    (conduct,) = [check for check in reference.checks if check.check == "conduct"]
    assert f"({LATENCY:.2f} samples) taken out by the loopback channel" in conduct.findings[0].reason
    (timing,) = [check for check in reference.checks if check.check == "echo-timing"]
    late_us = [1e3 * (finding.deviation or 0.0) for finding in timing.findings if finding.quantity == "arrival"]
    print(f"\n| interface, 20 ppm | {' '.join(f'{us:+.2f}' for us in late_us)} µs |", end="")
    assert len(late_us) == 3
    assert np.abs(late_us).max() < 5.0


QUICK = {"stimulus": "click", "level_dbfs": -40.0, "repeats": 1}


@pytest.mark.parametrize(
    ("settings", "keys", "tables", "said"),
    [
        ({"silent": True}, QUICK, "", "capture: nothing was heard on input 1"),
        ({"hangs_at_opening": True}, QUICK, "[build.limits]\nseconds = 4", "did not finish within 4 s"),
        ({}, {}, "[build.limits]\nseconds = 2", "may take 22 s, but build.limits.seconds is 2"),
        ({}, {"device": "Nowhere"}, "", 'output device: no device "Nowhere"'),
        ({}, {"output_channels": [1, 2]}, "", "build.output_channels names 2, but mono needs 1"),
    ],
)
def test_hardware_that_fails_is_a_finding(
    workspace: Workspace, plugged: Any, settings: dict[str, Any], keys: dict[str, Any], tables: str, said: str
) -> None:
    verdict = gate(plugged(tables, settings, **keys), workspace.golden, "short")
    (conduct,) = [check for check in verdict.references[0].checks if check.check == "conduct"]
    assert verdict.outcome == "fail"
    assert said in conduct.reason


@pytest.mark.slow
def test_parallel_workers_take_turns_at_the_device(workspace: Workspace, plugged: Any) -> None:
    build = plugged(settings={"taken": str(workspace.root / "taken")}, **QUICK)
    verdict = gate(build, workspace.golden, jobs=2)
    assert len(verdict.references) == 2
    for reference in verdict.references:
        (conduct,) = [check for check in reference.checks if check.check == "conduct"]
        assert str(conduct.outcome) == "pass", conduct.reason


def test_a_golden_of_hardware_is_a_capture(workspace: Workspace, plugged: Any) -> None:
    build = plugged(stimulus="click", repeats=1)
    new = ("golden", "new", "bench", "--from", build, "--golden", workspace.golden, "--seconds", "0.6")
    assert run(*new) == 0
    assert 'origin = "capture"' in (workspace.golden / "bench" / "reference.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        (
            {"accept_cautions": False},
            r"build.accept_cautions: a gate of this build plays into hardware by itself: .*lethal",
        ),
        ({"level_dbfs": 0.0}, "build.level_dbfs: need at most -1, got 0"),
        ({"input_channels": []}, "build.input_channels: need at least 1 entry, got 0"),
        ({"repeat": 3}, r"build.repeat: unknown key; did you mean repeats\?"),
    ],
)
def test_slips_in_a_build_of_hardware(plugged: Any, keys: dict[str, Any], said: str) -> None:
    from reverdict.schema.build import read_build

    with pytest.raises(BadInput, match=said):
        read_build(plugged(**keys))


def test_the_cautions_are_needed_in_as_many_words(workspace: Workspace) -> None:
    from reverdict.schema.build import read_build

    with pytest.raises(BadInput, match=r"build\.accept_cautions: a gate of this build plays into hardware by itself"):
        read_build(workspace.build(kind="interface", level_dbfs=-20.0))


# The real library, on a card of the system's that is a file.

ALSA = """
<{system}>
pcm.filed {{
  type file
  slave.pcm "null"
  file "{played}"
  infile "{heard}"
  format raw
  hint {{ show on description "a file" }}
}}
"""
SYSTEM = Path("/usr/share/alsa/alsa.conf")


def test_the_real_library_plays_and_records_through_a_card_that_is_a_file(tmp_path: Path) -> None:
    """PortAudio and ALSA for real: what the file holds comes in, what was played is in the other one."""
    try:
        card.open_library()
    except BadInput as missing:
        pytest.skip(str(missing))
    if not SYSTEM.exists():
        pytest.skip(f"{SYSTEM} is absent; needs ALSA's configuration")
    plan = Plan(Route("filed", "filed", loopback=2), "click", SECONDS, repeats=2, level_dbfs=-40.0)
    played = plan.take(-40.0)
    clicks = np.flatnonzero(played)
    heard = np.zeros((played.size + RATE_HZ, 2), dtype="<f4")
    for click in clicks:
        heard[click + 100 : click + 100 + loud_spring().size, 0] += (0.01 * loud_spring()).astype("<f4")
        heard[click + 100, 1] = 0.01
    heard.tofile(tmp_path / "heard.raw")
    config = tmp_path / "alsa.conf"
    config.write_text(
        ALSA.format(system=SYSTEM, played=tmp_path / "played.raw", heard=tmp_path / "heard.raw"), encoding="utf-8"
    )
    argv = [
        sys.executable, "-m", "reverdict", "capture", "tank", "--out", str(tmp_path / "takes"), "--device", "filed",
        "--stimulus", "click", "--seconds", str(SECONDS), "--repeats", "2", "--level", "-40", "--loopback-channel", "2",
        "--yes",
    ]  # fmt: skip
    environment = {**os.environ, "ALSA_CONFIG_PATH": str(config)}
    ended = subprocess.run(argv, env=environment, capture_output=True, text=True, timeout=120, check=False)
    if 'no device "filed"' in ended.stderr:
        pytest.skip("this PortAudio knows no ALSA devices that are files")
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "(100.00 samples) taken out" in ended.stdout
    assert np.abs(np.fromfile(tmp_path / "played.raw", dtype="<f4")).max() == pytest.approx(0.01, abs=1e-6)
    response, _ = read_sound(tmp_path / "takes" / "tank.wav")
    np.testing.assert_allclose(response[0, :20000], loud_spring()[:20000], atol=1e-3 * 0.2)
