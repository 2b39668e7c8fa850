"""``reverdict merge``: one verdict of the parts of a run."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from reverdict.commands.console import told
from reverdict.commands.options import command, golden_option
from reverdict.commands.verdicts import annotations_option, require_places, sounds_option, tell

ABOUT = """\
Parts are what gate --shard and gate --checks leave in --report. Together they must hold every reference and every check
once, of the same build, golden references, selection and versions; else nothing is merged and it says which is amiss.
The merged report, and the exit status, are those of a run in one piece.

example, in three jobs and a fourth:
  reverdict gate build.toml --checks sound --shard 1/2 --report part-1
  reverdict gate build.toml --checks sound --shard 2/2 --report part-2
  reverdict gate build.toml --checks cost --report part-cost
  reverdict merge part-1 part-2 part-cost --report report

exit status: that of the gate; 2 where parts are missing, double or of another run
"""


def add(commands: Any) -> None:
    parser = command(
        commands, "merge", _run, "make one verdict of the parts of a run that several jobs judged", epilog=ABOUT
    )
    parser.add_argument(
        "parts", type=Path, nargs="+", metavar="PART", help="report folder of a part, or its verdict.json"
    )
    golden_option(parser)
    parser.add_argument("--report", type=Path, metavar="DIR", help="write what gate --report writes, of the whole")
    sounds_option(parser)
    parser.add_argument("--runs", type=Path, metavar="DIR", help="keep the run there, for reverdict drift")
    annotations_option(parser)


def _run(options: argparse.Namespace) -> int:
    from dataclasses import fields, replace

    from reverdict import report
    from reverdict.auditioning import carry
    from reverdict.gate import EXIT_STATUS, error_verdict
    from reverdict.merging import merged, read_part
    from reverdict.reading import of_form
    from reverdict.report.ranking import references_worst_first
    from reverdict.words import BuildIdentity

    require_places(options, options.parts)
    folders = [place if place.is_dir() else place.parent for place in options.parts]
    read: list[tuple[str, Any]] = []
    try:
        for place in options.parts:  # those read before one that is amiss tell the build
            read.append((str(place), read_part(place)))  # noqa: PERF401
        with of_form(" or ".join(place for place, _ in read), "verdict of reverdict gate"):
            judged = merged(read)
            if options.report:
                audible = [str(one["name"]) for one in references_worst_first(judged) if one.get("sounds")]
                judged = carry(judged, folders, options.report, audible[: options.sounds])
    except BaseException as error:
        if options.report:  # as in a gate
            refused = error_verdict(options.parts[0], told(error)[1])
            known = read[0][1]["build"] if read else {}
            build = (
                BuildIdentity(**{one.name: known[one.name] for one in fields(BuildIdentity)}) if read else refused.build
            )
            report.write_report(replace(refused, build=build), options.report)
        raise
    logs = [folder / "prepare.log" for folder in folders]
    said = next((log.read_text(encoding="utf-8", errors="replace") for log in logs if log.is_file()), "")
    with of_form(" or ".join(place for place, _ in read), "verdict of reverdict gate"):
        tell(judged, said, options)
    return EXIT_STATUS[judged["outcome"]]
