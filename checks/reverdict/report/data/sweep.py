"""What only a recorded sweep tells, as ``measure --json`` prints it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from reverdict.measure.distortion import Distortion, OrderDistortion
    from reverdict.measure.swept import Swept

EQUAL_DB = -200.0


def as_json(swept: Swept) -> dict[str, Any]:
    """The key ``sweep`` of ``measure --json``."""
    result, sweep, clock = swept.deconvolved, swept.stimulus.sweep, swept.deconvolved.clock
    reasons = {} if clock.offset is not None else {"clock_skew_ppm": clock.why_not}
    if sweep is None:
        reasons |= dict.fromkeys(("kind", "from_hz", "to_hz", "seconds"), "the stimulus is no exponential sweep")
    noise_db = [_rounded(level, 2) for level in result.noise_db]
    return {
        "kind": sweep.kind if sweep else None,
        "from_hz": _rounded(sweep.f1_hz, 3) if sweep else None,
        "to_hz": _rounded(sweep.f2_hz, 3) if sweep else None,
        "seconds": _rounded(sweep.seconds, 6) if sweep else None,
        "began_at_s": _rounded(result.begin_s, 6),
        "clock_skew_ppm": _rounded(clock.offset, 4, 1e6),
        "clock_skew_uncertainty_ppm": _rounded(clock.uncertainty, 4, 1e6),
        "clock_skew_from": clock.read_from,
        "clock_skew_taken_out": clock.to_correct != 0,
        "repeats": len(swept.stimulus.starts),
        "repeats_set_aside": list(result.spoilt),
        "noise_db": noise_db if None not in noise_db else [],
        "spread": [
            {
                "path": one.path,
                "quantity": one.quantity,
                "unit": one.unit,
                "mean": _rounded(one.mean, 6),
                "uncertainty": _rounded(one.uncertainty, 7),
                "repeats": one.count,
            }
            for one in swept.spread
        ],
        "reasons": reasons,
    }


def distortion_json(distortion: Distortion) -> dict[str, Any]:
    """The key ``harmonic_distortion`` of a channel; frequencies are those that excite."""
    total = distortion.total
    reasons = {"total": distortion.why_not} if total is None else {}
    return {
        "orders": [
            {"order": one.order, "lead_s": _rounded(one.lead_s, 6), **_ratios(one)} for one in distortion.orders
        ],
        "total": _ratios(total) if total is not None else None,
        "reasons": reasons,
    }


def _ratios(one: OrderDistortion) -> dict[str, Any]:
    return {
        "frequency_hz": [_rounded(float(hz), 3) for hz in one.frequency_hz],
        "distortion_db": [_rounded(decibels(float(ratio)), 3) for ratio in one.ratio],
        "distortion_percent": [_rounded(float(ratio), 6, 100) for ratio in one.ratio],
        "uncertainty_percent": [_rounded(float(ratio), 6, 100) for ratio in one.uncertainty],
        **({"below_percent": _rounded(one.below, 6, 100)} if one.below is not None else {}),
        "reasons": {"distortion_db": one.why_not} if one.why_not else {},
    }


def decibels(ratio: float) -> float:
    """20 lg of an amplitude ratio."""
    return 20 * math.log10(max(ratio, 1e-15))


def _rounded(value: float | None, places: int, scale: float = 1.0) -> float | None:
    return round(scale * value, places) if value is not None and math.isfinite(value) else None
