"""The child process that captures for a build of kind ``interface``: drivers are other people's code, and may hang.

The job is a JSON file; the responses, shape (channels, samples), and what to know of them are files too. Why it failed
is said in a file, with exit status 1, as by the worker of Python builds.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np

from reverdict.capture.capturing import capture
from reverdict.capture.card import open_library, prove_route
from reverdict.capture.plan import Plan, Route
from reverdict.errors import BadInput


def main() -> None:
    """Do the job named by the last argument and end at once: a driver's threads may still be running."""
    job = json.loads(Path(sys.argv[-1]).read_text(encoding="utf-8"))
    try:
        response, told = respond(job)
    except BadInput as refusal:
        Path(job["files"]["failure"]).write_text(str(refusal), encoding="utf-8")
        os._exit(1)
    np.save(job["files"]["output"], response)
    Path(job["files"]["told"]).write_text(json.dumps(told), encoding="utf-8")
    os._exit(0)


def respond(job: dict[str, Any]) -> tuple[Any, list[str]]:
    """Capture one response. Raises BadInput where that is not possible, or would take longer than it may."""
    route = Route(
        job["device"], job["output_device"], job["rate_hz"], tuple(job["inputs"]), job["output"], job["loopback"]
    )
    plan = Plan(route, job["stimulus"], job["seconds"], job["sweep_s"], job["repeats"], job["level_dbfs"])
    longest_s = plan.longest_s()
    if longest_s > job["limit_s"]:
        told = f"may take {longest_s:.0f} s, but build.limits.seconds is {job['limit_s']:g}"
        raise BadInput("capture", f"{told}; raise it, or ask for less")
    library = open_library()
    prove_route(library, route)
    captured = capture(library, plan, lambda _: None)
    return captured.response, list(captured.told)


if __name__ == "__main__":
    main()
