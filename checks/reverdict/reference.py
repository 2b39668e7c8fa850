"""What a reference asks of a build, as data: read from TOML by ``schema``, judged against by ``check``.

Every length of time, level or share carries its unit in its name. Nothing here reads a file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, overload

import numpy as np

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from numpy.typing import NDArray


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
    """When the echoes arrive. ``springs`` is 0 where there are no separate passes; then only the onset is judged.

    pass_law : str
        "1:3:5" (pickup at the far end), "1:2:3" (tap before the delay line) or "none".
    passes : int
        Passes judged per spring.
    arrival_hz : float
        Frequency at which a dispersed pass is said to arrive.
    """

    springs: int = 0
    pass_law: str = "none"
    passes: int = 0
    arrival_hz: float = 500.0
    arrival_ms: float = 0.0
    onset_ms: float = 0.0


@dataclass(frozen=True, kw_only=True)
class GroupDelay(CheckSettings):
    """How much later the high frequencies come: tolerance of the curve and of the transition frequency."""

    delay_ms: FrequencyTolerance = FrequencyTolerance(((1000.0, 0.0),))
    transition_percent: float = 0.0


@dataclass(frozen=True, kw_only=True)
class EnergyDecay(CheckSettings):
    """How the energy decays: decay times in percent of the golden's, band level in dB."""

    edt_percent: float = 0.0
    t20_percent: float = 0.0
    t30_percent: float = 0.0
    level_db: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Cost(CheckSettings):
    """What a sample costs: how much dearer, and how much cheaper, than the golden it may be.

    kernel_ratio : float or None
        The golden's own cost in units of the calibration kernel.
    baseline : path or None
        TOML of a build to time against instead.
    """

    dearer_percent: float = 0.0
    cheaper_percent: float = 0.0
    kernel_ratio: float | None = None
    baseline: Path | None = None


@dataclass(frozen=True, kw_only=True)
class Conduct(CheckSettings):
    """Manners: finite, not silent, of the right length, the same every time. It has no tolerances yet."""


@dataclass(frozen=True)
class ImpulseFile:
    """One impulse response, from the click on: where it is, which input had it, SHA-256 of its decoded samples."""

    path: Path
    input: str
    sha256: str


@dataclass(frozen=True)
class RenderRequest:
    """What a build is asked to render: ``seconds`` after the click, which follows ``preroll_s`` of silence."""

    seconds: float
    preroll_s: float = 0.5
    level_dbfs: float = -6.0
    sample_rates_hz: tuple[int, ...] = (48000,)
    block_sizes: tuple[int, ...] = (512,)
    parameters: dict[str, str | float | bool] = field(default_factory=dict)


@dataclass(frozen=True)
class Approval:
    """Who said that this is how it must sound, when, of which build, and why."""

    who: str
    when: datetime
    build: str
    why: str


@dataclass(frozen=True)
class Reference:
    """A golden reference without its samples: one reference.toml, its tolerances merged with the defaults."""

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

    def settings(self, check: str) -> CheckSettings:
        """The table of a check by its name in ``words.CHECKS``."""
        table = getattr(self, check.replace("-", "_"))
        assert isinstance(table, CheckSettings)
        return table
