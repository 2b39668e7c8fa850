"""Everything measured of a recorded sweep: what ``measure`` tells of a click, and what only a sweep can tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reverdict.measure.click import find_click
from reverdict.measure.deconvolution import LEAD_S, Deconvolved, deconvolve
from reverdict.measure.measurement import Measurement, measure
from reverdict.measure.repeats import Spread, spread_of
from reverdict.words import Response

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.stimulus import Stimulus


@dataclass(frozen=True)
class Swept:
    """A recording of a stimulus, measured.

    response : Response
        What a click would have given; ``click_at_s`` counts from its own first sample.
    measurement : Measurement
        Of that response.
    stimulus, deconvolved : how it came about, with distortion and clocks.
    spread : of each quantity between repeats; empty for one.
    """

    response: Response
    measurement: Measurement
    stimulus: Stimulus
    deconvolved: Deconvolved
    spread: tuple[Spread, ...]


def measure_swept(
    recording: NDArray[Any],
    stimulus: Stimulus,
    begin: int,
    arrival_hz: float,
    loopback: int | None = None,
    click_at_s: float | None = None,
) -> Swept:
    """Deconvolve a recording, shape (channels, samples), and measure what comes of it.

    Parameters
    ----------
    begin, loopback :
        As for ``deconvolve``.
    click_at_s : float or None
        In the recording, when the stimulus file began. None: by the loopback; else a sharp onset in the response, as
        for a click; else ``begin``.
    """
    result = deconvolve(recording, stimulus, begin, loopback)
    rate_hz = stimulus.rate_hz
    zero_s = round(LEAD_S * rate_hz) / rate_hz
    if loopback is None and click_at_s is not None:
        zero_s += click_at_s - result.begin_s
    elif loopback is None:
        zero_s += find_click(result.samples[:, round(LEAD_S * rate_hz) :], rate_hz)
    paths = ("",) if len(result.channels) == 1 else tuple(f"channel {c + 1}" for c in result.channels)
    response = Response(result.samples, rate_hz, zero_s, paths)
    measurement = measure(response, arrival_hz)
    singles = [Response(one, rate_hz, zero_s, paths) for one in result.singles] if len(result.singles) > 1 else []
    spread = spread_of(measurement, [measure(one, arrival_hz) for one in singles])
    return Swept(response, measurement, stimulus, result, spread)
