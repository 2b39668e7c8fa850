"""The gate: a thin face on the pytest plugin, which runs the items and merges what they judged into one verdict."""

from __future__ import annotations

import contextlib
import io
import json
import os
import tempfile
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict import __version__, golden_set, judging, parts
from reverdict.asked import require_fit, why_not_asked
from reverdict.builds import open_build, selection
from reverdict.cells import cells_of, checks_in
from reverdict.errors import BadInput, BadInputs, noted
from reverdict.machine import describe
from reverdict.measure.version import ANALYSIS_VERSION
from reverdict.parting import ELSEWHERE, dealt, digest, outcome_of, put_with, sum_up
from reverdict.pytest_plugin import PREPARE_LOG, REFERENCE_FILE, TOLERANCES_FILE
from reverdict.words import CHECKS, BuildIdentity, CellVerdict, CheckVerdict, ReferenceVerdict, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from reverdict.parting import Shard
    from reverdict.reference import Reference
    from reverdict.render import Build

PLUGINS = ("reverdict.pytest_plugin", "reverdict.workers", "pytest_benchmark.plugin", "xdist.plugin")
ALONE = {
    "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
    "PYTEST_ADDOPTS": None,
    "PYTEST_PLUGINS": None,
    "PYTEST_XDIST_WORKER": None,
}
"""The gate needs these plugins; others that happen to be installed cost seconds and may interfere. Started in
somebody's parallel tests it is no worker of theirs, or cost would not be timed."""

EXIT_STATUS = {"pass": 0, "fail": 1, "unsure": 1, "error": 2}


def gate(
    build_path: Path,
    golden_folder: Path,
    only: str = "*",
    jobs: int = 1,
    progress: Callable[[str], None] | None = None,
    *,
    shard: Shard | None = None,
    checks: Sequence[str] = CHECKS,
    responses: Path | None = None,
    pictures: bool = True,
    cluster: str | None = None,
) -> Verdict:
    """Judge a build against a folder of golden references, or do one part of that (see ``parting``).

    Arguments and errors are those of ``programs.judge_build``, which proves them; the folder of ``responses`` is for
    ``auditioning``.
    """
    if cluster is not None:
        from reverdict.cluster.connecting import require_address

        require_address(cluster)
    build = open_build(build_path, only)
    if build.recordings_file and only == "*":
        _require_name(build, golden_set.names(golden_folder))
    selected = golden_set.names(golden_folder, selection(build, only))
    part: dict[str, Any] = {}
    if shard or len(checks) < len(CHECKS):
        part = _part(build_path, golden_folder, selected, shard, checks)
    mine = _dealt(golden_folder, selection(build, only), shard) if shard else selected
    if not mine:
        empty = f"shard {shard}: holds no reference, there are {len(selected)}; nothing was judged here"
        return replace(error_verdict(build_path, [empty]), part=part)
    references = golden_set.prove(golden_folder, selection(build, only), mine)
    _require_fit(build, references)
    cells = sum(len(cells_of(reference)) for reference in references)
    here = put_with(checks, [check for reference in references for check in reference.checks])
    total = sum(check in here for one in references for cell in cells_of(one) for check in checks_in(one, cell))
    watch = _Watch(progress or (lambda _: None), total)
    told = f"references {len(references)}, " + (f"cells {cells}, " if cells > len(references) else "")
    watch.progress(f"judging {build.identity.name}: {told}checks {total}")
    with tempfile.TemporaryDirectory(prefix="reverdict-parts-") as name:
        folder = Path(name)
        command = [
            str(_collectable(golden_folder.absolute(), folder)), f"--build={build_path}", f"--reverdict-only={only}",
            f"--reverdict-parts={folder}", f"--benchmark-storage=file://{folder}/benchmarks",
        ]  # fmt: skip
        if pictures:
            command.append("--reverdict-pictures")
        if responses:
            command.append(f"--reverdict-responses={responses}")
        if shard:
            (folder / "names").write_text(json.dumps(mine), encoding="utf-8")
            command.append(f"--reverdict-names={folder / 'names'}")
        timed = any(not why_not_asked(build, reference.cost, "cost") for reference in references)
        in_parallel = [check for check in here if check != "cost" or not timed] if jobs > 1 or cluster else []
        if in_parallel and cluster:
            from reverdict.cluster.dispatching import judge_on

            judge_on(
                cluster, build, references, golden_folder, in_parallel, folder, responses, watch.came_back,
                pictures=pictures,
            )  # fmt: skip
            parts.raise_troubles(folder)
        elif in_parallel:
            together = [f"--reverdict-checks={','.join(in_parallel)}", f"-n{jobs}", "--dist=loadfile"]
            _run_items([*command, *together], folder, watch)
        if alone := [check for check in here if check not in in_parallel]:
            _run_items([*command, f"--reverdict-checks={','.join(alone)}"], folder, watch)
        remarks = golden_set.remarks(references, golden_folder)
        judged = tuple(_merged(*one, folder, here) for one in zip(references, remarks, strict=True))
        log = folder / PREPARE_LOG
        said = log.read_text(encoding="utf-8") if log.exists() else ""
    outcome = sum_up([str(reference.outcome) for reference in judged])
    errors = ("nothing was asked of any reference in this part",) if outcome == "error" else ()
    return Verdict(
        outcome, build.identity, judged, errors, _now(), __version__, said, ANALYSIS_VERSION, describe(), part
    )


def _dealt(golden_folder: Path, only: str, shard: Shard) -> list[str]:
    found = golden_set.references(golden_folder, only)
    return list(dealt({reference.name: len(cells_of(reference)) for reference in found}, shard))


def _part(
    build_path: Path, golden_folder: Path, selected: Sequence[str], shard: Shard | None, checks: Sequence[str]
) -> dict[str, Any]:
    """What this is a part of, so that parts of different runs are told apart. Impulses are known by their digests."""
    asked = [(name, golden_folder / name / REFERENCE_FILE) for name in selected]
    defaults = golden_folder / TOLERANCES_FILE
    given = [file for file in sorted(build_path.iterdir()) if file.is_file()] if build_path.is_dir() else [build_path]
    return {
        "shard": str(shard) if shard else None,
        "checks": list(checks),
        "references": list(selected),
        "golden_sha256": digest([*asked, *([(TOLERANCES_FILE, defaults)] if defaults.exists() else [])]),
        "build_sha256": digest([(file.name, file) for file in given]),
    }


def _require_name(build: Build, references: Sequence[str]) -> None:
    if build.recordings_reference not in references:
        there = f"there are {golden_set.few(references)}"
        raise BadInput(build.place, f"is named after no reference; say --only NAME whose recording it is; {there}")


def _require_fit(build: Build, references: Sequence[Reference]) -> None:
    mistakes: list[BadInput] = []
    for reference in references:
        with noted(mistakes):
            require_fit(build, reference)
    if mistakes:
        raise BadInputs(mistakes)


def error_verdict(build_path: Path, errors: Sequence[str]) -> Verdict:
    """The verdict of a build that could not be judged, so that no older report is taken for this one."""
    try:
        identity = open_build(build_path).identity
    except BadInput:
        identity = BuildIdentity(build_path.name, "", "unknown")
    return Verdict("error", identity, (), tuple(errors), _now(), __version__, analysis_version=ANALYSIS_VERSION)


def _collectable(golden_folder: Path, beside: Path) -> Path:
    """The folder under a name that pytest does not take for parameters of a test."""
    if "[" not in str(golden_folder) and "::" not in str(golden_folder):
        return golden_folder
    link = beside / "golden"
    link.symlink_to(golden_folder, target_is_directory=True)
    return link


def _run_items(arguments: list[str], folder: Path, watch: _Watch) -> None:
    """Run pytest here on the items of a golden folder, and on nothing else that lies in it or around us.

    Raises what the items handed on as trouble, and RuntimeError where pytest itself came to grief.
    """
    import pytest

    quiet = [
        "-c", os.devnull, "--rootdir", arguments[0], "--noconftest", "-p", "no:cacheprovider",
        # Or pytest looks into every folder from the root of the disk to this one, and at all that lies in them.
        "--confcutdir", arguments[0],
        # They search the whole process for garbage twice, to warn of what nobody here is shown.
        "-p", "no:unraisableexception", "-p", "no:threadexception",
        "-q", "--no-header", "--tb=short", "--strict-config", "-o", "addopts=", "-o", "python_files=",
        # Nobody's asserts are ours to rewrite, and rewriting would compile the whole package anew.
        "--assert=plain",
        f"--basetemp={folder / 'pytest'}",
    ]  # fmt: skip
    plugins = [part for name in PLUGINS for part in ("-p", name)]
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said), _environment(ALONE):
        status = pytest.main([*quiet, *plugins, *arguments], plugins=[watch])
    if watch.interrupted is not None:
        raise KeyboardInterrupt(*watch.interrupted.args)
    parts.raise_troubles(folder)
    if status not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        raise RuntimeError(f"{said.getvalue()}\npytest ended with {status!r}")


@contextlib.contextmanager
def _environment(changes: Mapping[str, str | None]) -> Iterator[None]:
    """Set variables, or remove those that are None, and put everything back."""
    kept = {name: os.environ.get(name) for name in changes}
    _set_all(changes)
    try:
        yield
    finally:
        _set_all(kept)


def _set_all(values: Mapping[str, str | None]) -> None:
    for name, value in values.items():
        if value is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = value


class _Watch:
    """Sees items start and end, and Ctrl-C."""

    def __init__(self, progress: Callable[[str], None], total: int) -> None:
        self.progress = progress
        self.total = total
        self.ended = 0
        self.interrupted: BaseException | None = None

    def pytest_runtest_logstart(self, location: tuple[str, int | None, str]) -> None:
        self.progress(f"{self.ended + 1} of {self.total}, {location[2]}")

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.when == "call" or (report.when == "setup" and not report.passed):
            self.ended += 1

    def came_back(self, name: str, worker: str, items: int) -> None:
        self.ended += items
        self.progress(f"{self.ended} of {self.total}, {name} judged by {worker}")

    def pytest_keyboard_interrupt(self, excinfo: Any) -> None:
        if type(excinfo.value) is KeyboardInterrupt:  # pytest's own ways to end early derive from it
            self.interrupted = excinfo.value


def _merged(
    reference: Reference, remarks: tuple[str, ...], folder: Path, asked: Sequence[str]
) -> ReferenceVerdict:  # fmt: skip
    """One reference from the parts of its items, cell by cell."""

    def read(check: str, number: int = 0) -> tuple[CheckVerdict, parts.Besides]:
        if check in asked:
            return parts.read_verdict(folder, reference.name, check, number)
        brought_by = reference.own[check].check.package if check in reference.own else ""
        return replace(judging.not_asked(check, ELSEWHERE), brought_by=brought_by), parts.Besides()

    cells = []
    for number, cell in enumerate(cells_of(reference)):
        judged = tuple(read(check, number)[0] for check in checks_in(reference, cell))
        cells.append(CellVerdict(cell.name, cell.rate_hz, cell.block_size, cell.level_dbfs, cell.preset, judged))
    checks = tuple(
        judging.over_cells([(cell.cell, one) for cell in cells for one in cell.checks if one.check == check])
        for check in reference.checks
    )
    brought = [read("conduct", number)[1] for number in range(len(cells))]
    diagnosis = next((one.diagnosis for one in brought if one.diagnosis), ())
    diagnosis_failed = next((one.diagnosis_failed for one in brought if one.diagnosis_failed), "")
    return ReferenceVerdict(
        reference.name, reference.title, outcome_of(checks, asked), checks,
        brought[0].curves, remarks, diagnosis, diagnosis_failed, tuple(cells),
        read("cost")[1].cost, _identity(reference),
    )  # fmt: skip


def _identity(reference: Reference) -> dict[str, Any]:
    """Which golden it is: history tells by it when a golden was approved anew, or got another name."""
    return {
        "formerly": list(reference.formerly),
        "approved_at": reference.approval.when.isoformat(timespec="seconds"),
        "approved_build": reference.approval.build,
        "sha256": [file.sha256 for file in reference.files],
    }


def _now() -> str:
    return datetime.now(timezone.utc).isoformat(timespec="seconds")
