"""A program of somebody's own: what a recording holds, and whether a build may be released. Only public names are used.

python own_program.py tank.wav build.toml golden
"""

from __future__ import annotations

import sys
from pathlib import Path

from reverdict import BadInput, Outcome, Response, Verdict, judge_build, measure_response, read_recording, write_report


def springs_of(response: Response) -> list[str]:
    """A line for each spring of each path, or the reason why there is none."""
    lines = []
    for path in measure_response(response, arrival_hz=500.0).paths:
        for number, spring in enumerate(path.springs.springs, 1):
            first_ms = 1e3 * spring.passes[0].time_s
            lines.append(f"spring {number}, {spring.pass_law}: first pass after {first_ms:.2f} ms")
        if not path.springs.springs:
            lines.append(path.springs.why_none)
    return lines


def what_closes(verdict: Verdict) -> list[str]:
    """Checks that close the gate, and by how much of their tolerance the worst finding of each departs."""
    told = []
    for reference in verdict.references:
        for check in reference.checks:
            shares = [one.share_of_tolerance or 0.0 for one in check.findings if one.outcome is not Outcome.PASS]
            if check.closes_gate:
                told.append(f"{reference.name}, {check.check}: {max(shares, default=0.0):.2f} of its limit")
    return told


def main(recording: Path, build: Path, golden: Path, report: Path) -> int:
    try:
        response, warnings = read_recording(recording, "auto")
        verdict = judge_build(build, golden)
    except BadInput as error:
        print(error, file=sys.stderr)
        return 2
    print("\n".join([*warnings, *springs_of(response), verdict.outcome, *what_closes(verdict)]))
    print(write_report(verdict, report))
    return 0 if verdict.outcome == "pass" else 1


if __name__ == "__main__":
    recording, build, golden = map(Path, sys.argv[1:])
    sys.exit(main(recording, build, golden, Path("report")))
