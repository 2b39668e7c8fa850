"""Programs that stream: raw floats on standard input and output, beside the same sound through files."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import packaged
from reverdict.errors import BadInput
from reverdict.render import Build, Failure, Limits, Rendered, Request, render, working_folder
from reverdict.render.timing import open_timer
from reverdict.schema.build import read_build
from reverdict.sound import read_floats, read_sound, write_floats, write_sound
from reverdict.words import BuildIdentity

REQUEST = Request("tank", rate_hz=8000, block_size=64, seconds=0.5, preroll_s=0.1)
LIMITS = Limits(seconds=60.0)
needs_cc = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler")
needs_sox = pytest.mark.usefixtures("sox")

C_COMB = r"""
/* y[n] = x[n] + gain y[n - delay] in every channel, in blocks */
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    int channels = atoi(argv[1]), delay = atoi(argv[2]), frames = atoi(argv[3]), at = 0;
    float gain = atof(argv[4]), *block = calloc(frames * channels, 4), *line = calloc(delay * channels, 4);
    size_t count;
    fprintf(stderr, "%d channels in blocks of %d\n", channels, frames);
    while ((count = fread(block, 4 * channels, frames, stdin)) > 0) {
        for (size_t n = 0; n < count * channels; n++) {
            line[at] = block[n] += gain * line[at];
            at = (at + 1) % (delay * channels);
        }
        fwrite(block, 4 * channels, count, stdout);
    }
    return argc != 5;
}
"""

PYTHON_COMB = """
import array, sys

channels, delay, frames, gain = int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
line, at = [0.0] * (delay * channels), 0
while block := sys.stdin.buffer.read(4 * channels * frames):
    samples = array.array("f", block)
    for n, x in enumerate(samples):
        line[at] = samples[n] = x + gain * line[at]
        at = (at + 1) % len(line)
    sys.stdout.buffer.write(samples.tobytes())
"""

ARGUMENTS = ("{input_channels}", "{parameters.delay}", "{block_size}", "{parameters.gain}")
PARAMETERS = {"delay": 250, "gain": 0.5}


@pytest.fixture
def work() -> Iterator[Path]:
    with working_folder() as folder:
        yield folder


def raw_build(folder: Path, *argv: str) -> Build:
    identity = BuildIdentity("streaming", "1", "command")
    return Build(identity, "command", folder, argv, exchange="raw", parameters=PARAMETERS, limits=LIMITS)


def c_build(folder: Path) -> Build:
    (folder / "comb.c").write_text(C_COMB)
    build = raw_build(folder, "{work}/comb", *ARGUMENTS)
    return replace(build, prepare=("cc", "-O1", "-o", "{work}/comb", "comb.c"))


def python_build(folder: Path) -> Build:
    (folder / "comb.py").write_text(PYTHON_COMB)
    return raw_build(folder, sys.executable, "-S", "comb.py", *ARGUMENTS)


def response_of(build: Build, work: Path, request: Request = REQUEST) -> np.ndarray:
    rendering = render(build, request, work)
    assert isinstance(rendering, Rendered), rendering
    return rendering.response.samples


COMBS = [pytest.param(c_build, marks=needs_cc, id="C"), pytest.param(python_build, id="Python")]


@pytest.mark.parametrize("block_size", [1, 64, 441, 100_000])
@pytest.mark.parametrize("comb", COMBS)
def test_a_streaming_comb_gives_its_closed_form(comb, block_size, tmp_path, work):
    """y[n] = x[n] + g y[n − M] answers a click with g^k at k M (derived)."""
    expected = np.zeros(4000)
    expected[::250] = 0.5 ** np.arange(16)
    samples = response_of(comb(tmp_path), work, replace(REQUEST, block_size=block_size))
    np.testing.assert_array_equal(samples[0], expected)


@pytest.mark.parametrize("comb", COMBS)
def test_channels_are_interleaved(comb, tmp_path, work):
    rendering = render(comb(tmp_path), replace(REQUEST, channels="stereo-to-stereo"), work)
    assert isinstance(rendering, Rendered)
    assert rendering.notes == ("left→right is silent", "right→left is silent")
    left, _, _, right = rendering.response.samples
    assert left[[0, 250, 500]].tolist() == right[[0, 250, 500]].tolist() == [1.0, 0.5, 0.25]


def test_a_mono_program_gives_stereo_out_of_the_number_of_channels(tmp_path, work):
    doubling = (
        "import sys; x = sys.stdin.buffer.read(); "
        "[sys.stdout.buffer.write(int(sys.argv[1]) * x[n:n + 4]) for n in range(0, len(x), 4)]"
    )
    build = raw_build(tmp_path, sys.executable, "-S", "-c", doubling, "{output_channels}")
    samples = response_of(build, work, replace(REQUEST, channels="mono-to-stereo"))
    assert samples.shape == (2, 4000)
    assert samples[:, 0].tolist() == [1.0, 1.0]


@needs_cc
def test_the_cost_of_a_streaming_program_is_timed(tmp_path, work):
    with open_timer(c_build(tmp_path), REQUEST, work) as timer:
        seconds = timer.seconds_per_sample()
        assert timer.why_not == ""
    assert seconds is not None
    assert 1e-11 < seconds < 1e-5


@pytest.fixture
def sox(monkeypatch: pytest.MonkeyPatch) -> None:
    packaged.let_find(monkeypatch)
    packaged.skip_without_program("sox", "sox")


SOX = "sox -D -V1"
FREEVERB_SHORTEST_COMB = 1116
"""Samples at 44.1 kHz; sox uses the constants of Freeverb (tuning.h), scaled by room-scale, here 100 %."""


def sox_build(folder: Path, exchange: str, effect: str) -> Build:
    raw = ("-t", "f32", "-r", "{sample_rate}", "-c")
    argv = {
        "raw": (*raw, "{input_channels}", "-", *raw, "{output_channels}", "-"),
        "wav": ("{input}", "-e", "floating-point", "-b", "32", "-c", "{output_channels}", "{output}"),
    }[exchange]
    return replace(raw_build(folder, *SOX.split(), *argv, *effect.split()), exchange=exchange)


@needs_sox
@pytest.mark.parametrize("exchange", ["raw", "wav"])
def test_a_reverb_from_a_package_sounds_when_its_first_comb_does(exchange, tmp_path, work):
    request = replace(REQUEST, rate_hz=44100, seconds=1.0, channels="mono-to-stereo")
    build = sox_build(tmp_path, exchange, "reverb -w 50 50 100 100 0 0")
    samples = response_of(build, work, request)
    assert samples.shape == (2, 44100)
    heard = np.abs(samples).max(axis=0) > 1e-4 * np.abs(samples).max()
    assert int(np.argmax(heard)) == FREEVERB_SHORTEST_COMB


@needs_sox
@pytest.mark.parametrize("channels", ["mono", "stereo-to-stereo"])
def test_both_ways_of_exchange_give_the_same_sound(channels, tmp_path, work):
    """SoX works in 32-bit integers, the files hold floats of 24 bits."""
    request = replace(REQUEST, rate_hz=48000, seconds=1.0, channels=channels)
    effect = "echos 0.8 0.7 70 0.25 63 0.3"
    raw, wav = (response_of(sox_build(tmp_path, exchange, effect), work, request) for exchange in ("raw", "wav"))
    np.testing.assert_array_equal(raw, wav)
    assert np.count_nonzero(np.abs(raw[0]) > 0.01) >= 3


@needs_sox
def test_the_example_of_the_page_renders(tmp_path, work):
    readme = (Path(__file__).parents[1] / "checks" / "BUILDS.md").read_text(encoding="utf-8")
    (example,) = [text for text in re.findall("```toml\n(.*?)```", readme, re.S) if '"f32"' in text]
    (tmp_path / "build.toml").write_text(example)
    build = read_build(tmp_path / "build.toml")
    for channels in ("mono", "mono-to-stereo", "stereo-to-stereo"):
        assert response_of(build, work, replace(REQUEST, rate_hz=48000, channels=channels)).any()


# Slips


@pytest.mark.parametrize("name", ["input", "output"])
def test_files_have_no_place_in_raw_exchange(name, tmp_path, work):
    build = replace(raw_build(tmp_path, "cat", f"{{{name}}}"), source=tmp_path / "build.toml")
    told = (
        f'{tmp_path}/build.toml: build.argv: {{{name}}} with exchange = "raw", where sound goes by standard input and '
        "output; leave one of them out"
    )
    with pytest.raises(BadInput, match=f"^{re.escape(told)}$"):
        render(build, REQUEST, work)


def test_a_program_without_files_is_told_of_raw_exchange(tmp_path, work):
    with pytest.raises(BadInput, match=r'no \{input\}, so the program .*; exchange = "raw" if it streams$'):
        render(replace(raw_build(tmp_path, "cat"), exchange="wav"), REQUEST, work)


def test_the_toml_asks_for_it_and_sets_the_limits(tmp_path, work):
    path = tmp_path / "build.toml"
    path.write_text(
        '[build]\nname = "cat"\nversion = "1"\nkind = "command"\nargv = ["cat"]\nexchange = "raw"\n'
        "[build.limits]\nseconds = 5\nmemory_mb = 512\nfile_mb = 20\nprocesses = 3\n"
    )
    build = read_build(path)
    assert build.limits == Limits(5.0, 512, 20, 3)
    assert response_of(build, work)[0, 0] == 1.0
    for slip, told in (
        ('exchange = "row"', "wav"),
        ("file_mb = 0", "file_mb"),
        ("processes = 0", "processes"),
        ("disk_mb = 9", "disk_mb"),
    ):
        key = slip.partition(" ")[0].replace("disk", "file")
        path.write_text(re.sub(rf"^{key} = .*$", slip, path.read_text(), flags=re.M))
        with pytest.raises(BadInput, match=told):
            read_build(path)


# What is told of raw sound that does not add up


def told_of(script: str, folder: Path, work: Path, channels: str = "mono") -> str:
    build = raw_build(folder, sys.executable, "-S", "-c", f"import sys; x = sys.stdin.buffer.read(); {script}")
    rendering = render(build, replace(REQUEST, channels=channels), work)
    return rendering.reason if isinstance(rendering, Failure) else "; ".join(rendering.notes)


@pytest.mark.parametrize(
    ("script", "channels", "told"),
    [
        ("w(x)", "mono-to-stereo", "standard output holds as many samples as 1 channel would, needs 2"),
        ("w(3 * x)", "mono", "standard output holds as many samples as 3 channels would, needs 1"),
        ("w(x[:9600])", "mono", "output stops after 0.30 s, needs 0.60 s"),
        ("w(x + x[:800])", "mono", "output is longer than asked, 0.625 s; the rest was cut off"),
        ("w(x[:-1])", "mono", "standard output holds 19199 bytes, which are no whole frames of 4 bytes"),
        ("w(2 * x + x[:4])", "mono-to-stereo",
         "standard output holds 38404 bytes, which are no whole frames of 2 floats, 4 bytes each"),
        ("w(b'loading\\n' + x)", "mono", "standard output holds text: 'loading'; log to standard error"),
        ("w(x + b'bye.')", "mono", "standard output holds text: 'bye.'; log to standard error"),
        ("w(b'loading ' + x[8:])", "mono", "standard output holds text: 'loading'; log to standard error"),
        ("w(b'y\\n' * 9600)", "mono", "output is silent (peak below −120 dB of the click)"),
        ("w(b'text without end, ' * 2000)", "mono",
         ("standard output holds text: 'text without end, text without end, text without end, text w…'; "
         "log to standard error")),
        ("sys.stderr.write('all well')\nw(x)", "mono", ""),
    ],
)  # fmt: skip
def test_raw_sound_that_does_not_add_up(script, channels, told, tmp_path, work):
    assert told_of(f"w = sys.stdout.buffer.write\n{script}", tmp_path, work, channels) == told


def test_all_processes_of_a_program_append_to_its_output(tmp_path, work):
    """As to a pipe: two that write in turns do not overwrite each other."""
    script = (
        "sys.stdout.buffer.write(x[:8000]); sys.stdout.flush(); "
        "import subprocess; subprocess.run(['cat'], input=x[8000:])"
    )
    assert told_of(script, tmp_path, work) == ""


def test_sound_is_never_taken_for_text(tmp_path):
    """Noise of odd lengths, where text is looked for: bytes that happen to be letters are no text."""
    from reverdict.render.command import _text_in

    random = np.random.default_rng(4)
    for level in (1e-3, 0.1, 1.0, 100.0):
        write_floats(tmp_path / "noise.f32", level * np.abs(random.standard_normal((1, 500_000))))
        assert _text_in(tmp_path / "noise.f32") == ""


# Reading and writing


def test_floats_come_back_as_they_were_written(tmp_path):
    samples = np.random.default_rng(1).standard_normal((3, 200_000)).astype(np.float32)
    write_floats(tmp_path / "x.f32", samples)
    assert (tmp_path / "x.f32").read_bytes() == samples.T.astype("<f4").tobytes()
    np.testing.assert_array_equal(read_floats(tmp_path / "x.f32", 3), samples)


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_sound_is_the_same_in_blocks(suffix, tmp_path):
    """Beside the library's own reading and writing in one piece."""
    import soundfile

    path, samples = tmp_path / f"x.{suffix}", 0.1 * np.random.default_rng(1).standard_normal((2, 200_001))
    write_sound(path, samples, 48000, "PCM_24")
    soundfile.write(tmp_path / f"y.{suffix}", samples.T, 48000, subtype="PCM_24")
    assert path.read_bytes() == (tmp_path / f"y.{suffix}").read_bytes()
    np.testing.assert_array_equal(read_sound(path)[0], soundfile.read(path)[0].T)


MEASURE = """
import re, resource, sys
from pathlib import Path
from reverdict import sound

def peak_mb():
    return int(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1]) / 1024

import soundfile
before = peak_mb()
path, channels = Path(sys.argv[1]), int(sys.argv[2])
samples = sound.read_floats(path, channels) if path.suffix == ".f32" else sound.read_sound(path)[0]
print(peak_mb() - before, samples.nbytes / 2**20)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="memory is read from /proc")
@pytest.mark.parametrize("suffix", ["f32", "wav"])
@pytest.mark.parametrize("seconds", [6, pytest.param(60, marks=pytest.mark.slow)])
def test_eight_channels_at_192_khz_are_held_once(seconds, suffix, tmp_path):
    import soundfile

    path = tmp_path / f"x.{suffix}"
    second = 0.1 * np.random.default_rng(1).standard_normal((192000, 8)).astype("<f4")
    if suffix == "f32":
        with path.open("wb") as file:
            for _ in range(seconds):
                file.write(second.tobytes())
    else:
        with soundfile.SoundFile(path, "w", 192000, 8, "FLOAT") as file:
            for _ in range(seconds):
                file.write(second)
    argv = [sys.executable, "-c", MEASURE, str(path), "8"]
    said = subprocess.run(argv, capture_output=True, text=True, check=True).stdout
    used_mb, held_mb = map(float, said.split())
    print(f"{seconds} s of 8 channels at 192 kHz, {suffix}: {held_mb:.0f} MB of samples, {used_mb:.0f} MB at the peak")
    assert held_mb == pytest.approx(seconds * 8 * 192000 * 8 / 2**20)
    assert used_mb < held_mb + 24
