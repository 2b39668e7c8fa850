"""What a new reference asks of builds: what can be measured on it, and why the rest is not asked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reverdict.errors import BadInput
from reverdict.schema import TOLERANCES_FILE
from reverdict.words import Outcome, Response

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from reverdict.measure.measurement import Measurement


CLEAR_OF_NEIGHBOURS_S = 0.005

BUILDS_CONDUCT = {"stray_db": 8.0, "headroom_db": 3.0}
"""What a build is held to against its golden: 8 dB of stray sound is more than what rounding, or a spring moved within
its tolerance, does to 10 ms of sound; 3 dB of peak more than where other echoes of the same spring come together."""

TWO_CHANNELS = {"balance_db": 0.5, "mono_db": 0.5}
"""And besides where two channels come out: half of what is heard of a level."""

TAIL_LAG_MS = 0.1
"""As far as an onset may move by the proposed tolerances."""


def asked_of(measured: Measurement, cost: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The check tables of a new reference: only what can be measured on it is asked, the rest says why not."""
    springs = [path.springs for path in measured.paths]
    counts = {len(found.springs) for found in springs}
    laws = {spring.pass_law for found in springs for spring in found.springs}
    tables: dict[str, dict[str, Any]] = {"cost": cost, "conduct": {}}
    if len(counts) == 1 and counts != {0} and len(laws) == 1:
        tables["echo_timing"] = {
            "springs": counts.pop(),
            "pass_law": laws.pop(),
            "passes": min(clear_passes(measured), 3),
            "arrival_hz": springs[0].arrival_hz,
        }
        tables["group_delay"] = {}
    else:
        why = springs[0].why_none if len(springs) == 1 else _unlike(measured)
        tables["echo_timing"] = {"springs": 0, "pass_law": "none", "passes": 0}
        tables["group_delay"] = {"not_asked": f"no separate passes: {why}"}
    decays = [band for path in measured.paths for band in path.decay.bands]
    if all(time.seconds is None for band in decays for time in band.times.values()):
        why = next((time.why_not for band in decays for time in band.times.values()), "no octave band fits")
        tables["energy_decay"] = {"not_asked": f"no decay time can be measured: {why}"}
    else:
        tables["energy_decay"] = {}
    return tables


def _unlike(measured: Measurement) -> str:
    """What each of several paths has for springs, or why it has none."""
    told: dict[str, list[str]] = {}
    for path in measured.paths:
        laws = ", ".join(sorted({spring.pass_law for spring in path.springs.springs}))
        count = len(path.springs.springs)
        springs = f"{count} {'springs' if count > 1 else 'spring'} by {laws}" if count else path.springs.why_none
        told.setdefault(springs, []).append(path.path)
    if len(told) == 1:
        return next(iter(told))
    return "its paths are unlike: " + "; ".join(f"{', '.join(paths)}: {springs}" for springs, paths in told.items())


def clear_passes(measured: Measurement) -> int:
    """How many passes of every spring stand clear of all others, at the frequency where arrivals are read."""
    clear = []
    for path in measured.paths:
        times = [one.time_s for spring in path.springs.springs for one in spring.passes]
        for spring in path.springs.springs:
            count = 0
            for one in spring.passes:
                near = sum(abs(one.time_s - other) < CLEAR_OF_NEIGHBOURS_S for other in times) - 1
                if near:
                    break
                count += 1
            clear.append(count)
    return max(min(clear, default=0), 1)


def asked_of_tail(golden: Response, repeats: Sequence[Response]) -> dict[str, float]:
    """That the tail must keep in step, where a lag can be told along it and those of all repeats do."""
    from reverdict.measure.measurement import lags_beside

    for other in (golden, *repeats):
        for lags in lags_beside(golden, other):
            curve = lags.whole
            if curve.fit is None or curve.agrees_until_s is not None or abs(curve.lag_s * 1e3).max() > TAIL_LAG_MS:
                return {}
    return {"tail_lag_ms": TAIL_LAG_MS}


def asked_by_packages(golden: Response, golden_folder: Path) -> dict[str, dict[str, Any]]:
    """Tables of the checks that packages brought and this folder asks of every reference.

    They are empty, as what is shared holds, or say why the check is not asked of this golden, which cannot answer it.
    """
    from reverdict import judging, own_checks
    from reverdict.schema.tolerances import shared_own_checks

    shared = golden_folder / TOLERANCES_FILE
    tables: dict[str, dict[str, Any]] = {}
    for own in shared_own_checks(shared) if shared.exists() else ():
        try:
            findings = own_checks.findings_of(own.check, golden, golden, own.tolerances)
        except own_checks.Broken as error:
            raise BadInput(f"{shared}: {own.check.table}", str(error)) from error
        verdict = judging.close(own.check.name, findings)
        why = f"it cannot be told of the golden itself: {verdict.reason}"
        tables[own.check.table] = {} if verdict.outcome is Outcome.PASS else {"not_asked": why}
    return tables
