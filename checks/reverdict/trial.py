"""One reference put to one build: rendered once, measured once, judged check by check."""

from __future__ import annotations

from dataclasses import asdict, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from reverdict import judging
from reverdict.check import conduct, cost, cycles, echo_timing, energy_decay, group_delay
from reverdict.curves import curves_of
from reverdict.cycle_log import read_cycle_log
from reverdict.errors import BadInput, BadInputs
from reverdict.measure.measurement import Comparison, Measurement, lags_beside, measure, measure_beside
from reverdict.render import Request, as_rendered, parameters_missing, render
from reverdict.render.timing import open_kernel_timer, open_timer
from reverdict.words import CheckVerdict, Outcome, Response

if TYPE_CHECKING:
    from pathlib import Path

    from reverdict.golden_set import GoldenReference
    from reverdict.measure.manners import Observed
    from reverdict.reference import Reference
    from reverdict.render import Build, Rendering
    from reverdict.words import Finding

SOUND_JUDGES: dict[str, Any] = {
    "echo-timing": echo_timing.judge,
    "group-delay": group_delay.judge,
    "energy-decay": energy_decay.judge,
}
"""Checks that hold a candidate's sound against the golden's."""

UNKNOWN_DECAY_S = 3.0
NO_RESPONSE = "nothing to measure: the build gave no usable output"


def request_of(reference: Reference) -> Request:
    """What a reference asks a build to render."""
    asked = reference.render
    return Request(
        reference.name,
        reference.channels,
        asked.sample_rates_hz[0],
        asked.block_sizes[0],
        asked.seconds,
        asked.preroll_s,
        asked.level_dbfs,
        asked.parameters,
    )


def require_fit(build: Build, reference: Reference) -> None:
    """Raise BadInputs, before anything is rendered, with what this build cannot be put to this reference for.

    That is a parameter which its argv asks for, or that of the build which cost is timed against, and nobody says; a
    build to time against that is not there, and a log of cycles that cannot be read.
    """
    mistakes = []
    if build.cycles is not None and not _why_not_asked(build, reference, "cost"):
        read_cycle_log(build.cycles)
    baseline = _baseline_of(build, reference)
    for one in (build, baseline) if baseline else (build,):
        for name in parameters_missing(one, reference.render.parameters):
            ask = f'no "{name}", which build.argv of {one.place} asks for'
            mistakes.append(
                BadInput(f"{reference.path}: render.parameters", f'{ask}; write {name} = "…" under [render.parameters]')
            )
    if mistakes:
        raise BadInputs(mistakes)


def _baseline_of(build: Build, reference: Reference) -> Build | None:
    """The build that cost is timed against, where it is asked and there is one. BadInput if it cannot be read."""
    from reverdict.schema import read_build

    path, key = build.baseline, f"{build.place}: build.baseline"
    if not path:
        path, key = reference.cost.baseline, f"{reference.path}: cost.baseline"
    if not path or _why_not_asked(build, reference, "cost"):
        return None
    if not path.is_file():
        raise BadInput(key, f"{path}: no such file; need the TOML of a build to time against")
    # The same name in two TOMLs must not share a folder of compiled programs.
    baseline = read_build(path)
    return replace(baseline, identity=replace(baseline.identity, about="baseline"))


def _why_not_asked(build: Build, reference: Reference, check: str) -> str:
    return reference.settings(check).not_asked or build.not_asked.get(check, "")


class Trial:
    """A reference and a build, and what came of them so far. Each step happens when it is first asked for."""

    def __init__(self, golden: GoldenReference, build: Build, work_folder: Path) -> None:
        self.golden = golden
        self.build = build
        self.work_folder = work_folder
        self._unwell = False

    @cached_property
    def rendering(self) -> Rendering:
        return render(self.build, request_of(self.golden.reference), self.work_folder)

    @cached_property
    def measured(self) -> Measurement:
        return measure(self._golden_response, self.golden.reference.echo_timing.arrival_hz)

    @cached_property
    def beside(self) -> Comparison | None:
        """The candidate beside the golden over the stretch both cover; None where the build gave nothing."""
        if self.rendering.response is None:
            return None
        return _beside(self.golden.reference, self._golden_response, self.measured, self.rendering.response)

    @cached_property
    def _golden_response(self) -> Response:
        """The golden, over no more than the candidate covers: a recording may be a little shorter."""
        golden, candidate = self.golden.response, self.rendering.response
        if candidate is None:
            return golden
        return replace(golden, samples=golden.samples[:, : candidate.samples.shape[1]])

    def why_not_asked(self, check: str) -> str:
        """Why this check is not put, by the reference or by the build; empty where it is."""
        return _why_not_asked(self.build, self.golden.reference, check)

    def judge(self, check: str, benchmark: Any = None) -> CheckVerdict:
        """Judge one check of ``words.CHECKS``; cost needs the ``benchmark`` fixture of pytest-benchmark."""
        settings = self.golden.reference.settings(check)
        if why := self.why_not_asked(check):
            return judging.not_asked(check, why)
        if check == "conduct":
            asked = self.golden.reference.conduct
            beside = None if asked.stray_db is None else self.beside
            findings = conduct.judge(self.rendering, beside, asked, self._manners())
            return self._closed(check, findings, settings.accept_unsure)
        if self.rendering.response is None:
            return CheckVerdict(check, Outcome.UNSURE, NO_RESPONSE, (), closes_gate=True)
        if check == "cost":
            return judging.close(check, self._cost(benchmark), settings.accept_unsure)
        assert self.beside is not None
        findings = SOUND_JUDGES[check](self.measured, self.beside, settings)
        return self._closed(check, findings, settings.accept_unsure)

    def _manners(self) -> list[Observed]:
        """What the build is put through besides, where it gave a response at all."""
        if self.rendering.response is None:
            return []
        from reverdict import conducting

        request = request_of(self.golden.reference)
        subject = conducting.Subject(
            self.build, request, self.golden.response, self.rendering.response, longest_decay_s(self.measured)
        )
        return conducting.observe(subject, self.golden.reference.conduct, self.work_folder)

    def _closed(self, check: str, findings: list[Finding], accept_unsure: str) -> CheckVerdict:
        verdict = judging.close(check, findings, accept_unsure)
        self._unwell |= verdict.outcome is not Outcome.PASS
        return verdict

    def _cost(self, benchmark: Any) -> list[Any]:
        """Time the build in turns with its baseline, the reference's, or the calibration kernel.

        Where the build has counted cycles on its target, they are held against the reference's instead.
        """
        settings = self.golden.reference.cost
        if self.build.cycles is not None:
            return _cycles(self.build.cycles, self.golden.reference)
        request = request_of(self.golden.reference)
        baseline = _baseline_of(self.build, self.golden.reference)
        golden_ratio = 1.0 if baseline else settings.kernel_ratio
        if golden_ratio is None:
            return [_no_golden_cost(settings.dearer_percent)]

        def settled(measurement: cost.CostMeasurement) -> bool:
            return cost.judge(golden_ratio, measurement, settings)[0].outcome is not Outcome.UNSURE

        with (
            open_timer(self.build, request, self.work_folder) as candidate,
            _baseline_timer(baseline, request, self.work_folder) as other,
        ):
            measurement = cost.run_interleaved(candidate, other, benchmark, settled)
        return cost.judge(golden_ratio, measurement, settings)

    def curves(self) -> dict[str, Any]:
        """What pages draw of this trial."""
        if self.beside is None or self.rendering.response is None:
            return {}
        lags = lags_beside(self._golden_response, self.rendering.response)
        return curves_of(self.golden, self.measured, self.rendering.response, self.beside, lags)

    def diagnosis(self) -> tuple[dict[str, Any], ...]:
        """What change of the algorithm explains the deviation, where a check of the sound does not pass."""
        if not self._unwell or self.beside is None or self.rendering.response is None:
            return ()
        from reverdict.diagnose import diagnose

        found = diagnose(self._golden_response, self.measured, self.rendering.response, self.beside)
        return tuple(asdict(one) for one in found)


def longest_decay_s(measured: Measurement) -> float:
    """Longest decay time of all bands; that of the whole response where none could be told."""
    times = [
        time.seconds
        for path in measured.paths
        for band in path.decay.bands
        for time in band.times.values()
        if time.seconds is not None
    ]
    return max(times, default=UNKNOWN_DECAY_S)


def _beside(reference: Reference, golden: Response, measured: Measurement, candidate: Response) -> Comparison:
    """Measure a candidate beside its golden, as far as the reference asks."""
    timing = reference.echo_timing
    return measure_beside(
        golden,
        measured,
        candidate,
        without_latency=timing.latency_ms is not None,
        tail=timing.tail_lag_ms is not None,
    )


def judge_response(golden: GoldenReference, measured: Measurement, candidate: Response) -> list[CheckVerdict]:
    """What all checks but cost say of a response that no build has rendered.

    measured : of the golden; candidate : of the golden's rate, paths and length.
    """
    reference = golden.reference
    rendering = as_rendered(candidate, request_of(reference))
    beside = None if rendering.response is None else _beside(reference, golden.response, measured, candidate)
    verdicts = []
    for check in (*SOUND_JUDGES, "conduct"):
        settings = reference.settings(check)
        if settings.not_asked:
            verdicts.append(judging.not_asked(check, settings.not_asked))
        elif check == "conduct":
            verdicts.append(
                judging.close(check, conduct.judge(rendering, beside, reference.conduct), settings.accept_unsure)
            )
        elif beside is None:
            verdicts.append(CheckVerdict(check, Outcome.UNSURE, NO_RESPONSE, (), closes_gate=True))
        else:
            findings = SOUND_JUDGES[check](measured, beside, settings)
            verdicts.append(judging.close(check, findings, settings.accept_unsure))
    return verdicts


def _cycles(log_path: Path, reference: Reference) -> list[Finding]:
    """Judge what a log says of a reference; a log that does not name it is no measurement."""
    log = read_cycle_log(log_path)
    blocks = log.blocks.get(reference.name)
    if blocks is None:
        why_not = f"not measured: {log_path.name} has no block of {reference.name}, only of {', '.join(log.blocks)}"
        measured = cycles.CycleMeasurement(why_not=why_not)
    else:
        measured = cycles.measure(blocks.frames, blocks.cycles)
    return cycles.judge(measured, reference.cost, rate_hz=reference.rate_hz, clock_hz=log.clock_hz)


def _baseline_timer(baseline: Build | None, request: Request, work_folder: Path) -> Any:
    return open_timer(baseline, request, work_folder) if baseline else open_kernel_timer(work_folder)


def _no_golden_cost(tolerance: float) -> Any:
    reason = "no golden cost: name a baseline in the build or the reference, or let golden new write kernel_ratio"
    return judging.judge_deviation("cost", "", "%", None, None, None, None, tolerance, reason=reason)
