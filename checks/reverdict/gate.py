"""The gate: a thin face on the pytest plugin, which runs the items and merges what they judged into one verdict."""

from __future__ import annotations

import contextlib
import io
import json
import os
import tempfile
from dataclasses import asdict
from datetime import datetime, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict import __version__, golden_set, judging
from reverdict.builds import open_build
from reverdict.errors import BadInput
from reverdict.words import CHECKS, CheckVerdict, Finding, Outcome, ReferenceVerdict, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from reverdict.reference import Reference
    from reverdict.trial import Trial

PLUGINS = ("reverdict.pytest_plugin", "pytest_benchmark.plugin", "xdist.plugin")
ALONE = {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTEST_ADDOPTS": None, "PYTEST_PLUGINS": None}
"""The gate needs three plugins; others that happen to be installed cost seconds and may interfere."""

EXIT_STATUS = {"pass": 0, "fail": 1, "unsure": 1, "error": 2}


def gate(
    build_path: Path, golden_folder: Path, only: str = "*", jobs: int = 1, progress: Callable[[str], None] | None = None
) -> Verdict:
    """Judge a build against a folder of golden references.

    Parameters
    ----------
    build_path : path
        Build TOML, folder of recordings, or WAV file.
    only : str
        Glob over reference names; with a WAV file, the reference it stands for.
    jobs : int
        Worker processes. Cost is timed afterwards, alone, whatever the number.
    progress : callable, optional
        Told each item that ends, as "reference: check".

    Raises
    ------
    BadInput
        The build, a reference or an impulse cannot be used, or nothing was selected. Nothing has run then.
    """
    build = open_build(build_path, "" if only == "*" else only)
    if build.recordings_file and only == "*":
        only = build.recordings_reference
    goldens = golden_set.load(golden_folder, only)
    with tempfile.TemporaryDirectory(prefix="reverdict-parts-") as folder:
        parts = Path(folder)
        command = [str(golden_folder), "--build", str(build_path), "--only", only, "--parts", folder]
        sound_checks = ",".join(check for check in CHECKS if check != "cost")
        if jobs > 1:
            _run_items([*command, "--checks", sound_checks, "-n", str(jobs), "--dist", "loadfile"], progress)
            _run_items([*command, "--checks", "cost"], progress)
        else:
            _run_items(command, progress)
        references = tuple(_merged(golden.reference, parts) for golden in goldens)
    return Verdict(_sum_up(references), build.identity, references, (), _now(), __version__)


def error_verdict(build_path: Path, error: BadInput) -> Verdict:
    """The verdict of a build that could not be judged, so that no older report is taken for this one."""
    from reverdict.words import BuildIdentity

    try:
        identity = open_build(build_path).identity
    except BadInput:
        identity = BuildIdentity(build_path.name, "", "unknown")
    return Verdict("error", identity, (), tuple(str(error).splitlines()), _now(), __version__)


def _sum_up(references: Sequence[ReferenceVerdict]) -> str:
    outcomes = {reference.outcome for reference in references}
    for outcome in (Outcome.FAIL, Outcome.UNSURE):
        if outcome in outcomes:
            return str(outcome)
    return "pass"


def _run_items(arguments: list[str], progress: Callable[[str], None] | None) -> None:
    """Run pytest here on the items, apart from any configuration of the folder we stand in."""
    import pytest

    quiet = [
        "-c", os.devnull, "--rootdir", arguments[0], "--noconftest", "-p", "no:cacheprovider",
        "-q", "--no-header", "--tb=short", "--strict-config", "-o", "addopts=", "--import-mode=importlib",
        # Nobody's asserts are ours to rewrite, and rewriting would compile the whole package anew.
        "--assert=plain",
    ]  # fmt: skip
    plugins = [part for name in PLUGINS for part in ("-p", name)]
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said), _environment(ALONE):
        status = pytest.main([*quiet, *plugins, *arguments], plugins=[_Reporter(progress)] if progress else [])
    if status not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        if status == pytest.ExitCode.INTERRUPTED and "KeyboardInterrupt" in said.getvalue():
            raise KeyboardInterrupt
        if status == pytest.ExitCode.USAGE_ERROR:
            line = next((text for text in said.getvalue().splitlines() if text.startswith("ERROR: ")), said.getvalue())
            raise BadInput(arguments[2], line.removeprefix("ERROR: ").removeprefix(f"{arguments[2]}: ").strip())
        raise RuntimeError(f"pytest ended with {status!r}:\n{said.getvalue()}")


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


class _Reporter:
    def __init__(self, progress: Callable[[str], None]) -> None:
        self.progress = progress

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.when == "call" or (report.when == "setup" and not report.passed):
            self.progress(report.location[2])


def write_part(folder: Path, trial: Trial, verdict: CheckVerdict) -> None:
    """Write what one item judged, beside and renamed; conduct, always the last, brings the curves along."""
    part: dict[str, Any] = {"verdict": asdict(verdict)}
    if verdict.check == "conduct":
        part["curves"] = trial.curves()
    final = folder / f"{trial.golden.name}.{verdict.check}.json"
    beside = final.with_suffix(f".{os.getpid()}")
    beside.write_text(json.dumps(part), encoding="utf-8")
    beside.replace(final)


def _merged(reference: Reference, parts: Path) -> ReferenceVerdict:
    """One reference from the parts of its items. A part that is missing is an internal fault and closes the gate."""
    checks: list[CheckVerdict] = []
    curves: dict[str, Any] = {}
    for check in CHECKS:
        file = parts / f"{reference.name}.{check}.json"
        if not file.exists():
            checks.append(CheckVerdict(check, Outcome.UNSURE, "its worker ended before it was judged", (), True))
            continue
        part = json.loads(file.read_text(encoding="utf-8"))
        curves = part.get("curves", curves)
        checks.append(_check_of(part["verdict"]))
    return ReferenceVerdict(reference.name, reference.title, judging.reference_outcome(checks), tuple(checks), curves)


def _check_of(data: dict[str, Any]) -> CheckVerdict:
    findings = tuple(Finding(**{**finding, "outcome": Outcome(finding["outcome"])}) for finding in data["findings"])
    return CheckVerdict(data["check"], Outcome(data["outcome"]), data["reason"], findings, data["closes_gate"])


def _now() -> str:
    return datetime.now(timezone.utc).isoformat(timespec="seconds")
