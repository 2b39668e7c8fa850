"""Everything that reverdict reads of others, as targets of fuzzing: seeds, and what is done with a mutated file.

A target may raise BadInput and nothing else. Mutations know the form of a file: JSON and TOML are changed as data as
often as in their bytes, so that what lies behind the parser is reached.
"""

from __future__ import annotations

import contextlib
import functools
import io
import json
import lzma
import os
import random
import shutil
import string
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import soundfile
import tomlkit

try:
    import tomllib
except ModuleNotFoundError:
    import tomli as tomllib

from made_history import finding, run, write
from reverdict.errors import BadInput, BadInputs

HERE = Path(__file__).parent
GOLDEN = HERE.parent / "golden"
CRASHES = HERE / "examples" / "crashes"
TAIL_HUM = HERE / "examples" / "tail_hum"

LARGEST = 1 << 16


@dataclass(frozen=True)
class Target:
    """One kind of file.

    name : the file's name as it is read.
    form : "bytes", "text", "json" or "toml": how it is mutated.
    seeds : good files to start from.
    read : given the file, in an otherwise empty folder, does what commands do with it.
    """

    name: str
    form: str
    seeds: Callable[[], list[bytes]]
    read: Callable[[Path], object]


# Sound.


def sounds(kind: str, subtypes: tuple[str, ...]) -> list[bytes]:
    samples = 0.5 * np.random.default_rng(1).uniform(-1, 1, (50, 2))
    found = []
    for subtype in subtypes:
        for channels in (1, 2):
            written = io.BytesIO()
            soundfile.write(written, samples[:, :channels], 8000, subtype, format=kind)
            found.append(written.getvalue())
    return found


def read_sound_file(path: Path) -> None:
    from reverdict import sound

    extent = sound.extent_of(path)
    samples, rate_hz = sound.read_sound(path)
    assert samples.shape[0] == extent.channels
    assert np.isfinite(samples).all()
    sound.digest(samples, rate_hz)
    sound.clipping(samples)


# TOML.


def build_tomls() -> list[bytes]:
    found = [file.read_bytes() for file in sorted((HERE.parent / "checks/reverdict/demo/workshop").glob("*.toml"))]
    recordings = """
[build]
name = "a"
version = "1"
kind = "recordings"
folder = "takes"
loopback = "loop.wav"
cycles = "cycles.csv"
click_at_s = 0.5
[build.takes.tank]
level_db = 1.5
[build.not_asked]
cost = "recordings"
"""
    clap = """
[build]
name = "c"
version = "2"
kind = "clap"
file = "c.clap"
plugin = "org.c"
preset = "p.preset"
parameters = { mix = 1.0 }
[build.ports]
inputs = ["in"]
outputs = ["out"]
[build.limits]
seconds = 10
"""
    interface = '[build]\nname = "i"\nversion = "1"\nkind = "interface"\ndevice = "x"\naccept_cautions = true\n'
    return [*found, recordings.encode(), clap.encode(), (interface + "level_dbfs = -20\n").encode()]


def read_build_file(path: Path) -> None:
    from reverdict import builds
    from reverdict.schema import build as build_toml

    with mock.patch.object(build_toml, "_commit_of", return_value=None):  # which asks git each time
        build = builds.open_build(path)
    builds.selection(build, "*")


def reference_tomls() -> list[bytes]:
    return [file.read_bytes() for file in sorted(GOLDEN.glob("*/reference.toml"))] + [
        (GOLDEN / "workshop-spring" / "reference.toml").read_bytes() + b"[tail_hum]\nhum_percent = 3\n"
    ]  # fmt: skip


def read_reference_file(path: Path) -> None:
    from reverdict import golden_set
    from reverdict.golden_set import writing
    from reverdict.golden_set.standing import terms_of
    from reverdict.golden_set.text import comments_beside, settings_from, with_terms
    from reverdict.schema.reference import read_reference
    from reverdict.schema.tolerances import read_tolerances

    shutil.copy(GOLDEN / "tolerances.toml", path.parent.parent)
    with own_check():
        defaults = read_tolerances(path.parent.parent / "tolerances.toml")
        reference = read_reference(path, defaults)
        golden_set.verify(path.parent.parent)
        text = path.read_text(encoding="utf-8-sig")
        settings = settings_from(["echo_timing.arrival_ms=0.2", "group_delay.delay_ms=default"])
        comments_beside(text, settings)
        terms_of(with_terms(text, settings), defaults.values)
        writing.look_at(reference.name, path.parent.parent, "why", "who").edited()


def read_tolerances_file(path: Path) -> None:
    from reverdict.schema.tolerances import read_tolerances, shared_own_checks

    with own_check():
        read_tolerances(path)
        shared_own_checks(path)


def own_check() -> Any:
    """As if the package of tests/examples/tail_hum were installed."""
    from reverdict import own_checks

    return mock.patch.multiple(own_checks, tables=lambda: ("tail_hum",), load=lambda _: brought())


@functools.cache
def brought() -> Any:
    import importlib.util

    from reverdict import own_checks

    spec = importlib.util.spec_from_file_location("tail_hum", TAIL_HUM / "tail_hum.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["tail_hum"] = module
    spec.loader.exec_module(module)
    about = (str(module.ABOUT), module.Tolerances, module.measure, module.judge)
    return own_checks.OwnCheck("tail_hum", "tail-hum 1.0", *about)


def read_captured_build(path: Path) -> None:
    from reverdict.capture import folder

    folder._read(path)


def read_settings(path: Path) -> None:
    """What stands behind --set."""
    from reverdict.golden_set.text import settings_from

    settings_from(path.read_bytes().decode("utf-8", "surrogateescape").splitlines())


# JSON.


@functools.cache
def old_verdict(name: str) -> dict[str, Any]:
    """A verdict of an earlier version, made small: one reference, two findings of each check, short curves."""
    told = dict(json.loads(lzma.decompress((HERE / "examples" / "verdicts" / f"{name}.json.xz").read_bytes())))
    told["references"] = told["references"][:1]
    for reference in told["references"]:
        reference["curves"] = short(reference["curves"])
        reference["cost"] = short(reference.get("cost", {}))
        for check in reference["checks"]:
            check["findings"] = check["findings"][:2]
    return told


def short(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: short(item) for key, item in value.items()}
    return [short(item) for item in value[:3]] if isinstance(value, list) else value


def verdict_seeds() -> list[bytes]:
    made = [run(3, [finding("spring 1", 0.02), finding("spring 2", 0.4)])]
    return [json.dumps(one).encode() for one in [*made, old_verdict("0-first"), old_verdict("8-grids")]]


def read_run(path: Path) -> None:
    """As ``drift`` reads it, among others."""
    from reverdict import report
    from reverdict.history.index import runs_of
    from reverdict.history.lines import history_of
    from reverdict.history.newest import each_once
    from reverdict.history.runs import files_of

    write(path.parent, [run(number, [finding("spring 1", 0.01 * number)]) for number in range(3)])
    runs = each_once(runs_of(files_of(path.parent)))
    report.write_drift(history_of(runs), 10.0, path.parent / "drift")
    if runs.no_runs:
        raise BadInput(path, runs.no_runs[0].why)


def read_for_board(path: Path) -> None:
    """As ``board`` reads a report."""
    command("board", str(path.parent), "--out", str(path.parent / "board"))
    assert (path.parent / "board" / "index.html").is_file()


def command(*arguments: str) -> None:
    """Run a command in this process. Its bugs are raised, and as BadInput what it refused."""
    from reverdict.command_line import main

    said, err = io.StringIO(), io.StringIO()
    with (
        mock.patch.dict(os.environ, {"REVERDICT_TRACEBACK": "1"}),
        contextlib.redirect_stdout(said),
        contextlib.redirect_stderr(err),
    ):
        status = main(arguments)
    assert status in (0, 1, 2), status
    told = err.getvalue()
    assert "Traceback" not in told
    if status == 2:
        assert told.startswith("reverdict: ")
        raise BadInput(arguments[0], told)


def read_part_of_run(path: Path) -> None:
    other = path.with_name("other.json")
    other.write_text(json.dumps(old_verdict("6-part-2-of-2")), encoding="utf-8")
    report = str(path.parent / "report")
    command("merge", str(other), str(path), "--report", report, "--runs", str(path.parent / "runs"))


def approval_logs() -> list[bytes]:
    record = {
        "when": "2026-11-25T09:00:00+00:00", "who": "a", "build": "b 1", "why": "c",
        "old_sha256": [], "new_sha256": ["f050212dd7b0c49e269a493c79fd7ca7bc881c2593007c99513f6a17a1ca4961"],
        "files": ["response.flac"], "terms": {"echo_timing": {"arrival_ms": 0.1}},
        "changed": [{"term": "echo_timing.arrival_ms", "old": 0.1, "new": 0.2}],
        "analysis_version": 1, "measured": {"springs": 2, "spring 1 pass 1 arrival, ms": 33.1},
    }  # fmt: skip
    logs = [file.read_bytes() for file in sorted(GOLDEN.glob("*/approvals.log"))]
    line = json.dumps(record).encode()
    return [*logs, line, line + b"\n" + line + b"\n", line + b'\n{"cut_off": "{"}\n']


def read_approvals(path: Path) -> None:
    from reverdict import golden_set, words
    from reverdict.golden_set import approvals, standing
    from reverdict.making import approving

    shutil.copy(GOLDEN / "tolerances.toml", path.parent.parent)
    shutil.copy(GOLDEN / "workshop-spring" / "reference.toml", path.parent)
    (reference,) = golden_set.references(path.parent.parent)
    mistakes = golden_set.unlogged(reference)
    golden_set.remarks([reference], path.parent.parent)
    record = golden_set.last_measured(reference)
    golden = golden_set.GoldenReference(reference, words.Response(np.zeros((1, 9)), 48000, 0.0))
    with mock.patch.object(approving, "_figures", return_value={"springs": 3, "t30, s": 1.0}):
        list(approving._measured_otherwise(golden))
    assert record is None or isinstance(record, dict)
    standing.left_by_approvals(path.parent)
    approvals.add_to_log(path.parent, [{"new_sha256": []}])
    if [one for one in mistakes if "line" in one.place]:
        raise BadInputs(mistakes)


def sensitivity_results() -> list[bytes]:
    from reverdict import golden_set, sensitivity

    with mock.patch.object(sensitivity, "_source_digest", return_value="0" * 64):  # of all files of the package
        key = sensitivity.key_of(*golden_set.references(GOLDEN, "workshop-spring"))
    caught = {"stopped_from": 0.2, "fails_from": None, "at_mildest": False, "slips_again_at": []}
    trial = {
        "size": 0.2,
        "gate": "fail",
        "checks": {"echo-timing": "fail"},
        "stopped_by": ["echo-timing"],
        "milder_way": "",
    }
    fault = {
        "fault": "echo-late", "about": "x", "unit": "ms", "mild": 0.01, "grave": 10.0, "scale": "log", "ways": ["+"],
        "heard": {"size": 0.5, "source": "x"}, "caught": {"gate": caught, "echo-timing": caught}, "trials": [trial],
    }  # fmt: skip
    entry = {
        "name": "workshop-spring", "title": "", "rate_hz": 48000, "key": key, "complete": True,
        "why_none": "", "residual_db": [-20.0], "not_injected": [], "faults": [fault],
    }  # fmt: skip
    return [json.dumps({"schema": sensitivity.SCHEMA, "suite_version": "0", "references": [entry]}).encode()]


def read_sensitivity(path: Path) -> None:
    from reverdict import golden_set, report, sensitivity

    with mock.patch.object(sensitivity, "_source_digest", return_value="0" * 64):
        result = sensitivity.current(path.parent, golden_set.references(GOLDEN, "workshop-spring"))
    if result:
        report.write_sensitivity(result, path.parent / "page")


def cycle_jsons() -> list[bytes]:
    blocks = [{"reference": "hall", "block_frames": 64, "cycles": 51234 + number} for number in range(3)]
    return [json.dumps({"target": "board", "clock_hz": 480000000, "blocks": blocks}).encode()]


def read_cycles(path: Path) -> None:
    from reverdict.cycle_log import read_cycle_log

    read_cycle_log(path)


# What counters write.


def read_counts(path: Path) -> None:
    from reverdict.render.callgrind_log import read_profile, summary_of

    summary_of(path)
    read_profile([path])


def read_hardware_counts(path: Path) -> None:
    from reverdict.render.counting import counted_by_hardware

    counted = counted_by_hardware(path.read_text(encoding="utf-8", errors="replace"), "instructions")
    assert counted is None or round(counted) >= 0


CALLGRIND = b"""# callgrind format
version: 1
creator: callgrind-3.19.0
pid: 1
cmd:  ./a
part: 1
positions: instr line
events: Ir Dr
summary: 125 6

ob=(1) /usr/lib/libc.so
fl=(1) a.c
fn=(1) main
0x100 16 100 4
+3 +1 20 2
cfi=(2) b.c
cfn=(2) sub
calls=2 0x200
+1 20 10 4
fn=(2)
* * 5
jump=2 0x10 5
* -1 5 0
totals: 125 6
"""

TARGETS = {
    "wav": Target(
        "a.wav", "bytes",
        lambda: [
            *sounds("WAV", ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "IMA_ADPCM", "MS_ADPCM")),
            *sounds("WAVEX", ("PCM_16",)), *sounds("RF64", ("PCM_16",)), *sounds("AIFF", ("PCM_16",)),
            *sounds("W64", ("FLOAT",)), *sounds("CAF", ("PCM_24",)),
        ],
        read_sound_file,
    ),
    "flac": Target("a.flac", "bytes", lambda: sounds("FLAC", ("PCM_S8", "PCM_16", "PCM_24")), read_sound_file),
    "build": Target("build.toml", "toml", build_tomls, read_build_file),
    "reference": Target("golden/workshop-spring/reference.toml", "toml", reference_tomls, read_reference_file),
    "tolerances": Target(
        "tolerances.toml", "toml",
        lambda: [(GOLDEN / "tolerances.toml").read_bytes() + b"[tail_hum]\nhum_percent = 3\n"], read_tolerances_file,
    ),
    "captured": Target("build.toml", "toml", build_tomls, read_captured_build),
    "settings": Target(
        "set", "text", lambda: [b"echo_timing.arrival_ms=0.2\ngroup_delay.delay_ms=[[3000, 0.25]]\ncost.a=default"],
        read_settings,
    ),
    "run": Target("mutated.json", "json", verdict_seeds, read_run),
    "board": Target("verdict.json", "json", lambda: verdict_seeds()[1:], read_for_board),
    "part": Target(
        "part.json", "json", lambda: [json.dumps(old_verdict("6-part-1-of-2")).encode()], read_part_of_run
    ),
    "approvals": Target("golden/workshop-spring/approvals.log", "json", approval_logs, read_approvals),
    "sensitivity": Target("sensitivity.json", "json", sensitivity_results, read_sensitivity),
    "cycles-json": Target("cycles.json", "json", cycle_jsons, read_cycles),
    "cycles-csv": Target(
        "cycles.csv", "text", lambda: [b"reference,block_frames,cycles\nhall,64,51234\nhall,64,51300\n"], read_cycles
    ),
    "counts": Target("callgrind.out", "text", lambda: [CALLGRIND], read_counts),
    "hardware": Target("perf.csv", "text", lambda: [b"# a\n\n130,,instructions:u,1,100.00,,\n"], read_hardware_counts),
}  # fmt: skip


# Mutations.

STRANGE: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2**31, 2**63, -(2**63) - 1, 10**400, 0.0, -0.0, 0.5, -1e308, 1e-320, float("inf"),
    float("nan"), "", " ", "a", "..", "../../etc/passwd", "/", "/dev/zero", "a\0b", "a\nb", "\ud800", "é" * 300,
    "1:3:5", "pass", "error", "<script>", "{}", "%s", [], [[]], [None], {}, {"": ""}, [0.0, "x"],
    {"above": 5, "below": 1},
)  # fmt: skip
"""What nobody writes, in places where something else belongs."""

SNIPPETS = (
    b"\xff", b"\0", b"\n", b"\r", b"[", b"]", b"{", b"}", b'"', b"'", b"=", b",", b".", b"-", b"9" * 5000, b"[" * 2000,
    b"{\"a\":" * 2000, b"1e999", b"NaN", b"\\ud800", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"RIFF", b"RIFX", b"RF64",
    b"data", b"fmt ", b"fLaC", b"\xff\xff\xff\xff", b"\x00\x00\x00\x80", b"\xfe\xff",
)  # fmt: skip


def mutated(data: bytes, form: str, chance: random.Random) -> bytes:
    """A file changed in one to four places: as data where it is data, else, and half the time, in its bytes."""
    for _ in range(chance.randint(1, 4)):
        changed = None
        if form in ("json", "toml") and chance.random() < 0.7:
            changed = _as_data(data, form, chance)
        data = _in_bytes(data, chance) if changed is None else changed
    return data[:LARGEST]


def _as_data(data: bytes, form: str, chance: random.Random) -> bytes | None:
    try:
        text = data.decode()
        if form == "toml":
            return tomlkit.dumps(_changed(tomllib.loads(text), chance)).encode()
        lines = text.split("\n") if len(text.split("\n")) > 1 else [text]
        at = chance.randrange(len(lines))
        lines[at] = json.dumps(_changed(json.loads(lines[at]), chance))
        return "\n".join(lines).encode()
    except (ValueError, TypeError, RecursionError, AttributeError, OverflowError, tomlkit.exceptions.TOMLKitError):
        return None


def _changed(value: Any, chance: random.Random) -> Any:
    """The same data with one thing in it replaced, taken away, doubled or renamed."""
    if not isinstance(value, dict | list) or not value or chance.random() < 0.05:
        return _other(value, chance)
    keys = list(value) if isinstance(value, dict) else range(len(value))
    key = chance.choice(list(keys))
    inner: Any = value.copy()
    what = chance.random()
    if what < 0.06:
        del inner[key]
    elif what < 0.10 and isinstance(inner, dict):
        inner[chance.choice(["", "x", "schema", "a.b", "a\nb", str(key) + "s"])] = inner.pop(key)
    elif what < 0.13 and isinstance(inner, list):
        inner += [inner[key]] * chance.choice([1, 3, 50])
    else:
        inner[key] = _changed(inner[key], chance)
    return inner


def _other(value: Any, chance: random.Random) -> Any:
    if isinstance(value, int | float) and not isinstance(value, bool) and chance.random() < 0.4:
        return chance.choice([-value, value * 1e6, value * 1e-9, value + 1, str(value), int(value), value // 2])
    if isinstance(value, str) and chance.random() < 0.4:
        return chance.choice([value * 40, value[::-1], value[:-1], value + "\n", value.upper(), "../" + value])
    return chance.choice(STRANGE)


def _in_bytes(data: bytes, chance: random.Random) -> bytes:
    changed = bytearray(data or b"\0")
    at = chance.randrange(len(changed))
    what = chance.random()
    if what < 0.3:
        changed[at] = chance.choice([0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)])
    elif what < 0.45:
        size = chance.choice([1, 2, 4, 8, 100])
        changed[at : at + size] = bytes(chance.choice([0, 0xFF, 0x7F, 0x80]) for _ in range(size))
    elif what < 0.6:
        changed[at:at] = chance.choice(SNIPPETS)
    elif what < 0.7:
        del changed[at : at + chance.choice([1, 4, 50])]
    elif what < 0.8:
        changed[at:at] = changed[at : at + chance.choice([4, 30, 300])]
    elif what < 0.9:
        del changed[at:]
    else:
        changed[at:at] = "".join(chance.choice(string.printable) for _ in range(4)).encode()
    return bytes(changed)
