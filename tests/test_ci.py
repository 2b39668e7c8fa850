"""What CI installs: pins that fit pyproject.toml and tie nobody to a registry; scripts that refuse to guess."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from reverdict.schema.toml import read_toml

ROOT = Path(__file__).parents[1]
PINS = ROOT / "ci" / "pins"
SCRIPTS = (
    "ci/branch",
    "ci/set-up",
    "ci/gate",
    "ci/test",
    "ci/test-installed",
    "ci/coverage",
    "ci/pin",
    "ci/get-plugins",
    "ci/get-browser",
    ".ci/run",
)
PYTHONS = ("3.10", "3.11", "3.12", "3.13")

pytestmark = pytest.mark.skipif(not PINS.is_dir(), reason="the tests run without the repository's ci folder")


def pinned(name: str, python: str) -> dict[str, str]:
    """Versions that a pins file gives a Linux machine with this Python."""
    environment = {
        "python_version": python,
        "python_full_version": f"{python}.5",
        "sys_platform": "linux",
        "platform_system": "Linux",
        "os_name": "posix",
    }
    versions = {}
    for line in (PINS / f"{name}.txt").read_text(encoding="utf-8").splitlines():
        found = re.fullmatch(r"([\w.-]+)==([\w.+!]+)(?: ; (.+?))? \\", line)
        if found and (not found[3] or Marker(found[3]).evaluate(environment)):
            assert canonicalize_name(found[1]) not in versions, f"{found[1]} is pinned twice"
            versions[canonicalize_name(found[1])] = found[2]
    return versions


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("name", ["runtime", "develop"])
def test_pins_fit_the_ranges_of_the_project(name: str, python: str) -> None:
    tables = read_toml(ROOT / "pyproject.toml")
    needed = tables["project"]["dependencies"] + tables["build-system"]["requires"]
    if name == "develop":
        needed += tables["project"]["optional-dependencies"]["dev"]
    versions = pinned(name, python)
    for requirement in map(Requirement, needed):
        if requirement.marker is None or requirement.marker.evaluate({"python_version": python}):
            pin = versions.get(canonicalize_name(requirement.name))
            assert pin, f"{requirement.name} is not pinned for Python {python}; run: bash ci/pin"
            assert requirement.specifier.contains(pin), f"{requirement} is pinned to {pin}; run: bash ci/pin"


@pytest.mark.parametrize("python", PYTHONS)
def test_developing_and_judging_use_the_same_versions(python: str) -> None:
    runtime, develop = pinned("runtime", python), pinned("develop", python)
    assert len(runtime) > 20
    assert runtime.items() <= develop.items()


@pytest.mark.parametrize("name", ["runtime", "develop"])
def test_pins_carry_digests_and_name_no_registry_and_no_folder(name: str) -> None:
    lines = (PINS / f"{name}.txt").read_text(encoding="utf-8").splitlines()
    for line, following in zip(lines, [*lines[1:], ""], strict=True):
        assert re.fullmatch(r"#.*|[\w.-]+==[\w.+!]+( ; .+)? \\|    --hash=sha256:[0-9a-f]{64}( \\)?", line), line
        assert "://" not in line
        assert not line.endswith("\\") or following.startswith("    --hash")


@pytest.mark.parametrize("script", SCRIPTS)
def test_scripts_are_sound_shell(script: str) -> None:
    subprocess.run(["bash", "-n", str(ROOT / script)], check=True)
    if shutil.which("shellcheck"):
        subprocess.run(["shellcheck", str(ROOT / script)], check=True)


def set_up(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    command = ["bash", str(ROOT / "ci" / "set-up"), *arguments]
    return subprocess.run(command, env=os.environ | environment, capture_output=True, text=True, check=False)


def test_set_up_leaves_a_folder_alone_that_it_did_not_make(tmp_path: Path) -> None:
    (tmp_path / "precious").touch()
    ended = set_up(PYTHON=sys.executable, REVERDICT_VENV=str(tmp_path))
    assert ended.returncode == 2
    assert f"{tmp_path} is there and was not made by ci/set-up" in ended.stderr
    assert (tmp_path / "precious").exists()
    assert ended.stdout == ""


def test_set_up_refuses_an_old_python_by_its_version(tmp_path: Path) -> None:
    old = tmp_path / "old"
    old.write_text('#!/bin/sh\n[ "$1" = -V ] && echo "Python 3.8.18"\nexit 1\n', encoding="utf-8")
    old.chmod(0o755)
    ended = set_up(PYTHON=str(old), REVERDICT_VENV=str(tmp_path / "venv"))
    assert ended.returncode == 2
    assert f"PYTHON={old} is Python 3.8.18, need Python 3.10 or newer" in ended.stderr
    assert not (tmp_path / "venv").exists()


def test_set_up_knows_two_sets_of_packages(tmp_path: Path) -> None:
    ended = set_up("tests", REVERDICT_VENV=str(tmp_path / "venv"))
    assert (ended.returncode, ended.stderr) == (2, 'ci/set-up: there is runtime and develop, not "tests"\n')


def test_the_recipe_takes_a_branch_that_is_there() -> None:
    (clone,) = re.findall(r"^ +git clone .*$", (ROOT / "ci" / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert clone.split() == ["git", "clone", "--branch", "main", "URL-OF-THIS-REPOSITORY", "suite"]


@pytest.mark.parametrize("version", ["as it stands", "a commit"])
def test_the_workflow_fetches_the_suite_by_branch_and_by_commit(tmp_path: Path, version: str) -> None:
    text = (ROOT / "ci" / "templates" / "hosted-workflow.yml").read_text(encoding="utf-8")
    fetch = text.partition("- name: Fetch the suite\n        run: |\n")[2].partition("\n\n")[0]
    branch = re.search(r"SUITE_VERSION: (\S+)", text)
    assert branch
    suite = tmp_path / "suite"
    git = ["git", "-C", str(suite), "-c", "user.name=a", "-c", "user.email=a@example.org"]
    subprocess.run(["git", "init", "-q", "-b", "main", str(suite)], check=True)
    (suite / "here").touch()
    for command in (["add", "here"], ["commit", "-q", "-m", "One"]):
        subprocess.run([*git, *command], check=True)
    head = subprocess.run([*git, "rev-parse", "HEAD"], check=True, capture_output=True, text=True).stdout.strip()
    wanted = head if version == "a commit" else branch[1]
    named = {"SUITE": str(suite), "SUITE_VERSION": wanted, "RUNNER_TEMP": str(tmp_path)}
    subprocess.run(["bash", "-euo", "pipefail", "-c", fetch], env=os.environ | named, check=True)
    assert (tmp_path / "reverdict" / "here").exists()


@pytest.mark.parametrize(
    ("name", "said"),
    [("plugins", "tests with plug-ins of packages are skipped"), ("browser", "tests in a browser are")],
)
def test_where_no_packages_can_be_fetched_the_tests_still_run(tmp_path: Path, name: str, said: str) -> None:
    programs, folder = tmp_path / "bin", tmp_path / name
    programs.mkdir()
    for program in ("bash", "dirname"):
        (programs / program).symlink_to(shutil.which(program) or "")
    environment = {"PATH": str(programs), f"REVERDICT_{name.upper()}": str(folder)}
    script = ["bash", str(ROOT / "ci" / f"get-{name}")]
    done = subprocess.run(script, env=environment, capture_output=True, text=True, check=True)
    assert said in done.stderr
    assert not folder.exists()


def test_plugins_that_are_there_are_not_fetched_again(tmp_path: Path) -> None:
    text = (ROOT / "ci" / "get-plugins").read_text(encoding="utf-8")
    listed = re.search(r"^packages=\((.*?)^\)", text, re.MULTILINE | re.DOTALL)
    assert listed
    lines = [line for line in listed[1].splitlines() if not line.lstrip().startswith("#")]
    made = tmp_path / "made-by-reverdict"
    made.write_text(" ".join(" ".join(lines).split()), encoding="utf-8")
    script = ["bash", str(ROOT / "ci" / "get-plugins")]
    environment = os.environ | {"REVERDICT_PLUGINS": str(tmp_path)}
    done = subprocess.run(script, env=environment, capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == ("", "")
    assert [path.name for path in tmp_path.iterdir()] == [made.name]
