"""Real builds put through growth, set-up, memory and leak, and how often each is stopped by what. Prints a table.

python tests/growth_truth.py [TIMES] [--loaded]
"""

from __future__ import annotations

import collections
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from growing_builds import GROWS, build, script
from loads import load
from reverdict.check.growth import judge
from reverdict.growing import observe
from reverdict.reference import Cost, Tolerance
from reverdict.render import Build, Request, working_folder
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    pass

REQUEST = Request("spring", rate_hz=48000, block_size=512)
SETTINGS = Cost(
    growth_exponent=0.4,
    leak_kb_per_s=20.0,
    memory_percent=Tolerance.both_ways(20.0),
    setup_percent=Tolerance.both_ways(30.0),
)
FAULTS = {
    "BLOCK": {"block size"},
    "RATE": {"sample rate"},
    "LENGTH": {"length"},
    "SECTIONS": {"sections"},
    "LEAK": {"leak"},
    "SETUP": {"set-up"},
    "MEMORY": {"memory"},
}
"""Fault -> where its findings are (of growth), or what they are called."""

KINDS = ("library", "command", "python", "script")


def made(folder: Path, kind: str, fault: str = "") -> Build:
    (folder / kind).mkdir(exist_ok=True)
    return script(folder / kind, fault) if kind == "script" else build(folder / kind, kind, fault)


def findings_of(own: Build, baseline: Build, kind: str, work: Path, grows: bool = True) -> list[Finding]:
    grows_with = GROWS["python" if kind == "script" else kind] if grows else {}
    settings = Cost(**{**vars(SETTINGS), "grows_with": grows_with})
    return judge(observe(own, baseline, REQUEST, settings, work), settings)


def named(finding: Finding) -> str:
    return finding.where or finding.quantity


def stopped_by(findings: list[Finding], *outcomes: Outcome) -> set[str]:
    return {named(one) for one in findings if one.outcome in (outcomes or (Outcome.FAIL, Outcome.UNSURE))}


def main() -> None:
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    times = numbers[0] if numbers else 3
    kinds = [word for word in sys.argv[1:] if word in KINDS] or KINDS
    disturbed = load("busy" if "--loaded" in sys.argv else "idle")
    with tempfile.TemporaryDirectory() as folder, disturbed:
        for kind in kinds:
            for fault in ("", *FAULTS):
                rows, took, seen = collections.Counter(), [], collections.defaultdict(list)
                for _ in range(times):
                    with working_folder() as work:
                        started = time.monotonic()
                        found = findings_of(made(Path(folder), kind, fault), made(Path(folder), kind), kind, work)
                        took.append(time.monotonic() - started)
                    for one in found:
                        if one.outcome in (Outcome.FAIL, Outcome.UNSURE):
                            rows[f"{named(one)} {one.outcome}"] += 1
                        if one.deviation is not None:
                            seen[named(one)].append((one.deviation, one.uncertainty))
                told = ", ".join(f"{name} {count}" for name, count in rows.items()) or "nothing"
                spread = "; ".join(
                    f"{name} {min(v)[0]:.3g}…{max(v)[0]:.3g} ±{max(u for _, u in v):.2g}" for name, v in seen.items()
                )
                print(f"| {kind} | {fault or 'none'} | {told} | {max(took):.1f} s | {spread} |", flush=True)


if __name__ == "__main__":
    assert shutil.which("cc"), "needs a C compiler"
    main()
