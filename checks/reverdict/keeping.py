"""What goldens measure, kept from one run to the next, for a golden does not change and takes half of the time.

Aim. A second gate of the same goldens measures candidates only. What is kept is never stale, never trusted
half-written, shared by runs side by side, bounded in size, and never a reason to fail.

Method. A file per measurement, named by the SHA-256 of all that it follows from: samples, rate, click, paths, the
frequency of arrival, the source of ``measure``, and the versions of Python, numpy and scipy. Whatever is changed has
another name. Files are written beside and renamed; each holds the digest of its name and contents, and what does not
agree with it is measured anew. They hold a tree of numbers, text and arrays, and name dataclasses of ``measure`` only,
so that reading one runs nobody's code. When all take more than ``MOST_BYTES``, those go that were not used for a day,
and then some by lot: a run that has more goldens than there is room for would else find none, each gone just before its
turn. Files that are not ours are neither counted nor taken away; deleting ours costs time only.

Where. ``reverdict`` in the user's folder of caches: ``$XDG_CACHE_HOME`` or ``~/.cache``, ``~/Library/Caches``,
``%LOCALAPPDATA%``. ``REVERDICT_CACHE=/A/FOLDER`` puts it elsewhere, ``REVERDICT_CACHE=off`` keeps nothing. The folder
is the user's alone (mode 700): whoever can write to it can say what goldens measure, so one that belongs to somebody
else or that others may write to is not used, and it is not for jobs to share that do not trust each other.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import importlib
import json
import os
import random
import re
import sys
import time
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.durable import replacing

if TYPE_CHECKING:
    from collections.abc import Callable

    from reverdict.measure.measurement import Measurement
    from reverdict.words import Response

MAGIC = b"reverdict measurement 2\n"
SUFFIX = ".measured"
OURS = re.compile(rf"\.?[0-9a-f]{{64}}{re.escape(SUFFIX)}(\.\d+\.new)?")
"""Names of files of ours, half-written ones too: whatever else lies there is not ours to take away."""
MOST_BYTES = 2 * 10**9
FRESH_S = 86400.0
"""What was used so short a time ago may be what the run that is under way asks for next."""
TIDY_EVERY = 64
"""Files written between two looks at how much there is."""
ROOM = "reverdict.measure."


def measured(golden: Response, arrival_hz: float, measure: Callable[[Response, float], Measurement]) -> Measurement:
    """What ``measure`` says of a golden, kept or measured now.

    Whatever is amiss with the folder or a file in it, the golden is measured.
    """
    folder = place()
    if folder is None:
        return measure(golden, arrival_hz)
    file = folder / f"{_name(golden, arrival_hz)}{SUFFIX}"
    known = _read(file)
    if known is None:
        known = measure(golden, arrival_hz)
        _write(file, known)
    return known


def place() -> Path | None:
    """The folder of what is kept, made if need be; None where nothing is to be kept, or none can be used."""
    folder = wanted()
    return folder if folder is not None and not _why_not_used(folder) else None


def wanted() -> Path | None:
    """The folder that the user's settings name, be it there or not; None where nothing is to be kept."""
    told = os.environ.get("REVERDICT_CACHE", "")
    if told.lower() == "off":
        return None
    try:
        return Path(told) if told else _usual()
    except RuntimeError:  # nobody's home
        return None


def why_not(folder: Path) -> str:
    """Why a folder is not used, or cannot be made; empty where it can. Makes nothing."""
    if not folder.is_absolute():
        return "no absolute path: it would be another folder wherever a command is run"
    try:
        if not folder.exists():
            above = next(one for one in folder.parents if one.exists())
            return "" if above.is_dir() and os.access(above, os.W_OK | os.X_OK) else f"cannot be made in {above}"
        if not folder.is_dir():
            return "no folder"
        told = folder.stat()
    except (OSError, ValueError) as error:
        return str(getattr(error, "strerror", "") or error)
    if hasattr(os, "getuid"):
        if told.st_uid != os.getuid():
            return "another user's"
        if told.st_mode & 0o022:
            return f"others may write to it (mode {told.st_mode & 0o777:o})"
    return ""


@cache
def _why_not_used(folder: Path) -> str:
    """The same of a folder that is made if need be."""
    if folder.is_absolute():
        with contextlib.suppress(OSError, ValueError):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return why_not(folder) or ("" if folder.is_dir() else "cannot be made")


def _usual() -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "reverdict"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "reverdict"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "reverdict"


def _name(golden: Response, arrival_hz: float) -> str:
    samples = np.ascontiguousarray(golden.samples, "<f8")
    told = json.dumps(
        [_analysis(), samples.shape, golden.rate_hz, golden.click_at_s, golden.paths, float(arrival_hz)]
    )  # fmt: skip
    seal = hashlib.sha256(told.encode())
    seal.update(samples.data)
    return seal.hexdigest()


@cache
def _analysis() -> str:
    """What measures: its source, and what it counts with."""
    import scipy

    seal = hashlib.sha256()
    for file in sorted((Path(__file__).parent / "measure").glob("*.py")):
        seal.update(file.read_bytes())
    return f"{seal.hexdigest()} {sys.version} {np.__version__} {scipy.__version__}"


def _read(file: Path) -> Measurement | None:
    """What a file holds; None where there is none, or it is not whole."""
    try:
        held = file.read_bytes()
        os.utime(file)
    except OSError:
        return None
    begin = len(MAGIC) + hashlib.sha256().digest_size
    if not held.startswith(MAGIC) or _seal(file, held[begin:]) != held[len(MAGIC) : begin]:
        return None
    try:
        length = int.from_bytes(held[begin : begin + 8], "little")
        known = _unpacked(json.loads(held[begin + 8 : begin + 8 + length]), memoryview(held)[begin + 8 + length :], {})
    except (ValueError, TypeError, KeyError, AttributeError, ImportError, RecursionError):
        return None  # written by an other state of this module
    from reverdict.measure.measurement import Measurement

    return known if isinstance(known, Measurement) else None


def _seal(file: Path, contents: bytes) -> bytes:
    """Of a file's name as well: one that was given another's name is not taken for it."""
    seal = hashlib.sha256(file.name.encode())
    seal.update(contents)
    return seal.digest()


def _write(file: Path, known: Measurement) -> None:
    arrays: list[np.ndarray[Any, Any]] = []
    tree = json.dumps(_packed(known, arrays, {})).encode()
    tree += b" " * (-(len(MAGIC) + 40 + len(tree)) % 8)  # arrays lie on whole numbers of bytes
    contents = b"".join([len(tree).to_bytes(8, "little"), tree, *(array.tobytes() for array in arrays)])
    with contextlib.suppress(OSError):  # a full disk or a folder that is gone is no reason to fail
        with replacing(file) as beside:
            beside.write_bytes(MAGIC + _seal(file, contents) + contents)
        _tidy(file.parent)


_written = 0


def _tidy(folder: Path) -> None:
    """Where there is more than ``MOST_BYTES``, take away what was not used for long, and then by lot."""
    global _written
    _written += 1
    if (_written - 1) % TIDY_EVERY:
        return
    files = []
    for file in (one for one in folder.iterdir() if OURS.fullmatch(one.name)):
        try:
            stat = file.stat()
        except OSError:
            continue  # another run took it away
        files.append((stat.st_mtime, stat.st_size, file))
    left = sum(size for _, size, _ in files)
    random.shuffle(files)
    fresh = time.time() - FRESH_S
    for _, size, file in sorted(files, key=lambda one: min(one[0], fresh)):
        if left <= MOST_BYTES:
            break
        _remove(file)
        left -= size


def _remove(file: Path) -> None:
    with contextlib.suppress(OSError):
        file.unlink(missing_ok=True)


def _packed(value: Any, arrays: list[np.ndarray[Any, Any]], known: dict[int, dict[str, Any]]) -> Any:
    """A tree of dataclasses, arrays and numbers as JSON, the arrays apart; one that stands twice is kept once."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.generic):
        return _packed(value.item(), arrays, known)
    if isinstance(value, int | float):
        return value
    if isinstance(value, np.ndarray):
        if id(value) not in known:
            at = sum(array.nbytes for array in arrays)
            known[id(value)] = {"at": at, "type": value.dtype.str, "shape": list(value.shape)}
            arrays.append(value)
            if value.nbytes % 8:
                arrays.append(np.zeros(8 - value.nbytes % 8, np.uint8))
        return known[id(value)]
    if isinstance(value, tuple):
        return {"tuple": [_packed(one, arrays, known) for one in value]}
    if isinstance(value, list):
        return [_packed(one, arrays, known) for one in value]
    if isinstance(value, Mapping):
        return {"map": [[_packed(key, arrays, known), _packed(one, arrays, known)] for key, one in value.items()]}
    kind = type(value)
    own = {field.name: _packed(getattr(value, field.name), arrays, known) for field in dataclasses.fields(value)}
    return {"of": f"{kind.__module__}.{kind.__qualname__}", "own": own}


def _unpacked(told: Any, held: memoryview, known: dict[int, np.ndarray[Any, Any]]) -> Any:
    if isinstance(told, list):
        return [_unpacked(one, held, known) for one in told]
    if not isinstance(told, dict):
        return told
    if "at" in told:
        at, shape, kind = told["at"], tuple(told["shape"]), np.dtype(told["type"])
        if at not in known or known[at].shape != shape or known[at].dtype != kind:  # an empty one lies where others do
            known[at] = np.frombuffer(held, kind, int(np.prod(shape, dtype=int)), at).reshape(shape)
        return known[at]
    if "tuple" in told:
        return tuple(_unpacked(one, held, known) for one in told["tuple"])
    if "map" in told:
        return {_unpacked(key, held, known): _unpacked(one, held, known) for key, one in told["map"]}
    # Set as they were, past __init__: frozen dataclasses set each field by a call.
    made = object.__new__(_class(told["of"]))
    made.__dict__.update({name: _unpacked(one, held, known) for name, one in told["own"].items()})
    return made


@cache
def _class(name: str) -> Any:
    module, _, called = name.rpartition(".")
    if not module.startswith(ROOM):
        raise ValueError(name)
    kind = getattr(importlib.import_module(module), called)
    if not (isinstance(kind, type) and dataclasses.is_dataclass(kind) and kind.__module__ == module):
        raise ValueError(name)
    return kind
