"""``reverdict gate``: judge a build against the golden references."""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reverdict.commands.console import Progress, told
from reverdict.commands.options import command, golden_option, jobs_option, only_option
from reverdict.commands.verdicts import annotations_option, require_places, sounds_option, tell
from reverdict.errors import BadInput

if TYPE_CHECKING:
    from reverdict.words import Verdict

ABOUT = """\
BUILD is a build TOML, a folder of recordings named after the references, or one WAV or FLAC file: of the reference of
its own name, or of the one that --only names.

examples:
  reverdict gate build.toml                              every reference in ./golden
  reverdict gate build.toml --only 'tank*' --jobs 4      some of them, four at a time
  reverdict gate build.toml --cluster tcp://big:8786     on the workers of a Dask cluster
  reverdict gate takes/ --report report                  a folder of recordings; the dashboard into report/
  reverdict gate take-7.wav --only my-tank               one recording, of the reference my-tank
  reverdict gate build.toml --shard 2/4 --report part-2  a quarter of the references, for reverdict merge
  reverdict gate build.toml --checks cost --report cost  cost alone, on a quiet machine; merged like a shard

exit status: 0 all pass, 1 stopped (fail or unsure, or the build gave no usable output), 2 cannot judge (bad input),
3 internal error
"""


def add(commands: Any) -> None:
    parser = command(
        commands,
        "gate",
        _run,
        "judge a build against the golden references",
        epilog=ABOUT,
    )
    parser.add_argument(
        "build", type=Path, metavar="BUILD", help="build TOML, folder of recordings, or WAV or FLAC file"
    )
    golden_option(parser)
    only_option(parser)
    parser.add_argument(
        "--report", type=Path, metavar="DIR", help="write verdict.json, junit.xml, summary.md, badge.svg, index.html"
    )
    sounds_option(parser)
    parser.add_argument(
        "--runs", type=Path, metavar="DIR", help="keep this run there, one file each, for reverdict drift"
    )
    jobs_option(parser)
    parser.add_argument(
        "--cluster", metavar="ADDRESS",
        help="judge on the workers of a Dask scheduler, tcp://host:8786; cost is timed here, alone",
    )  # fmt: skip
    parser.add_argument(
        "--shard",
        type=_shard,
        metavar="I/N",
        help="only the I-th of N parts of the references; reverdict merge joins them",
    )
    parser.add_argument(
        "--checks",
        choices=("sound", "cost"),
        help="only the checks of the sound, or only cost; reverdict merge joins them",
    )
    annotations_option(parser)


def _shard(text: str) -> Any:
    from reverdict.parting import read_shard

    try:
        return read_shard(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _run(options: argparse.Namespace) -> int:
    from reverdict import report
    from reverdict.gate import EXIT_STATUS, error_verdict, gate
    from reverdict.page_folders import take_sounds_away
    from reverdict.parting import GROUPS
    from reverdict.report.data.verdict import to_json
    from reverdict.words import CHECKS

    require_places(options, [options.build])
    if options.runs and (options.shard or options.checks):
        raise BadInput("--runs", "a part is no run; keep the merged one: reverdict merge … --runs DIR")
    if options.report:
        take_sounds_away(options.report)
    progress = Progress(sys.stderr)
    try:
        with tempfile.TemporaryDirectory(prefix="reverdict-responses-") as name:
            responses = Path(name) if options.report and options.sounds else None
            verdict = gate(
                options.build, options.golden, options.only, options.jobs, progress.show,
                shard=options.shard, checks=GROUPS[options.checks] if options.checks else CHECKS, responses=responses,
                pictures=bool(options.report),
                cluster=options.cluster,
            )  # fmt: skip
            if responses:
                progress.show("making sounds")
                verdict = _audible(verdict, responses, options.report, options.sounds)
    except BaseException as error:
        if options.report:  # whatever happened, an older pass must not stand there as the verdict on this build
            report.write_report(error_verdict(options.build, told(error)[1]), options.report)
        raise
    finally:
        progress.clear()
    tell(to_json(verdict), verdict.prepare_log, options)
    return EXIT_STATUS[verdict.outcome]


def _audible(verdict: Verdict, responses: Path, report: Path, most: int) -> Verdict:
    """The verdict with sounds beside its report."""
    from reverdict.auditioning import audition
    from reverdict.report.data.verdict import to_json
    from reverdict.report.pages.frame import safe_name
    from reverdict.report.ranking import references_worst_first

    order = [str(one["name"]) for one in references_worst_first(to_json(verdict))]
    return audition(verdict, responses, report, order, most, safe_name)
