"""From a build and a request to a response, or to the reason why there is none.

Every input gets a render of its own: silence, one click, silence. What comes back is checked once, here, so that
measuring may rely on it: finite, at the right rate, with the right channels, long enough, and not silent.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.errors import BadInput
from reverdict.render.build import Failure, Played, Rendered, Stimulus
from reverdict.render.command import play_command
from reverdict.render.folders import render_folder
from reverdict.render.hosted import play_hosted
from reverdict.render.hosts import HOSTED
from reverdict.render.interface import capture_takes
from reverdict.render.preparing import prepare
from reverdict.render.recordings import SHORTEST_SHARE, read_recordings
from reverdict.sound import amiss, no_sound
from reverdict.words import INPUTS, PATHS, Response

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.render.build import Build, Rendering, Request
    from reverdict.render.recordings import Take

SILENCE_DB = -120.0
"""Below this, relative to the click, nothing was heard: rounding and denormal guards leave about -130 dB."""

RECORDED = ("recordings", "interface")
"""Kinds of which there is a response from the click on, and nothing else can be played to."""

KINDS = (*RECORDED, "command", *HOSTED)


def render(build: Build, request: Request, work_folder: Path) -> Rendering:
    """Render one request. Never raises for what the build does: that is a Failure with the reason.

    Parameters
    ----------
    build, request : Build, Request
    work_folder : path
        Of ``working_folder()``; shared by everything in one run.

    Returns
    -------
    Rendered or Failure
        The response starts at the click (``click_at_s`` is 0), is ``request.seconds`` long, and is divided by the
        level of the click. Rows stand in the order of ``words.PATHS``. Recordings may be up to a tenth shorter.

    Raises
    ------
    BadInput
        The user's own slip: no such folder or program, an unknown placeholder or kind.
    """
    if build.kind == "recordings":
        return _recorded(read_recordings(build, request), request)
    if build.kind == "interface":
        if trouble := prepare(build, work_folder):
            return Failure(trouble)
        return _recorded(capture_takes(build, request, work_folder), request)
    rows: list[NDArray[Any]] = []
    notes: list[str] = []
    for number, name in enumerate(INPUTS[request.channels]):
        (output,) = play(build, request, [Stimulus(click_for(request, number))], work_folder)
        said_of = f"{name} input: " if len(INPUTS[request.channels]) > 1 else ""
        if isinstance(output, Failure):
            return Failure(said_of + output.reason)
        if reason := unusable(output.samples, output.rate_hz, request):
            return Failure(said_of + reason)
        usable, remarks = _after_click(output, request)
        rows.append(usable)
        notes += [said_of + remark for remark in remarks]
    return _rendered(np.vstack(rows), request, notes)


def play(build: Build, request: Request, stimuli: Sequence[Stimulus], work_folder: Path) -> list[Played | Failure]:
    """Play each stimulus to a fresh instance of a build, at the request's rate, block size and parameters.

    The outputs are as the build gave them, but for latency that it told; nothing is checked. Never raises for what the
    build does.

    Raises
    ------
    BadInput
        As ``render``.
    """
    if build.kind not in KINDS or build.kind in RECORDED:
        kinds = ", ".join(kind for kind in KINDS if kind not in RECORDED)
        raise BadInput(build.place, f'build.kind: "{build.kind}" cannot be run; those that can are {kinds}')
    if not build.folder.is_dir():
        raise BadInput(build.folder, "no such folder")
    if trouble := prepare(build, work_folder):
        return [Failure(trouble)] * len(stimuli)
    if build.kind in HOSTED:
        return play_hosted(build, request, stimuli, work_folder)
    played: list[Played | Failure] = []
    for stimulus in stimuli:
        with render_folder(build, work_folder) as folder:
            # Of a stimulus in odd blocks a program gets the first: it is told one size.
            asked = replace(request, block_size=(*stimulus.block_sizes, request.block_size)[0])
            played.append(play_command(build, asked, stimulus.samples, folder, work_folder))
    return played


def as_rendered(response: Response, request: Request) -> Rendering:
    """What rendering would have said of a response, from its click on, that nobody rendered: it is checked alike."""
    seconds = response.samples.shape[1] / response.rate_hz
    from_click = replace(request, seconds=seconds, preroll_s=0.0, level_dbfs=0.0)
    for rows in np.split(response.samples, len(INPUTS[request.channels])):
        if reason := unusable(rows, response.rate_hz, from_click):
            return Failure(reason)
    return _rendered(response.samples, request, [])


def click_for(request: Request, channel: int) -> NDArray[Any]:
    """The input, shape (channels, samples): silence, one click in one channel, silence."""
    samples = np.zeros((request.input_channels, request.total_samples))
    samples[channel, request.preroll_samples] = request.click_level
    return samples


def unusable(samples: NDArray[Any], rate_hz: int, request: Request, what: str = "output") -> str:
    """Why the answer to a click, shape (channels, samples), cannot be judged; empty when it can."""
    return unfit(samples, rate_hz, request, request.total_samples, what) or _silent(samples, request.click_level, what)


def unfit(samples: NDArray[Any], rate_hz: int, request: Request, needed: int, what: str = "output") -> str:
    """Why an output, shape (channels, samples), is no answer to ``needed`` samples of any sound; empty when it is."""
    if rate_hz != request.rate_hz:
        return f"{what} has {rate_hz} Hz, asked for {request.rate_hz}"
    if samples.shape[0] != request.output_channels:
        return f"{what} has {_channels(samples.shape[0])}, needs {request.output_channels}"
    if samples.shape[1] < needed:
        return f"{what} stops after {_lengths(samples.shape[1], needed, rate_hz)}"
    bad = no_sound(samples)
    if bad.any():
        first = int(np.argmax(bad.any(axis=0)))
        return f"{int(bad.sum())} samples are {amiss(samples)}, first at sample {first} ({first / rate_hz:.3f} s)"
    return ""


def _after_click(output: Played, request: Request) -> tuple[NDArray[Any], list[str]]:
    """The response to a click of 1.0, and what is odd about the rest."""
    samples, notes = output.samples, []
    if output.latency_samples:
        notes.append(f"reports a latency of {output.latency_samples} samples, which was taken out")
    if samples.shape[1] > request.total_samples:
        notes.append(f"output is longer than asked, {samples.shape[1] / request.rate_hz:.3f} s; the rest was cut off")
    samples = samples[:, : request.total_samples]
    samples /= request.click_level  # in place: a long output fills much memory once
    before = samples[:, : request.preroll_samples]
    loudest = float(np.abs(before).max(initial=0.0))
    if loudest > 10.0 ** (SILENCE_DB / 20.0):
        notes.append(f"sounds before the click, {20.0 * math.log10(loudest):.0f} dB of it")
    return samples[:, request.preroll_samples :], notes


def _recorded(takes: list[Take] | Failure, request: Request) -> Rendering:
    if isinstance(takes, Failure):
        return takes
    notes = list(dict.fromkeys(told for take in takes for told in take.told))
    shortest = min(take.samples.shape[1] for take in takes)
    length = request.response_samples
    for take in takes:
        if take.rate_hz != request.rate_hz:
            return Failure(f"recording has {take.rate_hz} Hz, needs {request.rate_hz}")
        if take.samples.shape[0] != request.output_channels:
            return Failure(f"recording has {_channels(take.samples.shape[0])}, needs {request.output_channels}")
    if shortest < SHORTEST_SHARE * length:
        return Failure(f"recording stops after {_lengths(shortest, length, request.rate_hz)} (both from the click)")
    if shortest < length:
        notes.append(f"recording stops after {_lengths(shortest, length, request.rate_hz)}")
    rows = np.vstack([take.samples[:, : min(shortest, length)] for take in takes])
    if silent := _silent(rows, 1.0, "recording"):
        return Failure(silent)
    return _rendered(rows, request, notes)


def _rendered(rows: NDArray[Any], request: Request, notes: list[str]) -> Rendered:
    paths = PATHS[request.channels]
    notes += [f"{path} is silent" for path, row in zip(paths, rows, strict=True) if path and _silent(row, 1.0, path)]
    return Rendered(Response(np.ascontiguousarray(rows), request.rate_hz, 0.0, paths), tuple(notes))


def _silent(samples: NDArray[Any], click_level: float, what: str) -> str:
    audible = max(samples.max(), -samples.min()) >= click_level * 10.0 ** (SILENCE_DB / 20.0)
    return "" if audible else f"{what} is silent (peak below −120 dB of the click)"


def _channels(count: int) -> str:
    return "1 channel" if count == 1 else f"{count} channels"


def _lengths(has: int, needs: int, rate_hz: int) -> str:
    """In seconds, or in samples where seconds would not tell them apart."""
    if needs - has < rate_hz // 100:
        return f"{has} samples, needs {needs}"
    return f"{has / rate_hz:.2f} s, needs {needs / rate_hz:.2f} s"
