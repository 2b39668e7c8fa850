"""The yardstick of the benchmarks: what one writes in an afternoon to hold recordings against goldens.

    python tests/plain_script.py GOLDEN TAKES

Peaks of the envelope for the echoes, the ridge of a short-time Fourier transform for the group delay, T30 in octave
bands (Butterworth, Schroeder 1965) for the decay: numpy, scipy and soundfile, nothing of the suite. It tells in a line
for each pair how far the two differ, and knows no noise floor, no uncertainty, no springs and no tolerances.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy import signal

BANDS_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)


def measure(path: Path) -> tuple[Any, Any, Any]:
    """Times of echoes in s, time of the ridge at each frequency in s, T30 in s of each octave."""
    sound, rate = soundfile.read(path)
    envelope = np.abs(signal.hilbert(sound))
    peaks, _ = signal.find_peaks(envelope, height=0.1 * envelope.max(), distance=rate // 100)
    _, time, spectrum = signal.stft(sound, rate, nperseg=512, noverlap=448)
    level = np.abs(spectrum).max(axis=1)
    ridge = np.where(level > 0.01 * level.max(), time[np.abs(spectrum).argmax(axis=1)], np.nan)
    return peaks / rate, ridge, np.array([t30(sound, rate, centre) for centre in BANDS_HZ])


def t30(sound: Any, rate: int, centre_hz: float) -> float:
    """Reverberation time from the line through the decay curve between −5 and −35 dB."""
    edges = (centre_hz / np.sqrt(2), centre_hz * np.sqrt(2))
    band = signal.sosfilt(signal.butter(4, edges, "bandpass", fs=rate, output="sos"), sound)
    left = np.cumsum(band[::-1] ** 2)[::-1]
    level = 10 * np.log10(left / left[0])
    inside = np.flatnonzero((level <= -5) & (level >= -35))
    slope, _ = np.polyfit(inside / rate, level[inside], 1)
    return float(-60 / slope)


def main(golden: Path, takes: Path) -> None:
    """Hold every recording against the golden of its name."""
    for take in sorted(takes.glob("*.wav")):
        (response,) = (golden / take.stem).glob("response-*")
        (echoes, ridge, decay), (other_echoes, other_ridge, other_decay) = measure(response), measure(take)
        late = 1e3 * np.abs(echoes[:, np.newaxis] - other_echoes).min(axis=1).max()
        bent = 1e3 * np.nanmedian(np.abs(ridge - other_ridge))
        longer = 100 * np.abs(other_decay / decay - 1).max()
        print(f"{take.stem}: echoes {late:.2f} ms, ridge {bent:.2f} ms, T30 {longer:.2f} %")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
