"""Kind ``clap``: a plug-in of the CLAP standard (version 1.x), hosted by its C interface.

Its structures stand in ``clap_abi``, the host's side in ``clap_host``. An instance is made, given its preset and its
parameters, activated and started; each block then carries the parameters that have moved since the last one, as events
at its first sample. There is no transport. A restart that the plug-in asks for comes between two blocks.

Parameters go by their names ("Decay"), or with the path of their module ("Tank/Decay"), which it takes where two are
called alike. A text stands for the choice of that name, or for the number that the plug-in reads in it: "2.3 kHz".

Audio channels go by the name of their port, with a number where the port has several: "Main 1", "Main 2". Where the
TOML names none, the first port is used, which the standard makes the main one; if it has too few channels, all are.

A preset is a file that holds the state as the plug-in itself saved it.

A bare name is looked for in the folders of CLAP_PATH, else ~/.clap, /usr/local/lib/clap and /usr/lib/clap, but not in
folders inside those.
"""

from __future__ import annotations

import ctypes
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.render.hosts import BuildError, Instance, Slip
from reverdict.render.hosts import clap_abi as abi
from reverdict.render.hosts.buffers import FloatPointer
from reverdict.render.hosts.clap_host import ClapHost, InputEvents, input_stream, output_events
from reverdict.render.hosts.library import load
from reverdict.render.hosts.names import distinct, find
from reverdict.render.hosts.parameters import Range, find_parameter
from reverdict.render.hosts.ports import AudioPorts
from reverdict.render.hosts.search_path import find_on_path, usual_folders

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

MOST_CHOICES = 1000
TEXT_BYTES = 256


def open_host(job: dict[str, Any]) -> ClapFile:
    """Load the file and choose the plug-in. Raises Slip where there is none."""
    path = find_on_path(job["file"], ".clap", "CLAP_PATH", usual_folders("clap"))
    return ClapFile(job, path)


class ClapFile:
    """A loaded file, and the one of its plug-ins that is meant. It stays loaded until the process ends."""

    def __init__(self, job: dict[str, Any], path: str) -> None:
        self.job = job
        library = load(path, "a CLAP plug-in")
        try:
            entry = abi.PluginEntry.in_dll(library, "clap_entry")
        except ValueError:
            raise Slip("build.file", f"{path}: is no CLAP plug-in, it has no clap_entry") from None
        if entry.version.major < 1:
            raise Slip("build.file", f"{path}: is of CLAP {entry.version.major}.{entry.version.minor}, before 1.0")
        if not entry.init(path.encode()):
            raise BuildError("clap_entry.init() refuses")
        self._address = entry.get_factory(abi.PLUGIN_FACTORY)
        if not self._address:
            raise Slip("build.file", f"{path}: has no plug-in factory")
        self._factory = abi.PluginFactory.from_address(self._address)
        self._id = self._chosen(path)

    def _chosen(self, path: str) -> bytes:
        found = []
        for number in range(self._factory.get_plugin_count(self._address)):
            described = self._factory.get_plugin_descriptor(self._address, number)
            if described:
                found.append(described.contents)
        names = [[_text(one.id), _text(one.name)] for one in found]
        if self.job["plugin"] or not found:
            return bytes(found[find("build.plugin", "plug-in", self.job["plugin"], names)].id)
        if len(found) > 1:
            raise Slip("build.plugin", f"which one is meant? {path} has {', '.join(one for one, _ in names)}")
        return bytes(found[0].id)

    def make(self) -> ClapInstance:
        host = ClapHost()
        address = self._factory.create_plugin(self._address, ctypes.byref(host.structure), self._id)
        if not address:
            raise BuildError("create_plugin() returned NULL")
        return ClapInstance(self.job, host, address)


class ClapInstance(Instance):
    """What ``create_plugin`` returned, initialised, set and running."""

    can_reset = True
    can_move = True

    def __init__(self, job: dict[str, Any], host: ClapHost, address: int) -> None:
        self._job, self._host, self._address = job, host, address
        self._call = abi.Plugin.from_address(address)
        if not self._call.init(address):
            raise BuildError("init() refuses")
        self._parameters = self._extension(abi.PARAMS, abi.PluginParams)
        self._latency = self._extension(abi.LATENCY, abi.PluginLatency)
        self._known: list[abi.ParamInfo] = []
        self._moves, self._events_out = InputEvents(), output_events()
        self._inputs, self._feeds = self._audio("inputs")
        self._outputs, self._yields = self._audio("outputs")
        self._block = abi.Process(
            audio_inputs=self._feeds,
            audio_outputs=self._yields,
            audio_inputs_count=len(self._feeds),
            audio_outputs_count=len(self._yields),
            in_events=ctypes.pointer(self._moves.structure),
            out_events=ctypes.pointer(self._events_out),
        )
        if job["preset"]:
            self._load(Path(job["preset"]))
        for name, value in job["parameters"].items():
            self.set_parameter(name, value)
        if len(self._moves):
            self._flush()
        self._grant_call()
        self._start()

    @property
    def latency_samples(self) -> int | None:
        return None if self._latency is None else int(self._latency.get(self._address))

    def process(self, block: NDArray[Any]) -> NDArray[Any]:
        frames = block.shape[1]
        self._inputs.feed(block)
        self._outputs.spoil(frames)
        for buffer in (*self._feeds, *self._yields):
            buffer.constant_mask = 0
        self._block.frames_count = frames
        status = self._in_audio("process", ctypes.byref(self._block))
        self._moves.clear()
        self._block.steady_time += frames
        if status == abi.PROCESS_ERROR:
            raise BuildError("process() reports an error")
        self._grant_call()
        if self._host.restart_wanted:
            self._stop()
            self._start()
        return self._outputs.taken(frames)

    def reset(self) -> None:
        self._in_audio("reset")

    def set_parameter(self, name: str, value: str | bool | float) -> None:
        """Keep the value for the next block. Raises Slip for an unknown name or a value out of range."""
        if self._host.parameters_changed or not self._known:
            self._known, self._host.parameters_changed = list(self._described()), False
        parameter = self._known[find_parameter(name, _names(self._known))]
        if parameter.flags & abi.PARAM_IS_READONLY:
            raise Slip(f"build.parameters.{name}", "the plug-in lets nobody set it")
        whole = bool(parameter.flags & abi.PARAM_IS_STEPPED)
        choices = self._choices(parameter) if whole and isinstance(value, str) else {}
        if isinstance(value, str) and not choices:
            value = self._read(parameter, value)
        self._moves.add(parameter, Range(parameter.min_value, parameter.max_value, whole, choices).number(name, value))

    def close(self) -> None:
        self._stop()
        self._call.destroy(self._address)
        if self._inputs.overrun or self._outputs.overrun:
            raise BuildError("process() writes outside of its buffers")

    def _extension(self, name: bytes, structure: type[ctypes.Structure]) -> Any:
        """What the plug-in has by this name, None where it has nothing."""
        address = self._call.get_extension(self._address, name)
        return structure.from_address(address) if address else None

    def _audio(self, side: str) -> tuple[AudioPorts, Any]:
        """All channels of "inputs" or "outputs", and the array of port structures that leads to them."""
        names = [[_text(port.name) or side[:-1], port.channel_count] for port in self._ports(side == "inputs")]
        channels = distinct([
            f"{name} {number + 1}" if count > 1 else name for name, count in names for number in range(count)
        ])  # fmt: skip
        main = channels[: names[0][1]] if names else []
        needed = self._job[f"{side[:-1]}_channels"]
        chosen = self._job[side] or (main if len(main) >= needed else [])
        ports = AudioPorts(side, self._job | {side: chosen}, dict(enumerate([name] for name in channels)))
        structures = (abi.AudioBuffer * len(names))()
        first = 0
        for structure, (_, count) in zip(structures, names, strict=True):
            pointers = [ports.pointers[number] for number in range(first, first + count)]
            structure.data32 = (FloatPointer * max(count, 1))(*pointers)
            structure.channel_count = count
            first += count
        return ports, structures

    def _ports(self, inputs: bool) -> Iterator[abi.AudioPortInfo]:
        extension = self._extension(abi.AUDIO_PORTS, abi.PluginAudioPorts)
        for number in range(extension.count(self._address, inputs) if extension else 0):
            info = abi.AudioPortInfo()
            if not extension.get(self._address, number, inputs, ctypes.byref(info)):
                raise BuildError(f"does not describe its audio {'input' if inputs else 'output'} {number}")
            yield info

    def _described(self) -> Iterator[abi.ParamInfo]:
        for number in range(self._parameters.count(self._address) if self._parameters else 0):
            info = abi.ParamInfo()
            if self._parameters.get_info(self._address, number, ctypes.byref(info)):
                yield info

    def _read(self, parameter: abi.ParamInfo, text: str) -> float | str:
        """The number that the plug-in reads in a text; the text where it reads none."""
        number = ctypes.c_double(math.nan)
        reading = self._parameters.text_to_value
        read = reading and reading(self._address, parameter.id, text.encode(), ctypes.byref(number))
        return number.value if read and math.isfinite(number.value) else text

    def _choices(self, parameter: abi.ParamInfo) -> dict[str, float]:
        """The texts of a stepped parameter's values, as far as the plug-in gives them."""
        low, high = int(parameter.min_value), int(parameter.max_value)
        writing, text = self._parameters.value_to_text, ctypes.create_string_buffer(TEXT_BYTES)
        values = range(low, high + 1) if writing and high - low < MOST_CHOICES else ()
        return {
            _text(text.value): float(value)
            for value in values
            if writing(self._address, parameter.id, float(value), text, TEXT_BYTES)
        }

    def _load(self, preset: Path) -> None:
        state = self._extension(abi.STATE, abi.PluginState)
        if state is None:
            raise Slip("build.preset", "the plug-in has no state that could be loaded")
        if not preset.is_file():
            raise Slip("build.preset", f"{preset}: no such file")
        if not state.load(self._address, ctypes.byref(input_stream(preset.read_bytes()))):
            raise Slip("build.preset", f"{preset}: the plug-in does not load it")

    def _flush(self) -> None:
        """Set parameters while nothing is processed."""
        if self._parameters:
            arguments = ctypes.byref(self._moves.structure), ctypes.byref(self._events_out)
            self._parameters.flush(self._address, *arguments)
        self._moves.clear()

    def _start(self) -> None:
        self._host.restart_wanted = False
        rate, largest = self._job["sample_rate"], self._job["block_size"]
        if not self._call.activate(self._address, rate, 1, largest):
            raise BuildError(f"activate() refuses {rate} Hz in blocks of 1 to {largest}")
        if not self._in_audio("start_processing"):
            raise BuildError("start_processing() refuses")
        self._grant_call()

    def _stop(self) -> None:
        self._in_audio("stop_processing")
        self._call.deactivate(self._address)

    def _grant_call(self) -> None:
        if self._host.call_wanted:
            self._host.call_wanted = False
            self._call.on_main_thread(self._address)

    def _in_audio(self, function: str, *arguments: Any) -> Any:
        self._host.in_audio = True
        try:
            return self.call_build(getattr(self._call, function), self._address, *arguments)
        finally:
            self._host.in_audio = False


def _names(parameters: Sequence[abi.ParamInfo]) -> list[list[str]]:
    """What each parameter goes by: its name, and that behind the path of its module, which comes first if need be."""
    short = [_text(one.name) for one in parameters]
    full = [f"{_text(one.module)}/{name}".lstrip("/") for one, name in zip(parameters, short, strict=True)]
    return [
        [path, name] if short.count(name) > 1 else [name, path] for path, name in zip(full, short, strict=True)
    ]  # fmt: skip


def _text(said: bytes | None) -> str:
    return (said or b"").decode(errors="replace").strip()
