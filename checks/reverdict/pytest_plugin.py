"""``pytest golden --build build.toml``: one item per reference, check and cell, so that everything of pytest works.

Items of other cells than the main one carry its name: ``echo-timing[96-kHz]``, ``conduct[blocks-of-1]``.

An item passes, fails (fail, or an unsure that closes the gate) or is skipped (not asked, with the reason). Asked to
(``--reverdict-parts``), items hand on what they judged as files, which ``gate`` merges into one verdict.
Only names are imported at the top: this module is loaded by every pytest run of whoever installed the package.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from reverdict.errors import BadInput
from reverdict.words import CheckVerdict, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from reverdict.render import Build
    from reverdict.trial import Trial

REFERENCE_FILE = "reference.toml"
TOLERANCES_FILE = "tolerances.toml"
PREPARE_LOG = "prepare.log"
BUILD = pytest.StashKey[Any]()
ONLY = pytest.StashKey[str]()
NAMES = pytest.StashKey[Any]()
WORK = pytest.StashKey[Path]()
OPEN_WORK = pytest.StashKey[Any]()
UNJUDGED = pytest.StashKey[Path]()


class NotPassed(Exception):
    """A check that does not pass, with its verdict to print. Never a bug, so it is shown without a traceback."""

    def __init__(self, place: str, verdict: CheckVerdict) -> None:
        super().__init__(f"{place}: {verdict.outcome}: {verdict.reason}")
        self.verdict = verdict


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add --build and its companions."""
    group = parser.getgroup("reverdict", "judge a reverb build against golden references")
    group.addoption("--build", metavar="BUILD", help="build TOML, folder of recordings or WAV file to judge")
    group.addoption("--reverdict-only", metavar="GLOB", default="*", help="only references whose name matches")
    group.addoption("--reverdict-names", metavar="FILE", help="only the references that this JSON file lists")
    group.addoption("--reverdict-checks", metavar="LIST", help="only these, joined by commas")
    group.addoption("--reverdict-pictures", action="store_true", help="measure what pages draw, too")
    group.addoption("--reverdict-responses", metavar="DIR", help="keep the responses of main cells in this folder")
    group.addoption("--reverdict-parts", metavar="DIR", help="write what each item judged into this folder, as JSON")


def pytest_configure(config: pytest.Config) -> None:
    """Open the build, and a working folder that all workers share."""
    if not config.getoption("--build"):
        return
    from reverdict.allocating import keep_memory
    from reverdict.builds import open_build, selection
    from reverdict.render import prepare, prepare_log, working_folder

    keep_memory()
    only = str(config.getoption("--reverdict-only"))
    listed = config.getoption("--reverdict-names")
    config.stash[NAMES] = json.loads(Path(listed).read_text(encoding="utf-8")) if listed else None
    try:
        build = open_build(Path(config.getoption("--build")), only)
        config.stash[BUILD], config.stash[ONLY] = build, selection(build, only)
        workerinput = getattr(config, "workerinput", None)
        if workerinput is not None:
            config.stash[WORK] = Path(workerinput["reverdict_work"])
            return
        config.stash[OPEN_WORK] = working_folder()
        config.stash[WORK] = config.stash[OPEN_WORK].__enter__()
        if prepare(build, config.stash[WORK]) and (folder := config.getoption("--reverdict-parts")):
            shutil.copyfile(prepare_log(build, config.stash[WORK]), Path(folder) / PREPARE_LOG)
    except BadInput as error:
        _hand_on_trouble(config, "build", error)
        raise pytest.UsageError(str(error)) from error


def pytest_unconfigure(config: pytest.Config) -> None:
    """Remove the working folder."""
    if OPEN_WORK in config.stash:
        config.stash[OPEN_WORK].__exit__(None, None, None)


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Tell a parallel worker where the working folder is."""
    if WORK in node.config.stash:
        node.workerinput["reverdict_work"] = str(node.config.stash[WORK])


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Look into every reference, also where pytest would not for its name ("build", "dist").

    All folders on the way down are asked about, and their neighbours, some of which nobody may look into. The gate has
    read the references that were asked for, so one that is closed is none of them.
    """
    if config.getoption("--reverdict-parts") and not os.access(collection_path, os.R_OK):
        return True
    return False if BUILD in config.stash and os.path.isfile(collection_path / REFERENCE_FILE) else None  # noqa: PTH113


@pytest.hookimpl(tryfirst=True)
def pytest_collect_directory(path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Under the gate a folder is a folder: an __init__.py that lies in it is not run."""
    return pytest.Dir.from_parent(parent, path=path) if parent.config.getoption("--reverdict-parts") else None


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Take every reference.toml for a reference, once a build is named."""
    from fnmatch import fnmatchcase

    stash = parent.config.stash
    if file_path.name != REFERENCE_FILE:
        return None
    if BUILD not in stash:
        if (file_path.parents[1] / TOLERANCES_FILE).is_file():
            stash[UNJUDGED] = file_path.parents[1]
        return None
    name = file_path.parent.name
    if not fnmatchcase(name, stash[ONLY]) or (stash[NAMES] is not None and name not in stash[NAMES]):
        return None
    return ReferenceFile.from_parent(parent, path=file_path)


def pytest_report_collectionfinish(config: pytest.Config) -> str | None:
    """Say why golden references that were seen have no items."""
    if UNJUDGED not in config.stash:
        return None
    return f"reverdict: {config.stash[UNJUDGED]}: references without a build to judge; add --build BUILD"


class ReferenceFile(pytest.File):
    """One golden reference: an item per check and cell, or a single failing one where it cannot be read."""

    trials: Sequence[Trial] = ()

    def collect(self) -> Iterator[pytest.Item]:
        """Read the reference and give its items."""
        from reverdict import golden_set
        from reverdict.asked import require_fit
        from reverdict.cells import checks_in
        from reverdict.trial import trials_of

        name = self.path.parent.name
        build: Build = self.config.stash[BUILD]
        try:
            # The gate has proved the samples; they are read again when the first item runs, and let go after the last.
            read = golden_set.read if self.config.getoption("--reverdict-parts") else golden_set.read_proven
            (reference,) = read(self.path.parent.parent, [name])
            require_fit(build, reference)
        except BadInput as error:
            _hand_on_trouble(self.config, name, error)
            yield Unreadable.from_parent(self, name="golden", error=error)
            return
        wanted = self.config.getoption("--reverdict-checks")
        checks = wanted.split(",") if wanted else reference.checks
        self.trials = trials_of(golden_set.GoldenReference(reference), build, self.config.stash[WORK])
        for number, trial in enumerate(self.trials):
            for check in checks:
                if check not in checks_in(reference, trial.cell):
                    continue
                if check == "cost" and not trial.why_not_asked("cost"):
                    cost = CostItem.from_parent(self, name=check, callobj=_timed(self.config, trial))
                    # Where a build cannot be timed, its verdict says so.
                    cost.add_marker(pytest.mark.filterwarnings("ignore:Benchmark fixture was not used"))
                    yield cost
                else:
                    name = f"{check}[{trial.cell.key}]" if number else check
                    yield CheckItem.from_parent(self, name=name, trial=trial, check=check, cell=number)

    def teardown(self) -> None:
        """Let go of sound and measurements: a run may have a thousand references."""
        for trial in self.trials:
            trial.forget()


class CheckItem(pytest.Item):
    """One check of one reference in one cell, the main one being number 0."""

    def __init__(self, *, trial: Trial, check: str, cell: int, **rest: Any) -> None:
        super().__init__(**rest)
        self.trial = trial
        self.check = check
        self.cell = cell

    def runtest(self) -> None:
        """Judge, and pass, skip or fail."""
        _judge(self.config, self.trial, self.check, self.cell)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """Give sentences for a finding, a traceback for a bug."""
        return _said(excinfo) or super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Name the item as "reference: check", or "reference: check, 96 kHz"."""
        cell = f", {self.trial.cell.name}" if self.cell else ""
        return self.path, None, f"{self.path.parent.name}: {self.check}{cell}"


class CostItem(pytest.Function):
    """The cost check, a function so that the benchmark fixture reaches it."""

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException]) -> Any:  # type: ignore[override]
        """Give sentences for a finding, a traceback for a bug."""
        return _said(excinfo) or super().repr_failure(excinfo)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Name the item as "reference: check"; with a line, which warnings of pytest-benchmark insist on."""
        return self.path, 0, f"{self.path.parent.name}: {self.name}"


class Unreadable(pytest.Item):
    """A reference that cannot be read: fails with what is wrong in it."""

    def __init__(self, *, error: BadInput, **rest: Any) -> None:
        super().__init__(**rest)
        self.error = error

    def runtest(self) -> None:
        """Fail."""
        raise self.error

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """Give the mistakes, a line each."""
        return _said(excinfo) or super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Name the item after its reference."""
        return self.path, None, f"{self.path.parent.name}: golden"


def _timed(config: pytest.Config, trial: Trial) -> Any:
    def cost(benchmark: Any) -> None:
        _judge(config, trial, "cost", 0, benchmark)

    return cost


def _judge(config: pytest.Config, trial: Trial, check: str, cell: int, benchmark: Any = None) -> None:
    """Judge, hand the verdict on to whoever merges them, and end the item as the verdict says."""
    from reverdict.phrases import in_cell

    folder, responses = config.getoption("--reverdict-parts"), config.getoption("--reverdict-responses")
    if folder:
        from reverdict.items import judge_and_hand_on

        verdict = judge_and_hand_on(
            trial, check, cell, Path(folder), pictures=config.getoption("--reverdict-pictures"),
            responses=Path(responses) if responses else None, benchmark=benchmark,
        )  # fmt: skip
    else:
        verdict = trial.judge(check, benchmark)
    if verdict.outcome is Outcome.NOT_ASKED:
        pytest.skip(f"not asked: {verdict.reason}")
    if verdict.closes_gate:
        raise NotPassed(": ".join(filter(None, (trial.golden.name, in_cell(trial.cell.name)))), verdict)


def _hand_on_trouble(config: pytest.Config, name: str, error: Exception) -> None:
    if folder := config.getoption("--reverdict-parts"):
        from reverdict import parts

        parts.write_trouble(Path(folder), name, error)


def _said(excinfo: pytest.ExceptionInfo[BaseException]) -> str:
    """What a user error or a check that does not pass has to say; empty for a bug."""
    error = excinfo.value
    if isinstance(error, NotPassed):
        from reverdict import judging

        closing = [f for f in error.verdict.findings if f.outcome in (Outcome.FAIL, Outcome.UNSURE)]
        ordered = sorted(closing, key=judging.badness, reverse=True)
        lines = [f"{finding.outcome}: {judging.sentence(finding)}" for finding in ordered[:4]]
        more = len(ordered) - len(lines)
        return "\n".join([*lines, *([f"and {more} more"] if more > 0 else [])] or [str(error)])
    return str(error) if isinstance(error, BadInput) else ""
