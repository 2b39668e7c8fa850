"""Kind ``lv2``: a plug-in of the LV2 standard. liblilv reads its data; it is hosted by the standard's C interface.

Control inputs are the parameters, under their symbols or names, or the labels of their scale points as values. Those
that nobody sets stand at their defaults, or where the preset puts them. Event inputs get none, CV inputs zeros; ports
of other kinds are left unconnected where the plug-in allows it. Parameters that are only set by messages
(``patch:writable``) cannot be.

Latency is only known while it runs, so another instance is asked first and thrown away. ``activate`` after
``deactivate`` is the reset.
"""

from __future__ import annotations

import ctypes
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.render.hosts import BuildError, Instance, Slip, did_you_mean
from reverdict.render.hosts.buffers import Buffers
from reverdict.render.hosts.latency import settled_latency, told_latency
from reverdict.render.hosts.library import load
from reverdict.render.hosts.lilv import Lilv, Port, SetPortValue
from reverdict.render.hosts.lv2_features import (
    ATOM,
    LOAD_DEFAULT_STATE,
    OFFERED,
    WORKER_INTERFACE,
    Events,
    Features,
)
from reverdict.render.hosts.names import find
from reverdict.render.hosts.parameters import Range, find_parameter
from reverdict.render.hosts.ports import AudioPorts
from reverdict.render.hosts.search_path import find_on_path, usual_folders

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_LISTED = 40
"""Plug-ins listed to whoever names one that is not there."""

_Handle = ctypes.c_void_p
ATOM_NUMBERS: dict[str, Any] = {
    "Float": ctypes.c_float,
    "Double": ctypes.c_double,
    "Int": ctypes.c_int32,
    "Long": ctypes.c_int64,
    "Bool": ctypes.c_int32,
}


class Descriptor(ctypes.Structure):
    """LV2_Descriptor."""

    _fields_ = (
        ("uri", ctypes.c_char_p),
        ("instantiate", ctypes.c_void_p),
        ("connect_port", ctypes.CFUNCTYPE(None, _Handle, ctypes.c_uint32, ctypes.c_void_p)),
        ("activate", ctypes.CFUNCTYPE(None, _Handle)),
        ("run", ctypes.CFUNCTYPE(None, _Handle, ctypes.c_uint32)),
        ("deactivate", ctypes.CFUNCTYPE(None, _Handle)),
        ("cleanup", ctypes.c_void_p),
        ("extension_data", ctypes.CFUNCTYPE(ctypes.c_void_p, ctypes.c_char_p)),
    )


class Lv2InstanceStruct(ctypes.Structure):
    """LilvInstance."""

    _fields_ = (("descriptor", ctypes.POINTER(Descriptor)), ("handle", _Handle), ("private", ctypes.c_void_p))


def open_host(job: dict[str, Any]) -> Lv2Host:
    """Read the data and load the plug-in. Raises Slip where there is none, or it needs what no host here offers."""
    bundle = None
    if job["file"]:
        bundle = Path(find_on_path(job["file"], ".lv2", "LV2_PATH", usual_folders("lv2"))).resolve()
        if not (bundle / "manifest.ttl").is_file():
            raise Slip("build.file", f"{bundle}: is no LV2 bundle, there is no manifest.ttl in it")
    lilv = Lilv(bundle)
    plugins = lilv.plugins()
    if not job["plugin"] and len(plugins) == 1:
        job = job | {"plugin": next(iter(plugins))}
    if job["plugin"] not in plugins:
        raise Slip("build.plugin", _no_such_plugin(job["plugin"], list(plugins), bundle))
    return Lv2Host(job, lilv, plugins[job["plugin"]])


class Lv2Host:
    """A plug-in, and what its data says.

    controls : dict
        Port number -> Range, of the control inputs in order.
    """

    def __init__(self, job: dict[str, Any], lilv: Lilv, plugin: Any) -> None:
        self.job, self.lilv, self.plugin = job, lilv, plugin
        if lacking := [uri for uri in lilv.required_features(plugin) if uri not in OFFERED]:
            raise Slip("build.plugin", f"{job['plugin']} needs a host that offers {', '.join(lacking)}")
        load(lilv.binary(plugin), "an LV2 plug-in")
        self.ports = lilv.ports(plugin)
        self.controls = {
            number: range_of(port, job["sample_rate"])
            for number, port in enumerate(self.ports)
            if port.kinds >= {"ControlPort", "InputPort"}
        }
        self.latency_port = lilv.latency_port(plugin)
        wants_default = lilv.call("lilv_plugin_has_feature", plugin, lilv.uri(LOAD_DEFAULT_STATE))
        self.default_state = lilv.uri(job["plugin"]) if wants_default else None
        self.preset: Any = None
        if job["preset"]:
            presets = lilv.presets(plugin)
            self.preset = list(presets.values())[find("build.preset", "preset", job["preset"], list(presets))]

    def make(self) -> Lv2Instance:
        if self.latency_port is None:
            return Lv2Instance(self)
        latency = settled_latency(lambda: Lv2Instance(self), self.job["sample_rate"], self.job["block_size"])
        return Lv2Instance(self, latency)

    def audio(self, side: str) -> AudioPorts:
        """Buffers of all "inputs" or "outputs"."""
        kinds = {"AudioPort", "InputPort" if side == "inputs" else "OutputPort"}
        ports = {number: port.names for number, port in enumerate(self.ports) if port.kinds >= kinds}
        return AudioPorts(side, self.job, ports)

    def port_names(self) -> dict[str, int]:
        """Symbol -> number of each control input."""
        return {self.ports[number].names[0]: number for number in self.controls}


class Lv2Instance(Instance):
    """What liblilv instantiated, its state restored, its ports connected, and activated."""

    can_move = True

    def __init__(self, host: Lv2Host, latency: int | None = None) -> None:
        job, self._host = host.job, host
        self._features = Features(job["sample_rate"], job["block_size"])
        self._inputs, self._outputs = host.audio("inputs"), host.audio("outputs")
        self._controls = (ctypes.c_float * max(len(host.ports), 1))()
        for number, control in host.controls.items():
            self._controls[number] = default_of(host.ports[number], control, job["sample_rate"])
        made = host.lilv.call("lilv_plugin_instantiate", host.plugin, job["sample_rate"], self._features.array)
        if not made:
            raise BuildError(f"instantiate returned NULL at {job['sample_rate']} Hz")
        self._made = made
        instance = Lv2InstanceStruct.from_address(made)
        self._handle, self._call = instance.handle, instance.descriptor.contents
        self._worker = self._call.extension_data(WORKER_INTERFACE.encode()) if self._call.extension_data else None
        if host.default_state:  # whose ports are at the defaults already
            self._restore(host.default_state, ports_too=False)
        if host.preset:
            self._restore(host.preset, ports_too=True)
        for name, value in job["parameters"].items():
            self.set_parameter(name, value)
        if host.latency_port is not None and latency is not None:
            self._controls[host.latency_port] = latency
        self._event_inputs: list[Events] = []
        self._event_outputs: list[Events] = []
        self._cv: list[Buffers] = []
        for number, port in enumerate(host.ports):
            self._call.connect_port(self._handle, number, self._place_for(number, port))
        self.can_reset = bool(self._call.activate)
        self._activate()
        if self._worker:  # restoring may have scheduled what the first block needs
            self._features.work(self._handle, self._worker, after_run=False)

    @property
    def latency_samples(self) -> int | None:
        number = self._host.latency_port
        return None if number is None else told_latency(self._controls[number])

    def process(self, block: NDArray[Any]) -> NDArray[Any]:
        frames = block.shape[1]
        self._inputs.feed(block)
        self.run(frames)
        return self._outputs.taken(frames)

    def run(self, frames: int) -> None:
        """Run on whatever stands in the inputs."""
        self._outputs.spoil(frames)
        for events in self._event_inputs:
            events.empty()
        for events in self._event_outputs:
            events.offer()
        self.call_build(self._call.run, self._handle, frames)
        if self._worker:
            self._features.work(self._handle, self._worker, after_run=True)

    def reset(self) -> None:
        self._deactivate()
        self._activate()

    def set_parameter(self, name: str, value: str | bool | float) -> None:
        controls = self._host.controls
        number = list(controls)[find_parameter(name, [self._host.ports[one].names for one in controls])]
        self._controls[number] = controls[number].number(name, value)

    def close(self) -> None:
        self._deactivate()
        self._host.lilv.call("lilv_instance_free", self._made)
        if self._inputs.overrun or self._outputs.overrun or any(cv.overrun for cv in self._cv):
            raise BuildError("run writes outside of its buffers")

    def _place_for(self, number: int, port: Port) -> int | None:
        """Address that a port is connected to."""
        audio = self._inputs.pointers | self._outputs.pointers
        if number in audio:
            return _address(audio[number])
        if "ControlPort" in port.kinds:
            return ctypes.addressof(self._controls) + 4 * number
        if "CVPort" in port.kinds:
            self._cv.append(Buffers(1, self._host.job["block_size"]))
            return _address(self._cv[-1].pointers[0])
        if "AtomPort" in port.kinds:
            events = Events(self._features, port.least_bytes)
            (self._event_inputs if "InputPort" in port.kinds else self._event_outputs).append(events)
            return events.address
        if "connectionOptional" in port.properties:
            return None
        raise BuildError(f"port {port.names[0]} is of a kind that this host does not know, and must be connected")

    def _restore(self, node: Any, ports_too: bool) -> None:
        """Load the state that a node of the data describes, and where it says so the values of ports."""
        lilv, symbols = self._host.lilv, self._host.port_names() if ports_too else {}
        types = {self._features.number(ATOM + name): kind for name, kind in ATOM_NUMBERS.items()}

        def take(symbol: bytes, _: Any, value: int, size: int, kind: int) -> None:
            number = symbols.get(symbol.decode(errors="replace"))
            if number is not None and kind in types and size == ctypes.sizeof(types[kind]):
                self._controls[number] = types[kind].from_address(value).value

        state = lilv.call("lilv_state_new_from_world", lilv.world, self._features.urid_map, node)
        if not state:
            raise BuildError(f"its data does not tell the state {lilv.text(node)}")
        lilv.call("lilv_state_restore", state, self._made, SetPortValue(take), None, 0, self._features.array)

    def _activate(self) -> None:
        if self._call.activate:
            self._call.activate(self._handle)

    def _deactivate(self) -> None:
        if self._call.deactivate:
            self._call.deactivate(self._handle)


def range_of(port: Port, rate_hz: int) -> Range:
    """The numbers that a control port takes."""
    if "toggled" in port.properties:
        return Range(0.0, 1.0, whole=True)
    factor = rate_hz if "sampleRate" in port.properties else 1
    low, high = (None if bound is None else bound * factor for bound in (port.low, port.high))
    return Range(low, high, "integer" in port.properties, port.choices)


def default_of(port: Port, control: Range, rate_hz: int) -> float:
    """Where a control port stands when nobody sets it; without a default, 0 or the bound that is nearest to it."""
    if port.default is not None:
        return port.default * (rate_hz if "sampleRate" in port.properties else 1)
    low = -math.inf if control.low is None else control.low
    return min(max(0.0, low), math.inf if control.high is None else control.high)


def _no_such_plugin(uri: str, known: list[str], bundle: Path | None) -> str:
    where = f"in {bundle}" if bundle else "on LV2_PATH"
    near = did_you_mean(uri, known)
    listed = f"; there {'is' if len(known) == 1 else 'are'} {', '.join(known)}" if len(known) <= MOST_LISTED else ""
    return f"no plug-in {uri} {where}{near}{listed if known else '; there is none at all'}"


def _address(pointer: Any) -> int | None:
    return ctypes.cast(pointer, ctypes.c_void_p).value
