"""Are the echoes on time?

Aim. Every pass of every spring arrives when the golden's does; without separate passes, the first sound does.

Method. Arrival of a pass: its group delay at ``arrival_hz``; the deviation is the lag of the candidate's folded pass
against the golden's (``measure.lag``), so that no absolute estimate stands between them. Onset of a dense reverb: lag
of its first 80 ms by correlation, refined by phase. Polarity is compared on the first pass, or on the onset.

Conventions. A deviation is positive when the build is later than the golden. Times in ms from the click.

Limits of validity. As many passes as the reference names; passes closer to another one than 4 ms are better left out
there. A shift of more than 15 ms, or of nearly half the way to the next pass, is "no pass", not a number.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reverdict.judging import judge_deviation
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.measure.lag import PassLag
    from reverdict.measure.measurement import Comparison, Measurement, PathComparison, PathMeasurement
    from reverdict.measure.springs import Pass, SpringMeasurement
    from reverdict.reference import EchoTiming


def judge(measured: Measurement, beside: Comparison, settings: EchoTiming) -> list[Finding]:
    """Findings "arrival" per pass, or "onset" per path where the reference has no separate passes, and "polarity"."""
    findings: list[Finding] = []
    for golden, candidate in zip(measured.paths, beside.paths, strict=True):
        if settings.springs:
            findings += why_unlike_reference(golden.path, golden.springs, settings)
            findings += _arrivals(golden, candidate, settings)
        else:
            findings += _onset(candidate, settings)
    return findings


def why_unlike_reference(path: str, measured: SpringMeasurement, settings: EchoTiming) -> list[Finding]:
    """An unsure finding where the golden does not measure as its reference says, as after a change of analysis."""
    found, laws = len(measured.springs), {spring.pass_law for spring in measured.springs}
    if found == settings.springs and laws == {settings.pass_law}:
        return []
    said = f"{settings.springs} springs by {settings.pass_law}"
    seen = f"{found} by {', '.join(sorted(laws)) or 'no law'}" if found else measured.why_none
    reason = f"the golden itself does not measure as its reference says: {said}; found {seen}"
    return [Finding("springs", path, "", settings.springs, None, None, None, None, Outcome.UNSURE, reason)]


def spring_place(path: str, spring: int, *rest: str) -> str:
    """Where a finding stands: "left, spring 2, pass 1, 500 Hz"."""
    return ", ".join(part for part in (path, f"spring {spring}", *rest) if part)


def _arrivals(golden: PathMeasurement, candidate: PathComparison, settings: EchoTiming) -> Iterator[Finding]:
    for number, (spring, lags) in enumerate(zip(golden.springs.springs, candidate.passes, strict=True), start=1):
        for one, lag in list(zip(spring.passes, lags, strict=True))[: settings.passes]:
            where = spring_place(golden.path, number, f"pass {one.number}", f"{settings.arrival_hz:g} Hz")
            yield _arrival(one, lag, where, settings)
        if len(spring.passes) < settings.passes:
            reason = (
                f"the golden holds {len(spring.passes)} passes of this spring, its reference asks for {settings.passes}"
            )
            where = spring_place(golden.path, number)
            yield Finding("arrival", where, "ms", None, None, None, None, None, Outcome.UNSURE, reason)
        if lags[0].frequency_hz.size:
            yield polarity(spring_place(golden.path, number, "pass 1"), lags[0].polarity)


def _arrival(one: Pass, lag: PassLag, where: str, settings: EchoTiming) -> Finding:
    found = lag.at(settings.arrival_hz)
    golden_ms = 1e3 * one.time_s
    if found is None:
        reason = lag.why_not or f"this pass is not to be read at {settings.arrival_hz:g} Hz in the candidate"
        missing = Outcome.FAIL if lag.why_not else Outcome.UNSURE
        return judge_deviation(
            "arrival", where, "ms", golden_ms, None, None, None, settings.arrival_ms, reason=reason, unmeasured=missing
        )
    lag_ms, uncertainty_ms = 1e3 * found[0], 1e3 * found[1]
    return judge_deviation(
        "arrival", where, "ms", golden_ms, golden_ms + lag_ms, lag_ms, uncertainty_ms, settings.arrival_ms
    )


def _onset(candidate: PathComparison, settings: EchoTiming) -> Iterator[Finding]:
    onset = candidate.onset
    if onset.seconds is None or onset.uncertainty_s is None:
        yield judge_deviation(
            "onset", candidate.path, "ms", 0.0, None, None, None, settings.onset_ms, reason=onset.why_not
        )
        return
    lag_ms = 1e3 * onset.seconds
    yield judge_deviation(
        "onset", candidate.path, "ms", 0.0, lag_ms, lag_ms, 1e3 * onset.uncertainty_s, settings.onset_ms
    )
    yield polarity(candidate.path, onset.polarity)


def polarity(where: str, sign: int) -> Finding:
    """Pass where the candidate has the golden's polarity, fail where it is turned over."""
    if sign > 0:
        return Finding("polarity", where, "", 1, 1, 0.0, 0.0, None, Outcome.PASS)
    return Finding("polarity", where, "", 1, -1, None, None, None, Outcome.FAIL, "turned over against the golden")
