"""Reverbs of packages, which we did not write, through render and gate; and other hosts beside ours."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

import packaged
from packaged import REVERBS
from reverdict.command_line import main
from reverdict.errors import BadInput
from reverdict.gate import gate
from reverdict.render import Rendered, Request, play, render, working_folder
from reverdict.render.build import Stimulus
from reverdict.sound import read_sound, write_sound
from reverdict.words import Outcome

if TYPE_CHECKING:
    from packaged import Packaged

REQUEST = Request("hall", seconds=1.0)


@pytest.fixture(autouse=True)
def _found(monkeypatch):
    packaged.let_find(monkeypatch)


@pytest.fixture
def work():
    with working_folder() as folder:
        yield folder


@pytest.fixture(params=REVERBS)
def reverb(request) -> Packaged:
    return there(request.param)


def there(name: str) -> Packaged:
    one = REVERBS[name]
    packaged.skip_without(one.kind, one.file, one.package)
    return one


def response_of(one: Packaged, work: Path, parameters: dict[str, Any] | None = None, **request: Any) -> np.ndarray:
    rendering = render(packaged.build_of(one, work, **(parameters or {})), replace(REQUEST, **request), work)
    assert isinstance(rendering, Rendered), rendering
    return rendering.response.samples


def level_db(samples: np.ndarray, against: np.ndarray) -> float:
    """Energy of one sound against that of another."""
    return float(10 * np.log10(np.sum(samples**2) / np.sum(against**2) + 1e-30))


@pytest.mark.few(5)
def test_each_rings_and_hears_its_parameter(reverb, work):
    samples = response_of(reverb, work)
    assert samples.shape == (1, 48000)
    tail = samples[:, 2400:]
    assert level_db(tail, samples) > -40.0
    name, value = reverb.moved
    assert level_db(response_of(reverb, work, {name: value}) - samples, samples) > -60.0


@pytest.mark.few(4)
@pytest.mark.parametrize("name", [name for name, one in REVERBS.items() if one.alike_in_blocks])
def test_blocks_of_any_size_sound_alike(name, work):
    """What is left is rounding: −130 dB in one that interpolates its parameters over a block."""
    sizes = (512, 1, 17, 64)
    stimuli = [Stimulus(click(9600, 2400), block_sizes=(size,)) for size in sizes]
    whole, *others = play(packaged.build_of(there(name), work), REQUEST, stimuli, work)
    for size, one in zip(sizes[1:], others, strict=True):
        assert level_db(one.samples - whole.samples, whole.samples) < -120.0, size


@pytest.mark.slow
def test_what_each_does_and_does_not(reverb, work):
    """Prints the table of tests/README.md: levels of differences, in dB of the response; −inf is not a bit."""
    at, later, frames = 24000, 12345, 96000
    heard = click(frames, at)
    bursts = np.random.default_rng(1).normal(0.0, 0.1, (1, frames))
    bursts[:, 48000:] = 0.0
    stimuli = [
        Stimulus(heard),
        Stimulus(heard),
        Stimulus(np.roll(heard, later, axis=1)),
        *(Stimulus(heard, block_sizes=(size,)) for size in (1, 17, 64, frames)),
        Stimulus(bursts),
    ]
    build = packaged.build_of(reverb, work)
    request = replace(REQUEST, block_size=512)
    *clicks, burst = [one.samples[:1] for one in play(build, request, stimuli, work)]
    (reset,) = play(build, request, [Stimulus(bursts, changes=((48128, "", 0.0),))], work)
    again, moved, *blocks = clicks[1:]
    first = clicks[0]
    figures = {
        "again": level_db(again - first, first),
        "later": level_db(moved[:, later:] - first[:, :-later], first),
        "blocks": max(level_db(one - first, first) for one in blocks[:3]),
        "whole": level_db(blocks[3] - first, first),
        "reset": level_db(reset.samples[:1, 48128:], burst[:, 48128:]) if reset.can_reset else None,
    }
    told = ["none" if one is None else "−inf" if one < -280 else f"{one:.0f}" for one in figures.values()]
    print(f"\n| {reverb.kind}, {reverb.package}: {reverb.plugin} | {' | '.join(told)} |")
    assert (figures["later"] < -100.0) == reverb.alike_later
    assert (figures["blocks"] < -100.0) == reverb.alike_in_blocks
    assert (figures["again"] < -100.0) == (reverb is not REVERBS["dragonfly-room"])


def click(frames: int, at: int) -> np.ndarray:
    samples = np.zeros((1, frames))
    samples[0, at] = 0.5
    return samples


def test_a_reverb_whose_tail_depends_on_block_size_shows_it(work):
    """It empties its delay lines whenever a block ends while one lowpass is silent: at 17 frames nothing is left."""
    one = there("ambience")
    tails = [response_of(one, work, block_size=size)[:, 1:] for size in (17, 512)]
    assert level_db(tails[0], tails[1]) < -100.0


@pytest.mark.parametrize("name", ["plate", "dragonfly-plate"])
def test_unknown_names_are_told_with_the_known_ones(name, work):
    one = there(name)
    build = packaged.build_of(one, work)
    slips = {
        "no parameter": replace(build, parameters={"Revreb": 1}),
        "no audio output": replace(build, plugin=replace(build.plugin, outputs=("centre",))),
        "no plug-in": replace(build, plugin=replace(build.plugin, plugin="urn:none")),
    }
    for complaint, slip in slips.items():
        with pytest.raises(BadInput, match=f"{complaint} .*; .*there (is|are) |{complaint} .*on LV2_PATH"):
            render(slip, REQUEST, work)


def test_a_preset_of_a_package_is_loaded_and_an_unknown_one_lists_them(work):
    one = there("mverb")
    build = packaged.build_of(one, work)
    plain = response_of(one, work)
    preset = render(replace(build, plugin=replace(build.plugin, preset="Cupboard")), REQUEST, work)
    assert isinstance(preset, Rendered)
    assert level_db(preset.response.samples - plain, plain) > -20.0
    with pytest.raises(BadInput, match=r"there are Cupboard, Dark, Halves, Stadium, Subtle$"):
        render(replace(build, plugin=replace(build.plugin, preset="Cathedral")), REQUEST, work)


def test_a_preset_with_a_file_reaches_a_plugin_that_needs_a_worker(work):
    """A convolver that loads its impulse, a single 1, in the worker, and is 64 samples late."""
    packaged.skip_without("lv2", "zeroconvo.lv2", "x42-plugins")
    uri = "http://gareus.org/oss/lv2/zeroconvolv#Mono"
    convolver = replace(REVERBS["mverb"], file="zeroconvo.lv2", plugin=uri)
    build = packaged.build_of(convolver, work)
    build = replace(build, plugin=replace(build.plugin, preset="No-OP Mono"))
    rendering = render(build, replace(REQUEST, seconds=0.2), work)
    assert isinstance(rendering, Rendered), rendering
    assert rendering.notes == ("reports a latency of 64 samples, which was taken out",)
    samples = rendering.response.samples[0]
    assert samples[0] == pytest.approx(1.0, abs=1e-6)
    assert np.abs(samples[1:]).max() < 1e-6


@pytest.mark.parametrize(
    ("kind", "file", "plugin", "parameters", "latency"),
    [
        ("lv2", "nodelay.lv2", "http://gareus.org/oss/lv2/nodelay", {"delay": 300, "report_latency": "Delay and"}, 300),
        ("ladspa", "latency_1914.so", "", {"Delay": 2.0}, 96),
    ],
)
def test_a_latency_that_a_package_reports(kind, file, plugin, parameters, latency, work):
    """One delays and says so. The other only says so, 2 ms at 48 kHz: what is taken out stood before the click."""
    packaged.skip_without(kind, file)
    one = replace(REVERBS["mverb"], kind=kind, file=file, plugin=plugin)
    (played,) = play(packaged.build_of(one, work, **parameters), REQUEST, [Stimulus(click(3000, 2000))], work)
    assert played.latency_samples == latency
    at = 2000 if kind == "lv2" else 2000 - latency
    assert np.flatnonzero(played.samples[0]).tolist() == [at]


def written(one: Packaged, folder: Path, **parameters: Any) -> Path:
    """The TOML of a build."""
    lines = [f'name = "{one.plugin}"', 'version = "1"', f'kind = "{one.kind}"', f'file = "{one.file}"']
    given = [f'"{name}" = {value}' for name, value in (one.parameters | parameters).items()]
    path = folder / f"build-{len(list(folder.glob('*.toml')))}.toml"
    tables = [f'plugin = "{one.plugin}"', "[build.parameters]", *given, "[build.not_asked]", 'cost = "not here"']
    path.write_text("\n".join(["[build]", *lines, *tables, ""]), encoding="utf-8")
    return path


QUICK = ("gigaverb", "gverb")
SLOW = [pytest.param(name, marks=pytest.mark.slow) for name in REVERBS if name not in (*QUICK, "lv2-gverb")]


@pytest.mark.few(1)
@pytest.mark.parametrize("name", [*QUICK, *SLOW])
def test_a_reference_made_from_it_passes_and_stops_it_when_a_parameter_changed(name, tmp_path, capsys):
    one = there(name)
    build, golden = written(one, tmp_path), tmp_path / "golden"
    assert main(["golden", "new", name, "--from", str(build), "--golden", str(golden), "--seconds", "1.5"]) == 0
    capsys.readouterr()
    verdict = gate(build, golden)
    assert verdict.outcome == "pass"
    (reference,) = gate(written(one, tmp_path, **dict([one.moved])), golden).references
    failed = {check.check for check in reference.checks if check.outcome is Outcome.FAIL}
    assert "energy-decay" in failed


def noise(folder: Path) -> Path:
    """Half a second of noise and half of silence, as a host program reads it."""
    samples = np.random.default_rng(1).normal(0.0, 0.05, (1, 48000))
    samples[:, 24000:] = 0.0
    path = folder / "noise.wav"
    write_sound(path, samples, 48000, "PCM_16")
    return path


def run(*argv: object) -> None:
    done = subprocess.run([str(one) for one in argv], capture_output=True, text=True, check=False)
    if "error while loading shared libraries" in done.stderr:
        pytest.skip(done.stderr.strip())
    assert done.returncode == 0, done.stderr


def test_the_sdk_s_host_of_ladspa_gives_the_same(tmp_path, work):
    """It writes 16 bits: what differs is their rounding."""
    one = there("plate")
    host = packaged.program("applyplugin")
    if host is None:
        pytest.skip("no applyplugin here (ci/get-plugins fetches it from ladspa-sdk)")
    heard = noise(tmp_path)
    library = packaged.place_of("ladspa", one.file)
    controls = {"Reverb time": 2.0, "Damping": 0.25, "Dry/wet mix": 0.5}
    run(host, heard, tmp_path / "out.wav", library, one.plugin, *controls.values())
    theirs, _ = read_sound(tmp_path / "out.wav")
    samples, _ = read_sound(heard)
    (ours,) = play(packaged.build_of(one, work, **controls), REQUEST, [Stimulus(samples)], work)
    assert np.abs(theirs[0] - ours.samples[0]).max() < 1.01 / 32768


def test_the_library_s_host_of_lv2_gives_the_same(tmp_path, work):
    one = there("lv2-gverb")
    host = packaged.program("lv2apply")
    if host is None:
        pytest.skip("no lv2apply here (ci/get-plugins fetches it from lilv-utils)")
    heard = noise(tmp_path)
    run(host, "-i", heard, "-o", tmp_path / "out.wav", "-c", "revtime", "3", one.plugin)
    theirs, _ = read_sound(tmp_path / "out.wav")
    samples, _ = read_sound(heard)
    build = packaged.build_of(one, work, revtime=3)
    (ours,) = play(build, replace(REQUEST, block_size=1), [Stimulus(samples)], work)
    np.testing.assert_allclose(theirs[0], ours.samples[0], atol=1.01 / 32768)
