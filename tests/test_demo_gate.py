"""Each build of the demo against its references: the good ones pass, each bad one is stopped by its own check alone.

No faulty build is a near miss: whatever is not its fault stays within 0.8 of its tolerance, so that neither a fault
is named twice nor a change of the analysis turns the demo's story unnoticed.
"""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from reverdict.demo import write_demo
from reverdict.gate import gate
from reverdict.words import CHECKS, Outcome, ReferenceVerdict, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

TANK, SPRING, STEREO, HALL = "two-spring-tank", "workshop-spring", "workshop-stereo", "workshop-hall"
FAULTS = {
    "release-1.0": ("", ()),
    "release-1.1": ("", ()),
    "c-port": ("", ()),
    "drifted-refactor": ("echo-timing", (TANK, SPRING, STEREO)),
    "fewer-sections": ("group-delay", (TANK, SPRING, STEREO)),
    "comb-fake": ("group-delay", (TANK, SPRING, STEREO)),
    "raised-feedback": ("energy-decay", (TANK, SPRING, STEREO, HALL)),
    "slow": ("cost", (SPRING,)),
    "c-single": ("cost", (SPRING,)),
    "fixed-point": ("conduct", (TANK, SPRING, STEREO, HALL)),
}
"""Build: the check its fault belongs to and the references that show it."""

NEAR = 0.8

needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler called cc")
needs_counter = pytest.mark.skipif(
    None in (shutil.which("cc"), shutil.which("valgrind")), reason="no cc, or no valgrind"
)
NEEDS = {"c-port": needs_compiler, "c-single": needs_counter}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("workspace") / "demo"
    write_demo(folder)
    return folder


SOUND = tuple(check for check in CHECKS if check != "cost")
"""What the short forms ask of builds in Python: their cost is counted and timed for half a minute each."""

MEASURED = tuple(check for check in SOUND if check != "conduct")
"""And of those whose sound is at fault: how they conduct themselves takes longer than all the rest."""


def judged(demo: Path, build: str, only: str = "*", checks: Sequence[str] = CHECKS) -> Verdict:
    return gate(demo / "builds" / f"{build}.toml", demo / "golden", only, checks=checks)


def closing(reference: ReferenceVerdict) -> list[str]:
    """Checks that do not pass, of those that were asked."""
    return [check.check for check in reference.checks if check.outcome not in (Outcome.PASS, Outcome.NOT_ASKED)]


def near_misses(reference: ReferenceVerdict, fault: str) -> list[str]:
    """Findings of checks other than the fault's (and than cost, which is timed) that come near their tolerance."""
    return [
        f"{reference.name}: {check.check}: {finding.quantity} {finding.where}: {finding.share_of_tolerance:.2f}"
        for check in reference.checks
        if check.check not in (fault, "cost")
        for finding in check.findings
        if (finding.share_of_tolerance or 0.0) > NEAR
    ]


def test_benign_rebuild_passes(demo: Path) -> None:
    verdict = judged(demo, "release-1.1", TANK, SOUND)
    assert verdict.outcome == "pass"
    assert near_misses(verdict.references[0], "") == []


def compiled_otherwise(demo: Path, flags: str, block: int) -> str:
    """A build of the C port with other compiler flags, that is handed other blocks; its name. Its cost is another's."""
    name = f"c-port{flags.replace(' ', '').replace('=', '-')}-{block}"
    text = (demo / "builds" / "c-port.toml").read_text(encoding="utf-8")
    quoted = ", ".join(f'"{flag}"' for flag in flags.split())
    changed = text.replace('"-O2"', quoted).replace('"{block_size}"', f'"{block}"')
    assert changed.count(quoted) == changed.count(f'"{block}"') == 1
    changed += '\n[build.not_asked]\ncost = "compiled otherwise"\n'
    (demo / "builds" / f"{name}.toml").write_text(changed, encoding="utf-8")
    return name


@pytest.mark.slow
@needs_compiler
def test_port_compiled_otherwise_passes(demo: Path) -> None:
    build = compiled_otherwise(demo, "-O3 -ffast-math", 64)
    assert judged(demo, build, SPRING).outcome == "pass"


@needs_compiler
@pytest.mark.slow
@pytest.mark.parametrize(
    "flags",
    [
        "-O0", "-O1", "-O3", "-Ofast", "-O3 -ffast-math -funroll-loops", "-O2 -march=native -ffp-contract=fast",
        "-O2 -fno-inline -ffp-contract=off",
    ],
)  # fmt: skip
def test_rebuilds_of_the_port_are_the_same_reverb(demo: Path, flags: str) -> None:
    for block in (1, 64, 441, 1024, 4096):
        verdict = judged(demo, compiled_otherwise(demo, flags, block))
        assert verdict.outcome == "pass"
        # Against the references that are releases of this very algorithm, hardly anything is used of any tolerance.
        same = [one for one in verdict.references if one.name != TANK]
        used = [finding.share_of_tolerance or 0.0 for one in same for check in one.checks for finding in check.findings]
        assert max(used) < 0.01


@needs_compiler
def test_port_to_another_language_passes(demo: Path) -> None:
    assert judged(demo, "c-port", SPRING, SOUND).outcome == "pass"


@pytest.mark.parametrize(
    ("build", "only", "checks"),
    [
        ("drifted-refactor", TANK, MEASURED),
        ("fewer-sections", STEREO, MEASURED),
        ("comb-fake", TANK, MEASURED),
        ("raised-feedback", HALL, MEASURED),
        ("fixed-point", SPRING, SOUND),
        pytest.param("c-single", SPRING, (*MEASURED, "cost"), marks=needs_counter),
    ],
)
@pytest.mark.usefixtures("undiagnosed")
def test_fault_is_stopped_by_its_own_check(demo: Path, build: str, only: str, checks: Sequence[str]) -> None:
    """What explains the fault is sought in the long form, and in test_diagnosis."""
    verdict = judged(demo, build, only, checks)
    (reference,) = verdict.references
    fault, _ = FAULTS[build]
    assert verdict.outcome == "fail"
    assert closing(reference) == [fault]
    assert near_misses(reference, fault) == []


@pytest.mark.slow
@pytest.mark.parametrize("build", [pytest.param(name, marks=NEEDS.get(name, ())) for name in FAULTS])
def test_every_build_against_every_reference(demo: Path, build: str) -> None:
    fault, shown_by = FAULTS[build]
    verdict = judged(demo, build)
    assert {reference.name for reference in verdict.references} == {TANK, SPRING, STEREO, HALL}
    for reference in verdict.references:
        assert closing(reference) == ([fault] if reference.name in shown_by else []), reference.name
        assert near_misses(reference, fault) == []
    assert verdict.outcome == ("fail" if fault else "pass")
