"""What a measurement says, in words that tables and pictures share."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reverdict.measure.colour import Colour
    from reverdict.measure.passes import SpringMeasurement
    from reverdict.measure.stimulus import Stimulus
    from reverdict.measure.swept import Swept


def latency_in_words(measured: SpringMeasurement) -> str:
    """What passes say of a latency that all springs share."""
    assert measured.latency_s is not None
    assert measured.latency_uncertainty_s is not None
    late_ms, unsure_ms = 1e3 * measured.latency_s, 1e3 * measured.latency_uncertainty_s
    if abs(late_ms) <= unsure_ms:
        return f"Latency: none, within {unsure_ms:.3f} ms; passes come whole trips after the click"
    told = f"Latency: {with_uncertainty(late_ms, unsure_ms, 3, ' ms', '+')}"
    return f"{told}; passes come so much {'later' if late_ms > 0 else 'earlier'} than whole trips after the click"


def colour_in_words(colour: Colour) -> str:
    """What was found of a regular row of spectral peaks, or why nothing was."""
    if colour.spacing_hz is None:
        return colour.why_not
    spacing = with_uncertainty(colour.spacing_hz, colour.spacing_uncertainty_hz, 2, " Hz")
    prominence = with_uncertainty(colour.prominence_db, colour.prominence_uncertainty_db, 1, " dB")
    return f"metallic, with spectral peaks {spacing} apart that stand {prominence} over the dips between them"


LEAST_PPM = 0.001


ORDINALS = {2: "2nd", 3: "3rd", 4: "4th", 5: "5th"}


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


def with_uncertainty(value: float | None, uncertainty: float | None, places: int, unit: str, sign: str = "") -> str:
    if value is None:
        return "–"
    if uncertainty is None:
        return f"{value:{sign}.{places}f}{unit}"
    up = math.ceil(10**places * round(uncertainty, 6)) / 10**places  # up: none must not read as exact
    return f"{value:{sign}.{places}f} ± {up:.{places}f}{unit}"
