"""Hosts: how each kind of build that runs inside a process is loaded, made and fed, all behind one face.

A host opens the build once and makes any number of fresh instances of it. Hosts live in the worker process only
(``render.worker``): whatever the build does to its process, it does not do to the suite.

    python     an object of somebody's module
    library    a shared library with the five functions of reverb.h
    ladspa, lv2, clap, vst3    open plug-in standards, each hosted by its C interface or by a library that keeps it

A host module has ``open_host(job) -> Host``; ``job`` is what ``render.hosted.describe_job`` wrote.
"""

from __future__ import annotations

import difflib
import importlib
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

HOSTED = ("python", "library", "ladspa", "lv2", "clap", "vst3")
"""Kinds of build that a host runs; each is a module of this room."""


class BuildError(Exception):
    """The build cannot be run; the message says why."""


class Slip(BuildError):
    """The TOML of the build asks for something that is not there: a file, a plug-in, a parameter.

    key : the key of the TOML that is wrong.
    """

    def __init__(self, key: str, problem: str) -> None:
        super().__init__(f"{key}: {problem}")


def _call(function: Callable[..., Any], *arguments: Any, **named: Any) -> Any:
    return function(*arguments, **named)


class Instance(ABC):
    """One reverb, ready to run. Hosts derive from this.

    latency_samples : int or None
        What it says of its own latency, asked after every block; None where it has no way to say.
    can_reset, can_move : bool
        Whether ``reset`` and ``set_parameter`` may be called.
    call_build : callable
        Has the build itself work on a block: called with a function of the build and its arguments. Who counts what
        that costs puts a bracket in its place.
    """

    can_reset = False
    can_move = False
    call_build: Callable[..., Any] = staticmethod(_call)

    @property
    def latency_samples(self) -> int | None:
        return None

    @abstractmethod
    def process(self, block: NDArray[Any]) -> NDArray[Any]:
        """Turn a block of float64, shape (channels in, frames), into one of shape (channels out, frames)."""

    @abstractmethod
    def reset(self) -> None:
        """Forget all sound that went in."""

    @abstractmethod
    def set_parameter(self, name: str, value: str | bool | float) -> None:
        """Move a parameter while sound runs. Raises Slip for an unknown name."""

    def close(self) -> None:  # noqa: B027 - most have nothing to free
        """Free what it holds. Raises BuildError where only now something shows that it did wrong."""


class Host(Protocol):
    """A build that was opened."""

    def make(self) -> Instance:
        """Make a fresh instance, parameters set. Raises BuildError or Slip."""


def open_host(job: dict[str, Any]) -> Host:
    """Open the build of a job. Raises BuildError or Slip."""
    host: Host = importlib.import_module(f"reverdict.render.hosts.{job['kind']}").open_host(job)
    return host


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """The nearest name, to be put behind a complaint; empty where none is near."""
    spelt = {one.lower(): one for one in known}
    near = difflib.get_close_matches(name.lower(), spelt, 1)
    return f"; did you mean {spelt[near[0]]}?" if near else ""


def unknown(what: str, name: str, known: Iterable[str]) -> str:
    """A complaint about an unknown name that lists the known ones: 'no parameter "mixx"; did you mean mix? …'."""
    names = list(known)
    listed = ", ".join(names) or "none"
    return f'no {what} "{name}"{did_you_mean(name, names) or ";"} there {"are" if len(names) > 1 else "is"} {listed}'
