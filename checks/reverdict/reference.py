"""What a reference asks of a build, as data: read from TOML by ``schema``, judged against by ``check``.

Every length of time, level or share carries its unit in its name. Nothing here reads a file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple, overload

import numpy as np

from reverdict.words import CHECKS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.own_checks import OwnCheck


@dataclass(frozen=True)
class FrequencyTolerance:
    """A tolerance that may vary with frequency.

    points : tuple of (Hz, value)
        Rising in frequency, at least one. One point is a constant.
    """

    points: tuple[tuple[float, float], ...]

    @classmethod
    def constant(cls, value: float) -> FrequencyTolerance:
        return cls(((1000.0, value),))

    @overload
    def at(self, hz: float) -> float: ...
    @overload
    def at(self, hz: NDArray[Any]) -> NDArray[np.float64]: ...
    def at(self, hz: float | NDArray[Any]) -> float | NDArray[np.float64]:
        """Value at a frequency, interpolated on log frequency and constant outside the points.

        Parameters
        ----------
        hz : float or ndarray of any shape
        """
        corners = [corner for corner, _ in self.points]
        within = np.clip(np.asarray(hz, dtype=np.float64), corners[0], corners[-1])
        value = np.interp(np.log(within), np.log(corners), [value for _, value in self.points])
        return np.asarray(value, dtype=np.float64) if np.ndim(hz) else float(value)

    def __str__(self) -> str:
        said = ["any" if math.isinf(value) else f"{value:g}" for _, value in self.points]
        if len(said) == 1:
            return said[0]
        return ", ".join(f"{value} at {hz:g} Hz" for value, (hz, _) in zip(said, self.points, strict=True))


class Limits(NamedTuple):
    """How far a quantity may lie below and above the golden's, 0 or more each; infinity is any."""

    below: float
    above: float

    def times(self, factor: float) -> Limits:
        """The same in another unit: percent of a golden of 2 s are ``times(0.02)`` seconds."""
        return Limits(self.below * factor, self.above * factor)

    def or_wider(self, other: Limits | None) -> Limits:
        """Of a relative and an absolute limit the wider one, each way."""
        return self if other is None else Limits(max(self.below, other.below), max(self.above, other.above))


@dataclass(frozen=True)
class Tolerance:
    """How far a quantity may depart from the golden's, each way, perhaps varying with frequency."""

    below: FrequencyTolerance
    above: FrequencyTolerance

    @classmethod
    def both_ways(cls, tolerance: float | FrequencyTolerance) -> Tolerance:
        one = tolerance if isinstance(tolerance, FrequencyTolerance) else FrequencyTolerance.constant(tolerance)
        return cls(one, one)

    def at(self, hz: float = 1000.0) -> Limits:
        """The limits at a frequency."""
        return Limits(self.below.at(hz), self.above.at(hz))

    def __str__(self) -> str:
        if self.below == self.above:
            return str(self.below)
        return f"{self.above} above, {self.below} below"


NONE_AT_ALL = Tolerance.both_ways(0.0)


@dataclass(frozen=True, kw_only=True)
class CheckSettings:
    """What every check table may say.

    not_asked : str
        Why this check is not put to this reference; empty where it is asked. A tolerance that nobody wrote down for a
        check that is not asked is 0, the strictest there is, so that a slip closes the gate.
    accept_unsure : str
        Why an unsure of this check may pass the gate; empty where it may not.
    """

    not_asked: str = ""
    accept_unsure: str = ""


@dataclass(frozen=True, kw_only=True)
class EchoTiming(CheckSettings):
    """When the echoes arrive. ``springs`` is 0 where there are no separate passes; then onset and tail are judged.

    pass_law : str
        "1:3:5" (pickup at the far end), "1:2:3" (tap before the delay line) or "none".
    passes : int
        Passes judged per spring.
    arrival_hz : float
        Frequency at which a dispersed pass is said to arrive.
    arrival_percent : Tolerance or None
        Of the time since the click; where ``arrival_ms`` is narrower, this holds.
    latency_ms : Tolerance or None
        How much later all may come together, which is then no lateness of a pass. None: latency counts as late.
    tail_lag_ms : Tolerance or None
        How far the tail may lag, all along. None: it is not judged.
    """

    springs: int = 0
    pass_law: str = "none"
    passes: int = 0
    arrival_hz: float = 500.0
    arrival_ms: Tolerance = NONE_AT_ALL
    arrival_percent: Tolerance | None = None
    onset_ms: Tolerance = NONE_AT_ALL
    latency_ms: Tolerance | None = None
    tail_lag_ms: Tolerance | None = None


@dataclass(frozen=True, kw_only=True)
class GroupDelay(CheckSettings):
    """How much later the high frequencies come: tolerance of the curve and of the transition frequency.

    Of ``transition_percent`` and ``transition_hz``, where both are told, the wider one holds.
    """

    delay_ms: Tolerance = NONE_AT_ALL
    delay_percent: Tolerance | None = None
    transition_percent: Tolerance = NONE_AT_ALL
    transition_hz: Tolerance | None = None


@dataclass(frozen=True, kw_only=True)
class EnergyDecay(CheckSettings):
    """How the energy decays: decay times, in percent of the golden's or in s (the wider one holds), levels in dB.

    curve_db : Tolerance or None
        How far the decay curve, brought to the golden's level, may lie off it where it begins; None is as ``level_db``.
        Further down it may depart by ``t30_percent`` of its depth more.
    gain_db : Tolerance or None
        How much louder all bands may be together, which is then no change of a band. None: gain counts as level.
    """

    edt_percent: Tolerance = NONE_AT_ALL
    edt_s: Tolerance | None = None
    t20_percent: Tolerance = NONE_AT_ALL
    t20_s: Tolerance | None = None
    t30_percent: Tolerance = NONE_AT_ALL
    t30_s: Tolerance | None = None
    level_db: Tolerance = NONE_AT_ALL
    curve_db: Tolerance | None = None
    gain_db: Tolerance | None = None


@dataclass(frozen=True)
class Budget:
    """What a sample may cost on a target at most: cycles by its own log, or instructions counted here."""

    cycles_per_sample: float | None = None
    worst_block_cycles: int | None = None
    instructions_per_sample: float | None = None


@dataclass(frozen=True, kw_only=True)
class Cost(CheckSettings):
    """What a sample costs: timed, counted, and how it grows. Each tolerance that may be None is not judged then.

    dearer_percent, cheaper_percent : how far CPU time may depart from the golden's.
    instructions_percent : or counted instructions; None: nothing is counted.
    stages_percent : or those of a stage, in percent of the golden's whole.
    cache_misses_percent : or simulated cache misses; None: not simulated.
    worst_block_percent : or the dearest of many blocks.
    memory_percent, setup_percent : or the peak of memory, and the time to open and make an instance.
    growth_exponent : how much faster than linearly cost may grow; None: not measured.
    leak_kb_per_s : how much memory may grow per second of sound.
    timed_is_enough : why the gate may open where nothing can be counted; empty where it may not.
    kernel_ratio : the golden's own cost in units of the calibration kernel.
    baseline : TOML of a build to hold cost against instead.
    instructions_per_sample, counted_on, stages : the golden's own counts per sample and channel, whole and by stage,
        and the machine class on which they hold.
    grows_with : parameters that set the size of the algorithm, and values of them to try.
    cycles_per_sample : the golden's own cost on the target, for builds with a log of its cycle counter.
    worst_block_cycles : what no block of such a log may exceed.
    budgets : by name of a target.
    """

    dearer_percent: float = 0.0
    cheaper_percent: float = 0.0
    instructions_percent: Tolerance | None = None
    stages_percent: Tolerance | None = None
    cache_misses_percent: Tolerance | None = None
    worst_block_percent: Tolerance | None = None
    memory_percent: Tolerance | None = None
    setup_percent: Tolerance | None = None
    growth_exponent: float | None = None
    leak_kb_per_s: float | None = None
    timed_is_enough: str = ""
    kernel_ratio: float | None = None
    baseline: Path | None = None
    instructions_per_sample: float | None = None
    counted_on: str = ""
    stages: Mapping[str, float] = field(default_factory=dict)
    grows_with: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    cycles_per_sample: float | None = None
    worst_block_cycles: int | None = None
    budgets: Mapping[str, Budget] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Conduct(CheckSettings):
    """Manners: finite, not silent, of the right length, and nothing that does not belong.

    Each of the tolerances is None where it is not judged. Those in percent are of the response's energy (as a root) but
    where another is named.

    stray_db : how much louder than anything near by in the golden a build may be, above it only.
    repeats_percent : how far a second render of the same may differ.
    block_size_percent : or one in odd block sizes.
    instances_percent : or one with a second instance at another rate beside it.
    reset_percent : or one after loud noise and a reset.
    level_scaling_percent : or the response to a softer click, or one turned over.
    superposition_percent : or to a click amid noise, less the noise.
    time_variance_percent : or to a click that comes later.
    cold_start_percent : or to a click without silence before it.
    silence_percent, dc_percent : what may sound for silence, of full scale.
    tail_percent : what may be left when the tail should have ended, of the loudest sample before.
    move_percent : what may sound high above a sine when a parameter moves, of the output's peak.
    slow_tail_percent : how much dearer a silent tail may be than loud sound.
    headroom_db : how far the peak of its answer to noise may differ from the golden's.
    balance_db, mono_db : how far right against left, and the sum of the two, may differ from the golden's.
    moves : parameters that are moved, each from one value to another.
    declared : question -> why it is not put, by the name of its tolerance without the unit.
    """

    stray_db: Tolerance | None = None
    repeats_percent: Tolerance | None = None
    block_size_percent: Tolerance | None = None
    instances_percent: Tolerance | None = None
    reset_percent: Tolerance | None = None
    level_scaling_percent: Tolerance | None = None
    superposition_percent: Tolerance | None = None
    time_variance_percent: Tolerance | None = None
    cold_start_percent: Tolerance | None = None
    silence_percent: Tolerance | None = None
    dc_percent: Tolerance | None = None
    tail_percent: Tolerance | None = None
    move_percent: Tolerance | None = None
    slow_tail_percent: Tolerance | None = None
    headroom_db: Tolerance | None = None
    balance_db: Tolerance | None = None
    mono_db: Tolerance | None = None
    moves: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    declared: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Own(CheckSettings):
    """What is asked by a check that a package brought.

    check : who judges.
    tolerances : as the schema of that package read them; None where it is not asked.
    """

    check: OwnCheck
    tolerances: Any = None


@dataclass(frozen=True)
class DefaultTolerances:
    """tolerances.toml: per check table the tolerances that hold for every reference which does not set its own.

    Those of checks that packages brought are as they are written.
    """

    path: Path
    values: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class ImpulseFile:
    """One impulse response, from the click on: where it is, which input had it, SHA-256 of its decoded samples."""

    path: Path
    input: str
    sha256: str


@dataclass(frozen=True)
class RenderRequest:
    """What a build is asked to render: ``seconds`` after the click, which follows ``preroll_s`` of silence.

    The first rate, block size, level and preset are those of the main cell, see ``cells``.

    block_sizes : frames, or "whole" for all at once.
    presets : names of parameters that builds keep; none where the reference asks for none.
    matrix : "cross" (one axis at a time) or "full" (every combination).
    """

    seconds: float
    preroll_s: float = 0.5
    levels_dbfs: tuple[float, ...] = (-6.0,)
    sample_rates_hz: tuple[int, ...] = (48000,)
    block_sizes: tuple[int | str, ...] = (512,)
    presets: tuple[str, ...] = ()
    matrix: str = "cross"
    parameters: dict[str, str | float | bool] = field(default_factory=dict)


@dataclass(frozen=True)
class Approval:
    """Who said that this is how it must sound, when, of which build, and why.

    analysis_version : int or None
        Of the analysis that measured it then. None in an approval from before it was kept, as is the next.
    terms_sha256 : str or None
        Seal of the terms that were in force then (``golden_set.terms``).
    """

    who: str
    when: datetime
    build: str
    why: str
    analysis_version: int | None = None
    terms_sha256: str | None = None


@dataclass(frozen=True)
class Reference:
    """A golden reference without its samples: one reference.toml, its tolerances merged with the defaults.

    cells : per axis of the render matrix, per check, what cells that differ in this axis are judged by instead.
    formerly : names it had before.
    own : checks that packages brought, by name, as far as they have a table for it.
    """

    name: str
    path: Path
    title: str
    origin: str
    rate_hz: int
    channels: str
    files: tuple[ImpulseFile, ...]
    render: RenderRequest
    approval: Approval
    echo_timing: EchoTiming
    group_delay: GroupDelay
    energy_decay: EnergyDecay
    cost: Cost
    conduct: Conduct
    cells: Mapping[str, Mapping[str, Mapping[str, Any]]] = field(default_factory=dict)
    formerly: tuple[str, ...] = ()
    own: Mapping[str, Own] = field(default_factory=dict)

    @property
    def checks(self) -> tuple[str, ...]:
        """Names of all its checks in the order they are shown: those of ``words``, then those that packages brought."""
        return (*CHECKS, *self.own)

    def settings(self, check: str, axes: Sequence[str] = ()) -> CheckSettings:
        """The table of a check by its name in ``checks``, as it holds for cells that differ in these axes."""
        if check in self.own:
            return self.own[check]
        table = getattr(self, check.replace("-", "_"))
        assert isinstance(table, CheckSettings)
        for axis in axes:
            table = replace(table, **self.cells.get(axis, {}).get(check, {}))
        return table
