"""How the lag of a candidate against its golden runs along the tail: latency, drift, steps, and where they part.

It needs no separate echoes, so it tells of halls and plates what ``lag.pass_lags`` tells of springs. A shift is
positive when the candidate is later than the golden; times are the golden's, from the click.

Golden and candidate are held against each other in overlapping windows, in octave bands and as a whole
(``lag_windows``): per window the lag, its uncertainty (k = 2) and the *coherence*, which is 1 where only level and lag
differ. Below ``LOOKS_ALIKE`` no lag is told. The curve is taken apart into latency, drift and steps (``lag_fit``).

A mistaken or drifting clock moves everything alike: coherence stays, and drift is told in ppm. One delay line of a
feedback network that moved by d is something else. A sound that has gone through that line n times is n·d late, and
after a time t the numbers n spread round t/Σm (m: lengths of all lines). The mean falls behind by d/Σm, which in low
bands also reads as ppm; but the spread blurs the tail, so that coherence falls, in high bands first: to about
e^{−½(2πf·d)²·var n} while f·d is small, to the share of what never went through it where f·d is large. So it is told to
which time golden and candidate agree, and in stretches of the tail how much of the energy is how late (``lag_shares``).

Validity. Latency to ±0.5 s, drift to 2000 ppm, steps to 6 ms; a rate mistaken for another common one is
recognised as such (``time_scale``). A reverb that is modulated has no one answer: ``lag_curves_of_renders`` takes
several renders and counts the spread among the golden's own as uncertainty. Offset, drift and steps describe the curve
only up to where the two part. The lag of a pure tone is known only up to its period.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from reverdict.measure.lag_fit import LagFit, fit_lag
from reverdict.measure.lag_shares import LagShare, shares_of_energy
from reverdict.measure.lag_windows import LOOKS_ALIKE, SURELY, Compared, Windows, compare

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True)
class LagCurve:
    """Lag over time in one octave, or of the whole sound (``centre_hz`` None).

    time_s, coherence : ndarray, shape (windows,)
        Where the golden's energy in each window lies, and how alike the two are there (1: but for level and lag).
    told : ndarray of bool, shape (windows,)
        Which windows have a lag.
    lag_s, uncertainty_s : ndarray, shape (told windows,)
    why_not : tuple of str
        Per window why it has no lag; empty where it has one.
    agrees_until_s : float or None
        From here on the two no longer look alike, though there is sound; None where they agree to the end.
    heard_until_s : float
        To here the sound stands clear of the noise.
    fit : LagFit or None
        Offset, drift and steps up to where they part; None where fewer than four windows tell a lag.
    """

    centre_hz: float | None
    window_s: float
    time_s: NDArray[Any]
    coherence: NDArray[Any]
    told: NDArray[Any]
    lag_s: NDArray[Any]
    uncertainty_s: NDArray[Any]
    why_not: tuple[str, ...]
    agrees_until_s: float | None
    heard_until_s: float
    fit: LagFit | None

    def table(self, most_points: int) -> dict[str, Any]:
        """The curve as plain lists and numbers, every so many windows; None where a window has no lag."""
        step = max(-(-self.time_s.size // most_points), 1)
        lag_s, uncertainty_s = np.full((2, self.time_s.size), np.nan)
        lag_s[self.told], uncertainty_s[self.told] = self.lag_s, self.uncertainty_s
        return {
            "centre_hz": self.centre_hz,
            "window_s": self.window_s,
            "agrees_until_s": self.agrees_until_s,
            "heard_until_s": self.heard_until_s,
            "fit": None if self.fit is None else asdict(self.fit),
            "time_s": [round(float(v), 5) for v in self.time_s[::step]],
            "lag_s": [None if np.isnan(v) else round(float(v), 10) for v in lag_s[::step]],
            "uncertainty_s": [None if np.isnan(v) else round(float(v), 10) for v in uncertainty_s[::step]],
            "coherence": [round(float(v), 4) for v in self.coherence[::step]],
        }


@dataclass(frozen=True)
class LagMeasurement:
    """Lag curves of one signal path.

    polarity : int
        −1 where the candidate is the golden turned over.
    time_scale : float or None
        All times of the candidate are the golden's times this, as after a mistaken sample rate; None else.
    shares : tuple of LagShare
        In stretches that lost coherence to more than noise: how much of the energy comes how late.
    why_not : str
        Why there is no curve at all.
    """

    whole: LagCurve
    bands: tuple[LagCurve, ...]
    polarity: int = 1
    time_scale: float | None = None
    shares: tuple[LagShare, ...] = ()
    why_not: str = ""

    def table(self, most_points: int) -> dict[str, Any]:
        """The whole's curve and what goes for all bands, as ``LagCurve.table``."""
        return {
            "polarity": self.polarity,
            "time_scale": self.time_scale,
            "reason": self.why_not,
            "shares": [asdict(share) for share in self.shares],
            **self.whole.table(most_points),
        }


def lag_curves(golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float) -> LagMeasurement:
    """Lag of a candidate against its golden, both from the click on, shapes (samples,)."""
    return _concluded(compare(golden, candidate, rate_hz))


def lag_curves_of_renders(
    goldens: Sequence[NDArray[Any]], candidates: Sequence[NDArray[Any]], rate_hz: float
) -> LagMeasurement:
    """Lag of a modulated reverb: the mean over renders whose clicks came at different times of the modulation.

    Render i of the candidate is held against render i of the golden. How much the golden's own renders lag against each
    other counts as uncertainty of both, and where they do not look alike no lag is told.

    Parameters
    ----------
    goldens, candidates : sequences of ndarray, each of shape (samples,), from its click on
        Equally many, two or more.

    Raises
    ------
    ValueError
        Too few renders, or not equally many.
    """
    if len(goldens) != len(candidates) or len(goldens) < 2:
        raise ValueError("as many renders of the candidate as of the golden are needed, two or more")
    size = min(sound.size for sound in (*goldens, *candidates))
    pairs = [compare(one[:size], other[:size], rate_hz) for one, other in zip(goldens, candidates, strict=True)]
    # Each of the golden's renders beside the next, round in a ring; of two renders there is one such pair.
    following = [*goldens[1:], goldens[0]][: len(goldens) if len(goldens) > 2 else 1]
    own = [compare(one[:size], other[:size], rate_hz) for one, other in zip(goldens, following, strict=False)]
    for compared in (*pairs, *own):
        if compared.why_not:
            return _concluded(compared)
    bands = [
        _joined([pair.bands[index] for pair in pairs], [pair.bands[index] for pair in own])
        for index in range(len(pairs[0].bands))
    ]
    told = _concluded(replace(pairs[0], bands=tuple(bands), cross=None))
    apart = [_concluded(pair) for pair in own]
    return replace(
        told,
        whole=_widened(told.whole, [each.whole for each in apart], len(pairs)),
        bands=tuple(
            _widened(curve, [each.bands[index] for each in apart], len(pairs)) for index, curve in enumerate(told.bands)
        ),
    )


def _concluded(compared: Compared) -> LagMeasurement:
    if not compared.bands:
        return LagMeasurement(_NO_CURVE, (), why_not=compared.why_not)
    whole, *bands = (_curve_of(windows) for windows in compared.bands)
    shares: tuple[LagShare, ...] = ()
    if compared.cross is not None and compared.time_scale is None:
        shares = shares_of_energy(compared.cross, compared.bands[0])
    polarity = compared.polarity if whole.told.any() else 1
    return LagMeasurement(whole, tuple(bands), polarity, compared.time_scale, shares)


_NOTHING = np.zeros(0)
_NO_CURVE = LagCurve(
    None, 0.0, _NOTHING, _NOTHING, np.zeros(0, dtype=bool), _NOTHING, _NOTHING, (), None, 0.0, None
)  # fmt: skip


def _curve_of(windows: Windows) -> LagCurve:
    within = windows.held & ~windows.silent
    sounding = within & windows.heard
    told = within & (windows.coherence >= LOOKS_ALIKE)
    parting_s = _parting(windows.time_s[sounding], windows.coherence[sounding])
    fitted = told & (windows.time_s < (np.inf if parting_s is None else parting_s))
    return LagCurve(
        windows.centre_hz,
        windows.window_s,
        windows.time_s,
        np.round(windows.coherence, 6),
        told,
        windows.lag_s[told],
        2 * windows.sigma_s[told],
        tuple("" if known else _why_not(windows, index) for index, known in enumerate(told)),
        parting_s,
        float(windows.time_s[sounding][-1]) if sounding.any() else 0.0,
        fit_lag(
            windows.time_s[fitted],
            windows.lag_s[fitted],
            windows.sigma_s[fitted],
            windows.coherence[fitted] >= SURELY,
            windows.window_s,
        ),
    )


def _why_not(windows: Windows, index: int) -> str:
    if not windows.held[index]:
        return "at the end of the record"
    if windows.silent[index]:
        return "silent"
    if not windows.heard[index]:
        return "no sound clear of the noise"
    return f"{windows.unlike} (coherence {windows.coherence[index]:.2f})"


def _parting(time_s: NDArray[Any], coherence: NDArray[Any]) -> float | None:
    """When coherence, as the median of five windows, first falls below what looks alike; None where it never does."""
    around = min(5, time_s.size)
    if around == 0:
        return None
    below = np.flatnonzero(np.median(sliding_window_view(coherence, around), axis=1) < LOOKS_ALIKE)
    if below.size == 0:
        return None
    return float(time_s[below[0] + around // 2]) if below[0] else 0.0


# Several renders


def _joined(pairs: list[Windows], own: list[Windows]) -> Windows:
    """Mean of paired renders; how the golden's own renders lag against each other joins the uncertainty."""

    def stacked(several: list[Windows], name: str) -> NDArray[Any]:
        return np.stack([getattr(windows, name) for windows in several])

    def everywhere(several: list[Windows], name: str) -> NDArray[Any]:
        return np.asarray(stacked(several, name).all(axis=0))

    read_s = np.sqrt(np.mean(stacked(pairs, "sigma_s") ** 2, axis=0) / len(pairs))
    return replace(
        pairs[0],
        lag_s=stacked(pairs, "lag_s").mean(axis=0),
        sigma_s=np.hypot(read_s, _spread(stacked(own, "lag_s"), len(pairs))),
        coherence=np.minimum(stacked(pairs, "coherence").mean(axis=0), stacked(own, "coherence").min(axis=0)),
        heard=everywhere(pairs, "heard"),
        held=everywhere([*pairs, *own], "held"),
        silent=np.asarray(stacked([*pairs, *own], "silent").any(axis=0)),
        unlike="renders differ among themselves or from the golden's",
    )


def _spread(apart: NDArray[Any], renders: int) -> NDArray[Any]:
    """Half an expanded uncertainty of the mean over renders, from differences of the golden's own, along axis 0.

    Such a difference has twice the variance of one render, as has a render of the candidate less one of the golden.
    """
    from scipy.stats import t

    return np.sqrt(np.mean(apart**2, axis=0) / renders) * float(t.ppf(0.975, len(apart))) / 2


def _widened(curve: LagCurve, own: list[LagCurve], renders: int) -> LagCurve:
    """The spread of offset and drift among the golden's own joins those of the curve: windows are not independent."""
    fits = [each.fit for each in own if each.fit is not None and each.fit.drift_ppm is not None]
    if curve.fit is None or curve.fit.drift_uncertainty_ppm is None or len(fits) < len(own):
        return replace(curve, fit=None)
    offset_s, drift_ppm = _spread(np.array([[fit.offset_s, fit.drift_ppm] for fit in fits], dtype=float), renders)
    wider = replace(
        curve.fit,
        offset_uncertainty_s=float(np.hypot(curve.fit.offset_uncertainty_s, 2 * offset_s)),
        drift_uncertainty_ppm=float(np.hypot(curve.fit.drift_uncertainty_ppm, 2 * drift_ppm)),
    )
    return replace(curve, fit=wider)
