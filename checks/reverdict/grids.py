"""Impulses and time-frequency pictures of golden, candidate and their difference, small enough to keep in a verdict.

Method
    An impulse is told as the lowest and the highest sample of each of some hundred stretches of time, in 127ths of the
    golden's peak. A time-frequency picture is a grid of cells, the loudest of the time that a cell spans, by the bands
    of ``measure.time_frequency``; every frequency against the golden's own loudest there, lifted by no more than 25 dB,
    so that noise stays pale. Candidate and difference (candidate minus golden, sample by sample) are held against the
    same levels of the golden, so that what is equally dark is equally loud.
Form
    Bytes in base64. A grid is a greyscale PNG of 8 bits, its top row the highest frequency, its left column the click:
    0 is ``lowest_db`` or less, every ``GREYS`` more are ``STEP_DB`` more. PNG is what a page shows as it is, what
    packs a grid to a third, and what every library reads. Steps of 1.5 dB are drawn as smoothly as finer ones.
Limits
    The cells of a reference are shared out among its paths: each of four has 43 % of the rows and columns of one alone.
"""

from __future__ import annotations

import io
from base64 import b64encode
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.time_frequency import REACH, energy, impulse_s

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reverdict.measure.passes import Spring

ROWS, COLUMNS, FEWEST_ROWS, FEWEST_COLUMNS = 40, 108, 12, 30
STRETCHES, FEWEST_STRETCHES = 200, 50
LOWEST_DB, HIGHEST_DB, STEP_DB, GREYS = -48.0, 6.0, 1.5, 7
MOST_LIFT_DB = 25.0
LOWEST_HZ, HIGHEST_HZ = 100.0, 8000.0
OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
FULL = 127


def impulse(
    golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float, shown_s: float, paths: int
) -> dict[str, Any]:
    """Both impulses from the click to ``shown_s``; each is int8 pairs of lowest and highest, in base64."""
    stretches = _share(STRETCHES, paths, FEWEST_STRETCHES)
    size = max(round(shown_s * rate_hz), 1)
    peak = float(np.abs(golden).max(initial=0.0)) or 1.0
    return {
        "time_ms": [0.0, _ms(size / rate_hz)],
        "full": FULL,
        "golden": _extremes(golden[:size], size, stretches, peak),
        "candidate": _extremes(candidate[:size], size, stretches, peak),
    }


def time_frequency(
    golden: NDArray[Any], candidate: NDArray[Any], rate_hz: float, shown_s: float, springs: Sequence[Spring], paths: int
) -> dict[str, Any]:
    """Grids of golden, candidate and difference, shape (samples,) each, with axes, scale and octaves as numbers.

    Returns
    -------
    dict
        ``time_ms`` and ``frequency_hz`` are the outer edges of the grid; ``octaves`` say of each octave in it how loud
        golden, candidate and difference are at most, in dB of the golden's loudest cell, and when.
    """
    rows, columns = _share(ROWS, paths, FEWEST_ROWS), _share(COLUMNS, paths, FEWEST_COLUMNS)
    top_hz = _highest_hz(springs, rate_hz)
    edges_hz = np.linspace(min(LOWEST_HZ, top_hz / 4), top_hz, rows + 1)
    rows_hz = (edges_hz[1:] + edges_hz[:-1]) / 2
    size = round((shown_s + REACH * impulse_s()) * rate_hz)
    both = np.zeros((2, size))
    for own, sound in zip(both, (golden, candidate), strict=True):
        own[: min(size, sound.size)] = sound[:size]
    times_s = shown_s * (np.arange(2 * columns) + 0.5) / (2 * columns)
    power = [
        energy(sound, rate_hz, rows_hz, times_s).reshape(rows, columns, 2).max(axis=2)
        for sound in (both[0], both[1], both[1] - both[0])
    ]
    loudest = max(float(power[0].max()), 1e-300)
    reference = np.maximum(power[0].max(axis=1, keepdims=True), 10 ** (-MOST_LIFT_DB / 10) * loudest)
    names = ("golden", "candidate", "difference")
    return {
        "time_ms": [0.0, _ms(shown_s)],
        "frequency_hz": [round(float(edges_hz[0]), 1), round(float(top_hz), 1)],
        "lowest_db": LOWEST_DB,
        "highest_db": HIGHEST_DB,
        "scale": (
            f"grey 0 is {LOWEST_DB:g} dB or less, each {GREYS} more is {STEP_DB:g} dB more; level against the golden's "
            f"loudest at that frequency, lifted by {MOST_LIFT_DB:g} dB at most; top row is the highest frequency"
        ),
        **{name: _png(one / reference) for name, one in zip(names, power, strict=True)},
        "octaves": _octaves([10 * np.log10(np.maximum(one / loudest, 1e-12)) for one in power], rows_hz, shown_s),
    }


def _share(wanted: int, paths: int, fewest: int) -> int:
    return max(int(wanted / max(paths, 1) ** 0.6), fewest)


def _ms(seconds: float) -> float:
    return round(1e3 * seconds, 4)


def _highest_hz(springs: Sequence[Spring], rate_hz: float) -> float:
    reached = [spring.transition.frequency_hz or float(spring.curve.frequency_hz[-1]) for spring in springs]
    return min(1.25 * max(reached) if reached else HIGHEST_HZ, HIGHEST_HZ, 0.48 * rate_hz)


def _extremes(sound: NDArray[Any], size: int, stretches: int, peak: float) -> str:
    padded = np.zeros(size)
    padded[: sound.size] = sound
    starts = np.unique(np.linspace(0, size, min(stretches, size), endpoint=False).astype(int))
    pairs = np.column_stack([np.minimum.reduceat(padded, starts), np.maximum.reduceat(padded, starts)])
    return _text(np.clip(np.round(FULL / peak * pairs), -FULL, FULL).astype(np.int8).tobytes())


def _png(ratio: NDArray[Any]) -> str:
    from PIL import Image

    level_db = 10 * np.log10(np.maximum(ratio, 1e-12))
    steps = np.clip(np.round((level_db - LOWEST_DB) / STEP_DB), 0, (HIGHEST_DB - LOWEST_DB) / STEP_DB)
    written = io.BytesIO()
    Image.fromarray((GREYS * steps[::-1]).astype(np.uint8)).save(written, "PNG", optimize=True)
    return _text(written.getvalue())


def _text(data: bytes) -> str:
    return b64encode(data).decode("ascii")


def _octaves(level_db: Sequence[NDArray[Any]], rows_hz: NDArray[Any], shown_s: float) -> list[dict[str, Any]]:
    """How loud each octave is at most, and when, in golden, candidate and difference."""
    told = []
    for centre_hz in OCTAVES_HZ:
        inside = (rows_hz >= centre_hz / 2**0.5) & (rows_hz < centre_hz * 2**0.5)
        if inside.any():
            courses = [one[inside].max(axis=0) for one in level_db]
            told.append(
                {"centre_hz": centre_hz}
                | {
                    name: [round(float(course.max()), 1), _ms(shown_s * (int(course.argmax()) + 0.5) / course.size)]
                    for name, course in zip(("golden", "candidate", "difference"), courses, strict=True)
                }
            )
    return told
