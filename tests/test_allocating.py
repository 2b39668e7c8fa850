"""Pages that the system hands out again and again, counted."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

PIECES_MB, TIMES = 4, 50
PAGES = PIECES_MB * 2**20 // 4096
CODE = f"""
import resource, sys
import numpy as np
from reverdict.allocating import keep_memory
if sys.argv[1] == "keep":
    keep_memory()
def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt
begun = faults()
for _ in range({TIMES}):
    both = [np.ones({PIECES_MB} * 2**17) for _ in range(2)]
    del both
print(faults() - begun)
"""


def faults(what: str) -> int:
    done = subprocess.run([sys.executable, "-c", CODE, what], capture_output=True, text=True, check=True)
    return int(done.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="the C library is not glibc")
def test_pages_are_taken_from_the_system_once() -> None:
    assert faults("keep") < 4 * PAGES  # two pieces, and some room
    assert faults("give back") > 10 * PAGES  # the like of what it spares
