"""What only a recorded sweep tells: stimulus, clock skew, repeats and harmonic distortion, for people and programs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reverdict.measure.distortion import Distortion, OrderDistortion
    from reverdict.measure.repeats import Spread
    from reverdict.measure.stimulus import Stimulus
    from reverdict.measure.swept import Swept

TABLE_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
SHOWN_SPREAD = ("spring", "above")
EQUAL_DB = -200.0
LEAST_PPM = 0.001
LEAST_TOLD = 0.0001
"""Uncertainties are told as no smaller than the last digit that is printed."""
ORDINALS = {2: "2nd", 3: "3rd", 4: "4th", 5: "5th"}


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


def print_head(swept: Swept, stream: TextIO) -> None:
    """Write what was played, the clocks, the repeats."""
    result = swept.deconvolved
    stream.write(f"Stimulus: {stimulus_told(swept.stimulus)}\nClock skew: {skew_told(swept)}\n")
    count = len(swept.stimulus.starts)
    if count > 1:
        known_db = [level for level in result.noise_db if level is not None]
        levels = ", ".join(f"{level:.1f}".replace("-", "−") for level in known_db)
        noise = f"; noise of the average {levels} dB re a unit click" if known_db else ""
        noise = "; they are equal to the last digit" if known_db and max(known_db) < EQUAL_DB else noise
        stream.write(f"Repeats: {count - len(result.spoilt)} of {count} averaged{noise}\n")


def stimulus_told(stimulus: Stimulus) -> str:
    """What was played, in a line."""
    sweep, seconds = stimulus.sweep, stimulus.samples.size / stimulus.rate_hz
    if sweep is None:
        return f"{seconds:.2f} s of sound that is no exponential sweep"
    return f"{sweep.kind} sweep from {sweep.f1_hz:.4g} Hz to {sweep.f2_hz:.0f} Hz in {sweep.seconds:.2f} s"


def skew_told(swept: Swept) -> str:
    """How far the clocks differ, in a line."""
    clock = swept.deconvolved.clock
    if clock.offset is None or clock.uncertainty is None:
        return f"not known ({clock.why_not})"
    done = "taken out" if clock.to_correct else "within its uncertainty, left as it is"
    unsure_ppm = max(1e6 * clock.uncertainty, LEAST_PPM)
    offset = 0.0 if abs(1e6 * clock.offset) < LEAST_PPM / 2 else 1e6 * clock.offset
    told = f"{offset:+.3f} ± {unsure_ppm:.2g} ppm (+ is a fast player)".replace("-", "−")
    return f"{told}, by {clock.read_from}; {done}"


def print_distortion(distortion: Distortion, stream: TextIO) -> None:
    """Write a row per order and the total, by octaves of the exciting frequency."""
    if distortion.total is None:
        stream.write(f"\nHarmonic distortion: none told ({distortion.why_not})\n")
        return
    rows = (*distortion.orders, distortion.total)
    shown = [hz for hz in TABLE_HZ if any(one.at(hz) for one in rows)]
    stream.write("\nHarmonic distortion by the frequency that excites it\n")
    if shown:
        stream.write("  order" + "".join(f"{hz:>8} Hz" for hz in shown) + "\n")
    for one in distortion.orders:
        if one.frequency_hz.size:
            stream.write(f"  {ORDINALS[one.order]}  " + "".join(_level(one, hz) for hz in shown) + "\n")
        else:
            stream.write(f"  {ORDINALS[one.order]}  none told: {one.why_not}\n")
    if shown:
        stream.write("  total" + "".join(_percent(distortion.total, hz) for hz in shown) + "\n")


def _level(one: OrderDistortion, hz: float) -> str:
    known = one.at(hz)
    return f"{'–':>11}" if known is None else f"{decibels(known[0]):+8.1f} dB".replace("-", "−")


def _percent(one: OrderDistortion, hz: float) -> str:
    known = one.at(hz)
    return f"{'–':>11}" if known is None else f"{100 * known[0]:9.3f} %"


def print_spread(spread: Sequence[Spread], stream: TextIO) -> None:
    """Write mean and expanded uncertainty over the repeats, of springs and the whole decay; bands are in the JSON."""
    if not spread:
        return
    stream.write("\nSpread between repeats: mean and 95 % uncertainty of the mean (Type A)\n")
    for one in spread:
        if not one.quantity.startswith(SHOWN_SPREAD):
            continue
        path = f"{one.path}, " if one.path else ""
        label = f"{path}{one.quantity}"
        unsure = max(one.uncertainty, LEAST_TOLD)
        mean = f"{one.mean:11.4f}".replace("-", "−")
        stream.write(f"  {label:34} {mean} ± {unsure:.2g} {one.unit}, {one.count} repeats\n")
