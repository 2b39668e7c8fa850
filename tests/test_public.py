"""What programs may import: it is there, light to import, described, and a program that uses it runs."""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import reverdict
from conftest import Workspace
from reverdict import public
from reverdict.words import PATHS, Response

ROOT = Path(__file__).parents[1]
PROGRAM = Path(__file__).parent / "examples" / "own_program.py"
EVERYTHING = "import sys; from reverdict import *; import reverdict; [getattr(reverdict, n) for n in reverdict.__all__]"


def test_the_page_is_what_the_package_says() -> None:
    written = (ROOT / "checks" / "API.md").read_text(encoding="utf-8")
    assert written == public.page(), "python -m reverdict.public > checks/API.md"


def test_the_page_lists_what_it_names() -> None:
    written = public.page()
    for names in PATHS.values():
        assert all(f'"{name}"' in written for name in names)
    assert "- `share_of_tolerance -> float | None`: |deviation| over tolerance" in written
    assert "- `forget() -> None`: Let go of the samples." in written


@pytest.mark.parametrize("name", reverdict.__all__)
def test_each_name_is_there_and_described(name: str) -> None:
    one = getattr(reverdict, name)
    assert name in dir(reverdict)
    told = inspect.getdoc(one) or ""
    assert len(told) > 40
    assert not (Path(reverdict.__file__).parent / f"{name}.py").exists(), "a module would hide it once imported"
    if inspect.isfunction(one):
        assert "Raises\n---" in told or "othing is raised" in told, "say what is raised"
        undescribed = [parameter for parameter in inspect.signature(one).parameters if parameter not in told]
        assert undescribed == []


def test_every_function_says_shapes_and_units_where_it_takes_sound() -> None:
    for name in ("fit_tank", "measure_response", "measure_beside", "read_recording"):
        told = inspect.getdoc(getattr(reverdict, name)) or ""
        assert "shape (" in told, name
        assert "econds" in told, name


def test_what_it_lists_is_what_there_is() -> None:
    assert list(reverdict.__all__) == sorted(reverdict.__all__)
    assert set(reverdict._HOMES) <= set(reverdict.__all__)
    with pytest.raises(AttributeError, match="no attribute 'mesure_response'"):
        reverdict.mesure_response  # noqa: B018 - asking for it is the test


@pytest.mark.parametrize(("code", "heavy"), [("import sys, reverdict", False), (EVERYTHING, True)])
def test_importing_the_package_takes_nothing_until_it_is_asked(code: str, heavy: bool) -> None:
    told = subprocess.run(
        [sys.executable, "-c", f"{code}; print('numpy' in sys.modules)"], capture_output=True, text=True, check=True
    )
    assert told.stdout == f"{heavy}\n"


def test_a_program_of_somebody_runs(workspace: Workspace) -> None:
    build = workspace.faulty("silence", "short")
    command = [sys.executable, str(PROGRAM), str(workspace.takes / "short.wav"), str(build), str(workspace.golden)]
    environment = {**os.environ, "PYTHONPATH": str(Path(reverdict.__file__).parents[1])}
    ended = subprocess.run(command, cwd=workspace.root, env=environment, capture_output=True, text=True, check=False)
    assert ended.returncode == 1, ended.stderr
    first, *_, last = ended.stdout.splitlines()
    assert first.startswith("spring 1, 1:3:5: first pass after ")
    assert "short, conduct: " in ended.stdout
    assert last == "report/index.html"
    slip = subprocess.run(
        [*command[:-1], "nowhere"], cwd=workspace.root, env=environment, capture_output=True, check=False
    )
    assert (slip.returncode, b"Traceback" in slip.stderr) == (2, False)


def test_functions_work_in_a_program_as_they_are_described(workspace: Workspace) -> None:
    (golden,) = reverdict.load_goldens(workspace.golden, "short")
    measured = reverdict.measure_response(golden.response)
    beside = reverdict.measure_beside(golden.response, measured, golden.response)
    assert beside.paths[0].onset.seconds == 0.0
    with pytest.raises(ValueError, match=r"candidate\.paths names 1 path"):
        reverdict.measure_beside(golden.response, measured, Response(np.zeros((2, 48000)), 48000))
    finding = reverdict.judge_deviation("arrival", "spring 1", "ms", 30.0, 30.2, 0.2, 0.01, 0.1)
    assert finding.outcome is reverdict.Outcome.FAIL
    verdict = reverdict.Verdict("error", reverdict.BuildIdentity("b", "1", "python"), (), ("slip",))
    assert reverdict.verdict_to_json(verdict)["errors"] == ["slip"]
    with pytest.raises(reverdict.BadInput):
        reverdict.load_goldens(workspace.root / "nowhere")
