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
from reverdict import golden_set, making, schema
from reverdict.builds import open_build
from reverdict.command_line import main
from reverdict.gate import gate
from reverdict.reference import Reference
from reverdict.report.verdict_json import json_schema as verdict_schema
from reverdict.sound import write_sound

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
    monkeypatch.setattr(making, "who", lambda: "Third ear")
    path = Path("tanks/bench/reference.toml")
    lines = said(
        capsys, "golden", "new", "bench", "--from", "takes/short.wav", "--golden", "tanks", "--title", "My tank"
    )
    assert lines == [
        f"{path} written.",
        "echo-timing is asked: springs = 1, pass_law = 1:3:5, passes = 3, arrival_hz = 500.0",
        "group-delay is asked",
        "energy-decay is asked",
        "cost is not asked: made from a recording, and a recording has no cost",
        "conduct is asked",
        making.ROOM_FOR_CAPTURES,
    ]
    assert making.ROOM_FOR_CAPTURES.startswith("tolerances are those of tolerances.toml, tight as for a rebuild; ")
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
    assert "echo-timing is asked: springs = 1, pass_law = 1:3:5, passes = 3, arrival_hz = 500.0" in lines
    (golden,) = golden_set.load(here.golden, "pair")
    assert golden.reference.channels == "mono-to-stereo"
    np.testing.assert_array_equal(golden.response.samples, both)


def test_channels_that_disagree_are_not_asked_about_their_springs(here: Workspace) -> None:
    noise = np.random.default_rng(3).normal(size=spring(300).size) * np.exp(-np.arange(spring(300).size) / 3000)
    write_sound(Path("odd.wav"), np.vstack([spring(300), noise]), RATE_HZ)
    making.new_reference("odd", Path("odd.wav"), here.golden, making.Wishes())
    made = reference_of("odd")
    assert made.echo_timing.springs == 0
    assert made.group_delay.not_asked.startswith("no separate passes: ")
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


def test_a_build_becomes_a_reference_with_its_own_cost(here: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    build = here.build("[build.limits]\nseconds = 30", commit="0123456789abcdef")
    wishes = ("--seconds", "0.5", "--block", "64", "--parameter", "program=short", "--parameter", "gain=0.5")
    lines = said(capsys, "golden", "new", "half", "--from", str(build), *wishes)
    made = reference_of("half")
    assert (made.origin, made.approval.build) == ("build", "player 1 (0123456789)")
    assert made.render.parameters == {"program": "short", "gain": 0.5}
    assert (made.render.seconds, made.render.block_sizes, made.render.sample_rates_hz) == (0.5, (64,), (RATE_HZ,))
    assert made.cost.kernel_ratio is not None
    assert made.cost.kernel_ratio > 0
    assert made.cost.dearer_percent == making.KERNEL_DEARER_PERCENT
    assert lines[4] == f"cost is asked: kernel_ratio = {made.cost.kernel_ratio}, dearer_percent = 30"
    (golden,) = golden_set.load(here.golden, "half")
    np.testing.assert_allclose(golden.response.samples[0], 0.5 * spring(300)[:24000], atol=1e-6)


def test_an_approval_names_a_short_commit_and_uncommitted_changes(here: Workspace) -> None:
    build = open_build(here.build(commit="0123456789abcdef + uncommitted changes"))
    assert making.label_of(build) == "player 1 (0123456789 + uncommitted changes)"


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
    monkeypatch.setattr(making, "who", lambda: "Second ear")
    before = here.reference().read_bytes()
    lines = []
    for line in making.approve_reference("short", changed_build(here), "more drive", here.golden):
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
    _, *lines, _ = making.approve_reference("short", here.takes / "long.wav", "the longer one is right", here.golden)
    assert len(lines) == making.SHOWN_CHANGES + 1
    assert all(line.startswith("  fail: ") for line in lines[:-1])
    assert re.fullmatch(r"  and \d+ smaller ones", lines[-1])


def test_an_approval_of_the_same_sound_says_that_nothing_moves(here: Workspace) -> None:
    before = {path: path.read_bytes() for path in here.golden.rglob("*.*")}
    lines = list(making.approve_reference("short", here.takes, "heard again", here.golden))
    assert lines[1:] == ["  nothing moves", f"{here.reference()} holds this response already; nothing is written."]
    assert {path: path.read_bytes() for path in here.golden.rglob("*.*")} == before


def test_what_was_changed_by_hand_is_logged_although_nothing_moves(here: Workspace) -> None:
    """As verify advises: approve once more, so that it is known who changed it and why."""
    log = here.golden / "short" / "approvals.log"
    log.write_text(log.read_text(encoding="utf-8").replace(golden_set.references(here.golden)[1].files[0].sha256, "0"))
    (mistake,) = golden_set.verify(here.golden)
    assert "approve once more" in str(mistake)
    list(making.approve_reference("short", here.takes, "checked by ear", here.golden))
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
    *_, last = making.approve_reference("short", Path("louder.wav"), "more drive", here.golden)
    assert last == f"{here.reference()} now holds louder.wav. Tolerances are as they were."
    assert reference_of("short").origin == "capture"


def test_an_altered_golden_can_be_approved_as_its_message_advises(here: Workspace) -> None:
    write_sound(here.impulse(), 0.9 * spring(300)[np.newaxis], RATE_HZ)
    (mistake,) = golden_set.verify(here.golden)
    assert "reverdict golden approve short --from BUILD --why TEXT" in str(mistake)
    first, *_ = making.approve_reference("short", here.takes / "short.wav", "restored by ear", here.golden)
    assert first == f"short: nothing to compare with: {mistake}"
    assert golden_set.verify(here.golden) == []


def test_a_lost_golden_can_be_approved(here: Workspace) -> None:
    here.impulse().unlink()
    list(making.approve_reference("short", here.takes, "recorded anew", here.golden))
    assert golden_set.verify(here.golden) == []


def test_an_approval_renews_the_cost_that_the_reference_keeps(here: Workspace) -> None:
    here.edit('not_asked = "not asked of a player"', "kernel_ratio = 1e9")
    build = here.build("[build.limits]\nseconds = 30")
    list(making.approve_reference("short", build, "cheaper", here.golden))
    assert 0 < (reference_of("short").cost.kernel_ratio or 0) < 1e6


def test_an_approval_that_cannot_time_says_that_the_cost_is_the_old_one(here: Workspace) -> None:
    here.edit('not_asked = "not asked of a player"', "kernel_ratio = 123.0")
    lines = list(making.approve_reference("short", here.takes, "captured", here.golden))
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

    monkeypatch.setattr(golden_set.Approving, "write", refused)
    monkeypatch.setattr(golden_set, "new", refused)
    for command in (["approve", "short", "--why", "because"], ["new", "x"]):
        assert main(["golden", *command, "--from", "takes/long.wav"]) == 2
        assert capsys.readouterr().err == "reverdict: golden: cannot be written to (Permission denied)\n"


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
    assert printed == (verdict_schema() if which == "verdict" else schema.json_schema(which))


def as_json(path: Path) -> Any:
    """A TOML file as an editor hands it to a JSON Schema: dates are strings there."""
    return json.loads(json.dumps(schema.read_toml(path), default=lambda date: date.isoformat()))


def test_what_is_written_fits_the_schema(here: Workspace) -> None:
    making.new_reference("bench", here.takes / "short.wav", here.golden, making.Wishes())
    for name in ("bench", "short"):
        jsonschema.validate(as_json(here.reference(name)), schema.json_schema("reference"))
    jsonschema.validate(as_json(here.golden / "tolerances.toml"), schema.json_schema("tolerances"))
    jsonschema.validate(as_json(here.build("[build.limits]\nseconds = 3")), schema.json_schema("build"))


@pytest.mark.parametrize("slip", ["passes = -1", "pases = 3", 'arrival_hz = "500"'])
def test_the_schema_finds_slips_too(here: Workspace, slip: str) -> None:
    here.edit("passes = 3", slip)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(as_json(here.reference()), schema.json_schema("reference"))
