"""Does the mains hum in the tail?

Aim. Hum that a build adds to the reverb, at the mains frequency and its second and third harmonic.

Method. The second half of a response, of a long one the last second, under a Hann window, taken against a complex tone
at each of the three frequencies: amplitudes, added as energies. Two bins and three to either side tell how much of that
the reverb and its noise have there too; as a root of energies it is the uncertainty.

Conventions. Amplitude in percent of the loudest sample of the response.

Limits of validity. A tail of 0.1 s or more; shorter ones are not measured. Reverb that still sounds at the mains
frequency makes a verdict unsure, not wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reverdict import Finding, Response, judge_deviation

ABOUT = "Does the mains hum in the tail?"
SHORTEST_S, LONGEST_S = 0.1, 1.0
HARMONICS = (1, 2, 3)
BESIDE = (-3, -2, 2, 3)
MAINS_HZ = (50.0, 60.0)


@dataclass(frozen=True)
class Tolerances:
    """Keys of ``[tail_hum]``; one without a default must be written."""

    hum_percent: float = field(
        metadata={"description": "How much the hum may differ, in percent of the loudest sample."}
    )
    mains_hz: float = field(default=50.0, metadata={"description": "Frequency of the mains, 50 or 60 Hz."})

    def __post_init__(self) -> None:
        if self.hum_percent < 0:
            raise ValueError(f"hum_percent: negative tolerance {self.hum_percent:g}")
        if self.mains_hz not in MAINS_HZ:
            raise ValueError(f"mains_hz: need 50 or 60, got {self.mains_hz:g}")


@dataclass(frozen=True)
class Hum:
    """Hum of one path: by mains frequency its amplitude and expanded uncertainty (k = 2), percent; or why not."""

    path: str
    percent: dict[float, tuple[float, float]]
    why_not: str = ""


def measure(response: Response) -> tuple[Hum, ...]:
    """Hum in the tail of every path."""
    return tuple(_hum(path, row, response.rate_hz) for path, row in zip(response.paths, response.samples, strict=True))


def judge(golden: tuple[Hum, ...], candidate: tuple[Hum, ...], tolerances: Tolerances) -> list[Finding]:
    """One finding "hum" per path."""
    findings = []
    for before, after in zip(golden, candidate, strict=True):
        one, other = before.percent.get(tolerances.mains_hz), after.percent.get(tolerances.mains_hz)
        known = one is not None and other is not None
        findings.append(
            judge_deviation(
                "hum", ", ".join(filter(None, (before.path, f"{tolerances.mains_hz:g} Hz"))), "%",
                one[0] if one else None, other[0] if other else None,
                other[0] - one[0] if known else None, float(np.hypot(one[1], other[1])) if known else None,
                tolerances.hum_percent, reason=before.why_not or after.why_not,
            )
        )  # fmt: skip
    return findings


def _hum(path: str, row: NDArray[np.float64], rate_hz: int) -> Hum:
    tail = row[-min(round(LONGEST_S * rate_hz), row.size // 2) :]
    seconds, peak = tail.size / rate_hz, float(np.abs(row).max())
    if seconds < SHORTEST_S or not peak:
        return Hum(path, {}, "no tail to hear hum in" if peak else "silence")
    window = np.hanning(tail.size)
    windowed, time_s = tail * window / window.sum() * 2, np.arange(tail.size) / rate_hz

    def energy(hz: float) -> float:
        return float(np.abs(windowed @ np.exp(-2j * np.pi * hz * time_s)) ** 2)

    found = {}
    for mains_hz in MAINS_HZ:
        hum = sum(energy(number * mains_hz) for number in HARMONICS)
        beside = sum(
            float(np.mean([energy(number * mains_hz + bins / seconds) for bins in BESIDE])) for number in HARMONICS
        )
        found[mains_hz] = (100 * float(np.sqrt(hum)) / peak, 2 * 100 * float(np.sqrt(beside)) / peak)
    return Hum(path, found)
