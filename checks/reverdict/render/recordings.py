"""Kind ``recordings``: responses that lie ready as sound files, named after the references. No code runs.

    <reference>.wav or .flac                          mono and mono-to-stereo
    <reference>-left-in.* and <reference>-right-in.*  stereo-to-stereo, two channels each

They are taken to answer a click of 1.0. What the recording chain did to them is taken out as the build's TOML notes it
(``TakeNotes``), or as a loopback recorded it (``Loopback``): clock, latency, gain. Nothing else is touched.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict import sound
from reverdict.errors import BadInput
from reverdict.render.build import Failure
from reverdict.words import INPUTS

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.measure.take import Heard
    from reverdict.render.build import Build, Request, TakeNotes

SHORTEST_SHARE = 0.9
"""A take may end a little before the reference does, since nobody cuts them to the sample; a note then says so."""


@dataclass(frozen=True)
class Take:
    """One recording from its click on, shape (channels, samples), and what was taken out of it, in words."""

    samples: NDArray[Any]
    rate_hz: int
    told: tuple[str, ...] = ()


def read_recordings(build: Build, request: Request) -> list[Take] | Failure:
    """The recording of each input of the request, from its click on.

    Raises
    ------
    BadInput
        No such folder or file as the build's TOML (or the command line) names, a single file that is no sound, notes
        on a take that is not there, or that contradict each other.
    """
    takes: list[Take] = []
    for name in INPUTS[request.channels]:
        path = _find(build, request, name)
        if isinstance(path, Failure):
            return path
        _prove_consistent(_notes_on(path, build, request.reference), build)
        try:
            samples, rate_hz = sound.read_sound(path)
            takes.append(_put_right(samples, rate_hz, path, build, request.reference))
        except BadInput as error:
            if build.recordings_file is not None:  # named on the command line
                raise BadInput(build.place, error.problem) from error
            return Failure(f"{path.name}: {error.problem}")
    return takes


def require_takes(build: Build, references: tuple[str, ...] = ()) -> None:
    """Raise BadInput where notes are on takes that are not there.

    references : names that notes may stand under, too.
    """
    if not build.takes and not (build.loopback and build.loopback.take):
        return
    folder = build.recordings_folder or build.folder
    there = sorted({file.stem for file in folder.glob("*") if file.suffix.lower() in sound.SOUND_SUFFIXES})
    known = {*there, *references, *(stem.removesuffix(f"-{side}-in") for stem in there for side in ("left", "right"))}
    listed = f"there are {', '.join(there)}" if there else "it holds no WAV or FLAC file"
    if unknown := [name for name in build.takes if name not in known]:
        raise BadInput(build.place, f'build.takes."{unknown[0]}": no such recording in {folder}; {listed}')
    if build.loopback and build.loopback.take and build.loopback.take not in there:
        raise BadInput(build.place, f'build.loopback: "{build.loopback.take}": no such recording in {folder}; {listed}')


def _find(build: Build, request: Request, input_name: str) -> Path | Failure:
    if build.recordings_file is not None:
        return _single(build, build.recordings_file, request)
    folder = build.recordings_folder or build.folder
    if not folder.is_dir():
        raise BadInput(build.place, f"build.folder: {folder}: no such folder")
    require_takes(build, (request.reference,))
    two_inputs = len(INPUTS[request.channels]) == 2
    stem = f"{request.reference}-{input_name}-in" if two_inputs else request.reference
    return _file_of(folder, stem)


def _file_of(folder: Path, stem: str) -> Path | Failure:
    names = [stem + suffix for suffix in sound.SOUND_SUFFIXES]
    found = [folder / name for name in names if (folder / name).is_file()]
    if len(found) > 1:
        return Failure(f"two recordings, {' and '.join(names)}; which one is meant?")
    if not found:
        return Failure(f"no recording: expected {' or '.join(names)} in {folder}; gate --only NAME judges others alone")
    return found[0]


def _single(build: Build, file: Path, request: Request) -> Path | Failure:
    stands_for = build.recordings_reference or file.stem
    if not file.is_file():
        raise BadInput(file, "no such file")
    if stands_for != request.reference:
        return Failure(f"no recording: {file.name} is one of {stands_for}")
    if request.channels == "stereo-to-stereo":
        return Failure("one file cannot hold four paths; need a folder with a recording for each input")
    return file


def _put_right(samples: NDArray[Any], rate_hz: int, path: Path, build: Build, reference: str) -> Take:
    """From the click on, with clock, latency and gain of the recording chain taken out, and what was."""
    from reverdict.measure.take import offset_of, ppm_of, put_right

    notes = _notes_on(path, build, reference)
    begin: float = _click_sample(samples, rate_hz, notes, build)
    offset, longest, told = offset_of(notes.clock_ppm), samples.shape[1], sound.cut_short(path)
    if begin and build.loopback is None:
        told.append(f"counted from the click at {begin / rate_hz:.4f} s")
    if build.loopback is not None:
        heard, samples = _heard(samples, rate_hz, path, build)
        begin = begin + heard.at if build.loopback.take else heard.at
        offset = heard.clock.to_correct
        told.append(f"counted from the click in the loopback, at {1e3 * begin / rate_hz:.4f} ms")
        if heard.clock.offset is None:
            told.append(f"clock not known: {heard.clock.why_not}")
        if build.loopback.click_every_s and not build.loopback.take:
            longest = round(build.loopback.click_every_s * rate_hz)  # there the next click's answer begins
    elif notes.latency_ms:
        late = 1e-3 * notes.latency_ms * rate_hz
        begin += late
        told.append(f"latency of {notes.latency_ms:g} ms ({late:.2f} samples) taken out")
    if not 0 <= begin < samples.shape[1]:
        raise BadInput(build.place, f"click and latency, {begin / rate_hz:g} s, lie outside the recording")
    if offset:
        told.append(f"recorder's clock, {ppm_of(offset):+.2f} ppm, taken out")
    if notes.level_db:
        told.append(f"gain of the recording chain, {notes.level_db:+g} dB, taken out")
    right = put_right(samples, begin, offset)[:, :longest] / 10.0 ** (notes.level_db / 20.0)
    return Take(right, rate_hz, tuple(told))


def _notes_on(path: Path, build: Build, reference: str) -> TakeNotes:
    """Those of the file itself, else of the reference, else of all."""
    return build.takes.get(path.stem, build.takes.get(reference, build.notes))


def _prove_consistent(notes: TakeNotes, build: Build) -> None:
    """Complain about notes of which one says what another one measures."""
    if build.loopback and (notes.latency_ms or notes.clock_ppm or notes.click_at_s == "auto"):
        told = 'latency_ms, clock_ppm or click_at_s = "auto" beside a loopback, which tells them'
        raise BadInput(build.place, f"{told}; leave one of them out")
    if notes.latency_ms and notes.click_at_s == "auto":
        told = 'latency_ms beside click_at_s = "auto", which begins at the first sound'
        raise BadInput(build.place, f"{told}; say when the click was played")


def _click_sample(samples: NDArray[Any], rate_hz: int, notes: TakeNotes, build: Build) -> int:
    """The sample nearest to where notes say that the click stands."""
    click_at_s = notes.click_at_s
    if click_at_s == "auto":
        from reverdict.measure.click import find_sharp_onset

        onset = find_sharp_onset(samples, rate_hz)
        if onset is None:
            raise BadInput(build.place, 'click_at_s = "auto": no sharp onset in it; say when the click was played')
        click_at_s = onset
    first = round(click_at_s * rate_hz)
    if not 0 <= first < samples.shape[1]:
        raise BadInput(build.place, f"click_at_s = {click_at_s:g} lies outside the recording")
    return first


def _heard(samples: NDArray[Any], rate_hz: int, path: Path, build: Build) -> tuple[Heard, NDArray[Any]]:
    """What the loopback heard, and the take without it. A loopback take counts from its own ``click_at_s``."""
    from reverdict.measure.take import hear_clicks

    loopback = build.loopback
    assert loopback is not None
    source, sounds, begin = path, samples, 0
    if loopback.take:
        found = _file_of(build.recordings_folder or build.folder, loopback.take)
        if isinstance(found, Failure):
            raise BadInput(build.place, f"build.loopback: {found.reason}")
        source = found
        sounds, own_rate_hz = sound.read_sound(source)
        if own_rate_hz != rate_hz:
            raise BadInput(source, f"recorded at {own_rate_hz} Hz, but {path.name} at {rate_hz} Hz")
        begin = _click_sample(sounds, rate_hz, build.takes.get(loopback.take, build.notes), build)
    elif len(samples) == 1:
        raise BadInput(source, "has one channel; with build.loopback_channel it needs another that recorded the reverb")
    channel = loopback.channel or 1
    if channel > len(sounds):
        raise BadInput(source, f"has no channel {channel} for build.loopback_channel, only {len(sounds)}")
    every = None if loopback.click_every_s is None else round(loopback.click_every_s * rate_hz)
    heard = hear_clicks(sounds[channel - 1], rate_hz, every)
    if isinstance(heard, str):
        raise BadInput(source, f"as a loopback {heard}")
    others = samples if loopback.take else np.delete(samples, channel - 1, axis=0)
    return replace(heard, at=heard.at - begin), others
