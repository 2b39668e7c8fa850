"""What the user asks of a new reference."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from reverdict.errors import BadInput, BadInputs

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


@dataclass(frozen=True)
class Wishes:
    """What the user asks of a new reference: ``click_at`` of a recording, what comes after it of a build.

    None is not asked: then a recording's click is looked for, and a build renders 3 s of mono at 48 kHz. Of several
    rates, block sizes ("whole" is all at once), levels and presets the first is what the golden is rendered with; the
    others are further cells that builds are to be judged in. ``repeats`` are the files of other takes of a recording,
    or how many times to render a build again.
    """

    title: str = ""
    why: str = "first reference"
    parameters: dict[str, Any] = field(default_factory=dict)
    click_at: float | str | None = None
    seconds: float | None = None
    rates_hz: Sequence[int] | None = None
    block_sizes: Sequence[int | str] | None = None
    levels_dbfs: Sequence[float] | None = None
    presets: Sequence[str] | None = None
    channels: str | None = None
    repeats: tuple[str, ...] = ()


OPTIONS = {
    "click_at": "--click-at", "seconds": "--seconds", "rates_hz": "--rate", "block_sizes": "--block",
    "levels_dbfs": "--level", "presets": "--preset", "channels": "--channels",
}  # fmt: skip
"""How the wishes are called that go with one kind of source only."""


def refuse(wishes: Wishes, names: Iterable[str], why: str) -> None:
    """An option that does not apply is never silently dropped."""
    mistakes = [BadInput(OPTIONS[name], why) for name in names if getattr(wishes, name) is not None]
    if mistakes:
        raise BadInputs(mistakes)


def parameters_from(texts: list[str]) -> dict[str, Any]:
    """NAME=VALUE pairs; a value that reads as TOML number or boolean is one, anything else is text."""
    from reverdict.schema.toml import toml_value

    parameters = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise BadInput(f"--parameter {text}", "is not NAME=VALUE")
        parameters[name.strip()] = toml_value(value.strip())
    return parameters
