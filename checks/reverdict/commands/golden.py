"""``reverdict golden``: make, approve, list and verify references."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from reverdict.commands.console import Progress
from reverdict.commands.options import click_at, command, golden_option, number

ABOUT = """\
examples:
  reverdict golden new my-tank --from tank.wav
  reverdict golden list
  reverdict golden verify
  reverdict golden tolerances
  reverdict golden approve my-tank --from new-take.wav --why "the tank has new springs"
"""


ABOUT_NEW = """\
What can be measured on it is asked of builds from now on; what cannot is written down as not asked, with the reason.
Tolerances come from DIR/tolerances.toml, which is made with proposed values if there is none, and where evidence says
otherwise from how far repeats differ, what is heard and what noise leaves to be told; each says where it comes from.

examples:
  reverdict golden new my-tank --from take-1.wav --repeats take-2.wav take-3.wav take-4.wav take-5.wav
  reverdict golden new chorus --from build.toml --repeats 5 --parameter program=chorus
  reverdict golden new my-tank --from tank.wav --title "the tank on the bench" --parameter program=spring
  reverdict golden new hall --from build.toml --seconds 4 --channels mono-to-stereo --parameter program=hall
  reverdict golden new plate --from build.toml --rate 48000 96000 --block 512 1 whole --level -6 -40
"""


ABOUT_APPROVE = """\
Says what changes against the golden so far, then replaces it; where nothing does, nothing is written. Tolerances that
are not named in --set stay, and so do comments. One reference at a time, by its name; commit what changed together with
the change of the build that made it necessary. A sound file will do as well as a build, and a reference that is a
recording takes nothing else. Tolerances may be edited by hand; verify names them until they are approved.

examples:
  reverdict golden approve my-tank --from new-take.wav --why "the tank has new springs"
  reverdict golden approve hall --from build.toml --preview
  reverdict golden approve hall --from build.toml --why "second spring moved 2 ms on purpose, heard by ear"
  reverdict golden approve hall --set energy_decay.t30_percent=4 --why "the new damping wanders with temperature"
  reverdict golden approve hall --set echo_timing.arrival_ms=default --set 'group_delay.delay_ms=[[500, 1], [4000, 2]]'
  reverdict golden approve hall --as-it-stands --why "agreed on Monday"
"""


def _block(text: str) -> int | str:
    return text if text == "whole" else int(number(int, 1, 65536, "a block size of 1 to 65536 frames, or whole")(text))


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "golden",
        help="make, approve, list and verify golden references",
        description="Golden references: how it must sound.",
        epilog=ABOUT,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    inner = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    new = command(inner, "new", _new, "make a reference from a build or a recording", epilog=ABOUT_NEW)
    new.add_argument("name", metavar="NAME", help="of the new reference, and of its folder in DIR")
    new.add_argument(
        "--from", dest="source", type=Path, required=True, metavar="BUILD|FILE",
        help="build TOML to render, or WAV or FLAC file of a recording",
    )  # fmt: skip
    golden_option(new)
    new.add_argument("--title", default="", help="what it is, in a line")
    new.add_argument("--why", default="first reference", metavar="TEXT", help="why this is how it must sound")
    new.add_argument(
        "--click-at", type=click_at, metavar="auto|SECONDS", help="FILE: when the click went in (auto: looked for)"
    )
    new.add_argument(
        "--seconds",
        type=number(float, 0.01, 600, "a length of 0.01 to 600 s"),
        help="BUILD: length to render after the click (3)",
    )
    new.add_argument(
        "--rate",
        nargs="+",
        type=number(int, 1000, 768000, "a sample rate of 1000 to 768000 Hz"),
        metavar="HZ",
        help="BUILD: sample rate to render at (48000); any others builds are to agree at, too",
    )
    new.add_argument(
        "--block",
        nargs="+",
        type=_block,
        metavar="FRAMES",
        help="BUILD: block size (512), whole for all at once; any others builds are to agree at, too",
    )
    new.add_argument(
        "--level",
        nargs="+",
        type=number(float, -120, 0, "a level of -120 to 0 dBFS"),
        metavar="DBFS",
        help="BUILD: level of the click (-6); any others builds are to agree at, too",
    )
    new.add_argument(
        "--preset",
        nargs="+",
        metavar="PRESET",
        help="BUILD: which of its presets to render; any others are held against the same golden",
    )
    new.add_argument(
        "--channels",
        choices=("mono", "mono-to-stereo", "stereo-to-stereo"),
        help="BUILD: layout (mono)",
    )
    new.add_argument(
        "--repeats", nargs="+", default=[], metavar="FILE|N",
        help="FILE: other takes of the same; BUILD: render it so many times again. Tolerances follow from their spread",
    )  # fmt: skip
    new.add_argument(
        "--parameter", action="append", default=[], metavar="NAME=VALUE", help="passed to builds; may be repeated"
    )
    approve = command(
        inner,
        "approve",
        _approve,
        "take a build's response as the new golden of one reference, or change a tolerance",
        epilog=ABOUT_APPROVE,
    )
    approve.add_argument("name", metavar="NAME", help="of the one reference whose golden is replaced")
    approve.add_argument(
        "--from", dest="source", type=Path, metavar="BUILD|FILE",
        help="build TOML, folder of recordings or sound file to take the response from",
    )  # fmt: skip
    approve.add_argument(
        "--set", dest="settings", action="append", default=[], metavar="TABLE.KEY=VALUE",
        help="change a tolerance, or what else a check table says; VALUE is TOML, or default; may be repeated",
    )  # fmt: skip
    approve.add_argument(
        "--as-it-stands",
        action="store_true",
        help="approve tolerances edited by hand, and what a newer analysis measures",
    )
    approve.add_argument("--preview", action="store_true", help="say what would change, and write nothing")
    approve.add_argument(
        "--why", default="", metavar="TEXT", help="why the sound or a tolerance may change; kept with the reference"
    )
    golden_option(approve)
    for name, run, line in (
        ("list", _list, "list the references"),
        (
            "verify",
            _verify,
            "find altered, missing, unreadable and left-over files, and references their sound contradicts",
        ),
        ("tolerances", _tolerances, "print the tolerances in force, reference by reference"),
    ):
        parser = command(inner, name, run, line, epilog=f"example:\n  reverdict golden {name} --golden golden")
        golden_option(parser)
        if name == "verify":
            strict = "exit with 2 for what is only worth knowing, too, as tolerances edited by hand"
            parser.add_argument("--strict", action="store_true", help=strict)


def _new(options: argparse.Namespace) -> int:
    from reverdict import making

    wishes = making.Wishes(
        options.title, options.why, making.parameters_from(options.parameter), options.click_at,
        options.seconds, options.rate, options.block, options.level, options.preset, options.channels,
        tuple(options.repeats),
    )  # fmt: skip
    progress = Progress(sys.stderr)
    shown = progress.show if progress.shown else lambda _: None
    try:
        path, said = making.new_reference(options.name, options.source, options.golden, wishes, shown)
    finally:
        progress.clear()
    print("\n".join([f"{path} written.", *said]))
    return 0


def _approve(options: argparse.Namespace) -> int:
    from reverdict.golden_set.text import settings_from
    from reverdict.making import approving

    for line in approving.approve_reference(
        options.name,
        options.source,
        options.why,
        options.golden,
        settings=settings_from(options.settings),
        as_it_stands=options.as_it_stands,
        preview=options.preview,
    ):
        print(line, flush=True)
    return 0


def _list(options: argparse.Namespace) -> int:
    from reverdict import golden_set

    for row in golden_set.describe(options.golden):
        edited = "; edited by hand since" if row.edited else ""
        print(
            f"{row.name:24} {row.origin:8} {row.channels:17} {row.rate_hz:6} Hz {row.seconds:5.2f} s  "
            f"asked: {', '.join(row.asked)}\n"
            f"{'':24} {row.title}; approved by {row.approved_by}, {row.approved_at:%Y-%m-%d}{edited}"
        )
    return 0


def _verify(options: argparse.Namespace) -> int:
    from reverdict import golden_set
    from reverdict.making import approving

    count = len(golden_set.names(options.golden))
    mistakes = [*golden_set.verify(options.golden), *approving.contradictions(options.golden)]
    notes = list(approving.notes(options.golden))
    for mistake in mistakes:
        print(f"reverdict: {mistake}", file=sys.stderr)
    for note in notes:
        print(note)
    if mistakes or (notes and options.strict):
        return 2
    print(f"{options.golden}: {count} references whole, every impulse as approved, nothing left over.")
    return 0


def _tolerances(options: argparse.Namespace) -> int:
    from reverdict import golden_set
    from reverdict.making import approving

    for reference in golden_set.references(options.golden):
        print(f"{reference.name}")
        for line in approving.tolerances_in_force(reference):
            print(f"  {line}")
    return 0
