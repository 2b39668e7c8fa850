"""Golden and candidate as they are compared: damped spectra on a band, and what the golden becomes when altered."""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

from reverdict.fit.model import TankModel, TripModel, highpass, log_section, log_steep, sounding, warped
from reverdict.measure.clock import scaled_spectrum

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from reverdict.diagnose.changes import Altered

CUT_DB = 80.0
REMEMBERED = 64


class View:
    """Two sounds, shapes (samples,), both from the click on, damped by e^(−αt).

    Parameters
    ----------
    alpha_per_s : float
    band_hz : (low, high), what is looked at
    model : TankModel or None
        Of the golden.
    noise_power : float
        |X|² a bin of the noise in their difference, for each sample of it.
    """

    def __init__(
        self,
        golden: NDArray[Any],
        candidate: NDArray[Any],
        rate_hz: float,
        alpha_per_s: float,
        band_hz: tuple[float, float],
        model: TankModel | None,
        noise_power: float,
    ) -> None:
        samples = min(int(CUT_DB / 20 * np.log(10) / alpha_per_s * rate_hz) + 1, golden.size, candidate.size)
        self.size = fft.next_fast_len(samples, real=True)
        hz = np.arange(self.size // 2 + 1) * rate_hz / self.size
        kept = np.flatnonzero((hz >= band_hz[0]) & (hz <= band_hz[1]))
        fading = np.exp(-alpha_per_s / rate_hz * np.arange(samples))
        spectra = fft.rfft(np.stack([golden[:samples], candidate[:samples]]) * fading, self.size)[:, kept]
        self.golden, self.candidate = spectra
        self.s = alpha_per_s + 2j * np.pi * hz[kept]
        self.rate_hz = rate_hz
        self.model = model
        self.noise = noise_power * float(np.sum(fading**2)) * kept.size
        self._first_bin = int(kept[0])
        self._sound = golden[:samples]
        self._remembered: OrderedDict[Any, NDArray[Any]] = OrderedDict()

    @property
    def deviation(self) -> float:
        """Energy that there is to explain."""
        return min(energy(self.candidate - self.golden), energy(self.candidate))

    def explained(self, left: float) -> float:
        """Share of the deviation that is explained where so much energy is left."""
        return float(np.clip(1 - max(left - self.noise, 0.0) / max(self.deviation - self.noise, 1e-300), -1.0, 1.0))

    def altered(self, changed: Altered) -> NDArray[Any]:
        """Spectrum of the golden after changes."""
        scale, slower = changed.time_scale, changed.slower_db_per_s
        whole = self.golden
        if scale != 1.0 or slower:
            whole = self._kept(("golden", scale, slower), lambda: self._golden_again(scale, slower))
        if self.model is not None and changed.tank is not None and changed.tank != self.model:
            before = self._kept(("model", scale), lambda: self._sounding(self.model, scale))
            whole = whole + self._sounding(changed.tank, scale) - before
        if changed.late_s:
            whole = whole * np.exp(-self.s * changed.late_s)
        return np.asarray(changed.gain * whole + changed.direct)

    def _kept(self, key: Any, make: Callable[[], NDArray[Any]]) -> NDArray[Any]:
        """What was made of late, not to be made again: most changes leave most of a tank as it was."""
        if key in self._remembered:
            self._remembered.move_to_end(key)
            return self._remembered[key]
        self._remembered[key] = make()
        if len(self._remembered) > REMEMBERED:
            self._remembered.popitem(last=False)
        return self._remembered[key]

    def _golden_again(self, scale: float, slower_db_per_s: float) -> NDArray[Any]:
        """The golden decaying slower, and with all its times ``scale`` times as long: scale·G(scale·s)."""
        alpha = scale * float(self.s[0].real) - slower_db_per_s * np.log(10) / 20
        fading = np.exp(-alpha / self.rate_hz * np.arange(self._sound.size))
        bins = slice(self._first_bin, self._first_bin + self.s.size)
        spectrum = scaled_spectrum(self._sound * fading, self.size, scale - 1)[bins]
        # Above half the rate there is nothing to be heard.
        return np.where(scale * self.s.imag > np.pi * self.rate_hz, 0.0, spectrum)

    def _sounding(self, tank: TankModel | None, scale: float) -> NDArray[Any]:
        assert tank is not None
        s = scale * self.s
        bent = self._kept(("bent", scale), lambda: warped(s, self.rate_hz))
        trips = np.array([self._trip(one, s, bent, scale) for one in tank.springs])
        shared = self._kept(
            ("high", tank.highpass_per_s, tank.highpass_per_s2, tank.latency_s, scale),
            lambda: highpass(tank, bent) * np.exp(-s * tank.latency_s) * scale,
        )
        return np.asarray(sounding(tank, trips) * shared)

    def _trip(self, one: TripModel, s: NDArray[Any], bent: NDArray[Any], scale: float) -> NDArray[Any]:
        """T of ``fit.model``, by parts that are remembered."""
        exponent: NDArray[Any] = -s * one.line_s
        for sections, a in one.chains:
            exponent = exponent + sections * self._section(a, one.transition_hz, s, scale)
        if one.edge_s:
            exponent = exponent + self._kept(("edge", one.edge_s, scale), lambda: log_steep(one.edge_s * bent))
        lowpass = (one.lowpass_s, one.lowpass_s2)
        losses = self._kept((lowpass, scale), lambda: 1 + one.lowpass_s * bent + one.lowpass_s2 * bent**2)
        return np.asarray(np.exp(exponent) / losses)

    def _section(self, a: float, transition_hz: float, s: NDArray[Any], scale: float) -> NDArray[Any]:
        return self._kept(("section", a, transition_hz, scale), lambda: log_section(a, s / (2 * transition_hz)))


def energy(spectrum: NDArray[Any]) -> float:
    """Sum of |X|² over all bins."""
    return float(np.sum(spectrum.real**2 + spectrum.imag**2))
