"""A candidate's decay beside the golden's, so that what neither record holds cannot come between them.

Method
    Both energy decay curves are integrated again over the stretch that both know, from the end backwards. What comes
    after that stretch is the golden's for both, for the candidate in proportion to what it has of the golden's last
    10 dB within the stretch: two fits of what a record does not hold would differ for no reason. Decay times are read
    twice, from lines over the golden's stretch of time and over its range of levels; the one nearer to the golden's
    counts. A decay that is another shows in both. But a curve that falls in steps, as with echoes, crosses −10 dB at
    another step for the slightest shift, and one that is shifted has another slope in the same stretch of time.
Uncertainty
    From the noise of both (k = 2), as far as it is not the same noise: in power by ``unlike``, what the two differ by
    over what there is of both at the end of the record. A response beside itself differs by exactly nothing.
Validity
    Both of one sample rate and band, each from its click.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.decay_times import FITS, SLOPE_OF_ENDS
from reverdict.measure.truncation import straight_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.measure.decay import BandDecay

LAST_DB = 10.0
MOST_LACKING_DB = 5.0
"""A fit may end so much higher than the golden's own, for both, where the candidate is not known any further."""

LOWEST_DB = -150.0
"""Below lies rounding."""
FLOOR = 1e-30


@dataclass(frozen=True)
class TimeBeside:
    """A decay time of the candidate and the expanded uncertainty of its difference from the golden's, or why not."""

    seconds: float | None
    uncertainty_s: float | None = None
    why_not: str = ""


@dataclass(frozen=True)
class DecayBeside:
    """One band of a candidate beside the golden's.

    level_db : float or None
        By how much the candidate is louder, over what both know; None where one of them is silent.
    time_s, golden_db, candidate_db, uncertainty_db, own_db : ndarray, shape (points,)
        Decay curves from the click on, both from 0 dB; expanded uncertainty of their difference, and what that of two
        goldens would be.
    end_s : when what both know ends.
    times : of the golden's decay times that it has, the candidate's.
    """

    level_db: float | None
    level_uncertainty_db: float
    time_s: NDArray[Any]
    golden_db: NDArray[Any]
    candidate_db: NDArray[Any]
    uncertainty_db: NDArray[Any]
    own_db: NDArray[Any]
    end_s: float
    times: dict[str, TimeBeside]


def unlike_at_end(golden: NDArray[Any], candidate: NDArray[Any]) -> float:
    """Power of what two responses, shapes (samples,), differ by in the last tenth, over that of both; at most 1."""
    count = min(golden.size, candidate.size)
    one, other = golden[count - count // 10 : count], candidate[count - count // 10 : count]
    both = float(np.sum(one**2) + np.sum(other**2))
    return min(float(np.sum((other - one) ** 2)) / both, 1.0) if both else 0.0


def decay_beside(golden: BandDecay, candidate: BandDecay, unlike: float = 1.0) -> DecayBeside:
    """Hold one band of a candidate against the golden's; ``unlike`` is of the two responses (``unlike_at_end``)."""
    count = min(int(np.count_nonzero(golden.curve_db > LOWEST_DB)), candidate.curve_s.size)
    if count < 2:
        both = golden.level_db is not None and candidate.level_db is not None
        level_db = (candidate.level_db or 0.0) - (golden.level_db or 0.0) if both else None
        empty = np.zeros(0)
        why = next((time.why_not for time in candidate.times.values() if time.why_not), "no decay")
        times = {name: TimeBeside(None, why_not=why) for name, time in golden.times.items() if time.seconds}
        return DecayBeside(level_db, np.inf if both else 0.0, empty, empty, empty, empty, empty, 0.0, times)
    left, other = _left(golden)[:count], _left(candidate)[:count]
    after = float(left[-1])
    # One step at least: a curve that falls by all of this from one point to the next has nothing in between.
    last = min(int(np.searchsorted(-left, -after * 10 ** (LAST_DB / 10))), count - 2)
    part, other_part = float(left[last] - left[-1]), float(other[last] - other[-1])
    share = other_part / part if part > 0 else 1.0
    one, two = (left - left[-1]) + after, (other - other[-1]) + after * share
    sigma, other_sigma = (_sigma(band, energy) for band, energy in ((golden, one), (candidate, two)))
    own_db = 2 * np.sqrt(2) * 4.343 * sigma / np.maximum(one, FLOOR)
    sigma, other_sigma = np.sqrt(unlike) * sigma, np.sqrt(unlike) * other_sigma
    # What is told of the end is no better known than the stretch that it was told from.
    unsure = after * np.hypot(sigma[last] / max(part, FLOOR), share * other_sigma[last] / max(part, FLOOR))
    one_db, two_db = (10 * np.log10(np.maximum(left, FLOOR)) for left in (one, two))
    one_db, two_db = (np.maximum(level_db, level_db[0] + LOWEST_DB) for level_db in (one_db, two_db))
    sigma_db = 4.343 * sigma / np.maximum(one, FLOOR)
    other_sigma_db = 4.343 * np.hypot(other_sigma, unsure) / np.maximum(two, FLOOR)
    begin = int(np.searchsorted(golden.curve_s, 0.0))
    times = {
        name: _time(golden, candidate, name, one_db, two_db, sigma_db, other_sigma_db)
        for name, time in golden.times.items()
        if time.seconds is not None
    }
    return DecayBeside(
        float(two_db[0] - one_db[0]),
        2 * float(np.hypot(sigma_db[0], other_sigma_db[0])),
        golden.curve_s[begin:count],
        (one_db - one_db[0])[begin:],
        (two_db - two_db[0])[begin:],
        2 * np.hypot(sigma_db, other_sigma_db)[begin:],
        own_db[begin:],
        float(golden.curve_s[count - 1]),
        times,
    )


def _left(band: BandDecay) -> NDArray[Any]:
    """Energy from each point of the curve on."""
    return np.asarray(10 ** ((band.curve_db + (band.level_db or 0.0)) / 10))


def _sigma(band: BandDecay, left: NDArray[Any]) -> NDArray[Any]:
    """Standard deviation of the energy that is left within the stretch, from noise; see ``decay._sigma_db``."""
    noise = band.noise
    blocks = np.arange(left.size)[::-1]
    variance = (2 * noise.energy * np.maximum(left, 0.0) + noise.energy**2 * blocks) / noise.freedom
    return np.sqrt(variance + (noise.sigma * blocks) ** 2)


def _time(
    golden: BandDecay, candidate: BandDecay, name: str, one_db: NDArray[Any], two_db: NDArray[Any],
    sigma_db: NDArray[Any], other_sigma_db: NDArray[Any],
) -> TimeBeside:  # fmt: skip
    own = golden.times[name]
    assert own.seconds is not None
    begin, end = own.fitted
    low_db, high_db, _ = FITS[name]
    known = min(end, one_db.size - 2)
    lacking_db = float(golden.curve_db[known] - golden.curve_db[end])
    if known <= begin + 2 or lacking_db > MOST_LACKING_DB:
        why = candidate.times[name].why_not or f"its decay is known up to {candidate.curve_s[-1]:.2f} s only"
        return TimeBeside(None, why_not=why)
    end, high_db = known, high_db + lacking_db
    slope = _slope(golden.curve_s, one_db, begin, end)
    first = two_db.size - 1 - int(np.argmax(two_db[::-1] >= two_db[0] + min(low_db, -0.05)))
    after = int(np.argmax(two_db <= two_db[0] + high_db))
    stretches = [(begin, end)] + ([(first, after)] if after > first + 2 else [])
    slopes = [_slope(golden.curve_s, two_db, *stretch) for stretch in stretches]
    falling = [one for one in slopes if one < 0]
    if not falling:
        return TimeBeside(None, why_not="does not decay where the golden does")
    other_slope = min(falling, key=lambda one: abs(slope / one - 1))
    relative = (
        SLOPE_OF_ENDS
        / max(float(one_db[begin] - one_db[end]), FLOOR)
        * np.linalg.norm([sigma_db[begin], sigma_db[end], other_sigma_db[begin], other_sigma_db[end]])
    )
    return TimeBeside(own.seconds * (slope / other_slope), float(2 * own.seconds * relative))


def _slope(time_s: NDArray[Any], level_db: NDArray[Any], begin: int, end: int) -> float:
    return straight_line(time_s[begin : end + 1], level_db[begin : end + 1])[0]
