"""A capture from the first quiet probe to the response: ramp, takes, faults told, deconvolution.

Takes in which the driver lost blocks are played again. Repeats are averaged and spoilt ones set aside, the clock is
read from their spacing or from the loopback, and division by the loopback takes latency and converters out
(``measure.deconvolution``). The response begins at the click, at exactly time zero where there is a loopback.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reverdict.capture.card import play_and_record
from reverdict.capture.plan import SILENCE_S
from reverdict.capture.ramp import find_level, judge_step
from reverdict.errors import BadInput
from reverdict.measure.deconvolution import LEAD_S, deconvolve
from reverdict.measure.stimulus import read_stimulus
from reverdict.measure.take import hear_clicks, ppm_of
from reverdict.measure.take_faults import find_clipping, find_hum

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from reverdict.capture.plan import Plan
    from reverdict.measure.clock import ClockOffset
    from reverdict.measure.stimulus import Stimulus

TRIES = 3
WIDEST_CLOCK = 500e-6
"""Two crystals differ by 100 ppm or so. Repeats that stand further off were not recorded in one piece."""


@dataclass(frozen=True)
class Captured:
    """A response, and how it came about.

    response : ndarray, shape (inputs, samples)
        To a click of full scale, from the click on.
    played, recording : ndarray, shapes (samples,) and (channels, samples)
    level_dbfs : of the stimulus.
    told : what to know of it, a line each.
    """

    response: NDArray[Any]
    played: NDArray[Any]
    recording: NDArray[Any]
    level_dbfs: float
    told: tuple[str, ...]


def capture(library: Any, plan: Plan, say: Callable[[str], None]) -> Captured:
    """Ramp up, play and record, and make a response of it.

    Parameters
    ----------
    library : module
        Of ``card.open_library``.
    say : callable
        Told what happens while it does.

    Raises
    ------
    BadInput
        Nothing is heard, it clips, blocks are lost again and again, or the device fails.
    """
    level_dbfs = find_level(library, plan, say)
    played = plan.take(level_dbfs)
    say(f"capturing at {level_dbfs:g} dBFS, {played.size / plan.rate_hz:.1f} s")
    recording = _whole_take(library, plan, played, level_dbfs, say)
    stimulus = read_stimulus(played, plan.rate_hz)
    assert stimulus is not None
    loopback = None if plan.route.loopback is None else len(plan.route.inputs)
    result = deconvolve(recording, stimulus, 0, loopback)
    _prove_in_step(result.clock)
    lead = round(LEAD_S * plan.rate_hz)
    response = result.samples[:, lead : lead + round(plan.seconds * plan.rate_hz)]
    told = [f"played at {level_dbfs:g} dBFS, {plan.repeats} of {plan.kind}"]
    told += _about_spoilt(result.spoilt, plan)
    told.append(_about_latency(recording, stimulus, plan, result.clock.to_correct))
    told.append(_about_clock(result.clock))
    told += _about_hum(recording, plan)
    told += [
        f"noise of input {channel} {noise_db:.0f} dB re the click"
        for channel, noise_db in zip(plan.route.inputs, result.noise_db, strict=True)
        if noise_db is not None
    ]
    return Captured(response, played, recording, level_dbfs, tuple(told))


def _whole_take(
    library: Any, plan: Plan, played: NDArray[Any], level_dbfs: float, say: Callable[[str], None]
) -> NDArray[Any]:
    """A take of which no block was lost, shape (channels, samples), that neither clips nor is silent."""
    for number in range(1, TRIES + 1):
        heard = play_and_record(library, plan.route, played, level_dbfs)
        if not heard.lost_blocks:
            break
        say(f"the driver lost sound in {heard.lost_blocks} blocks of take {number}")
    else:
        raise BadInput(
            "sound interface", f"lost sound in each of {TRIES} takes; close other programs, or lower the rate"
        )
    for channel, row in zip(plan.route.recorded, heard.samples, strict=True):
        if clipping := find_clipping(row):
            where = (
                f"input {channel} clips at {clipping.level_db:.1f} dBFS, first at {clipping.first / plan.rate_hz:.2f} s"
            )
            raise BadInput("capture", f"{where}; turn its gain down, or --level to {level_dbfs - 6:g}")
    if unheard := judge_step(heard.samples, plan, level_dbfs).unheard:
        raise BadInput("capture", f"nothing was heard on input {' and '.join(map(str, unheard))}: did a plug come out?")
    return heard.samples


def _prove_in_step(clock: ClockOffset) -> None:
    """Complain about repeats whose spacing no two clocks explain."""
    if clock.offset is None or clock.uncertainty is None:
        return
    if abs(clock.offset) > WIDEST_CLOCK or clock.uncertainty > WIDEST_CLOCK:
        apart = f"repeats are {1e6 * abs(clock.offset):.0f} ppm out of step (± {1e6 * clock.uncertainty:.0f})"
        raise BadInput("sound interface", f"{apart}: it lost sound without saying so; capture again")


def _about_spoilt(spoilt: tuple[int, ...], plan: Plan) -> list[str]:
    if not spoilt:
        return []
    return [f"unlike the others and set aside: repeat {', '.join(map(str, spoilt))} of {plan.repeats}"]


def _about_latency(recording: NDArray[Any], stimulus: Stimulus, plan: Plan, offset: float) -> str:
    """How late the loopback hears what was played, in the player's clock."""
    if plan.route.loopback is None:
        return "no loopback channel: the interface's latency is part of every time"
    lead = round(LEAD_S * plan.rate_hz)
    heard = hear_clicks(deconvolve(recording[-1:], stimulus, 0).samples[0], plan.rate_hz)
    if isinstance(heard, str):
        raise BadInput("capture", f"the loopback, input {plan.route.loopback}, {heard}: is its cable in?")
    # A clock that is off has gained on the other one since the recording began.
    late = heard.at - lead + offset * stimulus.starts[0]
    return f"latency of {1e3 * late / plan.rate_hz:.4f} ms ({late:.2f} samples) taken out by the loopback channel"


def _about_clock(clock: ClockOffset) -> str:
    if clock.offset is None or clock.uncertainty is None:
        return f"clock not known: {clock.why_not}"
    read = f"{ppm_of(clock.offset):+.2f} ± {1e6 * clock.uncertainty:.2f} ppm by {clock.read_from}"
    return f"recorder's clock {read}{', taken out' if clock.to_correct else ', nothing to take out'}"


def _about_hum(recording: NDArray[Any], plan: Plan) -> list[str]:
    """Mains in the silence before the stimulus."""
    told = []
    for channel, row in zip(plan.route.recorded, recording, strict=True):
        if hum := find_hum(row[: round(SILENCE_S * plan.rate_hz)], plan.rate_hz):
            told.append(f"hum of {hum.mains_hz:g} Hz on input {channel}, {hum.level_db:.0f} dBFS")
    return told
