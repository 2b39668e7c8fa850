"""Builds that are shared libraries: the C and the C++ spring against a closed form, and what a library may do wrong."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reverdict.errors import BadInput
from reverdict.render import Build, Failure, Limits, Played, Rendered, Request, Stimulus, play, render, working_folder
from reverdict.render.build import Plugin
from reverdict.render.preparing import HEADERS
from reverdict.render.worker import split
from reverdict.words import BuildIdentity

RATE_HZ = 48000
REQUEST = Request("spring", rate_hz=RATE_HZ, block_size=512, seconds=0.4, preroll_s=0.1)
EXAMPLES = Path(__file__).with_name("examples")
LIMITS = Limits(seconds=30.0, memory_mb=2048)
COMPILERS = {"spring.c": "cc", "spring.cpp": "c++"}

pytestmark = pytest.mark.skipif(
    not all(map(shutil.which, COMPILERS.values())), reason="needs a C and a C++ compiler (cc, c++)"
)

FAULTY = """
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include "reverb.h"
typedef struct { int largest, delay, played; float held[4096]; } R;
void *reverb_open(double rate, int in, int out, int largest) {
    (void)rate; (void)in; (void)out;
    R *r = calloc(1, sizeof *r);
    r->largest = largest;
    return r;
}
int reverb_set(void *v, const char *name, double value) { (void)v; (void)value; return strcmp(name, "mix") != 0; }
void reverb_process(void *v, const float *const *in, float *const *out, int frames) {
    R *r = v;
    for (int n = 0; n < frames; n++) out[0][n] = in[0][n];
    FAULT
    r->played += frames;
}
void reverb_reset(void *v) { (void)v; }
void reverb_close(void *v) { CLOSING free(v); }
MORE
"""


def compiled(folder: Path, source: Path, *options: str) -> Path:
    library = folder / f"lib{source.stem}-{source.suffix[1:]}.so"
    compiler = COMPILERS["spring.cpp" if source.suffix == ".cpp" else "spring.c"]
    asked = [compiler, "-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", f"-I{HEADERS}", *options]
    subprocess.run([*asked, "-o", library, source, "-lm"], check=True)
    return library


@pytest.fixture(scope="module")
def examples(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("libraries")
    return {name: compiled(folder, EXAMPLES / name) for name in COMPILERS}


@pytest.fixture
def work():
    with working_folder() as folder:
        yield folder


def library_build(file: Path, **more: object) -> Build:
    identity = BuildIdentity("spring", "1", "library")
    return replace(Build(identity, "library", file.parent, plugin=Plugin(str(file)), limits=LIMITS), **more)


def faulty(folder: Path, fault: str = "", closing: str = "", more: str = "") -> Build:
    source = folder / "faulty.c"
    source.write_text(FAULTY.replace("FAULT", fault).replace("CLOSING", closing).replace("MORE", more))
    return library_build(compiled(folder, source))


def spring_in_closed_form(sections: int, coefficient: float, reflection: float, trip: int, samples: int):
    """H = sum over trips n of g^(n-1) (z^-D A(z)^N)^n with A = (a + z^-1)/(1 + a z^-1): the series of the loop."""
    size = 8 * samples  # what wraps round has died away to g^(8 samples / D)
    delay = np.exp(-2j * np.pi * np.fft.rfftfreq(size))
    once = delay**trip * ((coefficient + delay) / (1 + coefficient * delay)) ** sections
    return np.fft.irfft(once / (1 - reflection * once), size)[:samples]


@pytest.mark.parametrize("name", COMPILERS)
def test_the_example_springs_are_what_theory_says(examples: dict[str, Path], work: Path, name: str) -> None:
    parameters = {"trip_ms": 25.0, "sections": 30, "coefficient": 0.5, "reflection": -0.7}
    rendering = render(library_build(examples[name], parameters=parameters), REQUEST, work)
    assert isinstance(rendering, Rendered)
    expected = spring_in_closed_form(30, 0.5, -0.7, 1200, REQUEST.response_samples)
    # The library hands on 32-bit floats: half a unit in the last place of the largest sample.
    assert np.abs(rendering.response.samples[0] - expected).max() < 2.0**-24


def test_c_and_c_plus_plus_give_the_same(examples: dict[str, Path], work: Path) -> None:
    request = replace(REQUEST, channels="stereo-to-stereo", parameters={"sections": 12})
    one, other = (render(library_build(file), request, work) for file in examples.values())
    assert isinstance(one, Rendered)
    assert isinstance(other, Rendered)
    assert np.array_equal(one.response.samples, other.response.samples)


def test_sound_is_cut_into_the_blocks_that_are_asked() -> None:
    assert list(split(12, [1, 4], [])) == [(0, 1), (1, 5), (5, 6), (6, 10), (10, 11), (11, 12)]
    # And where something changes, which a block of the next size follows.
    assert list(split(12, [5], [0, 3, 8])) == [(0, 3), (3, 8), (8, 12)]
    assert list(split(3, [1000], [7])) == [(0, 3)]


@pytest.mark.parametrize("blocks", [(1,), (17,), (64,), (512,), (1, 511, 64, 7)])
def test_block_sizes_change_nothing(examples: dict[str, Path], work: Path, blocks: tuple[int, ...]) -> None:
    noise = np.random.default_rng(3).normal(0, 0.1, (1, 6000))
    build = library_build(examples["spring.c"])
    whole, cut = play(build, replace(REQUEST, block_size=6000), [Stimulus(noise), Stimulus(noise, blocks)], work)
    assert isinstance(whole, Played)
    assert isinstance(cut, Played)
    assert np.abs(whole.samples).max() > 0.1
    assert np.array_equal(whole.samples, cut.samples)


@pytest.mark.parametrize("name", COMPILERS)
def test_a_reset_and_a_moved_parameter_happen_at_their_sample(examples: dict[str, Path], work: Path, name: str) -> None:
    noise = np.random.default_rng(4).normal(0, 0.1, (1, 8000))
    noise[0, 4000:] = 0.0
    build = library_build(examples[name])
    changes = [((4000, "", 0),), ((4000, "reflection", 0.1),), ((4500, "", 0), (4500, "trip_ms", 20.0))]
    plain, *changed = play(build, REQUEST, [Stimulus(noise), *(Stimulus(noise, changes=c) for c in changes)], work)
    assert plain.can_reset
    assert plain.can_move
    assert np.abs(plain.samples[0, 4000:]).max() > 0.01
    for played, ((at, *_), *_) in zip(changed, changes, strict=True):
        assert np.array_equal(played.samples[0, :at], plain.samples[0, :at])
        assert not np.array_equal(played.samples[0, at:], plain.samples[0, at:])
    assert not changed[0].samples[0, 4000:].any()


def test_two_instances_run_beside_each_other(examples: dict[str, Path], work: Path) -> None:
    click = np.zeros((1, 5000))
    click[0, 10] = 0.5
    noise = np.random.default_rng(5).normal(0, 0.3, (1, 5000))
    alone, beside = play(
        library_build(examples["spring.c"]), REQUEST, [Stimulus(click), Stimulus(click, beside=noise)], work
    )
    assert np.array_equal(alone.samples, beside.samples)


def test_blocks_are_timed(examples: dict[str, Path], work: Path) -> None:
    (played,) = play(library_build(examples["spring.c"]), REQUEST, [Stimulus(np.zeros((1, 1200)), timed=True)], work)
    assert played.cpu_s.shape == (2, 3)
    assert list(played.cpu_s[0]) == [512, 1024, 1200]
    assert (played.cpu_s[1] > 0).all()


def test_a_reported_latency_is_taken_out_and_told(tmp_path: Path, work: Path) -> None:
    """The library delays by 100 samples and says so: what comes back is in step, to the last sample."""
    late = (
        "for (int n = 0; n < frames; n++) { float x = in[0][n]; out[0][n] = r->held[r->delay]; r->held[r->delay] = x;"
    )
    build = faulty(
        tmp_path,
        late + " r->delay = (r->delay + 1) % 100; }",
        more="int reverb_latency(void *v) { return v != 0 ? 100 : 0; }",
    )
    noise = np.random.default_rng(6).normal(0, 0.1, (1, 3000))
    (played,) = play(build, REQUEST, [Stimulus(noise, (64, 3))], work)
    assert played.latency_samples == 100
    assert np.array_equal(played.samples, noise.astype(np.float32))
    rendering = render(build, REQUEST, work)
    assert rendering.notes == ("reports a latency of 100 samples, which was taken out",)
    assert rendering.response.samples[0, 0] == 1.0


def test_the_failure_of_one_stimulus_is_not_that_of_the_next(tmp_path: Path, work: Path) -> None:
    build = faulty(tmp_path, "if (in[0][0] > 0.9f) abort();")
    loud, soft = np.full((1, 100), 0.95), np.full((1, 100), 0.1)
    one, two, three, four = play(build, REQUEST, [Stimulus(s) for s in (soft, loud, soft, loud)], work)
    assert isinstance(one, Played)
    assert isinstance(three, Played)
    assert np.allclose(three.samples, 0.1)
    assert two == four == Failure("died by SIGABRT (aborted)")


@pytest.mark.parametrize(
    ("fault", "closing", "more", "told"),
    [
        ("*(volatile int *)(size_t)r->played = 1;", "", "", r"died by SIGSEGV \(segmentation fault\)"),
        ("", "abort();", "", r"died by SIGABRT \(aborted\)"),
        ("if (r->played > 9000) out[0][3] = (float)NAN;", "", "", "samples are not finite, first at sample 9219"),
        ("for (int n = 0; n < frames; n++) out[0][n] = 0;", "", "", "output is silent"),
        ("if (frames == r->largest) out[0][frames] = 0;", "", "", "reverb_process writes outside of its buffers"),
        ("out[0][-1] = 0;", "", "", "reverb_process writes outside of its buffers"),
        ("for (;;) r->delay++;", "", "", "did not finish within 1 s and was stopped"),
        (
            "",
            "",
            "int reverb_latency(void *v) { (void)v; return -3; }",
            "reports a latency of -3 samples, which cannot",
        ),
        ("exit(0);", "", "", "ended before it handed on its output"),
    ],
)
def test_what_a_library_does_wrong_is_told(
    tmp_path: Path, work: Path, fault: str, closing: str, more: str, told: str
) -> None:
    build = replace(faulty(tmp_path, fault, closing, more), limits=Limits(1.0 if "for (;;)" in fault else 30.0, 2048))
    rendering = render(build, REQUEST, work)
    assert isinstance(rendering, Failure)
    assert re.search(told, rendering.reason), rendering.reason


def test_what_it_does_not_write_is_told(tmp_path: Path, work: Path) -> None:
    build = faulty(tmp_path)
    source = (tmp_path / "faulty.c").read_text().replace("n < frames; n++) out", "n < frames - 1; n++) out")
    (tmp_path / "faulty.c").write_text(source)
    compiled(tmp_path, tmp_path / "faulty.c")
    rendering = render(build, REQUEST, work)
    assert isinstance(rendering, Failure)
    assert rendering.reason == "leaves sample 511 of a block of 512 unwritten, or adds to what stood there"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            {"parameters": {"sectoins": 3}},
            'build.parameters: no parameter "sectoins"; did you mean sections? there are trip_ms, ',
        ),
        ({"parameters": {"reflection": 2.0}}, "build.parameters.reflection: the library refuses 2.0"),
        ({"parameters": {"program": "hall"}}, 'build.parameters.program: is the text "hall", and the library has no '),
        ({"plugin": Plugin("nowhere/libspring.so")}, "libspring.so: no such file; is it built, and its name right?"),
        ({"plugin": Plugin("libspring.so")}, "build.file: libspring.so: no such file"),
    ],
)
def test_slips_in_the_toml_of_a_library(
    examples: dict[str, Path], work: Path, change: dict[str, object], told: str
) -> None:
    build = library_build(examples["spring.c"], source=Path("spring.toml"))
    with pytest.raises(BadInput) as caught:
        render(replace(build, **change), REQUEST, work)
    assert str(caught.value).startswith("spring.toml: build.")
    assert told in str(caught.value)


def test_a_library_without_the_functions_is_told_what_it_lacks(tmp_path: Path, work: Path) -> None:
    source = tmp_path / "none.c"
    source.write_text("int reverb_set(void) { return 0; }\n")
    with pytest.raises(
        BadInput, match=r"has no reverb_open, reverb_process, reverb_reset, reverb_close; in C\+\+ they"
    ):
        render(library_build(compiled(tmp_path, source)), REQUEST, work)
    (tmp_path / "text.so").write_text("no library")
    with pytest.raises(BadInput, match="does not load as a shared library: "):
        render(library_build(tmp_path / "text.so"), REQUEST, work)


def test_parameters_are_mapped_by_name(examples: dict[str, Path], work: Path) -> None:
    """A reference speaks of program and trip; the build calls one of them otherwise and has no word for the other."""
    asked = replace(REQUEST, parameters={"program": "spring", "trip": 20.0})
    names = {"trip": "trip_ms", "program": ""}
    mapped = render(library_build(examples["spring.c"], parameter_names=names), asked, work)
    own = render(library_build(examples["spring.c"], parameters={"trip_ms": 20.0}), REQUEST, work)
    assert np.array_equal(mapped.response.samples, own.response.samples)
    with pytest.raises(BadInput, match='no parameter "trip"; did you mean trip_ms'):
        render(library_build(examples["spring.c"], parameter_names={"program": ""}), asked, work)


A_MINUTE = """
import resource
import sys
from pathlib import Path

import numpy as np

from reverdict.render import Build, Request, Stimulus, play, working_folder
from reverdict.words import BuildIdentity

folder = Path(sys.argv[1])
build = Build(BuildIdentity("through", "1", "python"), "python", folder, object="through:Half")
samples = np.zeros((8, 60 * 192000))
samples[:, -1] = np.arange(8)
with working_folder() as work:
    (played,) = play(build, Request("minute", rate_hz=192000, seconds=60), [Stimulus(samples)], work)
assert list(played.samples[:, -1]) == list(np.arange(8) / 2), played
print(*(resource.getrusage(who).ru_maxrss >> 10 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)))
"""


@pytest.mark.slow
def test_a_minute_of_eight_channels_at_192_khz_is_held_twice_at_most(tmp_path: Path) -> None:
    """703 MB of sound in, 703 MB out, in double precision: mapped in the worker, held by the suite."""
    (tmp_path / "through.py").write_text(
        "class Half:\n    def __init__(self, sample_rate): pass\n    def process(self, block): return block / 2\n"
    )
    (tmp_path / "minute.py").write_text(A_MINUTE)
    ran = subprocess.run(
        [sys.executable, tmp_path / "minute.py", tmp_path], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    suite_mb, worker_mb = (int(text) for text in ran.stdout.split())
    assert max(suite_mb, worker_mb) < 2 * 703 + 150
