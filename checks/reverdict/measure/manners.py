"""How a processor behaves: arrays that it gave for one sound and for a changed one, and how far they are from as told.

Method
    A linear, time-invariant processor of any kind gives the same response when it is asked again, softer, turned over,
    later, beside other sound, in other blocks, after a reset or in other company. ``departure`` is what is left of the
    difference: the root of its energy over that of the response, in percent; 1 % is a null at -40 dB.
    ``what_is_left`` reads the end of a long silence, ``high_burst`` what a moved parameter adds above a sine,
    ``slow_down`` the processor time of a silent tail against that of loud sound, in windows of a quarter of a second,
    the quicker of two runs of each.
Conventions
    Arrays have the shape (channels, samples). Percentages are of the response's energy (as a root), or of full scale.
Validity
    Departures say that something differs, not why. The energy of a single wrong sample in a long response is small:
    -60 dB is one sample as loud as the whole response's rms in a million.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

END_S = 0.25
STEADY_DB = 1.0
WINDOW_S = 0.25
LEAST_S = 0.005
BURST_HIGH_PASS = 10.0
BURST_S = 0.3
BURST_ORDER = 6


@dataclass(frozen=True)
class Observed:
    """One question about a build's manners, and what was found.

    question : str
        The key of ``reference.Conduct`` that says how far it may depart, such as "level_scaling_percent".
    amount : float or None
        By how much it departs, in the unit of the key. None: ``why_not`` says why it could not be told.
    uncertainty : float
        Expanded (k = 2), in the same unit.
    where : str
        Of which part, or when, it was observed ("left input").
    name : str
        What this observation is called, where its question has several.
    remark : str
        What else to know.
    not_put : str
        Why the question cannot be put to this build at all.
    """

    question: str
    amount: float | None
    uncertainty: float = 0.0
    where: str = ""
    name: str = ""
    remark: str = ""
    why_not: str = ""
    not_put: str = ""


def departure(found: NDArray[Any], expected: NDArray[Any]) -> float:
    """Root of the energy of the difference over that of ``expected``, in percent, over the samples both have."""
    size = min(found.shape[1], expected.shape[1])
    energy = float(np.sum(expected[:, :size] ** 2))
    difference = float(np.sum((found[:, :size] - expected[:, :size]) ** 2))
    if energy == 0.0:
        return 0.0 if difference == 0.0 else math.inf
    return 100.0 * math.sqrt(difference / energy)


def in_db(percent: float) -> str:
    """A percentage of an amplitude as people think of a null: "−40 dB"."""
    return f"{20.0 * math.log10(percent / 100.0):.0f} dB" if 0.0 < percent < math.inf else ""


def what_is_left(samples: NDArray[Any], rate_hz: float) -> tuple[float, bool]:
    """Peak of the last quarter of a second in percent of the loudest sample, and whether it has ceased to decay."""
    loudest = float(np.abs(samples).max(initial=0.0))
    if loudest == 0.0:
        return 0.0, False
    window = max(1, round(END_S * rate_hz))
    last, before = (_rms(samples[:, -window:]), _rms(samples[:, -2 * window : -window]))
    left = float(np.abs(samples[:, -window:]).max())
    steady = last > 0.0 and (before == 0.0 or 20.0 * math.log10(last / before) > -STEADY_DB)
    return 100.0 * left / loudest, steady


def high_burst(samples: NDArray[Any], rate_hz: float, sine_hz: float, moved_at: int) -> float:
    """What sounds high above a steady sine once something moved, beyond what did before, in percent of the peak.

    samples : from the time on when the sine has settled; moved_at : sample of the move.
    """
    from scipy.signal import butter, sosfilt

    highs = butter(BURST_ORDER, min(BURST_HIGH_PASS * sine_hz, 0.4 * rate_hz), "highpass", fs=rate_hz, output="sos")
    high = np.abs(sosfilt(highs, samples, axis=1))
    loudest = float(np.abs(samples).max(initial=0.0))
    if loudest == 0.0:
        return 0.0
    after = high[:, moved_at : moved_at + round(BURST_S * rate_hz)].max(initial=0.0)
    # The filter's own start is no burst.
    before = high[:, moved_at // 2 : moved_at].max(initial=0.0)
    return 100.0 * max(0.0, float(after - before)) / loudest


def slow_down(
    loud: list[NDArray[Any]], silent: list[NDArray[Any]], rate_hz: float, silent_from: int
) -> tuple[float, float]:
    """How much dearer a silent tail is than loud sound at its worst, in percent, and its uncertainty (k = 2).

    Parameters
    ----------
    loud, silent : list of ndarray, shape (2, blocks)
        Runs of the same sound each: sample at which each block ended, and its CPU seconds.
    silent_from : int
        Sample from which the silent runs are silent.
    """
    of_loud = _costs(loud, rate_hz, 0)
    of_silent = _costs(silent, rate_hz, silent_from)
    usual = float(np.median(of_loud))
    worst = float(of_silent.max())
    spread = float(of_loud.max() - of_loud.min()) / usual
    return 100.0 * (worst / usual - 1.0), 100.0 * spread * worst / usual


def denormal_share(samples: NDArray[Any]) -> float:
    """Share of the samples that are not 0 but too small for a normal 32-bit float."""
    small = np.abs(samples)
    return float(np.mean((small > 0.0) & (small < np.finfo(np.float32).tiny))) if samples.size else 0.0


def slow_program(loud_s: list[float], silent_s: list[float], start_s: list[float]) -> tuple[float, float] | None:
    """The same for a program, of which whole runs are known: CPU seconds of loud sound, of the silent tail, of nothing.

    Loud and silent runs are of one length. The uncertainty is what runs of the same sound differ by. None where sound
    takes too little time beside the start to be told.
    """
    start = min(start_s, default=0.0)
    sound = min(loud_s) - start
    if sound < LEAST_S:
        return None
    differ = sum(max(runs) - min(runs) for runs in (loud_s, silent_s, start_s) if runs)
    return 100.0 * ((min(silent_s) - start) / sound - 1.0), 100.0 * differ / sound


def _costs(runs: list[NDArray[Any]], rate_hz: float, start: int) -> NDArray[Any]:
    """Seconds per sample in windows of ``WINDOW_S`` from ``start`` on; of each window the quicker run counts."""
    ends = runs[0][0]
    frames = np.diff(ends, prepend=0.0)
    windows = np.floor((ends - 1 - start) / (WINDOW_S * rate_hz)).astype(int)
    costs = []
    for window in range(max(1, int(windows[-1]))):  # the last one is cut short, unless it is the only one
        blocks = windows == window
        if blocks.any():
            # The median shrugs off the one block in which something else ran.
            costs.append(min(float(np.median(run[1][blocks] / frames[blocks])) for run in runs))
    return np.array(costs)


def balance_db(samples: NDArray[Any]) -> float | None:
    """Energy of the right channel over that of the left, in dB; None where one of them is silent."""
    left, right = (float(np.sum(row**2)) for row in samples)
    return 10.0 * math.log10(right / left) if left > 0.0 and right > 0.0 else None


def mono_sum_db(samples: NDArray[Any]) -> float | None:
    """Energy of left plus right over what it would be if they were unlike, in dB; None for silence.

    0 dB for unlike channels, +3 for equal ones; far below 0 they cancel each other in mono.
    """
    apart = float(np.sum(samples**2))
    together = float(np.sum(samples.sum(axis=0) ** 2))
    return 10.0 * math.log10(together / apart) if apart > 0.0 and together > 0.0 else None


def peak_db(samples: NDArray[Any]) -> float | None:
    """Loudest sample re full scale, in dB; None for silence."""
    loudest = float(np.abs(samples).max(initial=0.0))
    return 20.0 * math.log10(loudest) if loudest > 0.0 else None


def _rms(samples: NDArray[Any]) -> float:
    return math.sqrt(float(np.mean(samples**2))) if samples.size else 0.0
