"""How far the clocks of player and recorder differ, and taking the difference out.

What can be known
    A player whose clock is fast by δ is recorded as y(t(1 + δ)). Deconvolved by the sweep as it was meant, that adds
    the group delay −δ(t(f) + L) = −δ L (1 + ln(f/f1)) to everything: it looks like dispersion. One sweep through a
    spring therefore cannot tell the spring's dispersion from the clocks'. It can be told from
    - repeats: their spacing is known in the player's clock, whatever stands between (as long as it stays the same);
    - a loopback channel: its response is known to have no dispersion, so that what it shows is δ.
    Otherwise it is not known, which does no harm where one interface plays and records.
Conventions
    ``offset`` is δ, a fraction: positive where the player is fast. Corrected times are in the player's clock; which of
    the two clocks is nearer to true seconds, neither can tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.measure.sweep import Sweep

NEGLIGIBLE = 1e-9
LOWEST_HZ = 100.0
HIGHEST_SHARE = 0.35
"""Of the sample rate: above, converters' filters have group delays of their own."""
FEWEST_BANDS = 9


@dataclass(frozen=True)
class ClockOffset:
    """δ as a fraction and its expanded uncertainty, and what it was read from; None and why where nothing tells it."""

    offset: float | None
    uncertainty: float | None = None
    read_from: str = ""
    why_not: str = ""

    @property
    def to_correct(self) -> float:
        """δ where it is larger than its uncertainty and not negligible, else 0: resampling would gain nothing."""
        if self.offset is None or self.uncertainty is None or abs(self.offset) < max(self.uncertainty, NEGLIGIBLE):
            return 0.0
        return self.offset


def from_repeats(starts: Sequence[float], lags: Sequence[float], sigmas: Sequence[float]) -> ClockOffset:
    """Clock offset by the spacing of repeats, least squares.

    Parameters
    ----------
    starts : in samples, as played.
    lags, sigmas : in samples
        How much later than played each was recorded, less the first's (so the first of each is 0).
    """
    if len(starts) < 2:
        return ClockOffset(None, why_not="one repeat has no spacing")
    played, late = np.asarray(starts, dtype=float), np.asarray(lags, dtype=float)
    away = played - played.mean()
    slope = float(away @ late) / float(away @ away)
    sigma = float(np.sqrt(np.sum((away * np.asarray(sigmas)) ** 2))) / float(away @ away)
    freedom = played.size - 2
    uncertainty = 2 * sigma
    if freedom:
        left = late - late.mean() - slope * away
        uncertainty = float(np.hypot(uncertainty, t95(freedom) * np.sqrt(left @ left / freedom / (away @ away))))
    return ClockOffset(-slope / (1 + slope), uncertainty, "the spacing of the repeats")


def t95(freedom: int) -> float:
    """Student's t that holds 95 % (JCGM 100:2008, Table G.2)."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.975))


def from_dispersion(response: NDArray[Any], first: int, rate_hz: float, sweep: Sweep, read_from: str) -> ClockOffset:
    """Clock offset by the group delay of a response that is known to have none that varies.

    Energy-weighted group delay Re(M H*)/|H|², M the transform of t·h, per third-octave; a straight line over ln f
    beside what converters do at either end. The scatter about it is the uncertainty.

    Parameters
    ----------
    response : ndarray, shape (samples,)
        Cut free; sample ``first`` is time zero.
    """
    size = fft.next_fast_len(2 * response.size, real=True)
    time_s = (np.arange(response.size) - first) / rate_hz
    spectrum, moment = fft.rfft(response, size), fft.rfft(response * time_s, size)
    low_hz = max(LOWEST_HZ, 1.3 * sweep.flat_hz[0], 4 * rate_hz / response.size)
    high_hz = min(HIGHEST_SHARE * rate_hz, sweep.flat_hz[1] / 1.1)
    bands = int(3 * np.log2(max(high_hz / low_hz, 1.0)))
    if bands < FEWEST_BANDS:
        return ClockOffset(None, why_not=f"{read_from}: too narrow a band to tell a slope")
    edges_hz = np.geomspace(low_hz, high_hz, bands + 1)
    edges = np.round(edges_hz * size / rate_hz).astype(int)
    energy = np.add.reduceat(np.abs(spectrum) ** 2, edges)[:-1]
    delays_s = np.add.reduceat((moment * np.conj(spectrum)).real, edges)[:-1] / np.maximum(energy, 1e-300)
    centres_hz = np.sqrt(edges_hz[1:] * edges_hz[:-1])
    # A DC block adds a group delay of nearly b/f², a filter below half the rate one of nearly c·f².
    terms = [np.ones(bands), np.log(centres_hz / sweep.f1_hz), (low_hz / centres_hz) ** 2, (centres_hz / high_hz) ** 2]
    weights = centres_hz / high_hz  # the wider the band, the better its delay is known
    columns = np.stack(terms, axis=1) * weights[:, np.newaxis]
    line, *_ = np.linalg.lstsq(columns, delays_s * weights, rcond=None)
    freedom = bands - len(terms)
    left = delays_s * weights - columns @ line
    sigma = float(np.sqrt(left @ left / freedom * np.linalg.inv(columns.T @ columns)[1, 1]))
    growth_s = sweep.growth_s
    return ClockOffset(float(-line[1] / growth_s), t95(freedom) * sigma / growth_s, read_from)


def scaled_spectrum(samples: NDArray[Any], size: int, offset: float, begin: float = 0.0) -> NDArray[Any]:
    """Spectrum of a recording brought to the player's clock: the recording's own at frequencies (1 + δ) times higher.

    That is band-limited resampling in one step: Y(f) = (1 + δ) Σ y[n] e^{−j2πf(1+δ)n}, by the chirp-z transform.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
    size : int
        Of the transform; ``size // 2 + 1`` bins are returned.
    begin : float
        Samples into the recording at which time is zero.
    """
    bins = size // 2 + 1
    if offset == 0.0:
        spectrum = fft.rfft(samples, size)
    else:
        from scipy.signal import zoom_fft

        spectrum = (1 + offset) * zoom_fft(samples, (0.0, (1 + offset) * bins), bins, fs=size)
    return spectrum if begin == 0.0 else spectrum * turn(bins, size, (1 + offset) * begin)


def turn(bins: int, size: int, samples: float) -> NDArray[Any]:
    """e^{+j2πf·samples}: what multiplies a spectrum to bring it forward in time."""
    return np.exp(2j * np.pi * samples / size * np.arange(bins))
