"""What this machine can do for the suite: what is here, what each thing serves, and how to get what is missing.

Method. Each thing is tried as far as that is quick and harmless: a compiler compiles an empty program, a counter counts
one, libraries are loaded; nothing is played or rendered, and nothing written but a temporary folder. Whatever could
crash or hang is asked in a child process that has ten seconds. All are asked side by side: most of the time is waiting.

Conventions. A thing is ``here``, here ``in part`` (a library that finds no device), or ``missing``. ``told`` says what
was found, or why it does not do. ``getting`` is a command where there is one, for Debian and its like, and says so.
Limits of validity. What is here is not proved to work with somebody's build: the gate says so, build by build.
"""

from __future__ import annotations

import contextlib
import importlib.metadata
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tempfile
import webbrowser
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from reverdict import extras

if TYPE_CHECKING:
    from collections.abc import Callable

State = Literal["here", "in part", "missing"]
ASKED_S = 10.0
COMPILERS = ("cc", "gcc", "clang")
PROGRAM = "#include <math.h>\nint main(void) { return (int)floor(0.5); }\n"
ASKING_LILV = "from reverdict.render.hosts import lilv; lilv.load()"
ASKING_CARD = """
import json
from reverdict.capture.card import open_library
library = open_library()
ways = [(one["name"], one["max_input_channels"], one["max_output_channels"]) for one in library.query_devices()]
print(json.dumps([library.__version__, library.get_portaudio_version()[1], ways]))
"""
PARANOID = Path("/proc/sys/kernel/perf_event_paranoid")
ROOM_GB = 2.0
"""What renders of a large set of references may need in the temporary folder at once, with ample room."""


@dataclass(frozen=True)
class Ability:
    """One thing that the suite can make use of.

    group : what it belongs to: "builds", "cost", "hardware", "many at once", "around it".
    told : what was found, in a line; or why it does not do.
    serves : what it is good for.
    getting : how to get it, or the rest of it; empty where it is all here.
    """

    group: str
    name: str
    state: State
    told: str
    serves: str
    getting: str = ""


def abilities() -> list[Ability]:
    """Everything that can be here or missing, in the order in which it is told."""
    with ThreadPoolExecutor(8) as asking:
        return list(asking.map(lambda ask: ask(), ASKED))


def _compiler() -> Ability:
    def found(state: State, told: str, getting: str = "") -> Ability:
        serves = 'builds that compile themselves (prepare), kinds "library" and "command" from source'
        return Ability("builds", "C compiler", state, told, serves, getting)

    getting = "Debian, Ubuntu: apt-get install gcc libc6-dev; macOS: xcode-select --install"
    there = [name for name in COMPILERS if shutil.which(name)]
    if not there:
        return found("missing", f"no {', '.join(COMPILERS[:-1])} or {COMPILERS[-1]} on PATH", getting)
    version = _said([there[0], "--version"]).out.partition("\n")[0].strip() or there[0]
    with tempfile.TemporaryDirectory(prefix="reverdict-") as folder:
        source = Path(folder, "one.c")
        source.write_text(PROGRAM, encoding="utf-8")
        made = _said([there[0], str(source), "-o", str(source.with_suffix(".out")), "-lm"])
    if not made.well:
        return found("in part", f"{version}, which does not compile an empty program: {made.why}", getting)
    if there[0] != "cc":
        return found("in part", f"{version}; there is no cc: write {there[0]} in prepare lines", getting)
    return found("here", version)


def _own_host(name: str, kind: str, variable: str, suffix: str) -> Ability:
    from reverdict.render.hosts.search_path import usual_folders

    listed = os.environ.get(variable, "")
    folders = [Path(one) for one in listed.split(os.pathsep) if one] or usual_folders(kind)
    lying = {path.name for folder in folders if folder.is_dir() for path in folder.iterdir() if path.suffix == suffix}
    where = f"on {variable}" if listed else "in the usual folders"
    told = f"hosted by the suite itself; {len(lying) or 'no'} file{'' if len(lying) == 1 else 's'} of it {where}"
    return Ability("builds", name, "here", told, f'builds of kind "{kind}"')


def _ladspa() -> Ability:
    return _own_host("LADSPA plug-ins", "ladspa", "LADSPA_PATH", ".so")


def _clap() -> Ability:
    return _own_host("CLAP plug-ins", "clap", "CLAP_PATH", ".clap")


def _lv2() -> Ability:
    asked = _said([sys.executable, "-c", ASKING_LILV])
    lying = _own_host("LV2 plug-ins", "lv2", "LV2_PATH", ".lv2")
    if asked.well:
        told = lying.told.replace("by the suite itself", "with liblilv").replace("file", "bundle")
        return Ability("builds", lying.name, "here", told, lying.serves)
    getting = "Debian, Ubuntu: apt-get install liblilv-0-0; elsewhere the package is mostly called lilv"
    return Ability(
        "builds", lying.name, "missing", "liblilv, which reads their data, does not load", lying.serves, getting
    )


def _vst3() -> Ability:
    return _package("builds", "VST3 plug-ins", "pedalboard", 'builds of kind "vst3"')


def _callgrind() -> Ability:
    from reverdict.render import bracket
    from reverdict.render.counting import counter_version

    def found(state: State, told: str, getting: str = "") -> Ability:
        serves = "cost counted to the instruction, alike on a busy machine, by stage of the algorithm"
        return Ability("cost", "counting", state, told, serves, getting)

    if not counter_version():
        return found("missing", "no valgrind on PATH", "Debian, Ubuntu: apt-get install valgrind")
    if why_not := bracket.why_not_here():
        return found("in part", f"{counter_version()}; only builds of kind command: {why_not}")
    return found("here", counter_version())


def _hardware_counter() -> Ability:
    from reverdict.render.counting import hardware_counts

    def found(state: State, told: str, getting: str = "") -> Ability:
        serves = "programs (kind command) counted by the processor where there is no valgrind"
        return Ability("cost", "processor's counter", state, told, serves, getting)

    if hardware_counts():
        return found("here", "perf reads it")
    if not shutil.which("perf"):
        return found("missing", "no perf on PATH", "Debian: apt-get install linux-perf; Ubuntu: linux-tools-generic")
    if (closed := _perf_is_closed_by()) is not None:
        told = f"perf is here, and may read no counter: kernel.perf_event_paranoid is {closed}"
        return found("missing", told, "as root: sysctl kernel.perf_event_paranoid=2")
    told = "perf is here and finds no counter of instructions, as in most virtual machines and containers"
    return found("missing", told, "no setting helps; valgrind counts without it")


def _perf_is_closed_by() -> int | None:
    """The kernel's setting where it is what keeps us from counters; 2 lets users count their own programs."""
    try:
        level = int(PARANOID.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None
    return level if level > 2 and os.geteuid() else None


def _quiet() -> Ability:
    """Times are worth little while others compute: the load of the last minute beside our cores."""
    serves = "cost timed in turns with the golden build or a baseline"
    cores = _cores()
    try:
        load = os.getloadavg()[0]
    except (OSError, AttributeError):
        return Ability("cost", "timing", "here", "how busy this machine is cannot be told", serves)
    told = f"{load:.1f} of {cores} core{'s' * (cores > 1)} busy in the last minute"
    if load < 0.5 * cores:
        return Ability("cost", "timing", "here", told, serves)
    return Ability(
        "cost", "timing", "in part", f"{told}; times will spread", serves, "wait, or end what else computes here"
    )


def _sound_interface() -> Ability:
    from reverdict.capture.card import getting_it

    def found(state: State, told: str, getting: str = "") -> Ability:
        return Ability(
            "hardware", "sound interface", state, told, 'reverdict capture, builds of kind "interface"', getting
        )

    if importlib.util.find_spec("sounddevice") is None:
        return found("missing", "the library sounddevice is not installed", getting_it())
    asked = _said([sys.executable, "-c", ASKING_CARD])
    if not asked.well:
        return found("missing", f"sounddevice does not start: {asked.why}", getting_it())
    library, portaudio, ways = json.loads(asked.out.splitlines()[-1])
    told = f"sounddevice {library}, {portaudio.partition(',')[0]}"
    both = [name for name, ins, outs in ways if ins and outs]
    if not ways:
        return found(
            "in part", f"{told}; no device", "plug an interface in; the user may have to be in the group audio"
        )
    if not both:
        return found(
            "in part", f"{told}; no device that both plays and records", "reverdict capture --devices lists them"
        )
    return found("here", f"{told}; plays and records: {', '.join(both[:3])}{', …' * (len(both) > 3)}")


def _jobs() -> Ability:
    cores = _cores()
    serves = "references side by side (gate --jobs)"
    if cores > 1:
        return Ability("many at once", "cores", "here", f"{cores} that we may use", serves)
    return Ability("many at once", "cores", "in part", "one", serves, "--shard splits a gate over several machines")


def _cluster() -> Ability:
    return _package("many at once", "cluster engine", "distributed", "many machines (gate --cluster)")


def _room() -> Ability:
    folder = tempfile.gettempdir()
    free_gb = shutil.disk_usage(folder).free / 1e9
    serves = "renders, and what builds compile"
    told = f"{folder}, {free_gb:.0f} GB free"
    if free_gb >= ROOM_GB:
        return Ability("many at once", "temporary files", "here", told, serves)
    return Ability("many at once", "temporary files", "in part", told, serves, "set TMPDIR to a folder with more room")


def _kept() -> Ability:
    from reverdict import keeping

    field, name, serves = (
        "many at once",
        "cache folder",
        "what goldens measure, kept for the next gate of the same goldens",
    )
    folder = keeping.wanted()
    if folder is None:
        off = bool(os.environ.get("REVERDICT_CACHE"))
        told, get = (
            ("REVERDICT_CACHE=off", "unset REVERDICT_CACHE") if off else ("no home", "REVERDICT_CACHE=/A/FOLDER")
        )
        return Ability(field, name, "missing", told, serves, get)
    if why := keeping.why_not(folder):
        get = "REVERDICT_CACHE=/A/FOLDER that is yours alone (mode 700)"
        return Ability(field, name, "missing", f"{folder}: {why}", serves, get)
    if not folder.exists():
        return Ability(field, name, "here", f"{folder}, made when it is first needed", serves)
    try:
        files = list(folder.glob(f"*{keeping.SUFFIX}"))
    except OSError:
        files = []
    held: list[int] = []
    for path in files:
        with contextlib.suppress(OSError):  # another run may have thrown it out
            held.append(path.stat().st_size)
    megabytes = f"{sum(held) / 1e6:.0f} of at most {keeping.MOST_BYTES / 1e6:.0f} MB"
    told = f"{folder}, {len(held) or 'nothing'} kept, {megabytes}"
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        return Ability(
            field, name, "in part", f"{told}; you may not read and write there", serves, f"chmod 700 {folder}"
        )
    return Ability(field, name, "here", told, serves)


def _limits() -> Ability:
    serves = "limits on a build's memory, files and processes as a whole; nothing outlives its render"
    if Path("/proc/self/stat").exists():
        return Ability("many at once", "limits", "here", "told by /proc", serves)
    return Ability(
        "many at once", "limits", "in part", "each process alone: there is no /proc here", serves, "gate on Linux"
    )


def _git() -> Ability:
    serves = "who approves, the commit of a build, reverdict bisect"
    if shutil.which("git"):
        return Ability("around it", "git", "here", _said(["git", "--version"]).out.strip(), serves)
    return Ability("around it", "git", "missing", "no git on PATH", serves, "Debian, Ubuntu: apt-get install git")


def _browser() -> Ability:
    serves = "looking at report/index.html; nothing is served or loaded from elsewhere"
    if shutil.which("chromium"):
        return Ability("around it", "browser", "here", "chromium, which the suite's own tests use, too", serves)
    getting = "any browser, on any machine that the report folder is copied to; Debian: apt-get install chromium"
    try:
        told = f"{webbrowser.get().name}; the suite's own tests fetch chromium by ci/get-browser"
    except webbrowser.Error:
        return Ability("around it", "browser", "missing", "no browser that this session could open", serves, getting)
    return Ability("around it", "browser", "here", told, serves)


def _comparison() -> Ability:
    serves = "the suite's own tests: decay times held beside a general library's"
    return _package("around it", "comparison library", "pyroomacoustics", serves)


def _own_checks() -> Ability:
    from reverdict.own_checks import GROUP

    brought = sorted({point.name for point in importlib.metadata.entry_points(group=GROUP)})
    told = ", ".join(brought) if brought else "no package brings any"
    return Ability("around it", "checks of packages", "here", told, "questions of your own, put beside the suite's")


def _package(group: str, name: str, package: str, serves: str) -> Ability:
    """A package that is needed as it stands; it is looked up, not loaded."""
    if importlib.util.find_spec(package) is None:
        return Ability(
            group, name, "missing", f"the library {package} is not installed", serves, extras.getting(package)
        )
    return Ability(group, name, "here", f"{package} {importlib.metadata.version(package)}", serves)


ASKED: tuple[Callable[[], Ability], ...] = (
    _compiler, _ladspa, _lv2, _clap, _vst3, _callgrind, _hardware_counter, _quiet, _sound_interface,
    _jobs, _cluster, _kept, _room, _limits, _git, _browser, _comparison, _own_checks,
)  # fmt: skip


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@dataclass(frozen=True)
class _Said:
    well: bool
    out: str
    why: str


def _said(argv: list[str]) -> _Said:
    """What a program says; ``why`` holds the last line of its complaint."""
    asked: dict[str, Any] = {"stdin": subprocess.DEVNULL, "capture_output": True, "text": True, "errors": "replace"}
    try:
        ended = subprocess.run(argv, timeout=ASKED_S, check=False, **asked)
    except subprocess.TimeoutExpired:
        return _Said(False, "", f"no answer within {ASKED_S:.0f} s")
    except OSError as error:
        return _Said(False, "", str(error.strerror))
    complaint = (ended.stderr.strip().splitlines() or [f"ends with status {ended.returncode}"])[-1]
    return _Said(ended.returncode == 0, ended.stdout, complaint)
