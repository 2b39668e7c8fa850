"""A helical spring stepped through time on a grid: finite differences, no delay line and no sum of passes.

The reduced thin-spring equations (S. Bilbao and J. Parker, IEEE TASLP 18(4) 2010) of the transverse displacement u and
the longitudinal ζ, over a wire of length 1,

    u_tt = −K² (∂² + q²)² u + q γ² (ζ_x − q u),    ζ_tt = γ² ∂ (ζ_x − q u),

have the dispersion relation (ω² − K²(β² − q²)² − q²γ²)(ω² − γ²β²) = q²γ⁴β². Here ζ lives in the middle of cells and
u on their faces; ∂ is the fourth-order staggered difference (1, −27, 27, −1)/24h, mirrored at both ends (ζ even, u odd:
free ends). Time goes in steps of the fourth-order Padé approximant of the exponential, stable for any step:

    w(t + Δ) + w(t − Δ) = 2 w(t) − z Q(z)⁻¹ w(t),    z = Δ² S,    Q = 1 + z/12 + z²/144,    w = (u, ζ), w_tt = −S w.

So a wave of wavenumber β travels on the grid as one of β̂ = (27 sin(βh/2) − sin(3βh/2))/12h does in the wire, and its
ω as told by the relation comes out as cos(ω̂Δ) = 1 − z/2Q with z = (ωΔ)²: the error of the grid is known beforehand.

Drive and pickup hold ζ at the two ends over half a turn (a Gaussian of standard deviation 3/q). So waves of one turn's
length and less, which travel faster at the same frequencies, are hardly driven; a spring that is driven at a point
sounds with them as well. The click is a force, what is heard a velocity, and the loss is the same at all frequencies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

LOSS_PER_S = 1.65
SPREAD = 3.0


@dataclass(frozen=True)
class HelicalSpring:
    """K in 1/s, q in radians of helix from end to end, γ in wire lengths per second."""

    stiffness: float
    turning: float
    wave_speed: float

    @classmethod
    def wound(cls, youngs_pa: float, wire_radius_mm: float, coil_radius_mm: float, turns: float) -> HelicalSpring:
        """K = (r/2L²)√(E/ρ), q = L/R, γ = (1/L)√(E/ρ), ρ = 7800 kg/m³."""
        length_m = 2 * np.pi * 1e-3 * coil_radius_mm * turns
        speed = np.sqrt(youngs_pa / 7800)
        return cls(1e-3 * wire_radius_mm / (2 * length_m**2) * speed, 2 * np.pi * turns, speed / length_m)

    def omega(self, wavenumber: NDArray[np.float64]) -> NDArray[np.float64]:
        """The lower root of the dispersion relation in rad/s."""
        detuning = self.stiffness * (wavenumber**2 - self.turning**2)
        half = (detuning**2 + (self.turning * self.wave_speed) ** 2 + (self.wave_speed * wavenumber) ** 2) / 2
        product = (detuning * self.wave_speed * wavenumber) ** 2
        return np.sqrt(product / (half + np.sqrt(half**2 - product)))

    @property
    def transition_hz(self) -> float:
        """Highest frequency of the rising branch."""
        return float(self.omega(self._rising()).max()) / (2 * np.pi)

    @property
    def low_delay_s(self) -> float:
        """One trip at 0 Hz, T = 1/(Kq) but for the wire's own slowness."""
        small = np.array([1e-3])
        return float(small[0] / self.omega(small)[0])

    def delay_s(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Group delay dβ/dω of one trip, from the relation."""
        return self._delay(frequency_hz, self._rising(), self.omega(self._rising()))

    def grid_delay_s(self, frequency_hz: NDArray[np.float64], cells: int, rate_hz: float) -> NDArray[np.float64]:
        """The same as it is on the grid."""
        beta, h = self._rising(), 1 / cells
        seen = (27 * np.sin(beta * h / 2) - np.sin(3 * beta * h / 2)) / (12 * h)
        z = (self.omega(seen) / rate_hz) ** 2
        return self._delay(frequency_hz, beta, rate_hz * np.arccos(1 - z / 2 / (1 + z / 12 + z**2 / 144)))

    def _rising(self) -> NDArray[np.float64]:
        beta = np.linspace(0, 0.6 * self.turning, 200001)
        return beta[: int(np.argmax(self.omega(beta))) + 1]

    @staticmethod
    def _delay(
        frequency_hz: NDArray[np.float64], beta: NDArray[np.float64], omega: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        rises = np.concatenate([np.diff(omega) > 0, [False]])
        middle = ((omega[:-1] + omega[1:]) / 2)[rises[:-1]]
        slope = (np.diff(beta) / np.diff(omega))[rises[:-1]]
        return np.interp(2 * np.pi * frequency_hz, middle, slope)

    def response(self, cells: int, rate_hz: int, seconds: float) -> NDArray[np.float64]:
        """Velocity at the far end after a click of force at the near end at t = 0, peak 1, shape (samples,)."""
        from scipy.sparse import identity
        from scipy.sparse.linalg import splu

        root = np.exp(2j * np.pi / 3)  # Q = (z/12 − r)(z/12 − r*), hence Q⁻¹ = Im (z/12 − r)⁻¹ / Im r
        step = self._stiffness(cells) / rate_hz**2
        inverse = splu((step / 12 - root * identity(step.shape[0])).tocsc(), permc_spec="NATURAL")
        force = self._held_at_the_end(cells)
        pickup = self._held_at_the_end(cells)[::-1]
        before, now = -force, np.zeros(force.size)
        sound = np.empty(round(seconds * rate_hz))
        for sample in range(sound.size):
            after = 2 * now - before - step @ (inverse.solve(now.astype(complex)).imag / root.imag)
            sound[sample] = pickup @ (after - before)
            before, now = now, after
        sound *= np.exp(-LOSS_PER_S * np.arange(sound.size) / rate_hz)
        return sound / np.abs(sound).max()

    def _stiffness(self, cells: int) -> csr_matrix:
        """S in w_tt = −S w, w = ζ, u, ζ, u, …, ζ: interleaved, so that it is banded."""
        from scipy.sparse import bmat, diags, identity

        slope = diags([1.0, -27.0, 27.0, -1.0], [-1, 0, 1, 2], shape=(cells - 1, cells)).tolil()
        slope[0, 0] += 1.0  # mirrored: what lies one cell beyond the end is the first cell again
        slope[-1, -1] -= 1.0
        slope = (slope * cells / 24).tocsr()
        bent = self.turning**2 * identity(cells - 1) - slope @ slope.T
        q, speed2 = self.turning, self.wave_speed**2
        whole = bmat(
            [
                [speed2 * slope.T @ slope, -q * speed2 * slope.T],
                [-q * speed2 * slope, self.stiffness**2 * bent @ bent + q**2 * speed2 * identity(cells - 1)],
            ]
        ).tocsr()
        order = np.argsort(np.concatenate([np.arange(cells), np.arange(cells - 1) + 0.5]))
        return whole[order][:, order].tocsr()

    def _held_at_the_end(self, cells: int) -> NDArray[np.float64]:
        """Shares of ζ (and none of u) under a Gaussian at the near end; without the mode in which all move as one."""
        place = (np.arange(cells) + 0.5) / cells
        share = np.exp(-0.5 * (place * self.turning / SPREAD) ** 2)
        both = np.zeros(2 * cells - 1)
        both[::2] = share / share.sum() - 1 / cells
        return both
