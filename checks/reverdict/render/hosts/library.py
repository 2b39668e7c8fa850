"""Kind ``library``: a shared library that has the five functions of ``reverb.h``."""

from __future__ import annotations

import ctypes
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.render.hosts import BuildError, Instance, Slip, unknown
from reverdict.render.hosts.buffers import Buffers, FloatPointer

if TYPE_CHECKING:
    from numpy.typing import NDArray

_Rows = ctypes.POINTER(FloatPointer)
_Handle = ctypes.c_void_p
FUNCTIONS: dict[str, tuple[Any, list[Any]]] = {
    "reverb_open": (_Handle, [ctypes.c_double, ctypes.c_int, ctypes.c_int, ctypes.c_int]),
    "reverb_set": (ctypes.c_int, [_Handle, ctypes.c_char_p, ctypes.c_double]),
    "reverb_process": (None, [_Handle, _Rows, _Rows, ctypes.c_int]),
    "reverb_reset": (None, [_Handle]),
    "reverb_close": (None, [_Handle]),
}
MAY_BE_THERE: dict[str, tuple[Any, list[Any]]] = {
    "reverb_set_text": (ctypes.c_int, [_Handle, ctypes.c_char_p, ctypes.c_char_p]),
    "reverb_latency": (ctypes.c_int, [_Handle]),
    "reverb_parameter": (ctypes.c_char_p, [ctypes.c_int]),
}
MOST_PARAMETERS = 10_000


def open_host(job: dict[str, Any]) -> LibraryHost:
    """Load the library. Raises Slip where there is none, or functions are missing."""
    return LibraryHost(job)


def load(path: str, what: str = "a shared library") -> ctypes.CDLL:
    """Load a shared library. Raises Slip that says why it does not load."""
    if not Path(path).is_file():
        raise Slip("build.file", f"{path}: no such file; is it built, and its name right?")
    try:
        return ctypes.CDLL(path)
    except OSError as error:
        said = str(error).removeprefix(f"{path}: ")
        raise Slip("build.file", f"{path}: does not load as {what}: {said}") from None


class LibraryHost:
    """A loaded library; its functions are attributes by their names, None where one of the optional ones is missing."""

    def __init__(self, job: dict[str, Any]) -> None:
        self.job = job
        library = load(job["file"])
        missing = [name for name in FUNCTIONS if not hasattr(library, name)]
        if missing:
            hint = '; in C++ they need extern "C", which reverb.h gives them (reverdict header)'
            raise Slip("build.file", f"{job['file']}: has no {', '.join(missing)}{hint}")
        self.functions = {
            name: _declared(library, name, *types)
            for name, types in {**FUNCTIONS, **MAY_BE_THERE}.items()
            if hasattr(library, name)
        }

    def make(self) -> LibraryInstance:
        return LibraryInstance(self)

    def known_parameters(self) -> list[str]:
        """Names that the library lists; empty where it lists none."""
        listed = self.functions.get("reverb_parameter")
        names: list[str] = []
        while listed and len(names) < MOST_PARAMETERS and (name := listed(len(names))) is not None:
            names.append(name.decode(errors="replace"))
        return names


class LibraryInstance(Instance):
    """What ``reverb_open`` returned."""

    can_reset = True
    can_move = True

    def __init__(self, host: LibraryHost) -> None:
        job, self._host, self._call = host.job, host, host.functions
        shape = job["input_channels"], job["output_channels"]
        self._input, self._output = (Buffers(channels, job["block_size"]) for channels in shape)
        self._handle = self._call["reverb_open"](job["sample_rate"], *shape, job["block_size"])
        if not self._handle:
            asked = f"{job['sample_rate']} Hz, {shape[0]} in, {shape[1]} out, blocks of {job['block_size']}"
            raise BuildError(f"reverb_open returned NULL for {asked}")
        for name, value in job["parameters"].items():
            self.set_parameter(name, value)

    @property
    def latency_samples(self) -> int | None:
        asked = self._call.get("reverb_latency")
        return int(asked(self._handle)) if asked else None

    def process(self, block: NDArray[Any]) -> NDArray[Any]:
        frames = block.shape[1]
        self._input.rows[:, :frames] = block
        self._output.spoil(frames)
        process = self._call["reverb_process"]
        self.call_build(process, self._handle, self._input.pointers, self._output.pointers, frames)
        self._output.require_written(frames)
        return self._output.rows[:, :frames]

    def reset(self) -> None:
        self._call["reverb_reset"](self._handle)

    def set_parameter(self, name: str, value: str | bool | float) -> None:
        if isinstance(value, str):
            call = self._call.get("reverb_set_text")
            if call is None:
                raise Slip(f"build.parameters.{name}", f'is the text "{value}", and the library has no reverb_set_text')
            refused = call(self._handle, name.encode(), value.encode())
        else:
            refused = self._call["reverb_set"](self._handle, name.encode(), float(value))
        if refused:
            known = self._host.known_parameters()
            if name in known:
                raise Slip(f"build.parameters.{name}", f"the library refuses {value!r}")
            listed = unknown("parameter", name, known) if known else f'the library knows no parameter "{name}"'
            raise Slip("build.parameters", listed)

    def close(self) -> None:
        self._call["reverb_close"](self._handle)
        if self._output.overrun or self._input.overrun:
            raise BuildError("reverb_process writes outside of its buffers")


def _declared(library: ctypes.CDLL, name: str, result: Any, arguments: list[Any]) -> Any:
    function = getattr(library, name)
    function.restype, function.argtypes = result, arguments
    return function
