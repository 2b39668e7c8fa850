"""The golden folder: loading refuses what is not as approved; approving is one moment and leaves a trail."""

from __future__ import annotations

import json
import os
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from reverdict import golden_set
from reverdict.errors import BadInput, BadInputs
from reverdict.golden_set import writing
from reverdict.reference import Tolerance
from reverdict.schema.toml import read_toml
from reverdict.sound import digest, write_sound
from reverdict.words import INPUTS, PATHS, Response

RATE_HZ = 48000
TABLES: dict[str, Any] = {
    "title": "A tank",
    "origin": "build",
    "render": {"seconds": 0.01, "sample_rates_hz": [RATE_HZ], "block_sizes": [64], "parameters": {"program": "tank"}},
    "approval": {"who": "First ear", "build": "workshop 1.0", "why": "It is the tank"},
    "echo_timing": {"springs": 2, "pass_law": "1:3:5", "passes": 3},
    "cost": {"not_asked": "a recording has no cost"},
}


def noise(channels: str = "mono", seed: int = 1, samples: int = 480, click_at_s: float = 0.0) -> Response:
    paths = PATHS[channels]
    rows = np.random.default_rng(seed).normal(scale=0.1, size=(len(paths), samples))
    return Response(rows, RATE_HZ, click_at_s, paths)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A golden folder with one mono reference, ``tank``."""
    writing.new("tank", noise(), TABLES, tmp_path / "golden")
    return tmp_path / "golden"


def impulse_of(folder: Path, name: str = "tank") -> Path:
    (path,) = (folder / name).glob("response-*.*")
    return path


def mistakes_of(folder: Path, only: str = "*") -> list[str]:
    with pytest.raises(BadInput) as caught:
        golden_set.load(folder, only)
    return str(caught.value).splitlines()


def approve(folder: Path, response: Response, name: str = "tank", **more: Any) -> writing.Approved:
    words = {"build": "workshop 1.1", "why": "The new taps are right", "who": "Second ear"} | more
    return writing.approve(name, response, golden_folder=folder, **words)


# Loading.


@pytest.mark.parametrize("channels", PATHS)
def test_what_was_made_golden_loads_with_its_paths_in_order(tmp_path: Path, channels: str) -> None:
    response = noise(channels)
    writing.new("tank", response, TABLES, tmp_path)
    (golden,) = golden_set.load(tmp_path)
    assert golden.name == "tank"
    assert golden.response.paths == PATHS[channels]
    assert golden.response.click_at_s == 0
    # A render is kept in 32-bit floats: their rounding is at most half of 2**-23 of each sample.
    np.testing.assert_allclose(golden.response.samples, response.samples, rtol=2.0**-24, atol=0)
    assert [file.input for file in golden.reference.files] == list(INPUTS[channels])
    assert golden_set.verify(tmp_path) == []


def test_paths_do_not_depend_on_the_order_of_the_files_in_the_toml(tmp_path: Path) -> None:
    path = writing.new("tank", noise("stereo-to-stereo"), TABLES, tmp_path)
    before = golden_set.load(tmp_path)[0].response.samples
    head, left, rest = path.read_text(encoding="utf-8").split("[[files]]")
    right, tail = rest.split("[render]")
    path.write_text(f"{head}[[files]]{right}[[files]]{left}\n[render]{tail}", encoding="utf-8")
    assert [file["input"] for file in read_toml(path)["files"]] == ["right", "left"]
    np.testing.assert_array_equal(golden_set.load(tmp_path)[0].response.samples, before)


def test_what_lies_before_the_click_is_cut_off(tmp_path: Path) -> None:
    response = noise(click_at_s=0.001)
    writing.new("tank", response, TABLES, tmp_path)
    kept = golden_set.load(tmp_path)[0].response
    assert kept.samples.shape == (1, 480 - 48)
    np.testing.assert_allclose(kept.samples, response.samples[:, 48:], rtol=2.0**-24, atol=0)


def test_only_what_is_selected_is_loaded_and_judged(folder: Path) -> None:
    writing.new("plate", noise(seed=2), TABLES, folder)
    (folder / "plate" / "reference.toml").write_text("title = ", encoding="utf-8")
    assert [golden.name for golden in golden_set.load(folder, "ta*")] == ["tank"]
    assert len(mistakes_of(folder)) == 1


def test_an_altered_impulse_is_refused_with_what_to_do(folder: Path) -> None:
    path = impulse_of(folder)
    samples, _ = soundfile.read(path, always_2d=True)
    samples[100] *= 1 + 1e-6
    write_sound(path, samples.T, RATE_HZ)
    (found,) = mistakes_of(folder)
    assert found.startswith(f"{path}: altered: its samples do not match sha256 in reference.toml; restore it, or: ")
    assert "reverdict golden approve tank --from BUILD --why TEXT" in found
    assert [str(mistake) for mistake in golden_set.verify(folder)] == [found]


def test_the_same_sound_in_another_file_is_not_altered(folder: Path) -> None:
    path = impulse_of(folder)
    samples, rate_hz = soundfile.read(path, always_2d=True)
    before = path.read_bytes()
    write_sound(path, samples.T, rate_hz, "DOUBLE")
    assert path.read_bytes() != before
    assert len(golden_set.load(folder)) == 1


@pytest.mark.parametrize(
    ("samples", "rate_hz", "expected"),
    [
        (np.ones((1, 480)), 44100, "has 44100 Hz, reference.toml says rate_hz = 48000"),
        (np.ones((2, 480)), RATE_HZ, 'has 2 channels, "mono" needs 1'),
        (np.full((1, 480), np.nan), RATE_HZ, "480 samples are not finite, first at sample 0"),
    ],
)
def test_an_impulse_that_does_not_fit_is_refused(folder: Path, samples: Any, rate_hz: int, expected: str) -> None:
    path = impulse_of(folder)
    write_sound(path, samples, rate_hz)
    assert mistakes_of(folder) == [f"{path}: {expected}"]


def test_a_silent_impulse_is_refused_even_with_its_digest(folder: Path) -> None:
    path, toml = impulse_of(folder), folder / "tank" / "reference.toml"
    silence = np.zeros((1, 480))
    write_sound(path, silence, RATE_HZ)
    (golden,) = golden_set.references(folder)
    text = toml.read_text(encoding="utf-8").replace(golden.files[0].sha256, digest(silence, RATE_HZ))
    toml.write_text(text, encoding="utf-8")
    assert mistakes_of(folder) == [f"{path}: holds only silence"]


def test_missing_cut_and_lfs_impulses_are_told_apart(folder: Path) -> None:
    path = impulse_of(folder)
    path.write_bytes(b"version https://git-lfs.github.com/spec/v1\noid sha256:00\nsize 1\n")
    assert mistakes_of(folder) == [f"{path}: a pointer of git LFS instead of the sound; git lfs pull"]
    path.write_bytes(b"")
    assert mistakes_of(folder) == [f"{path}: the file is empty (0 bytes); was its recording cut off?"]
    path.unlink()
    assert mistakes_of(folder) == [f"{path}: missing, but named in reference.toml; was it not committed?"]


def test_files_of_unequal_length_are_refused(tmp_path: Path) -> None:
    path = writing.new("tank", noise("stereo-to-stereo"), TABLES, tmp_path)
    (golden,) = golden_set.references(tmp_path)
    shorter = noise("stereo-to-stereo", samples=470).samples[:2].astype(np.float32).astype(np.float64)
    write_sound(golden.files[0].path, shorter, RATE_HZ)
    text = path.read_text(encoding="utf-8").replace(golden.files[0].sha256, digest(shorter, RATE_HZ))
    path.write_text(text, encoding="utf-8")
    assert mistakes_of(tmp_path) == [f"{path}: files: the impulses are 470 and 480 samples long, need equal lengths"]


def test_mistakes_of_the_whole_folder_come_at_once(folder: Path) -> None:
    for number, name in enumerate(("plate", "spring")):
        writing.new(name, noise(seed=number), TABLES, folder)
    impulse_of(folder, "plate").unlink()
    toml = folder / "spring" / "reference.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("passes", "pases").replace("springs", "coils"))
    places = [mistake.split(":")[0] for mistake in mistakes_of(folder)]
    assert set(places) == {str(toml), str(folder / "plate" / impulse_name(folder, "plate"))}
    assert len(places) > 2


def impulse_name(folder: Path, name: str) -> str:
    return golden_set.references(folder, name)[0].files[0].path.name


def test_a_slip_in_the_shared_tolerances_is_reported_once(folder: Path) -> None:
    writing.new("plate", noise(seed=2), TABLES, folder)
    shared = folder / "tolerances.toml"
    shared.write_text("[echo_timing]\narrival = 0.1\n", encoding="utf-8")
    assert mistakes_of(folder) == [
        f"{shared}: echo_timing.arrival: unknown key; keys carry their unit: did you mean arrival_ms?"
    ]


def test_without_shared_tolerances_the_missing_keys_are_named(folder: Path) -> None:
    (folder / "tolerances.toml").unlink()
    found = mistakes_of(folder)
    toml = folder / "tank" / "reference.toml"
    assert f"{toml}: echo_timing.arrival_ms: missing; set it here or in tolerances.toml" in found
    assert not any("cost" in mistake for mistake in found)


def test_nothing_to_load_is_a_mistake_that_says_what_was_looked_for(tmp_path: Path, folder: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert "no such folder" in mistakes_of(tmp_path / "none")[0]
    assert f"looked for {tmp_path / 'empty'}/*/reference.toml" in mistakes_of(tmp_path / "empty")[0]
    assert mistakes_of(folder, "plate*") == [f'{folder}: no reference matches "plate*"; there are tank']
    assert "--only tank" in mistakes_of(folder / "tank")[0]


def test_a_reference_that_lost_its_toml_does_not_drop_out_unseen(folder: Path) -> None:
    (folder / "tank" / "reference.toml").unlink()
    assert mistakes_of(folder) == [f"{folder / 'tank' / 'reference.toml'}: no such file"]


def test_a_folder_whose_name_cannot_be_is_refused(folder: Path) -> None:
    (folder / "tank").rename(folder / "old tank")
    (found,) = mistakes_of(folder)
    assert '"old tank" cannot name a reference' in found


def test_folders_that_hold_no_reference_are_left_alone(folder: Path) -> None:
    (folder / "notes").mkdir()
    (folder / "notes" / "README.md").write_text("x", encoding="utf-8")
    (folder / ".cache").mkdir()
    assert golden_set.names(folder) == ["tank"]
    assert golden_set.verify(folder) == []


# Verifying and listing.


def test_orphans_and_what_a_cut_off_write_left_are_found(folder: Path) -> None:
    orphan, loose = folder / "tank" / "take-2.wav", folder / "other.flac"
    half, temporary = folder / "tank" / ".response-00.123.wav", folder / ".plate.12.new"
    for path in (orphan, loose, half):
        path.write_bytes(b"x")
    temporary.mkdir()
    (folder / "void").mkdir()
    found = {Path(mistake.place): mistake.problem for mistake in golden_set.verify(folder)}
    assert found == {
        orphan: "named by no reference.toml; delete it, or name it",
        loose: "named by no reference.toml; delete it, or name it",
        half: "left over from a write that was cut off; delete it",
        temporary: "left over from a write that was cut off; delete it",
        folder / "void": "empty; was its reference not committed?",
    }


def test_whatever_lies_in_place_of_a_file_is_named(folder: Path) -> None:
    """Folders, pipes, links to nowhere and to themselves, half a file; none of them ends or hides the rest."""
    for number, name in enumerate(("dir", "gone", "loop", "pipe", "toml")):
        writing.new(name, noise(seed=number), TABLES, folder)
    in_16_bits = Response(np.round(noise(samples=9600).samples * 2**15) / 2**15, RATE_HZ)
    writing.new("cut", in_16_bits, TABLES, folder)
    cut = impulse_of(folder, "cut")
    assert cut.suffix == ".flac"
    cut.write_bytes(cut.read_bytes()[:5000])
    at = {name: impulse_of(folder, name) for name in ("dir", "loop", "pipe")}
    for path in at.values():
        path.unlink()
    at["dir"].mkdir()
    at["loop"].symlink_to(at["loop"].name)
    os.mkfifo(at["pipe"])
    (folder / "toml" / "reference.toml").unlink()
    (folder / "toml" / "reference.toml").mkdir()
    (folder / "gone" / "approvals.log").unlink()
    (folder / "gone" / "approvals.log").mkdir()
    (folder / "round").symlink_to("round")
    (folder / "up").symlink_to(".", target_is_directory=True)
    (folder / "tank" / "self.wav").symlink_to("self.wav")
    (folder / "tank" / "takes.wav").mkdir()
    found = {Path(mistake.place): mistake.problem for mistake in golden_set.verify(folder)}
    assert found.pop(cut).startswith(("not a readable WAV or FLAC file", "altered: "))
    assert found.pop(at["loop"]).startswith("cannot be read (Too many levels of symbolic links")
    assert found == {
        at["dir"]: "no file, but reference.toml names it as a sound file",
        at["pipe"]: "no file, but reference.toml names it as a sound file",
        folder / "toml" / "reference.toml": "a folder, need a TOML file",
        folder / "gone" / "approvals.log": "is no file; take it away, so that the next approval begins a log",
        folder / "tank" / "self.wav": "named by no reference.toml; delete it, or name it",
        folder / "tank" / "takes.wav": "named by no reference.toml; delete it, or name it",
    }


def test_what_may_not_be_read_is_named(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who runs the tests as root may read anything, so the system's answer is made up."""
    writing.new("shut", noise(seed=2), TABLES, folder)
    locked = {impulse_of(folder), folder / "shut"}
    opened, listed = Path.open, Path.iterdir

    def refused(path: Path) -> None:
        if path in locked:
            raise PermissionError(13, "Permission denied", str(path))

    def guarded_open(path: Path, *arguments: Any, **more: Any) -> Any:
        refused(path)
        return opened(path, *arguments, **more)

    def guarded_iterdir(path: Path) -> Any:
        refused(path)
        return listed(path)

    monkeypatch.setattr(Path, "open", guarded_open)
    monkeypatch.setattr(Path, "iterdir", guarded_iterdir)
    assert sorted(str(mistake) for mistake in golden_set.verify(folder)) == [
        f"{folder / 'shut'}: cannot be looked into (Permission denied)",
        f"{impulse_of(folder)}: cannot be read (Permission denied)",
    ]


def test_tolerances_that_are_a_link_to_themselves_are_not_taken_for_missing(folder: Path) -> None:
    shared = folder / "tolerances.toml"
    shared.unlink()
    shared.symlink_to(shared.name)
    (found,) = golden_set.verify(folder)
    assert str(found).startswith(f"{shared}: cannot be read (Too many levels of symbolic links")


def test_sounds_of_an_unreadable_reference_are_not_called_orphans(folder: Path) -> None:
    toml = folder / "tank" / "reference.toml"
    toml.write_text("title = ", encoding="utf-8")
    (found,) = golden_set.verify(folder)
    assert found.place == str(toml)


def test_impulses_changed_by_hand_do_not_match_the_log(folder: Path) -> None:
    toml, path = folder / "tank" / "reference.toml", impulse_of(folder)
    (golden,) = golden_set.references(folder)
    other = noise(seed=9).samples.astype(np.float32).astype(np.float64)
    write_sound(path, other, RATE_HZ)
    text = toml.read_text(encoding="utf-8").replace(golden.files[0].sha256, digest(other, RATE_HZ))
    toml.write_text(text, encoding="utf-8")
    (found,) = golden_set.verify(folder)
    assert found.problem.startswith("its last approval is not that of the impulses in place")


def test_a_log_that_was_cut_off_is_found(folder: Path) -> None:
    log = folder / "tank" / "approvals.log"
    log.write_text(log.read_text(encoding="utf-8") + '{"when": "2026', encoding="utf-8")
    (found,) = golden_set.verify(folder)
    assert str(found) == f"{log}: line 2: not a record of an approval; was it cut off?"


def test_a_list_says_what_is_asked_and_who_approved(folder: Path) -> None:
    (summary,) = golden_set.describe(folder)
    assert (summary.name, summary.title, summary.origin, summary.channels) == ("tank", "A tank", "build", "mono")
    assert (summary.rate_hz, summary.seconds) == (RATE_HZ, 0.01)
    assert summary.asked == ("echo-timing", "group-delay", "energy-decay", "conduct")
    assert (summary.approved_by, summary.approved_build) == ("First ear", "workshop 1.0")
    assert summary.approved_at.tzinfo is not None


# New references.


def test_a_new_folder_gets_the_proposed_tolerances(folder: Path) -> None:
    (golden,) = golden_set.references(folder)
    # CHECKVALUES, hearing thresholds: arrival 0.1 ms, delay 0.25 then 1 ms, f_C 1 %, decay 2 %, level 0.5 dB.
    assert golden.echo_timing.arrival_ms == golden.echo_timing.onset_ms == Tolerance.both_ways(0.1)
    assert [golden.group_delay.delay_ms.at(hz) for hz in (500.0, 5000.0)] == [(0.25, 0.25), (1.0, 1.0)]
    assert golden.group_delay.transition_percent == Tolerance.both_ways(1)
    decay = golden.energy_decay
    assert decay.edt_percent == decay.t20_percent == decay.t30_percent == Tolerance.both_ways(2)
    assert decay.level_db == Tolerance.both_ways(0.5)


def test_tolerances_that_are_there_stay_as_they_are(folder: Path) -> None:
    shared = folder / "tolerances.toml"
    shared.write_text(shared.read_text(encoding="utf-8") + "# ours\n", encoding="utf-8")
    writing.new("plate", noise(), TABLES, folder)
    assert shared.read_text(encoding="utf-8").endswith("# ours\n")


def test_a_new_reference_explains_its_keys_and_keeps_lines_short(folder: Path) -> None:
    lines = (folder / "tank" / "reference.toml").read_text(encoding="utf-8").splitlines()
    assert "seconds = 0.01 # Length rendered after the click, in s." in lines
    assert "# from ../tolerances.toml, unless set here: arrival_ms, onset_ms" in lines
    assert max(len(line) for line in lines) <= 120


def test_a_new_reference_starts_its_log(folder: Path) -> None:
    (line,) = (folder / "tank" / "approvals.log").read_text(encoding="utf-8").splitlines()
    record = json.loads(line)
    assert (record["who"], record["build"], record["why"]) == ("First ear", "workshop 1.0", "It is the tank")
    assert record["old_sha256"] == []
    assert record["new_sha256"] == [file.sha256 for file in golden_set.references(folder)[0].files]


def test_an_existing_reference_is_never_written_over(folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    with pytest.raises(BadInput, match="already a reference"):
        writing.new("tank", noise(seed=2), TABLES, folder)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_tables_that_do_not_read_back_leave_nothing_behind(tmp_path: Path) -> None:
    golden = tmp_path / "golden"
    with pytest.raises(BadInputs) as caught:
        writing.new("tank", noise(), {**TABLES, "echo_timing": {"coils": 2}}, golden)
    places = [mistake.place for mistake in caught.value.mistakes]
    assert places[0] == f"{golden / 'tank' / 'reference.toml'}: echo_timing.coils"
    assert list(golden.iterdir()) == []


@pytest.mark.parametrize("name", ["../tank", "a b", "", ".tank"])
def test_a_name_that_cannot_be_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(BadInput, match="cannot name a reference"):
        writing.new(name, noise(), TABLES, tmp_path / "golden")


@pytest.mark.parametrize("samples", [np.zeros((1, 480)), np.full((1, 480), np.inf), np.zeros((1, 0))])
def test_silence_cannot_become_golden(tmp_path: Path, samples: Any) -> None:
    with pytest.raises(BadInput, match="cannot be golden"):
        writing.new("tank", Response(samples, RATE_HZ), TABLES, tmp_path / "golden")


@pytest.mark.parametrize(
    ("bits", "subtype"), [(16, "PCM_16"), (20, "PCM_24"), (24, "PCM_24"), (25, "FLOAT"), (40, "DOUBLE")]
)
def test_a_capture_is_kept_exactly_in_the_smallest_format(tmp_path: Path, bits: int, subtype: str) -> None:
    most = 2 ** (bits - 1)
    steps = np.random.default_rng(bits).integers(-most, most, size=(1, 4800))
    steps[0, :3] = -most, most - 1, 1
    if bits == 25:
        steps[0] = steps[0] // 2 * 2
        steps[0, 2] = 1
    capture = Response(steps / most, RATE_HZ)
    writing.new("tank", capture, {**TABLES, "origin": "capture"}, tmp_path)
    assert soundfile.info(impulse_of(tmp_path)).subtype == subtype
    np.testing.assert_array_equal(golden_set.load(tmp_path)[0].response.samples, capture.samples)


def test_a_capture_beyond_full_scale_is_kept(tmp_path: Path) -> None:
    capture = Response(np.array([[1.0, -2.0, 0.5]]), RATE_HZ)
    writing.new("tank", capture, {**TABLES, "origin": "capture"}, tmp_path)
    np.testing.assert_array_equal(golden_set.load(tmp_path)[0].response.samples, capture.samples)


# Approving.


def test_an_approval_changes_impulse_digest_and_approval_and_nothing_else(folder: Path) -> None:
    writing.new("plate", noise(seed=2), TABLES, folder)
    toml = folder / "tank" / "reference.toml"
    text = toml.read_text(encoding="utf-8").replace("[echo_timing]", "arrival_ms = 0.3 # ours\n[echo_timing]")
    text = text.replace(
        "arrival_ms = 0.3 # ours\n[echo_timing] # When the echoes arrive.", "[echo_timing] # ours\narrival_ms = 0.3"
    )
    toml.write_text(text, encoding="utf-8")
    others = {path: path.read_bytes() for path in (folder / "plate").iterdir()}
    old = impulse_of(folder)
    when = datetime(2026, 11, 25, 9, tzinfo=timezone.utc)

    approved = approve(folder, noise(seed=3), when=when)

    (golden,) = golden_set.load(folder, "tank")
    np.testing.assert_allclose(golden.response.samples, noise(seed=3).samples, rtol=2.0**-24, atol=0)
    approval = golden.reference.approval
    assert (approval.who, approval.when) == ("Second ear", when)
    assert (approval.build, approval.why) == ("workshop 1.1", "The new taps are right")
    assert approved.new_sha256 == (golden.reference.files[0].sha256,)
    assert golden.reference.files[0].path.name == f"response-{approved.new_sha256[0][:12]}.wav"
    assert not old.exists()
    changed = [
        pair
        for pair in zip(text.splitlines(), toml.read_text(encoding="utf-8").splitlines(), strict=True)
        if pair[0] != pair[1]
    ]
    assert [line.split(" = ")[0] for _, line in changed] == [
        "path", "sha256", "who", "when", "build", "why", "terms_sha256"
    ]  # fmt: skip
    assert all(before.partition("#")[2] == after.partition("#")[2] for before, after in changed)
    assert {path: path.read_bytes() for path in (folder / "plate").iterdir()} == others
    assert golden_set.verify(folder) == []


def test_approvals_leave_a_trail(folder: Path) -> None:
    first = golden_set.references(folder)[0].files[0].sha256
    approved = approve(folder, noise(seed=3))
    approve(folder, noise(seed=4), why="Ünd wieder")
    lines = (folder / "tank" / "approvals.log").read_text(encoding="utf-8").splitlines()
    records = [json.loads(line) for line in lines]
    assert [record["why"] for record in records] == ["It is the tank", "The new taps are right", "Ünd wieder"]
    assert records[1]["old_sha256"] == [first] == list(approved.old_sha256)
    assert records[2]["old_sha256"] == records[1]["new_sha256"]


def test_approving_the_same_response_again_keeps_its_file(folder: Path) -> None:
    approved = approve(folder, noise())
    assert approved.old_sha256 == approved.new_sha256
    assert golden_set.verify(folder) == []


def test_both_files_of_a_stereo_reference_are_replaced(tmp_path: Path) -> None:
    writing.new("tank", noise("stereo-to-stereo"), TABLES, tmp_path)
    response = noise("stereo-to-stereo", seed=5, samples=300)
    approve(tmp_path, response)
    np.testing.assert_allclose(golden_set.load(tmp_path)[0].response.samples, response.samples, rtol=2.0**-24, atol=0)
    assert golden_set.verify(tmp_path) == []


def test_a_lost_or_altered_impulse_can_be_replaced_by_approval(folder: Path) -> None:
    impulse_of(folder).unlink()
    approve(folder, noise(seed=3))
    assert golden_set.verify(folder) == []


def test_the_cost_of_the_new_build_is_kept_where_it_was_measured(folder: Path) -> None:
    approve(folder, noise(seed=3), price={"kernel_ratio": 12.5})
    assert golden_set.references(folder)[0].cost.kernel_ratio == 12.5
    approve(folder, noise(seed=4))
    assert golden_set.references(folder)[0].cost.kernel_ratio == 12.5


def test_stages_of_an_older_count_go_with_it(folder: Path) -> None:
    approve(folder, noise(seed=3), price={"instructions_per_sample": 100.0, "stages": {"dispersion": 60.0}})
    assert golden_set.references(folder)[0].cost.stages == {"dispersion": 60.0}
    approve(folder, noise(seed=4), price={"kernel_ratio": 12.5, "instructions_per_sample": 90.0})
    cost = golden_set.references(folder)[0].cost
    assert (cost.kernel_ratio, cost.instructions_per_sample, cost.stages) == (12.5, 90.0, {})


@pytest.mark.parametrize("name", ["all", "*", "ta?k", "[t]ank"])
def test_only_one_reference_is_approved_at_a_time(folder: Path, name: str) -> None:
    with pytest.raises(BadInput, match="approve one reference at a time, by its name"):
        approve(folder, noise(seed=3), name)


def test_an_approval_needs_a_reason_an_approver_and_a_response_that_fits(folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    for more, expected in (
        ({"why": " "}, "say why this is how it must sound"),
        ({"who": ""}, "say who approves"),
        ({"name": "tonk"}, 'no reference "tonk"; there are tank'),
        ({"response": noise("mono-to-stereo")}, "mono at 48000 Hz, the response mono-to-stereo at 48000 Hz"),
        ({"response": Response(noise().samples, 44100)}, "mono at 48000 Hz, the response mono at 44100 Hz"),
        ({"response": Response(np.zeros((1, 480)), RATE_HZ)}, "cannot be golden"),
    ):
        with pytest.raises(BadInput, match=expected):
            approve(folder, **{"response": noise(seed=3), **more})
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
