"""Kind ``vst3``: a VST3 plug-in, hosted by the general effects library pedalboard (an extra: ``reverdict[vst3]``).

What the library does, and what is done about it:

- It makes a plug-in ready anew, and forgets its sound, as soon as a block comes that is larger than all before. So
  every instance hears ``PRIMING`` samples of silence first, or one block where that is more: a modulation is that far.
- It drops some of what a plug-in gives while its latency lasts. Silence fills the gap, so that nothing moves; the
  latency is told, and taken out like anybody else's.
- It runs main buses only, with as many channels in as out. A mono reference gets one channel each way where the plug-in
  takes that, else both inputs are fed and the first output is heard. Channels are called "1" or "left", "2" or "right".
- It resets a plug-in by activating it anew, or, where that does not silence it, makes another one: those have no reset
  of their own (``can_reset``).
- It sets some numbers to a neighbour that it came across in the texts of a thousand positions. So a number is set as
  the plug-in itself reads it in a text, and only if that cannot be right, as the nearest of those.

Parameters go by their names, or by the library's: small letters, underlines, units. A preset is a .vstpreset file.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.extras import getting
from reverdict.render.hosts import BuildError, Instance, Slip
from reverdict.render.hosts.names import distinct, find
from reverdict.render.hosts.parameters import Range, find_parameter
from reverdict.render.hosts.ports import choose_ports

if TYPE_CHECKING:
    from numpy.typing import NDArray

PRIMING = 8192
MISSING = "VST3 plug-ins need the library pedalboard, which is not there"
CHANNELS = (("1", "left"), ("2", "right"))


def open_host(job: dict[str, Any]) -> Vst3Host:
    """Look into the file and choose the plug-in. Raises Slip where there is none, or no library to run it."""
    try:
        import pedalboard
    except ImportError:
        raise Slip("build.kind", f"{MISSING}: {getting('pedalboard')}") from None
    path = job["file"]
    if not Path(path).exists():
        raise Slip("build.file", f"{path}: no such file; is it built, and its name right?")
    try:
        names = pedalboard.VST3Plugin.get_plugin_names_for_file(path)
    except ImportError:
        raise Slip("build.file", f"{path}: does not load as a VST3 plug-in of this system") from None
    if not job["plugin"] and len(names) > 1:
        raise Slip("build.plugin", f"which one is meant? {path} has {', '.join(names)}")
    chosen = find("build.plugin", "plug-in", job["plugin"], [[name] for name in names]) if job["plugin"] else 0
    return Vst3Host(job, pedalboard.VST3Plugin, names[chosen])


class Vst3Host:
    """One plug-in of a file."""

    def __init__(self, job: dict[str, Any], maker: Any, name: str) -> None:
        self._job, self._maker, self._name = job, maker, name

    def make(self) -> Vst3Instance:
        return self._run(self._load())

    def _load(self) -> Any:
        try:
            return self._maker(self._job["file"], plugin_name=self._name)
        except (ImportError, ValueError, RuntimeError) as error:
            raise BuildError(f"cannot be made: {_line(error)}") from None

    def _run(self, plugin: Any) -> Vst3Instance:
        """With as few channels as will do."""
        needed = max(self._job["input_channels"], self._job["output_channels"])
        named = self._job["inputs"] or self._job["outputs"]
        if needed == 1 and not named:
            with contextlib.suppress(ValueError):
                return Vst3Instance(self._job, plugin, 1)
        try:
            return Vst3Instance(self._job, plugin, 2)
        except ValueError as error:
            raise BuildError(f"does not run with two channels: {_line(error)}") from None


class Vst3Instance(Instance):
    """A plug-in that runs with a number of channels. Raises ValueError where it does not take so many."""

    can_move = True

    def __init__(self, job: dict[str, Any], plugin: Any, width: int) -> None:
        self._job, self._plugin, self._width = job, plugin, width
        known = CHANNELS[:width]
        self._inputs = choose_ports("inputs", job["inputs"], known, job["input_channels"])
        self._outputs = choose_ports("outputs", job["outputs"], known, job["output_channels"])
        self.can_reset = plugin._reload_type.name == "ClearsAudioOnReset"
        self._parameters: dict[str, Any] = {}
        if job["preset"]:
            self._load_preset(Path(job["preset"]))
        for name, value in job["parameters"].items():
            self.set_parameter(name, value)
        self._prime()

    @property
    def latency_samples(self) -> int | None:
        return int(self._plugin.reported_latency_samples)

    def process(self, block: NDArray[Any]) -> NDArray[Any]:
        frames = block.shape[1]
        heard = np.zeros((self._width, frames), np.float32)
        heard[self._inputs] = block
        returned = self._play(heard)
        output = np.zeros((len(self._outputs), frames), np.float32)
        output[:, frames - returned.shape[1] :] = returned[self._outputs]
        return output

    def reset(self) -> None:
        self._plugin.reset()
        self._prime()

    def set_parameter(self, name: str, value: str | bool | float) -> None:
        self._parameters = self._parameters or self._plugin.parameters
        names = distinct([one.name for one in self._parameters.values()])
        known = [list(pair) for pair in zip(names, self._parameters, strict=True)]
        parameter = list(self._parameters.values())[find_parameter(name, known)]
        parameter.raw_value = position(name, value, parameter)

    def _load_preset(self, preset: Path) -> None:
        if not preset.is_file():
            raise Slip("build.preset", f"{preset}: no such file")
        try:
            self._plugin.load_preset(str(preset))
        except RuntimeError:
            raise Slip("build.preset", f"{preset}: the plug-in does not load it") from None

    def _prime(self) -> None:
        self._play(np.zeros((self._width, max(PRIMING, self._job["block_size"])), np.float32))

    def _play(self, heard: NDArray[np.float32]) -> NDArray[np.float32]:
        rate_hz = float(self._job["sample_rate"])
        played: NDArray[np.float32] = self.call_build(
            self._plugin.process, heard, rate_hz, buffer_size=heard.shape[1], reset=False
        )
        return played


def position(name: str, value: str | bool | float, parameter: Any) -> float:
    """Where a parameter stands, 0 to 1, for a value of the TOML. Raises Slip for no choice of it, or out of range.

    ``parameter.ranges`` has what it stands for at a thousand positions: (from, to) -> value.
    """
    if parameter.type is bool:
        return Range(0.0, 1.0, whole=True).number(name, value)
    if parameter.type is float:
        low, high, _ = parameter.range
        return _between(min(max(Range(low, high).number(name, value), low), high), parameter)
    firsts: dict[str, float] = {}
    for (first, _), text in parameter.ranges.items():
        firsts.setdefault(text, first)
    chosen = find(f"build.parameters.{name}", "choice", str(value), [[text] for text in firsts])
    return list(firsts.values())[chosen]


def _between(number: float, parameter: Any) -> float:
    """Where the plug-in itself reads a number, if that lies between its neighbours; else its nearest neighbour's."""
    values = parameter.ranges.values()
    beside = max(one for one in values if one <= number), min(one for one in values if one >= number)
    ends = [end for span, one in parameter.ranges.items() if one in beside for end in span]
    read = float(parameter.get_raw_value_for_text(f"{number:.9g}"))
    if min(ends) <= read <= max(ends):
        return read
    nearest = min(beside, key=lambda one: abs(one - number))
    return float(next(first for (first, _), one in parameter.ranges.items() if one == nearest))


def _line(error: Exception) -> str:
    return " ".join(str(error).split())
