"""``reverdict capture``: play into hardware and record, after the cautions."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.commands.options import command, number
from reverdict.errors import BadInput

if TYPE_CHECKING:
    from reverdict.capture.plan import Route

ABOUT = """\
Plays sweeps or clicks into hardware through a sound interface, records what comes back, and makes a response of it:
DIR/NAME.wav, from the click on, and DIR/build.toml, a build of recordings that says what was taken out. What was played
and recorded lies in DIR/raw. Needs the library sounddevice; reverdict machine says how to get it.

The wiring: an output of the interface to the reverb's line input, the reverb's line output to an input; and, worth its
cable, a splitter on that output with its other end straight into a second input, the loopback. By it the interface's
latency, its converters and its clock are known, and times are exact; without it they are in every time.

The level rises from -40 dBFS in steps of 6 dB, and stops where there is signal enough, clipping is near, or --level is
reached; nothing louder is ever played. Ctrl-C fades out, plays silence and leaves nothing half-written. Told are
clipping (below full scale, too), hum, silence, sound that the driver lost, repeats that were spoilt and set aside.

examples:
  reverdict capture --devices                            what the system has
  reverdict capture my-tank --out takes --dry-run        what would be done; nothing sounds
  reverdict capture my-tank --out takes --loopback-channel 2 --yes
  reverdict capture my-tank --out takes --device 3 --input-channel 3 --stimulus click --repeats 16 --yes
then:
  reverdict golden new my-tank --from takes/my-tank.wav --click-at 0
  reverdict gate takes/build.toml --only my-tank

exit status: 0 done (or a dry run), 2 cannot capture, or neither --yes nor --dry-run was given, 3 internal error
"""


def add(commands: Any) -> None:
    line = "play sweeps or clicks into hardware through a sound interface, and record the response"
    parser = command(commands, "capture", _run, line, epilog=ABOUT)
    channel = number(int, 1, 256, "the number of a channel, 1 or more")
    parser.add_argument("name", nargs="?", metavar="NAME", help="of the reference that this is a recording of")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder of the build; captures add to it")
    parser.add_argument("--devices", action="store_true", help="list the system's devices, and do nothing else")
    parser.add_argument(
        "--device", type=_device, metavar="N|NAME", help="number or name of the interface (the default)"
    )
    parser.add_argument(
        "--output-device", type=_device, metavar="N|NAME", help="the one that plays, where it is another one"
    )
    parser.add_argument(
        "--input-channel", type=channel, nargs="+", default=[1], metavar="N",
        help="input that hears the reverb (1); two for a reverb of two outputs",
    )  # fmt: skip
    parser.add_argument("--output-channel", type=channel, default=1, metavar="N", help="output that plays (1)")
    parser.add_argument(
        "--loopback-channel", type=channel, metavar="N", help="input that hears the stimulus itself, by a cable"
    )
    parser.add_argument(
        "--rate", type=number(int, 8000, 768000, "a sample rate of 8000 to 768000 Hz"), default=48000, metavar="HZ",
        help="sample rate (48000)",
    )  # fmt: skip
    parser.add_argument(
        "--stimulus", choices=("sweep", "click"), default="sweep",
        help="sweep: far less noise (the default); click: for what a sweep cannot be played into",
    )  # fmt: skip
    parser.add_argument(
        "--sweep-seconds", type=number(float, 0.5, 120, "a length of 0.5 to 120 s"), default=5.0, metavar="SECONDS",
        help="length of one sweep (5)",
    )  # fmt: skip
    parser.add_argument(
        "--seconds", type=number(float, 0.1, 120, "a length of 0.1 to 120 s"), default=3.0,
        help="length of the response, longer than the reverb (3)",
    )  # fmt: skip
    parser.add_argument(
        "--repeats", type=number(int, 1, 256, "a number of repeats, 1 to 256"), default=4, metavar="N",
        help="averaged (4); two or more tell the clock, three or more bear a door slam",
    )  # fmt: skip
    parser.add_argument(
        "--level", type=number(float, -60, -1, "a level of -60 to -1 dBFS"), default=-12.0, metavar="DBFS",
        help="the most that is played, peak (-12)",
    )  # fmt: skip
    doing = parser.add_mutually_exclusive_group()
    doing.add_argument("--yes", action="store_true", help="I have read the cautions: play")
    doing.add_argument("--dry-run", action="store_true", help="say what would be done, and play nothing")


def _device(text: str) -> int | str:
    return int(text) if text.isdecimal() else text


def _run(options: argparse.Namespace) -> int:
    from reverdict.capture import card, folder
    from reverdict.capture.capturing import capture
    from reverdict.capture.cautions import CAUTIONS
    from reverdict.capture.plan import Plan, Route

    if options.devices:
        print("\n".join(card.device_lines(card.open_library()) or ["No devices."]))
        return 0
    if not options.name or not options.out:
        raise BadInput("capture", "needs NAME and --out DIR (or --devices); see reverdict capture --help")
    route = Route(
        options.device, options.device if options.output_device is None else options.output_device, options.rate,
        tuple(options.input_channel), options.output_channel, options.loopback_channel,
    )  # fmt: skip
    plan = Plan(route, options.stimulus, options.seconds, options.sweep_seconds, options.repeats, options.level)
    print(CAUTIONS, flush=True)
    _prove_capture(options.name, route)
    folder.prove_free(options.name, options.out)
    library = card.open_library()
    told = plan.told(card.prove_route(library, route))
    told.append(f"Files: {', '.join(map(str, folder.paths_of(options.name, options.out)))}; {options.out}/build.toml.")
    print("\n".join(told), flush=True)
    if options.dry_run:
        return 0
    if not options.yes:
        raise BadInput("capture", "nothing was played; --yes says that you have read the cautions, and plays")
    captured = capture(library, plan, lambda said: print(said, flush=True))
    build = folder.write_capture(options.name, options.out, captured, plan)
    print("\n".join(f"  {line}" for line in captured.told))
    response = folder.paths_of(options.name, options.out)[0]
    print(
        f"{response} and {build} written. Then:\n"
        f"  reverdict golden new {options.name} --from {response} --click-at 0\n"
        f"  reverdict gate {build} --only {options.name}"
    )
    return 0


def _prove_capture(name: str, route: Route) -> None:
    from reverdict.schema.reference import check_name

    if problem := check_name(name):
        raise BadInput("capture", problem)
    if len(set(route.recorded)) < len(route.recorded):
        raise BadInput("capture", f"channel {route.recorded[-1]} is named twice; every input hears one thing")
    if len(route.inputs) > 2:
        raise BadInput("capture", "a response has one channel or two; name one or two inputs")
