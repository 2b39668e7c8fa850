"""Checks that packages bring, gated for real: the example is installed, others are written as modules with an entry."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import textwrap
import xml.etree.ElementTree as ET
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import reverdict
from conftest import Workspace
from reverdict import own_checks
from reverdict.command_line import main
from reverdict.words import Finding, Outcome, Response

EXAMPLE = Path(__file__).parent / "examples" / "tail_hum"
TABLE = "\n[tail_hum]\nhum_percent = 0.02\n"

HUMMING = '''
import numpy as np
from player import Player


class Humming(Player):
    """The same spring over a hum 64 dB below its peak."""

    def __init__(self, sample_rate, program, amount=0.0):
        super().__init__(sample_rate, program)
        self.step, self.at = 2 * np.pi * 50 / sample_rate, 0
        self.amount = amount * np.abs(self.response).max()

    def process(self, block):
        when = self.at + np.arange(block.shape[1])
        self.at += block.shape[1]
        return super().process(block) + self.amount * np.sin(self.step * when)
'''

FACE = """
from dataclasses import dataclass
from reverdict.words import Finding, Outcome

ABOUT = "Is it well?"

@dataclass(frozen=True)
class Tolerances:
    limit_db: float = 1.0

def measure(response):
    return response

"""


@pytest.fixture(scope="session")
def hum_package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example, installed without network into a folder of its own."""
    pytest.importorskip("hatchling")
    target = tmp_path_factory.mktemp("installed")
    pip = [sys.executable, "-m", "pip", "install", "--no-build-isolation", "--no-deps", "--no-index", "--quiet"]
    environment = os.environ | {"PIP_DISABLE_PIP_VERSION_CHECK": "1", "PIP_NO_CACHE_DIR": "1"}
    copy = tmp_path_factory.mktemp("source") / "tail_hum"
    copy.mkdir()
    for name in ("pyproject.toml", "tail_hum.py"):
        (copy / name).write_bytes((EXAMPLE / name).read_bytes())
    subprocess.run([*pip, "--target", str(target), str(copy)], check=True, env=environment)
    return target


def package(folder: Path, table: str, source: str, distribution: str = "") -> Path:
    """A package as it lies in site-packages: a module, and the entry point that leads to it."""
    module = f"brings_{table}"
    name = distribution or f"reverb-{table.replace('_', '-')}"
    (folder / f"{module}.py").write_text(textwrap.dedent(source), encoding="utf-8")
    facts = folder / f"{name.replace('-', '_')}-2.0.dist-info"
    facts.mkdir(parents=True)
    (facts / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 2.0\n", encoding="utf-8")
    (facts / "entry_points.txt").write_text(f"[reverdict.checks]\n{table} = {module}\n", encoding="utf-8")
    return folder


def run_process(*arguments: str | Path, packages: Path) -> subprocess.CompletedProcess[str]:
    """The command as whoever has these packages starts it."""
    folders = [str(Path(reverdict.__file__).parents[1]), str(packages)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(folders)}
    command = [sys.executable, "-m", "reverdict", *map(str, arguments)]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


def run(*arguments: str | Path, packages: Path | None = None) -> subprocess.CompletedProcess[str]:
    """The same in this process, which starts sooner: it knows these packages while the command runs, and no longer."""
    out, errors = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    known = set(sys.modules)
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(errors):
        if packages:
            patch.syspath_prepend(packages)
        forget()
        status = main([str(argument) for argument in arguments])
    forget()
    for name in set(sys.modules) - known:
        if packages and str(packages) in str(getattr(sys.modules[name], "__file__", "")):
            del sys.modules[name]
    told = [stream.buffer.getvalue().decode() for stream in (out, errors) if not stream.flush()]
    return subprocess.CompletedProcess([], status, *told)


def forget() -> None:
    """What packages there are, and what they brought."""
    for one in (own_checks.tables, own_checks._entry_points, own_checks.load):
        one.cache_clear()


def add(path: Path, text: str) -> None:
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")


def humming(workspace: Workspace, amount: float) -> Path:
    (workspace.builds / "humming.py").write_text(HUMMING, encoding="utf-8")
    return workspace.build(f"[build.parameters]\namount = {amount}", object="humming:Humming")


def checks_of(report: Path, reference: str = "short") -> dict[str, Any]:
    verdict = json.loads((report / "verdict.json").read_text(encoding="utf-8"))
    (found,) = [one for one in verdict["references"] if one["name"] == reference]
    return {one["check"]: one for one in found["checks"]}


def test_the_example_passes_a_good_build_and_stops_one_that_hums(workspace: Workspace, hum_package: Path) -> None:
    add(workspace.golden / "tolerances.toml", TABLE)
    report = workspace.root / "report"
    told = ("--golden", workspace.golden, "--only", "short", "--report", report)
    good = run_process("gate", humming(workspace, 0.0), *told, packages=hum_package)
    assert good.returncode == 0, good.stdout + good.stderr
    assert checks_of(report)["tail-hum"]["outcome"] == "pass"

    bad = run("gate", humming(workspace, 0.0003), *told, packages=hum_package)
    assert bad.returncode == 1, bad.stdout + bad.stderr
    judged = checks_of(report)
    assert judged["tail-hum"]["outcome"] == "fail"
    assert judged["tail-hum"]["closes_gate"]
    assert judged["echo-timing"]["outcome"] == "pass"
    assert list(judged)[-1] == "tail-hum"
    assert judged["tail-hum"]["brought_by"] == "reverb-tail-hum 0.1"
    (finding,) = judged["tail-hum"]["findings"]
    assert finding["deviation"] == pytest.approx(0.06, abs=0.005)
    assert finding["uncertainty"] < 0.01
    assert "tail hum" in bad.stdout
    assert "limit 0.020 %" in bad.stdout
    for name in ("index.html", "references/short.html", "summary.md"):
        assert "tail hum" in (report / name).read_text(encoding="utf-8"), name
    cases = {case.get("name"): case for case in ET.parse(report / "junit.xml").iter("testcase")}  # noqa: S314
    assert cases["tail-hum"].find("failure") is not None
    assert cases["echo-timing"].find("failure") is None


def test_a_verdict_with_a_package_s_check_keeps_to_the_schema(workspace: Workspace, hum_package: Path) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    add(workspace.reference(), TABLE)
    report = workspace.root / "report"
    gate = ("gate", workspace.takes, "--golden", workspace.golden, "--report", report, "--jobs", "2")
    done = run_process(*gate, packages=hum_package)
    assert done.returncode == 0, done.stdout + done.stderr
    verdict = json.loads((report / "verdict.json").read_text(encoding="utf-8"))
    jsonschema.validate(verdict, json.loads(run("schema", "verdict").stdout))
    assert checks_of(report)["tail-hum"]["outcome"] == "pass"
    assert "tail-hum" not in checks_of(report, "long")
    assert "no table" in (report / "index.html").read_text(encoding="utf-8")
    assert "no table" in (report / "summary.md").read_text(encoding="utf-8")
    for part in ("sound", "cost"):
        told = ("--golden", workspace.golden, "--checks", part, "--report", workspace.root / part)
        run("gate", workspace.takes, *told, packages=hum_package)
        jsonschema.validate(
            json.loads((workspace.root / part / "verdict.json").read_text(encoding="utf-8")),
            json.loads(run("schema", "verdict").stdout),
        )
    whole = workspace.root / "whole"
    parts = (workspace.root / "sound", workspace.root / "cost")
    merged = run("merge", *parts, "--report", whole)
    assert merged.returncode == 0, merged.stdout + merged.stderr
    assert checks_of(whole)["tail-hum"] == checks_of(report)["tail-hum"]
    schema = json.loads(run("schema", "reference", packages=hum_package).stdout)
    assert "tail_hum" in schema["properties"]
    assert "tail_hum" not in json.loads(run("schema", "reference").stdout)["properties"]


def test_a_table_without_its_package_is_an_error_that_says_so(workspace: Workspace) -> None:
    add(workspace.reference(), "\n[hum]\nhum_percent = 1\n")
    done = run("gate", workspace.takes, "--golden", workspace.golden)
    assert done.returncode == 2
    assert f"{workspace.reference()}: hum: unknown table; check `hum` needs a package that brings it" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.few(2)
@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("[tail_hum]\nhum_percent = \"0.1\"", "tail_hum.hum_percent: need a number, got the text \"0.1\""),
        ("[tail_hum]\nhum = 0.1", "tail_hum.hum: unknown key; keys carry their unit: did you mean hum_percent?"),
        ("[tail_hum]\nmains_hz = 50", "tail_hum.hum_percent: missing; set it here or in tolerances.toml"),
        ("[tail_hum]\nhum_percent = 0.1\nmains_hz = 55", "mains_hz: need 50 or 60, got 55"),
        ("[tail_hun]\nhum_percent = 0.1", "tail_hun: unknown key; did you mean tail_hum?"),
    ],
)  # fmt: skip
def test_mistakes_in_its_table_are_named_like_any_other(
    workspace: Workspace, hum_package: Path, written: str, said: str
) -> None:
    add(workspace.reference(), f"\n{written}\n")
    done = run("golden", "verify", "--golden", workspace.golden, packages=hum_package)
    assert done.returncode == 1 or done.returncode == 2
    assert said in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


def test_its_table_is_made_approved_and_verified_like_any_other(workspace: Workspace, hum_package: Path) -> None:
    add(workspace.golden / "tolerances.toml", TABLE)
    golden = ("--golden", workspace.golden)
    made = run("golden", "new", "third", "--from", workspace.takes / "short.wav", *golden, packages=hum_package)
    assert made.returncode == 0, made.stderr
    assert "tail-hum is asked" in made.stdout
    assert "[tail_hum]" in workspace.reference("third").read_text(encoding="utf-8")
    assert run("golden", "verify", *golden, packages=hum_package).returncode == 0

    wider = ("--as-it-stands", "--why", "the new supply hums", "--set", "tail_hum.hum_percent=0.5")
    approved = run("golden", "approve", "third", *wider, *golden, packages=hum_package)
    assert approved.returncode == 0, approved.stdout + approved.stderr
    assert "tail_hum.hum_percent: 0.02 → 0.5, wider" in approved.stdout
    told = run("golden", "tolerances", *golden, packages=hum_package)
    assert "hum_percent = 0.5" in told.stdout
    workspace.edit("hum_percent = 0.5", "hum_percent = 5", workspace.reference("third"))
    noted = run("golden", "verify", *golden, packages=hum_package)
    assert "not approved, edited by hand: tail_hum.hum_percent: 0.5 → 5, wider" in noted.stdout + noted.stderr


BROKEN = {
    "raises": "def judge(golden, candidate, tolerances):\n    return 1 / 0\n",
    "exits": "def judge(golden, candidate, tolerances):\n    raise SystemExit(0)\n",
    "nonsense": "def judge(golden, candidate, tolerances):\n    return ['pass']\n",
    "nothing": "def judge(golden, candidate, tolerances):\n    return []\n",
    "waves_through": "def judge(golden, candidate, tolerances):\n"
    "    return [Finding('level', '', 'dB', 0.0, None, None, None, 1.0, Outcome.PASS)]\n",
    "meddles": "def judge(golden, candidate, tolerances):\n    candidate.samples[:] = golden.samples\n    return []\n",
}


def test_broken_checks_close_the_gate_by_name_and_disturb_no_other(workspace: Workspace, tmp_path: Path) -> None:
    packages = tmp_path / "packages"
    packages.mkdir()
    for table, source in BROKEN.items():
        package(packages, table, FACE + source)
        add(workspace.reference(), f'\n[{table}]\naccept_unsure = "never mind"\n')
    report = workspace.root / "report"
    done = run("gate", workspace.takes, "--golden", workspace.golden, "--only", "short", "--report", report,
               packages=packages)  # fmt: skip
    assert done.returncode == 1, done.stdout + done.stderr
    judged = checks_of(report)
    assert {judged[name]["outcome"] for name in ("echo-timing", "group-delay", "energy-decay", "conduct")} == {"pass"}
    told = {table: judged[table.replace("_", "-")] for table in BROKEN}
    assert {one["outcome"] for one in told.values()} == {"unsure"}
    assert all(one["closes_gate"] for one in told.values())
    assert "ZeroDivisionError" in told["raises"]["reason"]
    assert "brings_raises.py line" in told["raises"]["reason"]
    assert "SystemExit" in told["exits"]["reason"]
    assert "str where a Finding is needed" in told["nonsense"]["reason"]
    assert "judge gave no finding" in told["nothing"]["reason"]
    assert "what was not measured does not pass" in told["waves_through"]["reason"]
    assert "read-only" in told["meddles"]["reason"]
    for table in ("raises", "exits", "nonsense", "waves_through", "meddles"):
        assert f"(reverb-{table.replace('_', '-')} 2.0)" in told[table]["reason"]


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("import no_such_module_anywhere\n", "of reverb-odd 2.0 cannot be loaded: ModuleNotFoundError"),
        ("ABOUT = 'x'\n", "of reverb-odd 2.0 has no Tolerances, no measure, no judge; a check has all four"),
        (FACE + "Tolerances = dict\njudge = None\n", "Tolerances is neither a dataclass nor a pydantic model"),
    ],
)
def test_a_package_that_cannot_be_used_is_named_where_its_table_stands(
    workspace: Workspace, tmp_path: Path, source: str, said: str
) -> None:
    (tmp_path / "packages").mkdir()
    packages = package(tmp_path / "packages", "odd", source)
    assert run("golden", "verify", "--golden", workspace.golden, packages=packages).returncode == 0  # not asked for
    add(workspace.reference(), "\n[odd]\n")
    done = run("gate", workspace.takes, "--golden", workspace.golden, packages=packages)
    assert done.returncode == 2
    assert f'{workspace.reference()}: odd: check "odd"' in done.stderr
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_two_packages_may_not_bring_one_check(workspace: Workspace, tmp_path: Path) -> None:
    (tmp_path / "packages").mkdir()
    source = FACE + "judge = measure\n"
    package(tmp_path / "packages", "twice", source)
    packages = package(tmp_path / "packages", "twice", source, "another-twice")
    add(workspace.reference(), "\n[twice]\n")
    done = run("gate", workspace.takes, "--golden", workspace.golden, packages=packages)
    assert done.returncode == 2
    assert 'check "twice" is brought by another-twice 2.0 and reverb-twice 2.0; uninstall all but one' in done.stderr


def finding(**changes: Any) -> Finding:
    well = {"quantity": "hum", "where": "", "unit": "%", "golden": 0.0, "candidate": 0.1, "deviation": 0.1,
            "uncertainty": 0.01, "tolerance": 0.2, "outcome": Outcome.PASS}  # fmt: skip
    return Finding(**(well | changes))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (finding(), ""),
        (finding(deviation=0.195), "a pass against its own figures"),
        (finding(tolerance=None), ""),
        (finding(deviation=float("nan")), "no finite number"),
        (finding(golden=np.float64(1.0)), ""),
        (finding(outcome="pass"), "whose outcome is no Outcome"),
        (finding(outcome=Outcome.NOT_ASKED), "not asked"),
        (finding(quantity=3), "whose quantity is no text"),
        (finding(outcome=Outcome.FAIL, deviation=None), "without a reason"),
        (finding(outcome=Outcome.FAIL, deviation=None, reason="no tail left"), ""),
    ],
)
def test_findings_of_packages_are_looked_at_before_they_count(given: Finding, said: str) -> None:
    response = Response(np.ones((1, 8)), 48000)
    check = own_checks.OwnCheck("hum", "some 1", "", object, lambda heard: heard, lambda *_: [given])
    if not said:
        assert own_checks.findings_of(check, response, response, None) == [given]
        return
    with pytest.raises(own_checks.Broken, match=said):
        own_checks.findings_of(check, response, response, None)


MODEL = """
from pydantic import BaseModel, Field
from reverdict.words import Finding, Outcome

ABOUT = "Is it well?"

class Tolerances(BaseModel):
    limit_db: float = Field(ge=0, le=6, description="How far it may be.")

def measure(response):
    return response

def judge(golden, candidate, tolerances):
    return [Finding("wellness", "", "dB", 0.0, 0.5, 0.5, 0.0, tolerances.limit_db, Outcome.PASS, "")]
"""


@pytest.mark.parametrize(
    ("limit", "status", "said"), [("1.0", 0, "wellness"), ("-1", 2, "limit_db"), ('"much"', 2, "limit_db")]
)
def test_tolerances_may_be_a_pydantic_model_with_bounds(
    workspace: Workspace, tmp_path: Path, limit: str, status: int, said: str
) -> None:
    (tmp_path / "packages").mkdir()
    packages = package(tmp_path / "packages", "wellness", MODEL)
    add(workspace.golden / "tolerances.toml", f"\n[wellness]\nlimit_db = {limit}\n")
    told = run("gate", workspace.build(), "--golden", workspace.golden, "--only", "short", packages=packages)
    assert told.returncode == status, told.stdout + told.stderr
    assert said in told.stdout + told.stderr
