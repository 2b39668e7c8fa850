"""Sound files in and out: the only place that reads or writes them, and the gate every signal passes once."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.errors import BadInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

SOUND_SUFFIXES = (".wav", ".flac")
CLIPPED = 0.999


def read_sound(path: Path) -> tuple[NDArray[Any], int]:
    """Read a WAV or FLAC file.

    Returns
    -------
    samples : ndarray, shape (channels, samples), float64
        Full scale is 1.0.
    rate_hz : int

    Raises
    ------
    BadInput
        No such file, not a sound file, no samples, or samples that are not finite.
    """
    import soundfile

    if not path.exists():
        raise BadInput(path, "no such file")
    if path.is_dir():
        raise BadInput(path, "a folder, need a WAV or FLAC file")
    if path.stat().st_size == 0:
        raise BadInput(path, "the file is empty (0 bytes); was its recording cut off?")
    try:
        frames, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, RuntimeError, ValueError, OSError) as error:
        raise BadInput(path, f"not a readable WAV or FLAC file ({_short(error)}{_as_text(path)})") from error
    if frames.shape[0] == 0:
        raise BadInput(path, "holds no samples; was its recording cut off?")
    samples = np.ascontiguousarray(frames.T)
    bad = ~np.isfinite(samples)
    if bad.any():
        first = int(np.argmax(bad.any(axis=0)))
        count = int(bad.sum())
        told = "1 sample is not finite" if count == 1 else f"{count} samples are not finite"
        raise BadInput(path, f"{told}, {'' if count == 1 else 'first '}at sample {first}")
    return samples, int(rate_hz)


def write_sound(path: Path, samples: NDArray[Any], rate_hz: int, subtype: str = "FLOAT") -> None:
    """Write samples, shape (channels, samples), beside the target and rename, so no half file is ever seen."""
    import soundfile

    beside = path.with_name(f".{path.stem}.{os.getpid()}{path.suffix}")
    try:
        soundfile.write(beside, np.asarray(samples).T, rate_hz, subtype=subtype)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def digest(samples: NDArray[Any], rate_hz: int) -> str:
    """SHA-256 of the decoded samples, the shape and the rate: what is heard, not how it was stored.

    Float WAV headers may carry a time stamp, so equal sound can sit in different files.
    """
    decoded = np.ascontiguousarray(samples, dtype="<f8")
    seal = hashlib.sha256(f"{decoded.shape[0]}x{decoded.shape[1]}@{rate_hz}:".encode())
    seal.update(decoded.tobytes())
    return seal.hexdigest()


def _as_text(path: Path) -> str:
    """How a file that is text begins."""
    with path.open("rb") as file:
        begin = file.read(24)
    text = begin.decode("ascii", errors="ignore").splitlines()[0] if begin.isascii() else ""
    return f'; it begins with the text "{text}"' if text.isprintable() and len(text) > 3 else ""


def _short(error: Exception) -> str:
    """The last line of an error, without the path that libsndfile puts before it."""
    text = str(getattr(error, "error_string", error)).strip().splitlines()
    return (text[-1] if text else type(error).__name__).rstrip(".")[-120:]


def clipping(samples: NDArray[Any]) -> list[str]:
    """What to say of channels, shape (channels, samples), of which three samples in a row stand at full scale.

    What goes beyond it, as sound files of floating point may, has not been clipped there.
    """
    told = []
    for number, row in enumerate(samples, start=1):
        level = np.abs(row)
        flat = level >= CLIPPED
        runs = flat[2:] & flat[1:-1] & flat[:-2]
        if runs.any() and level.max() <= 1.0:
            first = int(np.argmax(runs))
            told.append(f"channel {number} clips, first at sample {first}; lower its level and record again")
    return told
