"""Other processes that want the same cores and the same memory, for proofs that hold on a busy machine."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

BUSY = """
import os
parent = os.getppid()
while os.getppid() == parent:  # whoever is killed cannot end what it started
    sum(range(1000))
"""
STREAMING = """
import os
import numpy as np
parent = os.getppid()
there, back = np.ones(8_000_000), np.zeros(8_000_000)
while os.getppid() == parent:
    back[:] = there
    there[:] = back
"""
LOADS = {"idle": (0, 0), "busy": (2, 0), "streaming": (2, 1)}
"""Busy processes a core, and processes that stream through memory."""


@contextlib.contextmanager
def load(kind: str) -> Iterator[None]:
    """Disturb the machine as ``LOADS`` says."""
    busy, streaming = LOADS[kind]
    programs = [BUSY] * (busy * (os.cpu_count() or 1)) + [STREAMING] * streaming
    with contextlib.ExitStack() as stack:
        for program in programs:
            process = stack.enter_context(subprocess.Popen([sys.executable, "-c", program]))
            stack.callback(process.kill)
        yield
