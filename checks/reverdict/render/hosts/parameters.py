"""Parameters of plug-ins: which one is meant, and the numbers it takes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from reverdict.render.hosts import Slip
from reverdict.render.hosts.names import find

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


@dataclass(frozen=True)
class Range:
    """The numbers that a parameter takes.

    low, high : float or None
        Bounds, both included; None where there is none.
    whole : bool
        Only whole numbers.
    choices : mapping
        Texts that stand for numbers.
    """

    low: float | None = None
    high: float | None = None
    whole: bool = False
    choices: Mapping[str, float] = field(default_factory=dict)

    def number(self, name: str, value: str | bool | float) -> float:
        """The number that a value of the TOML stands for. Raises Slip that names the range."""
        key = f"build.parameters.{name}"
        if isinstance(value, str):
            if not self.choices:
                raise Slip(key, f'is the text "{value}", needs a number{self._words()}')
            labels = list(self.choices)
            return self.choices[labels[find(key, "choice", value, [[label] for label in labels])]]
        number = float(value)
        if self.whole and not number.is_integer():
            raise Slip(key, f"{value!r} is not a whole number")
        # Plug-ins keep 32-bit floats: the bound 0.1 is as good as the value 0.1.
        near = np.float32(number)
        if (self.low is not None and near < np.float32(self.low)) or (
            self.high is not None and near > np.float32(self.high)
        ):
            raise Slip(key, f"{value!r} is out of range{self._words()}")
        return number

    def _words(self) -> str:
        if self.low is not None and self.high is not None:
            return f", {self.low:.6g} to {self.high:.6g}"
        if self.low is not None:
            return f", {self.low:.6g} or more"
        return "" if self.high is None else f", {self.high:.6g} or less"


def find_parameter(name: str, known: Sequence[Sequence[str]]) -> int:
    """Number of the parameter that is meant by a name (``names.find``). Raises Slip that lists the known ones."""
    return find("build.parameters", "parameter", name, known)
