"""Making references: what can be measured is asked, what cannot says why; an approval shows what it changes."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from conftest import RATE_HZ, TURNS, Workspace, spring
from reverdict import costing, golden_set, making
from reverdict.builds import open_build
from reverdict.command_line import main
from reverdict.errors import BadInput
from reverdict.gate import gate
from reverdict.golden_set import writing
from reverdict.golden_set.text import settings_from
from reverdict.machine import machine_class
from reverdict.making import approving, new, signing, sources
from reverdict.measure.decay_times import FITS
from reverdict.reference import Reference, Tolerance
from reverdict.render.counting import Count
from reverdict.report.data.verdict import json_schema as verdict_schema
from reverdict.report.data.verdict import to_json
from reverdict.schema.meanings import json_schema
from reverdict.schema.toml import read_toml
from reverdict.sound import read_sound, write_sound

CHECKS = ("echo-timing", "group-delay", "energy-decay", "cost", "conduct")


@pytest.fixture
def here(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    """The workspace, and we stand in it."""
    monkeypatch.chdir(workspace.root)
    return workspace


def said(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> list[str]:
    """Lines that a command prints."""
    assert main(arguments) == status
    captured = capsys.readouterr()
    assert captured.err == ""
    return captured.out.splitlines()


def reference_of(name: str, folder: Path = Path("golden")) -> Reference:
    (found,) = golden_set.references(folder, name)
    return found


# From a recording.


def test_a_recording_becomes_a_reference_that_it_passes(
    here: Workspace, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(signing, "who", lambda: "Third ear")
    path = Path("tanks/bench/reference.toml")
    lines = said(
        capsys, "golden", "new", "bench", "--from", "takes/short.wav", "--golden", "tanks", "--title", "My tank"
    )
    assert lines == [
        f"{path} written.",
        'echo-timing is asked: springs = 1, pass_law = "1:3:5", passes = 3, arrival_hz = 500',
        "  arrival_ms = 0.5: half of what is heard",
        "group-delay is asked",
        "  delay_ms = [[500, 1.6], [1000, 1], [2000, 0.5], [4000, 0.75], [8000, 1]]: half of what is heard",
        "energy-decay is asked",
        "  edt_percent = 2.5: half of what is heard",
        "  t20_percent = 2.5: half of what is heard",
        "  t30_percent = 2.5: half of what is heard",
        "  level_db = 0.5: half of what is heard",
        "cost is not asked: made from a recording, and a recording has no cost",
        "conduct is asked",
        new.ROOM_FOR_CAPTURES,
    ]
    text = path.read_text(encoding="utf-8")
    assert "\narrival_ms = 0.5 # half of what is heard\n" in text
    made = reference_of("bench", Path("tanks"))
    assert (made.origin, made.title, made.channels, made.rate_hz) == ("capture", "My tank", "mono", RATE_HZ)
    assert (made.approval.who, made.approval.build, made.approval.why) == (
        "Third ear", "recording short.wav", "first reference",
    )  # fmt: skip
    assert made.render.seconds == pytest.approx(0.6)
    assert golden_set.verify(Path("tanks")) == []
    (here.takes / "short.wav").rename("bench.wav")
    assert gate(Path("bench.wav"), Path("tanks")).outcome == "pass"


def test_a_stereo_recording_is_one_input_and_two_outputs(here: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    both = np.vstack([spring(turns) for turns in TURNS.values()])
    write_sound(Path("pair.wav"), both, RATE_HZ)
    lines = said(capsys, "golden", "new", "pair", "--from", "pair.wav")
    assert 'echo-timing is asked: springs = 1, pass_law = "1:3:5", passes = 3, arrival_hz = 500' in lines
    (golden,) = golden_set.load(here.golden, "pair")
    assert golden.reference.channels == "mono-to-stereo"
    np.testing.assert_array_equal(golden.response.samples, both)


def takes_of(count: int, noise: float = 1e-5, drift: float = 0.0, gain: float = 0.0) -> list[str]:
    """Takes of the short spring: each with noise of its own, and as given late (samples) and loud by chance."""
    random = np.random.default_rng(7)
    names = []
    for number in range(count):
        late = np.exp(-2j * np.pi * np.fft.rfftfreq(spring(300).size) * drift * random.standard_normal())
        take = np.fft.irfft(np.fft.rfft(spring(300)) * late, spring(300).size) * (1 + gain * random.standard_normal())
        names.append(f"take-{number}.wav")
        write_sound(Path(names[-1]), (take + noise * random.standard_normal(take.size))[np.newaxis], RATE_HZ)
    return names


def test_repeats_of_a_recording_set_tolerances_that_further_takes_pass(
    here: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    first, *others = takes_of(7, drift=2.0, gain=0.01)
    lines = said(capsys, "golden", "new", "bench", "--from", first, "--repeats", *others[:4])
    made = reference_of("bench")
    # Two takes differ by √2·2 samples, 0.06 ms; Student's t of four degrees is 2.78, and there is half as much room.
    assert 0.08 < made.echo_timing.arrival_ms.at().above < 0.6
    text = here.reference("bench").read_text(encoding="utf-8")
    assert re.search(r"\narrival_ms = [\d.]+ # repeats differ by [\d.]+ ms \(k = 2, 5 takes\)\n", text)
    assert new.ROOM_FOR_CAPTURES not in lines
    for take in others[4:]:
        assert gate(Path(take), here.golden, only="bench").outcome == "pass"
    assert golden_set.verify(here.golden) == []


def test_repeats_that_spread_beyond_hearing_are_told_plainly(
    here: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    first, *others = takes_of(5, gain=0.1)
    *_, last = said(capsys, "golden", "new", "bench", "--from", first, "--repeats", *others)
    assert re.fullmatch(
        r"level_db = [\d.]+ dB is wider than what is heard, 1 dB: repeats differ by [\d.]+ dB; "
        "steadier or quieter, it is tighter",
        last,
    )
    assert "; beyond what is heard, 1 dB\n" in here.reference("bench").read_text(encoding="utf-8")


@pytest.mark.slow
def test_noise_alone_does_not_make_a_noisy_capture_unsure_of_its_like(here: Workspace) -> None:
    first, *others = takes_of(4, noise=2e-3 * float(np.abs(spring(300)).max()))
    making.new_reference("bench", Path(first), here.golden, making.Wishes())
    for take in others:
        assert gate(Path(take), here.golden, only="bench").outcome == "pass"


def test_a_repeat_that_ends_sooner_is_held_against_as_much_of_the_first(here: Workspace) -> None:
    noise = 2e-3 * float(np.abs(spring(300)).max())
    first, second, third = takes_of(3, noise=noise)
    samples, _ = read_sound(Path(second))
    write_sound(Path(second), samples[:, :26000], RATE_HZ)
    making.new_reference("bench", Path(first), here.golden, making.Wishes(repeats=(second, third)))
    assert reference_of("bench").render.seconds == pytest.approx(0.6)
    assert "(k = 2, 3 takes)" in here.reference("bench").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (
            "takes/short.wav --repeats takes/short.wav",
            "takes/short.wav: is short.wav itself; a repeat is the same thing",
        ),
        ("takes/short.wav --repeats takes/long.wav", "long.wav: spring 1, pass 3, 500 Hz: "),
        ("takes/short.wav --repeats none.wav", "none.wav: no such file"),
        ("takes/short.wav --repeats 3", "3: is no WAV or FLAC file; the repeats of a recording are recordings"),
        ("takes/short.wav --repeats turned.wav", "turned.wav: is turned over against the first"),
        ("takes/short.wav --repeats pair.wav", "pair.wav: has 2 channels at 48000 Hz, short.wav 1 channels"),
        ("build --repeats a.wav", "--repeats a.wav: a build is rendered again so many times: a number, 1 to 100"),
        ("build --repeats 0", "--repeats 0: a build is rendered again so many times: a number, 1 to 100"),
        ("half.wav", "half.wav: its right channel holds only silence after the click; make it mono"),
    ],
)
def test_what_is_no_repeat_makes_no_reference(
    here: Workspace, capsys: pytest.CaptureFixture[str], arguments: str, expected: str
) -> None:
    write_sound(Path("turned.wav"), -spring(300)[np.newaxis], RATE_HZ)
    write_sound(Path("pair.wav"), np.stack(2 * [spring(300)]), RATE_HZ)
    write_sound(Path("half.wav"), np.stack([spring(300), 0 * spring(300)]), RATE_HZ)
    source, *rest = arguments.replace("build", str(here.build())).split()
    assert main(["golden", "new", "x", "--from", source, *rest]) == 2
    assert capsys.readouterr().err.startswith(f"reverdict: {expected}")
    assert not (here.golden / "x").exists()


def test_a_build_that_repeats_exactly_keeps_the_shared_tolerances(
    here: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    build = here.build('[build.not_asked]\ncost = "not now"')
    parameters = ("--seconds", "0.6", "--parameter", "program=short")
    lines = said(capsys, "golden", "new", "x", "--from", str(build), *parameters, "--repeats", "2")
    assert lines[-1] == "2 repeats: the same to the last bit"
    assert reference_of("x").echo_timing.arrival_ms == Tolerance.both_ways(0.1)
    assert "repeats" not in here.reference("x").read_text(encoding="utf-8")


def test_a_build_that_wanders_gets_the_room_it_needs(here: Workspace) -> None:
    player = here.builds / "player.py"
    text = player.read_text(encoding="utf-8").replace("gain * np.load", "gain * np.random.normal(1, 0.05) * np.load")
    player.write_text(text, encoding="utf-8")
    build = here.build('[build.not_asked]\ncost = "not now"')
    wishes = making.Wishes(seconds=0.6, parameters={"program": "short"}, repeats=("5",))
    making.new_reference("x", build, here.golden, wishes)
    made = reference_of("x")
    assert made.energy_decay.level_db.at().above > 0.5
    assert (made.energy_decay.t30_percent.at().above, made.echo_timing.arrival_ms.at().above) == (2, 0.1)
    assert gate(build, here.golden, only="x").outcome == "pass"


def test_a_path_without_sound_is_not_asked_when_it_begins(here: Workspace) -> None:
    player = here.builds / "player.py"
    text = player.read_text(encoding="utf-8").replace(
        "return out[np.newaxis]", "return np.stack([out, 0 * out]) if self.fault == '' else out[np.newaxis]"
    )
    player.write_text(text, encoding="utf-8")
    build = here.build('[build.not_asked]\ncost = "not now"')
    wishes = making.Wishes(seconds=0.6, parameters={"program": "short"}, channels="mono-to-stereo")
    making.new_reference("x", build, here.golden, wishes)
    made = reference_of("x")
    assert made.echo_timing.not_asked.startswith("it cannot be told of the golden itself: right: onset the golden is")
    assert made.group_delay.not_asked.startswith("no separate passes: its paths are unlike: left: 1 spring by 1:3:5; ")
    assert gate(build, here.golden, only="x").outcome == "pass"


def test_channels_that_disagree_are_not_asked_about_their_springs(here: Workspace) -> None:
    noise = np.random.default_rng(3).normal(size=spring(300).size) * np.exp(-np.arange(spring(300).size) / 3000)
    write_sound(Path("odd.wav"), np.vstack([spring(300), noise]), RATE_HZ)
    making.new_reference("odd", Path("odd.wav"), here.golden, making.Wishes())
    made = reference_of("odd")
    assert made.echo_timing.springs == 0
    assert made.group_delay.not_asked.startswith("no separate passes: its paths are unlike: left: 1 spring by 1:3:5; ")
    assert not made.energy_decay.not_asked


def test_what_does_not_decay_is_not_asked_how(here: Workspace) -> None:
    noise = np.random.default_rng(4).normal(scale=0.1, size=(1, RATE_HZ // 2))
    write_sound(Path("hiss.wav"), noise, RATE_HZ)
    making.new_reference("hiss", Path("hiss.wav"), here.golden, making.Wishes())
    made = reference_of("hiss")
    assert made.group_delay.not_asked
    assert made.energy_decay.not_asked.startswith("no decay time can be measured: ")
    assert not made.conduct.not_asked


def test_a_recording_that_runs_before_its_click_says_how_to_judge_its_like(
    here: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    write_sound(Path("rig.wav"), np.append(np.zeros(4800), spring(300))[np.newaxis], RATE_HZ)
    lines = said(capsys, "golden", "new", "rig", "--from", "rig.wav", "--click-at", "0.1")
    assert lines[1] == (
        'the click is 0.1 s into rig.wav; judge recordings like it by a build TOML with kind = "recordings" '
        "and click_at_s = 0.1"
    )
    assert reference_of("rig").render.seconds == pytest.approx(0.6)
    build = here.build(kind="recordings", folder="..", click_at_s=0.1)
    assert gate(build, here.golden, only="rig").outcome == "pass"


def test_a_recording_keeps_the_parameters_that_builds_are_to_get(here: Workspace) -> None:
    making.new_reference("bench", here.takes / "short.wav", here.golden, making.Wishes(parameters={"program": "short"}))
    assert reference_of("bench").render.parameters == {"program": "short"}
    assert gate(here.build(), here.golden, only="bench").outcome == "pass"


# From a build.


def test_a_build_becomes_a_reference_with_its_own_cost(
    here: Workspace, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The count of its instructions is made up: that golden new counts is proved in test_plugin_gate."""
    monkeypatch.setattr(costing, "count", lambda *_: Count(123.456, 0.0, samples=1, tool="callgrind 3"))
    build = here.build("[build.limits]\nseconds = 30", commit="0123456789abcdef")
    wishes = ("--seconds", "0.5", "--block", "64", "--parameter", "program=short", "--parameter", "gain=0.5")
    lines = said(capsys, "golden", "new", "half", "--from", str(build), *wishes)
    made = reference_of("half")
    assert (made.origin, made.approval.build) == ("build", "player 1 (0123456789)")
    assert made.render.parameters == {"program": "short", "gain": 0.5}
    assert (made.render.seconds, made.render.block_sizes, made.render.sample_rates_hz) == (0.5, (64,), (RATE_HZ,))
    assert made.cost.kernel_ratio is not None
    assert made.cost.kernel_ratio > 0
    assert made.cost.dearer_percent == sources.FROM_GOLDEN_PERCENT["kernel_ratio"][1]
    assert f"kernel_ratio = {made.cost.kernel_ratio}" in lines[4]
    assert "dearer_percent = 30" in lines[4]
    assert (made.cost.instructions_per_sample, made.cost.counted_on) == (123.456, machine_class())
    assert "instructions_percent = 1" in lines[4]
    (golden,) = golden_set.load(here.golden, "half")
    np.testing.assert_allclose(golden.response.samples[0], 0.5 * spring(300)[:24000], atol=1e-6)


def test_further_rates_blocks_levels_and_presets_become_cells(
    here: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    presets = '[build.presets.loud]\ngain = 1\n[build.presets.soft]\ngain = 0.98\n[build.not_asked]\ncost = "no"'
    build = here.build(presets)
    asked = "--seconds 0.5 --parameter program=short --block whole 64 16 --level -6 -40 --preset loud soft"
    said(capsys, "golden", "new", "cells", "--from", str(build), *asked.split())
    made = reference_of("cells").render
    assert (made.block_sizes, made.levels_dbfs, made.presets) == (("whole", 64, 16), (-6.0, -40.0), ("loud", "soft"))
    verdict = gate(build, here.golden, only="cells")
    assert [cell.cell for cell in verdict.references[0].cells] == [
        "", "blocks of 64", "blocks of 16", "−40 dBFS", "preset soft",
    ]  # fmt: skip
    assert verdict.outcome == "pass"
    said(capsys, "golden", "new", "rates", "--from", str(build), *asked.split(), "--rate", "48000", "44100")
    assert reference_of("rates").render.sample_rates_hz == (48000, 44100)
    assert main(["golden", "new", "x", "--from", str(build), "--preset", "lowd"]) == 2
    assert capsys.readouterr().err.endswith(
        f"--preset lowd: {build} has no such preset; in [build.presets] are: loud, soft\n"
    )


def test_a_parameter_that_the_build_overrides_is_not_written_down(here: Workspace) -> None:
    build = here.build("[build.parameters]\ngain = 0.5")
    wishes = making.Wishes(seconds=0.3, parameters={"program": "short", "gain": 0.8})
    with pytest.raises(BadInput, match=r"^--parameter gain=0.8: .* overrides it by 0.5; leave one of them out$"):
        making.new_reference("half", build, here.golden, wishes)
    assert not (here.golden / "half").exists()


def test_an_approval_names_a_short_commit_and_uncommitted_changes(here: Workspace) -> None:
    build = open_build(here.build(commit="0123456789abcdef + uncommitted changes"))
    assert signing.label_of(build) == "player 1 (0123456789 + uncommitted changes)"


def test_a_build_that_is_not_asked_cost_makes_a_reference_that_does_not_ask(here: Workspace) -> None:
    build = here.build('[build.not_asked]\ncost = "timed on the target"')
    wishes = making.Wishes(seconds=0.3, parameters={"program": "short"})
    making.new_reference("free", build, here.golden, wishes)
    assert reference_of("free").cost.not_asked == "timed on the target"


@pytest.mark.parametrize("fault", ["silence", "nan", "crash"])
def test_a_build_without_usable_output_makes_no_reference(
    here: Workspace, capsys: pytest.CaptureFixture[str], fault: str
) -> None:
    build = here.faulty(fault)
    assert main(["golden", "new", "x", "--from", str(build), "--parameter", "program=short"]) == 2
    assert capsys.readouterr().err.startswith(f"reverdict: {build}: no reference can be made of it: ")
    assert not (here.golden / "x").exists()


@pytest.mark.parametrize(
    ("text", "value"),
    [("a=1", 1), ("a=1.5", 1.5), ("a=true", True), ("a=tank", "tank"), ("a=", ""), ("a=b=c", "b=c"), ("a=[1]", "[1]")],
)
def test_a_parameter_is_what_it_reads_as(text: str, value: Any) -> None:
    (found,) = making.parameters_from([text]).values()
    assert (found, type(found)) == (value, type(value))


# Approving.


def changed_build(workspace: Workspace) -> Path:
    return workspace.build("[build.parameters]\ngain = 1.2")


def test_an_approval_says_what_changes_before_it_writes(here: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(signing, "who", lambda: "Second ear")
    before = here.reference().read_bytes()
    lines = []
    for line in approving.approve_reference("short", changed_build(here), "more drive", here.golden):
        assert (here.reference().read_bytes() == before) == (not line.endswith("Tolerances are as they were."))
        lines.append(line)
    assert lines[0] == "short: against the golden approved by First ear,"
    # 20 log10(1.2) = 1.58 dB in every band, and nothing else moves.
    assert len(lines) > 4
    assert all(line.endswith(" Hz: level 1.58 dB louder, limit 0.50 dB") for line in lines[1:-1])
    assert lines[-1] == f"{here.reference()} now holds player 1. Tolerances are as they were."
    approval = reference_of("short").approval
    assert (approval.who, approval.build, approval.why) == ("Second ear", "player 1", "more drive")
    assert gate(changed_build(here), here.golden, only="short").outcome == "pass"
    assert golden_set.verify(here.golden) == []


def test_an_approval_that_changes_much_says_the_most_of_it(here: Workspace) -> None:
    _, *lines, _ = approving.approve_reference("short", here.takes / "long.wav", "the longer one is right", here.golden)
    assert len(lines) == approving.SHOWN_CHANGES + 1
    assert all(line.startswith("  fail: ") for line in lines[:-1])
    assert re.fullmatch(r"  and \d+ smaller ones", lines[-1])


def test_an_approval_of_the_same_sound_says_that_nothing_moves(here: Workspace) -> None:
    before = {path: path.read_bytes() for path in here.golden.rglob("*.*")}
    lines = list(approving.approve_reference("short", here.takes, "heard again", here.golden))
    assert lines[1:] == ["  nothing moves", f"{here.reference()} holds this response already; nothing is written."]
    assert {path: path.read_bytes() for path in here.golden.rglob("*.*")} == before


def test_what_was_changed_by_hand_is_logged_although_nothing_moves(here: Workspace) -> None:
    """As verify advises: approve once more, so that it is known who changed it and why."""
    log = here.golden / "short" / "approvals.log"
    log.write_text(log.read_text(encoding="utf-8").replace(golden_set.references(here.golden)[1].files[0].sha256, "0"))
    (mistake,) = golden_set.verify(here.golden)
    assert "approve once more" in str(mistake)
    list(approving.approve_reference("short", here.takes, "checked by ear", here.golden))
    assert golden_set.verify(here.golden) == []


def test_a_recording_gives_way_to_a_recording_only(here: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    here.edit('origin = "build"', 'origin = "capture"')
    before = {path: path.read_bytes() for path in here.golden.rglob("*.*")}
    build = changed_build(here)
    assert main(["golden", "approve", "short", "--from", str(build), "--why", "louder"]) == 2
    assert capsys.readouterr().err == (
        f"reverdict: {build}: is rendered, and short is a recording of the real thing (origin); "
        f"make a new reference of it: reverdict golden new NAME --from {build}\n"
    )
    assert {path: path.read_bytes() for path in here.golden.rglob("*.*")} == before
    write_sound(Path("louder.wav"), 1.2 * spring(300)[np.newaxis], RATE_HZ)
    *_, last = approving.approve_reference("short", Path("louder.wav"), "more drive", here.golden)
    assert last == f"{here.reference()} now holds louder.wav. Tolerances are as they were."
    assert reference_of("short").origin == "capture"


def test_an_altered_golden_can_be_approved_as_its_message_advises(here: Workspace) -> None:
    write_sound(here.impulse(), 0.9 * spring(300)[np.newaxis], RATE_HZ)
    (mistake,) = golden_set.verify(here.golden)
    assert "reverdict golden approve short --from BUILD --why TEXT" in str(mistake)
    first, *_ = approving.approve_reference("short", here.takes / "short.wav", "restored by ear", here.golden)
    assert first == f"short: nothing to compare with: {mistake}"
    assert golden_set.verify(here.golden) == []


def test_a_lost_golden_can_be_approved(here: Workspace) -> None:
    here.impulse().unlink()
    list(approving.approve_reference("short", here.takes, "recorded anew", here.golden))
    assert golden_set.verify(here.golden) == []


def test_an_approval_renews_the_cost_that_the_reference_keeps(here: Workspace) -> None:
    here.edit('not_asked = "not asked of a player"', "kernel_ratio = 1e9")
    build = here.build("[build.limits]\nseconds = 30")
    list(approving.approve_reference("short", build, "cheaper", here.golden))
    assert 0 < (reference_of("short").cost.kernel_ratio or 0) < 1e6


def test_an_approval_that_cannot_time_says_that_the_cost_is_the_old_one(here: Workspace) -> None:
    here.edit('not_asked = "not asked of a player"', "kernel_ratio = 123.0")
    lines = list(approving.approve_reference("short", here.takes, "captured", here.golden))
    assert "  kernel_ratio stays 123: recordings have no cost" in lines
    assert reference_of("short").cost.kernel_ratio == 123


@pytest.mark.parametrize("fault", ["silence", "crash"])
def test_a_build_without_usable_output_is_not_approved(
    here: Workspace, capsys: pytest.CaptureFixture[str], fault: str
) -> None:
    before = {path: path.read_bytes() for path in here.golden.rglob("*.*")}
    build = here.faulty(fault)
    assert main(["golden", "approve", "short", "--from", str(build), "--why", "because"]) == 2
    assert capsys.readouterr().err.startswith(f"reverdict: {build}: cannot be approved: ")
    assert {path: path.read_bytes() for path in here.golden.rglob("*.*")} == before


def test_a_folder_that_refuses_writing_is_named(
    here: Workspace, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who runs the tests as root may write anywhere, so the system's answer is made up."""

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(here.golden / ".reference.toml.new"))

    monkeypatch.setattr(writing.Approving, "write", refused)
    monkeypatch.setattr(writing, "new", refused)
    for command in (["approve", "short", "--why", "because"], ["new", "x"]):
        assert main(["golden", *command, "--from", "takes/long.wav"]) == 2
        assert capsys.readouterr().err == "reverdict: golden: cannot be written to (Permission denied)\n"


# Tolerances.


def approve(*arguments: str, status: int = 0) -> None:
    assert main(["golden", "approve", "short", *arguments]) == status


def test_a_tolerance_is_set_shown_logged_and_its_comment_kept(
    here: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    here.edit("passes = 3", "passes = 3\narrival_ms = 0.05 # as on the bench\n")
    approve("--as-it-stands", "--why", "measured")
    capsys.readouterr()
    wished = ("--set", "echo_timing.arrival_ms=0.2", "--set", "group-delay.delay_ms=[[100, 0.1], [3000, 0.5]]")
    before = {path: path.read_bytes() for path in here.golden.rglob("*.*")}
    lines = said(capsys, "golden", "approve", "short", *wished, "--preview")
    assert lines == [
        "short: terms against those in force,",
        "  echo_timing.arrival_ms: 0.05 → 0.2, wider",
        "  group_delay.delay_ms: [[3000, 0.25], [4000, 1]] → [[100, 0.1], [3000, 0.5]], wider in part, tighter in part",
        '  the comment beside echo_timing.arrival_ms stays, "as on the bench"; mend it if it is no longer true',
        f"Nothing is written; leave --preview out to approve. {here.reference()} is as it was.".replace(
            str(here.root) + "/", ""
        ),
    ]
    assert {path: path.read_bytes() for path in here.golden.rglob("*.*")} == before
    assert said(capsys, "golden", "approve", "short", *wished, "--why", "agreed")[:-1] == lines[:-1]
    made = reference_of("short")
    assert made.echo_timing.arrival_ms == Tolerance.both_ways(0.2)
    assert (made.approval.why, made.approval.build) == ("agreed", "player 1")
    assert "arrival_ms = 0.2 # as on the bench\n" in here.reference().read_text(encoding="utf-8")
    log = (here.golden / "short" / "approvals.log").read_text(encoding="utf-8").splitlines()
    assert json.loads(log[-1])["changed"] == {
        "echo_timing.arrival_ms": [0.05, 0.2],
        "group_delay.delay_ms": [[[3000.0, 0.25], [4000.0, 1.0]], [[100.0, 0.1], [3000.0, 0.5]]],
    }
    assert golden_set.verify(here.golden) == []
    assert list(approving.notes(here.golden)) == []


@pytest.mark.usefixtures("here")
def test_a_tolerance_goes_back_to_the_shared_one(capsys: pytest.CaptureFixture[str]) -> None:
    approve("--set", "echo_timing.arrival_ms=0.2", "--why", "wider")
    approve("--set", "echo_timing.arrival_ms=default", "--why", "narrower")
    assert "  echo_timing.arrival_ms: 0.2 → 0.1, tighter" in capsys.readouterr().out
    assert reference_of("short").echo_timing.arrival_ms == Tolerance.both_ways(0.1)
    approve("--set", "echo_timing.arrival_ms=0.1", "--why", "the same")
    assert capsys.readouterr().out.splitlines()[-2:] == [
        "short: these terms are in force already",
        "golden/short/reference.toml says so already; nothing is written.",
    ]


def test_a_response_and_a_tolerance_are_approved_together(here: Workspace) -> None:
    settings = settings_from(["energy_decay.level_db=2", 'group_delay.not_asked="it is modulated"'])
    lines = list(
        approving.approve_reference("short", changed_build(here), "more drive", here.golden, settings=settings)
    )
    assert '  group_delay.not_asked: not set → "it is modulated", no longer asked' in lines
    assert not any("delay_ms" in line for line in lines)
    assert lines[-1] == f"{here.reference()} now holds player 1. Its terms are as shown."
    made = reference_of("short")
    assert (made.energy_decay.level_db.at().above, made.group_delay.not_asked) == (2, "it is modulated")
    assert golden_set.verify(here.golden) == []


def test_what_the_schema_refuses_changes_nothing(here: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    before = {path: path.read_bytes() for path in here.golden.rglob("*.*")}
    wished = ("--set", "echo_timing.arrival_ms=-1", "--set", "energy_decay.t30=2", "--set", "echo_timing.passes=0")
    approve(*wished, "--why", "because", status=2)
    problems = capsys.readouterr().err.splitlines()
    place = "reverdict: golden/short/reference.toml:"
    assert problems == [
        f"{place} echo_timing.arrival_ms: negative tolerance -1; a tolerance is 0 or more, and counts both ways",
        f"{place} echo_timing.passes: 1 springs and no pass to judge; say how many passes of each",
        f"{place} energy_decay.t30: unknown key; keys carry their unit: did you mean t30_percent?",
    ]
    assert {path: path.read_bytes() for path in here.golden.rglob("*.*")} == before


def test_what_was_edited_by_hand_is_allowed_named_and_approved_as_it_stands(
    here: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    shared = here.golden / "tolerances.toml"
    here.edit("level_db = 0.5", "level_db = 0.7", shared)
    here.edit("passes = 3", "passes = 2")
    told = said(capsys, "golden", "verify")
    how = "--as-it-stands --why TEXT)"
    wider, head = "energy_decay.level_db: 0.5 → 0.7, wider", "not approved, edited by hand:"
    assert told == [
        f"long: {head} {wider} (reverdict golden approve long {how}",
        f"short: {head} echo_timing.passes: 3 → 2; {wider} (reverdict golden approve short {how}",
        "golden: 2 references whole, every impulse as approved, nothing left over.",
    ]
    assert main(["golden", "verify", "--strict"]) == 2
    capsys.readouterr()
    assert sum(line.endswith("; edited by hand since") for line in said(capsys, "golden", "list")) == 2
    verdict = gate(here.build(), here.golden, only="short")
    assert verdict.outcome == "pass"
    (remark,) = verdict.references[0].remarks
    assert remark.startswith("tolerances not approved, edited by hand: echo_timing.passes: 3 → 2; ")
    for name in ("long", "short"):
        lines = said(capsys, "golden", "approve", name, "--as-it-stands", "--why", "agreed")
        assert lines[0] == f"{name}: edited by hand since the last approval, and approved with this one,"
    assert said(capsys, "golden", "verify", "--strict") == [told[-1]]
    assert said(capsys, "golden", "approve", "short", "--as-it-stands", "--why", "agreed") == [
        "golden/short/reference.toml says so already; nothing is written."
    ]


def test_a_response_is_never_approved_with_edits_unseen(here: Workspace) -> None:
    here.edit("passes = 3", "passes = 2")
    lines = list(approving.approve_reference("short", changed_build(here), "more drive", here.golden))
    assert lines[:2] == [
        "short: edited by hand since the last approval, and approved with this one,", "  echo_timing.passes: 3 → 2",
    ]  # fmt: skip
    assert list(approving.notes(here.golden)) == []


def test_references_from_before_terms_were_recorded_are_fine(here: Workspace) -> None:
    toml = here.reference()
    lines = toml.read_text(encoding="utf-8").splitlines(keepends=True)
    old = [line for line in lines if not line.startswith(("analysis_version", "terms_sha256"))]
    toml.write_text("".join(old), encoding="utf-8")
    log = here.golden / "short" / "approvals.log"
    record = json.loads(log.read_text(encoding="utf-8"))
    kept = {key: record[key] for key in ("when", "who", "build", "why", "old_sha256", "new_sha256")}
    log.write_text(json.dumps(kept) + "\n", encoding="utf-8")
    here.edit("passes = 3", "passes = 2")
    assert golden_set.verify(here.golden) == []
    assert list(approving.notes(here.golden)) == []
    list(approving.approve_reference("short", here.takes / "long.wav", "longer", here.golden))
    here.edit("passes = 2", "passes = 1")
    (note,) = approving.notes(here.golden)
    assert "echo_timing.passes: 2 → 1" in note


# Another analysis.


@pytest.mark.slow
def test_a_golden_that_measures_otherwise_by_another_analysis_is_told(
    here: Workspace, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    list(approving.approve_reference("short", here.takes / "long.wav", "longer", here.golden))
    assert list(approving.notes(here.golden)) == []
    for module in ("measure.version", "golden_set.standing", "golden_set.writing", "gate"):
        monkeypatch.setattr(f"reverdict.{module}.ANALYSIS_VERSION", 2)
    assert list(approving.notes(here.golden)) == []  # raised, and nothing moved
    monkeypatch.setattr("reverdict.measure.decay_times.FITS", {**FITS, "t20": (-5.0, -24.0, 35.0)})
    (note,) = approving.notes(here.golden)
    assert note.startswith("short: measures differently by analysis 2 than when it was approved, by analysis 1: ")
    assert re.search(r" T20 [\d.]+ s → [\d.]+ s \([+-]", note)
    assert note.endswith("(reverdict golden approve short --as-it-stands --why TEXT)")
    verdict = gate(here.build(), here.golden, only="short")
    assert verdict.analysis_version == 2
    assert to_json(verdict)["analysis_version"] == 2
    (remark,) = verdict.references[0].remarks
    assert remark == ("approved under analysis 1, judged by 2: golden verify says what it measures differently now")
    capsys.readouterr()
    lines = said(capsys, "golden", "approve", "short", "--as-it-stands", "--why", "a better fit")
    assert lines == ["golden/short/reference.toml is approved. Tolerances are as they were."]
    assert list(approving.notes(here.golden)) == []


def test_what_moves_without_a_new_version_is_told_too(here: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    list(approving.approve_reference("short", here.takes / "long.wav", "longer", here.golden))
    monkeypatch.setattr("reverdict.measure.decay_times.FITS", {**FITS, "t20": (-5.0, -24.0, 35.0)})
    (note,) = approving.notes(here.golden)
    assert "by the same analysis 1, on another machine: " in note


# Verifying and listing.


def test_a_golden_that_does_not_measure_as_its_reference_says_is_found(
    here: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["golden", "verify"]) == 0
    here.edit("springs = 1", "springs = 5")
    assert main(["golden", "verify"]) == 2
    assert capsys.readouterr().err == (
        "reverdict: golden/short/reference.toml: echo_timing: the golden itself does not measure as its reference "
        "says: 5 springs by 1:3:5; found 1 by 1:3:5\n"
    )


def test_list_tells_what_is_asked_and_who_approved(here: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    first, second, *rest = said(capsys, "golden", "list")
    assert first.split() == [
        "long", "build", "mono", "48000", "Hz", "0.60", "s", "asked:", "echo-timing,", "group-delay,", "energy-decay,",
        "conduct",
    ]  # fmt: skip
    assert second.strip().startswith("the long spring; approved by First ear, 20")
    assert len(rest) == 2
    assert here.golden.is_dir()


def test_verify_says_that_all_is_well(here: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    expected = "golden: 2 references whole, every impulse as approved, nothing left over."
    assert said(capsys, "golden", "verify") == [expected]
    (here.golden / "short" / "old.wav").write_bytes(b"")
    assert main(["golden", "verify"]) == 2
    assert capsys.readouterr().err == (
        "reverdict: golden/short/old.wav: named by no reference.toml; delete it, or name it\n"
    )


def test_tolerances_in_force_are_own_ones_over_the_shared(here: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    here.edit("passes = 3", "passes = 3\narrival_ms = 0.02")
    lines = said(capsys, "golden", "tolerances")
    short = lines[lines.index("short") :]
    long = lines[lines.index("long") : lines.index("short")]
    assert "  echo-timing   arrival_ms = 0.02" in short
    assert "  echo-timing   arrival_ms = 0.1" in long
    assert "  cost          not asked: not asked of a player" in short
    assert "  group-delay   delay_ms = 0.25 at 3000 Hz, 1 at 4000 Hz" in short


# Schemas.


@pytest.mark.parametrize("which", ["reference", "tolerances", "build", "verdict"])
def test_schema_prints_a_valid_json_schema(capsys: pytest.CaptureFixture[str], which: str) -> None:
    printed = json.loads("\n".join(said(capsys, "schema", which)))
    jsonschema.validators.validator_for(printed).check_schema(printed)
    assert printed == (verdict_schema() if which == "verdict" else json_schema(which))


def as_json(path: Path) -> Any:
    """A TOML file as an editor hands it to a JSON Schema: dates are strings there."""
    return json.loads(json.dumps(read_toml(path), default=lambda date: date.isoformat()))


def test_what_is_written_fits_the_schema(here: Workspace) -> None:
    making.new_reference("bench", here.takes / "short.wav", here.golden, making.Wishes())
    for name in ("bench", "short"):
        jsonschema.validate(as_json(here.reference(name)), json_schema("reference"))
    jsonschema.validate(as_json(here.golden / "tolerances.toml"), json_schema("tolerances"))
    jsonschema.validate(as_json(here.build("[build.limits]\nseconds = 3")), json_schema("build"))


@pytest.mark.parametrize("slip", ["passes = -1", "pases = 3", 'arrival_hz = "500"'])
def test_the_schema_finds_slips_too(here: Workspace, slip: str) -> None:
    here.edit("passes = 3", slip)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(as_json(here.reference()), json_schema("reference"))
