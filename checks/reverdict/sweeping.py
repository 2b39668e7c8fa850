"""Sweeps in files: writing one to play, and measuring a recording of one. The slips users make are told here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.errors import BadInput
from reverdict.measure.deconvolution import find_place, loudest
from reverdict.measure.rising import rising_sweep
from reverdict.measure.stimulus import read_stimulus
from reverdict.measure.sweep import make_sweep
from reverdict.measure.swept import measure_swept
from reverdict.recorded import late_click, onset_is_a_pass
from reverdict.sound import clipping, cut_short, read_sound, write_sound

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.measure.rising import RisingSweep
    from reverdict.measure.stimulus import Stimulus
    from reverdict.measure.sweep import Sweep
    from reverdict.measure.swept import Swept

LONGEST_S = 3600.0
HIGHEST_SHARE = 0.48
OVERLAP_DB = 40.0
SAME_PACE = 0.1
"""How far a recorded sweep, read roughly, may seem to be from the pace of its stimulus."""


@dataclass(frozen=True)
class SweepWishes:
    """What ``reverdict sweep`` is asked for."""

    f1_hz: float
    f2_hz: float | None
    seconds: float
    tail_s: float
    rate_hz: int
    level_dbfs: float
    repeats: int
    kind: str


def write_sweep(target: Path, wishes: SweepWishes) -> tuple[Sweep, float]:
    """Write a 24-bit stimulus of equal repeats, each a sweep and the silence after it.

    Returns
    -------
    The sweep, and how long the whole file takes, seconds.

    Raises
    ------
    BadInput
        The file's name is no WAV, or the frequencies do not fit the sample rate or the length.
    """
    if target.suffix.lower() != ".wav":
        raise BadInput(target, "a stimulus is a 24-bit WAV; end its name in .wav")
    if not target.parent.is_dir():
        raise BadInput(target, f"cannot write here (no folder {target.parent})")
    top_hz = HIGHEST_SHARE * wishes.rate_hz
    f2_hz = min(20000.0, top_hz) if wishes.f2_hz is None else wishes.f2_hz
    if f2_hz > top_hz:
        raise BadInput(target, f"--to-hz {f2_hz:g} is too high for {wishes.rate_hz} Hz; {top_hz:.0f} Hz is the most")
    if not f2_hz > 2 * wishes.f1_hz:
        raise BadInput(target, f"{wishes.f1_hz:g} to {f2_hz:g} Hz is less than an octave; nothing to sweep")
    amplitude = 10 ** (wishes.level_dbfs / 20)
    sweep = make_sweep(wishes.f1_hz, f2_hz, wishes.seconds, wishes.rate_hz, wishes.kind, amplitude)
    sound = sweep.samples()
    period = sound.size + round(wishes.tail_s * wishes.rate_hz)
    if wishes.repeats * period > LONGEST_S * wishes.rate_hz:
        raise BadInput(target, "would last over an hour; fewer --repeats or --seconds")
    one = np.zeros(period)
    one[: sound.size] = sound
    write_sound(target, np.tile(one, wishes.repeats)[np.newaxis], wishes.rate_hz, subtype="PCM_24", made_by="reverdict")
    return sweep, wishes.repeats * period / wishes.rate_hz


def measure_recording(
    file: Path,
    stimulus_file: Path,
    loops: int = 1,
    loopback_channel: int | None = None,
    click_at_s: float | None = None,
    arrival_hz: float = 500.0,
    fraction: int = 1,
) -> tuple[Swept, list[str]]:
    """Measure a recording of a stimulus.

    Parameters
    ----------
    loops : int
        How often the stimulus file was played without a gap.
    loopback_channel : int or None
        Counted from 1.
    fraction : int
        Decay in octaves (1) or third-octaves (3).

    Returns
    -------
    What was measured, and warnings for the user.

    Raises
    ------
    BadInput
        One of the files cannot be used, or they do not belong together.
    """
    stimulus = _open_stimulus(stimulus_file, loops)
    recording, rate_hz = read_sound(file)
    if rate_hz != stimulus.rate_hz:
        told = f"recorded at {rate_hz} Hz, but {stimulus_file} has {stimulus.rate_hz} Hz"
        raise BadInput(file, f"{told}; record at the stimulus's rate")
    if not 50 <= arrival_hz <= rate_hz / 2:
        raise BadInput(file, f"--arrival-hz {arrival_hz:g} is outside 50…{rate_hz / 2:g} Hz")
    if loopback_channel is not None and click_at_s is not None:
        raise BadInput(file, "--click-at and --loopback-channel both say when the stimulus began; give one of them")
    if not np.ptp(recording, axis=1).any():
        raise BadInput(file, "silent; was the right input recorded?")
    loopback = _loopback_index(file, recording, loopback_channel)
    guide = loudest(recording) if loopback is None else loopback

    why = _why_another(rising_sweep(recording[guide], rate_hz), stimulus, stimulus_file)
    if why:
        raise BadInput(file, f"{why}; is it the right stimulus?")
    place = find_place(recording, stimulus, guide, None if click_at_s is None else int(click_at_s * rate_hz))
    if place.why_not:
        raise BadInput(file, place.why_not)
    swept = measure_swept(recording, stimulus, place.begin, arrival_hz, loopback, click_at_s, fraction)
    doubts = _doubts(swept, times_known=loopback is not None or click_at_s is not None)
    return swept, [*cut_short(file), *clipping(recording), *doubts]


def _why_another(recorded: RisingSweep | None, stimulus: Stimulus, stimulus_file: Path) -> str:
    """Why a recording answers another sweep than its stimulus, or nothing where it may answer that."""
    sweep = stimulus.sweep
    if recorded is None:
        return ""
    if sweep is None:
        own = rising_sweep(stimulus.samples, stimulus.rate_hz)
        return "" if own is not None else f"holds a sweep, which {stimulus_file} is not"
    pace = np.log2(sweep.f2_hz / sweep.f1_hz) / sweep.seconds
    if abs(recorded.octaves_per_s / pace - 1) < SAME_PACE:
        return ""
    return f"holds a sweep of {recorded.octaves_per_s:.2f} octaves a second, {stimulus_file} one of {pace:.2f}"


def _open_stimulus(file: Path, loops: int) -> Stimulus:
    samples, rate_hz = read_sound(file)
    stimulus = read_stimulus(samples[loudest(samples)], rate_hz, loops)
    if stimulus is None:
        raise BadInput(file, "silent; a stimulus is what was played, such as `reverdict sweep` writes")
    return stimulus


def _loopback_index(file: Path, recording: NDArray[Any], number: int | None) -> int | None:
    if number is None:
        return None
    if number > len(recording):
        raise BadInput(file, f"has no channel {number} for --loopback-channel, only {len(recording)}")
    if len(recording) == 1:
        raise BadInput(file, "has one channel; with --loopback-channel it needs another that recorded the reverb")
    if not np.ptp(recording[number - 1]).any():
        raise BadInput(file, f"channel {number} is silent; is it the loopback?")
    return number - 1


def _doubts(swept: Swept, *, times_known: bool) -> list[str]:
    """What a user should know before believing the tables."""
    told = []
    stimulus, result = swept.stimulus, swept.deconvolved
    if stimulus.sweep is None:
        told.append("the stimulus is no exponential sweep: measured by division, without harmonics")
    elif result.clock.offset is None:
        apart_us = 1e6 * stimulus.sweep.growth_s * np.log(4000 / 500) * 1e-6
        told.append(
            f"if two clocks were at work, each ppm between them tilts delays by {apart_us:.1f} µs per 3 octaves"
        )
    if swept.moved_s:
        told.append(onset_is_a_pass(swept.response.click_at_s + swept.moved_s, swept.response.click_at_s))
    told += late_click(swept.response, *(path.springs for path in swept.measurement.paths))
    if result.begin_s > 0 and not times_known:
        told.append(
            "the recording began before the stimulus: without a loopback channel times count from a sharp onset or, "
            "where there is none, from a guess; --click-at says when playing began"
        )
    told += _overlaps(swept)
    if result.spoilt:
        told.append(f"unlike the others and set aside: repeat {', '.join(str(number) for number in result.spoilt)}")
    if 1 in result.spoilt:
        told.append("if nothing disturbed repeat 1, the silence between repeats is shorter than the reverb")
    return told


def _overlaps(swept: Swept) -> list[str]:
    """Paths on whose linear response the tail of the second order lies, and how far below it."""
    told = []
    sweep, distortions = swept.stimulus.sweep, swept.deconvolved.distortion
    for path, distortion in zip(swept.measurement.paths, distortions, strict=True):
        t30_s = path.decay.whole.times["t30"].seconds
        if sweep is None or t30_s is None or not distortion.orders or not distortion.orders[0].ratio.size:
            continue
        below_db = 60 * sweep.lead_s(2) / t30_s - 20 * np.log10(float(np.median(distortion.orders[0].ratio)))
        if below_db < OVERLAP_DB:
            where = f"{path.path}: " if path.path else ""
            tail = f"the tail of the second order lies on the response, {below_db:.0f} dB below it"
            told.append(f"{where}{tail}; the sweep is short for this reverb")
    return told
