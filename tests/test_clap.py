"""Kind clap: springs of our own in C and C++, compiled against the standard's interface as the tests begin.

The C spring keeps its host to the standard: whatever call comes out of turn, or on the wrong thread, ends it.
"""

from __future__ import annotations

import ctypes
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter

from own_plugins import (
    FRAMES,
    REQUEST,
    SOURCES,
    assert_sounds,
    compile_into,
    lack,
    noise,
    played,
    reason_of,
    save_preset,
    spring,
)
from reverdict.errors import BadInput
from reverdict.render import Build, Limits, Rendered, render, working_folder
from reverdict.render.build import Plugin
from reverdict.render.hosts import clap_abi
from reverdict.render.timing import open_timer
from reverdict.schema.build import read_build
from reverdict.words import BuildIdentity
from test_build_pages import shown

pytestmark = pytest.mark.skipif(bool(lack("clap")), reason=lack("clap"))

SPRING, MONO, DUCKED = "org.example.spring", "org.example.mono-spring", "org.example.mono-ducked-spring"


@pytest.fixture(scope="session")
def plugins(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return compile_into(tmp_path_factory.mktemp("clap"), "clap")


@pytest.fixture
def work():
    with working_folder() as folder:
        yield folder


def clap_build(folder: Path, file: str = "spring.clap", plugin: str = MONO, preset: str = "", **more: Any) -> Build:
    ports = more.pop("inputs", ()), more.pop("outputs", ())
    parameters = {"Delay": 5.0, **more.pop("parameters", {})} if file == "spring.clap" else {}
    identity = BuildIdentity("spring", "1", "clap")
    plain = Build(identity, "clap", folder, plugin=Plugin(file, plugin, preset, *ports), parameters=parameters)
    return replace(plain, limits=Limits(20.0), **more)


# The interface.


def test_structures_are_laid_out_as_the_c_compiler_lays_them_out(tmp_path: Path) -> None:
    pairs = {
        "clap_plugin_entry": (clap_abi.PluginEntry, "get_factory"),
        "clap_plugin_descriptor": (clap_abi.PluginDescriptor, "features"),
        "clap_plugin_factory": (clap_abi.PluginFactory, "create_plugin"),
        "clap_host": (clap_abi.Host, "request_callback"),
        "clap_event_param_value": (clap_abi.EventParamValue, "value"),
        "clap_input_events": (clap_abi.InputEvents, "get"),
        "clap_output_events": (clap_abi.OutputEvents, "try_push"),
        "clap_audio_buffer": (clap_abi.AudioBuffer, "constant_mask"),
        "clap_process": (clap_abi.Process, "out_events"),
        "clap_plugin": (clap_abi.Plugin, "on_main_thread"),
        "clap_audio_port_info": (clap_abi.AudioPortInfo, "in_place_pair"),
        "clap_plugin_audio_ports": (clap_abi.PluginAudioPorts, "get"),
        "clap_param_info": (clap_abi.ParamInfo, "default_value"),
        "clap_plugin_params": (clap_abi.PluginParams, "flush"),
        "clap_plugin_latency": (clap_abi.PluginLatency, "get"),
        "clap_plugin_state": (clap_abi.PluginState, "load"),
        "clap_istream": (clap_abi.InputStream, "read"),
        "clap_host_log": (clap_abi.HostLog, "log"),
        "clap_host_thread_check": (clap_abi.HostThreadCheck, "is_audio_thread"),
        "clap_host_params": (clap_abi.HostParams, "request_flush"),
    }
    asked = "".join(
        f'printf("%zu %zu\\n", sizeof({name}), offsetof({name}, {last}));' for name, (_, last) in pairs.items()
    )
    source = tmp_path / "sizes.c"
    source.write_text(f'#include <stddef.h>\n#include <stdio.h>\n#include "clap.h"\nint main(void) {{{asked}}}\n')
    subprocess.run(["cc", "-I", SOURCES / "clap_springs", "-o", tmp_path / "sizes", source], check=True)
    said = subprocess.run([tmp_path / "sizes"], check=True, capture_output=True, text=True).stdout.splitlines()
    ours = [f"{ctypes.sizeof(one)} {getattr(one, last).offset}" for one, last in pairs.values()]
    assert dict(zip(pairs, ours, strict=True)) == dict(zip(pairs, said, strict=True))


# Sound.


def test_a_spring_in_c_sounds_as_its_closed_form(plugins: Path, work: Path) -> None:
    output = played(clap_build(plugins), work)
    assert_sounds(output, spring(noise()))
    assert (output.latency_samples, output.latency_at_end, output.can_reset, output.can_move) == (0, 0, True, True)


def test_a_comb_in_cpp(plugins: Path, work: Path) -> None:
    """It has no parameters, no latency to tell, and ports without names."""
    output = played(clap_build(plugins, "comb.clap", ""), work)
    expected = lfilter(np.append(np.zeros(80), 1.0), [1.0, *np.zeros(79), -0.5], noise())
    np.testing.assert_allclose(output.samples, expected, rtol=0, atol=1e-7)
    assert output.latency_samples is None
    with pytest.raises(BadInput, match=r'build.parameters: no parameter "mix"; there is none'):
        render(replace(clap_build(plugins, "comb.clap", ""), parameters={"mix": 1}), REQUEST, work)


@pytest.mark.parametrize("sizes", [(1,), (17,), (64, 3, 1), (FRAMES,)])
def test_blocks_of_any_size_sound_alike(sizes: tuple[int, ...], plugins: Path, work: Path) -> None:
    request = replace(REQUEST, block_size=max(sizes))
    output = played(clap_build(plugins), work, request, block_sizes=sizes)
    np.testing.assert_array_equal(output.samples, played(clap_build(plugins), work).samples)


def test_a_rendered_response_is_judged_like_any_other(plugins: Path, work: Path) -> None:
    rendering = render(clap_build(plugins, parameters={"Latency": 100}), REQUEST, work)
    assert isinstance(rendering, Rendered)
    click = np.zeros((1, REQUEST.response_samples))
    click[0, 0] = 1.0
    np.testing.assert_allclose(rendering.response.samples, spring(click), rtol=0, atol=1e-6)
    assert rendering.notes == ("reports a latency of 100 samples, which was taken out",)


def test_instances_beside_each_other_share_nothing(plugins: Path, work: Path) -> None:
    beside = np.random.default_rng(4).normal(0.0, 0.1, (1, FRAMES))
    output = played(clap_build(plugins), work, beside=beside)
    np.testing.assert_array_equal(output.samples, played(clap_build(plugins), work).samples)


def test_what_a_sample_costs(plugins: Path, work: Path) -> None:
    with open_timer(clap_build(plugins), REQUEST, work) as timer:
        cost_s = timer.seconds_per_sample()
        assert cost_s is not None, timer.why_not
        assert 0.0 < cost_s < 1e-4


# Channels and ports.


def test_a_mono_reference_feeds_both_inputs_and_hears_the_first_output(plugins: Path, work: Path) -> None:
    output = played(clap_build(plugins, plugin=SPRING), work)
    assert_sounds(output, spring(noise()))
    right = played(clap_build(plugins, plugin=SPRING, outputs=("Out 2",)), work)
    assert_sounds(right, spring(noise(), 5.5))
    unfed = played(clap_build(plugins, plugin=SPRING, inputs=("in 1",), outputs=("Out 2",)), work)
    assert not unfed.samples.any()


def test_stereo(plugins: Path, work: Path) -> None:
    request = replace(REQUEST, channels="stereo-to-stereo")
    heard = noise(2)
    output = played(clap_build(plugins, plugin=SPRING), work, request, samples=heard)
    np.testing.assert_allclose(output.samples[0], spring(heard[0]), rtol=0, atol=1e-6)
    np.testing.assert_allclose(output.samples[1], spring(heard[1], 5.5), rtol=0, atol=1e-6)


def test_a_sidechain_is_left_alone(plugins: Path, work: Path) -> None:
    """The plug-in itself ends the process where its sidechain is not silent."""
    output = played(clap_build(plugins, plugin=DUCKED), work)
    assert_sounds(output, spring(noise()))
    build = clap_build(plugins, plugin=DUCKED, inputs=("Sidechain",))
    assert "broke a rule: silence in what nobody feeds" in reason_of(build, work)


def test_more_channels_than_it_has(plugins: Path, work: Path) -> None:
    request = replace(REQUEST, channels="mono-to-stereo")
    reason = reason_of(clap_build(plugins), work, request)
    assert reason == "the plug-in has 1 audio output (Out), and the reference asks for 2"


def test_a_port_that_is_not_there(plugins: Path, work: Path) -> None:
    said = r'build.ports.outputs: no audio output "Wet"; there are Out 1, Out 2'
    with pytest.raises(BadInput, match=said):
        render(clap_build(plugins, plugin=SPRING, outputs=("Wet",)), REQUEST, work)


# Parameters and presets.


@pytest.mark.parametrize(
    ("parameters", "gain", "delay_ms"),
    [
        ({"Reflection": 0.0}, 1.0, 5.0),
        ({"tank/delay": 7.5, "reflection": 0}, 1.0, 7.5),
        ({"Delay": "0.0075 s", "Reflection": 0}, 1.0, 7.5),
        ({"Tank/Mix": 0.25, "Reflection": 0}, 0.25, 5.0),
        ({"Mode": "inverted", "Reflection": 0}, -1.0, 5.0),
        ({"Mode": 1, "Reflection": 0}, -1.0, 5.0),
        ({"Mode": True, "Reflection": 0}, -1.0, 5.0),
    ],
)
def test_parameters_by_name(
    parameters: dict[str, Any], gain: float, delay_ms: float, plugins: Path, work: Path
) -> None:
    output = played(clap_build(plugins, parameters=parameters), work)
    assert_sounds(output, gain * spring(noise(), delay_ms, 0.0))


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ({"Dely": 1}, 'build.parameters: no parameter "Dely"; did you mean Delay? there are Delay, Reflection, '),
        ({"Mix": 1}, 'build.parameters: parameter "Mix" may be Tank/Mix or Dry/Mix'),
        ({"Delay": 500}, "build.parameters.Delay: 500 is out of range, 1 to 200"),
        ({"Delay": "long"}, 'build.parameters.Delay: is the text "long", needs a number, 1 to 200'),
        ({"Latency": 1.5}, "build.parameters.Latency: 1.5 is not a whole number"),
        ({"Mode": "upside"}, 'build.parameters.Mode: no choice "upside"; there are Plain, Inverted'),
        ({"Level": -6}, "build.parameters.Level: the plug-in lets nobody set it"),
    ],
)  # fmt: skip
def test_a_parameter_that_cannot_be_set(parameters: dict[str, Any], said: str, plugins: Path, work: Path) -> None:
    with pytest.raises(BadInput, match=re.escape(said)):
        render(clap_build(plugins, parameters=parameters), REQUEST, work)


def test_a_parameter_moves_at_the_sample_where_it_should(plugins: Path, work: Path) -> None:
    moved = played(clap_build(plugins), work, changes=((1234, "Mode", "Inverted"), (1700, "Mode", 0)))
    expected = spring(noise())
    expected[:, 1234:1700] *= -1.0
    assert_sounds(moved, expected)


def test_a_reset_forgets_the_sound(plugins: Path, work: Path) -> None:
    cleared = played(clap_build(plugins), work, changes=((1500, "", 0.0),))
    heard = noise()
    expected = np.hstack([spring(heard[:, :1500]), spring(heard[:, 1500:])])
    assert_sounds(cleared, expected)


def test_a_preset_is_loaded_before_parameters_are_set(plugins: Path, work: Path, tmp_path: Path) -> None:
    shutil.copytree(plugins, tmp_path, dirs_exist_ok=True)
    (tmp_path / "dry.state").write_text("Delay 8\nReflection 0.25\nMode 1\n", encoding="utf-8")
    output = played(clap_build(tmp_path, preset="dry.state", parameters={"Mode": 0}), work)
    assert_sounds(output, spring(noise(), 5.0, 0.25))
    (tmp_path / "other.state").write_text("Colour 8\n", encoding="utf-8")
    for file, preset, said in (
        ("spring.clap", "wet.state", "build.preset: wet.state: no such file"),
        ("spring.clap", "other.state", "build.preset: other.state: the plug-in does not load it"),
        ("comb.clap", "dry.state", "build.preset: the plug-in has no state that could be loaded"),
    ):
        with pytest.raises(BadInput, match=re.escape(said)):
            render(clap_build(tmp_path, file, "" if file == "comb.clap" else MONO, preset), REQUEST, work)


# Latency.


def test_latency_is_told_and_taken_out(plugins: Path, work: Path) -> None:
    late = played(clap_build(plugins, parameters={"Latency": 321}), work)
    assert_sounds(late, spring(noise()))
    assert (late.latency_samples, late.latency_at_end) == (321, 321)


def test_a_latency_that_changes_shows(plugins: Path, work: Path) -> None:
    """The plug-in asks for a restart, as the standard has it, and has its new latency from the next block on."""
    changed = played(clap_build(plugins), work, changes=((1024, "Latency", 200),))
    assert (changed.latency_samples, changed.latency_at_end) == (0, 200)


# Files.


@pytest.mark.parametrize(
    ("file", "plugin", "said"),
    [
        ("sprung.clap", "", "build.file: no sprung.clap beside the TOML, nor in "),
        ("./sprung.clap", "", "sprung.clap: no such file; is it built, and its name right?"),
        ("nothing.clap", "", "nothing.clap: is no CLAP plug-in, it has no clap_entry"),
        ("text.clap", "", "text.clap: does not load as a CLAP plug-in: "),
        ("spring.clap", "", f"build.plugin: which one is meant? {{}} has {SPRING}, {MONO}, {DUCKED}"),
        ("spring.clap", "org.example.sprung",
         f'build.plugin: no plug-in "org.example.sprung"; did you mean {SPRING}? there are {SPRING}, {MONO}, {DUCKED}'),
    ],
)  # fmt: skip
def test_files_and_plugins_that_are_not_there(
    file: str, plugin: str, said: str, plugins: Path, tmp_path: Path, work: Path
) -> None:
    shutil.copytree(plugins, tmp_path, dirs_exist_ok=True)
    (tmp_path / "text.clap").write_text("a plug-in", encoding="utf-8")
    with pytest.raises(BadInput, match=re.escape(said.format(tmp_path / file))):
        render(clap_build(tmp_path, file, plugin), REQUEST, work)


def test_a_plugin_goes_by_its_name_and_is_found_on_its_path(
    plugins: Path, tmp_path: Path, work: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CLAP_PATH", str(plugins))
    output = played(clap_build(tmp_path, plugin="mono spring"), work)
    assert_sounds(output, spring(noise()))


# Misbehaviour.


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("Segfault", "died by SIGSEGV (segmentation fault)"),
        ("Abort", "died by SIGABRT (aborted)"),
        ("NaN", "3800 samples are not finite, first at sample 1000 (0.125 s)"),
        ("Overrun", "process() writes outside of its buffers"),
        ("Error status", "process() reports an error"),
        ("Nothing written", "leaves samples 0 to 63 of a block of 64 unwritten, or adds to what stood there"),
        ("Refuses rate", "activate() refuses 8000 Hz in blocks of 1 to 64"),
    ],
)
def test_a_fault_is_told(fault: str, said: str, plugins: Path, work: Path) -> None:
    assert reason_of(clap_build(plugins, parameters={"Fault": fault}), work).startswith(said)


def test_an_endless_loop_is_stopped(plugins: Path, work: Path) -> None:
    build = replace(clap_build(plugins, parameters={"Fault": "Endless"}), limits=Limits(1.5))
    assert reason_of(build, work) == "did not finish within 1.5 s and was stopped"


# The page.


def test_the_build_of_the_page(plugins: Path, work: Path, tmp_path: Path) -> None:
    shutil.copytree(plugins, tmp_path, dirs_exist_ok=True)
    save_preset(tmp_path, "clap", "bright.state")
    (tmp_path / "spring.toml").write_text(shown("CLAP")[0], encoding="utf-8")
    output = played(read_build(tmp_path / "spring.toml"), work)
    assert_sounds(output, -0.8 * spring(noise(), 44.0, 0.7))
