"""Kind ``recordings``: responses that lie ready as sound files, named after the references. No code runs.

    <reference>.wav or .flac                          mono and mono-to-stereo
    <reference>-left-in.* and <reference>-right-in.*  stereo-to-stereo, two channels each

They are taken to answer a click of 1.0; their level is not touched.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reverdict import sound
from reverdict.errors import BadInput
from reverdict.render.build import Failure
from reverdict.words import INPUTS

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.render.build import Build, Request

SHORTEST_SHARE = 0.9
"""A take may end a little before the reference does, since nobody cuts them to the sample; a note then says so."""


def read_recordings(build: Build, request: Request) -> list[tuple[NDArray[Any], int]] | Failure:
    """The recording of each input of the request, from its click on: samples, shape (channels, samples), and rate.

    Raises
    ------
    BadInput
        No such folder or file as the build's TOML (or the command line) names, or a single file that is no sound.
    """
    takes: list[tuple[NDArray[Any], int]] = []
    for name in INPUTS[request.channels]:
        path = _find(build, request, name)
        if isinstance(path, Failure):
            return path
        try:
            samples, rate_hz = sound.read_sound(path)
            takes.append((_from_click(samples, rate_hz, build), rate_hz))
        except BadInput as error:
            if build.recordings_file is not None:  # named on the command line
                raise BadInput(build.place, error.problem) from error
            return Failure(f"{path.name}: {error.problem}")
    return takes


def _find(build: Build, request: Request, input_name: str) -> Path | Failure:
    if build.recordings_file is not None:
        return _single(build, build.recordings_file, request)
    folder = build.recordings_folder or build.folder
    if not folder.is_dir():
        raise BadInput(build.place, f"build.folder: {folder}: no such folder")
    two_inputs = len(INPUTS[request.channels]) == 2
    stem = f"{request.reference}-{input_name}-in" if two_inputs else request.reference
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


def _from_click(samples: NDArray[Any], rate_hz: int, build: Build) -> NDArray[Any]:
    """Cut off what lies before the click, to the nearest sample."""
    click_at_s = build.click_at_s
    if click_at_s == "auto":
        from reverdict.measure.click import find_click

        click_at_s = float(find_click(samples, rate_hz))
    first = round(click_at_s * rate_hz)
    if not 0 <= first < samples.shape[1]:
        raise BadInput(build.place, f"click_at_s = {click_at_s:g} lies outside the recording")
    return samples[:, first:]
