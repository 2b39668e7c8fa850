"""Sound files in and out: the only place that reads or writes them, and the gate every signal passes once."""

from __future__ import annotations

import hashlib
import os
import struct
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from reverdict.errors import BadInput

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

SOUND_SUFFIXES = (".wav", ".flac")
CLIPPED = 0.999
BLOCK_FRAMES = 1 << 16
LOWEST_RATE_HZ = 100
CUT_SHORT = "is cut short:"
PLAIN_FORMS = (1, 3, 6, 7, 0xFFFE)
"""Of WAVs that hold sample by sample: integers, floats, A-law, µ-law, and what says so at more length."""
UNKNOWN_SIZE = 0x7FFF0000
SYSTEM_ERROR = 2
LARGEST = 1e30
"""600 dB above full scale: an algorithm that blew up, and as energies go, squares of squares, they overflow."""
"""Of libsndfile (sndfile.h, SF_ERR_SYSTEM)."""


@dataclass(frozen=True)
class Extent:
    """How much sound there is."""

    channels: int
    frames: int
    rate_hz: int


def extent_of(path: Path) -> Extent:
    """What the header of a WAV or FLAC file says, and a WAV's size bears out. Raises BadInput as ``read_sound``."""
    with _open(path) as file:
        return Extent(file.channels, file.frames, file.samplerate)


def read_sound(path: Path) -> tuple[NDArray[Any], int]:
    """Read a WAV or FLAC file, in blocks: no second copy of the samples is ever made.

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
    with _open(path) as file:
        return _gathered(path, _decoded(path, file), file.channels, file.frames), file.samplerate


def read_floats(path: Path, channels: int) -> NDArray[Any]:
    """Read interleaved little-endian 32-bit floats without a header, as ``read_sound`` does.

    What is left at the end is left out where it does not make a whole frame.
    """
    frames = path.stat().st_size // (4 * channels)
    with path.open("rb") as file:
        sizes = (min(BLOCK_FRAMES, frames - at) for at in range(0, frames, BLOCK_FRAMES))
        blocks = (np.fromfile(file, "<f4", size * channels).reshape(size, channels) for size in sizes)
        return _gathered(path, blocks, channels, frames)


def write_sound(path: Path, samples: NDArray[Any], rate_hz: int, subtype: str = "FLOAT", made_by: str = "") -> None:
    """Write samples, shape (channels, samples), beside the target and rename, so no half file is ever seen.

    made_by : what the file says it was made by, so that it is known again (ISFT of a WAV).

    Raises
    ------
    BadInput
        The disk does not take it.
    """
    import soundfile

    samples = np.asarray(samples)
    beside = path.with_name(f".{path.stem}.{os.getpid()}{path.suffix}")
    try:
        with _stored(path), soundfile.SoundFile(beside, "w", rate_hz, samples.shape[0], subtype) as file:
            if made_by:
                file.software = made_by
            for block in _blocks(samples):
                file.write(block.T)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def write_floats(path: Path, samples: NDArray[Any]) -> None:
    """Write samples, shape (channels, samples), as interleaved little-endian 32-bit floats; BadInput as above."""
    with _stored(path), path.open("wb") as file:
        for block in _blocks(np.asarray(samples)):
            file.write(block.T.astype("<f4").tobytes())


def _blocks(samples: NDArray[Any]) -> Iterator[NDArray[Any]]:
    return (samples[:, at : at + BLOCK_FRAMES] for at in range(0, samples.shape[1], BLOCK_FRAMES))


def _open(path: Path) -> Any:
    import soundfile

    if "\0" in str(path):
        raise BadInput(path, "can be the name of no file")
    if not os.path.exists(path):  # noqa: PTH110 - which knows that a name can be too long
        raise BadInput(path, "no such file")
    if path.is_dir():
        raise BadInput(path, "a folder, need a WAV or FLAC file")
    if not path.is_file():
        raise BadInput(path, "a pipe or a device, need a WAV or FLAC file")
    if not os.access(path, os.R_OK):
        raise BadInput(path, "cannot be read (no permission)")
    if path.stat().st_size == 0:
        raise BadInput(path, "the file is empty (0 bytes); was its recording cut off?")
    with _telling(path):
        file = soundfile.SoundFile(path)
    if file.samplerate < LOWEST_RATE_HZ:
        file.close()
        raise BadInput(path, f"says that its sample rate is {file.samplerate} Hz; does its header lie?")
    return file


def _decoded(path: Path, file: Any) -> Iterator[NDArray[Any]]:
    while True:
        with _telling(path):
            block = file.read(BLOCK_FRAMES, dtype="float64", always_2d=True)
        if not len(block):
            return
        yield block


@contextmanager
def _telling(path: Path) -> Iterator[None]:
    """What a decoder has to complain of, as BadInput."""
    import soundfile

    try:
        yield
    except (soundfile.LibsndfileError, RuntimeError, ValueError, OSError) as error:
        raise BadInput(path, f"not a readable WAV or FLAC file ({_short(error)}{_as_text(path)})") from error


@contextmanager
def _stored(path: Path) -> Iterator[None]:
    """What keeps a file from being written, as BadInput. libsndfile does not say what the system said."""
    import soundfile

    try:
        yield
    except soundfile.LibsndfileError as error:
        if error.code != SYSTEM_ERROR:
            raise
        raise BadInput(path, "cannot be written; is there room on its disk, and leave to write?") from error
    except OSError as error:
        raise BadInput(path, f"cannot be written ({error.strerror})") from error


def _gathered(path: Path, blocks: Iterator[NDArray[Any]], channels: int, frames: int) -> NDArray[Any]:
    """Blocks, shape (frames, channels), as one array. There may be fewer frames than announced, never more."""
    try:
        samples = np.empty((channels, frames))  # takes memory where it is written, so a header that lies costs none
    except (MemoryError, ValueError):
        raise BadInput(
            path, f"says that it holds {frames} samples of {channels} channels; does its header lie?"
        ) from None
    at = bad = first = 0
    word = ""
    for block in blocks:
        if at + len(block) > frames:
            raise BadInput(path, f"holds more than the {frames} samples that its header says")
        samples[:, at : at + len(block)] = block.T
        wrong = no_sound(block)
        if wrong.any():
            first = first if bad else at + int(np.argmax(wrong.any(axis=1)))
            bad += int(wrong.sum())
            word = amiss(block)
        at += len(block)
    if at == 0:
        raise BadInput(path, "holds no samples; was its recording cut off?")
    if bad:
        told = f"1 sample is {word}" if bad == 1 else f"{bad} samples are {word}"
        raise BadInput(path, f"{told}, {'' if bad == 1 else 'first '}at sample {first}")
    return samples if at == frames else np.ascontiguousarray(samples[:, :at])


def no_sound(samples: NDArray[Any]) -> NDArray[Any]:
    """Which samples, of any shape, are not finite, or as good as that."""
    return np.asarray(~(np.abs(samples) <= LARGEST))


def amiss(samples: NDArray[Any]) -> str:
    """What samples with ``no_sound`` among them are."""
    return "600 dB and more above full scale" if np.isfinite(samples).all() else "not finite"


def digest(samples: NDArray[Any], rate_hz: int) -> str:
    """SHA-256 of the decoded samples, the shape and the rate: what is heard, not how it was stored.

    Float WAV headers may carry a time stamp, so equal sound can sit in different files.
    """
    decoded = np.ascontiguousarray(samples, dtype="<f8")
    seal = hashlib.sha256(f"{decoded.shape[0]}x{decoded.shape[1]}@{rate_hz}:".encode())
    seal.update(decoded.data)
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


def cut_short(path: Path) -> list[str]:
    """What to say of a WAV whose header says that it holds more than is there: a copy or recording was cut off.

    Sizes that stand for an unknown one, as of what was streamed, say nothing: 0 and those next to 2 or 4 GB.
    """
    try:
        with path.open("rb") as file:
            form, frame, says = _data_chunk(file)
            there = path.stat().st_size - file.tell()
    except (OSError, struct.error):
        return []
    if says // frame <= there // frame:
        return []
    what = "samples" if form in PLAIN_FORMS else "blocks of sound"
    return [f"{CUT_SHORT} its header says {says // frame} {what}, {there // frame} are there"]


def _data_chunk(file: BinaryIO) -> tuple[int, int, int]:
    """Up to where the samples of a WAV begin: its form, bytes of a frame, and of all by the header; 0 where unknown.

    After RIFF 1.0 (Microsoft and IBM, 1991) and EBU Tech 3306 for RF64. Raises struct.error where the file ends before.
    """
    kind, _, wave = struct.unpack("<4s4s4s", file.read(12))
    if wave != b"WAVE" or kind not in (b"RIFF", b"RIFX", b"RF64"):
        return 0, 1, 0
    order = ">" if kind == b"RIFX" else "<"
    form, frame, long_size = 0, 1, 0
    while True:
        name, size = struct.unpack(f"{order}4sI", file.read(8))
        if name == b"data":
            known = size < UNKNOWN_SIZE or kind == b"RF64"
            return form, max(frame, 1), (long_size if size == 0xFFFFFFFF else size) if known else 0
        begin = file.tell()
        if name == b"fmt ":
            form, _, _, _, frame = struct.unpack(f"{order}HHIIH", file.read(14))
        if name == b"ds64":
            _, long_size = struct.unpack("<QQ", file.read(16))
        file.seek(begin + size + size % 2)


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
