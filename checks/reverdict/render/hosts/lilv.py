"""liblilv, the library that reads the Turtle data of LV2 plug-ins, by its C interface: only what the host needs.

Functions are called by their C names (``lilv.call("lilv_world_new")``). Nodes that the library hands out are freed with
the process: a worker opens one plug-in.
"""

from __future__ import annotations

import contextlib
import ctypes
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reverdict.render.hosts import BuildError, Slip

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LIBRARIES = {
    "darwin": ("liblilv-0.0.dylib", "/opt/homebrew/lib/liblilv-0.0.dylib", "/usr/local/lib/liblilv-0.0.dylib"),
    "win32": ("lilv-0-0.dll", "lilv-0.dll"),
}
LINUX_LIBRARIES = ("liblilv-0.so.0", "liblilv-0.so")
MISSING = (
    '"lv2" needs liblilv (0.24 or newer), which is not on this machine; '
    "Debian, Ubuntu: apt-get install liblilv-0-0; elsewhere the package is mostly called lilv"
)

LV2 = "http://lv2plug.in/ns/lv2core#"
RDFS = "http://www.w3.org/2000/01/rdf-schema#"

_P, _S = ctypes.c_void_p, ctypes.c_char_p
_Floats = ctypes.POINTER(ctypes.c_float)
SetPortValue = ctypes.CFUNCTYPE(None, _S, _P, _P, ctypes.c_uint32, ctypes.c_uint32)
"""LilvSetPortValueFunc."""

COLLECTIONS = ("nodes", "plugins", "scale_points")
FUNCTIONS: dict[str, tuple[Any, list[Any]]] = {
    "lilv_world_new": (_P, []),
    "lilv_world_load_all": (None, [_P]),
    "lilv_world_load_bundle": (None, [_P, _P]),
    "lilv_world_load_resource": (ctypes.c_int, [_P, _P]),
    "lilv_world_get_all_plugins": (_P, [_P]),
    "lilv_world_get": (_P, [_P, _P, _P, _P]),
    "lilv_new_uri": (_P, [_P, _S]),
    "lilv_new_file_uri": (_P, [_P, _S, _S]),
    "lilv_node_as_string": (_S, [_P]),
    "lilv_node_as_float": (ctypes.c_float, [_P]),
    "lilv_node_as_int": (ctypes.c_int, [_P]),
    "lilv_node_get_path": (_S, [_P, _P]),
    **{f"lilv_{kind}_begin": (_P, [_P]) for kind in COLLECTIONS},
    **{f"lilv_{kind}_get": (_P, [_P, _P]) for kind in COLLECTIONS},
    **{f"lilv_{kind}_next": (_P, [_P, _P]) for kind in COLLECTIONS},
    **{f"lilv_{kind}_is_end": (ctypes.c_bool, [_P, _P]) for kind in COLLECTIONS},
    "lilv_scale_point_get_label": (_P, [_P]),
    "lilv_scale_point_get_value": (_P, [_P]),
    "lilv_plugin_get_uri": (_P, [_P]),
    "lilv_plugin_get_library_uri": (_P, [_P]),
    "lilv_plugin_has_feature": (ctypes.c_bool, [_P, _P]),
    "lilv_plugin_get_required_features": (_P, [_P]),
    "lilv_plugin_get_num_ports": (ctypes.c_uint32, [_P]),
    "lilv_plugin_get_port_by_index": (_P, [_P, ctypes.c_uint32]),
    "lilv_plugin_get_port_ranges_float": (None, [_P, _Floats, _Floats, _Floats]),
    "lilv_plugin_has_latency": (ctypes.c_bool, [_P]),
    "lilv_plugin_get_latency_port_index": (ctypes.c_uint32, [_P]),
    "lilv_plugin_get_related": (_P, [_P, _P]),
    "lilv_plugin_instantiate": (_P, [_P, ctypes.c_double, _P]),
    "lilv_instance_free": (None, [_P]),
    "lilv_port_get_symbol": (_P, [_P, _P]),
    "lilv_port_get_name": (_P, [_P, _P]),
    "lilv_port_get": (_P, [_P, _P, _P]),
    "lilv_port_is_a": (ctypes.c_bool, [_P, _P, _P]),
    "lilv_port_has_property": (ctypes.c_bool, [_P, _P, _P]),
    "lilv_port_get_scale_points": (_P, [_P, _P]),
    "lilv_state_new_from_world": (_P, [_P, _P, _P]),
    "lilv_state_restore": (None, [_P, _P, SetPortValue, _P, ctypes.c_uint32, _P]),
}  # fmt: skip


@dataclass(frozen=True)
class Port:
    """What the data says of a port.

    names : tuple of str
        Symbol and name.
    kinds, properties : frozenset of str
        Those of ``KINDS`` and ``PROPERTIES`` that hold.
    low, high, default : float or None
    choices : dict
        Labels of scale points -> their values.
    least_bytes : int
        Smallest buffer of an event output; 0 where nothing is said.
    """

    names: tuple[str, ...]
    kinds: frozenset[str]
    properties: frozenset[str]
    low: float | None
    high: float | None
    default: float | None
    choices: dict[str, float]
    least_bytes: int


KINDS = {
    **{f"{kind}Port": LV2 + f"{kind}Port" for kind in ("Input", "Output", "Audio", "Control", "CV")},
    "AtomPort": "http://lv2plug.in/ns/ext/atom#AtomPort",
}
PROPERTIES = {name: LV2 + name for name in ("connectionOptional", "toggled", "integer", "enumeration", "sampleRate")}
MINIMUM_SIZE = "http://lv2plug.in/ns/ext/resize-port#minimumSize"
PRESET = "http://lv2plug.in/ns/ext/presets#Preset"


class Lilv:
    """The library, and a world of what it has read.

    Parameters
    ----------
    bundle : path or None
        The only bundle to read; None is all on LV2_PATH.
    """

    def __init__(self, bundle: Path | None) -> None:
        self._library = load()
        self.world = self.call("lilv_world_new")
        if bundle is None:
            self.call("lilv_world_load_all", self.world)
        else:
            # The closing slash says that it is a folder.
            uri = self.call("lilv_new_file_uri", self.world, None, f"{bundle}/".encode())
            self.call("lilv_world_load_bundle", self.world, uri)

    def call(self, function: str, *arguments: Any) -> Any:
        """Call a function of FUNCTIONS."""
        return getattr(self._library, function)(*arguments)

    def uri(self, text: str) -> Any:
        """A node of a URI."""
        return self.call("lilv_new_uri", self.world, text.encode())

    def text(self, node: Any) -> str:
        """What a node says; empty where there is none."""
        return (self.call("lilv_node_as_string", node) or b"").decode(errors="replace") if node else ""

    def each(self, kind: str, collection: Any) -> Iterator[Any]:
        """The members of a collection of "nodes", "plugins" or "scale_points"."""
        if not collection:
            return
        at = self.call(f"lilv_{kind}_begin", collection)
        while not self.call(f"lilv_{kind}_is_end", collection, at):
            yield self.call(f"lilv_{kind}_get", collection, at)
            at = self.call(f"lilv_{kind}_next", collection, at)

    def plugins(self) -> dict[str, Any]:
        """URI -> plug-in."""
        all_of_them = self.each("plugins", self.call("lilv_world_get_all_plugins", self.world))
        return {self.text(self.call("lilv_plugin_get_uri", one)): one for one in all_of_them}

    def binary(self, plugin: Any) -> str:
        """Path of its shared library."""
        uri = self.call("lilv_plugin_get_library_uri", plugin)
        path = self.call("lilv_node_get_path", uri, None) if uri else None
        if not path:
            raise BuildError("the plug-in's data names no shared library (lv2:binary)")
        return str(path.decode(errors="surrogateescape"))

    def required_features(self, plugin: Any) -> list[str]:
        return [self.text(one) for one in self.each("nodes", self.call("lilv_plugin_get_required_features", plugin))]

    def presets(self, plugin: Any) -> dict[tuple[str, str], Any]:
        """Label and URI of each preset, in the order of labels -> its node."""
        found = {}
        for node in self.each("nodes", self.call("lilv_plugin_get_related", plugin, self.uri(PRESET))):
            self.call("lilv_world_load_resource", self.world, node)
            label = self.call("lilv_world_get", self.world, node, self.uri(RDFS + "label"), None)
            found[self.text(label) or self.text(node), self.text(node)] = node
        return dict(sorted(found.items()))

    def ports(self, plugin: Any) -> list[Port]:
        """Its ports, in order."""
        count = self.call("lilv_plugin_get_num_ports", plugin)
        low, high, default = ((ctypes.c_float * max(count, 1))() for _ in range(3))
        self.call("lilv_plugin_get_port_ranges_float", plugin, low, high, default)
        kinds, properties = ({name: self.uri(uri) for name, uri in group.items()} for group in (KINDS, PROPERTIES))
        minimum_size = self.uri(MINIMUM_SIZE)
        found = []
        for number in range(count):
            port = self.call("lilv_plugin_get_port_by_index", plugin, number)
            asked = plugin, port
            symbol, name = self.call("lilv_port_get_symbol", *asked), self.call("lilv_port_get_name", *asked)
            size = self.call("lilv_port_get", *asked, minimum_size)
            found.append(
                Port(
                    tuple(dict.fromkeys((self.text(symbol), self.text(name)))),
                    frozenset(one for one, node in kinds.items() if self.call("lilv_port_is_a", *asked, node)),
                    frozenset(
                        one for one, node in properties.items() if self.call("lilv_port_has_property", *asked, node)
                    ),
                    _number(low[number]),
                    _number(high[number]),
                    _number(default[number]),
                    self._choices(plugin, port),
                    self.call("lilv_node_as_int", size) if size else 0,
                )
            )
        return found

    def latency_port(self, plugin: Any) -> int | None:
        """Number of the port by which it reports its latency."""
        if not self.call("lilv_plugin_has_latency", plugin):
            return None
        return int(self.call("lilv_plugin_get_latency_port_index", plugin))

    def _choices(self, plugin: Any, port: Any) -> dict[str, float]:
        points = self.each("scale_points", self.call("lilv_port_get_scale_points", plugin, port))
        return {
            self.text(self.call("lilv_scale_point_get_label", point)): self.call(
                "lilv_node_as_float", self.call("lilv_scale_point_get_value", point)
            )
            for point in points
        }


def load() -> ctypes.CDLL:
    """The library, its functions declared. Raises Slip where it is not there."""
    for name in LIBRARIES.get(sys.platform, LINUX_LIBRARIES):
        with contextlib.suppress(OSError):
            library = ctypes.CDLL(name)
            for function, (result, arguments) in FUNCTIONS.items():
                getattr(library, function).restype = result
                getattr(library, function).argtypes = arguments
            return library
    raise Slip("build.kind", MISSING)


def _number(value: float) -> float | None:
    """None where the data says nothing, which lilv tells by NaN."""
    return None if value != value else value
