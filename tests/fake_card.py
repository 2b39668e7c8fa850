"""A simulated sound card with the face of the library at the boundary: query_devices, check_…_settings, Stream.

What it models: a reverb (an impulse response) between output 1 and input 1, a cable between output 1 and input 2 (the
loopback), converters whose latency is no whole number of samples, a recorder's clock that is off by ppm, gain, noise,
hum, an input stage that clips, blocks that are lost with or without being told, silence, and failures. It runs as fast
as it can, in a thread of its own like the library's callback.

The converter is a windowed sinc of 128 samples, exact to about −100 dB below 0.45 of the rate.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

HALF = 64
WINDOW = np.kaiser(16385, 11.0)[8192:]
"""From the middle of the converter's window to its end."""


@dataclass
class FakeCard:
    """The library and its one device. Settings are read while it runs; ``played`` keeps what every stream played."""

    response: NDArray[Any]
    latency: float = 233.37
    ppm: float = 0.0
    gain: float = 0.5
    noise: float = 1e-5
    hum_hz: float = 50.0
    hum: float = 0.0
    clips_at: float = 1.0
    inputs: int = 2
    outputs: int = 2
    rates_hz: tuple[int, ...] = (44100, 48000, 96000)
    silent: bool = False
    unplugged_loopback: bool = False
    loses: dict[int, tuple[int, bool]] = field(default_factory=dict)
    """Stream (from 0) -> (block that is lost, whether the driver says so)."""
    burst: dict[int, tuple[float, float]] = field(default_factory=dict)
    """Stream -> (second, level) of a bang on the inputs."""
    gains: dict[int, float] = field(default_factory=dict)
    """Stream -> another gain."""
    taken: str = ""
    """A file that stands for the device: while it is there, somebody else plays."""
    hangs: bool = False
    hangs_at_opening: bool = False
    fails: str = ""
    stops_at: int | None = None
    block: int = 4096
    seed: int = 1
    played: list[NDArray[Any]] = field(default_factory=list)

    class PortAudioError(Exception):
        """As the library's."""

    class CallbackStop(Exception):
        """As the library's."""

    def query_devices(self, device: Any = None, kind: str | None = None) -> Any:
        one = {
            "name": "Bench 2x2", "max_input_channels": self.inputs, "max_output_channels": self.outputs,
            "default_samplerate": 48000.0,
        }  # fmt: skip
        if kind is None and device is None:
            return [one]
        if device not in (None, 0, "Bench"):
            raise ValueError(f"No {kind} device matching {device!r}")
        return one

    def check_input_settings(self, **settings: Any) -> None:
        if settings["samplerate"] not in self.rates_hz:
            raise self.PortAudioError("Invalid sample rate [PaErrorCode -9997]")

    check_output_settings = check_input_settings

    def Stream(self, **settings: Any) -> Any:  # noqa: N802 - the library's name
        while self.hangs_at_opening:
            time.sleep(1.0)
        if self.fails:
            raise self.PortAudioError(self.fails)
        if self.taken:
            try:
                Path(self.taken).touch(exist_ok=False)
            except FileExistsError:
                raise self.PortAudioError("Device unavailable") from None
        return _Stream(self, **settings)


class _Stream:
    def __init__(
        self, card: FakeCard, *, samplerate: int, blocksize: int, device: Any, channels: Any, dtype: str,
        callback: Any, finished_callback: Any,
    ) -> None:  # fmt: skip
        assert dtype == "float32"
        assert blocksize >= 0
        assert all(one in (None, 0, "Bench") for one in device)
        self.card, self.rate_hz, self.channels = card, samplerate, channels
        self.callback, self.finished = callback, finished_callback
        self.number = len(card.played)
        self.closing = threading.Event()
        # What the inputs hear, in the player's clock, from HALF samples before it begins.
        self.heard = np.zeros((2, 20 * samplerate))
        self.thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self.thread.start()

    def close(self) -> None:
        self.closing.set()
        if self.thread.ident is not None:
            self.thread.join(2.0)
        if self.card.taken:
            Path(self.card.taken).unlink()

    def _run(self) -> None:
        card, frames = self.card, self.card.block
        noise = np.random.default_rng(card.seed + self.number)
        out = np.zeros((0, self.channels[1]), dtype=np.float32)
        block = begin = 0
        card.played.append(out)
        while not self.closing.is_set():
            if card.hangs:
                time.sleep(0.02)
                continue
            if card.stops_at is not None and begin >= card.stops_at:
                break
            indata = self._record(begin, noise)
            lost, told = card.loses.get(self.number, (-1, False))
            status = SimpleNamespace(input_overflow=block == lost and told)
            outdata = np.full((frames, self.channels[1]), np.nan, dtype=np.float32)
            ends = False
            try:
                self.callback(indata[:, : self.channels[0]], outdata, frames, None, status)
            except card.CallbackStop:
                ends = True
            assert np.isfinite(outdata).all()
            out = np.concatenate([out, outdata])
            card.played[self.number] = out
            self._hear(block * frames, outdata[:, 0].astype(np.float64))
            if ends:
                break
            block += 1
            begin += frames * (2 if block == lost else 1)
        self.finished()

    def _hear(self, begin: int, played: NDArray[Any]) -> None:
        """Add a block to what the reverb and the cable give."""
        card, at = self.card, begin + HALF
        needed = at + played.size + card.response.size
        if needed > self.heard.shape[1]:
            self.heard = np.pad(self.heard, ((0, 0), (0, 2 * needed)))
        if played.any():
            self.heard[0, at : needed - 1] += oaconvolve(played, card.response)
            self.heard[1, at : at + played.size] += played

    def _record(self, begin: int, noise: np.random.Generator) -> NDArray[np.float32]:
        """A block of both inputs as the converter gives it."""
        card, frames = self.card, self.card.block
        # What is nearer than two blocks is not played yet.
        at = (begin + np.arange(frames)) / (1 + 1e-6 * card.ppm) - card.latency - 2 * frames
        nearest = np.floor(at).astype(int)
        rows = np.zeros((2, frames))
        inside = nearest >= 0
        taps = np.arange(-HALF + 1, HALF + 1)
        if inside.any():
            # Without an offset of the clock every sample lies alike.
            away = (at - nearest)[inside, np.newaxis][: None if card.ppm else 1] - taps
            window = np.interp(np.abs(away), np.linspace(0, HALF, WINDOW.size), WINDOW)
            weights = np.broadcast_to(np.sinc(away) * window, (int(inside.sum()), taps.size))
            first, last = nearest[inside][0] + taps[0] + HALF, nearest[inside][-1] + taps[-1] + HALF + 1
            for row, source in zip(rows, self.heard[:, first:last], strict=True):
                windows = np.lib.stride_tricks.sliding_window_view(source, taps.size)
                row[inside] = np.einsum("ij,ij->i", windows[nearest[inside] - nearest[inside][0]], weights)
        rows[0] *= card.gains.get(self.number, card.gain)
        if card.silent:
            rows[0] = 0.0
        if card.unplugged_loopback:
            rows[1] = 0.0
        time_s = (begin + np.arange(frames)) / self.rate_hz
        rows += card.noise * noise.standard_normal(rows.shape)
        rows += card.hum * (np.sin(2 * np.pi * card.hum_hz * time_s) + 0.3 * np.sin(6 * np.pi * card.hum_hz * time_s))
        at_s, level = card.burst.get(self.number, (-1.0, 0.0))
        rows += level * noise.standard_normal(rows.shape) * ((time_s > at_s) & (time_s < at_s + 0.2) & (at_s >= 0))
        return np.clip(rows, -card.clips_at, card.clips_at).T.astype(np.float32)
