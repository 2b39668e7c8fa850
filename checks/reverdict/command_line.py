"""The command line. Only light modules are imported at the top, so that ``reverdict --help`` answers at once.

Exit status: 0 all pass · 1 a finding fails or is unsure · 2 cannot judge (bad input) · 3 internal error.
"""

from __future__ import annotations

import argparse
import contextlib
import difflib
import io
import json
import os
import re
import secrets
import signal
import sys
import tempfile
import threading
import time
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from reverdict import __version__
from reverdict.errors import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from reverdict.capture.plan import Route
    from reverdict.measure.lag_curve import LagMeasurement
    from reverdict.measure.measurement import Measurement
    from reverdict.measure.swept import Swept
    from reverdict.words import Response, Verdict

EXAMPLES = """\
examples:
  reverdict demo try-it                                  a workspace with references and builds to play with
  reverdict gate try-it/builds/release-1.1.toml --golden try-it/golden --report report
  reverdict measure tank.wav --plot tank.png             springs, passes, dispersion and decay of a recording
  reverdict sweep sweep.wav                              a sweep to play, for measure --stimulus sweep.wav
  reverdict capture my-tank --out takes --dry-run        play into hardware and record; first what it would do
  reverdict fit tank.wav                                 delay lines, allpass sections and reflections to model it by
  reverdict golden new my-tank --from tank.wav           make it a reference
  reverdict gate takes/                                  judge a folder of recordings named after the references
  reverdict sensitivity --report report                  what the tolerances catch, and what slips through

exit status: 0 all pass, 1 stopped (fail or unsure), 2 cannot judge (bad input), 3 internal error
"""

ABOUT_GATE = """\
BUILD is a build TOML, a folder of recordings named after the references, or one WAV or FLAC file: of the reference of
its own name, or of the one that --only names.

examples:
  reverdict gate build.toml                              every reference in ./golden
  reverdict gate build.toml --only 'tank*' --jobs 4      some of them, four at a time
  reverdict gate takes/ --report report                  a folder of recordings; the dashboard into report/
  reverdict gate take-7.wav --only my-tank               one recording, of the reference my-tank
  reverdict gate build.toml --shard 2/4 --report part-2  a quarter of the references, for reverdict merge
  reverdict gate build.toml --checks cost --report cost  cost alone, on a quiet machine; merged like a shard

exit status: 0 all pass, 1 stopped (fail or unsure, or the build gave no usable output), 2 cannot judge (bad input),
3 internal error
"""

ABOUT_MERGE = """\
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

ABOUT_MEASURE = """\
Times count from the click. What the recording does not allow is left out, with the reason.

examples:
  reverdict measure tank.wav --plot tank.png             tables, and a picture
  reverdict measure tank.wav --json --click-at 0.25      for scripts; the click stands 0.25 s into the file
  reverdict measure dark-tank.wav --arrival-hz 300       arrivals of a tank that passes little at 500 Hz
  reverdict measure take.wav --stimulus sweep.wav        the answer to a sweep: deconvolved, with harmonic distortion
  reverdict measure take.wav --stimulus sweep.wav --loopback-channel 2
                                                         channel 2 recorded the sweep itself: latency, converters and
                                                         the difference of two clocks are taken out
"""

ABOUT_SWEEP = """\
The file is known again by `reverdict measure RECORDING --stimulus FILE`: nothing has to be noted down.

examples:
  reverdict sweep sweep.wav                              20 Hz to 20 kHz in 10 s, 5 s of silence, at -12 dBFS
  reverdict sweep quiet.wav --level -40                  to start with
  reverdict sweep four.wav --repeats 4 --tail 8          against noise and door slams, for two clocks
"""

ABOUT_CAPTURE = """\
Plays sweeps or clicks into hardware through a sound interface, records what comes back, and makes a response of it:
DIR/NAME.wav, from the click on, and DIR/build.toml, a build of recordings that says what was taken out. What was played
and recorded lies in DIR/raw. Needs the library sounddevice: pip install 'reverdict[capture]'.

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

ABOUT_GOLDEN = """\
examples:
  reverdict golden new my-tank --from tank.wav
  reverdict golden list
  reverdict golden verify
  reverdict golden tolerances
  reverdict golden approve my-tank --from new-take.wav --why "the tank has new springs"
"""

ABOUT_DEMO = """\
example:
  reverdict demo try-it
  reverdict gate try-it/builds/release-1.1.toml --golden try-it/golden --report try-it/report
"""

ABOUT_FIT = """\
Each spring is a delay line, chains of stretched allpass sections, a lowpass and a reflection. The fit says how long,
how many, where and how strong, each with its uncertainty (k = 2), as commented TOML: a starting point for a model, and
numbers to compare two builds by. [fit] says how much the model leaves over, and how well its own response, measured
in the same way, agrees with FILE. A real spring is no allpass chain: there the numbers describe, they do not explain.

examples:
  reverdict fit tank.wav                                 the numbers, as TOML
  reverdict fit tank.wav --toml tank.toml --wav model.wav --plot fit.png
  reverdict measure model.wav                            what the model would measure

exit status: 0 fitted, 2 no spring to fit (dense, too short, too noisy: it says which) or bad input, 3 internal error
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

ABOUT_COMPARE = """\
Each build is put to the gate. Its distance from the goldens is the root mean square of its deviations in shares of
their tolerances, over echo timing, group delay and energy decay alike: 0 is the golden, 1 is what would just pass if
every value were at its limit. What no measurement here tells apart is said, and so is which is both close and cheap.
Only a build that passes is recommended; one that cannot be judged does not stop the others.

examples:
  reverdict compare firmware-a.toml firmware-b.toml firmware-c.toml --report comparison
  reverdict compare *.toml --only 'tank*' --json

exit status: 0 at least one passes, 1 none does, 2 bad input, 3 internal error
"""

ABOUT_BISECT = """\
Commits are checked out, built and judged against the goldens of the good commit. What does not compile, crashes or is
unsure is skipped; an error of the suite or a slip in the question ends the search and blames nobody.

example, in the repository of the reverb:
  git bisect start HEAD v1.4
  git bisect run reverdict bisect build.toml --only tank --quantity arrival --where 'spring 2*' --by 0.02
  git bisect reset

exit status, as git bisect run reads it: 0 before, 1 after, 125 cannot be told, 255 ends the search
"""

ABOUT_BOARD = """\
The folder opens from disk and from any web server, and loads nothing from elsewhere. Of each build name the newest run
is shown; all of them together make the history. Pictures are there of runs given as report folders: files that
gate --runs keeps hold none.

  reverdict board report --out board                     a report again, in the look of this version
  reverdict board reverdict-runs --out board             all builds of a history, and what moved
"""

ABOUT_DRIFT = """\
A golden approved anew, and anew, lets a build walk away in steps that each pass. Here every quantity is followed over
all releases against its first golden: in steps (at which release), drifting (since which, how fast), and in how many
releases it will have left its original tolerance. A history without a movement raises an alarm once in a thousand.

Keep a run of every release, or of every merge into the main branch; not of trials:
  reverdict gate build.toml --runs reverdict-runs
A reference that gets another name keeps its history with formerly = ["old-name"] in its reference.toml.

examples:
  reverdict drift                                        all that moved in ./reverdict-runs
  reverdict drift --quantity arrival --report drift      pictures of it
  reverdict drift --json --within 20                     for scripts

exit status: 0 all inside their original tolerance and not about to leave it, 1 not so, 2 nothing to read,
3 internal error
"""

ABOUT_SENSITIVITY = """\
Are the tolerances worth anything? Each reference's own golden is given graded faults, one at a time: a spring's delay
line, allpass coefficient, sections, reflection, lowpass and polarity moved; a dense tail moved, bent and swayed;
latency, a wrong rate, gain, tilt, crosstalk, a cut tail, clicks, hum, noise, DC, truncation, samples lost at block
boundaries. For each fault the smallest size is searched at which each check is unsure or fails. What no check stops
at any size comes first: tighten a tolerance, or know that nobody listens for it.

A size counts as stopped if it, and every graver one tried, does not pass. A fault that goes either way (later and
earlier) is injected both ways, and the milder outcome counts. Minutes per reference; Ctrl-C loses nothing, and the
same command goes on. A changed golden, tolerance or suite does again only the references that it concerns.

DIR of --report gets sensitivity.json (reverdict schema sensitivity), and index.html with a rule for every fault. In
the folder that `reverdict gate --report` writes to, the dashboard keeps its index.html and shows them too.

examples:
  reverdict sensitivity                                  every reference in ./golden, into ./sensitivity
  reverdict sensitivity --only 'tank*' --jobs 4
  reverdict sensitivity --report report && reverdict gate build.toml --report report

exit status: 0 done, whatever slips through, 2 bad input, 3 internal error
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


class _Once(argparse.Action):
    """An option that may be given once: the last of two would silently leave the first one's references out."""

    def __call__(
        self, parser: argparse.ArgumentParser, namespace: argparse.Namespace, values: Any, option: str | None = None
    ) -> None:
        if getattr(namespace, self.dest) != self.default:
            parser.error(f"{option}: given twice; one pattern may stand for several names: 'work*', '[th]all*'")
        setattr(namespace, self.dest, values)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and give its exit status; errors go to stderr in a line or two, without a traceback."""
    options = _parser().parse_args(arguments)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a title may be in letters this terminal does not have
    try:
        with _reader_may_leave(), _terminated_like_interrupted():
            return int(options.run(options))
        return 0
    except (Exception, KeyboardInterrupt) as error:
        status, lines = _told(error)
        if status == 3 and os.environ.get("REVERDICT_TRACEBACK"):
            raise
        print("\n".join(f"reverdict: {line}" for line in lines), file=sys.stderr)
        return status


def _told(error: BaseException) -> tuple[int, list[str]]:
    """Exit status of what went wrong, and what to say of it."""
    if isinstance(error, BadInput):
        return 2, str(error).splitlines()
    if isinstance(error, KeyboardInterrupt):
        return (143, ["stopped by SIGTERM"]) if str(error) else (130, ["stopped by Ctrl-C"])
    if isinstance(error, OSError) and error.filename:
        return 2, [f"{error.filename}: {error.strerror}"]
    last = (str(error).strip().splitlines() or [""])[-1][:200]
    seeing = "set REVERDICT_TRACEBACK=1 and run again to see where"
    return 3, [f"internal error, {type(error).__name__}: {last}", seeing]


@contextlib.contextmanager
def _terminated_like_interrupted() -> Iterator[None]:
    """A CI service that cancels a job sends SIGTERM: end as on Ctrl-C, with nothing left behind."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt("SIGTERM")

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def _reader_may_leave() -> Iterator[None]:
    """A reader of our output who has seen enough (``| head``) is no error, and changes nothing about a verdict."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with a command line in one line, what was likely meant, and where its usage is told."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Complain about an unknown argument here, where the command that it was given to is known."""
        known, unknown = super().parse_known_args(args, namespace)
        if unknown:
            self.error(f"unrecognized arguments: {' '.join(unknown)}")
        return known, unknown

    def error(self, message: str) -> NoReturn:
        near = self._likely_meant(message)
        hint = f"did you mean {near}? See" if near else "see"
        self.exit(2, f"{self.prog}: {message}; {hint} {self.prog} --help\n")

    def _likely_meant(self, message: str) -> str:
        if choice := re.search(r"invalid choice: '(.*)' \(choose from (.*)\)", message):
            word, known = choice[1], re.findall(r"[\w-]+", choice[2])
        elif option := re.match(r"unrecognized arguments: .*?(--[\w-]+)", message):
            word, known = option[1], re.findall(r"--[\w-]+", self.format_usage())
        else:
            return ""
        return next(iter(difflib.get_close_matches(word, known, 1)), "")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="reverdict",
        description="A verdict on every reverb build: are its echoes on time, its dispersion, decay and cost right?",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"reverdict {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_gate(commands)
    _add_merge(commands)
    _add_measure(commands)
    _add_sweep(commands)
    _add_capture(commands)
    _add_fit(commands)
    _add_golden(commands)
    _add_compare(commands)
    _add_drift(commands)
    _add_bisect(commands)
    _add_board(commands)
    _add_sensitivity(commands)
    _add_demo(commands)
    _add_schema(commands)
    _add_header(commands)
    return parser


def _command(commands: Any, name: str, run: Any, help_line: str, **rest: Any) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=help_line,
        description=rest.pop("description", help_line[0].upper() + help_line[1:] + "."),
        formatter_class=argparse.RawDescriptionHelpFormatter,
        **rest,
    )
    parser.set_defaults(run=run)
    return parser


def _number(kind: type[int] | type[float], lowest: float, highest: float, what: str) -> Callable[[str], Any]:
    """Reader of an option that takes a number within bounds."""

    def read(text: str) -> Any:
        try:
            value = kind(text)
        except ValueError:
            value = kind(lowest - 1)
        if not lowest <= value <= highest:
            raise argparse.ArgumentTypeError(f"{text!r} is not {what}")
        return value

    return read


def _block(text: str) -> int | str:
    return text if text == "whole" else int(_number(int, 1, 65536, "a block size of 1 to 65536 frames, or whole")(text))


def _golden_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--golden", type=Path, default=Path("golden"), metavar="DIR", help="folder of golden references (./golden)"
    )


# gate


def _add_gate(commands: Any) -> None:
    parser = _command(
        commands,
        "gate",
        _gate,
        "judge a build against the golden references",
        epilog=ABOUT_GATE,
    )
    parser.add_argument(
        "build", type=Path, metavar="BUILD", help="build TOML, folder of recordings, or WAV or FLAC file"
    )
    _golden_option(parser)
    parser.add_argument("--only", action=_Once, default="*", metavar="GLOB", help="only references whose name matches")
    parser.add_argument(
        "--report", type=Path, metavar="DIR", help="write verdict.json, junit.xml, summary.md, badge.svg, index.html"
    )
    _sounds_option(parser)
    parser.add_argument(
        "--runs", type=Path, metavar="DIR", help="keep this run there, one file each, for reverdict drift"
    )
    jobs = _number(int, 1, 1024, "a number of workers, 1 or more")
    parser.add_argument("--jobs", type=jobs, default=1, metavar="N", help="worker processes (1); cost is timed alone")
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
    _annotations_option(parser)


def _shard(text: str) -> Any:
    from reverdict.parting import read_shard

    try:
        return read_shard(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _sounds_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--sounds", type=_number(int, 0, 10_000, "a number of references"), default=3, metavar="N",
        help="make the N references that are read first audible in the report (3)",
    )  # fmt: skip


def _annotations_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--annotations", choices=("log", "code-quality"),
        help="what closes the gate, for a CI service: lines in the log, or code-quality.json beside the report",
    )  # fmt: skip


def _gate(options: argparse.Namespace) -> int:
    from reverdict import report
    from reverdict.auditioning import clear
    from reverdict.gate import EXIT_STATUS, error_verdict, gate
    from reverdict.parting import GROUPS
    from reverdict.report.verdict_json import to_json
    from reverdict.words import CHECKS

    _require_places(options)
    if options.runs and (options.shard or options.checks):
        raise BadInput("--runs", "a part is no run; keep the merged one: reverdict merge … --runs DIR")
    if options.report:
        clear(options.report)
    progress = _Progress(sys.stderr)
    try:
        with tempfile.TemporaryDirectory(prefix="reverdict-responses-") as name:
            responses = Path(name) if options.report and options.sounds else None
            verdict = gate(
                options.build, options.golden, options.only, options.jobs, progress.show,
                shard=options.shard, checks=GROUPS[options.checks] if options.checks else CHECKS, responses=responses,
            )  # fmt: skip
            if responses:
                progress.show("making sounds")
                verdict = _audible(verdict, responses, options.report, options.sounds)
    except BaseException as error:
        if options.report:  # whatever happened, an older pass must not stand there as the verdict on this build
            report.write_report(error_verdict(options.build, _told(error)[1]), options.report)
        raise
    finally:
        progress.clear()
    _tell(to_json(verdict), verdict.prepare_log, options)
    return EXIT_STATUS[verdict.outcome]


def _require_places(options: argparse.Namespace) -> None:
    for folder in filter(None, (options.report, options.runs)):
        _prove_writable(folder, options.golden)
    if options.annotations == "code-quality" and not options.report:
        raise BadInput("--annotations code-quality", "is a file beside the report; give --report DIR, too")


def _tell(judged: dict[str, Any], prepare_log: str, options: argparse.Namespace) -> None:
    """Write what the options ask for, and say the verdict."""
    from reverdict import report
    from reverdict.history import runs
    from reverdict.report import annotating, terminal

    page = log = None
    run = runs.keep(judged, options.runs) if options.runs else None
    if options.report:
        history = _history(options.runs) if options.runs else ""
        page = report.write_report(judged, options.report, _sensitivities(options.report, options.golden), history)
        log = _keep_prepare_log(prepare_log, options.report)
    if options.annotations == "code-quality":
        report.write_code_quality(annotating.code_quality(judged, str(options.golden)), options.report)
    with _reader_may_leave(), _no_commands(options.annotations == "log"):
        terminal.show(judged, sys.stdout)
        if page:
            print(f"Dashboard: {page}")
        if run:
            print(f"Kept: {run}")
        if log:
            print(f"What prepare said: {log}")
    if options.annotations == "log":
        with _reader_may_leave():
            print("\n".join(annotating.log_lines(judged, str(options.golden))))


@contextlib.contextmanager
def _no_commands(wanted: bool) -> Iterator[None]:
    """Tell a service that reads commands from the log to take none from what is printed within: names are of others."""
    token = secrets.token_hex(16)
    if wanted:
        print(f"::stop-commands::{token}")
    yield
    if wanted:
        print(f"::{token}::")


def _add_merge(commands: Any) -> None:
    parser = _command(
        commands, "merge", _merge, "make one verdict of the parts of a run that several jobs judged", epilog=ABOUT_MERGE
    )
    parser.add_argument(
        "parts", type=Path, nargs="+", metavar="PART", help="report folder of a part, or its verdict.json"
    )
    _golden_option(parser)
    parser.add_argument("--report", type=Path, metavar="DIR", help="write what gate --report writes, of the whole")
    _sounds_option(parser)
    parser.add_argument("--runs", type=Path, metavar="DIR", help="keep the run there, for reverdict drift")
    _annotations_option(parser)


def _merge(options: argparse.Namespace) -> int:
    from dataclasses import replace

    from reverdict import report
    from reverdict.auditioning import carry
    from reverdict.gate import EXIT_STATUS, error_verdict
    from reverdict.merging import merged, read_part
    from reverdict.report.ranking import references_worst_first
    from reverdict.words import BuildIdentity

    _require_places(options)
    read: list[tuple[str, Any]] = []
    try:
        for place in options.parts:  # those read before one that is amiss tell the build
            read.append((str(place), read_part(place)))  # noqa: PERF401
        judged = merged(read)
    except BaseException as error:
        if options.report:  # as in a gate
            refused = error_verdict(options.parts[0], _told(error)[1])
            build = BuildIdentity(**read[0][1]["build"]) if read else refused.build
            report.write_report(replace(refused, build=build), options.report)
        raise
    folders = [place if place.is_dir() else place.parent for place in options.parts]
    if options.report:
        audible = [str(one["name"]) for one in references_worst_first(judged) if one.get("sounds")]
        judged = carry(judged, folders, options.report, audible[: options.sounds])
    logs = [folder / "prepare.log" for folder in folders]
    said = next((log.read_text(encoding="utf-8") for log in logs if log.is_file()), "")
    _tell(judged, said, options)
    return EXIT_STATUS[judged["outcome"]]


def _audible(verdict: Verdict, responses: Path, report: Path, most: int) -> Verdict:
    """The verdict with sounds beside its report."""
    from reverdict.auditioning import audition
    from reverdict.report.frame import safe_name
    from reverdict.report.ranking import references_worst_first
    from reverdict.report.verdict_json import to_json

    order = [str(one["name"]) for one in references_worst_first(to_json(verdict))]
    return audition(verdict, responses, report, order, most, safe_name)


def _history(folder: Path) -> str:
    """The section on what moved over the runs that are kept; empty with one run alone."""
    from reverdict.history.index import runs_of
    from reverdict.history.lines import history_of
    from reverdict.history.runs import files_of
    from reverdict.report.drift_page import drift_html

    runs = runs_of(files_of(folder))
    return drift_html(history_of(runs)) if len(runs.kept) > 1 else ""


def _sensitivities(folder: Path, golden_folder: Path) -> Any:
    """What ``reverdict sensitivity`` has left in a report folder, of the references as they stand."""
    from reverdict import golden_set
    from reverdict.sensitivity import current

    try:
        return current(folder, golden_set.references(golden_folder))
    except BadInput as error:  # no reason to withhold a verdict
        print(f"reverdict: not shown on the dashboard: {error}", file=sys.stderr)
        return None


def _keep_prepare_log(said: str, folder: Path) -> Path | None:
    """Put it beside the report; take one of an earlier build away."""
    log = folder / "prepare.log"
    if not said:
        log.unlink(missing_ok=True)
        return None
    log.write_text(said, encoding="utf-8")
    return log


def _prove_writable(folder: Path, golden_folder: Path) -> None:
    """Complain about a report folder before minutes of rendering, not after."""
    if (folder / "reference.toml").exists() or folder.resolve() == golden_folder.resolve():
        raise BadInput(folder, "holds golden references, which only an approval may change; report into another folder")
    if folder.is_file():
        raise BadInput(folder, "is a file; the report needs a folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadInput(folder, f"cannot write the report here ({error.strerror or error})") from error
    if not os.access(folder, os.W_OK):
        raise BadInput(folder, "cannot write the report here (no permission)")


class _Progress:
    """One line on a terminal that says what is being done; in a log what is ahead, and a line now and then."""

    EVERY_S = 20.0

    def __init__(self, stream: Any, quiet: bool = False) -> None:
        self.stream = stream
        self.shown = stream.isatty()
        self.due_at = time.monotonic() + self.EVERY_S if quiet else 0.0

    def show(self, said: str) -> None:
        if self.shown:
            self.stream.write(f"\r\x1b[K{said[:78]}…")
        elif time.monotonic() >= self.due_at:
            self.stream.write(f"reverdict: {said}\n")
            self.due_at = time.monotonic() + self.EVERY_S
        self.stream.flush()

    def clear(self) -> None:
        if self.shown:
            self.stream.write("\r\x1b[K")
            self.stream.flush()


# measure


def _add_measure(commands: Any) -> None:
    parser = _command(
        commands,
        "measure",
        _measure,
        "measure one impulse response, or a recorded sweep: springs, passes, dispersion, decay",
        epilog=ABOUT_MEASURE,
    )
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="WAV or FLAC file: the answer to one click, or to --stimulus"
    )
    parser.add_argument(
        "--beside",
        type=Path,
        metavar="GOLDEN",
        help="hold it against another sound file: lag over time, drift, steps; both count from GOLDEN's click",
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")
    parser.add_argument("--plot", type=Path, metavar="PNG", help="draw echogram, group-delay and decay curves")
    parser.add_argument(
        "--click-at", type=_click_at, default="auto", metavar="auto|SECONDS",
        help="when the click went in, or when the stimulus began (auto: a sharp onset, or the start of the file)",
    )  # fmt: skip
    parser.add_argument("--stimulus", type=Path, metavar="WAV", help="what was played: a sweep, or any broadband sound")
    parser.add_argument(
        "--loopback-channel", type=_number(int, 1, 1024, "a channel, 1 or more"), metavar="N",
        help="channel of FILE that recorded the stimulus itself; the others are divided by it",
    )  # fmt: skip
    parser.add_argument(
        "--repeats", type=_number(int, 1, 1000, "a number of repeats, 1 or more"), default=1, metavar="N",
        help="how often the stimulus file was played without a gap (1); repeats within it are found",
    )  # fmt: skip
    parser.add_argument(
        "--arrival-hz", type=float, default=500.0, metavar="HZ",
        help="frequency at which arrivals are read (500); change it where a recording holds little at 500 Hz, "
        "or to what a reference says, to compare with it",
    )  # fmt: skip
    parser.add_argument("--third-octaves", action="store_true", help="decay in third-octaves instead of octaves")


def _click_at(text: str) -> float | str:
    seconds = _number(float, 0, 3600, "auto, or seconds from the start of the file")
    return text if text == "auto" else float(seconds(text))


def _measure(options: argparse.Namespace) -> int:
    if options.stimulus:
        return _measure_sweep(options)
    for name in ("loopback_channel", "repeats"):
        if getattr(options, name) not in (None, 1):
            raise BadInput(options.file, f"--{name.replace('_', '-')} needs --stimulus, the file that was played")
    from dataclasses import replace

    from reverdict.measure.measurement import lags_beside, measure
    from reverdict.recorded import late_click, levels_apart, prove_alike, read_recording

    response, warnings = read_recording(options.file, options.click_at)
    if not 50 <= options.arrival_hz <= response.rate_hz / 2:
        raise BadInput(options.file, f"--arrival-hz {options.arrival_hz:g} is outside 50…{response.rate_hz / 2:g} Hz")
    lags: tuple[LagMeasurement, ...] = ()
    if options.beside:
        golden, of_golden = read_recording(options.beside, options.click_at)
        prove_alike(options.file, response, options.beside, golden)
        # Both from the golden's click: found in each file by itself, it would hide a latency.
        lags = lags_beside(golden, replace(response, click_at_s=golden.click_at_s))
        warnings += [f"{options.beside.name}: {warning}" for warning in of_golden] + levels_apart(response, golden)
    measurement = measure(response, options.arrival_hz, _fraction(options))
    warnings += late_click(response, *(path.springs for path in measurement.paths))
    return _show(options, response, measurement, lags=lags, warnings=warnings)


def _show(
    options: argparse.Namespace,
    response: Response,
    measurement: Measurement,
    lags: Sequence[LagMeasurement] = (),
    swept: Swept | None = None,
    warnings: Sequence[str] = (),
) -> int:
    """Draw and print what was measured."""
    from reverdict.report import measured

    if options.plot:
        from reverdict.report.measured_picture import draw

        draw(response, measurement, options.plot, title=options.file.name, lags=lags, swept=swept)
    if options.json:
        measured.print_json(response, measurement, sys.stdout, lags, swept, warnings)
        return 0
    measured.print_tables(response, measurement, options.file.name, sys.stdout, lags, swept, warnings)
    if options.plot:
        print(f"\nPlot: {options.plot}")
    return 0


def _measure_sweep(options: argparse.Namespace) -> int:
    from reverdict.sweeping import measure_recording

    click_at_s = None if options.click_at == "auto" else float(options.click_at)
    swept, warnings = measure_recording(
        options.file, options.stimulus, options.repeats, options.loopback_channel, click_at_s, options.arrival_hz,
        _fraction(options),
    )  # fmt: skip
    return _show(options, swept.response, swept.measurement, swept=swept, warnings=warnings)


def _fraction(options: argparse.Namespace) -> int:
    return 3 if options.third_octaves else 1


# sweep


def _add_sweep(commands: Any) -> None:
    parser = _command(commands, "sweep", _sweep, "write a sweep to play into a reverb", epilog=ABOUT_SWEEP)
    parser.add_argument("file", type=Path, metavar="FILE", help="24-bit WAV to write")
    hertz = _number(float, 1, 384000, "a frequency of 1 to 384000 Hz")
    parser.add_argument("--from-hz", type=hertz, default=20.0, metavar="HZ", help="where it starts (20)")
    parser.add_argument("--to-hz", type=hertz, metavar="HZ", help="where it ends (20000, or 0.48 of the rate)")
    parser.add_argument(
        "--seconds", type=_number(float, 0.5, 600, "a length of 0.5 to 600 s"), default=10.0,
        help="length of one sweep (10); the more, the less noise, and the longer a reverb may be",
    )  # fmt: skip
    parser.add_argument(
        "--tail", type=_number(float, 0.1, 120, "a silence of 0.1 to 120 s"), default=5.0, metavar="SECONDS",
        help="silence after each sweep, longer than the reverb (5)",
    )  # fmt: skip
    parser.add_argument(
        "--repeats", type=_number(int, 1, 1000, "a number of repeats, 1 or more"), default=1, metavar="N",
        help="sweeps in the file (1); two or more tell how far the clocks differ, three or more bear a door slam",
    )  # fmt: skip
    parser.add_argument(
        "--rate", type=_number(int, 1000, 768000, "a sample rate of 1000 to 768000 Hz"), default=48000, metavar="HZ",
        help="sample rate (48000)",
    )  # fmt: skip
    parser.add_argument(
        "--level", type=_number(float, -100, 0, "a level of -100 to 0 dBFS"), default=-12.0, metavar="DBFS",
        help="peak level (-12)",
    )  # fmt: skip
    parser.add_argument(
        "--kind", choices=("synchronized", "exponential"), default="synchronized",
        help="synchronized: length rounded so that harmonics are in phase (the default); exponential: of exact length",
    )  # fmt: skip


def _sweep(options: argparse.Namespace) -> int:
    from reverdict.capture.cautions import CAUTIONS
    from reverdict.sweeping import SweepWishes, write_sweep

    wishes = SweepWishes(
        options.from_hz, options.to_hz, options.seconds, options.tail, options.rate, options.level, options.repeats,
        options.kind,
    )  # fmt: skip
    sweep, seconds = write_sweep(options.file, wishes)
    print(CAUTIONS)
    print(
        f"{options.file}: {sweep.kind} sweep from {sweep.f1_hz:g} to {sweep.f2_hz:g} Hz in {sweep.seconds:.3f} s, "
        f"{options.repeats} time{'s' if options.repeats > 1 else ''}, {seconds:.2f} s in all, "
        f"peak {options.level:g} dBFS, 24 bit, {options.rate} Hz.\n"
        f"Record its answer, then: reverdict measure RECORDING --stimulus {options.file}"
    )
    return 0


# capture


def _add_capture(commands: Any) -> None:
    line = "play sweeps or clicks into hardware through a sound interface, and record the response"
    parser = _command(commands, "capture", _capture, line, epilog=ABOUT_CAPTURE)
    channel = _number(int, 1, 256, "the number of a channel, 1 or more")
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
        "--rate", type=_number(int, 8000, 768000, "a sample rate of 8000 to 768000 Hz"), default=48000, metavar="HZ",
        help="sample rate (48000)",
    )  # fmt: skip
    parser.add_argument(
        "--stimulus", choices=("sweep", "click"), default="sweep",
        help="sweep: far less noise (the default); click: for what a sweep cannot be played into",
    )  # fmt: skip
    parser.add_argument(
        "--sweep-seconds", type=_number(float, 0.5, 120, "a length of 0.5 to 120 s"), default=5.0, metavar="SECONDS",
        help="length of one sweep (5)",
    )  # fmt: skip
    parser.add_argument(
        "--seconds", type=_number(float, 0.1, 120, "a length of 0.1 to 120 s"), default=3.0,
        help="length of the response, longer than the reverb (3)",
    )  # fmt: skip
    parser.add_argument(
        "--repeats", type=_number(int, 1, 256, "a number of repeats, 1 to 256"), default=4, metavar="N",
        help="averaged (4); two or more tell the clock, three or more bear a door slam",
    )  # fmt: skip
    parser.add_argument(
        "--level", type=_number(float, -60, -1, "a level of -60 to -1 dBFS"), default=-12.0, metavar="DBFS",
        help="the most that is played, peak (-12)",
    )  # fmt: skip
    doing = parser.add_mutually_exclusive_group()
    doing.add_argument("--yes", action="store_true", help="I have read the cautions: play")
    doing.add_argument("--dry-run", action="store_true", help="say what would be done, and play nothing")


def _device(text: str) -> int | str:
    return int(text) if text.isdecimal() else text


def _capture(options: argparse.Namespace) -> int:
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
    from reverdict.schema import check_name

    if problem := check_name(name):
        raise BadInput("capture", problem)
    if len(set(route.recorded)) < len(route.recorded):
        raise BadInput("capture", f"channel {route.recorded[-1]} is named twice; every input hears one thing")
    if len(route.inputs) > 2:
        raise BadInput("capture", "a response has one channel or two; name one or two inputs")


# fit


def _add_fit(commands: Any) -> None:
    parser = _command(
        commands,
        "fit",
        _fit,
        "fit the usual spring algorithm to a response: delay lines, allpass sections, reflections, lowpasses",
        epilog=ABOUT_FIT,
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="WAV or FLAC file holding the answer to one click")
    parser.add_argument(
        "--click-at", type=_click_at, default="auto", metavar="auto|SECONDS",
        help="when the click went in (auto: a sharp onset, or the start of the file)",
    )  # fmt: skip
    channel = _number(int, 1, 1024, "the number of a channel, 1 or more")
    parser.add_argument("--channel", type=channel, default=1, metavar="N", help="which channel of FILE is fitted (1)")
    parser.add_argument("--toml", type=Path, metavar="OUT.toml", help="write the numbers here, not to the terminal")
    parser.add_argument("--wav", type=Path, metavar="OUT.wav", help="write the response that the fitted model gives")
    parser.add_argument("--plot", type=Path, metavar="PNG", help="draw what was measured of both, and the residual")
    parser.add_argument("--json", action="store_true", help="print JSON instead of TOML")


def _fit(options: argparse.Namespace) -> int:
    import numpy as np

    from reverdict.fit import agreement, fit_tank, synthesise
    from reverdict.measure.springs import find_springs
    from reverdict.recorded import late_click, read_recording
    from reverdict.report import fitted
    from reverdict.sound import write_sound

    if options.wav and options.wav.suffix.lower() != ".wav":
        raise BadInput(options.wav, "a re-synthesised response is a WAV; end its name in .wav")
    for target in (options.toml, options.wav, options.plot):
        if target and (not target.parent.is_dir() or target.resolve() == options.file.resolve()):
            what = "is the recording itself" if target.parent.is_dir() else f"no folder {target.parent}"
            raise BadInput(target, f"cannot write here ({what})")
    response, warnings = read_recording(options.file, options.click_at)
    if options.channel > len(response.samples):
        raise BadInput(options.file, f"has {len(response.samples)} channel(s), no channel {options.channel}")
    sound, path = response.samples[options.channel - 1], response.paths[options.channel - 1]
    progress = _Progress(sys.stderr)
    try:
        progress.show("finding springs")
        measured = find_springs(sound, response.rate_hz, response.click_at_s)
        fit = fit_tank(sound, response.rate_hz, response.click_at_s, measured, progress.show)
        if fit.model is None:
            raise BadInput(options.file, f"no spring to fit: {fit.why_none}")
        progress.show("measuring the model's response")
        again = synthesise(fit.model, response.rate_hz, min(response.seconds_after_click, 60.0))
        agreed = agreement(sound, again, response.rate_hz, response.click_at_s, measured)
    finally:
        progress.clear()
    warnings += late_click(response, measured)
    told = fitted.as_dict(fit, agreed, response.rate_hz, options.file.name, path, warnings)
    if options.wav:
        write_sound(options.wav, again[np.newaxis], response.rate_hz)
    if options.plot:
        from reverdict.report.fitted_picture import draw_fit

        draw_fit(response, options.channel - 1, measured, fit, again, options.plot, title=options.file.name)
    if options.toml:
        _write_text(options.toml, fitted.as_toml(told))
    if options.json:
        print(fitted.as_json(told), end="")
    elif not options.toml:
        print(fitted.as_toml(told), end="")
    else:
        written = [str(target) for target in (options.toml, options.wav, options.plot) if target]
        print(f"Written: {', '.join(written)}")
        print("".join(f"Beware: {warning}\n" for warning in warnings), end="")
    return 0


def _write_text(target: Path, text: str) -> None:
    """Write beside and rename, so that no half file is ever seen."""
    beside = target.with_name(f".{os.getpid()}.{target.name}")
    try:
        beside.write_text(text, encoding="utf-8")
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)


# golden


def _add_golden(commands: Any) -> None:
    parser = commands.add_parser(
        "golden",
        help="make, approve, list and verify golden references",
        description="Golden references: how it must sound.",
        epilog=ABOUT_GOLDEN,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    inner = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    new = _command(inner, "new", _golden_new, "make a reference from a build or a recording", epilog=ABOUT_NEW)
    new.add_argument("name", metavar="NAME", help="of the new reference, and of its folder in DIR")
    new.add_argument(
        "--from", dest="source", type=Path, required=True, metavar="BUILD|FILE",
        help="build TOML to render, or WAV or FLAC file of a recording",
    )  # fmt: skip
    _golden_option(new)
    new.add_argument("--title", default="", help="what it is, in a line")
    new.add_argument("--why", default="first reference", metavar="TEXT", help="why this is how it must sound")
    new.add_argument(
        "--click-at", type=_click_at, metavar="auto|SECONDS", help="FILE: when the click went in (auto: looked for)"
    )
    new.add_argument(
        "--seconds",
        type=_number(float, 0.01, 600, "a length of 0.01 to 600 s"),
        help="BUILD: length to render after the click (3)",
    )
    new.add_argument(
        "--rate",
        nargs="+",
        type=_number(int, 1000, 768000, "a sample rate of 1000 to 768000 Hz"),
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
        type=_number(float, -120, 0, "a level of -120 to 0 dBFS"),
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
    approve = _command(
        inner,
        "approve",
        _golden_approve,
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
    _golden_option(approve)
    for name, run, line in (
        ("list", _golden_list, "list the references"),
        (
            "verify",
            _golden_verify,
            "find altered, missing, unreadable and left-over files, and references their sound contradicts",
        ),
        ("tolerances", _golden_tolerances, "print the tolerances in force, reference by reference"),
    ):
        command = _command(inner, name, run, line, epilog=f"example:\n  reverdict golden {name} --golden golden")
        _golden_option(command)
        if name == "verify":
            strict = "exit with 2 for what is only worth knowing, too, as tolerances edited by hand"
            command.add_argument("--strict", action="store_true", help=strict)


def _golden_new(options: argparse.Namespace) -> int:
    from reverdict import making

    wishes = making.Wishes(
        options.title, options.why, making.parameters_from(options.parameter), options.click_at,
        options.seconds, options.rate, options.block, options.level, options.preset, options.channels,
        tuple(options.repeats),
    )  # fmt: skip
    progress = _Progress(sys.stderr)
    shown = progress.show if progress.shown else lambda _: None
    try:
        path, said = making.new_reference(options.name, options.source, options.golden, wishes, shown)
    finally:
        progress.clear()
    print("\n".join([f"{path} written.", *said]))
    return 0


def _golden_approve(options: argparse.Namespace) -> int:
    from reverdict import approving, golden_text

    for line in approving.approve_reference(
        options.name,
        options.source,
        options.why,
        options.golden,
        settings=golden_text.settings_from(options.settings),
        as_it_stands=options.as_it_stands,
        preview=options.preview,
    ):
        print(line, flush=True)
    return 0


def _golden_list(options: argparse.Namespace) -> int:
    from reverdict import golden_set

    for row in golden_set.describe(options.golden):
        edited = "; edited by hand since" if row.edited else ""
        print(
            f"{row.name:24} {row.origin:8} {row.channels:17} {row.rate_hz:6} Hz {row.seconds:5.2f} s  "
            f"asked: {', '.join(row.asked)}\n"
            f"{'':24} {row.title}; approved by {row.approved_by}, {row.approved_at:%Y-%m-%d}{edited}"
        )
    return 0


def _golden_verify(options: argparse.Namespace) -> int:
    from reverdict import approving, golden_set

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


def _golden_tolerances(options: argparse.Namespace) -> int:
    from reverdict import approving, golden_set

    for reference in golden_set.references(options.golden):
        print(f"{reference.name}")
        for line in approving.tolerances_in_force(reference):
            print(f"  {line}")
    return 0


# sensitivity


def _add_sensitivity(commands: Any) -> None:
    parser = _command(
        commands,
        "sensitivity",
        _sensitivity,
        "inject graded faults into the goldens: the smallest that each check catches, and what slips through",
        epilog=ABOUT_SENSITIVITY,
    )
    _golden_option(parser)
    parser.add_argument("--only", action=_Once, default="*", metavar="GLOB", help="only references whose name matches")
    parser.add_argument(
        "--report", type=Path, default=Path("sensitivity"), metavar="DIR",
        help="where results are kept, and where a run that was stopped goes on (./sensitivity)",
    )  # fmt: skip
    jobs = _number(int, 1, 1024, "a number of workers, 1 or more")
    parser.add_argument("--jobs", type=jobs, metavar="N", help="worker processes (one per processor, 8 at most)")


def _sensitivity(options: argparse.Namespace) -> int:
    from reverdict import report
    from reverdict.report import sensitivity_terminal
    from reverdict.sensitivity import sensitivity

    _prove_writable(options.report, options.golden)
    progress = _Progress(sys.stderr)
    jobs = options.jobs or min(len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1, 8)
    try:
        result = sensitivity(options.golden, options.report, options.only, jobs, progress.show)
    finally:
        progress.clear()
    page = report.write_sensitivity(result, options.report)
    with _reader_may_leave():
        sensitivity_terminal.show(result, sys.stdout)
        print(f"Page: {page}")
    return 0


# compare


def _add_compare(commands: Any) -> None:
    parser = _command(
        commands, "compare", _compare, "choose among candidates: closeness to the goldens, and cost",
        epilog=ABOUT_COMPARE,
    )  # fmt: skip
    parser.add_argument("builds", type=Path, nargs="+", metavar="BUILD", help="2 to 20 builds, as gate takes them")
    _golden_option(parser)
    parser.add_argument("--only", action=_Once, default="*", metavar="GLOB", help="only references whose name matches")
    parser.add_argument(
        "--report", type=Path, metavar="DIR",
        help="write index.html, compare.json and summary.md, and each build's own report in a folder",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="for scripts")
    jobs = _number(int, 1, 1024, "a number of workers, 1 or more")
    parser.add_argument("--jobs", type=jobs, default=1, metavar="N", help="worker processes (1); cost is timed alone")


def _compare(options: argparse.Namespace) -> int:
    from reverdict import report
    from reverdict.choosing import choose
    from reverdict.comparing import compare
    from reverdict.report import compare_terminal
    from reverdict.report.compare_words import as_json
    from reverdict.report.verdict_json import to_json

    if options.report:
        _prove_writable(options.report, options.golden)
    progress = _Progress(sys.stderr)
    try:
        verdicts = compare(options.builds, options.golden, options.only, options.jobs, progress.show)
    finally:
        progress.clear()
    choice = choose({label: to_json(verdict) for label, verdict in verdicts.items()})
    page = report.write_comparison(choice, verdicts, options.report) if options.report else None
    with _reader_may_leave():
        if options.json:
            print(json.dumps(as_json(choice), indent=1, ensure_ascii=False, allow_nan=False))
        else:
            compare_terminal.show(choice, sys.stdout)
            if page:
                print(f"Page: {page}")
    return 0 if any(one.passes for one in choice.candidates) else 1


# drift


def _add_drift(commands: Any) -> None:
    parser = _command(
        commands, "drift", _drift, "what moved over releases, against the original golden", epilog=ABOUT_DRIFT
    )  # fmt: skip
    parser.add_argument(
        "--runs", type=Path, default=Path("reverdict-runs"), metavar="DIR",
        help="folder of runs that gate --runs kept (./reverdict-runs)",
    )  # fmt: skip
    for name, of in (("build", "builds"), ("reference", "references"), ("quantity", "quantities")):
        parser.add_argument(f"--{name}", default="*", metavar="GLOB", help=f"only {of} whose name matches")
    parser.add_argument(
        "--within", type=_number(float, 0, 1e6, "a number of releases"), default=10.0, metavar="N",
        help="a drift that leaves its limit within N releases ends in status 1 (10)",
    )  # fmt: skip
    parser.add_argument(
        "--smallest", type=_number(float, 0.001, 10, "a share of tolerance"), default=0.1, metavar="SHARE",
        help="what moved less, in shares of tolerance, is not told (0.1)",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="for scripts")
    parser.add_argument("--report", type=Path, metavar="DIR", help="write drift.json and drift.html")


def _drift(options: argparse.Namespace) -> int:
    from fnmatch import fnmatchcase

    from reverdict import report
    from reverdict.history.index import runs_of
    from reverdict.history.lines import history_of
    from reverdict.history.runs import files_of
    from reverdict.report import drift_terminal
    from reverdict.report.drift_words import as_json

    progress = _Progress(sys.stderr, quiet=True)
    try:
        runs = runs_of(files_of(options.runs), progress.show)
        runs = runs.only(lambda build: fnmatchcase(build, options.build))
        history = history_of(
            runs,
            lambda key: fnmatchcase(key.reference, options.reference) and fnmatchcase(key.quantity, options.quantity),
            options.smallest,
            progress.show,
        )
    finally:
        progress.clear()
    if not runs.kept:
        why = f"; {runs.no_runs[0].file.name}: {runs.no_runs[0].why}" if runs.no_runs else ""
        raise BadInput(options.runs, f"no run that could be read{why}; reverdict gate BUILD --runs DIR keeps them")
    if options.report:
        report.write_drift(history, options.within, options.report)
    told = as_json(history, options.within)
    with _reader_may_leave():
        if options.json:
            print(json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False))
        else:
            drift_terminal.show(history, options.within, sys.stdout)
            if options.report:
                print(f"Page: {options.report / 'drift.html'}")
    return 1 if told["closes"] else 0


# bisect


def _add_bisect(commands: Any) -> None:
    parser = _command(
        commands, "bisect", _bisect, "one step for git bisect run: which commit moved a quantity",
        epilog=ABOUT_BISECT,
    )  # fmt: skip
    parser.add_argument("build", type=Path, metavar="BUILD", help="build TOML of what is checked out")
    _golden_option(parser)
    parser.add_argument("--only", action=_Once, default="*", metavar="GLOB", help="only references whose name matches")
    parser.add_argument("--check", default="*", metavar="GLOB", help="only this check: echo-timing, group-delay, …")
    parser.add_argument(
        "--quantity", default="*", metavar="GLOB", help="only this quantity: arrival, T30, instructions"
    )
    parser.add_argument("--where", default="*", metavar="GLOB", help="only there: 'spring 2, pass 1*'")
    parser.add_argument(
        "--by", type=_number(float, 0, 1e12, "a deviation in the unit of the quantity"), metavar="AMOUNT",
        help="after is what lies farther from golden than this, in its own unit (else: what fails)",
    )  # fmt: skip


def _bisect(options: argparse.Namespace) -> int:
    from reverdict.bisecting import STOP, Question, goldens_of_good, step
    from reverdict.gate import gate
    from reverdict.report.verdict_json import to_json

    try:
        with tempfile.TemporaryDirectory(prefix="reverdict-good-") as folder:
            golden = goldens_of_good(options.golden, Path(folder))
            verdict = gate(options.build, golden, options.only)
        status, said = step(to_json(verdict), Question(options.check, options.quantity, options.where, options.by))
    except Exception as error:  # raised, its status would be that of a bad commit
        status, lines = _told(error)
        if status == 3 and os.environ.get("REVERDICT_TRACEBACK"):
            lines = ["".join(traceback.format_exception(error))]
        print("\n".join(f"reverdict: {line}" for line in lines), file=sys.stderr)
        return STOP
    print(said)
    return status


# board


def _add_board(commands: Any) -> None:
    line = "pages of several builds and of their history, from kept runs"
    parser = _command(commands, "board", _board, line, epilog=ABOUT_BOARD)
    parser.add_argument(
        "runs", type=Path, nargs="+", metavar="RUNS", help="report folders, run files, or folders of run files"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder that the pages are written to")


def _board(options: argparse.Namespace) -> int:
    from reverdict import report
    from reverdict.auditioning import carry
    from reverdict.history.index import runs_of
    from reverdict.history.lines import history_of
    from reverdict.history.newest import each_once, newest_of_each_build
    from reverdict.history.runs import files_of
    from reverdict.report.board import places_of
    from reverdict.report.drift_page import drift_html

    files = list(dict.fromkeys(file for place in options.runs for file in files_of(place)))
    progress = _Progress(sys.stderr, quiet=True)
    try:
        runs = each_once(runs_of(files, progress.show))
        if not runs.kept:
            why = f"; {runs.no_runs[0].file.name}: {runs.no_runs[0].why}" if runs.no_runs else ""
            raise BadInput(
                options.runs[0], f"no run that could be read{why}; gate --runs DIR or --report DIR keeps them"
            )
        history = drift_html(history_of(runs, progress=progress.show)) if len(runs.kept) > 1 else ""
    finally:
        progress.clear()
    for one in runs.no_runs:
        print(f"reverdict: left out: {one.file}: {one.why}", file=sys.stderr)
    newest = newest_of_each_build(runs)
    places = places_of(list(newest.values())) if len(newest) > 1 else [""]
    heard = [
        carry(verdict, [file.parent], options.out / place)
        for (file, verdict), place in zip(newest.items(), places, strict=True)
    ]
    page = report.write_board(heard, history, options.out)
    with _reader_may_leave():
        print(f"Dashboard: {page}")
    return 0


# demo, schema


def _add_demo(commands: Any) -> None:
    line = "set out a workspace with an invented workshop's references and builds"
    parser = _command(commands, "demo", _demo, line, epilog=ABOUT_DEMO)
    parser.add_argument("folder", type=Path, metavar="DIR", help="a new or an empty folder")


def _demo(options: argparse.Namespace) -> int:
    from reverdict.demo import write_demo

    write_demo(options.folder)
    folder = options.folder
    print(
        f"{folder}: golden references in golden/, builds in builds/; README.md says what to try. For instance:\n"
        f"  reverdict gate {folder}/builds/release-1.1.toml --golden {folder}/golden --report {folder}/report"
    )
    return 0


def _add_schema(commands: Any) -> None:
    parser = _command(
        commands,
        "schema",
        _schema,
        "print the JSON Schema of a file format, so that editors complete and check it",
        epilog="example:\n  reverdict schema build > build.schema.json",
    )
    formats = ("reference", "tolerances", "build", "verdict", "sensitivity")
    parser.add_argument("which", choices=formats, help="which file: reference.toml, tolerances.toml, …")


def _add_header(commands: Any) -> None:
    _command(
        commands,
        "header",
        _header,
        "print reverb.h: the five functions by which a shared library is judged",
        epilog="A build of kind library is a shared library that has them. For C and C++.\n\n"
        "example:\n  reverdict header > reverb.h\n  cc -O2 -shared -fPIC -o libspring.so spring.c",
    )


def _header(_: argparse.Namespace) -> int:
    from reverdict.render import HEADER

    print(HEADER.read_text(encoding="utf-8"), end="")
    return 0


def _schema(options: argparse.Namespace) -> int:
    import json

    if options.which == "verdict":
        from reverdict.report.verdict_json import json_schema as verdict_schema

        schema = verdict_schema()
    elif options.which == "sensitivity":
        from reverdict.report.sensitivity_json import json_schema as sensitivity_schema

        schema = sensitivity_schema()
    else:
        from reverdict.schema import json_schema

        schema = json_schema(options.which)
    print(json.dumps(schema, indent=2))
    return 0
