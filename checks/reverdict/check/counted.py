"""What a sample costs in counted instructions, against the golden's and against budgets.

Aim. A refactor that makes a build half a percent dearer must be stopped, on a busy machine as on an idle one, and the
finding must say which part of the algorithm it was.

Method. Instructions per sample and channel of both builds (``render.counting``), gathered into the stages that the
build names (``measure.stages``). The golden's are those of a baseline build, counted in the same run, or those that
the reference keeps, on the class of machine where they were counted. ``instructions_percent`` and ``stages_percent``
are of the golden's whole, so that a stage counts by its weight. ``cache_misses_percent`` is of the golden's misses of
the first level, for both levels, since a last level may have none at all. A budget is an upper bound.

Conventions. A deviation is positive where the build is dearer. Uncertainties are those of the repeats of both, as a
root of the sum of their squares; a stage's is that of the whole.

Limits of validity. Those of the counts. Simulated misses depend on where memory lies: the same library with a longer
``open`` moved them by 1 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from reverdict.judging import judge_deviation
from reverdict.measure.stages import OTHER, StageCost, compare, group, most_changed, plain_name, stage_of
from reverdict.phrases import true_minus
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from reverdict.reference import Cost, Tolerance
    from reverdict.render.counting import Count, FunctionCost, Misses

UNIT = "instructions/sample"
MISSES = "misses/sample"
LOST = "no function of the build fits its patterns in [build.stages]: misspelt, taken into its caller, or stripped?"
NOBODY = "no function of build or golden fits its patterns: misspelt, or not called here?"
LOST_AMONG = "it has the functions of a stage that none fits"
TOLD_FUNCTIONS = 20
KEPT_WITHIN = 1e-3
"""What a reference keeps is rounded, the whole and each of its stages."""

NO_GOLDEN_COUNT = (
    "no golden count: name a baseline in the build or the reference, or instructions_per_sample in the reference"
)


@dataclass(frozen=True)
class Counted:
    """Counts of one build, as they are judged.

    per_sample, uncertainty : float or None
        Instructions per sample and channel; None when ``why_not`` says why.
    stages : mapping
        Those of each stage; empty where unknown.
    functions : sequence of FunctionCost
    reads, writes, misses : None where no cache was simulated.
    tool : what counted.
    origin : "baseline" or "reference" of a golden, else empty.
    impossible_here : whether nothing on this machine could count it.
    """

    per_sample: float | None = None
    uncertainty: float | None = None
    stages: Mapping[str, float] = field(default_factory=dict)
    functions: Sequence[FunctionCost] = ()
    reads: float | None = None
    writes: float | None = None
    misses: Misses | None = None
    tool: str = ""
    origin: str = ""
    why_not: str = ""
    impossible_here: bool = False


def wanted(settings: Cost) -> bool:
    """Whether a reference asks for counts at all."""
    tolerances = settings.instructions_percent, settings.stages_percent, settings.cache_misses_percent
    return any(one is not None for one in tolerances) or bool(_budgets(settings))


def of_build(count: Count, stages: Mapping[str, Sequence[str]], origin: str = "") -> Counted:
    """What was counted of a build, in stages. The golden's take the candidate's patterns, so that like meets like."""
    return Counted(
        per_sample=count.per_sample,
        uncertainty=count.uncertainty,
        stages=group(count.functions, stages) if count.functions else {},
        functions=count.functions,
        reads=count.reads_per_sample,
        writes=count.writes_per_sample,
        misses=count.misses,
        tool=count.tool,
        origin=origin,
        why_not=count.why_not,
        impossible_here=count.impossible_here,
    )


def of_reference(settings: Cost, machine_class: str) -> Counted:
    """What the reference keeps, where it was counted on this class of machine."""
    if settings.instructions_per_sample is None:
        return Counted(origin="reference", why_not=NO_GOLDEN_COUNT)
    if settings.counted_on and settings.counted_on != machine_class:
        why_not = f"the golden was counted on {settings.counted_on}, which says nothing of {machine_class}"
        return Counted(origin="reference", why_not=why_not, impossible_here=True)
    stages = dict(settings.stages)
    if stages and OTHER not in stages:
        stages[OTHER] = max(0.0, settings.instructions_per_sample - sum(stages.values()))
    return Counted(settings.instructions_per_sample, KEPT_WITHIN, stages, origin="reference")


def judge(golden: Counted, candidate: Counted, settings: Cost) -> list[Finding]:
    """Findings "instructions", of the whole, by stage and by budget, and "cache misses", as far as they are asked.

    What cannot be counted here is unsure, or not asked where ``timed_is_enough`` says why that will do.
    """
    findings: list[Finding] = []
    whole = golden.per_sample
    stages = compare(golden.stages, candidate.stages)
    if settings.instructions_percent is not None:
        findings.append(_whole(golden, candidate, stages, settings.instructions_percent))
    if settings.stages_percent is not None and whole is not None and candidate.per_sample is not None:
        findings += [
            _stage(one, whole, candidate.per_sample, _uncertainty(golden, candidate), settings.stages_percent)
            for one in stages
            if one.stage != OTHER or one.golden or one.candidate
        ]
    elif settings.stages_percent is not None and settings.instructions_percent is None:
        findings.append(_unmeasured("instructions", UNIT, _why_not(golden, candidate)))
    if settings.cache_misses_percent is not None:
        findings += _misses(golden, candidate, settings.cache_misses_percent)
    findings += [_budget(name, budget, candidate) for name, budget in _budgets(settings).items()]
    if not settings.timed_is_enough:
        return findings
    return [_accepted(one, golden, candidate, settings.timed_is_enough) for one in findings]


def _whole(golden: Counted, candidate: Counted, stages: Sequence[StageCost], percent: Tolerance) -> Finding:
    if golden.per_sample is None or candidate.per_sample is None:
        return _unmeasured("instructions", UNIT, _why_not(golden, candidate), golden, candidate)
    return _held(
        "instructions", "", UNIT, (golden.per_sample, candidate.per_sample), golden.per_sample,
        _uncertainty(golden, candidate), percent, _what_moved(golden, candidate, stages),
    )  # fmt: skip


def _stage(one: StageCost, whole: float, candidate_whole: float, uncertainty: float, percent: Tolerance) -> Finding:
    if one.golden is None:
        return _unmeasured("instructions", UNIT, "the golden's stages are not known", where=one.stage)
    if not one.golden and not one.candidate and one.stage != OTHER:
        finding = _unmeasured("instructions", UNIT, NOBODY, where=one.stage)
        return replace(finding, outcome=Outcome.NOT_ASKED, reason=NOBODY)
    if one.candidate is None:
        return _unmeasured("instructions", UNIT, LOST_AMONG if one.stage == OTHER else LOST, where=one.stage)
    share = f"{100.0 * one.candidate / candidate_whole:.0f} % of the whole"
    return _held(
        "instructions", one.stage, UNIT, (one.golden, one.candidate), whole, uncertainty, percent, share
    )  # fmt: skip


def _misses(golden: Counted, candidate: Counted, percent: Tolerance) -> list[Finding]:
    if golden.misses is None or candidate.misses is None:
        why_not = _why_not(golden, candidate) or "no misses of the golden are kept: name a baseline"
        return [_unmeasured("cache misses", MISSES, why_not)]
    before, after = golden.misses, candidate.misses
    levels = {
        "first level": (before.first_level, after.first_level),
        "last level": (before.last_level, after.last_level),
    }
    uncertainty = math.hypot(before.uncertainty, after.uncertainty)
    return [
        _held("cache misses", level, MISSES, both, before.first_level, uncertainty, percent)
        for level, both in levels.items()
    ]


def _held(
    quantity: str, where: str, unit: str, both: tuple[float, float], whole: float, uncertainty: float,
    percent: Tolerance, reason: str = "",
) -> Finding:  # fmt: skip
    """A value against another one, its tolerance in percent of a whole."""
    golden, candidate = both
    limits = percent.at()
    return judge_deviation(
        quantity, where, unit, golden, candidate, candidate - golden, uncertainty, limits.above * whole / 100.0,
        tolerance_below=limits.below * whole / 100.0, reason=reason,
    )  # fmt: skip


def _budget(name: str, budget: float, candidate: Counted) -> Finding:
    return judge_deviation(
        "budget", name, UNIT, 0.0, candidate.per_sample, candidate.per_sample, candidate.uncertainty, budget,
        reason=_not_measured(candidate.why_not),
    )  # fmt: skip


def _what_moved(golden: Counted, candidate: Counted, stages: Sequence[StageCost]) -> str:
    """By how many percent, and the stage that it was, or the function where no stages are named."""
    assert golden.per_sample is not None
    assert candidate.per_sample is not None
    deviation = candidate.per_sample - golden.per_sample
    if not deviation:
        return ""
    percent = 100.0 * deviation / golden.per_sample
    said = f"{percent:+.0f} %" if abs(percent) >= 10 else f"{percent:+.2g} %"
    named = any(one.stage != OTHER for one in stages)
    moved = most_changed(stages if named else _by_function(golden, candidate))
    if moved is None or moved.change is None or abs(moved.change) <= _uncertainty(golden, candidate):
        return true_minus(said)
    assert moved.candidate is not None
    share = 100.0 * moved.candidate / candidate.per_sample
    return true_minus(
        f"{said}, {moved.stage} {moved.change:+.1f} instructions a sample, {share:.0f} % of the whole"
    )  # fmt: skip


def _by_function(golden: Counted, candidate: Counted) -> list[StageCost]:
    """Functions as if each were a stage of its own."""
    if not golden.functions:
        return []
    return compare(*({name: cost for (name, _), cost in _plain(one).items()} for one in (golden, candidate)))


def _plain(counted: Counted) -> dict[tuple[str, str], float]:
    """(plain name, file) -> own cost."""
    costs: dict[tuple[str, str], float] = {}
    for one in counted.functions:
        key = plain_name(one.name), one.file
        costs[key] = costs.get(key, 0.0) + one.per_sample
    return costs


def _uncertainty(golden: Counted, candidate: Counted) -> float:
    return math.hypot(golden.uncertainty or 0.0, candidate.uncertainty or 0.0)


def _budgets(settings: Cost) -> dict[str, float]:
    asked = {name: one.instructions_per_sample for name, one in settings.budgets.items()}
    return {name: budget for name, budget in asked.items() if budget is not None}


def _why_not(golden: Counted, candidate: Counted) -> str:
    if candidate.why_not:
        return candidate.why_not
    of_baseline = golden.why_not and golden.origin == "baseline"
    return f"baseline: {golden.why_not}" if of_baseline else golden.why_not


def _not_measured(why_not: str) -> str:
    return f"not measured: {why_not}" if why_not else ""


def _unmeasured(
    quantity: str, unit: str, why_not: str, golden: Counted | None = None, candidate: Counted | None = None,
    where: str = "",
) -> Finding:  # fmt: skip
    return judge_deviation(
        quantity, where, unit, golden.per_sample if golden else None, candidate.per_sample if candidate else None,
        None, None, 0.0, reason=_not_measured(why_not),
    )  # fmt: skip


def _accepted(finding: Finding, golden: Counted, candidate: Counted, why: str) -> Finding:
    """What nothing here can count is not asked, where somebody said that this is well."""
    needs_golden = finding.quantity != "budget"
    impossible = candidate.impossible_here or (golden.impossible_here and needs_golden)
    if finding.deviation is not None or not impossible:
        return finding
    return Finding(
        finding.quantity, finding.where, finding.unit, finding.golden, finding.candidate, None, None, None,
        Outcome.NOT_ASKED, f"{finding.reason} (accepted: {why})",
    )  # fmt: skip


def as_json(golden: Counted, candidate: Counted, stages: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """What verdict.json tells of counts beyond the findings; null where something is not known."""
    return {
        "golden": golden.per_sample,
        "candidate": candidate.per_sample,
        "uncertainty": None if candidate.per_sample is None else _uncertainty(golden, candidate),
        "unit": "instructions per sample and channel",
        "golden_from": golden.origin or None,
        "tool": candidate.tool or golden.tool or None,
        "stages": [
            {"stage": one.stage, "golden": one.golden, "candidate": one.candidate}
            for one in (compare(golden.stages, candidate.stages) if candidate.stages else ())
        ],
        "functions": _told_functions(golden, candidate, stages),
        "reads": _pair(golden.reads, candidate.reads),
        "writes": _pair(golden.writes, candidate.writes),
        "misses": {
            level: _pair(*(getattr(one.misses, level, None) for one in (golden, candidate)))
            for level in ("first_level", "last_level")
        },
        "why_not": _why_not(golden, candidate),
    }


def _pair(golden: float | None, candidate: float | None) -> dict[str, float | None]:
    return {"golden": golden, "candidate": candidate}


def _told_functions(
    golden: Counted, candidate: Counted, stages: Mapping[str, Sequence[str]]
) -> list[dict[str, Any]]:  # fmt: skip
    """The dearest of both builds."""
    before, after = _plain(golden), _plain(candidate)
    belongs = {
        (plain_name(one.name), one.file): stage_of(one, stages) for one in (*golden.functions, *candidate.functions)
    }
    dearest = sorted(belongs, key=lambda key: -max(before.get(key, 0.0), after.get(key, 0.0)))
    return [
        {
            "function": key[0] or key[1],
            "stage": belongs[key],
            "golden": before.get(key, 0.0) if before else None,
            "candidate": after.get(key, 0.0),
        }
        for key in dearest[:TOLD_FUNCTIONS]
    ]
