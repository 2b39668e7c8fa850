"""What only a recorded sweep tells: stimulus, clock skew, repeats and harmonic distortion, for people and programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, TextIO

from reverdict.report.data.sweep import EQUAL_DB, decibels
from reverdict.report.wording.measured import ORDINALS, skew_told, stimulus_told

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reverdict.measure.distortion import Distortion, OrderDistortion
    from reverdict.measure.repeats import Spread
    from reverdict.measure.swept import Swept

TABLE_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
SHOWN_SPREAD = ("spring", "above")
LEAST_TOLD = 0.0001
"""Uncertainties are told as no smaller than the last digit that is printed."""


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
