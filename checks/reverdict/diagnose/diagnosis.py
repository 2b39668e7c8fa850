"""What change of the algorithm explains how a candidate deviates from its golden, in the algorithm's words.

Aim
    The first thing that whoever broke it wants to read: "spring 2: delay line 0.52 ms (25.0 samples at 48 kHz) longer",
    with the share of the deviation that this explains; and nothing where nothing explains it.
Method
    Paths that stand at one another's place are put back first. Of each path, what was added or cut is found in time
    (``additions``) and taken out. Then the golden is altered (``changes``) until it is the candidate (``search``): as a
    whole first, and only if that leaves something, by the numbers of the usual spring algorithm fitted to it.
    What several paths say alike is said once.
Conventions
    Shares are of the energy of the deviation: of what was added, of all of it; of changes, of what is left of it in the
    band that was fitted, damped so that the first passes count most.
Limits of validity
    Up to four changes at once. Springs that the model of ``fit`` describes; of other reverbs only what happens to the
    whole response. A change that this knows nothing of may be imitated by one that it knows: then that explains less.
    Sections, their coefficient and the transition frequency are told apart by the bend of the delay over frequency:
    proved with noise 60 dB and more below the peak.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.diagnose.additions import without_additions
from reverdict.diagnose.changes import changes_of_all, changes_of_springs, decay
from reverdict.diagnose.search import GOOD_PART, STAGES, Found, deviates, search
from reverdict.diagnose.telling import Explanation, tell_addition, tell_change
from reverdict.diagnose.view import View, energy
from reverdict.fit.fitting import fit_tank
from reverdict.fit.refining import LOW_HZ
from reverdict.measure.measurement import Measurement, measure_beside

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.fit.fitting import TankFit
    from reverdict.fit.model import TankModel
    from reverdict.measure.measurement import Comparison, PathComparison, PathMeasurement
    from reverdict.words import Response

HIGHEST_HZ = 8000.0
LATEST_DB = 30.0
"""How far damping takes down what comes last of all that counts: a pass of seven trips, or ``DENSE_S``."""
DENSE_S = 0.3
LEAST_ADDED = 0.01
"""Share of the deviation below which what was added is not told."""
EXACT = 0.9999
"""What is done to a whole response explains so much of it, or is not what was done."""
FAR = 0.03
"""Energy of a deviation, as a share of the golden's, above which a mistaken rate is thought of."""
LEFT_OUT = 0.01
"""Share of the golden's energy that a fitted model may leave out before what it counts is told with that share."""
NOISE_PARTS = 10
SAME_SIZE = 0.05
UNDONE_DB = 10.0
LEAST_T30 = 0.005
EXCHANGES: dict[int, dict[str, tuple[int, ...]]] = {
    2: {"channels swapped": (1, 0)},
    4: {
        "output channels swapped": (1, 0, 3, 2),
        "input channels swapped": (2, 3, 0, 1),
        "input and output channels swapped": (3, 2, 1, 0),
    },
}
"""Which path of the golden stands in each path's place, by number of paths."""
EXCHANGED = 0.5
SHORTEST_S, LOWEST_RATE_HZ = 0.02, 1000
"""What is shorter, or of a lower rate, has no frequency of its own in the narrowest band that is looked at."""


def diagnose(
    golden: Response, measured: Measurement, candidate: Response, beside: Comparison
) -> tuple[Explanation, ...]:
    """Explain a candidate's deviation, what explains most first; empty where nothing does or there is none.

    Parameters
    ----------
    golden, candidate : Response
        Of one rate and layout, both from the click on.
    measured, beside : Measurement of the golden, Comparison of both
    """
    samples = min(golden.samples.shape[1], candidate.samples.shape[1])
    if samples < SHORTEST_S * golden.rate_hz or golden.rate_hz < LOWEST_RATE_HZ:
        return ()
    golden = replace(golden, samples=golden.samples[:, :samples])
    candidate = replace(candidate, samples=candidate.samples[:, :samples])
    exchange, order, explained = _exchange(golden.samples, candidate.samples)
    found = []
    if exchange:
        found.append(Explanation(exchange, "channels swapped", "", None, "", None, explained))
        golden = replace(golden, samples=golden.samples[list(order)])
        measured = Measurement(tuple(measured.paths[index] for index in order))
        beside = measure_beside(golden, measured, candidate)
    of_paths = [
        _of_path(row, other, golden.rate_hz, own, compared)
        for row, other, own, compared in zip(
            golden.samples, candidate.samples, measured.paths, beside.paths, strict=True
        )
    ]
    left = 1 - explained
    found += [replace(one, explains=left * one.explains) for one in _joined(of_paths, golden.paths)]
    # One path explained well is little where the others depart as much for no reason that is found.
    if sum(one.explains for one in found) < GOOD_PART:
        return ()
    return tuple(sorted(found, key=lambda one: -one.explains))


def _exchange(golden: NDArray[Any], candidate: NDArray[Any]) -> tuple[str, tuple[int, ...], float]:
    """Whether paths stand at one another's place: in which words, in which order, and how much that explains."""
    best, order, most = "", tuple(range(len(golden))), EXCHANGED
    apart = float(np.sum((candidate - golden) ** 2))
    if apart > 0:
        for words, places in EXCHANGES.get(len(golden), {}).items():
            explained = 1 - float(np.sum((candidate - golden[list(places)]) ** 2)) / apart
            if explained > most:
                best, order, most = words, places, explained
    return best, order, most if best else 0.0


# One path


@dataclass(frozen=True)
class _PathDiagnosis:
    """Explanations of one path and the energy of its deviation, by which paths are weighed."""

    found: tuple[Explanation, ...]
    energy: float


def _of_path(
    golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float, own: PathMeasurement, beside: PathComparison
) -> _PathDiagnosis:
    whole = float(np.sum((candidate - golden) ** 2))
    if whole == 0.0:
        return _PathDiagnosis((), 0.0)
    cleaned = without_additions(golden, candidate, rate_hz)
    rest = golden[: cleaned.candidate.size], cleaned.candidate
    noise = _noise_power(*rest)
    # What the noise of two recordings differs in explains itself.
    whole = max(whole - noise * cleaned.candidate.size, sum(one.energy for one in cleaned.found), 1e-3 * whole)
    added = [(one, min(one.energy / whole, 1.0)) for one in cleaned.found]
    told = [tell_addition(one, share, golden.size / rate_hz) for one, share in added if share > LEAST_ADDED]
    left = max(1.0 - sum(share for _, share in added), 0.0)
    changes, fit = _changes(*rest, rate_hz, noise, own, beside)
    for change in changes:
        one = tell_change(change, fit.model if fit else None, rate_hz)
        if fit and change.change.springs:
            one = replace(one, words=one.words + _doubt(fit))
        if one.kind.startswith(LENGTHENING):
            one = replace(one, words=one.words + _consequence(own, beside))
        told.append(replace(one, explains=left * one.explains))
    if sum(one.explains for one in told) < GOOD_PART or _take_each_other_back(told, *rest):
        return _PathDiagnosis((), whole)
    return _PathDiagnosis(tuple(sorted(told, key=lambda one: -one.explains)), whole)


def _take_each_other_back(told: Sequence[Explanation], golden: NDArray[Any], candidate: NDArray[Any]) -> bool:
    """Whether a gain is told that is not heard, so that other changes undo it: together such ones fit anything."""
    before, after = float(np.sum(golden**2)), float(np.sum(candidate**2))
    if before == 0.0 or after == 0.0:
        return False
    heard_db = 10 * np.log10(after / before)
    return any(one.kind == "gain" and abs((one.amount or 0.0) - heard_db) > UNDONE_DB for one in told)


def _doubt(fit: TankFit) -> str:
    """What must be said with numbers of a model that is not quite the reverb: sections may not be those of its code."""
    left = 10 ** (fit.residual_db / 10)
    return f", as a fitted model counts that leaves {100 * left:.0f} % of the golden out" if left > LEFT_OUT else ""


LENGTHENING = ("reflection", "trip gain", "lowpass", "decay")
"""Changes whose consequence is another decay time."""


def _consequence(own: PathMeasurement, beside: PathComparison) -> str:
    before, after = (one.decay.whole.times["t30"].seconds for one in (own, beside))
    if not before or not after or abs(after / before - 1) < LEAST_T30:
        return ""
    return f", so T30 {100 * (after / before - 1):+.1f} %".replace("-", "−")


def _changes(
    golden: NDArray[Any],
    candidate: NDArray[Any],
    rate_hz: float,
    noise: float,
    own: PathMeasurement,
    beside: PathComparison,
) -> tuple[list[Found], TankFit | None]:
    """What explains the deviation: changes of the whole response if they do, else of the springs too."""
    late_s, longer_s, time_scales = _hints(own, beside)
    seconds = golden.size / rate_hz
    springs = own.springs.springs
    trips_s = max((one.passes[0].time_s * (13 if one.pass_law == "1:3:5" else 7) for one in springs), default=DENSE_S)
    alpha = max(LATEST_DB / 20 * np.log(10) / trips_s, 6 / seconds)

    def views(high_hz: float, model: TankModel | None) -> list[View]:
        return [
            View(
                golden, candidate, rate_hz, stage.damping * alpha,
                (LOW_HZ, LOW_HZ + stage.share * (high_hz - LOW_HZ)), model, noise,
            )
            for stage in STAGES
        ]  # fmt: skip

    peak = float(np.abs(golden).max())
    top_hz = min(HIGHEST_HZ, 0.4 * rate_hz)
    if springs:
        top_hz = min(top_hz, max(float(one.curve.frequency_hz[-1]) for one in springs))
    bare = views(top_hz, None)
    if not deviates(bare[-1]):
        return [], None
    far = bare[0].deviation > FAR * energy(bare[0].golden)
    of_all = changes_of_all(late_s, time_scales, peak, far)
    found = search(bare, of_all if springs else [*of_all, decay()])
    if not springs or sum(one.explains for one in found) > EXACT:
        return found, None
    fit = fit_tank(golden, rate_hz, 0.0, own.springs)
    if fit.model is None:
        return found, None
    return search(views(fit.band_hz[1], fit.model), of_all + changes_of_springs(fit.model, rate_hz, longer_s)), fit


def _noise_power(golden: NDArray[Any], candidate: NDArray[Any]) -> float:
    """|X|² a bin of the difference where it is quietest, for each sample: noise, or what else is no more."""
    return min(float(np.mean(part**2)) for part in np.array_split(candidate - golden, NOISE_PARTS))


def _hints(own: PathMeasurement, beside: PathComparison) -> tuple[list[float], list[list[float]], list[float]]:
    """Latencies, longer trips of each spring, and time scales that measured lags suggest."""
    late_s = [] if beside.onset.seconds is None else [beside.onset.seconds]
    longer_s, scales = [], []
    for spring, lags in zip(own.springs.springs, beside.passes, strict=True):
        read = [(one.trips, one.time_s, at[0]) for one, lag in zip(spring.passes, lags, strict=False)
                if (at := lag.at(own.springs.arrival_hz))]  # fmt: skip
        late_s += [lag_s for _, _, lag_s in read[:1]]
        scales += [1 + lag_s / time_s for _, time_s, lag_s in read]
        longer_s.append([lag_s / trips for trips, _, lag_s in read])
    return late_s, longer_s, scales


# Several paths


def _joined(of_paths: Sequence[_PathDiagnosis], paths: Sequence[str]) -> list[Explanation]:
    """What paths say alike said once; shares weighed by the energy of each path's deviation."""
    whole = sum(one.energy for one in of_paths)
    groups: list[tuple[Explanation, list[str], float]] = []
    for path, diagnosis in zip(paths, of_paths, strict=True):
        for one in diagnosis.found:
            share = one.explains * diagnosis.energy / whole
            for index, (first, where, already) in enumerate(groups):
                if path not in where and _same(first, one):
                    groups[index] = (first, [*where, path], already + share)
                    break
            else:
                groups.append((one, [path], share))
    return [_placed(one, where, share, paths) for one, where, share in groups]


def _same(one: Explanation, other: Explanation) -> bool:
    if (one.kind, one.where, one.unit) != (other.kind, other.where, other.unit):
        return False
    if one.amount is None or other.amount is None:
        return one.amount == other.amount
    unsure = (one.uncertainty or 0.0) + (other.uncertainty or 0.0)
    return abs(one.amount - other.amount) <= max(SAME_SIZE * abs(one.amount), unsure)


def _placed(one: Explanation, paths: Sequence[str], share: float, every: Sequence[str]) -> Explanation:
    """The explanation with the paths it holds for, unless those are all."""
    if list(paths) == list(every):
        return replace(one, explains=share)
    where = " and ".join(paths)
    words = f"{where}, {one.words}" if one.where else f"{where}: {one.words}"
    return replace(one, words=words, where=", ".join(part for part in (where, one.where) if part), explains=share)
