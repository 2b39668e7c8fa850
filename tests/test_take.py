"""Takes put right: fractions of a sample, clocks and gains come out as they went in; identity is exact."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from conftest import RATE_HZ, Workspace
from reverdict.asked import request_of
from reverdict.errors import BadInput
from reverdict.gate import gate
from reverdict.golden_set import references
from reverdict.measure.take import hear_clicks, offset_of, ppm_of, put_right
from reverdict.render import working_folder
from reverdict.render.rendering import render
from reverdict.schema.build import read_build
from reverdict.sound import read_sound, write_sound


def pulse(at: float | NDArray[Any], count: int, top_hz: float = 16000.0) -> NDArray[Any]:
    """A band-limited click in closed form: exact at every fraction of a sample. Windowed sinc, its skirts gone."""
    away = np.arange(count) - at
    share = 2 * top_hz / RATE_HZ
    return share * np.sinc(share * away) * np.exp(-((away / 40.0) ** 2))


def test_whole_samples_are_cut_off_and_nothing_else_is_touched() -> None:
    samples = np.random.default_rng(1).standard_normal((2, 500))
    np.testing.assert_array_equal(put_right(samples, 37.0), samples[:, 37:])
    np.testing.assert_array_equal(put_right(samples, 0.0), samples)


@pytest.mark.parametrize("begin", [0.5, 233.37, 1000.999])
def test_a_fraction_of_a_sample_is_taken_out_exactly(begin: float) -> None:
    late = pulse(begin + 400.0, 4000)[np.newaxis]
    np.testing.assert_allclose(put_right(late, begin)[0, :2900], pulse(400.0, 2900), atol=1e-9)


@pytest.mark.parametrize("ppm", [-100.0, 0.5, 80.0])
def test_a_recorders_clock_is_resampled_out(ppm: float) -> None:
    """Two clicks a second apart: the recorder that is fast by ppm has the second one later by as much."""
    fast = 1 + 1e-6 * ppm
    recorded = pulse(300 * fast, 60000) + pulse((300 + 48000) * fast, 60000)
    right = put_right(recorded[np.newaxis], 0.0, offset_of(ppm))[0, :59000]
    # Stretching by ppm also widens each click by as much, which is what is left.
    np.testing.assert_allclose(right, pulse(300, 59000) + pulse(48300, 59000), atol=2e-4)
    assert ppm_of(offset_of(ppm)) == pytest.approx(ppm, abs=1e-9)


@pytest.mark.parametrize("at", [777.0, 777.25, 1234.9])
def test_a_click_in_a_loopback_is_heard_between_samples(at: float) -> None:
    noise = 1e-5 * np.random.default_rng(2).standard_normal(20000)
    for sign in (1.0, -1.0):
        heard = hear_clicks(0.3 * sign * pulse(at, 20000) + noise, RATE_HZ)
        assert not isinstance(heard, str)
        assert heard.at == pytest.approx(at, abs=2e-4)  # 4 ns
        assert heard.clock.why_not == "one click tells none"


def test_a_reverb_is_no_loopback(workspace: Workspace) -> None:
    tank = read_sound(workspace.takes / "short.wav")[0][0]
    assert hear_clicks(tank, RATE_HZ) == "goes on sounding after its click; is it the channel of the reverb?"
    # Half as loud, and 20 ms later, as of a wire that is heard twice.
    assert isinstance(hear_clicks(pulse(500, 20000) + 0.6 * pulse(1460, 20000), RATE_HZ), str)
    assert not isinstance(hear_clicks(pulse(500, 20000) + 0.1 * pulse(1460, 20000), RATE_HZ), str)


def test_where_no_onset_is_sharp_none_is_made_up(workspace: Workspace) -> None:
    swell = np.sin(np.arange(30000) / 40) * np.linspace(0, 1, 30000)
    write_sound(workspace.takes / "short.wav", swell[np.newaxis], RATE_HZ)
    reason = rendered(workspace, takes_build(workspace, click_at_s="auto")).reason
    assert reason == 'short.wav: click_at_s = "auto": no sharp onset in it; say when the click was played'


def test_the_spacing_of_clicks_tells_the_clock() -> None:
    fast = 1 + 43e-6
    row = sum((pulse((500 + 24000 * k) * fast, 4 * 24000) for k in range(4)), np.zeros(4 * 24000))
    heard = hear_clicks(row + 1e-5 * np.random.default_rng(3).standard_normal(row.size), RATE_HZ, 24000)
    assert not isinstance(heard, str)
    assert heard.clock.offset is not None
    assert ppm_of(heard.clock.offset) == pytest.approx(43.0, abs=0.02)
    assert heard.at == pytest.approx(500 * fast, abs=1e-3)


@pytest.mark.parametrize("every", [None, 2000])
def test_no_click_is_invented(every: int | None) -> None:
    assert isinstance(hear_clicks(np.random.default_rng(4).standard_normal(9000), RATE_HZ, every), str)
    assert isinstance(hear_clicks(np.zeros(9000), RATE_HZ, every), str)


# As a build of recordings.


def recorded(workspace: Workspace, name: str, change: Callable[[NDArray[Any]], NDArray[Any]]) -> None:
    path = workspace.takes / f"{name}.wav"
    samples, _ = read_sound(path)
    write_sound(path, change(samples), RATE_HZ)


def shifted(samples: NDArray[Any], late: float, fast: float = 1.0) -> NDArray[Any]:
    """Later by a fraction of samples, and recorded by a clock fast by a factor: an independent, slow way.

    A windowed sinc of 256 samples; good to about −100 dB below 0.42 of the rate.
    """
    count = samples.shape[1] + int(late) + 300
    at = np.arange(count) / fast - late
    nearest = np.floor(at).astype(int)
    out = np.zeros((samples.shape[0], count))
    padded = np.pad(samples, ((0, 0), (600 + int(late), 900)))
    for tap in range(-127, 129):
        place = nearest + tap
        away = at - place
        window = np.kaiser(257, 10.0)
        weight = np.sinc(away) * np.interp(away, np.arange(-128, 129), window)
        index = place + 600 + int(late)
        inside = (index >= 0) & (index < padded.shape[1])
        out[:, inside] += padded[:, index[inside]] * weight[inside]
    return out


def rendered(workspace: Workspace, build: Path, name: str = "short") -> Any:
    (reference,) = references(workspace.golden, name)
    with working_folder() as work:
        return render(read_build(build), request_of(reference), work)


def takes_build(workspace: Workspace, tables: str = "", **keys: Any) -> Path:
    return workspace.build(tables, kind="recordings", folder="../takes", **keys)


def test_latency_gain_and_clock_are_taken_out_and_told(workspace: Workspace) -> None:
    golden = read_sound(workspace.takes / "short.wav")[0]
    recorded(workspace, "short", lambda samples: 2.0 * shifted(samples, 233.37, 1 + 60e-6))
    late_ms = 1e3 * 233.37 / RATE_HZ * (1 + 60e-6)
    table = f'[build.takes."short"]\nlatency_ms = {late_ms!r}\nlevel_db = 6.0206\nclock_ppm = 60.0'
    result = rendered(workspace, takes_build(workspace, table))
    assert result.notes == (
        f"latency of {late_ms:g} ms (233.38 samples) taken out",
        "recorder's clock, +60.00 ppm, taken out",
        "gain of the recording chain, +6.0206 dB, taken out",
    )
    left = result.response.samples[:, :20000] - golden[:, :20000]
    # The spring ends far below 0.42 of the rate; the slow way's own error is what is left.
    assert np.abs(left).max() < 3e-4 * np.abs(golden).max()


def test_a_take_without_its_notes_is_late(workspace: Workspace) -> None:
    recorded(workspace, "short", lambda samples: shifted(samples, 100.5))
    with_notes = takes_build(workspace, latency_ms=100.5 / 48)
    golden = read_sound(workspace.takes / "long.wav")[0]
    assert np.abs(rendered(workspace, with_notes, "long").response.samples[:, : golden.shape[1]]).max() > 0
    for build, clean in ((with_notes, True), (takes_build(workspace), False)):
        (reference,) = gate(build, workspace.golden, "short").references
        (timing,) = [check for check in reference.checks if check.check == "echo-timing"]
        assert (str(timing.outcome) == "pass") == clean, timing.reason


def test_keys_of_build_hold_where_a_take_says_nothing(workspace: Workspace) -> None:
    build = read_build(takes_build(workspace, "[build.takes.long]\nclock_ppm = 5", latency_ms=1.5, level_db=-3))
    assert build.notes.latency_ms == build.takes["long"].latency_ms == 1.5
    assert (build.takes["long"].clock_ppm, build.notes.clock_ppm, build.takes["long"].level_db) == (5.0, 0.0, -3.0)


def test_notes_on_a_take_that_is_not_there_name_those_that_are(workspace: Workspace) -> None:
    build = takes_build(workspace, "[build.takes.shrot]\nlatency_ms = 1")
    with pytest.raises(BadInput, match=r'build.takes."shrot": no such recording in .*takes; there are long, short$'):
        rendered(workspace, build)


@pytest.mark.parametrize("channel", [True, False])
def test_a_loopback_tells_latency_and_clock(workspace: Workspace, channel: bool) -> None:
    """Two clicks 0.7 s apart in a loopback beside the take, or in a file of its own."""
    golden = read_sound(workspace.takes / "short.wav")[0]
    fast, every = 1 + 60e-6, round(0.7 * RATE_HZ)
    heard = pulse(233.37 * fast, 40000) + pulse((233.37 + every) * fast, 40000)
    late = np.zeros((1, 40000))
    late[:, : golden.shape[1] + 533] = shifted(golden, 233.37, fast)
    write_sound(workspace.takes / "short.wav", np.vstack([late, heard]) if channel else late, RATE_HZ)
    keys: dict[str, Any] = {"loopback_channel": 2}
    if not channel:
        write_sound(workspace.takes / "loop.wav", heard[np.newaxis], RATE_HZ)
        keys = {"loopback": "loop"}
    result = rendered(workspace, takes_build(workspace, click_every_s=0.7, **keys))
    assert result.response is not None, result.reason
    assert result.notes[0] == f"counted from the click in the loopback, at {1e3 * 233.37 * fast / RATE_HZ:.4f} ms"
    assert result.notes[1].startswith("recorder's clock, +60.0")
    left = result.response.samples[:, :20000] - golden[:, :20000]
    assert np.abs(left).max() < 4e-4 * np.abs(golden).max()


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"loopback": "loup"}, 'build.loopback: "loup": no such recording'),
        ({"loopback": "long", "latency_ms": 1.0}, "beside a loopback, which tells them; leave one of them out"),
        ({"latency_ms": 1.0, "click_at_s": "auto"}, 'latency_ms beside click_at_s = "auto"'),
        ({"click_every_s": 1.0}, "there is no loopback whose clicks it tells"),
        ({"latency_ms": -1.0}, "latency_ms: need at least 0, got -1"),
        ({"clock": 1.0}, "did you mean clock_ppm"),
        ({"clock_ppm": 20000.0}, "clock_ppm: need at most 10000"),
    ],
)
def test_slips_are_told(workspace: Workspace, keys: dict[str, Any], said: str) -> None:
    with pytest.raises(BadInput, match=said.replace("(", r"\(")):
        rendered(workspace, takes_build(workspace, **keys))


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"loopback_channel": 2}, "short.wav: has one channel; with build.loopback_channel it needs another"),
        ({"loopback": "long", "loopback_channel": 3}, "short.wav: has no channel 3 for build.loopback_channel, only 1"),
        ({"latency_ms": 9000.0}, "short.wav: click and latency, 9 s, lie outside the recording"),
    ],
)
def test_a_take_that_cannot_be_put_right_is_no_response(workspace: Workspace, keys: dict[str, Any], said: str) -> None:
    assert rendered(workspace, takes_build(workspace, **keys)).reason.startswith(said)


# The formats' page.

PAGE = Path(__file__).parents[1] / "checks" / "BUILDS.md"


def test_the_examples_of_builds_on_the_formats_page_read(tmp_path: Path) -> None:
    found = re.findall(r"^```toml\n(\[build\]\n.*?)^```", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    kinds = []
    for number, text in enumerate(found):
        path = tmp_path / f"{number}.toml"
        path.write_text(text, encoding="utf-8")
        kinds.append(read_build(path).kind)
    assert {"recordings", "interface"} <= set(kinds)


def test_the_example_of_firmware_on_the_formats_page_is_judged(workspace: Workspace) -> None:
    """With files and a log as it says: notes taken out, cycles read."""
    (text,) = re.findall(
        r'^```toml\n(\[build\]\nname = "stomp.*?)^```', PAGE.read_text("utf-8"), re.MULTILINE | re.DOTALL
    )
    build = workspace.root / "firmware.toml"
    build.write_text(text.replace('takes."hall"', 'takes."short"'), encoding="utf-8")
    golden = read_sound(workspace.takes / "short.wav")[0]
    begin, fast = 0.5 * RATE_HZ, 1 + 31.2e-6
    late = shifted(golden, (begin + 2.0416e-3 * RATE_HZ) / fast, fast)
    write_sound(workspace.takes / "short.wav", late * 10 ** (-6 / 20), RATE_HZ)
    (workspace.takes / "cycles.csv").write_text(
        "reference,block_frames,cycles\n" + "short,64,51200\nshort,64,51000\n" * 50, encoding="utf-8"
    )
    workspace.edit('not_asked = "not asked of a player"', "cycles_per_sample = 800.0\nworst_block_cycles = 60000")
    (reference,) = gate(build, workspace.golden, "short").references
    assert str(reference.outcome) == "pass", [(check.check, check.reason) for check in reference.checks]
