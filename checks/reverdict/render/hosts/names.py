"""Finding by name what a plug-in has: parameters, ports, presets, one plug-in of several."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reverdict.render.hosts import Slip, unknown

if TYPE_CHECKING:
    from collections.abc import Sequence


def find(key: str, what: str, name: str, known: Sequence[Sequence[str]]) -> int:
    """Which of the known things is meant: the one so called, else in other capitals, else the only one that starts so.

    Parameters
    ----------
    key : str
        Key of the TOML that says it, for the complaint.
    what : str
        What is looked for, for the complaint: "parameter".
    name : str
    known : sequence of sequence of str
        The names that each goes by; the first is the one that is told.

    Raises
    ------
    Slip
        There is none, or there are several.
    """
    wanted = name.casefold()
    for found in (
        [number for number, names in enumerate(known) if names[0] == name],
        [number for number, names in enumerate(known) if name in names],
        [number for number, names in enumerate(known) if any(one.casefold() == wanted for one in names)],
        [number for number, names in enumerate(known) if any(one.casefold().startswith(wanted) for one in names)],
    ):
        if len(found) == 1:
            return found[0]
        if found:
            raise Slip(key, f'{what} "{name}" may be {" or ".join(known[number][0] for number in found)}')
    raise Slip(key, unknown(what, name, [names[0] for names in known]))


def distinct(names: Sequence[str]) -> list[str]:
    """The same names, but the second "Gain" is "Gain 2"."""
    told: list[str] = []
    for name in names:
        count, one = 1, name
        while one in told:
            count += 1
            one = f"{name} {count}"
        told.append(one)
    return told
