"""Kind ladspa against plug-ins of our own, in C: what a plug-in may do, and that nothing falls with it."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reverdict.errors import BadInput
from reverdict.render import Build, Failure, Limits, Rendered, Request, play, render, working_folder
from reverdict.render.build import Plugin, Stimulus
from reverdict.render.hosts.ladspa import RangeHint, default_of, range_of
from reverdict.words import BuildIdentity

TESTS = Path(__file__).parent

pytestmark = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler called cc")

REQUEST = Request("tank", rate_hz=8000, block_size=64, seconds=0.5, preroll_s=0.1)

SOURCE = """
#include <math.h>
#include <stdlib.h>
#include "ladspa_descriptor.h"
typedef struct { float *port[8]; float line[1000]; unsigned at, seen; } Reverb;
static const int kinds[] = {9, 9, 10, 10, 5, 5, 5, 6};
static const char *const names[] = {"Left In", "Right In", "Left Out", "Right Out", "Gain", "Cutoff (Hz)", "Mode",
                                    "latency"};
static const Hint hints[] = {{0}, {0}, {0}, {0}, {3 | 0x240, 0, 4}, {3 | 8 | 0xC0, 0, 0.5f}, {3 | 32 | 0x40, 0, 3},
                             {0}};
static void *instantiate(const Descriptor *d, unsigned long rate) {
    (void)d;
    return rate == 44100 ? NULL : calloc(1, sizeof(Reverb));
}
static void connect_port(void *r, unsigned long n, float *to) { ((Reverb *)r)->port[n] = to; }
static void activate(void *h) {
    Reverb *r = h;
    for (int n = 0; n < 1000; n++) r->line[n] = 0;
    r->at = r->seen = 0;
}
static void run(void *h, unsigned long frames) {
    Reverb *r = h;
    float *in = r->port[0], *in2 = r->port[1], *out = r->port[2], *out2 = r->port[3];
    float gain = *r->port[4], cutoff = *r->port[5], mode = *r->port[6];
    (void)cutoff;
    if (mode == 3) return;
    *r->port[7] = 0;
    for (unsigned long n = 0; n < frames; n++, r->seen++) {
        float x = in[n], y = r->line[r->at];
        r->line[r->at] = x + 0.5f * y;
        r->at = (r->at + 1) % 100;
        out[n] = gain * (x + y);
        out2[n] = 0.25f * in2[n];
    }
    BODY
}
static void cleanup(void *r) { free(r); }
static const Descriptor comb = {1, "comb", 0, "Comb", "test", "none", 8, kinds, names, hints, NULL, instantiate,
                                connect_port, activate, run, NULL, NULL, NULL, cleanup};
static const Descriptor dull = {2, "dull", 0, "Dull", "test", "none", 8, kinds, names, hints, NULL, instantiate,
                                connect_port, NULL, run, NULL, NULL, NULL, cleanup};
const Descriptor *ladspa_descriptor(unsigned long n) { return n == 0 ? &comb : n == 1 && MORE ? &dull : NULL; }
"""


def compiled(folder: Path, body: str = "", more: bool = False) -> Build:
    """A build of a comb, with a body of one's own at the end of run; with ``more``, its file has another plug-in."""
    source = folder / "comb.c"
    source.write_text(SOURCE.replace("BODY", body).replace("MORE", str(int(more))), encoding="utf-8")
    options = ["-O1", "-w", "-shared", "-fPIC", "-I", TESTS]
    subprocess.run(["cc", *options, "-o", folder / "comb.so", source, "-lm"], check=True)
    identity = BuildIdentity("comb", "1", "ladspa")
    limits = Limits(seconds=20.0, memory_mb=2048)
    toml = folder / "build.toml"
    return Build(identity, "ladspa", folder, plugin=Plugin("./comb.so"), limits=limits, source=toml)


@pytest.fixture(scope="module")
def comb(tmp_path_factory) -> Build:
    return compiled(tmp_path_factory.mktemp("comb"))


@pytest.fixture
def work():
    with working_folder() as folder:
        yield folder


def response_of(build: Build, work: Path, **request: Any) -> np.ndarray:
    rendering = render(build, replace(REQUEST, **request), work)
    assert isinstance(rendering, Rendered), rendering
    return rendering.response.samples


def reason_of(build: Build, work: Path, **request: Any) -> str:
    rendering = render(build, replace(REQUEST, **request), work)
    assert isinstance(rendering, Failure), rendering
    return rendering.reason


def slip_of(build: Build, work: Path, **request: Any) -> str:
    with pytest.raises(BadInput) as slip:
        render(build, replace(REQUEST, **request), work)
    return str(slip.value).removeprefix(f"{build.source}: ")


def test_parameters_and_ports_by_name_and_the_closed_form(comb, work):
    """y[n] = g (x[n] + c[n]), c[n] = x[n − 100] + 0.5 c[n − 100] (derived)."""
    expected = np.zeros(4000)
    expected[0] = 1.0
    expected[100::100] = 0.5 ** np.arange(39)
    np.testing.assert_array_equal(response_of(comb, work)[0], expected)
    for name in ("Gain", "gain", "GA"):
        louder = response_of(comb, work, parameters={name: 2})
        np.testing.assert_array_equal(louder[0], 2 * expected)
    # Both inputs hear the only channel, and one output is taken: the first, or the one that is named.
    other = replace(comb, plugin=replace(comb.plugin, outputs=("right",)))
    assert response_of(other, work)[0, 0] == 0.25
    paths = response_of(comb, work, channels="stereo-to-stereo")
    np.testing.assert_array_equal(paths[:, 0], [1.0, 0.0, 0.0, 0.25])
    crossed = replace(comb, plugin=replace(comb.plugin, inputs=("Right In", "Left In")))
    np.testing.assert_array_equal(response_of(crossed, work, channels="stereo-to-stereo")[:, 0], [0, 0.25, 1, 0])


@pytest.mark.parametrize("block_size", [1, 17, 64, 512, 100_000])
def test_blocks_of_any_size_give_the_same(block_size, comb, work):
    np.testing.assert_array_equal(response_of(comb, work, block_size=block_size), response_of(comb, work))


@pytest.mark.parametrize(
    ("parameters", "complaint"),
    [
        ({"Gian": 1}, 'build.parameters: no parameter "Gian"; did you mean Gain? there are Gain, Cutoff (Hz), Mode'),
        ({"Gain": 5}, "build.parameters.Gain: 5 is out of range, 0 to 4"),
        ({"Cutoff": 4001}, "build.parameters.Cutoff: 4001 is out of range, 0 to 4000"),
        ({"Mode": 1.5}, "build.parameters.Mode: 1.5 is not a whole number"),
        ({"Mode": "loud"}, 'build.parameters.Mode: is the text "loud", needs a number, 0 to 3'),
    ],
)
def test_slips_in_parameters_are_told_with_what_there_is(parameters, complaint, comb, work):
    assert slip_of(comb, work, parameters=parameters) == complaint


def test_slips_about_files_and_plugins(comb, tmp_path, work, monkeypatch):
    several = compiled(tmp_path, more=True)
    path = f"{tmp_path}/comb.so"
    assert slip_of(several, work) == f"build.plugin: which one is meant? {path} has comb, dull"
    missing = replace(several, plugin=Plugin("./comb.so", "cmob"))
    assert slip_of(missing, work) == 'build.plugin: no plug-in "cmob"; did you mean comb? there are comb, dull'
    preset = replace(several, plugin=Plugin("./comb.so", "comb", "Hall"))
    assert slip_of(preset, work) == "build.preset: LADSPA plug-ins have no presets"
    assert "no such file" in slip_of(replace(comb, plugin=Plugin("./cmb.so")), work)
    (tmp_path / "text.so").write_text("no library")
    assert "does not load as a LADSPA plug-in" in slip_of(replace(several, plugin=Plugin("./text.so")), work)
    # By name alone: beside the TOML first, then on the path.
    monkeypatch.setenv("LADSPA_PATH", str(tmp_path))
    elsewhere = replace(several, folder=work)
    assert response_of(replace(elsewhere, plugin=Plugin("comb", "dull")), work).any()
    complaint = slip_of(replace(elsewhere, plugin=Plugin("cmob.so")), work)
    where = f"build.file: no cmob.so beside the TOML, nor on LADSPA_PATH ({tmp_path})"
    assert complaint == f"{where}; did you mean comb.so?"


def test_blocks_larger_than_the_request_s_are_told_before(comb, work):
    samples = np.zeros((1, 1000))
    samples[0, 10] = 1.0
    odd, even = play(comb, REQUEST, [Stimulus(samples, block_sizes=(1, 511, 64)), Stimulus(samples)], work)
    assert not isinstance(odd, Failure), odd
    assert not isinstance(even, Failure), even
    np.testing.assert_array_equal(odd.samples, even.samples)


FAULTS = {
    "segfault": ("if (r->seen > 1000) *(volatile int *)0 = 1;", "died by SIGSEGV (segmentation fault)"),
    "abort": ("if (r->seen > 1000) abort();", "died by SIGABRT (aborted)"),
    "not finite": ("if (r->seen > 1000) out[0] = NAN;", "60 samples are not finite, first at sample 960 (0.120 s)"),
    "one too many": ("out[64] = 1;", "run writes outside of its buffers"),
    "one before": ("out[-1] = 1;", "run writes outside of its buffers"),
    "into the input's end": ("in[64] = 1;", "run writes outside of its buffers"),
    "endless": ("if (r->seen > 1000) for (;;);", "did not finish within 1 s and was stopped"),
    "latency": ("*r->port[7] = -3;", "reports a latency of -3 samples, which cannot be"),
    "latency that is none": ("*r->port[7] = NAN;", "reports a latency of nan samples"),
}


@pytest.mark.parametrize(("body", "reason"), FAULTS.values(), ids=FAULTS)
def test_a_faulty_plugin_is_named_plainly_and_the_next_render_works(body, reason, comb, tmp_path, work):
    faulty = compiled(tmp_path, body)
    if "did not finish" in reason:
        faulty = replace(faulty, limits=Limits(1.0, 2048))
    assert reason_of(faulty, work) == reason
    assert response_of(comb, work)[0, 0] == 1.0


def test_what_is_not_written_is_no_sound(comb, work):
    told = "leaves samples 0 to 63 of a block of 64 unwritten, or adds to what stood there"
    assert reason_of(comb, work, parameters={"Mode": 3}) == told


def test_a_plugin_that_cannot_be_made_or_has_too_few_ports(comb, work):
    assert reason_of(comb, work, rate_hz=44100) == "instantiate returned NULL at 44100 Hz"
    one = replace(comb, plugin=replace(comb.plugin, outputs=("Left Out",)))
    complaint = "build.ports.outputs: names 1 audio output, and the reference asks for 2"
    assert slip_of(one, work, channels="mono-to-stereo") == complaint


def test_a_latency_that_is_told_is_taken_out(tmp_path, work):
    delayed = compiled(
        tmp_path,
        "static float late[256]; static unsigned w; *r->port[7] = 40;"
        "for (unsigned long n = 0; n < frames; n++, w++) { late[w % 256] = out[n]; out[n] = late[(w + 216) % 256]; }",
    )
    rendering = render(delayed, REQUEST, work)
    assert isinstance(rendering, Rendered)
    assert rendering.notes == ("reports a latency of 40 samples, which was taken out",)
    np.testing.assert_array_equal(np.flatnonzero(rendering.response.samples[0])[:3], [0, 100, 200])


def test_reset_forgets_and_a_parameter_moves_while_it_runs(comb, tmp_path, work):
    samples = np.zeros((1, 1000))
    samples[0, 10] = 1.0
    changes = ((300, "Gain", 2.0), (450, "", 0.0))
    (played,) = play(comb, REQUEST, [Stimulus(samples, changes=changes)], work)
    assert not isinstance(played, Failure)
    assert (played.can_move, played.can_reset) == (True, True)
    echoes = {int(at): float(played.samples[0, at]) for at in np.flatnonzero(played.samples[0])}
    assert echoes == {10: 1.0, 110: 1.0, 210: 0.5, 310: 0.5, 410: 0.25}
    without = replace(compiled(tmp_path, more=True), plugin=Plugin("./comb.so", "dull"))
    (played,) = play(without, REQUEST, [Stimulus(samples)], work)
    assert not isinstance(played, Failure)
    assert not played.can_reset


LOW, MIDDLE, HIGH, LOG, INTEGER, BOTH, RATE = 0x80, 0xC0, 0x100, 16, 32, 3, 8


@pytest.mark.parametrize(
    ("bits", "low", "high", "default"),
    [
        (BOTH | 0x40, 2, 10, 2),
        (BOTH | LOW, 2, 10, 4),
        (BOTH | MIDDLE, 2, 10, 6),
        (BOTH | HIGH, 2, 10, 8),
        (BOTH | 0x140, 2, 10, 10),
        (BOTH | LOG | LOW, 1, 10000, 10),
        (BOTH | LOG | MIDDLE, 1, 10000, 100),
        (BOTH | LOG | HIGH, 1, 10000, 1000),
        (BOTH | LOG | MIDDLE, 0, 10, 5),
        (BOTH | INTEGER | LOW, 0, 10, 2),
        (BOTH | RATE | MIDDLE, 0, 0.5, 12000),
        (0x200, 0, 0, 0),
        (0x240, 0, 0, 1),
        (0x280, 0, 0, 100),
        (0x2C0, 0, 0, 440),
        (BOTH, 2, 10, 2),
        (BOTH, -10, -2, -2),
        (BOTH, -1, 1, 0),
        (0, 0, 0, 0),
        (4 | 0x140, 0, 0, 1),
    ],
)
def test_defaults_follow_the_hints(bits, low, high, default):
    """The rules are those of the standard's header; linear between bounds, or in their logarithms."""
    assert default_of(RangeHint(bits, low, high), 48000) == pytest.approx(default, rel=1e-12)


def test_ranges_follow_the_hints():
    assert (range_of(RangeHint(1, 2, 9), 48000).low, range_of(RangeHint(1, 2, 9), 48000).high) == (2.0, None)
    assert range_of(RangeHint(BOTH | RATE, 0, 0.5), 48000).high == 24000.0
    toggle = range_of(RangeHint(4, 0, 0), 48000)
    assert (toggle.low, toggle.high, toggle.whole) == (0.0, 1.0, True)
