"""Everything measured of a recorded sweep: what ``measure`` tells of a click, and what only a sweep can tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.click import click_before, find_click
from reverdict.measure.deconvolution import LEAD_S, Deconvolved, deconvolve, loudest
from reverdict.measure.measurement import Measurement, measure
from reverdict.measure.peak import vertex
from reverdict.measure.repeats import Spread, spread_of
from reverdict.words import Response

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.stimulus import Stimulus

FOOT_S = 0.001
"""A click through a band has a foot before its time zero, which belongs to the energy of a dry path."""
WITHOUT_RINGING = (1 / 16, 4 / 16, 6 / 16, 4 / 16, 1 / 16)
"""Takes out the upper end of the band, whose ringing would hide a sharp onset."""

PEAK_WITHIN = 5
"""Samples from the onset on: a click through a band rises for two or three."""


@dataclass(frozen=True)
class Swept:
    """A recording of a stimulus, measured.

    response : Response
        What a click would have given; ``click_at_s`` counts from its own first sample.
    measurement : Measurement
        Of that response.
    stimulus, deconvolved : how it came about, with distortion and clocks.
    spread : of each quantity between repeats; empty for one.
    moved_s : how much earlier than a sharp onset the click is put, because that was the first pass of a spring.
    """

    response: Response
    measurement: Measurement
    stimulus: Stimulus
    deconvolved: Deconvolved
    spread: tuple[Spread, ...]
    moved_s: float = 0.0


def measure_swept(
    recording: NDArray[Any],
    stimulus: Stimulus,
    begin: int,
    arrival_hz: float,
    loopback: int | None = None,
    click_at_s: float | None = None,
    fraction: int = 1,
) -> Swept:
    """Deconvolve a recording, shape (channels, samples), and measure what comes of it.

    Parameters
    ----------
    begin, loopback :
        As for ``deconvolve``.
    click_at_s : float or None
        In the recording, when the stimulus file began. None: by the loopback; else a sharp onset in the response, as
        for a click, or when springs tell that it went in before; else ``begin``.
    fraction : int
        Decay in octaves (1) or third-octaves (3).
    """
    result = deconvolve(recording, stimulus, begin, loopback)
    rate_hz = stimulus.rate_hz
    zero_s, moved_s = round(LEAD_S * rate_hz) / rate_hz, 0.0
    if loopback is None and click_at_s is not None:
        zero_s += click_at_s - result.begin_s
    elif loopback is None:
        onset_s = _onset(result.samples, rate_hz)
        zero_s += onset_s
        earlier_s = click_before(result.samples, rate_hz, zero_s) if onset_s else None
        if earlier_s is not None:
            moved_s, zero_s = zero_s - earlier_s, earlier_s
    paths = ("",) if len(result.channels) == 1 else tuple(f"channel {c + 1}" for c in result.channels)
    response = Response(result.samples, rate_hz, zero_s, paths)
    measurement = _measure(response, arrival_hz, fraction)
    singles = [Response(one, rate_hz, zero_s, paths) for one in result.singles] if len(result.singles) > 1 else []
    spread = spread_of(measurement, [_measure(one, arrival_hz, fraction) for one in singles])
    return Swept(response, measurement, stimulus, result, spread, moved_s)


def _onset(samples: NDArray[Any], rate_hz: int) -> float:
    """Seconds from time zero to the peak of a sharp onset, between samples; 0 where there is none."""
    smooth = np.array([np.convolve(row, WITHOUT_RINGING, mode="same") for row in samples])
    after = smooth[:, round(LEAD_S * rate_hz) :]
    found = round(find_click(after, rate_hz) * rate_hz)
    row = np.abs(after[loudest(after)])
    peak = found + int(np.argmax(row[found : found + PEAK_WITHIN]))
    if found == 0 or peak + 1 >= row.size:
        return 0.0
    return (peak + vertex(row[peak - 1 : peak + 2])) / rate_hz


def _measure(response: Response, arrival_hz: float, fraction: int) -> Measurement:
    return measure(response, arrival_hz, fraction, max(response.click_at_s - FOOT_S, 0.0))
