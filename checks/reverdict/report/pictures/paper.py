"""The paper that pictures are drawn on: colours, lines of springs, style, and how a PNG is written."""

from __future__ import annotations

import logging
import os
import re
import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from reverdict.errors import BadInput
from reverdict.report.look import INK_AND_PAPER

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matplotlib.figure import Figure

DOTS_PER_INCH = 130

PAPER = dict(re.findall(r"--(\w+):(#\w+)", INK_AND_PAPER.split("}")[0]))
"""Colours of the pages by name, as they are in the light."""

SPRING_LINES: tuple[tuple[str, Any], ...] = (
    (PAPER["ink"], "-"),
    ("#2f6fa8", (0, (5, 1.6))),
    (PAPER["build"], (0, (6, 1.5, 1.2, 1.5))),
    ("#5d564b", (0, (1.4, 1.2))),
)
"""Colour and line style of each spring; they differ in lightness and in style, so that none needs its hue."""


@contextmanager
def on_paper() -> Iterator[None]:
    """Our own style, whatever the user's matplotlibrc says.

    A letter that no font has is no reason to complain, nor a home that nothing can be kept in.
    """
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    from matplotlib import style

    ours = {
        "font.family": ["DejaVu Sans"],
        "font.size": 8,
        "text.color": PAPER["ink"],
        "text.parse_math": False,
        "figure.facecolor": PAPER["paper"],
        "savefig.facecolor": PAPER["paper"],
        "axes.facecolor": PAPER["paper"],
        "axes.edgecolor": PAPER["soft"],
        "axes.labelcolor": PAPER["soft"],
        "axes.linewidth": 0.7,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.grid": True,
        "axes.axisbelow": True,
        "grid.color": PAPER["line"],
        "grid.linewidth": 0.4,
        "xtick.color": PAPER["soft"],
        "ytick.color": PAPER["soft"],
        "xtick.major.size": 3,
        "ytick.major.size": 3,
        "lines.solid_capstyle": "round",
    }
    with style.context(["default", ours]), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)
        yield


def write_png(target: Path, draw: Callable[[], Figure]) -> None:
    """Draw on paper and write a PNG beside its place, then rename.

    Raises
    ------
    BadInput
        The target does not end in ``.png`` or cannot be written.
    """
    if target.suffix.lower() != ".png":
        raise BadInput(target, "a plot is a PNG; end its name in .png")
    if not target.parent.is_dir():
        raise BadInput(target, f"cannot write the plot here (no folder {target.parent})")
    beside = target.with_name(f".{os.getpid()}.{target.name}")
    with on_paper():
        figure = draw()
        try:
            figure.savefig(beside, format="png", metadata={"Software": "reverdict"})
            beside.replace(target)
        except OSError as error:
            raise BadInput(target, f"cannot write the plot here ({error.strerror or error})") from error
        finally:
            beside.unlink(missing_ok=True)
