"""What ``sensitivity.json`` tells, in words: sizes with units, who catches a fault first, and what slips through."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from reverdict import words
from reverdict.report.wording.basics import CHECK_NAMES, listed, plain

Json = Mapping[str, Any]

MOST_NAMED = 8
WELL_BEYOND = 1.1
"""A fault is told as caught too late where it is caught from more than this times what is heard."""


def size_said(fault: Json, size: float, rate_hz: float) -> str:
    """Say a size with its unit: "0.034 ms (1.6 samples)", "−66 dB re peak", "12 bits"."""
    unit = plain(fault["unit"])
    if not unit:
        return ""
    if unit.startswith("samples a block"):
        unit = "sample a block" if size == 1 else unit
    said = f"{number(size)}{'' if unit == '%' else ' '}{unit}".replace("%", " %")
    return f"{said} ({number(size * rate_hz / 1e3)} samples)" if unit == "ms" else said


def number(value: float) -> str:
    """Write a size with two digits, three where it begins with a 1, and a true minus sign."""
    if value == 0:
        return "0"
    power = math.floor(math.log10(abs(value)))
    digits = 3 if abs(value) < 2 * 10.0**power else 2
    written = f"{value:.{max(digits - 1 - power, 0)}f}"
    return (written.rstrip("0").rstrip(".") if "." in written else written).replace("-", "−")


def sizeless(fault: Json) -> bool:
    """Whether a fault is either there or not."""
    return bool(fault["mild"] == fault["grave"])


def slips(fault: Json) -> bool:
    """Whether the gravest size that was tried passes the gate."""
    return fault["caught"]["gate"]["stopped_from"] is None


def beyond_heard(fault: Json) -> bool:
    """Whether a fault passes at sizes that are heard."""
    heard, stopped = fault["heard"], fault["caught"]["gate"]["stopped_from"]
    return bool(heard and stopped is not None and stopped > WELL_BEYOND * heard["size"])


def first_to_catch(fault: Json) -> list[str]:
    """Checks that stop the mildest size that the gate stops, one way or the other; none if it slips through."""
    caught = fault["caught"]["gate"]["stopped_from"]
    trial = next((one for one in fault["trials"] if one["size"] == caught), None)
    return [check for check in words.CHECKS if trial and check in trial["stopped_by"]]


def in_order(reference: Json) -> list[Json]:
    """Faults as they are told: what slips through, what is caught beyond what is heard, then the others."""
    return sorted(reference["faults"], key=lambda fault: 0 if slips(fault) else 1 if beyond_heard(fault) else 2)


def about_reference(reference: Json) -> list[str]:
    """Say in sentences what slips through, then the smallest sizes that each check catches."""
    return [*about_slips(reference), *_caught_sentences(reference)]


def about_slips(reference: Json) -> list[str]:
    """Say in sentences what slips through the tolerances of a reference, and what could not be tried."""
    if reference["why_none"]:
        return [f"No fault was injected: {plain(reference['why_none'])}."]
    said = [*_slip_sentences(reference), *_again(reference)]
    if reference["not_injected"]:
        parts = (f"{plain(one['fault'])} ({plain(one['reason'])})" for one in reference["not_injected"])
        said.append(f"Not injected: {listed(parts)}.")
    if not reference["complete"]:
        said.append("The search was cut off; the same command goes on with it.")
    return said


def one_liner(reference: Json) -> str:
    """Say in a line what slips through at any size."""
    name = plain(reference["name"])
    if reference["why_none"]:
        return f"{name}: no fault was injected"
    names = [_slip_named(fault, reference) for fault in reference["faults"] if slips(fault)]
    count = len(reference["faults"])
    if not names:
        return f"{name}: each of {count} faults is stopped from some size on"
    slip = "slips" if len(names) == 1 else "slip"
    return f"{name}: of {count} faults {len(names)} {slip} through at any size: {listed(names)}"


def told(fault: Json, reference: Json) -> str:
    """Say of one fault from when on it is stopped, and by whom."""
    rate_hz = reference["rate_hz"]
    gate = fault["caught"]["gate"]
    if slips(fault):
        most = size_said(fault, fault["grave"], rate_hz)
        return f"slips through{f' at any size, up to {most}' if most else ''}{_weaker_way(fault)}"
    by = listed(CHECK_NAMES[check] for check in first_to_catch(fault))
    if sizeless(fault):
        return f"{'stopped' if gate['fails_from'] is not None else 'unsure'}, by {by}"
    at_mildest = ", the mildest tried" if gate["at_mildest"] else ""
    said = f"stopped from {size_said(fault, gate['stopped_from'], rate_hz)}{at_mildest}, by {by}"
    if gate["fails_from"] is None:
        said += "; unsure, never a fail"
    elif gate["fails_from"] != gate["stopped_from"]:
        said += f"; a fail from {size_said(fault, gate['fails_from'], rate_hz)}"
    if again := gate["slips_again_at"]:
        first = size_said(fault, _first_stopped(fault), rate_hz)
        said += f"; {first} is stopped, too, but {', '.join(number(size) for size in again[:4])} slip through"
    if heard := fault["heard"]:
        said += f"; heard from about {size_said(fault, heard['size'], rate_hz)} ({plain(heard['source'])})"
    return said


def _first_stopped(fault: Json) -> float:
    return next(float(one["size"]) for one in fault["trials"] if one["gate"] in ("unsure", "fail"))


def _weaker_way(fault: Json) -> str:
    ways = {one["milder_way"] for one in fault["trials"][-1:]} - {""}
    return f" when {plain(ways.pop())}" if ways else ""


def _slip_named(fault: Json, reference: Json) -> str:
    most = size_said(fault, fault["grave"], reference["rate_hz"])
    way = _weaker_way(fault)
    return f"{plain(fault['fault'])}{way}" + (f" (up to {most})" if most else "")


def _slip_sentences(reference: Json) -> list[str]:
    always = [_slip_named(fault, reference) for fault in reference["faults"] if slips(fault)]
    late = [_late_named(fault, reference["rate_hz"]) for fault in reference["faults"] if beyond_heard(fault)]
    said = []
    if always:
        said.append(f"Slips through at any size tried: {_few(always)}.")
    else:
        said.append(f"Each of {len(reference['faults'])} faults is stopped from some size on.")
    if late:
        said.append(f"Slips through although it is heard: {_few(late)}.")
    return said


def _late_named(fault: Json, rate_hz: float) -> str:
    stopped, heard = fault["caught"]["gate"]["stopped_from"], fault["heard"]["size"]
    below = size_said(fault, stopped, rate_hz)
    return f"{plain(fault['fault'])} below {below} (heard from about {size_said(fault, heard, rate_hz)})"


def _again(reference: Json) -> list[str]:
    names = [
        f"{plain(fault['fault'])} ({', '.join(number(size) for size in fault['caught']['gate']['slips_again_at'][:4])} "
        f"{plain(fault['unit'])}, though {number(_first_stopped(fault))} is stopped)"
        for fault in reference["faults"]
        if fault["caught"]["gate"]["slips_again_at"] and not slips(fault)
    ]
    return [f"Slips through again at a graver size: {_few(names)}."] if names else []


def _caught_sentences(reference: Json) -> list[str]:
    """The smallest sizes caught, grouped by who catches them."""
    by_check: dict[str, list[str]] = {}
    for fault in reference["faults"]:
        if slips(fault) or sizeless(fault):
            continue
        size = size_said(fault, fault["caught"]["gate"]["stopped_from"], reference["rate_hz"])
        who = listed(CHECK_NAMES[check] for check in first_to_catch(fault))
        by_check.setdefault(who, []).append(f"{plain(fault['fault'])} {size}")
    return [f"Smallest sizes caught by {who}: {_few(caught)}." for who, caught in by_check.items()]


def _few(parts: Sequence[str]) -> str:
    if len(parts) <= MOST_NAMED:
        return listed(parts)
    return f"{', '.join(parts[: MOST_NAMED - 1])} and {len(parts) - MOST_NAMED + 1} more"


def key_lines() -> Iterable[str]:
    """How to read a table of sizes."""
    yield "Sizes from which on every one tried is stopped; ? unsure, without it a fail; ~ some graver one passes that"
    yield "check although a milder one is stopped; ≤ already the mildest tried; – passes at any size; blank: not asked."
