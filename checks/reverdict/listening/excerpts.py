"""Dry sounds through golden, candidate and their difference, all in step and at one level.

Method. The response itself and each dry sound are convolved with the paths of a reverb (two inputs get the same sound)
and put one after another, the golden's and the candidate's excerpt at the same place. The difference is candidate minus
golden as they are, neither moved nor made as loud. Then the candidate is brought to the golden's loudness (ITU-R
BS.1770-4), and all three get one gain by which the loudest true peak lies at ``PEAK_DBFS`` or the golden at
``LOUDNESS_LKFS``, whichever is lower: the difference stands as far below the golden as it is.

Conventions. Shape (channels, samples), at 48 kHz, 1 or 2 channels.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.listening.dry import RATE_HZ, plucked, snare, voice
from reverdict.listening.loudness import loudness_lkfs, true_peak

if TYPE_CHECKING:
    from numpy.typing import NDArray

PEAK_DBFS, LOUDNESS_LKFS = -1.01, -23.0
"""A hundredth of a dB is left for 16 bits and their dither, so that no file lies above −1 dBFS."""
LONGEST_TAIL_S = 4.0
QUIET_DB = -60.0
FADE_S, GAP_S = 0.05, 0.1

DRY: dict[str, Callable[[], NDArray[Any]]] = {
    "response": lambda: np.ones(1),
    "snare": snare,
    "plucked string": plucked,
    "voice": voice,
}
"""What is heard through a reverb, in this order."""


@dataclass(frozen=True)
class Cue:
    """Where a dry sound and its reverb lie, seconds from the beginning."""

    name: str
    from_s: float
    to_s: float


@dataclass(frozen=True)
class Excerpts:
    """The three sounds, of one length, and what was done to them.

    candidate_db : gain that brought the candidate to the golden's loudness; None where one of them is silent.
    difference_db : level of the difference against the golden (both as they are), RMS; None where there is none.
    """

    golden: NDArray[Any]
    candidate: NDArray[Any]
    difference: NDArray[Any]
    cues: tuple[Cue, ...]
    candidate_db: float | None
    difference_db: float | None


def excerpts(golden: NDArray[Any], candidate: NDArray[Any], rate_hz: int, paths: Sequence[str]) -> Excerpts:
    """Make them from two responses of shape (paths, samples) at ``rate_hz``, from the click on.

    paths : names of the rows, as ``words.Response`` has them; "left→right" is from the left input to the right output.
    """
    length = max(golden.shape[-1], candidate.shape[-1])
    both = [_outputs(_at_48k(_padded(one, length), rate_hz), paths) for one in (golden, candidate)]
    tail = _audible(both)
    ones, others, cues, at = [], [], [], 0
    for name, make in DRY.items():
        dry = make()
        size = dry.size + tail - 1
        wet = [_faded(_through(dry, one[:, :tail])) for one in both]
        gap = np.zeros((wet[0].shape[0], int(GAP_S * RATE_HZ)))
        ones += [wet[0], gap]
        others += [wet[1], gap]
        cues.append(Cue(name, at / RATE_HZ, (at + size) / RATE_HZ))
        at += size + gap.shape[-1]
    return _levelled(np.hstack(ones), np.hstack(others), tuple(cues))


def _padded(response: NDArray[Any], length: int) -> NDArray[Any]:
    return np.pad(response, ((0, 0), (0, length - response.shape[-1])))


def _at_48k(response: NDArray[Any], rate_hz: int) -> NDArray[Any]:
    from scipy.signal import resample_poly

    if rate_hz == RATE_HZ:
        return response
    common = math.gcd(rate_hz, RATE_HZ)
    # Samples of a response are values of its spectrum's integral: fewer a second weigh more each.
    return np.asarray(resample_poly(response, RATE_HZ // common, rate_hz // common, axis=-1)) * (rate_hz / RATE_HZ)


def _outputs(response: NDArray[Any], paths: Sequence[str]) -> NDArray[Any]:
    """What comes out where every input gets the same sound; shape (outputs, samples)."""
    outputs: dict[str, NDArray[Any]] = {}
    for path, row in zip(paths, response, strict=True):
        output = path.rpartition("→")[2]
        outputs[output] = outputs[output] + row if output in outputs else row
    return np.stack(list(outputs.values()))[:2]


def _audible(both: Sequence[NDArray[Any]]) -> int:
    """Samples until both have died away, ``LONGEST_TAIL_S`` at the most."""
    last = 1
    for one in both:
        envelope = np.max(np.abs(one), axis=0)
        above = np.flatnonzero(envelope > float(envelope.max(initial=0.0)) * 10 ** (QUIET_DB / 20))
        last = max(last, int(above[-1]) + 1 if above.size else 1)
    return min(last, int(LONGEST_TAIL_S * RATE_HZ), both[0].shape[-1])


def _through(dry: NDArray[Any], response: NDArray[Any]) -> NDArray[Any]:
    from scipy.signal import fftconvolve

    return np.asarray(fftconvolve(response, dry[None, :], axes=-1))


def _faded(sound: NDArray[Any]) -> NDArray[Any]:
    fade = min(int(FADE_S * RATE_HZ), sound.shape[-1])
    sound[:, sound.shape[-1] - fade :] *= np.linspace(1.0, 0.0, fade)
    return sound


def _levelled(golden: NDArray[Any], candidate: NDArray[Any], cues: tuple[Cue, ...]) -> Excerpts:
    difference = candidate - golden
    loud = [loudness_lkfs(one) for one in (golden, candidate)]
    gain_db = loud[0] - loud[1] if all(map(math.isfinite, loud)) else None
    matched = candidate * 10 ** ((gain_db or 0.0) / 20)
    peak = max(true_peak(one) for one in (golden, matched, difference))
    whole = 10 ** (PEAK_DBFS / 20) / peak if peak else 1.0
    if math.isfinite(loud[0]):
        whole = min(whole, 10 ** ((LOUDNESS_LKFS - loud[0]) / 20))
    return Excerpts(golden * whole, matched * whole, difference * whole, cues, gain_db, _below(difference, golden))


def _below(difference: NDArray[Any], golden: NDArray[Any]) -> float | None:
    power, of = float(np.mean(difference**2)), float(np.mean(golden**2))
    return 10 * math.log10(power / of) if power and of else None
