"""Audio ports of plug-ins: which are used, and their buffers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reverdict.render.hosts import BuildError, Slip
from reverdict.render.hosts.buffers import Buffers
from reverdict.render.hosts.names import find

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray


def choose_ports(side: str, named: Sequence[str], known: Sequence[Sequence[str]], needed: int) -> list[int]:
    """Which ports carry the channels of a request, in order.

    The first ones, where none is named. A single channel goes into two inputs where there are two, and comes from one
    output.

    Parameters
    ----------
    side : str
        "inputs" or "outputs", as in the table ``[build.ports]``.
    named : sequence of str
        What that table names.
    known : sequence of sequence of str
        The names that each port goes by; the first is the one that is told.
    needed : int
        Channels of the request.

    Raises
    ------
    Slip
        A port is named that is not there, one is named twice, or fewer are named than there are channels.
    BuildError
        There are fewer ports than channels.
    """
    key = f"build.ports.{side}"
    fed_alike = needed == 1 and side == "inputs"
    chosen = [find(key, f"audio {side[:-1]}", name, known) for name in named] or [*range(len(known))]
    if len(set(chosen)) < len(chosen):
        raise Slip(key, "names a port twice")
    if named and len(chosen) < needed:
        raise Slip(key, f"names {_ports(len(chosen), side)}, and the reference asks for {needed}")
    if len(chosen) < needed:
        listed = f" ({', '.join(names[0] for names in known)})" if known else ""
        raise BuildError(f"the plug-in has {_ports(len(known), side)}{listed}, and the reference asks for {needed}")
    return chosen[: 2 if fed_alike else needed]


class AudioPorts:
    """All audio inputs, or all audio outputs, of an instance: those in use, and those that only must be connected.

    Parameters
    ----------
    side : str
        "inputs" or "outputs".
    job : dict
        Its ``inputs`` or ``outputs`` are the ports that the TOML names.
    ports : mapping
        The plug-in's number of each port -> the names it goes by.
    """

    def __init__(self, side: str, job: dict[str, Any], ports: Mapping[int, Sequence[str]]) -> None:
        self._used = choose_ports(side, job[side], list(ports.values()), job[f"{side[:-1]}_channels"])
        self._buffers = Buffers(len(ports), job["block_size"])
        self.pointers = dict(zip(ports, self._buffers.pointers, strict=False))

    @property
    def overrun(self) -> bool:
        return self._buffers.overrun

    def feed(self, block: NDArray[Any]) -> None:
        """Fill the inputs: a block into those in use, silence into the others."""
        self._buffers.rows[:, : block.shape[1]] = 0.0
        self._buffers.rows[self._used, : block.shape[1]] = block

    def spoil(self, frames: int) -> None:
        """Fill the outputs, so that it shows where nothing is written."""
        self._buffers.spoil(frames)

    def taken(self, frames: int) -> NDArray[Any]:
        """What was written to the outputs in use. Raises BuildError where something was not."""
        self._buffers.require_written(frames, self._used)
        return self._buffers.rows[self._used, :frames]


def _ports(count: int, side: str) -> str:
    return f"{count or 'no'} audio {side[:-1] if count == 1 else side}"
