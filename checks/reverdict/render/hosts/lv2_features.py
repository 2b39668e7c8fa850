"""What an LV2 host offers a plug-in: URID map and unmap, options, bounded blocks, and a worker.

Structures and callbacks are those of the standard's headers. Rendering is offline, so the worker is synchronous: what
``run`` schedules is done when the block is over, in the same thread, and its responses are delivered before the next.
Everything C code may keep a pointer to is held by the object.
"""

from __future__ import annotations

import ctypes
from typing import Any

EXT = "http://lv2plug.in/ns/ext/"
ATOM = EXT + "atom#"
BUF_SIZE = EXT + "buf-size#"
BOUNDED = BUF_SIZE + "boundedBlockLength"
MAP, UNMAP = EXT + "urid#map", EXT + "urid#unmap"
OPTIONS = EXT + "options#options"
SCHEDULE, WORKER_INTERFACE = EXT + "worker#schedule", EXT + "worker#interface"
LOAD_DEFAULT_STATE = EXT + "state#loadDefaultState"

NEED_NOTHING = tuple(
    f"http://lv2plug.in/ns/lv2core#{name}" for name in ("hardRTCapable", "inPlaceBroken", "isLive")
)  # fmt: skip
"""Features that only tell about the plug-in."""

OFFERED = (MAP, UNMAP, OPTIONS, BOUNDED, SCHEDULE, LOAD_DEFAULT_STATE, *NEED_NOTHING)

EVENT_BYTES = 8192
"""Smallest buffer for events; a plug-in may ask for more."""

_P, _U32 = ctypes.c_void_p, ctypes.c_uint32
_Map = ctypes.CFUNCTYPE(_U32, _P, ctypes.c_char_p)
_Unmap = ctypes.CFUNCTYPE(_P, _P, _U32)
_Schedule = ctypes.CFUNCTYPE(ctypes.c_int, _P, _U32, _P)
_Respond = ctypes.CFUNCTYPE(ctypes.c_int, _P, _U32, _P)
SUCCESS = 0


class Feature(ctypes.Structure):
    """LV2_Feature."""

    _fields_ = (("uri", ctypes.c_char_p), ("data", _P))


class _Callback(ctypes.Structure):
    """LV2_URID_Map, LV2_URID_Unmap and LV2_Worker_Schedule: a handle and one function."""

    _fields_ = (("handle", _P), ("function", _P))


class _Option(ctypes.Structure):
    """LV2_Options_Option."""

    _fields_ = (
        ("context", ctypes.c_int),
        ("subject", _U32),
        ("key", _U32),
        ("size", _U32),
        ("type", _U32),
        ("value", _P),
    )


class _WorkerInterface(ctypes.Structure):
    """LV2_Worker_Interface."""

    _fields_ = (
        ("work", ctypes.CFUNCTYPE(ctypes.c_int, _P, _Respond, _P, _U32, _P)),
        ("work_response", ctypes.CFUNCTYPE(ctypes.c_int, _P, _U32, _P)),
        ("end_run", ctypes.CFUNCTYPE(ctypes.c_int, _P)),
    )


class Features:
    """The features handed to one instance.

    array : array of LV2_Feature *
        Ends with NULL.
    urid_map : pointer
        To LV2_URID_Map.
    """

    def __init__(self, rate_hz: float, block_size: int) -> None:
        self._numbers: dict[bytes, int] = {}
        self._texts: list[Any] = []
        self._scheduled: list[bytes] = []
        self._responses: list[bytes] = []
        self._callbacks = (_Map(self._map), _Unmap(self._unmap), _Schedule(self._schedule), _Respond(self._respond))
        holders = [_Callback(None, ctypes.cast(one, _P)) for one in self._callbacks[:3]]
        self.urid_map = ctypes.pointer(holders[0])
        self._options, self._values = self._make_options(rate_hz, block_size)
        offered = {MAP: holders[0], UNMAP: holders[1], OPTIONS: self._options, SCHEDULE: holders[2]}
        features = [
            Feature(uri.encode(), ctypes.cast(ctypes.byref(data), _P) if (data := offered.get(uri)) else None)
            for uri in OFFERED
        ]
        self._kept = holders, features
        self.array = (ctypes.POINTER(Feature) * (len(features) + 1))(*map(ctypes.pointer, features))

    def number(self, uri: str) -> int:
        """The URID of a URI."""
        return self._map(None, uri.encode())

    def work(self, handle: int, interface: int, after_run: bool) -> None:
        """Do what was scheduled, and hand over the responses.

        interface : int
            Address of the plug-in's LV2_Worker_Interface.
        after_run : bool
            Whether a block is over, of which the plug-in is told.
        """
        calls = _WorkerInterface.from_address(interface)
        while self._scheduled:
            data = self._scheduled.pop(0)
            calls.work(handle, self._callbacks[3], None, len(data), data)
        while self._responses and calls.work_response:
            body = self._responses.pop(0)
            calls.work_response(handle, len(body), body)
        if after_run and calls.end_run:
            calls.end_run(handle)

    def _map(self, _: Any, uri: bytes) -> int:
        if uri not in self._numbers:
            self._texts.append(ctypes.create_string_buffer(uri))
            self._numbers[uri] = len(self._texts)
        return self._numbers[uri]

    def _unmap(self, _: Any, number: int) -> int | None:
        return ctypes.addressof(self._texts[number - 1]) if 1 <= number <= len(self._texts) else None

    def _schedule(self, _: Any, size: int, data: int | None) -> int:
        self._scheduled.append(ctypes.string_at(data, size) if data else b"")
        return SUCCESS

    def _respond(self, _: Any, size: int, data: int | None) -> int:
        self._responses.append(ctypes.string_at(data, size) if data else b"")
        return SUCCESS

    def _make_options(self, rate_hz: float, block_size: int) -> tuple[Any, list[Any]]:
        numbers = {
            BUF_SIZE + "minBlockLength": 1,
            BUF_SIZE + "maxBlockLength": block_size,
            BUF_SIZE + "nominalBlockLength": block_size,
            BUF_SIZE + "sequenceSize": EVENT_BYTES,
        }
        values: list[Any] = [ctypes.c_int32(number) for number in numbers.values()]
        values.append(ctypes.c_float(rate_hz))
        keys = [*numbers, EXT + "parameters#sampleRate"]
        types = [self.number(ATOM + ("Float" if isinstance(one, ctypes.c_float) else "Int")) for one in values]
        options = (_Option * (len(keys) + 1))()
        for at, (key, kind, value) in enumerate(zip(keys, types, values, strict=True)):
            options[at] = _Option(0, 0, self.number(key), 4, kind, ctypes.cast(ctypes.byref(value), _P))
        return options, values


class Events:
    """A buffer of LV2 atoms that holds no events (an input), or has room for them (an output)."""

    def __init__(self, features: Features, least_bytes: int) -> None:
        self._bytes = max(EVENT_BYTES, least_bytes)
        self._words = (_U32 * (self._bytes // 4 + 1))()
        self._sequence, self._chunk = features.number(ATOM + "Sequence"), features.number(ATOM + "Chunk")
        self.address = ctypes.addressof(self._words)

    def empty(self) -> None:
        """A sequence of no events: the body is its unit and padding."""
        self._words[0:4] = [8, self._sequence, 0, 0]

    def offer(self) -> None:
        """Tell how much room there is."""
        self._words[0:2] = [self._bytes - 8, self._chunk]
