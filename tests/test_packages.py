"""Wheel and sdist: what is in them, that one makes the other, and that what is installed from them works by itself.

On every Python that can be had, with the tests of the sdist: ``bash ci/test-installed``.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

import reverdict

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "checks" / "reverdict"

pytest.importorskip("hatchling", reason="needs hatchling, which builds both")
pytestmark = pytest.mark.skipif(not PACKAGE.is_dir(), reason="the tests run without the sources of the package")


def built(what: str, source: Path, into: Path) -> Path:
    """Build "wheel" or "sdist" by the backend that pyproject.toml names, in a process of its own; needs no network."""
    code = f"import hatchling.build, sys; print(hatchling.build.build_{what}(sys.argv[1]))"
    into.mkdir(exist_ok=True)
    ended = subprocess.run(
        [sys.executable, "-c", code, str(into)], cwd=source, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stderr
    return into / ended.stdout.split()[-1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built("wheel", ROOT, tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def sdist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The unpacked sdist."""
    folder = tmp_path_factory.mktemp("sdist")
    with tarfile.open(built("sdist", ROOT, folder)) as archive:
        if sys.version_info >= (3, 12):
            archive.extractall(folder, filter="data")
        else:
            archive.extractall(folder)  # noqa: S202 - our own, made a moment ago
    (unpacked,) = [path for path in folder.iterdir() if path.is_dir()]
    return unpacked


def names_in(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_the_wheel_holds_the_package_and_the_demo_s_goldens_and_nothing_else(wheel: Path) -> None:
    def below(folder: Path, as_name: str) -> set[str]:
        files = (path for path in folder.rglob("*") if path.is_file() and "__pycache__" not in path.parts)
        return {f"{as_name}/{path.relative_to(folder).as_posix()}" for path in files}

    wanted = below(PACKAGE, "reverdict") | below(ROOT / "golden", "reverdict/_golden")
    assert {name for name in names_in(wheel) if ".dist-info/" not in name} == wanted
    assert "reverdict/py.typed" in wanted


def test_what_it_says_of_itself_holds(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        (metadata,) = [name for name in archive.namelist() if name.endswith("/METADATA")]
        (points,) = [name for name in archive.namelist() if name.endswith("/entry_points.txt")]
        told = Parser().parsestr(archive.read(metadata).decode())
        entry_points = archive.read(points).decode()
    assert (told["Name"], told["Version"]) == ("reverdict", reverdict.__version__)
    assert told["Requires-Python"] == ">=3.10"
    assert told["License-Expression"] == "MIT"
    for python in ("3.10", "3.11", "3.12", "3.13", "3.14"):
        assert f"Programming Language :: Python :: {python}" in told.get_all("Classifier", [])
    assert "reverdict = reverdict.command_line:main" in entry_points
    assert "reverdict = reverdict.pytest_plugin" in entry_points


def test_the_sdist_makes_the_same_wheel(sdist: Path, wheel: Path, tmp_path: Path) -> None:
    again = built("wheel", sdist, tmp_path)
    assert again.name == wheel.name
    with zipfile.ZipFile(wheel) as one, zipfile.ZipFile(again) as other:
        assert {name: one.read(name) for name in one.namelist()} == {
            name: other.read(name) for name in other.namelist()
        }


def test_the_sdist_carries_tests_scripts_and_pages(sdist: Path) -> None:
    for name in ("tests/conftest.py", "ci/test", ".ci/run", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE"):
        assert (sdist / name).is_file(), name
    assert not list(sdist.rglob("__pycache__"))
    assert not (sdist / ".venv").exists()


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The environment in which the package is what pip made of the wheel, and nothing of this checkout is found."""
    target = tmp_path_factory.mktemp("installed")
    pip = [sys.executable, "-m", "pip"]
    if subprocess.run([*pip, "--version"], capture_output=True, check=False).returncode:
        pytest.skip("no pip here")
    options = ["--quiet", "--no-deps", "--no-index", "--no-compile", "--target", str(target)]
    subprocess.run([*pip, "install", *options, str(wheel)], capture_output=True, check=True)
    return {**os.environ, "PYTHONPATH": str(target), "PATH": f"{target / 'bin'}{os.pathsep}{os.environ['PATH']}"}


def said(environment: dict[str, str], folder: Path, *command: str, status: int = 0) -> str:
    ended = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    assert ended.returncode == status, ended.stdout + ended.stderr
    return ended.stdout


def test_the_installed_program_lays_out_its_demo_and_gates_a_recording(
    installed: dict[str, str], tmp_path: Path
) -> None:
    where = said(installed, tmp_path, sys.executable, "-c", "import reverdict; print(reverdict.__file__)")
    assert where.startswith(installed["PYTHONPATH"])
    assert said(installed, tmp_path, "reverdict", "--version") == f"reverdict {reverdict.__version__}\n"
    said(installed, tmp_path, "reverdict", "demo", "demo")
    takes = tmp_path / "takes"
    takes.mkdir()
    shutil.copy(tmp_path / "demo/golden/workshop-spring/response.flac", takes / "workshop-spring.flac")
    gate = ("reverdict", "gate", "takes", "--golden", "demo/golden", "--only", "workshop-spring", "--report", "report")
    assert "Dashboard: report/index.html" in said(installed, tmp_path, *gate)
    verdict = json.loads((tmp_path / "report" / "verdict.json").read_text(encoding="utf-8"))
    assert verdict["outcome"] == "pass"
    assert list((tmp_path / "report").rglob("*.js"))  # what pages need came along
