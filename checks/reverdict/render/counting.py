"""What a sample costs in instructions: counted by callgrind, which runs a build on a processor that it simulates.

Aim. A number that is the same on a busy machine and on an idle one, so that half a percent is a finding.

Method. Instructions executed by the build (J. Weidendorfer, M. Kowarschik, C. Trinitis, A Tool Suite for Simulation
Based Analysis of Memory Access Behavior, ICCS 2004; callgrind's manual), per sample and channel of output, as the slope
between two lengths, so that start-up drops out; and a second time, to show that it repeats. The input is that of
``render.timing``.

A build with a host runs in the worker. Collection is on in the build's own processing call alone (``render.bracket``),
between two points of one run (``render.counted_run``): what is counted of a library or plug-in is its code, to the
instruction. Of a Python build it is the interpreter's work on ``process``. A ``command`` is counted whole, in a process
for each of two lengths, function by function; reading and writing its files are in the slope.

Where there is no valgrind but the processor's own counter can be read (``perf stat -e instructions:u``), a command is
counted by that, without functions.

Conventions. Per sample and channel of output. ``uncertainty`` is expanded: t95·s/√n over the repeats, 0 where they
agree to the instruction, as compiled builds do.

Limits of validity. Instructions are not time: a division counts as one, as does a load that waits for memory. Counts
belong to an instruction set, a compiler and its flags, and where a build calls the C library (memcpy, sin) to that and
to what the processor offers it. The simulated processor knows no AVX-512. Of a build with a host only the thread that
calls it is counted, and what the C library does while a CLAP plug-in asks its host something (1.7 instructions a sample
in blocks of 512). Cache misses are those of a simulated cache (``CACHES``), not of this machine's. What the compiler
put inline is under the function that it went into.
"""

from __future__ import annotations

import contextlib
import functools
import json
import math
import re
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.errors import BadInput
from reverdict.measure.clock import t95
from reverdict.render import bracket, child
from reverdict.render.asking import repeatable_environment
from reverdict.render.callgrind_log import Place, Profile, read_profile
from reverdict.render.command import run_program
from reverdict.render.folders import render_folder, working_folder
from reverdict.render.hosted import describe_job, require_host, worker_argv, worker_trouble
from reverdict.render.noise import noise
from reverdict.render.preparing import prepare
from reverdict.render.timing import HAVE_NONE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from reverdict.render.build import Build, Request
    from reverdict.render.child import Ended

SLOWNESS = 10.0
"""How many times the build's own limit of seconds it may take under callgrind."""

SHORT_BLOCKS = 8
FEWEST_BLOCKS = 32
MOST_SAMPLES = 1 << 16
AIM = 100e6
"""Instructions between the two lengths of a command."""

COUNTING = ("valgrind", "-q", "--tool=callgrind", "--vgdb=no", "--dump-line=no")
IN_THE_CALL = ("--instr-atstart=no", "--collect-atstart=no")
OF_ALL_IT_STARTS = ("--trace-children=yes",)
CACHES = ("--cache-sim=yes", "--I1=32768,8,64", "--D1=32768,8,64", "--LL=8388608,16,64")
"""Two levels, the first of 32 KiB for code and data each, the last of 8 MiB: the same on every machine."""

FIRST_LEVEL, LAST_LEVEL = ("I1mr", "D1mr", "D1mw"), ("ILmr", "DLmr", "DLmw")
READING_COUNTER = ("perf", "stat", "-x", ",", "-e", "instructions:u")
ASKED_S = 10.0
NO_COUNTER = "no valgrind here"
STRANGE = "died by an instruction that valgrind does not know; compile it for a processor without AVX-512"
OF_THE_HOST = re.compile(r"libpython|_ctypes\.|libffi\.")
"""What Python itself is made of, besides its program."""


@dataclass(frozen=True)
class FunctionCost:
    """What a function costs by itself, in instructions per sample and channel.

    name, file, object : str
        As the compiler named it, the source file and the library or program, base names; empty where unknown.
    """

    name: str
    file: str
    object: str
    per_sample: float


@dataclass(frozen=True)
class Misses:
    """Simulated cache misses per sample and channel, of code and data together.

    uncertainty : float
        Expanded (k = 2), the larger of both levels.
    """

    first_level: float
    last_level: float
    uncertainty: float


@dataclass(frozen=True)
class Count:
    """Instructions per sample and channel.

    per_sample, uncertainty : float or None
        None when ``why_not`` says why.
    functions : tuple of FunctionCost
        Dearest first; they add up to ``per_sample``. Empty where the counter does not tell.
    reads_per_sample, writes_per_sample, misses
        Memory accesses and cache misses; None where no cache was simulated.
    samples : int
        How many were counted.
    tool : str
        What counted them, with its version.
    impossible_here : bool
        Whether nothing on this machine counts builds of this kind, whatever the build.
    """

    per_sample: float | None = None
    uncertainty: float | None = None
    functions: tuple[FunctionCost, ...] = ()
    reads_per_sample: float | None = None
    writes_per_sample: float | None = None
    misses: Misses | None = None
    samples: int = 0
    tool: str = ""
    why_not: str = ""
    impossible_here: bool = False


@dataclass(frozen=True)
class Slope:
    """What some samples cost, start-up taken out, by place; in fractions where something is taken off."""

    events: tuple[str, ...]
    costs: dict[Place, tuple[float, ...]]
    samples: int

    def total(self, *events: str) -> float:
        columns = [column for column, event in enumerate(self.events) if event in events]
        return float(sum(costs[column] for costs in self.costs.values() for column in columns))


@functools.lru_cache(maxsize=1)
def counter_version() -> str:
    """For example "callgrind 3.19.0"; empty where there is none."""
    said = _said("valgrind", "--version")
    return f"callgrind {said.removeprefix('valgrind-')}" if said.startswith("valgrind-") else ""


@functools.lru_cache(maxsize=1)
def hardware_counts() -> bool:
    """Whether the processor's own counter of instructions can be read here."""
    if not shutil.which("perf"):
        return False
    with contextlib.suppress(OSError, subprocess.TimeoutExpired):
        argv = [*READING_COUNTER, "true"]
        ended = subprocess.run(argv, capture_output=True, text=True, errors="replace", timeout=ASKED_S, check=False)
        return ended.returncode == 0 and counted_by_hardware(ended.stderr, "instructions") is not None
    return False


def why_not_counted(build: Build) -> str:
    """Why instructions of a build cannot be counted here, looked up without running it; empty where they can."""
    if build.kind in HAVE_NONE:
        return HAVE_NONE[build.kind]
    if not counter_version():
        return "" if build.kind == "command" and hardware_counts() else NO_COUNTER
    return "" if build.kind == "command" else bracket.why_not_here()


def count(build: Build, request: Request, work_folder: Path | None = None, *, cache: bool = False) -> Count:
    """Count a build at the request's rate, block size, channels and parameters.

    Parameters
    ----------
    build, request : Build, Request
    work_folder : path, optional
        As for ``render``; without one, a working folder of its own.
    cache : bool
        Simulate caches too, which takes two to three times as long.

    Raises
    ------
    BadInput
        As ``render`` does. What the build does is told by ``why_not``.
    """
    if why_not := why_not_counted(build):
        return Count(why_not=why_not, impossible_here=True)
    with contextlib.ExitStack() as stack:
        work = work_folder or stack.enter_context(working_folder())
        if trouble := prepare(build, work):
            return Count(why_not=trouble)
        folder = stack.enter_context(render_folder(build, work))
        patient = replace(build, limits=replace(build.limits, seconds=SLOWNESS * build.limits.seconds))
        try:
            if build.kind != "command":
                return _as_count(_count_hosted(patient, request, folder, work, cache), request, counter_version())
            if counter_version():
                program = _Program(patient, request, folder, work, cache)
                return _as_count(_count_command(program.under_callgrind, request), request, counter_version())
            program = _Program(patient, request, folder, work, cache)
            return _as_count(_count_command(program.by_hardware, request), request, "perf")
        except _Trouble as trouble:
            return Count(why_not=str(trouble))


class _Trouble(Exception):
    """Why something was not counted."""


def _count_hosted(build: Build, request: Request, folder: Path, work: Path, cache: bool) -> list[Slope]:
    require_host(build)
    told = folder / "counted.json"
    job = describe_job(build, request, folder, work) | {"count": str(folder / "calls"), "counted": str(told)}
    described = folder / "job.json"
    described.write_text(json.dumps(job), encoding="utf-8")
    environment = repeatable_environment(build, folder, work)
    argv = [*_counting(folder / "calls.%p", cache), *IN_THE_CALL, *worker_argv(described)]
    ended = child.run(argv, build.folder, build.limits, environment)
    _require_known(ended)
    if trouble := worker_trouble(ended, build, folder):
        raise _Trouble(trouble)
    with _reading():
        counted = json.loads(told.read_text(encoding="utf-8"))
        empty = read_profile([Path(counted["empty"])]) if counted["empty"] else None
        runs = [read_profile([Path(file)]) for file in counted["stretches"]]
    samples = counted["blocks"] * request.block_size
    if empty is None:
        return [_difference(_without_host(run), Profile(run.events, {}), samples) for run in runs]
    share = counted["blocks"] / counted["empty_calls"]
    return [_difference(run, _shared(empty, run), samples, share) for run in runs]


class _Program:
    """A command that is run on so many samples, and what that cost as a whole."""

    def __init__(self, build: Build, request: Request, folder: Path, work: Path, cache: bool) -> None:
        self._build, self._request, self._folder, self._work, self._cache = build, request, folder, work, cache
        self._files = folder / "counted"

    def under_callgrind(self, samples: int) -> Profile:
        """Whoever it starts is counted with it."""
        shutil.rmtree(self._files, ignore_errors=True)
        self._files.mkdir()
        self._run(samples, (*_counting(self._files / "all.%p", self._cache), *OF_ALL_IT_STARTS))
        with _reading():
            return read_profile(sorted(self._files.iterdir()))

    def by_hardware(self, samples: int) -> Profile:
        """Of user code alone, by the processor itself."""
        file = self._folder / "perf.csv"
        self._run(samples, (*READING_COUNTER, "-o", str(file), "--"))
        counted = counted_by_hardware(file.read_text(encoding="utf-8", errors="replace"), "instructions")
        if counted is None:
            raise _Trouble("perf told no count")
        return Profile(("Ir",), {Place("", "", ""): (round(counted),)})

    def _run(self, samples: int, watched_by: Sequence[str]) -> None:
        heard = noise(self._request.input_channels, samples)
        ended = run_program(self._build, self._request, heard, self._folder, self._work, watched_by=watched_by)
        _require_known(ended)
        if trouble := ended.trouble(self._build.limits):
            raise _Trouble(trouble)


def _count_command(run: Callable[[int], Profile], request: Request) -> list[Slope]:
    """Two slopes between a short input and one that is longer by a power of two of blocks."""
    short, more = SHORT_BLOCKS * request.block_size, FEWEST_BLOCKS * request.block_size
    first, second = run(short), run(short + more)
    by = second.total("Ir") - first.total("Ir")
    if 0 < 2 * by <= AIM:
        times = min(AIM / by, MOST_SAMPLES / more)
        longer = more * (1 << int(np.log2(max(times, 1.0))))
        if longer > more:
            more = longer
            second = run(short + more)
    slopes = [_difference(second, first, more)]
    return [*slopes, _difference(run(short + more), run(short), more)]


def _without_host(run: Profile) -> Profile:
    """A plug-in that asks its host something in the middle of a block, as of CLAP, is not charged for the answer."""
    program = Path(sys.executable).resolve().name
    objects = {place: Path(place.object).name for place in run.costs}
    own = {place: costs for place, costs in run.costs.items() if objects[place] != program}
    return Profile(run.events, {place: own[place] for place in own if not OF_THE_HOST.match(objects[place])})


def _shared(empty: Profile, run: Profile) -> Profile:
    """What an empty call costs, less the function itself that does nothing."""
    return Profile(empty.events, {place: costs for place, costs in empty.costs.items() if place in run.costs})


def _difference(run: Profile, less: Profile, samples: int, times: float = 1.0) -> Slope:
    """A run less another one, taken so many times, function by function."""
    nothing = (0,) * len(run.events)
    if less.events != run.events:
        raise _Trouble("counted other things the second time")
    costs = {
        place: tuple(
            one - times * other
            for one, other in zip(run.costs.get(place, nothing), less.costs.get(place, nothing), strict=True)
        )
        for place in {**run.costs, **less.costs}
    }
    return Slope(run.events, costs, samples)


def _as_count(slopes: Sequence[Slope], request: Request, tool: str) -> Count:
    """The mean of repeats, per sample and channel."""
    spoken_for = slopes[0].samples * request.output_channels
    each = [slope.total("Ir") / spoken_for for slope in slopes]
    if min(each) <= 0.0:
        return Count(tool=tool, why_not="too cheap to be told from the start-up of its program")

    def mean_of(*events: str) -> tuple[float, float]:
        values = np.array([slope.total(*events) for slope in slopes]) / spoken_for
        spread = t95(values.size - 1) * float(np.std(values, ddof=1)) / math.sqrt(values.size)
        return float(values.mean()), spread

    per_sample, uncertainty = mean_of("Ir")
    counted = Count(
        per_sample, uncertainty, _functions(slopes, spoken_for), samples=slopes[0].samples, tool=tool
    )  # fmt: skip
    if "Dr" not in slopes[0].events:
        return counted
    (first, first_spread), (last, last_spread) = mean_of(*FIRST_LEVEL), mean_of(*LAST_LEVEL)
    return replace(
        counted,
        reads_per_sample=mean_of("Dr")[0],
        writes_per_sample=mean_of("Dw")[0],
        misses=Misses(first, last, max(first_spread, last_spread)),
    )


def _functions(slopes: Sequence[Slope], spoken_for: int) -> tuple[FunctionCost, ...]:
    totals: dict[tuple[str, str, str], float] = {}
    for slope in slopes:
        column = slope.events.index("Ir")
        for place, costs in slope.costs.items():
            known = place.function, Path(place.file).name, Path(place.object).name
            if known != ("", "", "") and costs[column]:
                totals[known] = totals.get(known, 0.0) + costs[column] / (len(slopes) * spoken_for)
    found = [FunctionCost(*known, per_sample) for known, per_sample in totals.items() if per_sample]
    return tuple(sorted(found, key=lambda one: (-one.per_sample, one.name, one.file)))


def counted_by_hardware(said: str, event: str) -> float | None:
    """The number of an event in what ``perf stat -x ,`` writes; None where it was not counted."""
    for line in said.splitlines():
        value, *more = line.split(",")
        if len(more) >= 2 and more[1].partition(":")[0] == event:
            with contextlib.suppress(ValueError):
                if 0 <= (counted := float(value)) < math.inf:
                    return counted
    return None


def _counting(file: Path, cache: bool) -> list[str]:
    return [*COUNTING, *(CACHES if cache else ()), f"--callgrind-out-file={file}"]


def _require_known(ended: Ended) -> None:
    if ended.status == -signal.SIGILL:
        raise _Trouble(STRANGE)


@contextlib.contextmanager
def _reading() -> Any:
    try:
        yield
    except BadInput as error:
        raise _Trouble(f"what callgrind wrote cannot be read: {error.problem}") from None
    except OSError as error:
        raise _Trouble(f"callgrind wrote no counts: {error.strerror}") from None


def _said(*argv: str) -> str:
    try:
        ended = subprocess.run(argv, capture_output=True, text=True, errors="replace", timeout=ASKED_S, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return ended.stdout.strip()
