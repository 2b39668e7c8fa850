"""Everything measured of a response, and everything measured of a candidate beside its golden.

``measure`` stands alone: it is what ``reverdict measure`` prints, and the golden's side of every comparison.
``measure_beside`` treats the candidate exactly as the golden was treated, so that what both share cancels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.colour import Colour, measure_colour
from reverdict.measure.crosstalk import CrosstalkMeasurement, Level, direct_sound, measure_crosstalk
from reverdict.measure.decay import DecayMeasurement, measure_decay
from reverdict.measure.decay_beside import DecayBeside, decay_beside, unlike_at_end
from reverdict.measure.flatness import Flatness, flatness_of
from reverdict.measure.lag import OnsetLag, PassLag, onset_lag, pass_lags
from reverdict.measure.lag_curve import LagMeasurement, lag_curves
from reverdict.measure.passes import Spring, SpringMeasurement
from reverdict.measure.settling import SMOOTHING_HZ
from reverdict.measure.springs import ARRIVAL_HZ, find_springs
from reverdict.measure.stray import StraySound, stray_sound
from reverdict.measure.transition import Transition, find_transition, moved_by_noise_hz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.words import Response


HIGHEST_SHARE = 0.85
"""Of the transition frequency: up to here a curve is judged."""


NOT_MEASURED = CrosstalkMeasurement(why_none="it was not measured")


@dataclass(frozen=True)
class PathMeasurement:
    """One signal path. ``path`` is its name, empty for mono.

    flatness : per spring, per pass, as in ``springs``.
    at_click : level of what sounds at the click, against the first pass.
    """

    path: str
    springs: SpringMeasurement
    decay: DecayMeasurement
    flatness: tuple[tuple[Flatness, ...], ...]
    at_click: Level
    colour: Colour


@dataclass(frozen=True)
class Measurement:
    """A whole response, path by path in the order of ``Response.paths``, and what goes from one path to another."""

    paths: tuple[PathMeasurement, ...]
    crosstalk: CrosstalkMeasurement = NOT_MEASURED


@dataclass(frozen=True)
class PathComparison:
    """One path of a candidate beside the golden's.

    onset : OnsetLag
    passes : per spring of the golden, per pass, its lag.
    transitions : per spring of the golden, the candidate's transition frequency.
    decay : DecayMeasurement of the candidate.
    whole_beside, bands_beside : its decay beside the golden's, of the whole sound and band by band.
    stray : where it sounds most and the golden does not; None where the golden is silent.
    tail : lag over time; None where it was not asked.
    """

    path: str
    onset: OnsetLag
    passes: tuple[tuple[PassLag, ...], ...]
    transitions: tuple[Transition, ...]
    decay: DecayMeasurement
    whole_beside: DecayBeside
    bands_beside: tuple[DecayBeside, ...]
    stray: StraySound | None
    tail: LagMeasurement | None = None


@dataclass(frozen=True)
class Comparison:
    """A candidate beside its golden, path by path.

    moved_back_s : by how much the candidate was moved back before, where its latency was to be taken out.
    """

    paths: tuple[PathComparison, ...]
    moved_back_s: float = 0.0


def measure(
    response: Response, arrival_hz: float = ARRIVAL_HZ, fraction: int = 1, decay_from_s: float | None = None
) -> Measurement:
    """Measure every path of a response: springs and their passes, decay band by band, flatness, colour, crosstalk.

    Arguments are those of ``programs.measure_response``, which proves them; here nothing is raised for any sound.
    """
    paths = tuple(
        _measure_path(path, row, response, arrival_hz, fraction, decay_from_s)
        for path, row in zip(response.paths, response.samples, strict=True)
    )
    crosstalk = measure_crosstalk(response, [path.springs for path in paths])
    return Measurement(tuple(replace(path, springs=path.springs.as_told()) for path in paths), crosstalk)


def _measure_path(
    path: str, row: NDArray[Any], response: Response, arrival_hz: float, fraction: int, decay_from_s: float | None
) -> PathMeasurement:
    rate_hz, click_at_s = response.rate_hz, response.click_at_s
    springs = find_springs(row, rate_hz, click_at_s, arrival_hz)
    return PathMeasurement(
        path,
        springs,
        measure_decay(row, rate_hz, click_at_s if decay_from_s is None else decay_from_s, fraction),
        flatness_of(springs),
        direct_sound(springs),
        measure_colour(row, rate_hz, click_at_s, springs.springs),
    )


def measure_beside(
    golden: Response, measured: Measurement, candidate: Response, *, without_latency: bool = False, tail: bool = False
) -> Comparison:
    """Measure a candidate beside its golden, both from the click on (``click_at_s`` 0), of one rate, shape and paths.

    Arguments are those of ``programs.measure_beside``, which proves them; ``measured`` is of the golden. ValueError
    where they have not the same number of paths.
    """
    late = _latency(golden, candidate) if without_latency else 0
    if late:
        candidate = replace(candidate, samples=_moved_back(candidate.samples, late))
    paths = tuple(
        _beside(row, other, golden.rate_hz, own)
        for row, other, own in zip(golden.samples, candidate.samples, measured.paths, strict=True)
    )
    if tail:
        lags = lags_beside(golden, candidate)
        paths = tuple(replace(path, tail=lag) for path, lag in zip(paths, lags, strict=True))
    return Comparison(paths, late / golden.rate_hz)


def _latency(golden: Response, candidate: Response) -> int:
    """Samples by which the loudest path is late; 0 where it no longer looks like the golden."""
    loudest = int(np.argmax(np.sum(golden.samples**2, axis=1)))
    onset = onset_lag(golden.samples[loudest], candidate.samples[loudest], golden.rate_hz)
    return 0 if onset.seconds is None else round(onset.seconds * golden.rate_hz)


def _moved_back(samples: NDArray[Any], late: int) -> NDArray[Any]:
    """The same ``late`` samples earlier, silence where nothing was."""
    moved = np.zeros_like(samples)
    if late > 0:
        moved[:, :-late] = samples[:, late:]
    else:
        moved[:, -late:] = samples[:, :late]
    return moved


def lags_beside(golden: Response, candidate: Response) -> tuple[LagMeasurement, ...]:
    """Lag over time of a candidate beside its golden, path by path; both of one rate and layout, each from its click.

    Not part of ``measure_beside``: it takes as long as measuring decay, some 0.05 s for 4 s at 48 kHz.
    """
    return tuple(
        lag_curves(row, other, golden.rate_hz)
        for row, other in zip(_from_click(golden), _from_click(candidate), strict=True)
    )


def _from_click(response: Response) -> NDArray[Any]:
    return response.samples[:, max(round(response.click_at_s * response.rate_hz), 0) :]


def _beside(golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float, own: PathMeasurement) -> PathComparison:
    passes = pass_lags(golden, candidate, rate_hz, own.springs) if own.springs.springs else []
    transitions = tuple(
        _moved_transition(spring, lags[0])
        for spring, lags in zip(own.springs.springs, passes, strict=True)
        if spring.passes
    )
    decay = measure_decay(candidate, rate_hz)
    unlike = unlike_at_end(golden, candidate)
    return PathComparison(
        own.path,
        onset_lag(golden, candidate, rate_hz),
        tuple(tuple(lags) for lags in passes),
        transitions,
        decay,
        decay_beside(own.decay.whole, decay.whole, unlike),
        tuple(decay_beside(band, other, unlike) for band, other in zip(own.decay.bands, decay.bands, strict=True)),
        stray_sound(golden, candidate, rate_hz),
    )


def _moved_transition(spring: Spring, lag: PassLag) -> Transition:
    """The golden's transition frequency, moved by what the lag does to a fit of the same law over the same stretch.

    Its uncertainty (k = 2) is that of the move.

    That stretch ends where group delay ceases to be judged: above, delay runs away, and what a build does there would
    outweigh all the rest of its curve.
    """
    own, curve = spring.transition, spring.curve
    if own.frequency_hz is None:
        return own
    hz = lag.frequency_hz[lag.frequency_hz <= HIGHEST_SHARE * own.frequency_hz]
    known = np.isin(curve.frequency_hz, hz)
    if known.sum() < 12:
        return Transition(None, why_not=lag.why_not or "too little of the first pass is left")
    frequency_hz, delay_s = curve.frequency_hz[known], curve.delay_s[known]
    before = find_transition(frequency_hz, delay_s, own.law)
    after = find_transition(frequency_hz, delay_s + lag.lag_s[: hz.size], own.law)
    if before.frequency_hz is None or after.frequency_hz is None:
        return Transition(None, why_not=before.why_not or after.why_not)
    sigma_hz = moved_by_noise_hz(frequency_hz, delay_s, before, lag.uncertainty_s[: hz.size] / 2, 2 * SMOOTHING_HZ)
    moved_hz = own.frequency_hz + (after.frequency_hz - before.frequency_hz)
    return replace(after, frequency_hz=moved_hz, uncertainty_hz=2 * sigma_hz)
