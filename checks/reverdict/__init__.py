"""reverdict: a verdict on every reverb build. Start at README.md; the flow of data is in ``words``.

What programs may import is listed here and described in checks/API.md; all else may change any day.
Names are looked up when they are first asked for, so that importing the package takes no time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reverdict.later import later

if TYPE_CHECKING:
    from reverdict.errors import BadInput, BadInputs
    from reverdict.fit import TankFit
    from reverdict.golden_set import GoldenReference
    from reverdict.golden_set import load as load_goldens
    from reverdict.judging import judge_deviation
    from reverdict.measure.measurement import Comparison, Measurement
    from reverdict.parting import Shard
    from reverdict.programs import fit_tank, judge_build, measure_beside, measure_response, write_report
    from reverdict.recorded import read_recording
    from reverdict.report.data.verdict import to_json as verdict_to_json
    from reverdict.words import (
        BuildIdentity,
        CellVerdict,
        CheckVerdict,
        Finding,
        Outcome,
        ReferenceVerdict,
        Response,
        Verdict,
    )

__version__ = "0.1.0"

__all__ = [
    "BadInput", "BadInputs", "BuildIdentity", "CellVerdict", "CheckVerdict", "Comparison", "Finding", "GoldenReference",
    "Measurement", "Outcome", "ReferenceVerdict", "Response", "Shard", "TankFit", "Verdict", "fit_tank", "judge_build",
    "judge_deviation", "load_goldens", "measure_beside", "measure_response", "read_recording", "verdict_to_json",
    "write_report",
]  # fmt: skip

_HOMES = {
    "BadInput": ("errors", "BadInput"),
    "BadInputs": ("errors", "BadInputs"),
    "Comparison": ("measure.measurement", "Comparison"),
    "GoldenReference": ("golden_set", "GoldenReference"),
    "Measurement": ("measure.measurement", "Measurement"),
    "Shard": ("parting", "Shard"),
    "TankFit": ("fit", "TankFit"),
    "fit_tank": ("programs", "fit_tank"),
    "judge_build": ("programs", "judge_build"),
    "judge_deviation": ("judging", "judge_deviation"),
    "load_goldens": ("golden_set", "load"),
    "measure_beside": ("programs", "measure_beside"),
    "measure_response": ("programs", "measure_response"),
    "read_recording": ("recorded", "read_recording"),
    "verdict_to_json": ("report.data.verdict", "to_json"),
    "write_report": ("programs", "write_report"),
}
"""The module that each name lives in, and what it is called there; all others live in ``words``."""

__getattr__ = later(__name__, {name: _HOMES.get(name, ("words", name)) for name in __all__})


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
