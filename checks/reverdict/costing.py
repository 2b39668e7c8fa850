"""What a build costs: by the log of its target, or counted, timed and grown here, and held against the golden's cost.

Besides ``trial`` and ``conducting`` this is the one place that knows both builds and measurements. The golden's cost is
that of a baseline build, counted and timed in the same run; without one, the counts that the reference keeps, where
they were made on this class of machine, and its price in calibration kernels.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reverdict import growing, judging
from reverdict.check import blocks, cost, counted, cycles, growth
from reverdict.cycle_log import read_cycle_log
from reverdict.machine import machine_class
from reverdict.render import RECORDED
from reverdict.render.counting import count
from reverdict.render.timing import open_kernel_timer, open_timer
from reverdict.words import Outcome

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from reverdict.reference import Reference
    from reverdict.render import Build, Request
    from reverdict.words import Finding

PRICES = ("kernel_ratio", "instructions_per_sample")
"""Keys of ``[cost]`` that say what the golden itself costs, and can be measured here."""

KERNEL_PAIRS = 12
KEPT_DIGITS = 4
NO_GOLDEN_COST = "no golden cost: name a baseline in the build or the reference, or let golden new write kernel_ratio"
NO_LOG = (
    'not measured: the reference has cycles_per_sample, and the build names no log of cycles (cycles = "cycles.csv")'
)


@dataclass(frozen=True)
class Asked:
    """A build, the one it is held against if there is one, and what a reference asks."""

    build: Build
    baseline: Build | None
    reference: Reference
    request: Request


def observe(asked: Asked, work_folder: Path, benchmark: Any) -> tuple[list[Finding], dict[str, Any]]:
    """Findings on cost, and what there is to know of it beyond them (``report.data.verdict``).

    Where instructions were counted, and pass or fail, they decide; time is then no reason to close the gate for being
    unsure.

    benchmark : the fixture of pytest-benchmark, which runs what is timed.
    """
    settings = asked.reference.cost
    if asked.build.cycles is not None:
        return _by_log(asked.build.cycles, asked.reference), {}
    if settings.cycles_per_sample is not None and asked.build.kind in RECORDED:
        return [_no_cost(settings.dearer_percent, NO_LOG)], {}
    findings, told = _counted(asked, work_folder) if counted.wanted(settings) else ([], {})
    decided = _decided(findings)
    timed, told_of_time = _timed(asked, work_folder, benchmark, may_be_missing=decided)
    findings += [cost.time_beside_counts(one) for one in timed] if decided else timed
    told |= told_of_time
    if growing.asks_growth(settings):
        grown = growing.observe(asked.build, asked.baseline, asked.request, settings, work_folder)
        findings += growth.judge(grown, settings)
        told |= growth.as_json(grown)
    return findings, told


def _decided(findings: list[Finding]) -> bool:
    """Whether the counts of the whole say anything against the golden."""
    return any(
        one.quantity == "instructions" and not one.where and one.outcome in (Outcome.PASS, Outcome.FAIL)
        for one in findings
    )


def _counted(asked: Asked, work_folder: Path) -> tuple[list[Finding], dict[str, Any]]:
    """Count the build and its baseline, side by side: counts do not mind company."""
    settings = asked.reference.cost
    stages = asked.build.stages
    cache = settings.cache_misses_percent is not None
    with ThreadPoolExecutor(1) as beside:
        other = (
            beside.submit(count, asked.baseline, asked.request, work_folder, cache=cache) if asked.baseline else None
        )
        own = counted.of_build(count(asked.build, asked.request, work_folder, cache=cache), stages)
        if other is None or asked.baseline is None:
            golden = counted.of_reference(settings, machine_class())
        else:
            golden = counted.of_build(other.result(), asked.baseline.stages or stages, "baseline")
    return counted.judge(golden, own, settings), {"counted": counted.as_json(golden, own, stages)}


@dataclass(frozen=True)
class Price:
    """What a build costs, as a reference keeps it.

    keys : of ``[cost]``.
    why_not : those of ``PRICES`` that were wanted and could not be had, with the reason.
    """

    keys: dict[str, Any]
    why_not: dict[str, str]


def price(build: Build, request: Request, work_folder: Path, wanted: Iterable[str] = PRICES) -> Price:
    """Price a build: in calibration kernels, and in instructions where they can be counted."""
    found: dict[str, Any] = {}
    why_not = {}
    for key in wanted:
        told, why = PRICED[key](build, request, work_folder)
        found |= told
        if why:
            why_not[key] = why
    return Price(found, why_not)


def _in_kernels(build: Build, request: Request, work_folder: Path) -> tuple[dict[str, Any], str]:
    with open_timer(build, request, work_folder) as own, open_kernel_timer(work_folder) as kernel:
        pairs = [(own.seconds_per_sample(), kernel.seconds_per_sample()) for _ in range(KERNEL_PAIRS)]
        measured = cost.measure([(a, b) for a, b in pairs if a is not None and b is not None])
        why_not = own.why_not or kernel.why_not or measured.why_not
    return ({}, why_not) if measured.ratio is None else ({"kernel_ratio": round(measured.ratio, 3)}, "")


def _in_instructions(build: Build, request: Request, work_folder: Path) -> tuple[dict[str, Any], str]:
    found = count(build, request, work_folder)
    if found.per_sample is None:
        return {}, found.why_not
    told: dict[str, Any] = {
        "instructions_per_sample": round(found.per_sample, KEPT_DIGITS),
        "counted_on": machine_class(),
    }
    if build.stages and found.functions:
        grouped = counted.of_build(found, build.stages).stages
        told["stages"] = {stage: round(grouped[stage], KEPT_DIGITS) for stage in build.stages if stage in grouped}
    return told, ""


PRICED = {"kernel_ratio": _in_kernels, "instructions_per_sample": _in_instructions}


def _by_log(log_path: Path, reference: Reference) -> list[Finding]:
    """Judge what a log says of a reference; a log that does not name it is no measurement."""
    log = read_cycle_log(log_path)
    logged = log.blocks.get(reference.name)
    if logged is None:
        why_not = f"not measured: {log_path.name} has no block of {reference.name}, only of {', '.join(log.blocks)}"
        measured = cycles.CycleMeasurement(why_not=why_not)
    else:
        measured = cycles.measure(logged.frames, logged.cycles)
    return cycles.judge(measured, reference.cost, rate_hz=reference.rate_hz, clock_hz=log.clock_hz, target=log.target)


def _timed(
    asked: Asked, work_folder: Path, benchmark: Any, *, may_be_missing: bool
) -> tuple[list[Finding], dict[str, Any]]:
    """Time the build in turns with its baseline, the reference's, or the calibration kernel.

    may_be_missing : whether nothing to time against is well, as where counts decide.
    """
    settings = asked.reference.cost
    golden_ratio = 1.0 if asked.baseline else settings.kernel_ratio
    if golden_ratio is None:
        return ([] if may_be_missing else [_no_cost(settings.dearer_percent, NO_GOLDEN_COST)]), {}

    def settled(measurement: cost.CostMeasurement) -> bool:
        return cost.judge(golden_ratio, measurement, settings)[0].outcome is not Outcome.UNSURE

    against = cost.BASELINE if asked.baseline else cost.KERNEL
    with (
        open_timer(asked.build, asked.request, work_folder) as candidate,
        _golden_timer(asked, work_folder) as golden,
    ):
        measurement = cost.run_interleaved(candidate, golden, benchmark, settled, against=against)
    findings = cost.judge(golden_ratio, measurement, settings)
    findings += blocks.judge(measurement.blocks, settings.worst_block_percent)
    return findings, {"timed": cost.as_json(golden_ratio, measurement, settings)}


def _golden_timer(asked: Asked, work_folder: Path) -> Any:
    return open_timer(asked.baseline, asked.request, work_folder) if asked.baseline else open_kernel_timer(work_folder)


def _no_cost(tolerance: float, reason: str) -> Finding:
    return judging.judge_deviation("cost", "", "%", None, None, None, None, tolerance, reason=reason)
