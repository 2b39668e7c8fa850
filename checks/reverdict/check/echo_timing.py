"""Are the echoes on time?

Aim. Every pass of every spring arrives when the golden's does; without separate passes, the first sound does and, where
the reference asks for it, the tail keeps in step with the golden's all along.

Method. Arrival of a pass: its group delay at ``arrival_hz``; the deviation is the lag of the candidate's folded pass
against the golden's (``measure.lag``), so that no absolute estimate stands between them. Onset of a dense reverb: lag
of its first 80 ms by correlation, refined by phase. Tail: the lag over time (``measure.lag_curve``) down to 60 dB below
the start of the decay, and whether there it is the golden's sound at all. Polarity is compared on the first pass, or on
the onset. Where latency is allowed, the candidate is moved back by it first; how late the first pass of the first
spring (or the onset) was is then a finding of its own, and all other arrivals count from it.

Conventions. A deviation is positive when the build is later than the golden. Times in ms from the click.

Limits of validity. As many passes as the reference names; passes closer to another one than 4 ms are better left out
there. A shift of more than 15 ms, or of nearly half the way to the next pass, is "no pass", not a number. A latency of
more than 0.5 s is not found.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from reverdict.judging import judge_deviation, worst_of_course
from reverdict.words import Finding, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reverdict.measure.lag import PassLag
    from reverdict.measure.measurement import Comparison, Measurement, PathComparison, PathMeasurement
    from reverdict.measure.passes import Pass, SpringMeasurement
    from reverdict.reference import EchoTiming

TAIL_DB = -60.0
ON_TIME = (0.0, 0.0)


def judge(measured: Measurement, beside: Comparison, settings: EchoTiming) -> list[Finding]:
    """Findings "arrival" per pass, or "onset" and "tail lag" per path; "polarity"; "latency" where it is allowed."""
    findings: list[Finding] = []
    common = ON_TIME
    if settings.latency_ms is not None:
        late = _first_lag(beside, settings)
        common = late or ON_TIME
        findings.append(_latency(late, beside.moved_back_s, settings))
    for index, (golden, candidate) in enumerate(zip(measured.paths, beside.paths, strict=True)):
        if settings.springs:
            findings += why_unlike_reference(golden.path, golden.springs, settings)
            findings += _arrivals(golden, candidate, settings, common, is_first=index == 0)
        else:
            findings += _onset(candidate, settings, common, is_first=index == 0)
        if candidate.tail is not None:
            findings.append(_tail(golden, candidate, settings, common))
    return findings


def _first_lag(beside: Comparison, settings: EchoTiming) -> tuple[float, float] | None:
    """Lag and uncertainty, in s, of what latency is read from: the first pass, or the onset."""
    first = beside.paths[0]
    if settings.springs:
        return first.passes[0][0].at(settings.arrival_hz) if first.passes else None
    if first.onset.seconds is None or first.onset.uncertainty_s is None:
        return None
    return first.onset.seconds, first.onset.uncertainty_s


def _latency(late: tuple[float, float] | None, moved_back_s: float, settings: EchoTiming) -> Finding:
    assert settings.latency_ms is not None
    limits = settings.latency_ms.at(settings.arrival_hz)
    if late is None:
        reason = "what sounds first no longer looks like the golden's"
        return judge_deviation(
            "latency", "", "ms", 0.0, None, None, None, limits.above, tolerance_below=limits.below, reason=reason
        )
    late_ms = 1e3 * (moved_back_s + late[0])
    return judge_deviation(
        "latency", "", "ms", 0.0, late_ms, late_ms, 1e3 * late[1], limits.above, tolerance_below=limits.below
    )


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


def _arrivals(
    golden: PathMeasurement,
    candidate: PathComparison,
    settings: EchoTiming,
    common: tuple[float, float],
    *,
    is_first: bool,
) -> Iterator[Finding]:
    for number, (spring, lags) in enumerate(zip(golden.springs.springs, candidate.passes, strict=True), start=1):
        for one, lag in list(zip(spring.passes, lags, strict=True))[: settings.passes]:
            if settings.latency_ms is not None and is_first and number == one.number == 1:
                continue  # told as latency
            where = spring_place(golden.path, number, f"pass {one.number}", f"{settings.arrival_hz:g} Hz")
            yield _arrival(one, lag, where, settings, common)
        if len(spring.passes) < settings.passes:
            reason = (
                f"the golden holds {len(spring.passes)} passes of this spring, its reference asks for {settings.passes}"
            )
            where = spring_place(golden.path, number)
            yield Finding("arrival", where, "ms", None, None, None, None, None, Outcome.UNSURE, reason)
        if lags[0].frequency_hz.size:
            yield polarity(spring_place(golden.path, number, "pass 1"), lags[0].polarity)


def _arrival(one: Pass, lag: PassLag, where: str, settings: EchoTiming, common: tuple[float, float]) -> Finding:
    found = lag.at(settings.arrival_hz)
    golden_ms = 1e3 * one.time_s
    limits = settings.arrival_ms.at(settings.arrival_hz)
    if settings.arrival_percent is not None:
        limits = limits.or_wider(settings.arrival_percent.at(settings.arrival_hz).times(golden_ms / 100))
    if found is None:
        reason = lag.why_not or f"this pass is not to be read at {settings.arrival_hz:g} Hz in the candidate"
        missing = Outcome.FAIL if lag.why_not else Outcome.UNSURE
        return judge_deviation(
            "arrival", where, "ms", golden_ms, None, None, None, limits.above, tolerance_below=limits.below,
            reason=reason, unmeasured=missing,
        )  # fmt: skip
    lag_ms, uncertainty_ms = 1e3 * (found[0] - common[0]), 1e3 * math.hypot(found[1], common[1])
    return judge_deviation(
        "arrival", where, "ms", golden_ms, golden_ms + lag_ms, lag_ms, uncertainty_ms, limits.above,
        tolerance_below=limits.below,
    )  # fmt: skip


def _onset(
    candidate: PathComparison, settings: EchoTiming, common: tuple[float, float], *, is_first: bool
) -> Iterator[Finding]:
    onset, limits = candidate.onset, settings.onset_ms.at()
    if onset.seconds is None or onset.uncertainty_s is None:
        yield judge_deviation(
            "onset", candidate.path, "ms", 0.0, None, None, None, limits.above, tolerance_below=limits.below,
            reason=onset.why_not,
        )  # fmt: skip
        return
    if settings.latency_ms is None or not is_first:
        lag_ms, uncertainty_ms = 1e3 * (onset.seconds - common[0]), 1e3 * math.hypot(onset.uncertainty_s, common[1])
        yield judge_deviation(
            "onset", candidate.path, "ms", 0.0, lag_ms, lag_ms, uncertainty_ms, limits.above,
            tolerance_below=limits.below,
        )  # fmt: skip
    yield polarity(candidate.path, onset.polarity)


def _tail(
    golden: PathMeasurement, candidate: PathComparison, settings: EchoTiming, common: tuple[float, float]
) -> Finding:
    """The worst lag along the tail, or that the tail is no longer the golden's."""
    assert candidate.tail is not None
    assert settings.tail_lag_ms is not None
    lags, limits = candidate.tail, settings.tail_lag_ms.at()
    curve, decay = lags.whole, golden.decay.whole
    asked_until_s = float(decay.curve_s[decay.curve_db > TAIL_DB][-1]) if decay.curve_s.size else 0.0
    lost = lags.why_not
    if lags.time_scale:
        lost = f"all its times are the golden's times {lags.time_scale:.4f}"
    elif curve.agrees_until_s is not None and curve.agrees_until_s < min(asked_until_s, curve.heard_until_s):
        lost = f"no longer the golden's sound from {curve.agrees_until_s:.2f} s on"
    told_s = curve.time_s[curve.told]
    known = told_s <= asked_until_s
    if lost or not known.any():
        return judge_deviation(
            "tail lag", golden.path, "ms", 0.0, None, None, None, limits.above, tolerance_below=limits.below,
            reason=lost or "no window of the tail tells a lag", unmeasured=Outcome.FAIL if lost else Outcome.UNSURE,
        )  # fmt: skip
    lags_ms = 1e3 * (curve.lag_s[known] - common[0])
    spreads_ms = 1e3 * np.hypot(curve.uncertainty_s[known], common[1])
    # Late windows of a noisy tail are rough by nature; half of the tolerance is what a window must be known to.
    needed = 1e3 * curve.uncertainty_s[known] <= 0.5 * min(limits)
    sides = np.full(lags_ms.size, limits.below), np.full(lags_ms.size, limits.above)
    index = worst_of_course(lags_ms, spreads_ms, sides, needed if needed.any() else np.ones_like(needed))
    where = ", ".join(part for part in (golden.path, f"at {told_s[known][index]:.2f} s") if part)
    lag_ms = float(lags_ms[index])
    return judge_deviation(
        "tail lag",
        where,
        "ms",
        0.0,
        lag_ms,
        lag_ms,
        float(spreads_ms[index]),
        limits.above,
        tolerance_below=limits.below,
    )


def polarity(where: str, sign: int) -> Finding:
    """Pass where the candidate has the golden's polarity, fail where it is turned over."""
    if sign > 0:
        return Finding("polarity", where, "", 1, 1, 0.0, 0.0, None, Outcome.PASS)
    return Finding("polarity", where, "", 1, -1, None, None, None, Outcome.FAIL, "turned over against the golden")
