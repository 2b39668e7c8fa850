"""The host's side of the CLAP standard: what a plug-in may ask while it runs without windows, notes or a transport.

Wishes are noted; ``clap.ClapInstance`` grants them between blocks. One thread is both the main and the audio thread, as
the standard allows, and ``in_audio`` says which of them it is at the moment. What a plug-in logs from warnings upwards
goes to standard error, of which the suite keeps the end.
"""

from __future__ import annotations

import ctypes
import sys
from typing import TYPE_CHECKING, Any, TypeVar

import reverdict
from reverdict.render.hosts import clap_abi as abi

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

LOG_WARNING = 2

Filled = TypeVar("Filled", bound=ctypes.Structure)


class ClapHost:
    """What one instance sees of its host; it must live as long as that does.

    structure : abi.Host
        To be handed to ``create_plugin``.
    in_audio : bool
        Whether functions of the audio thread are being called.
    restart_wanted, call_wanted, parameters_changed : bool
        What the plug-in asked for and has not been given yet.
    """

    def __init__(self) -> None:
        self.in_audio = self.restart_wanted = self.call_wanted = self.parameters_changed = False
        self.structure = _filled(
            abi.Host,
            get_extension=lambda _, name: self._addresses.get(name),
            request_restart=self._noting("restart_wanted"),
            request_process=_ignored,
            request_callback=self._noting("call_wanted"),
        )
        self.structure.version = abi.VERSION
        self.structure.name = self.structure.vendor = b"reverdict"
        self.structure.host_version = reverdict.__version__.encode()
        changed = _filled(abi.HostNotice, changed=_ignored)
        self._extensions = {
            abi.LOG: _filled(abi.HostLog, log=_log),
            abi.THREAD_CHECK: _filled(
                abi.HostThreadCheck,
                is_main_thread=lambda _: not self.in_audio,
                is_audio_thread=lambda _: self.in_audio,
            ),
            abi.PARAMS: _filled(
                abi.HostParams, rescan=self._noting("parameters_changed"), clear=_ignored, request_flush=_ignored
            ),
            abi.AUDIO_PORTS: _filled(abi.HostAudioPorts, is_rescan_flag_supported=lambda *_: False, rescan=_ignored),
            abi.LATENCY: changed,
            abi.TAIL: changed,
            abi.STATE: changed,
        }
        self._addresses = {name: ctypes.addressof(one) for name, one in self._extensions.items()}

    def _noting(self, wish: str) -> Callable[..., None]:
        return lambda *_: setattr(self, wish, True)


class InputEvents:
    """A list of events that a plug-in reads: parameter values, all at the first sample of a block."""

    def __init__(self) -> None:
        self._events: list[abi.EventParamValue] = []
        self.structure = _filled(
            abi.InputEvents,
            size=lambda _: len(self._events),
            get=lambda _, number: ctypes.addressof(self._events[number]) if number < len(self._events) else None,
        )

    def __len__(self) -> int:
        return len(self._events)

    def add(self, parameter: abi.ParamInfo, value: float) -> None:
        """Add a value. One of the same parameter that has not been told yet is no longer meant."""
        header = abi.EventHeader(ctypes.sizeof(abi.EventParamValue), 0, 0, abi.EVENT_PARAM_VALUE, 0)
        self._events = [event for event in self._events if event.param_id != parameter.id]
        self._events.append(abi.EventParamValue(header, parameter.id, parameter.cookie, -1, -1, -1, -1, value))

    def clear(self) -> None:
        self._events.clear()


def output_events() -> abi.OutputEvents:
    """A list that takes every event, and forgets it."""
    return _filled(abi.OutputEvents, try_push=lambda *_: True)


def input_stream(data: bytes) -> abi.InputStream:
    """A stream that a plug-in reads these bytes from."""
    left = memoryview(data)

    def read(_: int, buffer: int, size: int) -> int:
        nonlocal left
        piece, left = left[:size], left[size:]
        ctypes.memmove(buffer, bytes(piece), len(piece))
        return len(piece)

    return _filled(abi.InputStream, read=read)


def _filled(structure: type[Filled], **functions: Callable[..., Any]) -> Filled:
    """A structure whose function pointers lead to Python functions; it keeps them alive."""
    types: dict[str, Any] = {name: kind for name, kind, *_ in _fields(structure)}
    return structure(**{name: types[name](function) for name, function in functions.items()})


def _fields(structure: type[ctypes.Structure]) -> Sequence[Any]:
    return structure._fields_


def _ignored(*_: Any) -> None:
    """For what a host without windows, notes and projects need not hear."""


def _log(_: int, severity: int, message: bytes | None) -> None:
    if severity >= LOG_WARNING and message:
        print(message.decode(errors="replace"), file=sys.stderr, flush=True)
