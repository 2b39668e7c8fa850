"""Kind ``ladspa``: a plug-in of the LADSPA standard (version 1.1), hosted by its C interface.

The structures below are those of the standard's header. Audio and control ports are connected once; control inputs are
the parameters, under the names of their ports. A parameter that nobody sets stands where the port's hints put its
default; without one, at 0 or the bound that is nearest to it. A control output called ``latency`` is what the plug-in
says of its own latency: as it is only known while it runs, another instance is asked first and thrown away.

``activate`` after ``deactivate`` is the reset that the standard has; a plug-in without ``activate`` has none.
"""

from __future__ import annotations

import ctypes
import math
from typing import TYPE_CHECKING, Any

from reverdict.render.hosts import BuildError, Instance, Slip
from reverdict.render.hosts.buffers import FloatPointer
from reverdict.render.hosts.latency import settled_latency, told_latency
from reverdict.render.hosts.library import load
from reverdict.render.hosts.names import distinct, find
from reverdict.render.hosts.parameters import Range, find_parameter
from reverdict.render.hosts.ports import AudioPorts
from reverdict.render.hosts.search_path import find_on_path, usual_folders

if TYPE_CHECKING:
    from numpy.typing import NDArray

INPUT, OUTPUT, CONTROL, AUDIO = 1, 2, 4, 8
BOUNDED_BELOW, BOUNDED_ABOVE, TOGGLED, TIMES_SAMPLE_RATE, LOGARITHMIC, INTEGER = 1, 2, 4, 8, 16, 32
DEFAULT_BITS = 0x3C0
DEFAULT_BETWEEN = {0x040: 0.0, 0x080: 0.25, 0x0C0: 0.5, 0x100: 0.75, 0x140: 1.0}
"""Default hint -> how far from the lower to the upper bound."""
DEFAULT_NUMBERS = {0x200: 0.0, 0x240: 1.0, 0x280: 100.0, 0x2C0: 440.0}

MOST_PLUGINS = 10_000
LATENCY_PORTS = ("latency", "_latency")
"""Names by which hosts know the port."""

_Handle = ctypes.c_void_p


class RangeHint(ctypes.Structure):
    """LADSPA_PortRangeHint."""

    _fields_ = (("descriptor", ctypes.c_int), ("lower", ctypes.c_float), ("upper", ctypes.c_float))


class Descriptor(ctypes.Structure):
    """LADSPA_Descriptor."""


Descriptor._fields_ = (
    ("unique_id", ctypes.c_ulong),
    ("label", ctypes.c_char_p),
    ("properties", ctypes.c_int),
    ("name", ctypes.c_char_p),
    ("maker", ctypes.c_char_p),
    ("copyright", ctypes.c_char_p),
    ("port_count", ctypes.c_ulong),
    ("port_descriptors", ctypes.POINTER(ctypes.c_int)),
    ("port_names", ctypes.POINTER(ctypes.c_char_p)),
    ("range_hints", ctypes.POINTER(RangeHint)),
    ("implementation_data", ctypes.c_void_p),
    ("instantiate", ctypes.CFUNCTYPE(_Handle, ctypes.POINTER(Descriptor), ctypes.c_ulong)),
    ("connect_port", ctypes.CFUNCTYPE(None, _Handle, ctypes.c_ulong, FloatPointer)),
    ("activate", ctypes.CFUNCTYPE(None, _Handle)),
    ("run", ctypes.CFUNCTYPE(None, _Handle, ctypes.c_ulong)),
    ("run_adding", ctypes.CFUNCTYPE(None, _Handle, ctypes.c_ulong)),
    ("set_run_adding_gain", ctypes.CFUNCTYPE(None, _Handle, ctypes.c_float)),
    ("deactivate", ctypes.CFUNCTYPE(None, _Handle)),
    ("cleanup", ctypes.CFUNCTYPE(None, _Handle)),
)


def open_host(job: dict[str, Any]) -> LadspaHost:
    """Load the file and choose the plug-in. Raises Slip where there is none."""
    if job["preset"]:
        raise Slip("build.preset", "LADSPA plug-ins have no presets")
    path = find_on_path(job["file"], ".so", "LADSPA_PATH", usual_folders("ladspa"))
    library = load(path, "a LADSPA plug-in")
    if not hasattr(library, "ladspa_descriptor"):
        raise Slip("build.file", f"{path}: is no LADSPA plug-in, it has no ladspa_descriptor")
    library.ladspa_descriptor.restype = ctypes.POINTER(Descriptor)
    library.ladspa_descriptor.argtypes = [ctypes.c_ulong]
    pointers: list[Any] = []
    while len(pointers) < MOST_PLUGINS and (pointer := library.ladspa_descriptor(len(pointers))):
        pointers.append(pointer)
    labels = [[_text(pointer.contents.label)] for pointer in pointers]
    if job["plugin"] or not labels:
        return LadspaHost(job, pointers[find("build.plugin", "plug-in", job["plugin"], labels)])
    if len(labels) > 1:
        raise Slip("build.plugin", f"which one is meant? {path} has {', '.join(label for (label,) in labels)}")
    return LadspaHost(job, pointers[0])


class LadspaHost:
    """One plug-in of a file.

    controls : dict
        Port number -> Range, of the control inputs in order; ``names`` has what they are called.
    """

    def __init__(self, job: dict[str, Any], pointer: Any) -> None:
        self.job, self.pointer, self.descriptor = job, pointer, pointer.contents
        ports = range(self.descriptor.port_count)
        self._kinds = [self.descriptor.port_descriptors[port] for port in ports]
        self.names = [_text(self.descriptor.port_names[port]) for port in ports]
        for kind in (INPUT | CONTROL, INPUT | AUDIO, OUTPUT | AUDIO):
            alike = self._of(kind)
            for port, name in zip(alike, distinct([self.names[port] for port in alike]), strict=True):
                self.names[port] = name
        rate = job["sample_rate"]
        hints = {port: self.descriptor.range_hints[port] for port in self._of(INPUT | CONTROL)}
        self.controls = {port: range_of(hint, rate) for port, hint in hints.items()}
        self.defaults = {port: default_of(hint, rate) for port, hint in hints.items()}
        latencies = [port for port in self._of(OUTPUT | CONTROL) if self.names[port].lower() in LATENCY_PORTS]
        self.latency_port = latencies[0] if latencies else None

    def make(self) -> LadspaInstance:
        if self.latency_port is None:
            return LadspaInstance(self)
        latency = settled_latency(lambda: LadspaInstance(self), self.job["sample_rate"], self.job["block_size"])
        return LadspaInstance(self, latency)

    def audio(self, side: str) -> AudioPorts:
        """Buffers of all "inputs" or "outputs"."""
        kind = AUDIO | (INPUT if side == "inputs" else OUTPUT)
        return AudioPorts(side, self.job, {port: [self.names[port]] for port in self._of(kind)})

    def _of(self, kind: int) -> list[int]:
        return [port for port, bits in enumerate(self._kinds) if bits & kind == kind]


class LadspaInstance(Instance):
    """What ``instantiate`` returned, its ports connected and activated."""

    can_move = True

    def __init__(self, host: LadspaHost, latency: int | None = None) -> None:
        self._host, self._call = host, host.descriptor
        self._inputs, self._outputs = host.audio("inputs"), host.audio("outputs")
        self._controls = (ctypes.c_float * max(len(host.names), 1))()
        for port, default in host.defaults.items():
            self._controls[port] = default
        for name, value in host.job["parameters"].items():
            self.set_parameter(name, value)
        if host.latency_port is not None and latency is not None:
            self._controls[host.latency_port] = latency
        rate = host.job["sample_rate"]
        self._handle = self._call.instantiate(host.pointer, rate)
        if not self._handle:
            raise BuildError(f"instantiate returned NULL at {rate} Hz")
        audio = self._inputs.pointers | self._outputs.pointers
        for port in range(len(host.names)):
            control = ctypes.cast(ctypes.byref(self._controls, 4 * port), FloatPointer)
            self._call.connect_port(self._handle, port, audio.get(port, control))
        self.can_reset = bool(self._call.activate)
        self._activate()

    @property
    def latency_samples(self) -> int | None:
        port = self._host.latency_port
        return None if port is None else told_latency(self._controls[port])

    def process(self, block: NDArray[Any]) -> NDArray[Any]:
        frames = block.shape[1]
        self._inputs.feed(block)
        self.run(frames)
        return self._outputs.taken(frames)

    def run(self, frames: int) -> None:
        """Run on whatever stands in the inputs."""
        self._outputs.spoil(frames)
        self.call_build(self._call.run, self._handle, frames)

    def reset(self) -> None:
        self._deactivate()
        self._activate()

    def set_parameter(self, name: str, value: str | bool | float) -> None:
        ports = list(self._host.controls)
        port = ports[find_parameter(name, [[self._host.names[port]] for port in ports])]
        self._controls[port] = self._host.controls[port].number(name, value)

    def close(self) -> None:
        self._deactivate()
        self._call.cleanup(self._handle)
        if self._inputs.overrun or self._outputs.overrun:
            raise BuildError("run writes outside of its buffers")

    def _activate(self) -> None:
        if self._call.activate:
            self._call.activate(self._handle)

    def _deactivate(self) -> None:
        if self._call.deactivate:
            self._call.deactivate(self._handle)


def range_of(hint: RangeHint, rate_hz: int) -> Range:
    """The numbers that a control port takes."""
    bits = hint.descriptor
    if bits & TOGGLED:
        return Range(0.0, 1.0, whole=True)
    low, high = _bounds(hint, rate_hz)
    return Range(low, high, whole=bool(bits & INTEGER))


def default_of(hint: RangeHint, rate_hz: int) -> float:
    """Where a control port stands when nobody sets it, as the standard's header tells."""
    bits = hint.descriptor
    low, high = _bounds(hint, rate_hz)
    chosen = bits & DEFAULT_BITS
    if chosen in DEFAULT_NUMBERS:
        return DEFAULT_NUMBERS[chosen]
    if chosen not in DEFAULT_BETWEEN:
        return min(max(0.0, -math.inf if low is None else low), math.inf if high is None else high)
    # A hint that leans on a bound which is not there leans on 0 or 1, as a toggle's would.
    low, high = 0.0 if low is None else low, 1.0 if high is None else high
    along = DEFAULT_BETWEEN[chosen]
    if bits & LOGARITHMIC and low > 0.0 and high > 0.0:
        default = math.exp((1.0 - along) * math.log(low) + along * math.log(high))
    else:
        default = (1.0 - along) * low + along * high
    return float(round(default)) if bits & INTEGER else default


def _bounds(hint: RangeHint, rate_hz: int) -> tuple[float | None, float | None]:
    bits = hint.descriptor
    factor = float(rate_hz) if bits & TIMES_SAMPLE_RATE else 1.0
    low = hint.lower * factor if bits & BOUNDED_BELOW else None
    high = hint.upper * factor if bits & BOUNDED_ABOVE else None
    return low, high


def _text(said: bytes | None) -> str:
    return (said or b"").decode(errors="replace").strip()
