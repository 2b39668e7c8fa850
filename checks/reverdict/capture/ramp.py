"""From a low level up: what each step of the ramp heard, and at which level to go on.

A step plays a short stimulus. The ramp ends where the recording's loudest 10 ms stand ``ENOUGH_DB`` above the loudest
of the silence before, where its peak comes within a step of full scale, or at the level that is allowed. A step that
clips is one too many: the one before it counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.capture.card import play_and_record
from reverdict.capture.plan import SILENCE_S, STEP_DB
from reverdict.errors import BadInput
from reverdict.measure.take_faults import find_clipping, level_db, loudest_db

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from reverdict.capture.plan import Plan

ENOUGH_DB = 60.0
HEARD_DB = 10.0
ROOM_DB = 1.0
"""Between the loudest peak and full scale, beside the step that would come next."""


@dataclass(frozen=True)
class Step:
    """What one level gave. ``clips`` says of which channels; ``unheard`` are channels in which nothing stood out."""

    level_dbfs: float
    peak_db: float
    above_noise_db: float
    clips: tuple[int, ...]
    unheard: tuple[int, ...]


def find_level(library: Any, plan: Plan, say: Callable[[str], None]) -> float:
    """Climb, and give the level to capture at.

    Raises
    ------
    BadInput
        It clips at the lowest level, or a channel hears nothing at the highest.
    """
    last: Step | None = None
    for level_dbfs in plan.levels_dbfs():
        # Never above this step, whatever the stimulus does.
        heard = play_and_record(library, plan.route, plan.probe(level_dbfs), level_dbfs)
        step = judge_step(heard.samples, plan, level_dbfs)
        say(f"{level_dbfs:g} dBFS: peak {step.peak_db:.1f} dBFS, {max(step.above_noise_db, 0.0):.0f} dB above noise")
        if step.clips:
            where = f"input {' and '.join(map(str, step.clips))} clips at {level_dbfs:g} dBFS"
            if last is None:
                raise BadInput("capture", f"{where}, the lowest level; turn the input's gain down")
            say(f"{where}; going back to {last.level_dbfs:g} dBFS")
            return _heard(last, plan)
        if not step.unheard and (step.above_noise_db >= ENOUGH_DB or step.peak_db > -STEP_DB - ROOM_DB):
            return level_dbfs
        last = step
        if step.peak_db > -STEP_DB - ROOM_DB:
            break
    assert last is not None
    return _heard(last, plan)


def _heard(step: Step, plan: Plan) -> float:
    """The level of a step in which every channel heard something."""
    silent = [channel for channel in step.unheard if channel != plan.route.loopback]
    if silent:
        where = f"input {' and '.join(map(str, silent))}"
        raise BadInput("capture", f"nothing was heard on {where} up to {step.level_dbfs:g} dBFS: is the input right?")
    if step.unheard:
        raise BadInput("capture", f"nothing was heard on the loopback, input {plan.route.loopback}: is its cable in?")
    return step.level_dbfs


def judge_step(recording: NDArray[Any], plan: Plan, level_dbfs: float) -> Step:
    """What a recording of a probe, shape (channels, samples), says of its level."""
    begin = round(SILENCE_S * plan.rate_hz)
    centred = recording - np.median(recording, axis=1, keepdims=True)
    above = [
        loudest_db(row[begin:], plan.rate_hz) - loudest_db(row[:begin], plan.rate_hz) if row.any() else 0.0
        for row in centred
    ]
    channels = plan.route.recorded
    return Step(
        level_dbfs,
        level_db(float(np.abs(recording).max())),
        min(above[: len(plan.route.inputs)]),
        tuple(channel for channel, row in zip(channels, recording, strict=True) if find_clipping(row)),
        tuple(channel for channel, over_db in zip(channels, above, strict=True) if over_db < HEARD_DB),
    )
