"""What the details of cost say: the price against golden, the stages it is made of, and which of them moved.

A change is told where it is beyond its uncertainty; what is within is no change. The price is that of a finding,
counted instructions before seconds: counts repeat, times belong to a machine at an hour. Where both are beyond their
uncertainty and go opposite ways, there is no one price to tell. A verdict of before has no details.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reverdict.choosing import SOUND
from reverdict.report.wording.basics import figure, plain, shorten

Json = Mapping[str, Any]

COUNTED, TIMED = "instructions", "cost"
"""The findings that tell the price of the whole, the one to trust first."""

HEARD = (*SOUND, "conduct")
NAME_LENGTH = 40
LEAST_PERCENT = 0.05
"""A price nearer to golden than this is not worth a sentence, however well it is known."""


@dataclass(frozen=True)
class Stage:
    """Cost of a named part of the algorithm, or of a function, in the unit of the count; None where unknown."""

    name: str
    golden: float | None
    candidate: float | None

    @property
    def change(self) -> float | None:
        return None if self.golden is None or self.candidate is None else self.candidate - self.golden

    @property
    def size(self) -> float:
        return max(self.golden or 0.0, self.candidate or 0.0)


@dataclass(frozen=True)
class Price:
    """How much dearer than golden, in percent; ``uncertainty`` is expanded (k = 2)."""

    percent: float
    uncertainty: float
    counted: bool
    finding: Json

    @property
    def differs(self) -> bool:
        return abs(self.percent) > self.uncertainty and abs(self.percent) >= LEAST_PERCENT and self._written != "0"

    @property
    def amount(self) -> str:
        """Two digits, but none that the uncertainty drowns: "16 %", "1.0 %"."""
        return f"{self._written} %"

    @property
    def _written(self) -> str:
        size = abs(self.percent)
        places = max(0, min(2, 1 - math.floor(math.log10(size)))) if size else 0
        if self.uncertainty:
            places = min(places, max(0, math.floor(-math.log10(self.uncertainty))))
        return figure(size, places)


def price_of(check: Json) -> Price | None:
    """The price that the findings of the cost check tell where it differs from golden; else None."""
    told = [price for quantity in (COUNTED, TIMED) if (price := _price(check, quantity))]
    differing = [price for price in told if price.differs]
    if not told or len({price.percent > 0 for price in differing}) > 1:
        return None
    return told[0] if told[0].differs else None


def _price(check: Json, quantity: str) -> Price | None:
    for finding in check["findings"]:
        whole = finding["quantity"] == quantity and not finding["where"] and not finding.get("cell")
        if whole and finding["deviation"] is not None and finding["outcome"] != "not asked":
            scale = 1.0 if finding["unit"] == "%" else 100.0 / finding["golden"] if finding["golden"] else None
            if scale is not None:
                uncertainty = scale * (finding["uncertainty"] or 0.0)
                return Price(scale * finding["deviation"], uncertainty, quantity == COUNTED, finding)
    return None


def part(cost: Json, *keys: str) -> dict[str, Any]:
    """A part of the details by its keys; empty where any of it is null or missing."""
    for key in keys:
        cost = cost.get(key) or {}
    return dict(cost)


def details(reference: Json) -> dict[str, Any]:
    """The details of what a reference costs; empty where there are none."""
    return dict(reference.get("cost") or {})


def known(values: Json, *keys: str) -> bool:
    """Whether any of the values is known."""
    return any(values.get(key) is not None for key in keys)


def whole_of(reference: Json) -> Stage:
    """The whole count."""
    counted = part(details(reference), "counted")
    return Stage("whole", counted.get("golden"), counted.get("candidate"))


def stages_of(reference: Json) -> list[Stage]:
    """Stages whose count is known, the dearest first."""
    told = part(details(reference), "counted").get("stages") or []
    stages = [Stage(plain(one["stage"]), one.get("golden"), one.get("candidate")) for one in told]
    return sorted((one for one in stages if one.golden is not None or one.candidate is not None), key=_dearest)


def _dearest(stage: Stage) -> float:
    return -stage.size


def moved(reference: Json) -> list[Stage]:
    """Stages that changed by more than the uncertainty of the count, the largest change first."""
    unsure = part(details(reference), "counted").get("uncertainty") or 0.0
    changed = [one for one in stages_of(reference) if one.change is not None and abs(one.change) > unsure]
    return sorted(changed, key=lambda one: -abs(one.change or 0.0))


def unit_of(reference: Json) -> str:
    """Unit of the count in full: "instructions a sample and channel"."""
    unit = plain(part(details(reference), "counted").get("unit") or "instructions per sample and channel")
    return unit.replace(" per ", " a ")


def short_unit_of(reference: Json) -> str:
    """Unit of the count as it is said: "instructions a sample"."""
    return unit_of(reference).removesuffix(" and channel")


def places_of(reference: Json) -> int:
    """How many decimals counts carry: five digits of the whole, so that a section's change can be seen."""
    stages = [one.size for one in stages_of(reference)]
    largest = max(whole_of(reference).size, *stages, 0.0) if stages else whole_of(reference).size
    return max(0, min(4, 4 - math.floor(math.log10(largest)))) if largest else 0


def signed(value: float | None, places: int) -> str:
    """A change with its sign; "–" where unknown, "0" where there is none."""
    written = figure(value, places)
    return f"+{written}" if value and value > 0 and re.search("[1-9]", written) else written


def in_percent(change: float | None, golden: float | None) -> str:
    """A change in percent of golden, "+1.0 %"; empty where that cannot be had."""
    if change is None or not golden:
        return ""
    percent = 100 * change / golden
    if not percent:
        return "0 %"
    return f"{signed(percent, 0 if abs(percent) >= 10 else 1 if abs(percent) >= 1 else 2)} %"


def share_of(part_of: float | None, whole: float | None) -> str:
    """Share of the whole, "46 %"; empty where that cannot be had."""
    if part_of is None or not whole:
        return ""
    percent = 100 * part_of / whole
    return f"{figure(percent, 0 if percent >= 10 else 1)} %"


def about_price(price: Price, reference: Json, ending: str = "") -> str:
    """Say a price with the stage that moved most in its direction: "1.0 % dearer (dispersion +31 … a sample)"."""
    way = "dearer" if price.percent > 0 else "cheaper"
    stage = stage_behind(price, reference)
    where = ""
    if stage and stage.change is not None:
        places = 0 if abs(stage.change) >= 10 else 1 if abs(stage.change) >= 1 else 2
        name = shorten(stage.name, NAME_LENGTH)
        where = f" ({name} {signed(stage.change, places)} {short_unit_of(reference)})"
    return f"{price.amount} {way}{where}{ending}"


def stage_behind(price: Price, reference: Json) -> Stage | None:
    """The stage that moved most in the direction of a counted price; None where none did."""
    if not price.counted:
        return None
    alike = [one for one in moved(reference) if one.change and (one.change > 0) == (price.percent > 0)]
    return alike[0] if alike else None


def sounds_the_same(reference: Json) -> str:
    """How to say that only cost moved; empty where anything asked of the sound does not pass."""
    sound = [check["outcome"] for check in reference["checks"] if check["check"] in HEARD]
    asked = [outcome for outcome in sound if outcome != "not asked"]
    if not asked or set(asked) != {"pass"}:
        return ""
    return ", and it sounds the same" if len(asked) == len(HEARD) else ", and what was asked of the sound holds"


def largest_share(reference: Json) -> str:
    """In a line what the dearest stage takes: "dispersion is 46 % of 4123 instructions a sample"."""
    whole, stages = whole_of(reference).candidate, stages_of(reference)
    known_stages = [one for one in stages if one.candidate is not None]
    if not whole:
        return ""
    said = f"{figure(whole, 0 if whole >= 100 else 1)} {short_unit_of(reference)}"
    if not known_stages:
        return said
    first = max(known_stages, key=lambda one: one.candidate or 0.0)
    return f"{shorten(first.name, NAME_LENGTH)} is {share_of(first.candidate, whole)} of {said}"


def about_counting(counted: Json) -> str:
    """By what it was counted, and where golden's count is from; empty where nothing was."""
    if counted.get("candidate") is None:
        return ""
    tool = f"counted by {plain(counted['tool'])}" if counted.get("tool") else "counted"
    whence = {
        "baseline": "golden by its own build, counted beside this one",
        "reference": "golden as the reference holds it",
    }.get(str(counted.get("golden_from")), "")
    unsure = counted.get("uncertainty")
    repeats = f"known to ± {figure(unsure, 2 if unsure < 10 else 0)}" if unsure is not None else ""
    return ", ".join(said for said in (tool, repeats, whence) if said)


def about_timing(timed: Json) -> str:
    """How it compares in time, against what, and how many pairs that took; empty where it was not timed."""
    ratio, against = timed.get("ratio"), plain(timed.get("against") or "")
    if ratio is None:
        return ""
    said = f"the build takes {figure(ratio, 3)} times the time of golden"
    if timed.get("low") is not None and timed.get("high") is not None:
        said += f" ({figure(timed['low'], 3)} to {figure(timed['high'], 3)} with 95 % confidence)"
    if timed.get("pairs"):
        said += f", by {timed['pairs']} pairs of runs" + (f" beside the {against}" if against else "")
    needed = timed.get("pairs_needed")
    if needed and needed > (timed.get("pairs") or 0):
        said += f"; about {needed:.0f} would decide on this machine"
    return said


def short_function(name: object, limit: int = 64) -> str:
    """A function's name, C++ ones without what stands in their brackets where they are long."""
    shown = plain(name)
    if len(shown) <= limit:
        return shown
    return shorten(_without_brackets(shown), limit)


def _without_brackets(name: str) -> str:
    """Put "…" for what stands in outer brackets; a name whose brackets do not close, as "operator<", stays."""
    kept: list[str] = []
    closing: list[str] = []
    pairs = {"<": ">", "(": ")", "[": "]"}
    for before, sign in zip(f" {name}", name, strict=False):
        arrow = sign == ">" and before == "-"
        if sign in pairs:
            if not closing:
                kept.append(sign)
            closing.append(pairs[sign])
        elif closing and sign == closing[-1] and not arrow:
            closing.pop()
            if not closing:
                kept.append(sign if before in pairs else f"…{sign}")
        elif not closing:
            kept.append(sign)
    return name if closing else "".join(kept)


def machine_told(machine: Json) -> Sequence[tuple[str, str]]:
    """Where it was measured, by key, what is known of it."""
    keys = ("processor", "class", "cores", "system", "libc", "compiler", "counter", "python")
    return [(key, plain(machine[key])) for key in keys if machine.get(key) not in (None, "")]
