"""Make the demo's golden references from scratch: python -m reverdict.demo.goldens DIR.

For maintainers. DIR is the repository's golden/, whose impulses, digests and TOMLs all come from here: the tank's
"capture" from the physical model, the others from release 1.0 of the workshop's algorithm.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.demo.physical_springs import impulse_response
from reverdict.golden_set.text import PROPOSED_TOLERANCES
from reverdict.sound import digest, read_sound, write_sound

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48000
BLOCK = 512
WORKSHOP = Path(__file__).with_name("workshop")

CAPTURE_PEAK = 0.55
"""The capture's level is free, as with any recording: this peak puts it level with the workshop's tank."""

TWO_SPRING_TANK = """\
# The tank on the bench: what the model must sound like. A capture is recorded once, with noise, and no model meets it
# to the sample; so the tolerances are wider than those between two builds.
# Fennholt and its tank are invented: this "capture" is computed from the physics of two helical springs, with
# recording noise 75 dB below its peak, by an independent method (python -m reverdict.demo.goldens golden).
schema = 1
title = "Two-spring tank, captured"
origin = "capture"
rate_hz = 48000
channels = "mono"

[[files]]
path = "response.flac"    # its level is set so that the model's bands agree with it on average
input = "mono"
sha256 = "{mono}"

[render]
seconds = 3.0
preroll_s = 0.5           # silence first, so that nothing starts cold at the click
level_dbfs = -6.0
sample_rates_hz = [48000]
block_sizes = [512]
[render.parameters]
program = "tank"

[approval]
who = "Fennholt workshop (invented)"
when = 2026-11-25T09:00:00Z
build = "tank no. 3 on the bench, averaged click"
why = "the tank that the pedal is to sound like"

[echo_timing]
springs = 2
pass_law = "1:3:5"        # the pickup sits at the far end: it hears 1, 3, 5 trips
passes = 2                # spring 2's third comes 7 ms before spring 1's fourth, too near to be timed by itself
arrival_hz = 500
arrival_ms = 0.2
onset_ms = 0.2

[group_delay]
# Up to 2 kHz half of what is heard (Blauert and Laws, JASA 63(5) 1978: 3.2 ms at 500 Hz, 2 at 1 kHz, 1 at 2 kHz);
# above it more, as the delay itself grows steeply towards the transition frequency.
delay_ms = [[500, 1.6], [1000, 1.0], [2000, 0.5], [3000, 1.0], [4000, 2.0]]
transition_percent = 3

[energy_decay]
edt_percent = 20          # 10 dB are few echoes here, and how two springs interleave in them moves EDT
t20_percent = 10
t30_percent = 10
level_db = 1.5

[cost]
not_asked = "a tank on the bench costs no processor time"

[conduct]
"""

WORKSHOP_SPRING = """\
# Two shorter, brighter springs: release 1.0 itself. A rebuild of a digital algorithm repeats to microseconds, so
# this reference is the tight one, and the one whose cost is watched.
schema = 1
title = "Workshop, spring program"
origin = "build"
rate_hz = 48000
channels = "mono"

[[files]]
path = "response.flac"
input = "mono"
sha256 = "{mono}"

[render]
seconds = 3.0
preroll_s = 0.5
level_dbfs = -6.0
sample_rates_hz = [48000]
block_sizes = [512]
[render.parameters]
program = "spring"

[approval]
who = "Fennholt workshop (invented)"
when = 2026-11-25T09:00:00Z
build = "workshop 1.0"
why = "the sound of the release"

[echo_timing]
springs = 2
pass_law = "1:3:5"
passes = 2                # spring 2's third comes 3 ms before spring 1's fourth, too near to be timed by itself
arrival_hz = 500

[group_delay]             # as tolerances.toml says

[energy_decay]
# 10 dB are few echoes, and how two springs interleave in them moves EDT (T20 a little) where nothing is heard to
# decay differently. T30 is the one to trust.
edt_percent = 10
t20_percent = 7
t30_percent = 4
level_db = 0.75           # highs that come sooner come more often, hence louder: group delay is to tell of it

[cost]
dearer_percent = 25       # builds in Python, timed on machines that do other things too
instructions_percent = { above = 5, below = inf }  # counted, where there is valgrind; any saving is welcome
timed_is_enough = "the demo has to run where there is no valgrind"

[conduct]
stray_db = 8              # nothing may sound where the golden is silent
headroom_db = 3           # nor may its answer to noise peak much higher or lower
"""

WORKSHOP_STEREO = """\
# One spring for each side, each heard on the other 12 dB softer. Two files, a click at each input, make four paths.
schema = 1
title = "Workshop, stereo program"
origin = "build"
rate_hz = 48000
channels = "stereo-to-stereo"

[[files]]
path = "response-left-in.flac"     # what both outputs do when the click goes in on the left
input = "left"
sha256 = "{left}"

[[files]]
path = "response-right-in.flac"
input = "right"
sha256 = "{right}"

[render]
seconds = 2.5
preroll_s = 0.5
level_dbfs = -6.0
sample_rates_hz = [48000]
block_sizes = [512]
[render.parameters]
program = "stereo"

[approval]
who = "Fennholt workshop (invented)"
when = 2026-11-25T09:00:00Z
build = "workshop 1.0"
why = "the sound of the release"

[echo_timing]
springs = 1               # on every path
pass_law = "1:3:5"
passes = 3
arrival_hz = 500

[group_delay]

[energy_decay]
edt_percent = 5           # all four for the reasons given in workshop-spring
t20_percent = 4
t30_percent = 4
level_db = 0.75

[cost]
not_asked = "cost is judged on workshop-spring"

[conduct]
stray_db = 8              # nothing may sound where the golden is silent
balance_db = 0.5          # and right against left, and both together in mono, stay as loud
mono_db = 0.5
"""

WORKSHOP_HALL = """\
# A dense hall without separate echoes: there are no passes to time, only the onset.
schema = 1
title = "Workshop, hall program"
origin = "build"
rate_hz = 48000
channels = "mono-to-stereo"

[[files]]
path = "response.flac"
input = "mono"
sha256 = "{mono}"

[render]
seconds = 2.2             # 1.6 s of reverberation time: 80 dB down by then
preroll_s = 0.5
level_dbfs = -6.0
sample_rates_hz = [48000]
block_sizes = [512]
[render.parameters]
program = "hall"

[approval]
who = "Fennholt workshop (invented)"
when = 2026-11-25T09:00:00Z
build = "workshop 1.0"
why = "the sound of the release"

[echo_timing]
springs = 0
pass_law = "none"
passes = 0
onset_ms = 0.1
tail_lag_ms = 0.1         # and the tail keeps in step with it all along

[group_delay]
not_asked = "a dense hall has no separate passes whose delay could be followed over frequency"

[energy_decay]

[cost]
not_asked = "cost is judged on workshop-spring"

[conduct]
stray_db = 8              # nothing may sound where the golden is silent
headroom_db = 3           # nor may its answer to noise peak much higher or lower
balance_db = 0.5          # and right against left, and both together in mono, stay as loud
mono_db = 0.5
"""


@dataclass(frozen=True)
class Golden:
    """One reference to be made: its TOML with a place for each digest, and where its responses come from.

    inputs : names of the inputs, in the order of the program's channels.
    program : of the workshop; empty for the physical model.
    """

    name: str
    toml: str
    seconds: float
    program: str = ""
    inputs: tuple[str, ...] = ("mono",)


GOLDENS = (
    Golden("two-spring-tank", TWO_SPRING_TANK, 3.0),
    Golden("workshop-spring", WORKSHOP_SPRING, 3.0, "spring"),
    Golden("workshop-stereo", WORKSHOP_STEREO, 2.5, "stereo", ("left", "right")),
    Golden("workshop-hall", WORKSHOP_HALL, 2.2, "hall"),
)


def write_goldens(target: Path) -> None:
    """Write golden/tolerances.toml and a folder for each reference; what is there is replaced, file by file."""
    target.mkdir(parents=True, exist_ok=True)
    _write_text(target / "tolerances.toml", PROPOSED_TOLERANCES)
    for golden in GOLDENS:
        _write_golden(target / golden.name, golden)


def workshop_release() -> ModuleType:
    """The workshop's Python module, which is no part of this package but a user's own project in small."""
    spec = importlib.util.spec_from_file_location("workshop", WORKSHOP / "workshop.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["workshop"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def workshop_response(program: str, seconds: float, channels_in: int = 1, clicked: int = 0) -> NDArray[Any]:
    """Response of release 1.0 to a unit click on one of its inputs, shape (channels out, samples)."""
    reverb = workshop_release().Reverb(RATE_HZ, program=program)
    click = np.zeros((channels_in, round(seconds * RATE_HZ)))
    click[clicked, 0] = 1.0
    blocks = [reverb.process(click[:, start : start + BLOCK]) for start in range(0, click.shape[1], BLOCK)]
    return np.concatenate(blocks, axis=1)


def _write_golden(folder: Path, golden: Golden) -> None:
    folder.mkdir(exist_ok=True)
    toml = golden.toml
    for channel, name in enumerate(golden.inputs):
        if golden.program:
            response = workshop_response(golden.program, golden.seconds, len(golden.inputs), channel)
        else:
            response = CAPTURE_PEAK * impulse_response(RATE_HZ, golden.seconds)[None, :]
        path = folder / ("response.flac" if name == "mono" else f"response-{name}-in.flac")
        write_sound(path, response, RATE_HZ, "PCM_24")
        toml = toml.replace("{" + name + "}", digest(*read_sound(path)))
    _write_text(folder / "reference.toml", toml)


def _write_text(path: Path, text: str) -> None:
    beside = path.with_name(f".{path.name}.new")
    beside.write_text(text, encoding="utf-8", newline="\n")
    beside.replace(path)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m reverdict.demo.goldens DIR")
    write_goldens(Path(sys.argv[1]))
