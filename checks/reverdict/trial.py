"""One cell of a reference put to one build: rendered once, measured once, judged check by check.

All cells are held against the same golden. A candidate of another rate and the golden are both brought to the lower of
the two rates first (``measure.resampling``).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from reverdict import judging, keeping, own_checks
from reverdict.asked import baseline_of, request_of, why_not_asked
from reverdict.cells import cells_of
from reverdict.check import conduct, echo_timing, energy_decay, group_delay
from reverdict.curves import curves_of
from reverdict.measure.measurement import Comparison, Measurement, lags_beside, measure, measure_beside
from reverdict.measure.resampling import at_rate
from reverdict.reference import Conduct, EchoTiming, Own
from reverdict.render import RECORDED, as_rendered, render
from reverdict.words import CheckVerdict, Outcome, Response

if TYPE_CHECKING:
    from pathlib import Path

    from reverdict.cells import Cell
    from reverdict.diagnose.telling import Explanation
    from reverdict.golden_set import GoldenReference
    from reverdict.measure.manners import Observed
    from reverdict.reference import CheckSettings
    from reverdict.render import Build, Rendering
    from reverdict.words import Finding

SOUND_JUDGES: dict[str, Any] = {
    "echo-timing": echo_timing.judge,
    "group-delay": group_delay.judge,
    "energy-decay": energy_decay.judge,
}
"""Checks that hold a candidate's sound against the golden's."""

UNKNOWN_DECAY_S = 3.0
SLOW_TAIL = "cost of a silent tail"
"""The one finding of conduct that no change of the sound explains."""
NO_RESPONSE = "nothing to measure: the build gave no usable output"
RECORDED_ONCE = "a recording is one render, and answers for the main cell alone"


@dataclass(frozen=True)
class Compared:
    """A golden and a candidate of one rate and length, and what is measured of that golden."""

    golden: Response
    measured: Measurement
    candidate: Response


class MeasuredGolden:
    """What the trials of one reference share: the golden at every rate and length at which candidates are held against
    it, each measured once, and whether one of the trials was diagnosed.
    """

    def __init__(self, golden: GoldenReference) -> None:
        self.diagnosed = False
        self._golden = golden
        self._known: dict[tuple[int, bool, int], tuple[Response, Measurement]] = {}

    def whole(self) -> Measurement:
        """Measured as it stands."""
        return self._at(self._golden.response.rate_hz, self._golden.response.samples.shape[1], brought=False)[1]

    def beside(self, candidate: Response) -> Compared:
        """Both at the lower of their rates, over the stretch that both cover: a recording may be a little shorter."""
        own = self._golden.response
        brought = candidate.rate_hz != own.rate_hz
        if brought:
            candidate = at_rate(candidate, min(candidate.rate_hz, own.rate_hz))
        golden, measured = self._at(candidate.rate_hz, candidate.samples.shape[1], brought=brought)
        return Compared(golden, measured, _shortened(candidate, golden.samples.shape[1]))

    def forget(self) -> None:
        """Let go of the golden's sound and of all that is measured of it."""
        self._known.clear()
        self._golden.forget()

    def _at(self, rate_hz: int, length: int, *, brought: bool) -> tuple[Response, Measurement]:
        if (rate_hz, brought, length) not in self._known:
            own = self._golden.response
            golden = _shortened(at_rate(own, rate_hz) if brought else own, length)
            measured = keeping.measured(golden, self._golden.reference.echo_timing.arrival_hz, measure)
            self._known[rate_hz, brought, length] = golden, measured
        return self._known[rate_hz, brought, length]


def _shortened(response: Response, length: int) -> Response:
    return replace(response, samples=response.samples[:, :length])


def trials_of(golden: GoldenReference, build: Build, work_folder: Path) -> list[Trial]:
    """A trial for every cell of a reference, the main one first; what is measured of the golden is shared."""
    shared = MeasuredGolden(golden)
    return [Trial(golden, build, work_folder, cell, shared) for cell in cells_of(golden.reference)]


class Trial:
    """A cell of a reference and a build, and what came of them so far. Each step happens when it is first asked for.

    cell : the main one unless told otherwise.
    measured_golden : what is known of the golden from other cells.
    """

    def __init__(
        self,
        golden: GoldenReference,
        build: Build,
        work_folder: Path,
        cell: Cell | None = None,
        measured_golden: MeasuredGolden | None = None,
    ) -> None:
        self.golden = golden
        self.build = build
        self.work_folder = work_folder
        self.cell = cell or cells_of(golden.reference)[0]
        self._measured_golden = measured_golden or MeasuredGolden(golden)
        self.cost: dict[str, Any] = {}
        self._unwell = False
        self._not_linear = False

    @cached_property
    def rendering(self) -> Rendering:
        return render(self.build, request_of(self.golden.reference, self.cell), self.work_folder)

    def forget(self) -> None:
        """Let go of sound and measurements, when all is judged; asked again, all would be done again."""
        for name in ("rendering", "_compared", "beside"):
            self.__dict__.pop(name, None)
        self._measured_golden.forget()

    @cached_property
    def _compared(self) -> Compared | None:
        response = self.rendering.response
        return None if response is None else self._measured_golden.beside(response)

    @property
    def measured(self) -> Measurement:
        """The golden, as it is held against this candidate."""
        return self._measured_golden.whole() if self._compared is None else self._compared.measured

    @cached_property
    def beside(self) -> Comparison | None:
        """The candidate beside the golden; None where the build gave nothing."""
        both = self._compared
        return None if both is None else _beside(both, self._settings("echo-timing"))

    def why_not_asked(self, check: str) -> str:
        """Why this check is not put in this cell, by the reference or by the build; empty where it is."""
        if self.cell.axes and self.build.kind in RECORDED:
            return self._settings(check).not_asked or RECORDED_ONCE
        return why_not_asked(self.build, self._settings(check), check)

    def _settings(self, check: str) -> CheckSettings:
        return self.golden.reference.settings(check, self.cell.axes)

    def judge(self, check: str, benchmark: Any = None) -> CheckVerdict:
        """Judge one check of ``Reference.checks``; cost needs the ``benchmark`` fixture of pytest-benchmark."""
        settings = self._settings(check)
        if isinstance(settings, Own):
            return replace(self._by_package(settings), brought_by=settings.check.package)
        if why := self.why_not_asked(check):
            return judging.not_asked(check, why)
        if check == "conduct":
            assert isinstance(settings, Conduct)
            if self.cell.axes:
                settings = replace(settings, declared={})  # they are told of the main cell
            beside = None if settings.stray_db is None else self.beside
            findings = conduct.judge(self.rendering, beside, settings, self._manners(settings))
            self._not_linear |= conduct.is_not_linear(findings)
            return self._closed(check, findings, settings.accept_unsure)
        if self.rendering.response is None:
            return CheckVerdict(check, Outcome.UNSURE, NO_RESPONSE, (), closes_gate=True)
        if check == "cost":
            return judging.close(check, self._cost(benchmark), settings.accept_unsure)
        assert self.beside is not None
        findings = SOUND_JUDGES[check](self.measured, self.beside, settings)
        return self._closed(check, findings, settings.accept_unsure)

    def _by_package(self, settings: Own) -> CheckVerdict:
        """What a check of some package says; unsure, and never accepted, where it is the check that broke."""
        if why := self.why_not_asked(settings.check.name):
            return judging.not_asked(settings.check.name, why)
        both = self._compared
        if both is None:
            return CheckVerdict(settings.check.name, Outcome.UNSURE, NO_RESPONSE, (), closes_gate=True)
        try:
            findings = own_checks.findings_of(settings.check, both.golden, both.candidate, settings.tolerances)
        except own_checks.Broken as error:
            return CheckVerdict(settings.check.name, Outcome.UNSURE, str(error), (), closes_gate=True)
        return judging.close(settings.check.name, findings, settings.accept_unsure)

    def _manners(self, settings: Conduct) -> list[Observed]:
        """What the build is put through besides in the main cell, where it gave a response at all."""
        if self.rendering.response is None or self.cell.axes:
            return []
        from reverdict import conducting

        request = request_of(self.golden.reference, self.cell)
        subject = conducting.Subject(
            self.build, request, self.golden.response, self.rendering.response, longest_decay_s(self.measured)
        )
        return conducting.observe(subject, settings, self.work_folder)

    def _closed(self, check: str, findings: list[Finding], accept_unsure: str) -> CheckVerdict:
        verdict = judging.close(check, findings, accept_unsure)
        unwell = [one for one in findings if one.outcome in (Outcome.FAIL, Outcome.UNSURE)]
        self._unwell |= not findings or any(one.quantity != SLOW_TAIL for one in unwell)
        return verdict

    def _cost(self, benchmark: Any) -> list[Finding]:
        """Findings on cost; what there is to know of it beyond them is kept."""
        from reverdict import costing

        reference = self.golden.reference
        asked = costing.Asked(self.build, baseline_of(self.build, reference), reference, request_of(reference))
        findings, self.cost = costing.observe(asked, self.work_folder, benchmark)
        return findings

    def curves(self) -> dict[str, Any]:
        """What pages draw of this trial."""
        both = self._compared
        if self.beside is None or both is None:
            return {}
        lags = lags_beside(both.golden, both.candidate)
        return curves_of(self.golden, both.golden, both.measured, both.candidate, self.beside, lags)

    def hand_on_responses(self, folder: Path) -> None:
        """Keep golden and candidate for listening, where there are both."""
        from reverdict.auditioning import hand_on

        if self._compared is not None:
            hand_on(folder, self.golden.name, self._compared.golden, self._compared.candidate)

    def diagnosis(self) -> tuple[dict[str, Any], ...]:
        """What change of the algorithm explains the deviation, where a check of the sound does not pass.

        Of several cells the first one that is unwell is diagnosed: it takes seconds, and most faults are in all.
        """
        both = self._compared
        if not self._unwell or self.beside is None or both is None or self._measured_golden.diagnosed:
            return ()
        if self._not_linear:  # then no change of a linear algorithm is the cause, however well one fits
            return ()
        from reverdict.diagnose import diagnose

        self._measured_golden.diagnosed = True
        found = diagnose(both.golden, both.measured, both.candidate, self.beside)
        return tuple({**asdict(one), "words": self._with_report(one), "cell": self.cell.name} for one in found)

    def _with_report(self, one: Explanation) -> str:
        """What was done, and of a latency also what the build reports: that may be what is wrong."""
        reported = next((note for note in self.rendering.notes if note.startswith("reports a latency")), "")
        return f"{one.words} (it {reported})" if reported and one.kind == "latency" else one.words


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


def _beside(both: Compared, timing: CheckSettings) -> Comparison:
    """Measure a candidate beside its golden, as far as the reference asks."""
    assert isinstance(timing, EchoTiming)
    return measure_beside(
        both.golden,
        both.measured,
        both.candidate,
        without_latency=timing.latency_ms is not None,
        tail=timing.tail_lag_ms is not None,
    )


def judge_response(golden: GoldenReference, measured: Measurement, candidate: Response) -> list[CheckVerdict]:
    """What all checks but cost say of a response that no build has rendered.

    measured : of the golden; candidate : of the golden's rate, paths and length.
    """
    reference = golden.reference
    rendering = as_rendered(candidate, request_of(reference))
    both = Compared(golden.response, measured, candidate)
    beside = None if rendering.response is None else _beside(both, reference.echo_timing)
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
