"""A build for each misbehaviour, real code in a child process, stopped by the finding of that name and by no other."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reverdict import conducting, making
from reverdict.check import conduct
from reverdict.gate import gate
from reverdict.golden_set.text import proposed_tolerances
from reverdict.reference import Conduct, Tolerance
from reverdict.render import Build, Limits, Rendered, Request, render, working_folder
from reverdict.render.build import Plugin
from reverdict.render.preparing import HEADERS
from reverdict.schema.tolerances import tolerances_of
from reverdict.words import BuildIdentity, Finding, Outcome

RATE_HZ = 12000
DECAY_S = 0.3
REQUEST = Request("plate", rate_hz=RATE_HZ, block_size=120, seconds=0.5, preroll_s=0.2)
STEREO = replace(REQUEST, channels="mono-to-stereo")
MORE = {"headroom_db": 1.0, "balance_db": 0.5, "mono_db": 0.5, "move_percent": 1.0}

PLATE = '''
import itertools
import numpy as np

RATE_HZ, HELD = [0], [0.0]


class Plate:
    """Decaying noise as an FIR filter: linear and time-invariant whatever the blocks, but for one fault at a time."""

    def __init__(self, sample_rate, fault="", sides=1, mix=1.0):
        RATE_HZ[0] = sample_rate
        time = np.arange(round(0.35 * sample_rate)) / sample_rate
        noise = np.random.default_rng(7).normal(0, 0.1, (sides, time.size))
        self.response = noise * np.exp(-6.907755 * time / 0.3)
        self.response[:, 0] = 0.5
        if fault == "random":
            self.response *= 1 + 0.05 * np.random.default_rng().normal(size=time.size)
        if fault == "mono":
            self.response = np.stack([self.response[0], -self.response[0] * 0.95])
        if fault == "balance":
            self.response[1] *= 0.7
        if fault == "narrow":
            self.response[1] = self.response[0]
        self.fault, self.mix, self.heard, self.rate = fault, mix, 0, sample_rate
        self.quiet = self.smooth = 0.0
        self.coming = np.zeros((sides, 0))
        self.loud = self.latency_samples = 0

    def set_parameter(self, name, value):
        assert name == "mix"
        self.mix = value

    def reset(self):
        if self.fault != "reset":
            self.coming[:] = 0.0

    def process(self, block):
        frames = block.shape[1]
        rate = RATE_HZ[0] if self.fault == "rate" else self.rate
        x = block[0].copy()
        size = 1 << (frames + self.response.shape[1] - 1).bit_length()
        wet = np.fft.irfft(np.fft.rfft(x, size) * np.fft.rfft(self.response, size), size)
        wet = wet[:, : frames + self.response.shape[1] - 1]
        whole = np.zeros((len(wet), max(wet.shape[1], self.coming.shape[1])))
        whole[:, : self.coming.shape[1]] += self.coming
        whole[:, : wet.shape[1]] += wet
        out, self.coming = whole[:, :frames], whole[:, frames:].copy()
        # Rounding of the transform is no sound.
        out = np.where(np.abs(out) < 1e-12, 0.0, out)
        n = self.heard + np.arange(frames)
        self.heard += frames
        if self.fault == "block edge" and frames == 1:
            out = out * 0
        if self.fault == "saturates":
            out = np.tanh(2 * out) / 2
        if self.fault == "gate":
            out = np.where(np.abs(out) < 1e-3, 0.0, out)
        if self.fault == "one polarity":
            out = np.maximum(out, 0.0)
        if self.fault == "clips":
            out = np.clip(out, -0.2, 0.2)
        if self.fault == "modulated":
            out = out * (1 + 0.3 * np.sin(2 * np.pi * 3.1 * n / self.rate))
        if self.fault == "ducks":
            self.quiet = max(0.9995 ** (frames * 24000 / self.rate) * self.quiet, np.abs(x).max())
            out = out * (1 - 0.5 * min(self.quiet, 0.3)) if self.quiet < 0.4 else out
        if self.fault == "fades in":
            out = out * np.minimum(1.0, n / (0.1 * self.rate))
        if self.fault == "hisses":
            out = out + 1e-4 * np.random.default_rng(self.heard).normal(size=out.shape)
        if self.fault == "offset":
            out = out + 0.001
        if self.fault == "limit cycle" and frames > 99 and np.std(x) > 0.05:
            self.loud = 1
        if self.fault == "limit cycle" and self.loud and np.abs(out).max() < 1e-3:
            out = np.full(out.shape, 1e-3) * (-1.0) ** n
        if self.fault == "oscillates" and frames > 99 and np.std(x) > 0.05:
            self.loud = self.loud or self.heard
        if self.fault == "oscillates" and self.loud:
            out = out + 1e-3 * np.sin(n / 9) * np.exp((n - self.loud) / self.rate)
        if self.fault == "shared":
            out, HELD[0] = out + HELD[0], 0.1 * out[0, -1]
        if self.fault == "rate" and rate != self.rate:
            out = out * 0.5
        if self.fault == "not finite" and np.std(x) > 0.05:
            out = out * np.nan
        if self.fault == "latency":
            self.latency_samples = 64
        return self.mix * out if self.fault != "smooth" else self.glide(out)

    def glide(self, out):
        steps = np.empty(out.shape[1])
        for n in range(steps.size):
            self.smooth += (self.mix - self.smooth) * 30 / self.rate if self.smooth else self.mix
            steps[n] = self.smooth
        return out * steps
'''


@pytest.fixture(scope="module")
def plates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plates")
    (folder / "plate.py").write_text(PLATE, encoding="utf-8")
    return folder


@pytest.fixture
def work():
    with working_folder() as folder:
        yield folder


def plate(folder: Path, **parameters: Any) -> Build:
    identity = BuildIdentity("plate", "1", "python")
    return Build(identity, "python", folder, object="plate:Plate", parameters=parameters, limits=Limits(60.0, 2048))


def usual(**more: Any) -> Conduct:
    """What tolerances.toml proposes, and what golden new adds."""
    settings = tolerances_of("conduct", {**proposed_tolerances()["conduct"], **MORE})
    return replace(Conduct(**settings), moves={"mix": (0.3, 1.0)}, **more)


def judged(build: Build, golden: Build, work: Path, request: Request = REQUEST, asked: Conduct | None = None):
    """Findings of one build against another's response."""
    asked = asked or usual()
    rendering = render(build, request, work)
    known = rendering if golden is build else render(golden, request, work)
    assert isinstance(known, Rendered)
    assert isinstance(rendering, Rendered)
    subject = conducting.Subject(build, request, known.response, rendering.response, DECAY_S)
    return conduct.judge(rendering, None, asked, conducting.observe(subject, asked, work))


QUESTIONS = {quantity: key.rpartition("_")[0] for key, quantity in conduct.QUANTITIES.items()}
QUESTIONS |= {"click 40 dB softer": "level_scaling", "click turned over": "level_scaling"}


def questions(findings: list[Finding]) -> set[str]:
    return {QUESTIONS.get(one.quantity, one.quantity) for one in findings}


def off(findings: list[Finding]) -> set[str]:
    """Questions of the findings that do not pass, of those that were put."""
    return questions([one for one in findings if one.outcome in (Outcome.FAIL, Outcome.UNSURE)])


def test_a_well_behaved_build_is_asked_everything_and_passes(plates: Path, work: Path) -> None:
    build = plate(plates, fault="smooth", sides=2)
    findings = judged(build, build, work, STEREO)
    assert off(findings) == set()
    assert questions(findings) == {"output", *QUESTIONS.values()}


FAULTS = {
    "random": {"repeats"},
    "saturates": {"level_scaling", "superposition"},
    "gate": {"level_scaling", "superposition"},
    "clips": {"level_scaling", "superposition"},
    "one polarity": {"level_scaling", "superposition"},
    "modulated": {"time_variance"},
    "ducks": {"superposition"},
    "fades in": {"cold_start"},
    "block edge": {"block_size"},
    "rate": {"instances"},
    "shared": {"instances"},
    "reset": {"reset"},
    "hisses": {"silence"},
    "offset": {"silence", "dc"},
    "limit cycle": {"tail"},
    "oscillates": {"tail"},
    "not finite": {"output"},
    "latency": {"latency"},
    "": {"move"},
}
"""Fault -> findings that must not pass. Those in SIDE_EFFECTS may join them, as one fault shows in several ways."""

COMPARED = {question.rpartition("_")[0] for question in conducting.COMPARED.values()}
SIDE_EFFECTS = {
    "random": COMPARED,
    "hisses": COMPARED | {"tail"},  # other noise each time
    "offset": {"level_scaling", "superposition", "tail"},
    "modulated": {"cold_start", "reset", "headroom"},
    "ducks": {"block_size", "level_scaling", "time_variance"},  # by what a block holds
    "shared": COMPARED,
    "saturates": {"headroom"},
    "clips": {"headroom"},
    "one polarity": {"headroom"},
    "latency": {"block_size"},
    "limit cycle": {"superposition", "reset"},
    "oscillates": {"superposition", "reset"},
}  # fmt: skip


NOT_LINEAR = {"saturates": True, "gate": True, "modulated": True, "random": True, "reset": False}
"""Whether a linear cause is sought in vain; where it does not say, either is well."""

ALIKE = ("one polarity", "oscillates", "shared", "offset", "ducks")
"""Faults that are stopped by the finding of another one as well."""


@pytest.mark.parametrize("fault", [pytest.param(one, marks=pytest.mark.slow if one in ALIKE else ()) for one in FAULTS])
def test_a_misbehaviour_is_stopped_by_the_finding_of_its_name(plates: Path, work: Path, fault: str) -> None:
    asked = usual()
    if fault and fault not in ("saturates", "clips", "one polarity"):
        asked = replace(asked, move_percent=None)
    build = plate(plates, fault=fault)
    findings = judged(build, build, work, asked=asked)
    assert off(findings) >= FAULTS[fault], [f"{f.quantity} {f.where} {f.deviation}" for f in findings]
    assert off(findings) <= FAULTS[fault] | SIDE_EFFECTS.get(fault, set()) | {"move"}
    if fault in NOT_LINEAR:
        assert conduct.is_not_linear(findings) is NOT_LINEAR[fault]


@pytest.mark.few(1)
@pytest.mark.parametrize(("fault", "quantity"), [("mono", "mono"), ("balance", "balance"), ("narrow", "mono")])
def test_how_two_channels_go_together_is_held_against_the_golden(
    plates: Path, work: Path, fault: str, quantity: str
) -> None:
    asked = replace(usual(), move_percent=None)
    good, bad = plate(plates, sides=2), plate(plates, sides=2, fault=fault)
    findings = judged(bad, good, work, STEREO, asked)
    assert quantity in off(findings)
    assert off(findings) <= {"mono", "balance", "headroom"}
    assert off(judged(good, good, work, STEREO, asked)) == set()


def test_a_build_that_is_too_loud_for_its_golden_has_less_headroom(plates: Path, work: Path) -> None:
    asked = replace(usual(), move_percent=None)
    (finding,) = [
        one
        for one in judged(plate(plates, mix=1.5), plate(plates), work, asked=asked)
        if one.quantity == "peak for noise"
    ]
    assert finding.deviation == pytest.approx(20 * np.log10(1.5), abs=1e-6)
    assert finding.outcome is Outcome.FAIL


def test_what_a_random_build_departs_by_in_all_else_is_unsure(plates: Path, work: Path) -> None:
    findings = judged(plate(plates, fault="random"), plate(plates), work, asked=replace(usual(), move_percent=None))
    outcomes = {one.quantity: one.outcome for one in findings if one.outcome is not Outcome.PASS}
    assert outcomes.pop("same click again") is Outcome.FAIL
    assert set(outcomes.values()) == {Outcome.UNSURE}, outcomes


BARE = """
import numpy as np

class Bare:
    def __init__(self, sample_rate, dull=False): pass
    def process(self, block): return block
"""


def test_what_cannot_be_put_to_a_build_is_shown(tmp_path: Path, work: Path) -> None:
    (tmp_path / "bare.py").write_text(BARE, encoding="utf-8")
    build = replace(plate(tmp_path), object="bare:Bare")
    not_passing = {one.quantity: one for one in judged(build, build, work) if one.outcome is not Outcome.PASS}
    assert {name: (one.outcome, one.reason) for name, one in not_passing.items()} == {
        "click after a reset": (Outcome.NOT_ASKED, "this build has no reset"),
        "click of a moved parameter": (Outcome.UNSURE, "this build cannot move parameters while it runs"),
    }
    with_names = replace(build, parameter_names={"mix": ""})
    named = {one.quantity: one for one in judged(with_names, build, work)}
    assert named["click of a moved parameter"].outcome is Outcome.UNSURE


def test_a_declared_question_is_not_put_and_says_why(plates: Path, work: Path) -> None:
    asked = replace(
        usual(), move_percent=None, headroom_db=None, time_variance_percent=None, cold_start_percent=None,
        reset_percent=None, declared={"time_variance": "modulated on purpose"},
    )  # fmt: skip
    build = plate(plates, fault="modulated")
    findings = judged(build, build, work, asked=asked)
    (finding,) = [one for one in findings if one.outcome is not Outcome.PASS]
    assert (finding.quantity, finding.outcome, finding.reason) == (
        "later click", Outcome.NOT_ASKED, "modulated on purpose",
    )  # fmt: skip


DENORMAL = """
#include <stdlib.h>
#include <string.h>
#include "reverb.h"
typedef struct { float s[200]; } R;
void *reverb_open(double rate, int in, int out, int largest) {
    (void)rate; (void)in; (void)out; (void)largest;
    return calloc(1, sizeof(R));
}
int reverb_set(void *v, const char *name, double value) { (void)v; (void)name; (void)value; return 1; }
void reverb_process(void *v, const float *const *in, float *const *out, int frames) {
    R *r = v; /* leaky integrators in float: their states sink below the smallest normal number */
    for (int n = 0; n < frames; n++) {
        float x = in[0][n] GUARD, sum = 0;
        for (int k = 0; k < 200; k++) {
            r->s[k] = r->s[k] / 1.0005f + x * 0.001f;
            sum += r->s[k];
        }
        out[0][n] = sum + x * 0.5f;
    }
}
void reverb_reset(void *v) { memset(v, 0, sizeof(R)); }
void reverb_close(void *v) { free(v); }
"""


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler")
@pytest.mark.parametrize(("guard", "slow"), [("", True), ("+ 1e-12f", False)])
def test_denormal_numbers_in_a_silent_tail_are_a_finding(tmp_path: Path, work: Path, guard: str, slow: bool) -> None:
    (tmp_path / "leaky.c").write_text(DENORMAL.replace("GUARD", guard))
    library = tmp_path / "leaky.so"
    asked_of_cc = ["cc", "-O1", "-shared", "-fPIC", f"-I{HEADERS}", "-o", library, tmp_path / "leaky.c"]
    subprocess.run(asked_of_cc, check=True)
    build = Build(BuildIdentity("leaky", "1", "library"), "library", tmp_path, plugin=Plugin(str(library)))
    # How much dearer they are depends on the processor; a division takes several times as long on any.
    asked = replace(Conduct(), slow_tail_percent=Tolerance.both_ways(100.0))
    findings = judged(build, build, work, replace(REQUEST, rate_hz=24000, seconds=0.6), asked)
    assert off(findings) == ({"slow_tail"} if slow else set()), findings


PROGRAM = """
#include <stdio.h>
int main(void) {
    static float s[1500];
    float x;
    while (fread(&x, 4, 1, stdin) == 1) {
        float in = x GUARD, sum = 0;
        for (int k = 0; k < 1500; k++) sum += s[k] = s[k] / 1.0005f + in * 0.001f;
        sum += x * 0.5f;
        fwrite(&sum, 4, 1, stdout);
    }
    return 0;
}
"""


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler")
@pytest.mark.parametrize(("guard", "slow"), [("", True), ("+ 1e-12f", False)])
def test_denormal_numbers_show_in_the_time_of_a_whole_program(
    tmp_path: Path, work: Path, guard: str, slow: bool
) -> None:
    (tmp_path / "leaky.c").write_text(PROGRAM.replace("GUARD", guard))
    subprocess.run(["cc", "-O1", "-o", tmp_path / "leaky", tmp_path / "leaky.c"], check=True)
    build = Build(BuildIdentity("leaky", "1", "command"), "command", tmp_path, argv=("./leaky",), exchange="raw")
    asked = replace(usual(), silence_percent=None, dc_percent=None, slow_tail_percent=Tolerance.both_ways(100.0))
    findings = judged(build, build, work, replace(REQUEST, rate_hz=24000, seconds=0.6), asked)
    # A program cannot move what the reference wants moved, and is not asked what needs an instance.
    assert off(findings) == ({"move", "slow_tail"} if slow else {"move"}), findings
    not_put = questions([one for one in findings if one.outcome is Outcome.NOT_ASKED])
    assert not_put == {"block_size", "instances", "reset"}
    assert {"repeats", "level_scaling", "superposition", "cold_start", "tail"} <= {*questions(findings)}


STOPS = """
import array, sys
heard = array.array("f", sys.stdin.buffer.read())
loud = sum(x * x for x in heard) > 0.001 * len(heard)
sys.stdout.buffer.write(heard[: len(heard) // 2].tobytes() if loud else heard.tobytes())
"""


def test_a_program_that_stops_early_for_some_sound_is_told(tmp_path: Path, work: Path) -> None:
    """What it still wrote would compare well."""
    (tmp_path / "stops.py").write_text(STOPS, encoding="utf-8")
    argv = (sys.executable, "-S", "stops.py")
    build = Build(BuildIdentity("stops", "1", "command"), "command", tmp_path, argv=argv, exchange="raw")
    asked = replace(Conduct(), superposition_percent=usual().superposition_percent)
    told = {one.where: one.reason for one in judged(build, build, work, asked=asked) if one.outcome is Outcome.FAIL}
    assert set(told) == {"noise", "click amid noise"}
    assert told["noise"] == "output stops after 0.35 s, needs 0.70 s"


def build_toml(folder: Path, plates: Path, fault: str) -> Path:
    toml = folder / "plate.toml"
    toml.write_text(
        f'[build]\nname = "plate"\nversion = "1"\nkind = "python"\nobject = "plate:Plate"\npath = "{plates}"\n'
        f'[build.not_asked]\ncost = "not now"\n[build.parameters]\nfault = "{fault}"\n'
    )
    return toml


@pytest.mark.usefixtures("undiagnosed")
def test_golden_new_declares_what_the_golden_does_by_design_and_gates_by_it(plates: Path, tmp_path: Path) -> None:
    toml = build_toml(tmp_path, plates, "modulated")
    wishes = making.Wishes(seconds=0.5, rates_hz=(RATE_HZ,))
    path, said = making.new_reference("wobbly", toml, tmp_path / "golden", wishes)
    text = path.read_text()
    assert "[conduct.declared]" in text
    assert "time_variance = \"the golden's own build: " in text
    assert any("time_variance" in line for line in said)
    verdict = gate(toml, tmp_path / "golden")
    assert verdict.outcome == "pass", [check.reason for check in verdict.references[0].checks]
    toml.write_text(toml.read_text().replace("modulated", "hisses"))
    verdict = gate(toml, tmp_path / "golden")
    (reference,) = verdict.references
    told = {check.check: check for check in reference.checks}["conduct"]
    assert told.outcome is Outcome.FAIL
    assert "silence" in questions([one for one in told.findings if one.outcome is Outcome.FAIL])


@pytest.mark.slow
def test_a_build_that_does_not_repeat_is_rendered_again_and_passes_by_what_agrees(plates: Path, tmp_path: Path) -> None:
    toml = build_toml(tmp_path, plates, "random")
    _, said = making.new_reference("lucky", toml, tmp_path / "golden", making.Wishes(seconds=0.5, rates_hz=(RATE_HZ,)))
    assert any(line.startswith("it does not repeat itself: a second render differs by ") for line in said)
    assert any("5 takes" in line for line in said)
    verdict = gate(toml, tmp_path / "golden")
    assert verdict.outcome == "pass", [check.reason for check in verdict.references[0].checks]


@pytest.mark.slow
def test_golden_new_says_where_the_build_does_not_pass_by_its_own_reference(plates: Path, tmp_path: Path) -> None:
    """The plate is other noise at every rate."""
    wishes = making.Wishes(seconds=0.5, rates_hz=(RATE_HZ, RATE_HZ // 2))
    _, said = making.new_reference("two", build_toml(tmp_path, plates, ""), tmp_path / "golden", wishes)
    telling = [line for line in said if line.startswith("the build itself does not pass")]
    assert telling
    assert all(line.startswith("the build itself does not pass at 6 kHz: ") for line in telling)
