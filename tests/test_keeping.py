"""What goldens measure, kept between runs: the same to the last bit, never stale, never a reason to fail."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from conftest import Workspace
from reverdict import golden_set, keeping
from reverdict.demo import golden_folder
from reverdict.gate import gate
from reverdict.measure.measurement import Measurement, measure
from reverdict.words import Response


@pytest.fixture(scope="module")
def golden() -> Response:
    (found,) = golden_set.load(golden_folder(), "workshop-spring")
    return dataclasses.replace(found.response, samples=found.response.samples[:, :24000])


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("REVERDICT_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def refuse(*_: Any) -> Measurement:
    raise AssertionError("measured anew")


def same(one: Any, other: Any) -> bool:
    """Equal to the last bit, NaN like NaN, and of the same types."""
    if isinstance(one, np.ndarray):
        return one.dtype == other.dtype and one.shape == other.shape and one.tobytes() == other.tobytes()
    if dataclasses.is_dataclass(one):
        fields = dataclasses.fields(one)
        return type(one) is type(other) and all(same(getattr(one, f.name), getattr(other, f.name)) for f in fields)
    if isinstance(one, Mapping):
        return list(one) == list(other) and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list | tuple):
        return type(one) is type(other) and len(one) == len(other) and all(map(same, one, other))
    return bool(one == other) or (one != one and other != other)


def test_what_is_kept_is_what_was_measured(golden: Response, cache: Path) -> None:
    first = keeping.measured(golden, 500.0, measure)
    kept = keeping.measured(golden, 500.0, refuse)
    assert first is not kept
    assert same(first, kept)
    assert all(path.springs.settled is None for path in first.paths)  # most of it, and nobody's after measuring
    assert all(one.track is None for path in first.paths for spring in path.springs.springs for one in spring.passes)
    (file,) = cache.iterdir()
    assert file.stat().st_mode & 0o077 == 0 or cache.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("what", ["samples", "rate", "click", "arrival", "source"])
def test_whatever_is_changed_is_measured_anew(golden: Response, monkeypatch: pytest.MonkeyPatch, what: str) -> None:
    keeping.measured(golden, 500.0, measure)
    samples = golden.samples.copy()
    samples[0, 100] += 2.0**-23
    changed = {
        "samples": dataclasses.replace(golden, samples=samples),
        "rate": dataclasses.replace(golden, rate_hz=44100),
        "click": dataclasses.replace(golden, click_at_s=1e-5),
    }.get(what, golden)
    if what == "source":
        monkeypatch.setattr(keeping, "_analysis", lambda: "another state of the suite")
    with pytest.raises(AssertionError, match="measured anew"):
        keeping.measured(changed, 400.0 if what == "arrival" else 500.0, refuse)


@pytest.mark.parametrize("what", ["cut", "bit", "empty", "text", "folder"])
def test_a_file_that_is_not_whole_is_measured_anew(golden: Response, cache: Path, what: str) -> None:
    first = keeping.measured(golden, 500.0, measure)
    (file,) = cache.iterdir()
    held = bytearray(file.read_bytes())
    if what == "folder":
        file.unlink()
        file.mkdir()
    else:
        held[len(held) // 2] ^= 1
        spoilt = {"cut": held[: len(held) // 2], "bit": held, "empty": b"", "text": b"no measurement"}
        file.write_bytes(bytes(spoilt[what]))
    assert same(keeping.measured(golden, 500.0, measure), first)


def test_a_file_that_was_given_the_name_of_another_is_measured_anew(golden: Response, cache: Path) -> None:
    keeping.measured(golden, 500.0, measure)
    (file,) = cache.iterdir()
    later = dataclasses.replace(golden, click_at_s=1e-3)
    known = keeping.measured(later, 500.0, measure)
    (other,) = set(cache.iterdir()) - {file}
    other.write_bytes(file.read_bytes())
    assert same(keeping.measured(later, 500.0, measure), known)


def test_a_file_that_names_another_class_runs_nothing(golden: Response, cache: Path) -> None:
    """With a digest that agrees: whoever could write here still gets no code run."""
    keeping.measured(golden, 500.0, measure)
    (file,) = cache.iterdir()
    begin = len(keeping.MAGIC) + 32
    for name in ("subprocess.Popen", "reverdict.measure.measurement.measure", "reverdict.errors.BadInput"):
        contents = file.read_bytes()[begin:].replace(b"reverdict.measure.measurement.Measurement", name.encode())
        file.write_bytes(keeping.MAGIC + keeping._seal(file, contents) + contents)
        with pytest.raises(AssertionError, match="measured anew"):
            keeping.measured(golden, 500.0, refuse)
        keeping.measured(golden, 500.0, measure)


def test_nothing_is_kept_where_nothing_can_or_is_to_be(
    golden: Response, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    open_to_all = tmp_path / "open"
    open_to_all.mkdir()
    open_to_all.chmod(0o777)
    for told in (
        "off",
        str(tmp_path / "file"),
        str(tmp_path / "file" / "below"),
        str(open_to_all),
        "nul\0"[:3] + "\n",
        "no",
        "OFF",
    ):
        monkeypatch.chdir(tmp_path)
        monkeypatch.setenv("REVERDICT_CACHE", told)
        assert isinstance(keeping.measured(golden, 500.0, measure), Measurement)
    assert not list(open_to_all.iterdir())
    assert {one.name for one in tmp_path.iterdir()} == {"file", "open"}  # of what is no absolute path nothing is made
    monkeypatch.delenv("REVERDICT_CACHE")
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setattr(Path, "home", lambda: (_ for _ in ()).throw(RuntimeError("nobody's home")))
    assert keeping.place() is None


def test_what_was_used_longest_ago_goes_when_there_is_too_much(
    golden: Response, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keeping.measured(golden, 500.0, measure)
    (oldest,) = cache.iterdir()
    os.utime(oldest, (1, 1))
    monkeypatch.setattr(keeping, "MOST_BYTES", int(2.5 * oldest.stat().st_size))
    monkeypatch.setattr(keeping, "TIDY_EVERY", 1)
    monkeypatch.setattr(keeping, "_written", 0)
    foreign = {name: cache / name for name in ("thesis.tex", "take.measured", "session.wav")}
    for path in foreign.values():
        path.write_bytes(bytes(3 * oldest.stat().st_size))
        os.utime(path, (2, 2))
    known = keeping.measured(golden, 500.0, refuse)  # used now, so no longer the oldest
    others = [dataclasses.replace(golden, click_at_s=1e-6 * number) for number in (1, 2)]
    for turn, other in enumerate(others):
        keeping.measured(other, 500.0, lambda *_: known)
        for file in set(cache.iterdir()) - {oldest, *foreign.values()}:
            os.utime(file, (10 + turn, 10 + turn))
    assert oldest.exists()
    assert len(set(cache.iterdir()) - set(foreign.values())) == 2
    assert all(path.exists() for path in foreign.values())  # not ours


def test_a_run_with_more_goldens_than_there_is_room_for_finds_some(
    golden: Response, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = keeping.measured(golden, 500.0, measure)
    (file,) = cache.iterdir()
    monkeypatch.setattr(keeping, "MOST_BYTES", int(12.5 * file.stat().st_size))
    monkeypatch.setattr(keeping, "TIDY_EVERY", 1)
    monkeypatch.setattr(keeping, "_written", 0)
    missed: list[Response] = []

    def noted(response: Response, _: float) -> Measurement:
        missed.append(response)
        return known

    goldens = [dataclasses.replace(golden, click_at_s=1e-6 * number) for number in range(1, 17)]
    for _ in range(8):
        for one in goldens:
            keeping.measured(one, 500.0, noted)
    assert len(list(cache.iterdir())) == 12
    assert len(missed) < 6 * len(goldens)  # in turn, each would be gone before it is asked for: all eight times


def test_a_gate_says_the_same_of_a_golden_that_is_kept(workspace: Workspace, cache: Path) -> None:
    cold, warm = (gate(workspace.takes, workspace.golden, "short") for _ in range(2))
    assert list(cache.iterdir())
    assert [one.checks for one in cold.references] == [one.checks for one in warm.references]
    assert [one.curves for one in cold.references] == [one.curves for one in warm.references]
