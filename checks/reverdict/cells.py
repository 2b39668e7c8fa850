"""The render matrix of a reference: under which sample rates, block sizes, levels and presets a build is rendered.

The first value of each axis makes the main cell. ``matrix = "cross"`` adds one cell for every other value of one axis,
all else as in the main cell; ``"full"`` every combination.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

from reverdict.phrases import cell_key, true_minus

if TYPE_CHECKING:
    from reverdict.reference import Reference

MAIN_ONLY = "cost"
"""The check that is put in the main cell alone."""

AXES = ("sample_rate", "block_size", "level", "preset")
"""What cells may differ in, in the order in which they are named and in which tolerances of their own apply."""


@dataclass(frozen=True)
class Cell:
    """One way of rendering a reference.

    block_size : frames handed over at a time; "whole" is all of them at once.
    preset : name in the build's TOML; empty where the reference asks for none.
    axes : in which it differs from the main cell; none for that one.
    """

    rate_hz: int
    block_size: int | str
    level_dbfs: float
    preset: str = ""
    axes: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """What is other than in the main cell: "96 kHz, blocks of 1"; empty for the main cell."""
        said = {
            "sample_rate": f"{self.rate_hz / 1000:g} kHz",
            "block_size": "one block" if self.block_size == "whole" else f"blocks of {self.block_size}",
            "level": true_minus(f"{self.level_dbfs:g} dBFS"),
            "preset": f"preset {self.preset}",
        }
        return ", ".join(said[axis] for axis in self.axes)

    @property
    def key(self) -> str:
        """The name as a word without spaces, for item names and ``-k``: "96-kHz+blocks-of-1"."""
        return cell_key(self.name)


def checks_in(reference: Reference, cell: Cell) -> tuple[str, ...]:
    """Checks that are put in a cell: all of the reference in the main one, all but cost in others."""
    return tuple(check for check in reference.checks if not cell.axes or check != MAIN_ONLY)


def cells_of(reference: Reference) -> tuple[Cell, ...]:
    """All cells of a reference, the main one first."""
    asked = reference.render
    values: tuple[tuple[int | str | float, ...], ...] = (
        asked.sample_rates_hz, asked.block_sizes, asked.levels_dbfs, asked.presets or ("",),
    )  # fmt: skip
    main = tuple(axis[0] for axis in values)
    cells = []
    for chosen in product(*values):
        axes = tuple(axis for axis, one, first in zip(AXES, chosen, main, strict=True) if one != first)
        if len(axes) <= 1 or asked.matrix == "full":
            rate_hz, block_size, level_dbfs, preset = chosen
            block = block_size if isinstance(block_size, str) else int(block_size)
            cells.append(Cell(int(rate_hz), block, float(level_dbfs), str(preset), axes))
    return tuple(sorted(cells, key=lambda cell: (len(cell.axes), [AXES.index(axis) for axis in cell.axes])))
