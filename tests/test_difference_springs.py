"""Springs stepped through time on a grid (``difference_springs``), held against their dispersion relation.

Geometries and their f_C and T are the "geometry table" after S. Bilbao and J. Parker, IEEE TASLP 18(4) 2010, 799-808:
E in Pa, wire and coil radius in mm, turns. f_C·T = 3/(8π√5)·2π turns = 0.33541 turns is their low-wavenumber form
(derived); the relation itself has its maximum 0.4 % higher.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from difference_springs import HelicalSpring
from reverdict.measure.passes import Spring
from reverdict.measure.springs import ARRIVAL_HZ, find_springs

GEOMETRIES = {
    "148 turns": ((2.0e11, 0.175, 2.70, 148), 3244.5, 15.300e-3),
    "297 turns": ((2.32e11, 0.150, 2.15, 297), 4723.6, 21.089e-3),
    "352 turns": ((2.27e11, 0.150, 2.15, 352), 4672.5, 25.268e-3),
}
CELLS_PER_TURN = 10
RATE_HZ = 48000
GRID = 1e-3
"""Largest relative error of the grid itself."""

WITHIN = 5e-3
"""Largest relative error of what is measured."""

SECONDS = 0.4


def judged_hz(spring: HelicalSpring) -> NDArray[np.float64]:
    return np.arange(200.0, 0.85 * spring.transition_hz, 25.0)


def measured(spring: HelicalSpring, cells: int, rate_hz: int) -> Spring:
    sound = spring.response(cells, rate_hz, SECONDS)
    (found,) = find_springs(sound, rate_hz).springs
    return found


def low_delay_of(found: Spring) -> float:
    """T from what was measured: 1/τ² is a straight line over f² in a helical spring, read at 0 Hz."""
    hz, delay_s = found.curve.frequency_hz, found.curve.delay_s
    inside = (hz >= 300) & (hz <= 1500)
    return float(np.polyfit(hz[inside] ** 2, delay_s[inside] ** -2, 1)[1] ** -0.5)


def prove(name: str) -> None:
    geometry, transition_hz, low_delay_s = GEOMETRIES[name]
    spring = HelicalSpring.wound(*geometry)
    turns = geometry[3]
    cells = CELLS_PER_TURN * int(turns)
    hz = judged_hz(spring)
    grid = float(np.abs(spring.grid_delay_s(hz, cells, RATE_HZ) / spring.delay_s(hz) - 1).max())
    found = measured(spring, cells, RATE_HZ)
    arrival_s = float(spring.delay_s(np.array([ARRIVAL_HZ]))[0])
    arrivals = np.array([one.time_s / (one.trips * arrival_s) - 1 for one in found.passes])
    told = found.curve.frequency_hz
    inside = (told >= hz[0]) & (told <= hz[-1])
    curve = found.curve.delay_s[inside] / spring.delay_s(told[inside]) - 1
    corner_hz = found.transition.frequency_hz
    assert corner_hz is not None
    product = corner_hz * low_delay_of(found) / turns
    true_product = spring.transition_hz * spring.low_delay_s / turns
    print(
        f"\n{name}: grid {100 * grid:.3f} %, arrivals {', '.join(f'{100 * one:+.3f}' for one in arrivals)} %, "
        f"curve to {told[-1] / spring.transition_hz:.2f} f_C {100 * np.abs(curve).max():.3f} %, "
        f"f_C {100 * (corner_hz / spring.transition_hz - 1):+.3f} %, "
        f"f_C·T/turns {product:.5f}, by the relation {true_product:.5f} ({100 * (product / true_product - 1):+.3f} %)"
    )
    assert grid < GRID
    assert found.pass_law == "1:3:5"
    trips = [one.trips for one in found.passes]
    assert trips in ([1, 3, 5], [1, 3, 5, 7])
    assert {one.polarity for one in found.passes} == {1}  # free ends turn nothing over
    assert np.abs(arrivals).max() < WITHIN
    assert np.abs(curve).max() < WITHIN
    assert told[-1] > 0.8 * spring.transition_hz
    assert corner_hz == pytest.approx(spring.transition_hz, rel=WITHIN)
    assert product == pytest.approx(true_product, rel=WITHIN)
    # The geometry table is the low-wavenumber form of the same spring.
    assert spring.transition_hz == pytest.approx(transition_hz, rel=WITHIN)
    assert spring.low_delay_s == pytest.approx(low_delay_s, rel=1e-3)
    assert true_product == pytest.approx(0.33541, rel=WITHIN)


def test_the_shortest_spring_stepped_through_time() -> None:
    prove("148 turns")


@pytest.mark.slow
@pytest.mark.parametrize("name", GEOMETRIES)
def test_every_spring_stepped_through_time(name: str) -> None:
    prove(name)


def test_the_published_spring_has_the_published_delays() -> None:
    """K = 0.0246, q = 1905, γ = 1190: exact maximum 4783.5 Hz; delays over 21.339 ms (published spring)."""
    spring = HelicalSpring(0.0246, 1905, 1190)
    assert spring.transition_hz == pytest.approx(4783.5, abs=0.05)
    ratios = spring.delay_s(np.array([1000.0, 2000.0, 3000.0, 4000.0])) / 21.339e-3
    assert ratios == pytest.approx([1.0238, 1.1035, 1.2891, 1.8326], abs=2e-4 + 0.001)


def test_grids_twice_as_fine_err_a_sixteenth_as_much() -> None:
    spring = HelicalSpring.wound(*GEOMETRIES["148 turns"][0])
    hz = judged_hz(spring)
    exact = spring.delay_s(hz)
    errors = [
        float(np.abs(spring.grid_delay_s(hz, 148 * cells, rate_hz) / exact - 1).max())
        for cells, rate_hz in ((5, 24000), (10, 48000), (20, 96000))
    ]
    print(f"\ngrid of 148 turns, 5, 10, 20 cells a turn: {', '.join(f'{100 * one:.4f}' for one in errors)} %")
    assert errors[0] / errors[1] == pytest.approx(16, rel=0.3)
    assert errors[1] / errors[2] == pytest.approx(16, rel=0.3)


def test_a_finer_grid_sounds_as_its_relation_foretells() -> None:
    """What stepping adds is known: sounds of two grids are apart by as much as their relations are."""
    spring = HelicalSpring.wound(*GEOMETRIES["148 turns"][0])
    coarse, fine = (measured(spring, 148 * cells, RATE_HZ).curve for cells in (4, 10))
    hz = np.arange(300.0, 0.75 * spring.transition_hz, 25.0)
    read = np.interp(hz, coarse.frequency_hz, coarse.delay_s) - np.interp(hz, fine.frequency_hz, fine.delay_s)
    told = spring.grid_delay_s(hz, 148 * 4, RATE_HZ) - spring.grid_delay_s(hz, 148 * 10, RATE_HZ)
    assert np.abs(told).max() > 20e-6
    assert np.abs(read - told).max() < 7e-6
