"""The sound interface: the only module that knows the library (sounddevice, over PortAudio).

Everything that is played goes through ``limited``: finite, below the level allowed, faded at both ends; the callback
clips once more. Played and recorded samples are counted by the same blocks, so that what was recorded is in step with
what was played, but for the interface's latency. On Ctrl-C the block that is being handed over fades out, silence
follows, and the stream is closed.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.errors import BadInput
from reverdict.extras import getting

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.capture.plan import Route

FADE_S = 0.005
ANSWERS_WITHIN_S = 10.0
ENDS_WITHIN_S = 2.0
BLOCK = 1024
LOSSES = ("input_overflow", "input_underflow", "output_overflow", "output_underflow")


@dataclass(frozen=True)
class Recorded:
    """What came back.

    samples : ndarray, shape (channels, samples)
        In the order of ``Route.recorded``.
    lost_blocks : how many blocks the driver says it lost some of.
    """

    samples: NDArray[Any]
    lost_blocks: int


def getting_it() -> str:
    """What installs the library and the system's own part."""
    return f"{getting('sounddevice')} (and the system's PortAudio: apt install libportaudio2)"


def open_library() -> Any:
    """The library. Raises BadInput where it or PortAudio is missing, and says how to get it."""
    try:
        import sounddevice
    except ImportError:
        raise BadInput("capture", f"needs the library sounddevice: {getting_it()}") from None
    except OSError:  # the library is there, PortAudio is not
        raise BadInput("capture", f"the library sounddevice finds no PortAudio: {getting_it()}") from None
    return sounddevice


def device_lines(library: Any) -> list[str]:
    """The system's devices, a line each."""
    try:
        found = list(library.query_devices())
    except library.PortAudioError as error:
        raise BadInput("capture", f"the system's devices cannot be listed ({error})") from None
    return [
        f"{number:3}  {one['name']}: {one['max_input_channels']} in, {one['max_output_channels']} out, "
        f"{one['default_samplerate']:.0f} Hz"
        for number, one in enumerate(found)
    ]


def prove_route(library: Any, route: Route) -> str:
    """The names of the devices of a route. Raises BadInput where they are not there, or lack channels or the rate."""
    names = []
    for kind, device, channels in (
        ("output", route.output_device, (route.output,)),
        ("input", route.input_device, route.recorded),
    ):
        try:
            found = library.query_devices(device, kind)
        except (ValueError, library.PortAudioError) as error:
            # Of the default device the library only says that number -1 is none.
            named = "the system has none" if device is None else f'no device "{device}" ({error})'
            raise BadInput(f"{kind} device", f"{named}; reverdict capture --devices lists them") from None
        has = int(found[f"max_{kind}_channels"])
        if max(channels) > has:
            raise BadInput(f"{kind} device", f'"{found["name"]}" has {has} {kind} channels, no channel {max(channels)}')
        check = getattr(library, f"check_{kind}_settings")
        try:
            check(device=device, channels=max(channels), dtype="float32", samplerate=route.rate_hz)
        except (ValueError, library.PortAudioError) as error:
            problem = f'"{found["name"]}" does not do {route.rate_hz} Hz with {max(channels)} channels ({error})'
            raise BadInput(f"{kind} device", problem) from None
        names.append(f'{kind} "{found["name"]}"')
    return ", ".join(names)


def limited(sound: NDArray[Any], limit_dbfs: float, rate_hz: int) -> NDArray[np.float32]:
    """A sound as it may be played, shape (samples,): never above the limit, faded in and out.

    Raises ValueError where it is not finite: that is a bug, and nothing to play.
    """
    if not np.isfinite(sound).all() or not limit_dbfs <= 0.0:
        raise ValueError("not finite, or a limit above full scale; nothing is played")
    limit = 10 ** (limit_dbfs / 20)
    faded = np.clip(sound, -limit, limit)
    length = min(round(FADE_S * rate_hz), faded.size // 2)
    rise = np.sin(np.linspace(0, np.pi / 2, length)) ** 2
    faded[:length] *= rise
    faded[faded.size - length :] *= rise[::-1]
    return faded.astype(np.float32)


def play_and_record(library: Any, route: Route, sound: NDArray[Any], limit_dbfs: float) -> Recorded:
    """Play a sound, shape (samples,), on the route's output and record its inputs meanwhile.

    Raises
    ------
    BadInput
        The device cannot be opened, fails, or stops answering.
    KeyboardInterrupt
        After silence has been played out.
    """
    session = _Session(library, route, limited(sound, limit_dbfs, route.rate_hz), 10 ** (limit_dbfs / 20))
    try:
        stream = library.Stream(
            samplerate=route.rate_hz,
            blocksize=BLOCK,
            device=(route.input_device, route.output_device),
            channels=(max(route.recorded), route.output),
            dtype="float32",
            callback=session.callback,
            finished_callback=session.done.set,
        )
        try:
            stream.start()
            session.wait(sound.size / route.rate_hz)
        except BaseException:
            session.fall_silent()
            raise
        finally:
            stream.close()
    except library.PortAudioError as error:
        raise BadInput("sound interface", f"cannot play and record ({error})") from None
    if session.at < sound.size:
        so_far = f"stopped after {session.at / route.rate_hz:.1f} of {sound.size / route.rate_hz:.1f} s"
        raise BadInput("sound interface", f"{so_far}; was it unplugged?")
    return Recorded(session.recorded.T.astype(np.float64), session.lost_blocks)


class _Session:
    """One stream's state. The callback runs in a thread of the library's."""

    def __init__(self, library: Any, route: Route, sound: NDArray[np.float32], limit: float) -> None:
        self.done = threading.Event()
        self.lost_blocks, self.at = 0, 0
        self.recorded = np.zeros((sound.size, len(route.recorded)), dtype=np.float32)
        self._stop = library.CallbackStop
        self._sound, self._limit = sound, np.float32(limit)
        self._output = route.output - 1
        self._inputs = [channel - 1 for channel in route.recorded]
        self._stopping = self._faded = False

    def callback(self, indata: NDArray[Any], outdata: NDArray[Any], frames: int, _time: Any, status: Any) -> None:
        """Hand the next block over and keep what came in."""
        self.lost_blocks += any(getattr(status, name, False) for name in LOSSES)
        outdata.fill(0)
        if self._faded:
            raise self._stop
        part = self._sound[self.at : self.at + frames]
        if self._stopping:
            part, self._faded = part * np.linspace(1, 0, part.size, dtype=np.float32), True
        outdata[: part.size, self._output] = np.clip(part, -self._limit, self._limit)
        self.recorded[self.at : self.at + part.size] = indata[: part.size, self._inputs]
        self.at += part.size
        if self.at == self._sound.size:
            raise self._stop

    def wait(self, seconds: float) -> None:
        """Until the stream ends."""
        deadline = time.monotonic() + seconds + ANSWERS_WITHIN_S
        # In short steps: on some systems a waiting thread hears of Ctrl-C only between them.
        while not self.done.wait(0.1):
            if time.monotonic() > deadline:
                raise BadInput("sound interface", f"stopped answering after {self.at} samples; was it unplugged?")

    def fall_silent(self) -> None:
        """Fade out with the next block and play silence, before the stream is closed."""
        self._stopping = True
        self.done.wait(ENDS_WITHIN_S)
