"""Is the dispersion right: how much later do the high frequencies come?

Aim. The shape of the first pass's group-delay curve, and its transition frequency.

Method. Deviation at a frequency: lag of the candidate's first pass there, less its lag at ``arrival_hz``. A pass that
is late as a whole is echo timing's business, a changed shape is this check's, so each fault is named once. Transition
frequency: one dispersion law fitted to the golden's curve and to the golden's curve plus the lag, so that what the law
misses cancels.

Conventions. Delay in ms after the arrival at ``arrival_hz``; positive when the build's highs come later than the
golden's.

Limits of validity. Third-octave frequencies from 200 Hz to 0.85 of the transition frequency, as far as the golden's
first pass can be read. Where the golden has a pass and the candidate has none, the finding fails; it does not lapse.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from reverdict.check.echo_timing import spring_place
from reverdict.judging import judge_deviation
from reverdict.measure.measurement import HIGHEST_SHARE
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.measure.lag import PassLag
    from reverdict.measure.measurement import Comparison, Measurement
    from reverdict.measure.passes import Spring
    from reverdict.measure.transition import Transition
    from reverdict.reference import GroupDelay

FREQUENCIES_HZ = (
    200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0,
    1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0,
)  # fmt: skip


def judge(measured: Measurement, beside: Comparison, settings: GroupDelay) -> list[Finding]:
    """Findings "delay" per spring and frequency, and "transition frequency" per spring where the golden has one."""
    findings: list[Finding] = []
    for golden, candidate in zip(measured.paths, beside.paths, strict=True):
        if not golden.springs.springs:
            reason = f"no dispersion to compare: {golden.springs.why_none}"
            findings.append(Finding("delay", golden.path, "ms", None, None, None, None, None, Outcome.UNSURE, reason))
        springs = zip(golden.springs.springs, candidate.passes, candidate.transitions, strict=True)
        for number, (spring, lags, transition) in enumerate(springs, start=1):
            where = spring_place(golden.path, number)
            findings += _delays(spring, lags[0], where, golden.springs.arrival_hz, settings)
            findings += _transition(spring, transition, where, settings)
    return findings


def judged_frequencies(spring: Spring) -> list[float]:
    """Frequencies at which this spring's curve is judged, Hz."""
    limit_hz = float(spring.curve.frequency_hz[-1])
    if spring.transition.frequency_hz:
        limit_hz = min(limit_hz, HIGHEST_SHARE * spring.transition.frequency_hz)
    return [hz for hz in FREQUENCIES_HZ if spring.curve.frequency_hz[0] <= hz <= limit_hz]


def _delays(spring: Spring, lag: PassLag, where: str, arrival_hz: float, settings: GroupDelay) -> Iterator[Finding]:
    start_s = spring.curve.at(arrival_hz)
    start_lag = lag.at(arrival_hz)
    for hz in judged_frequencies(spring):
        delay_s = spring.curve.at(hz)
        if hz == arrival_hz or delay_s is None or start_s is None:
            continue
        golden_ms = 1e3 * (delay_s - start_s)
        place, limits = f"{where}, {hz:g} Hz", settings.delay_ms.at(hz)
        if settings.delay_percent is not None:
            limits = limits.or_wider(settings.delay_percent.at(hz).times(10 * delay_s))
        found = lag.at(hz)
        if found is None or start_lag is None:
            reason = lag.why_not or "the candidate's first pass has no sound left where the golden's is"
            yield judge_deviation(
                "delay", place, "ms", golden_ms, None, None, None, limits.above, tolerance_below=limits.below,
                reason=reason, unmeasured=Outcome.FAIL,
            )  # fmt: skip
            continue
        deviation_ms = 1e3 * (found[0] - start_lag[0])
        uncertainty_ms = 1e3 * math.hypot(found[1], start_lag[1])
        yield judge_deviation(
            "delay", place, "ms", golden_ms, golden_ms + deviation_ms, deviation_ms, uncertainty_ms, limits.above,
            tolerance_below=limits.below,
        )  # fmt: skip


def _transition(spring: Spring, moved: Transition, where: str, settings: GroupDelay) -> Iterator[Finding]:
    golden_hz = spring.transition.frequency_hz
    if golden_hz is None:
        return
    name = "transition frequency"
    limits = settings.transition_percent.at(golden_hz).times(golden_hz / 100)
    if settings.transition_hz is not None:
        limits = limits.or_wider(settings.transition_hz.at(golden_hz))
    if moved.frequency_hz is None:
        yield judge_deviation(
            name, where, "Hz", golden_hz, None, None, None, limits.above, tolerance_below=limits.below,
            reason=f"none left in the build, {moved.why_not}", unmeasured=Outcome.FAIL,
        )  # fmt: skip
        return
    deviation_hz = moved.frequency_hz - golden_hz
    yield judge_deviation(
        name, where, "Hz", golden_hz, moved.frequency_hz, deviation_hz, moved.uncertainty_hz, limits.above,
        tolerance_below=limits.below,
    )  # fmt: skip
