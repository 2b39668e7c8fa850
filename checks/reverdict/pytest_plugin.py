"""``pytest golden --build build.toml``: one item per reference and check, so that everything of pytest works.

An item passes, fails (fail, or an unsure that closes the gate) or is skipped (not asked, with the reason). Workers
write what they judged as JSON files, one per item; whoever wants a verdict merges them (``gate``).
Only names are imported at the top: this module is loaded by every pytest run of whoever installed the package.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from reverdict.errors import BadInput
from reverdict.words import CHECKS, CheckVerdict, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.render import Build
    from reverdict.trial import Trial

BUILD = pytest.StashKey[Any]()
WORK = pytest.StashKey[Path]()
OPEN_WORK = pytest.StashKey[Any]()


class NotPassed(Exception):
    """A check that does not pass, with its verdict to print. Never a bug, so it is shown without a traceback."""

    def __init__(self, place: str, verdict: CheckVerdict) -> None:
        super().__init__(f"{place}: {verdict.outcome}: {verdict.reason}")
        self.verdict = verdict


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add --build and its companions."""
    group = parser.getgroup("reverdict", "judge a reverb build against golden references")
    group.addoption("--build", metavar="BUILD", help="build TOML, folder of recordings or WAV file to judge")
    group.addoption("--only", metavar="GLOB", default="*", help="only references whose name matches")
    group.addoption("--checks", metavar="LIST", default=",".join(CHECKS), help="only these checks, joined by commas")
    group.addoption("--parts", metavar="DIR", help="write what each item judged into this folder, as JSON")


def pytest_configure(config: pytest.Config) -> None:
    """Open the build, and a working folder that all workers share."""
    if not config.getoption("--build"):
        return
    from reverdict.builds import open_build
    from reverdict.render import prepare, working_folder

    only = str(config.getoption("--only"))
    try:
        config.stash[BUILD] = open_build(Path(config.getoption("--build")), "" if only == "*" else only)
        workerinput = getattr(config, "workerinput", None)
        if workerinput is not None:
            config.stash[WORK] = Path(workerinput["reverdict_work"])
            return
        config.stash[OPEN_WORK] = working_folder()
        config.stash[WORK] = config.stash[OPEN_WORK].__enter__()
        prepare(config.stash[BUILD], config.stash[WORK])
    except BadInput as error:
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


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Take every reference.toml for a reference, once a build is named."""
    from fnmatch import fnmatchcase

    config = parent.config
    if file_path.name != "reference.toml" or BUILD not in config.stash:
        return None
    if not fnmatchcase(file_path.parent.name, config.getoption("--only")):
        return None
    return ReferenceFile.from_parent(parent, path=file_path)


class ReferenceFile(pytest.File):
    """One golden reference: an item per check, or a single failing one where it cannot be read."""

    def collect(self) -> Iterator[pytest.Item]:
        """Read the reference and give its items."""
        from reverdict import golden_set
        from reverdict.trial import Trial

        name = self.path.parent.name
        try:
            (golden,) = golden_set.load(self.path.parent.parent, _literal(name))
        except BadInput as error:
            yield Unreadable.from_parent(self, name="golden", error=error)
            return
        build: Build = self.config.stash[BUILD]
        trial = Trial(golden, build, self.config.stash[WORK])
        for check in self.config.getoption("--checks").split(","):
            if check == "cost" and not trial.why_not_asked("cost"):
                yield CostItem.from_parent(self, name=check, callobj=_timed(trial, self.config.getoption("--parts")))
            else:
                yield CheckItem.from_parent(self, name=check, trial=trial)


def _literal(name: str) -> str:
    """A glob that matches this name alone."""
    return "".join(f"[{character}]" if character in "*?[" else character for character in name)


class CheckItem(pytest.Item):
    """One check of one reference."""

    def __init__(self, *, trial: Trial, **rest: Any) -> None:
        super().__init__(**rest)
        self.trial = trial

    def runtest(self) -> None:
        """Judge, write the part, and pass, skip or fail."""
        _settle(self.trial, self.trial.judge(self.name), self.config.getoption("--parts"))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """Give sentences for a finding, a traceback for a bug."""
        return _said(excinfo) or super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Name the item as "reference: check"."""
        return self.path, None, f"{self.path.parent.name}: {self.name}"


class CostItem(pytest.Function):
    """The cost check, a function so that the benchmark fixture reaches it."""

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException]) -> Any:  # type: ignore[override]
        """Give sentences for a finding, a traceback for a bug."""
        return _said(excinfo) or super().repr_failure(excinfo)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Name the item as "reference: check"."""
        return self.path, None, f"{self.path.parent.name}: {self.name}"


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


def _timed(trial: Trial, parts: str | None) -> Any:
    def cost(benchmark: Any) -> None:
        _settle(trial, trial.judge("cost", benchmark), parts)

    return cost


def _settle(trial: Trial, verdict: CheckVerdict, parts: str | None) -> None:
    """Write the part and end the item as the verdict says."""
    if parts:
        from reverdict.gate import write_part

        write_part(Path(parts), trial, verdict)
    if verdict.outcome is Outcome.NOT_ASKED:
        pytest.skip(f"not asked: {verdict.reason}")
    if verdict.closes_gate:
        raise NotPassed(trial.golden.name, verdict)


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
