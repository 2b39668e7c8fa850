"""Impulse files of a reference: read and held against their digests; made of a response and written."""

from __future__ import annotations

import re
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reverdict.durable import flush
from reverdict.errors import BadInput, noted
from reverdict.reference import ImpulseFile, Reference
from reverdict.schema import REFERENCE_FILE
from reverdict.sound import SOUND_SUFFIXES, digest, no_sound, read_sound, write_sound
from reverdict.words import INPUTS, PATHS, Response

STEMS = {"mono": "response", "left": "response-left-in", "right": "response-right-in"}
"""How an impulse file of each input is called, before the first digits of its digest."""

OWN_NAMES = re.compile(rf"({'|'.join(STEMS.values())})-[0-9a-f]{{12}}\.(wav|flac)")
"""How files look that only an approval, or a new reference, writes into a reference's folder."""

FLAC_HIGHEST_RATE_HZ = 655350


# Read.


def response_of(reference: Reference) -> tuple[Response | None, list[BadInput]]:
    """The samples of all impulse files, one row per path, and what is wrong with the files."""
    rows: list[NDArray[Any]] = []
    mistakes: list[BadInput] = []
    for file in reference.files:
        with noted(mistakes):
            rows.append(_impulse(file, reference))
    if not mistakes and len({row.shape[1] for row in rows}) > 1:
        lengths = " and ".join(str(row.shape[1]) for row in rows)
        mistakes.append(BadInput(reference.path, f"files: the impulses are {lengths} samples long, need equal lengths"))
    if mistakes:
        return None, mistakes
    return Response(np.vstack(rows), reference.rate_hz, 0.0, PATHS[reference.channels]), []


def _impulse(file: ImpulseFile, reference: Reference) -> NDArray[Any]:
    _present(file)
    samples, rate_hz = read_sound(file.path)
    if rate_hz != reference.rate_hz:
        raise BadInput(file.path, f"has {rate_hz} Hz, {REFERENCE_FILE} says rate_hz = {reference.rate_hz}")
    needed = _channels_per_file(reference.channels)
    if samples.shape[0] != needed:
        raise BadInput(file.path, f'has {samples.shape[0]} channels, "{reference.channels}" needs {needed}')
    if digest(samples, rate_hz) != file.sha256:
        restore = f"restore it, or: reverdict golden approve {reference.name} --from BUILD --why TEXT"
        raise BadInput(file.path, f"altered: its samples do not match sha256 in {REFERENCE_FILE}; {restore}")
    if not samples.any():
        raise BadInput(file.path, "holds only silence")
    return samples


def _present(file: ImpulseFile) -> None:
    try:
        if not stat.S_ISREG(file.path.stat().st_mode):
            raise BadInput(file.path, f"no file, but {REFERENCE_FILE} names it as a sound file")
        with file.path.open("rb") as opened:
            pointer = opened.read(7) == b"version"
    except FileNotFoundError:
        raise BadInput(file.path, f"missing, but named in {REFERENCE_FILE}; was it not committed?") from None
    except OSError as error:
        raise BadInput(file.path, f"cannot be read ({error.strerror or error})") from error
    if pointer:
        raise BadInput(file.path, "a pointer of git LFS instead of the sound; git lfs pull")


def _channels_per_file(channels: str) -> int:
    return len(PATHS[channels]) // len(INPUTS[channels])


def seconds_of(file: ImpulseFile) -> float:
    _present(file)
    samples, rate_hz = read_sound(file.path)
    return float(samples.shape[1] / rate_hz)


def is_sound(file: Path) -> bool:
    return file.suffix.lower() in SOUND_SUFFIXES


# Written.


@dataclass(frozen=True)
class Impulse:
    """An impulse file before it is written: its entry in the TOML, and what it holds."""

    table: dict[str, str]
    samples: NDArray[Any]
    rate_hz: int
    subtype: str

    def write(self, folder: Path) -> None:
        path = folder / self.table["path"]
        write_sound(path, self.samples, self.rate_hz, self.subtype)
        flush(path)
        if digest(*read_sound(path)) != self.table["sha256"]:
            raise BadInput(path, "does not read back as it was written; is the disk full?")


def impulses_of(samples: NDArray[Any], rate_hz: int, channels: str, origin: str) -> list[Impulse]:
    """One impulse per input, its file named after what it holds."""
    impulses = []
    for part, name in zip(np.split(samples, len(INPUTS[channels])), INPUTS[channels], strict=True):
        stored, suffix, subtype = _stored(part, rate_hz, origin)
        sha256 = digest(stored, rate_hz)
        table = {"path": f"{STEMS[name]}-{sha256[:12]}{suffix}", "input": name, "sha256": sha256}
        impulses.append(Impulse(table, stored, rate_hz, subtype))
    return impulses


def _stored(samples: NDArray[Any], rate_hz: int, origin: str) -> tuple[NDArray[Any], str, str]:
    """Samples as they will be read back, and the suffix and subtype of the file.

    The smallest format that loses nothing. A render is kept in 32-bit floats: their rounding lies 150 dB below each
    sample, microseconds and thousandths of a dB are far above it, and its file is half as long. A capture is kept
    exactly, whatever that takes.
    """
    if rate_hz <= FLAC_HIGHEST_RATE_HZ:
        for bits in (16, 24):
            steps = samples * 2.0 ** (bits - 1)
            if np.array_equal(steps, np.round(steps)) and -(2 ** (bits - 1)) <= steps.min() <= steps.max() < 2 ** (
                bits - 1
            ):
                return samples + 0.0, ".flac", f"PCM_{bits}"  # whole numbers have no −0.0
    single = samples.astype(np.float32).astype(np.float64)
    if origin == "build" or np.array_equal(single, samples):
        return single, ".wav", "FLOAT"
    return samples, ".wav", "DOUBLE"


def channels_of(response: Response, place: Path) -> str:
    """The channel layout whose paths a response has."""
    for channels, paths in PATHS.items():
        if response.paths == paths and response.samples.shape[0] == len(paths):
            return channels
    raise BadInput(place, f"a response with the paths {response.paths} is none of {', '.join(PATHS)}")


def after_click(response: Response, name: str) -> NDArray[Any]:
    """Its samples from the click on, if they can be golden."""
    samples = response.samples[:, round(response.click_at_s * response.rate_hz) :]
    if samples.shape[1] == 0 or no_sound(samples).any() or not samples.any():
        raise BadInput(name, "the response is empty, silent or not finite from its click on; it cannot be golden")
    return samples
