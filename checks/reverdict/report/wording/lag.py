"""What a lag curve says, in sentences. Reads the table that ``verdict.json`` and ``measure --json`` hold."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from reverdict.report.wording.basics import plain


def about_lag(lag: Mapping[str, Any]) -> list[str]:
    """Latency, drift, steps and agreement of the whole sound, each in a sentence."""
    if lag["reason"]:
        return [f"No lag can be told: {plain(lag['reason'])}."]
    said = ["It is turned over (polarity)."] if lag["polarity"] < 0 else []
    if lag["time_scale"]:
        return [
            *said,
            f"All its times are the golden's times {lag['time_scale']:.4f}, as after a mistaken sample rate.",
        ]
    if lag["fit"] is None:
        return [*said, "Too little of it looks like the golden to tell its lag.", *_parts(lag["shares"])]
    return [*said, *_fit(lag["fit"]), _agreement(lag), *_parts(lag["shares"])]


def time_in_words(seconds: float, uncertainty_s: float | None = None) -> str:
    """A short time in µs or ms, with as many digits as its uncertainty allows."""
    unit, scale = ("ms", 1e3) if abs(seconds) >= 1e-3 else ("µs", 1e6)
    if uncertainty_s is None:
        return f"{scale * seconds:.{2 if unit == 'ms' else 0}f} {unit}"
    places = _places(scale * uncertainty_s)
    return f"{scale * seconds:.{places}f} ± {scale * uncertainty_s:.{places}f} {unit}"


def _fit(fit: Mapping[str, Any]) -> list[str]:
    offset_s, unsure_s = fit["offset_s"], max(fit["offset_uncertainty_s"], 1e-9)
    if abs(offset_s) > unsure_s:
        said = [f"It is {time_in_words(abs(offset_s), unsure_s)} {'late' if offset_s > 0 else 'early'} at the click."]
    else:
        said = [f"It begins in step with the golden (within {1e6 * unsure_s:.{_places(1e6 * unsure_s)}f} µs)."]
    if fit["drift_ppm"] is not None:
        said.append(_drift(fit["drift_ppm"], max(fit["drift_uncertainty_ppm"], 1e-3)))
    for step in fit["steps"]:
        size = time_in_words(abs(step["size_s"]), step["size_uncertainty_s"])
        said.append(f"At {_when(step['time_s'])} it jumps {size} {'later' if step['size_s'] > 0 else 'earlier'}.")
    return said


def _drift(drift_ppm: float, unsure_ppm: float) -> str:
    places = _places(unsure_ppm)
    if abs(drift_ppm) <= unsure_ppm:
        return f"It does not drift (within {unsure_ppm:.{places}f} ppm)."
    way = "falls behind" if drift_ppm > 0 else "runs ahead"
    return f"It {way} by {abs(drift_ppm):.{places}f} ± {unsure_ppm:.{places}f} ppm."


def _agreement(lag: Mapping[str, Any]) -> str:
    parts_s = lag["agrees_until_s"]
    if parts_s is None:
        return f"It agrees with the golden as far as that can be heard, {_when(lag['heard_until_s'])}."
    if parts_s == 0:
        return "It agrees with the golden nowhere."
    return f"It agrees with the golden for the first {_when(parts_s)}, then no longer (coherence below 0.6)."


def _parts(shares: list[Mapping[str, Any]]) -> list[str]:
    """The first stretch in which a part of the energy stands apart from the rest."""
    for start in dict.fromkeys(share["from_s"] for share in shares):
        inside = [share for share in shares if share["from_s"] == start]
        if len(inside) > 1:
            main = max(inside, key=lambda share: share["share"])
            part = max((share for share in inside if share is not main), key=lambda share: share["share"])
            off_s = part["lag_s"] - main["lag_s"]
            way = "later" if off_s > 0 else "earlier"
            told = f"{100 * part['share']:.0f} % of the energy comes {time_in_words(abs(off_s))} {way} than the rest"
            when = f"Between {_when(start)} and {_when(part['to_s'])}"
            return [f"{when}, {told}: some delays have changed, others have not."]
    return []


def _when(seconds: float) -> str:
    return f"{1e3 * seconds:.0f} ms" if seconds < 1 else f"{seconds:.2f} s"


def _places(uncertainty: float) -> int:
    """Decimals that show two digits of an uncertainty, three at most."""
    return min(max(1 - math.floor(math.log10(uncertainty)), 0), 3) if uncertainty > 0 else 3
