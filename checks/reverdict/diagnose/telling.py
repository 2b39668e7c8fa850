"""An explanation in the words of whoever wrote the algorithm: "spring 2: delay line 0.52 ms longer"."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.diagnose.changes import MADE_UP
from reverdict.fit.fitting import corner_hz

if TYPE_CHECKING:
    from reverdict.diagnose.additions import Addition
    from reverdict.diagnose.search import Found
    from reverdict.fit.model import TankModel

RATES_HZ = (8000, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000, 176400, 192000)
RATE_SLACK = 2e-4
BLOCKS = (16, 32, 64, 128, 256, 512, 1024, 2048, 4096, 8192)
ALL = "all springs"
ALL_OF_IT = 0.97
"""Share of a deviation that a time scale must explain before a clock or a mistaken rate is blamed for it."""


@dataclass(frozen=True)
class Explanation:
    """What may have been done to the algorithm.

    words : one phrase, without a full stop; kind, where : what and to which path and spring ("" for all of it).
    amount, unit, uncertainty : the size of the change (k = 2); None where it has none, as a polarity.
    explains : share of the deviation, 0 to 1.
    """

    words: str
    kind: str
    where: str
    amount: float | None
    unit: str
    uncertainty: float | None
    explains: float


def tell_change(found: Found, model: TankModel | None, rate_hz: float) -> Explanation:
    """Put a change into words."""
    change, x, u = found.change, found.size, found.uncertainty
    where = _where(change.springs, model)
    kind, _, kept = change.kind.partition(MADE_UP[:1])
    if kind == "springs swapped":
        one, other = change.springs
        where = f"springs {one + 1} and {other + 1}"
        words = f"{where} swapped: each is heard at the other's level"
        return Explanation(words, kind, where, None, "", None, found.explains)
    size = _sizes(kind, x, u, change.springs, model, rate_hz)
    # A clock moves all times and nothing else: what a time scale leaves unexplained was no clock's doing.
    cause = size.cause if found.explains > ALL_OF_IT else ""
    words = size.words + cause + (", the delay line making up for its time" if kept else "")
    return Explanation(
        f"{where}: {words}" if where else words, change.kind, where,
        size.amount if change.sized else None, size.unit, size.uncertainty if change.sized else None, found.explains,
    )  # fmt: skip


@dataclass(frozen=True)
class _Size:
    words: str
    amount: float = 0.0
    unit: str = ""
    uncertainty: float = 0.0
    cause: str = ""


def _where(springs: tuple[int, ...], model: TankModel | None) -> str:
    if not springs or model is None:
        return ""
    if len(springs) == len(model.springs) > 1:
        return ALL
    return f"spring {springs[0] + 1}" if len(springs) == 1 else "springs " + " and ".join(str(i + 1) for i in springs)


def _sizes(
    kind: str, x: float, u: float, springs: tuple[int, ...], model: TankModel | None, rate_hz: float
) -> _Size:  # fmt: skip
    each = [model.springs[index] for index in springs] if model else []
    whole = _WHOLE.get(kind)
    if whole is not None:
        return whole(x, u, rate_hz)
    if kind in _UNSIZED:
        return _Size(_UNSIZED[kind])
    if kind == "highpass":
        return _Size(f"highpass {_percent(x)} {'higher' if x > 0 else 'lower'}", 100 * x, "%", 100 * u)
    if kind == "coupling":
        return _Size(
            f"{100 * abs(x):.1f} % {'more' if x > 0 else 'less'} of each reflection goes over to the other springs",
            100 * x, "%", 100 * u,
        )  # fmt: skip
    one = each[0]
    alone = len(each) == 1
    if kind == "delay line":
        line = "delay line" if alone else "delay lines"
        return _Size(f"{line} {_ms_and_samples(x, rate_hz)} {_longer(x)}", 1e3 * x, "ms", 1e3 * u)
    if kind == "delay lines in proportion":
        return _Size(f"delay lines {_percent(x)} {_longer(x)}", 100 * x, "%", 100 * u)
    if kind.startswith("sections"):
        return _sections(kind, x, u, [one.chains for one in each])
    if kind.startswith("coefficient"):
        group = _group_of(kind)
        own = each[0].chains[group or 0][1]
        told = f"allpass coefficient{kind[len('coefficient') :]} "
        told += f"{own + x:.4f} for {own:.4f}" if alone else f"{abs(x):.4f} {'larger' if x > 0 else 'smaller'}"
        return _Size(told, x, "", u)
    if kind == "transition frequency":
        own_hz = one.transition_hz
        told = (
            f" from {_khz(own_hz)} to {_khz(own_hz * (1 + x))}"
            if alone
            else f" {_percent(x)} {'higher' if x > 0 else 'lower'}"
        )
        stretch = rate_hz / (2 * own_hz)
        if alone:
            told += f" (stretch {stretch / (1 + x):.2f} for {stretch:.2f} samples)"
        return _Size(
            f"transition frequency moved{told}" if alone else f"transition frequencies{told}", 100 * x, "%", 100 * u
        )
    if kind == "lowpass":
        before, after = (corner_hz(one.lowpass_s / k, one.lowpass_s2 / k**2, rate_hz) for k in (1.0, 1 + x))
        return _corner("lowpass", before, after, u / (1 + x), alone)
    if kind == "steep lowpass":
        before, after = (rate_hz / np.pi * np.arctan(1 / (2 * rate_hz * one.edge_s / k)) for k in (1.0, 1 + x))
        return _corner("steep lowpass", float(before), float(after), u / (1 + x), alone)
    if kind == "reflection":
        return _Size(f"reflection gain {_db(x)} dB", x, "dB", u)
    if kind == "trip gain":
        return _Size(f"gain of every trip {_db(x)} dB", x, "dB", u)
    return _Size(f"level {_db(x)} dB", x, "dB", u)


def _corner(name: str, before_hz: float, after_hz: float, share: float, alone: bool) -> _Size:
    change = after_hz / before_hz - 1
    told = f"{name} moved from {_khz(before_hz)} to {_khz(after_hz)}"
    if not alone:
        told = f"{name}es moved {_percent(change)} {'up' if change > 0 else 'down'}"
    return _Size(told, 100 * change, "%", 100 * share * after_hz / before_hz)


def _sections(kind: str, x: float, u: float, chains: list[Any]) -> _Size:
    group = _group_of(kind)
    counts = [sum(n for g, (n, _) in enumerate(own) if group in (None, g)) for own in chains]
    of_group = f" of group {group + 1}" if group is not None else ""
    if len(chains) > 1:
        return _Size(
            f"{_percent(x)} of the allpass sections{of_group} {'too many' if x > 0 else 'missing'}",
            100 * x,
            "%",
            100 * u,
        )
    count = counts[0]
    verb = "added to" if x > 0 else "of"
    told = (
        f"{abs(x) * count:.1f} allpass sections added to {count:.0f}"
        if x > 0
        else f"{-x * count:.1f} {verb} {count:.0f} allpass sections missing"
    )
    return _Size(told + of_group, x * count, "sections", u * count)


def _group_of(kind: str) -> int | None:
    return int(kind.rsplit(" ", 1)[1]) - 1 if " of group " in kind else None


def _gain(x: float, u: float, _: float) -> _Size:
    return _Size(f"gain {_db(x)} dB", x, "dB", u)


def _latency(x: float, u: float, rate_hz: float) -> _Size:
    samples = x * rate_hz
    block = next((one for one in BLOCKS if abs(abs(samples) - one) < 0.01), None)
    whole = abs(samples - round(samples)) < 0.01
    told = (
        f"latency {_signed(samples, 0 if whole else 2)} samples ({abs(1e3 * x):.2f} ms {'late' if x > 0 else 'early'})"
    )
    return _Size(told + (f": a block of {block}" if block else ""), 1e3 * x, "ms", 1e3 * u)


def _time_scale(x: float, u: float, rate_hz: float) -> _Size:
    scale = 1 + x
    if abs(x) < 3e-3:
        return _Size(
            f"all times {1e6 * abs(x):.0f} ppm {_longer(x)}",
            scale,
            "times",
            u,
            f": a clock {'slow' if x > 0 else 'fast'} by so much",
        )
    cause = ""
    pairs = [(a, b) for a in RATES_HZ for b in RATES_HZ if a != b and abs(a / b / scale - 1) < RATE_SLACK]
    # Which pair is meant cannot be told, but the reference's own rate is the likely reader.
    pairs.sort(key=lambda pair: (pair[1] != rate_hz, pair[0] != rate_hz, max(pair)))
    if pairs:
        made, read = pairs[0]
        cause = f": a {made / 1000:g} kHz response read as {read / 1000:g} kHz"
    return _Size(f"all times scaled by {scale:.4f}", scale, "times", u, cause)


def _direct(x: float, u: float, _: float) -> _Size:
    return _Size(f"direct sound at the click {_signed(x, 4)} of the input", x, "of the input", u)


def _decay(x: float, u: float, _: float) -> _Size:
    return _Size(f"decay {abs(x):.2f} dB a second {'slower' if x > 0 else 'faster'}", x, "dB/s", u)


_WHOLE: dict[str, Any] = {
    "gain": _gain, "latency": _latency, "time scale": _time_scale, "direct sound": _direct, "decay": _decay,
}  # fmt: skip


_UNSIZED = {
    "polarity": "polarity flipped",
    "reflection turned over": "polarity of the reflection flipped",
    "missing": "missing",
}


def tell_addition(found: Addition, explains: float, length_s: float) -> Explanation:
    """Put what was added or cut into words."""
    if found.kind == "cut":
        assert found.at_s is not None
        words = f"cut off at {_when(found.at_s)} of {_when(length_s)}"
        return Explanation(words, "cut", "", found.at_s, "s", found.uncertainty, explains)
    level = f"{_signed(found.level_db or 0.0, 1)} dB re the golden's peak"
    if found.kind == "click":
        assert found.at_s is not None
        many = f"{found.number} clicks, the first" if found.number > 1 else "a click"
        return Explanation(
            f"{many} at {_when(found.at_s)}, {level}", "click", "", found.at_s, "s", found.uncertainty, explains
        )
    article = {"offset": "a constant offset of"}.get(found.kind, f"{found.kind} added,")
    return Explanation(f"{article} {level}", found.kind, "", found.level_db, "dB re peak", found.uncertainty, explains)


def _when(seconds: float) -> str:
    return f"{1e3 * seconds:.1f} ms" if seconds < 1 else f"{seconds:.3f} s"


def _ms_and_samples(x: float, rate_hz: float) -> str:
    ms, samples = 1e3 * abs(x), abs(x) * rate_hz
    return (
        f"{ms:.{2 if ms >= 0.1 else 4}f} ms ({samples:.{1 if samples >= 1 else 3}f} samples at {rate_hz / 1000:g} kHz)"
    )


def _longer(x: float) -> str:
    return "longer" if x > 0 else "shorter"


def _percent(x: float) -> str:
    return f"{100 * abs(x):.{1 if abs(x) >= 0.01 else 2}f} %"


def _db(x: float) -> str:
    return _signed(x, 2 if abs(x) >= 0.1 else 3)


def _signed(x: float, places: int) -> str:
    return f"{x:+.{places}f}".replace("-", "−")


def _khz(hz: float) -> str:
    return f"{hz / 1000:.2f} kHz" if hz >= 1000 else f"{hz:.0f} Hz"
