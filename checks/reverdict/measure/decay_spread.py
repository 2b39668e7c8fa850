"""How far apart repeats of a measurement are, and how far random excitation alone may set them apart.

Type A uncertainty of the mean of n repeats: s/√n, expanded by Student's t at 95 % (JCGM 100:2008, 4.2, G.3). For decay
times of rooms, tanks and all else that answers at random, ISO 3382-1:2009, 7.1, tells the standard deviation that the
randomness of the response gives a decay time. That is right for captures and zero between two renders of a digital
build, so it stands apart from the uncertainties that a measurement carries.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reverdict.measure.decay import BandDecay, DecayMeasurement

ISO_3382_FACTORS = {"t20": (0.88, 1.90), "t30": (0.55, 1.52)}
INTEGRATED = 10
"""Averages that backward integration is worth, n in ISO 3382-1, 7.1."""


@dataclass(frozen=True)
class Spread:
    """One quantity over repeats.

    centre_hz : float or None
        Of the band; None for the whole sound.
    name : str
        As in JSON, with its unit: "t30_s", "c80_db", …
    mean, deviation, uncertainty : float or None
        Mean, standard deviation of one repeat, expanded uncertainty of the mean (95 %); None where ``why_not``.
    """

    centre_hz: float | None
    name: str
    count: int
    mean: float | None = None
    deviation: float | None = None
    uncertainty: float | None = None
    why_not: str = ""


def iso_3382_sigma(name: str, seconds: float, centre_hz: float, fraction: int = 1, n: int = 1) -> float:
    """Standard deviation in seconds of a decay time by random excitation, ISO 3382-1:2009, 7.1.

    Parameters
    ----------
    name : str
        "t20" or "t30".
    fraction : int
        1 for octaves, 3 for third-octaves.
    n : int
        Number of measurements averaged, each an integrated impulse response.
    """
    factor, share = ISO_3382_FACTORS[name]
    bandwidth = {1: 0.71, 3: 0.23}[fraction] * centre_hz
    return float(factor * seconds * np.sqrt((1 + share / INTEGRATED) / (n * bandwidth * seconds)))


def spread_of(measurements: Sequence[DecayMeasurement]) -> list[Spread]:
    """Spread of every figure of every band over two or more measurements of the same bands."""
    from scipy.special import stdtrit

    rows = [(one.whole, *one.bands) for one in measurements]
    if len(rows) < 2 or len({tuple(band.centre_hz for band in row) for row in rows}) != 1:
        raise ValueError("a spread needs two or more measurements of the same bands")
    student = float(stdtrit(len(rows) - 1, 0.975))
    return [
        _spread(bands[0].centre_hz, name, [values[name] for values in map(_figures, bands)], student)
        for bands in zip(*rows, strict=True)
        for name in _figures(bands[0])
    ]


def _figures(band: BandDecay) -> dict[str, float | None]:
    times = {f"{name}_s": time.seconds for name, time in band.times.items()}
    return {"level_db": band.level_db, **times, **{name: one.value for name, one in band.ratios.items()}}


def _spread(centre_hz: float | None, name: str, values: Sequence[float | None], student: float) -> Spread:
    told = [value for value in values if value is not None]
    if len(told) < len(values):
        return Spread(centre_hz, name, len(values), why_not=f"missing from {len(values) - len(told)} of {len(values)}")
    deviation = float(np.std(told, ddof=1))
    return Spread(
        centre_hz, name, len(told), float(np.mean(told)), deviation, student * deviation / float(np.sqrt(len(told)))
    )
