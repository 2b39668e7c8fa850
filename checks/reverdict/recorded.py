"""Recordings of one click: read as responses, and what to know of each before believing its tables."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from reverdict.errors import BadInput
from reverdict.measure.click import answers_early, click_before, find_click
from reverdict.measure.deconvolution import loudest
from reverdict.measure.rising import rising_sweep
from reverdict.sound import clipping, cut_short, read_sound
from reverdict.words import Response

if TYPE_CHECKING:
    from reverdict.measure.passes import SpringMeasurement

LEVELS_APART_DB = 3.0


def read_recording(file: Path | str, click_at: float | str) -> tuple[Response, list[str]]:
    """A sound file as a response, its click found ("auto") or as told, and warnings for the user.

    Parameters
    ----------
    file : path
        WAV or FLAC of any sample type; each channel becomes a path.
    click_at : float or "auto"
        When the click went in, in seconds from the start of the file, 0 or more.

    Returns
    -------
    Response, list of str
        Samples of shape (channels, samples), full scale being 1; and what to know of the file, a line each.

    Raises
    ------
    BadInput
        It cannot be read, ends before the click, or holds a sweep; or ``click_at`` is no such time.
    """
    file = Path(file)
    told_s = None if click_at == "auto" else _told(file, click_at)
    samples, rate_hz = read_sound(file)
    warnings = [*cut_short(file), *clipping(samples)]
    sweep = rising_sweep(samples[loudest(samples)], rate_hz)
    if sweep is not None:
        told = f"sounds like a recorded sweep ({sweep.seconds:.1f} s or more, up to {sweep.to_hz:.0f} Hz), not a click"
        raise BadInput(file, f"{told}; give measure the file that was played as --stimulus")
    click_at_s = find_click(samples, rate_hz) if told_s is None else told_s
    if click_at_s >= samples.shape[1] / rate_hz:
        raise BadInput(file, f"ends at {samples.shape[1] / rate_hz:.3f} s, before the click at {click_at_s:g} s")
    before_s = click_before(samples, rate_hz, click_at_s) if told_s is None else None
    if before_s is not None:
        warnings.append(f"{onset_is_a_pass(click_at_s, before_s)}; if that is wrong, --click-at says when it went in")
        click_at_s = before_s
    paths = ("",) if len(samples) == 1 else tuple(f"channel {i + 1}" for i in range(len(samples)))
    return Response(samples, rate_hz, click_at_s, paths), warnings


def _told(file: Path, click_at: float | str) -> float:
    """The click as it was told, seconds."""
    try:
        seconds = float(click_at)
    except (TypeError, ValueError, OverflowError):
        seconds = -1.0
    if not 0 <= seconds < math.inf:
        raise BadInput(file, f'its click cannot be at {click_at!r}; need "auto", or seconds from the start of the file')
    return seconds


def onset_is_a_pass(onset_s: float, click_s: float) -> str:
    """What to say of a click that was put before a sharp onset."""
    return (
        f"the sharp onset at {1e3 * onset_s:.2f} ms is a pass of a spring, not the click; "
        f"by the law of its passes the click went in at {1e3 * click_s:.2f} ms, and times count from there"
    )


def late_click(response: Response, *measured: SpringMeasurement) -> list[str]:
    """What to say of a click that springs answer before it went in."""
    early_s = answers_early(*measured)
    if early_s is None:
        return []
    at_s = response.click_at_s - early_s
    where = f"at {1e3 * at_s:.2f} ms" if at_s > 0 else f"{-1e3 * at_s:.2f} ms before the file begins"
    told = f"passes come {1e3 * early_s:.2f} ms earlier than whole trips from the click"
    return [f"{told} at {1e3 * response.click_at_s:.2f} ms: by their law it went in {where}"]


def prove_alike(file: Path, response: Response, golden_file: Path, golden: Response) -> None:
    """Complain about two files that cannot be held against each other."""
    if golden.rate_hz != response.rate_hz:
        raise BadInput(golden_file, f"is at {golden.rate_hz} Hz, {file} at {response.rate_hz} Hz; convert one of them")
    if len(golden.samples) != len(response.samples):
        raise BadInput(golden_file, f"has {len(golden.samples)} channels, {file} has {len(response.samples)}")


def levels_apart(response: Response, golden: Response) -> list[str]:
    """What to say of channels that are much louder or softer than the golden's: lag does not tell it."""
    told = []
    for path, row, other in zip(response.paths, response.samples, golden.samples, strict=True):
        power, golden_power = (float(np.mean((one - one.mean()) ** 2)) for one in (row, other))
        if power <= 0 or golden_power <= 0:
            continue
        apart_db = 10 * np.log10(power * row.size / (golden_power * other.size))
        if abs(apart_db) > LEVELS_APART_DB:
            where = f"{path} is" if path else "it is"
            told.append(f"{where} {abs(apart_db):.1f} dB {'louder' if apart_db > 0 else 'softer'} than the golden")
    return told
