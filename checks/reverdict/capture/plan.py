"""What a capture plays and records, as data, and in words for a dry run.

A recording holds silence (for noise and hum), then every repeat: stimulus, the response's length, and room for the
interface's latency.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.sweep import make_sweep

if TYPE_CHECKING:
    from numpy.typing import NDArray

START_DBFS = -40.0
STEP_DB = 6.0
HIGHEST_DBFS = -1.0
"""What no stimulus exceeds, whatever is asked."""

SILENCE_S = 1.0
LATENCY_ROOM_S = 0.3
PROBE_SWEEP_S = 1.0
PROBE_TAIL_S = 0.6
F1_HZ, F2_HZ, HIGHEST_SHARE = 20.0, 20000.0, 0.48


@dataclass(frozen=True)
class Route:
    """Devices and channels. ``None`` is the system's default; channels count from 1.

    inputs : channels that hear the reverb, one per row of the response.
    loopback : channel that hears the stimulus itself, or None.
    """

    input_device: int | str | None = None
    output_device: int | str | None = None
    rate_hz: int = 48000
    inputs: tuple[int, ...] = (1,)
    output: int = 1
    loopback: int | None = None

    @property
    def recorded(self) -> tuple[int, ...]:
        """Channels in the order of the rows that are recorded; the loopback is the last."""
        return self.inputs if self.loopback is None else (*self.inputs, self.loopback)


@dataclass(frozen=True)
class Plan:
    """What is played.

    kind : "click" or "sweep"
    seconds : length of the response.
    level_dbfs : the most that is played.
    """

    route: Route
    kind: str = "sweep"
    seconds: float = 3.0
    sweep_s: float = 5.0
    repeats: int = 4
    level_dbfs: float = -12.0

    @property
    def rate_hz(self) -> int:
        return self.route.rate_hz

    def levels_dbfs(self) -> tuple[float, ...]:
        """The ramp, rising, up to the level that is allowed."""
        steps = np.arange(START_DBFS, self.level_dbfs, STEP_DB)
        return (*(float(one) for one in steps), self.level_dbfs)

    def stimulus(self, level_dbfs: float, sweep_s: float | None = None) -> NDArray[Any]:
        """One repeat of the stimulus by itself, shape (samples,), peak at a level."""
        amplitude = 10 ** (level_dbfs / 20)
        if self.kind == "click":
            return np.array([amplitude])
        top_hz = min(F2_HZ, HIGHEST_SHARE * self.rate_hz)
        return make_sweep(F1_HZ, top_hz, sweep_s or self.sweep_s, self.rate_hz, amplitude=amplitude).samples()

    def take(self, level_dbfs: float) -> NDArray[Any]:
        """All that one take plays, shape (samples,)."""
        return self._sequence(self.stimulus(level_dbfs), self.seconds, self.repeats)

    def probe(self, level_dbfs: float) -> NDArray[Any]:
        """What one step of the ramp plays: a short stimulus, once."""
        return self._sequence(self.stimulus(level_dbfs, PROBE_SWEEP_S), min(self.seconds, PROBE_TAIL_S), 1)

    def longest_s(self) -> float:
        """How long all of it plays at most: the whole ramp, and one take."""
        probes = len(self.levels_dbfs()) * self.probe(START_DBFS).size
        return (probes + self.take(START_DBFS).size) / self.rate_hz

    def _sequence(self, stimulus: NDArray[Any], tail_s: float, repeats: int) -> NDArray[Any]:
        silence = np.zeros(round(SILENCE_S * self.rate_hz))
        after = np.zeros(round((tail_s + LATENCY_ROOM_S) * self.rate_hz))
        return np.concatenate([silence, *[stimulus, after] * repeats])

    def told(self, devices: str) -> list[str]:
        """What would be done, in words, a line each."""
        route, levels = self.route, self.levels_dbfs()
        probe_s = self.probe(START_DBFS).size / self.rate_hz
        take_s = self.take(START_DBFS).size / self.rate_hz
        what = "clicks of one sample" if self.kind == "click" else f"sweeps of {self.sweep_s:g} s"
        heard = " and ".join(str(channel) for channel in route.inputs)
        loop = f"loopback on input {route.loopback}" if route.loopback else "no loopback: latency stays in every time"
        several = what if self.repeats > 1 else what.replace("s of", " of", 1)
        steps = "1 step" if len(levels) == 1 else f"{len(levels)} steps"
        ramp = f"ramp from {levels[0]:g} to at most {levels[-1]:g} dBFS in {steps} of {probe_s:.1f} s"
        return [
            f"Devices: {devices}, {route.rate_hz} Hz.",
            f"Channels: plays on output {route.output}, records input {heard}; {loop}.",
            f"Level: {ramp}; it ends early where there is signal enough or clipping is near; nothing louder is played.",
            f"Then {self.repeats} {several}, {take_s:.1f} s besides the ramp; response of {self.seconds:g} s.",
        ]
