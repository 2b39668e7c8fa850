"""Which commit moved a quantity: every answer that git bisect run knows, and a real repository."""

from __future__ import annotations

import shlex
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

import warm
from reverdict.bisecting import AFTER, BEFORE, CANNOT_TELL, STOP, Question, step
from reverdict.command_line import main
from reverdict.demo import write_demo
from reverdict.errors import BadInput

LONG = (40, 23, (10, 19, 20, 25, 30, 31))
SHORT = (7, 3, (1, 5))
"""How many commits, which one moves the second spring, and which do not compile."""
ARRIVAL = Question("echo-timing", "arrival", "spring 2*", by=0.02)


def finding(quantity: str, deviation: float | None, uncertainty: float, outcome: str, unit: str) -> dict[str, Any]:
    return {
        "quantity": quantity, "where": "spring 2, pass 1", "unit": unit, "deviation": deviation,
        "uncertainty": uncertainty, "outcome": outcome, "reason": "why",
    }  # fmt: skip


def verdict(
    deviation: float | None, uncertainty: float = 0.001, outcome: str = "pass", output: str = "pass"
) -> dict[str, Any]:
    arrival = finding("arrival", deviation, uncertainty, outcome, "ms")
    timing = {"check": "echo-timing", "outcome": outcome, "reason": "too noisy", "findings": [arrival]}
    conduct = {
        "check": "conduct", "outcome": output, "reason": "",
        "findings": [finding("output", None, 0.0, output, ""), finding("stray sound", 1.0, 0.0, "pass", "dB")],
    }  # fmt: skip
    return {"references": [{"checks": [timing, conduct]}]}


NOT_MEASURED: dict[str, Any] = {
    "references": [{"checks": [
        {"check": "echo-timing", "outcome": "unsure", "reason": "nothing to measure", "findings": []},
        {"check": "conduct", "outcome": "pass", "reason": "", "findings": [finding("output", None, 0.0, "pass", "")]},
    ]}],
}  # fmt: skip


@pytest.mark.parametrize(
    ("given", "question", "status"),
    [
        (verdict(0.01), ARRIVAL, BEFORE),
        (verdict(-0.03), ARRIVAL, AFTER),
        (verdict(0.0205), ARRIVAL, CANNOT_TELL),  # neither surely beyond nor surely within
        (verdict(0.015, outcome="unsure"), ARRIVAL, BEFORE),  # however it lies to its own tolerance
        (verdict(None, outcome="unsure"), ARRIVAL, CANNOT_TELL),
        (verdict(0.01, 0.2, "unsure"), ARRIVAL, CANNOT_TELL),
        (verdict(0.2, outcome="fail"), Question(), AFTER),
        (verdict(0.2), Question(), BEFORE),
        (verdict(None, outcome="fail"), ARRIVAL, AFTER),  # golden has it, the build has lost it
        (verdict(None, outcome="fail"), Question(), AFTER),
        (verdict(0.2, outcome="fail", output="fail"), Question(), CANNOT_TELL),  # crashed in a cell of the matrix
        (NOT_MEASURED, ARRIVAL, CANNOT_TELL),
    ],
)  # fmt: skip
def test_each_answer(given: dict[str, Any], question: Question, status: int) -> None:
    answer, said = step(given, question)
    assert answer == status
    assert said


@pytest.mark.parametrize(
    ("question", "said"),
    [
        (
            Question(quantity="delay"),
            "--quantity 'delay': nothing that was judged is called so; there are arrival, output",
        ),
        (Question(quantity="arival"), "--quantity 'arival': nothing that was judged is called so; is arrival meant?"),
        (
            Question(check="echo-timming"),
            "--check 'echo-timming': nothing that was judged is called so; is echo-timing meant?",
        ),
        (Question(by=0.02), "what is asked for has dB, ms"),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused(question: Question, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        step(verdict(0.03), question)


@pytest.mark.parametrize("options", [["--golden", "nowhere"], ["--only", "nothing*"]])
def test_a_slip_ends_the_search_and_blames_nobody(tmp_path: Path, capsys: Any, options: list[str]) -> None:
    write_demo(tmp_path / "demo")
    build = str(tmp_path / "demo" / "builds" / "c-port.toml")
    golden = [] if "--golden" in options else ["--golden", str(tmp_path / "demo" / "golden")]
    assert main(["bisect", build, *golden, *options]) == STOP
    assert "Traceback" not in capsys.readouterr().err


def git(folder: Path, *words: str) -> str:
    who = ["-c", "user.name=nobody", "-c", "user.email=nobody@example.invalid", "-c", "commit.gpgsign=false"]
    return subprocess.run(
        ["git", "-C", str(folder), *who, *words], check=True, capture_output=True, text=True
    ).stdout.strip()  # fmt: skip


def repository_of(tmp_path: Path, commits: int, moved: int, broken: tuple[int, ...]) -> Path:
    """Commits of the demo's C port: one moves the second spring, some do not compile, goldens change besides."""
    demo, folder = tmp_path / "demo", tmp_path / "reverb"
    write_demo(demo)
    shutil.copytree(demo / "golden", folder / "golden")
    source, toml = ((demo / "builds" / name).read_text(encoding="utf-8") for name in ("workshop.c", "c-port.toml"))
    told = (
        toml.replace("baseline =", "# baseline =")
        + '\n[build.not_asked]\ncost = "only arrivals are asked"\nconduct = "only arrivals are asked"\n'
    )
    (folder / "build.toml").write_text(told, encoding="utf-8")
    git(folder, "init", "-q", "-b", "main")
    for number in range(commits):
        text = source.replace("33.45", "33.49") if number >= moved else source
        text += f"/* commit {number} */\n" + ("this does not compile\n" if number in broken else "")
        (folder / "workshop.c").write_text(text, encoding="utf-8")
        if number == moved + 2:  # a golden that agrees with the fault; it must not be held against
            (folder / "golden" / "workshop-spring" / "reference.toml").write_text("approved anew", encoding="utf-8")
        git(folder, "add", "-A")
        git(folder, "commit", "-q", "-m", f"Commit {number}")
    return folder


@pytest.mark.skipif(None in (shutil.which("cc"), shutil.which("git")), reason="no cc, or no git")
@pytest.mark.parametrize("story", [SHORT, pytest.param(LONG, marks=pytest.mark.slow)], ids=["short", "long"])
def test_the_planted_commit_of_a_real_repository_is_found(
    tmp_path: Path, story: tuple[int, int, tuple[int, ...]]
) -> None:
    repository = repository_of(tmp_path, *story)
    first = git(repository, "rev-list", "--max-parents=0", "HEAD")
    git(repository, "bisect", "start", "--term-old", "early", "--term-new", "late", "main", first)
    asked = ["build.toml", "--golden", "golden", "--only", "workshop-spring", "--check", "echo-timing"]
    with warm.program(tmp_path) as reverdict:
        command = [str(reverdict), "bisect", *asked, "--where", "spring 2*", "--by", "0.02"]
        said = git(repository, "bisect", "run", *command)
    assert "is the first late commit" in said, said
    bad = git(repository, "rev-parse", "refs/bisect/late")
    assert git(repository, "log", "-1", "--format=%s", bad) == f"Commit {story[1]}", shlex.join(command) + said
    git(repository, "bisect", "reset")
    assert git(repository, "status", "--porcelain") == ""


@pytest.mark.parametrize(("asked", "said"), [("", "internal error, RuntimeError: a bug"), ("1", "Traceback")])
def test_a_bug_ends_the_search_with_its_traceback_where_one_is_asked_for(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: Any, asked: str, said: str
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise RuntimeError("a bug")

    monkeypatch.setattr("reverdict.gate.gate", broken)
    monkeypatch.setenv("REVERDICT_TRACEBACK", asked)
    assert main(["bisect", "build.toml", "--golden", str(tmp_path)]) == STOP
    assert said in capsys.readouterr().err
