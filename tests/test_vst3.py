"""Kind vst3: springs of our own in C++, compiled against the standard's interface, run by a library for effects.

No Debian package carries a VST3 reverb, so the plug-in is ours; the host that loads it is not.
"""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from own_plugins import (
    FRAMES,
    REQUEST,
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
from reverdict.schema.build import read_build
from reverdict.words import BuildIdentity
from test_build_pages import shown

pytestmark = pytest.mark.skipif(bool(lack("vst3")), reason=lack("vst3"))


@pytest.fixture(scope="session")
def plugins(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return compile_into(tmp_path_factory.mktemp("vst3"), "vst3")


@pytest.fixture
def work():
    with working_folder() as folder:
        yield folder


def vst3_build(folder: Path, plugin: str = "Spring", preset: str = "", **more: Any) -> Build:
    ports = more.pop("inputs", ()), more.pop("outputs", ())
    file = more.pop("file", "spring.vst3")
    parameters = {"Delay": 5.0, **more.pop("parameters", {})}
    identity = BuildIdentity("spring", "1", "vst3")
    plain = Build(identity, "vst3", folder, plugin=Plugin(file, plugin, preset, *ports), parameters=parameters)
    return replace(plain, **{"limits": Limits(20.0), **more})


def test_a_spring_sounds_as_its_closed_form(plugins: Path, work: Path) -> None:
    output = played(vst3_build(plugins), work)
    assert_sounds(output, spring(noise()))
    assert (output.latency_samples, output.latency_at_end, output.can_reset, output.can_move) == (0, 0, True, True)


@pytest.mark.parametrize("sizes", [(1,), (17,), (3, 64, 1), (FRAMES,)])
@pytest.mark.parametrize("channels", ["mono", "stereo-to-stereo"])
def test_blocks_of_any_size_sound_alike(sizes: tuple[int, ...], channels: str, plugins: Path, work: Path) -> None:
    """Growing blocks, too, at which the library would forget the sound."""
    request = replace(REQUEST, channels=channels)
    output = played(vst3_build(plugins), work, replace(request, block_size=max(sizes)), block_sizes=sizes)
    np.testing.assert_array_equal(output.samples, played(vst3_build(plugins), work, request).samples)


@pytest.mark.parametrize("latency", [1, 321, 16000])
def test_latency_is_told_and_taken_out(latency: int, plugins: Path, work: Path) -> None:
    """Of the longest, the library drops a part."""
    build = vst3_build(plugins, parameters={"Latency": latency})
    late = played(build, work)
    assert_sounds(late, spring(noise()))
    assert (late.latency_samples, late.latency_at_end) == (latency, latency)
    rendering = render(build, REQUEST, work)
    assert isinstance(rendering, Rendered)
    assert rendering.notes == (f"reports a latency of {latency} samples, which was taken out",)


def test_a_latency_that_changes_shows(plugins: Path, work: Path) -> None:
    changed = played(vst3_build(plugins), work, changes=((1024, "Latency", 200),))
    assert (changed.latency_samples, changed.latency_at_end) == (0, 200)


def test_a_plugin_without_mono_is_fed_on_both_inputs(plugins: Path, work: Path) -> None:
    assert_sounds(played(vst3_build(plugins, "Wide Spring"), work), spring(noise()))
    assert_sounds(played(vst3_build(plugins, "Wide Spring", outputs=("right",)), work), spring(noise(), 5.5))
    left_fed = played(vst3_build(plugins, inputs=("left",), outputs=("right",)), work)
    assert not left_fed.samples.any()
    with pytest.raises(BadInput, match=r'build.ports.outputs: no audio output "wet"; there are 1, 2'):
        render(vst3_build(plugins, outputs=("wet",)), REQUEST, work)


def test_stereo(plugins: Path, work: Path) -> None:
    heard = noise(2)
    output = played(vst3_build(plugins), work, replace(REQUEST, channels="stereo-to-stereo"), samples=heard)
    assert_sounds(output, np.vstack([spring(heard[:1]), spring(heard[1:], 5.5)]))
    output = played(vst3_build(plugins), work, replace(REQUEST, channels="mono-to-stereo"), samples=heard[:1])
    assert_sounds(output, np.vstack([spring(heard[:1]), spring(heard[:1], 5.5)]))


@pytest.mark.parametrize(
    ("parameters", "gain", "delay_ms"),
    [
        ({"Reflection": 0.0}, 1.0, 5.0),
        ({"delay_ms": 7.5, "reflection": 0}, 1.0, 7.5),
        ({"Mode": "inverted", "Reflection": 0}, -1.0, 5.0),
    ],
)
def test_parameters_by_name(
    parameters: dict[str, Any], gain: float, delay_ms: float, plugins: Path, work: Path
) -> None:
    given = parameters if "delay_ms" in parameters else {"Delay": 5.0, **parameters}
    output = played(replace(vst3_build(plugins), parameters=given), work)
    assert_sounds(output, gain * spring(noise(), delay_ms, 0.0))


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ({"Dely": 1}, 'build.parameters: no parameter "Dely"; did you mean Delay? there are Delay, Reflection, Mode, '),
        ({"Delay": 500}, "build.parameters.Delay: 500 is out of range, 0 to 100"),
        ({"Delay": "long"}, 'build.parameters.Delay: is the text "long", needs a number, 0 to 100'),
        ({"Mode": "upside"}, 'build.parameters.Mode: no choice "upside"; there are Plain, Inverted'),
    ],
)
def test_a_parameter_that_cannot_be_set(parameters: dict[str, Any], said: str, plugins: Path, work: Path) -> None:
    with pytest.raises(BadInput, match=re.escape(said)):
        render(vst3_build(plugins, parameters=parameters), REQUEST, work)


def test_a_parameter_moves_and_a_reset_forgets(plugins: Path, work: Path) -> None:
    heard = noise()
    moved = played(vst3_build(plugins), work, changes=((1234, "Mode", "Inverted"), (1700, "Mode", "Plain")))
    expected = spring(heard)
    expected[:, 1234:1700] *= -1.0
    assert_sounds(moved, expected)
    cleared = played(vst3_build(plugins), work, changes=((1500, "", 0.0),))
    assert_sounds(cleared, np.hstack([spring(heard[:, :1500]), spring(heard[:, 1500:])]))


def test_a_preset_is_loaded_before_parameters_are_set(plugins: Path, work: Path, tmp_path: Path) -> None:
    shutil.copytree(plugins, tmp_path, dirs_exist_ok=True)
    save_preset(tmp_path, "vst3", "dry.vstpreset")
    output = played(vst3_build(tmp_path, preset="dry.vstpreset", parameters={"Mode": "Plain"}), work)
    assert_sounds(output, spring(noise(), 5.0, 0.25))
    (tmp_path / "other.vstpreset").write_text("a preset", encoding="utf-8")
    for preset, said in (("wet.vstpreset", "no such file"), ("other.vstpreset", "the plug-in does not load it")):
        with pytest.raises(BadInput, match=f"build.preset: {preset}: {said}"):
            render(vst3_build(tmp_path, preset=preset), REQUEST, work)


@pytest.mark.parametrize(
    ("file", "plugin", "said"),
    [
        ("sprung.vst3", "", "build.file: sprung.vst3: no such file; is it built, and its name right?"),
        ("nothing.vst3", "", "nothing.vst3: does not load as a VST3 plug-in of this system"),
        ("spring.vst3", "", "build.plugin: which one is meant? {} has Spring, Wide Spring"),
        ("spring.vst3", "Sprung", 'build.plugin: no plug-in "Sprung"; did you mean Spring? there are Spring, '),
    ],
)
def test_files_and_plugins_that_are_not_there(file: str, plugin: str, said: str, plugins: Path, work: Path) -> None:
    with pytest.raises(BadInput, match=re.escape(said.format(plugins / file))):
        render(vst3_build(plugins, plugin, file=file), REQUEST, work)


def test_without_the_library(plugins: Path, work: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "pedalboard.py").write_text("raise ImportError", encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), os.environ.get("PYTHONPATH", "")]))
    with pytest.raises(BadInput, match=r"build.kind: VST3 plug-ins need .* -m pip install '?pedalboard"):
        render(vst3_build(plugins), REQUEST, work)


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("Segfault", "died by SIGSEGV (segmentation fault)"),
        ("Abort", "died by SIGABRT (aborted)"),
        ("NaN", "samples are not finite"),
        ("Display", "ended with status 1: error: cannot open a display"),
        ("Endless", "did not finish within 2 s and was stopped"),
    ],
)
def test_a_fault_is_told(fault: str, said: str, plugins: Path, work: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    assert said in reason_of(
        vst3_build(plugins, parameters={"Fault": fault}, limits=Limits(2.0 if fault == "Endless" else 20.0)), work
    )


def test_the_build_of_the_page(plugins: Path, work: Path, tmp_path: Path) -> None:
    shutil.copytree(plugins, tmp_path, dirs_exist_ok=True)
    save_preset(tmp_path, "vst3", "bright.vstpreset", "Wide Spring")
    (tmp_path / "spring.toml").write_text(shown("VST3")[0], encoding="utf-8")
    output = played(read_build(tmp_path / "spring.toml"), work)
    assert_sounds(output, -spring(noise(), 44.0, 0.7))
