"""Items dealt out to the workers of one machine, one of which is killed, as a system short of memory does it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kills a worker with SIGKILL")

ITEMS = """\
import os, signal, time
from pathlib import Path

here = Path(__file__).parent

def test_item():
    (here / f"{Path(__file__).stem}.done").touch()

def test_last():
    if Path(__file__).stem == "test_1":
        while not (here / "killed").exists():
            time.sleep(0.01)
    if Path(__file__).stem == LETHAL and not (here / "killed").exists():
        (here / "killed").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    (here / f"{Path(__file__).stem}.last").touch()
"""


@pytest.mark.parametrize("lethal", ["test_0", "test_2"])
def test_what_a_lost_worker_had_to_do_is_done_by_another(lethal: str, tmp_path: Path) -> None:
    """Also where it is lost in its last reference, after others that it was through with."""
    for number in range(4):
        (tmp_path / f"test_{number}.py").write_text(ITEMS.replace("LETHAL", repr(lethal)), encoding="utf-8")
    plugins = ["-p", "xdist.plugin", "-p", "reverdict.workers", "-p", "no:cacheprovider"]
    told = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n2", "--dist=loadfile", "-c", os.devnull, "--rootdir", ".", *plugins],
        cwd=tmp_path,
        env={**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTEST_ADDOPTS": ""},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert "8 passed" in told.stdout, told.stdout  # and one failed, the lost one's
    assert len(list(tmp_path.glob("*.last"))) == 4
