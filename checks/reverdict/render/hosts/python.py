"""Kind ``python``: ``module:object``, called as ``object(sample_rate=48000, **parameters)``.

It returns a processor with ``process(block) -> block``: float64 ndarray, shape (channels in, frames) in and (channels
out, frames) out, frames at most the block size. State lives in the processor. It may also have ``reset()``,
``set_parameter(name, value)`` and ``latency_samples``.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import inspect
import operator
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.render.hosts import BuildError, Instance, Slip, did_you_mean, unknown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray


def open_host(job: dict[str, Any]) -> PythonHost:
    """Import the object. Raises Slip where there is no such module or object, BuildError where the module fails."""
    return PythonHost(job)


class PythonHost:
    """An imported object that makes processors."""

    def __init__(self, job: dict[str, Any]) -> None:
        self._rate, self._parameters = job["sample_rate"], job["parameters"]
        module_name, _, self._name = job["object"].partition(":")
        sys.path.insert(0, job["module_path"])
        with blaming(f"cannot import {module_name}"):
            _require_module(module_name, job["module_path"])
            module = importlib.import_module(module_name)
        try:
            self._maker = operator.attrgetter(self._name)(module)
        except AttributeError:
            slip = did_you_mean(self._name, vars(module))
            raise Slip("build.object", f"module {module_name} has no {self._name}{slip}") from None
        _require_parameters(self._maker, self._name, self._parameters)

    def make(self) -> PythonInstance:
        given = ", ".join(["sample_rate", *self._parameters])
        with blaming(f"cannot make {self._name}({given})"):
            return PythonInstance(self._maker(sample_rate=self._rate, **self._parameters))


class PythonInstance(Instance):
    """Somebody's processor; what it raises is told as its failure."""

    def __init__(self, processor: Any) -> None:
        self._processor = processor
        self.can_reset = callable(getattr(processor, "reset", None))
        self.can_move = callable(getattr(processor, "set_parameter", None))

    @property
    def latency_samples(self) -> int | None:
        with blaming("latency_samples failed"):
            latency = getattr(self._processor, "latency_samples", None)
        return None if latency is None else operator.index(latency)

    def process(self, block: NDArray[Any]) -> NDArray[Any]:
        frames = block.shape[1]
        try:
            # A build may write into its input.
            returned = np.asarray(self.call_build(self._processor.process, block.copy()))
        except BaseException as error:
            raise _blamed("process() failed", error) from None
        if returned.dtype.kind not in "fiu":
            raise BuildError(f"process() returned {returned.dtype} values, needs real numbers")
        if returned.ndim != 2 or returned.shape[1] != frames:
            raise BuildError(f"process() returned shape {returned.shape}, needs (channels, {frames})")
        return returned

    def reset(self) -> None:
        with blaming("reset() failed"):
            self._processor.reset()

    def set_parameter(self, name: str, value: str | bool | float) -> None:
        with blaming(f'set_parameter("{name}", {value!r}) failed'):
            self._processor.set_parameter(name, value)


def _require_module(name: str, folder: str) -> None:
    """Raise Slip unless there is a module of this name. What fails inside it is not looked at."""
    top = name.partition(".")[0]
    if importlib.util.find_spec(top) is None:
        modules = [path.stem for path in Path(folder).iterdir() if path.suffix == ".py" or path.is_dir()]
        raise Slip("build.object", f"no module {top} in {folder}{did_you_mean(top, modules)}")


def _require_parameters(maker: Any, name: str, parameters: dict[str, Any]) -> None:
    """Raise Slip for a parameter that the object does not take, as far as its signature tells."""
    try:
        taken = inspect.signature(maker).parameters
    except (TypeError, ValueError):
        return
    if any(one.kind is inspect.Parameter.VAR_KEYWORD for one in taken.values()):
        return
    known = [one for one in taken if one != "sample_rate"]
    for parameter in parameters:
        if parameter not in known:
            raise Slip("build.parameters", f"{name}: {unknown('parameter', parameter, known)}")


@contextlib.contextmanager
def blaming(doing: str) -> Iterator[None]:
    """Turn whatever the build raises, even an exit, into BuildError: the last line of its traceback, and where."""
    try:
        yield
    except Slip:
        raise
    except BaseException as error:
        raise _blamed(doing, error) from None


def _blamed(doing: str, error: BaseException) -> BuildError:
    last_line = " ".join(traceback.format_exception_only(error)[-1].split())
    return BuildError(f"{doing}: {last_line}{_where(error)}")


def _where(error: BaseException) -> str:
    """The last line of somebody's file that led here: not ours, not the import machinery's."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = (__file__, importlib.__file__)
    theirs = [frame for frame in frames if frame.filename not in ours and not frame.filename.startswith("<")]
    if isinstance(error, SyntaxError) and error.filename:
        return f" ({Path(error.filename).name}, line {error.lineno})"
    return f" ({Path(theirs[-1].filename).name}, line {theirs[-1].lineno})" if theirs else ""
