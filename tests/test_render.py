"""Rendering: what a build may do to us, and that the next render works all the same. Real programs throughout."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import reverdict
from reverdict import sound
from reverdict.errors import BadInput
from reverdict.render import Build, Failure, Limits, Rendered, Request, prepare, prepare_log, render, working_folder
from reverdict.render.build import TakeNotes
from reverdict.render.child import Child
from reverdict.render.timing import open_timer
from reverdict.words import BuildIdentity

RATE_HZ = 8000
REQUEST = Request("tank", rate_hz=RATE_HZ, block_size=64, seconds=0.5, preroll_s=0.1)
PYTHON_LIMITS = Limits(seconds=20.0, memory_mb=2048)
needs_cc = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler")

ECHO = "shutil.copy(source, target)"


def command_build(folder: Path, body: str, limits: Limits = PYTHON_LIMITS, **more: object) -> Build:
    """A program that gets its input as ``source``, its output as ``target``."""
    script = folder / f"reverb{len(list(folder.glob('*.py')))}.py"
    script.write_text(f"import os, shutil, sys, time\nsource, target = sys.argv[1:3]\n{textwrap.dedent(body)}\n")
    argv = (sys.executable, "-S", script.name, "{input}", "{output}")
    if "soundfile" in body:
        argv = (sys.executable, *argv[2:])
    return replace(Build(BuildIdentity("toy", "1", "command"), "command", folder, argv, limits=limits), **more)


def python_build(folder: Path, body: str, **more: object) -> Build:
    (folder / "toy_reverb.py").write_text("import numpy as np\n" + textwrap.dedent(body))
    identity = BuildIdentity("toy", "1", "python")
    return replace(Build(identity, "python", folder, object="toy_reverb:Reverb", limits=PYTHON_LIMITS), **more)


@pytest.fixture
def work():
    with working_folder() as folder:
        yield folder


def reason_of(build: Build, work: Path, request: Request = REQUEST) -> str:
    rendering = render(build, request, work)
    assert isinstance(rendering, Failure), rendering
    return rendering.reason


def response_of(build: Build, work: Path, request: Request = REQUEST) -> np.ndarray:
    rendering = render(build, request, work)
    assert isinstance(rendering, Rendered), rendering
    return rendering.response.samples


def gone(pid: int) -> bool:
    """Within five seconds: a killed process takes a moment to go."""
    for _ in range(500):
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.01)
    return False


SOUNDFILE = "import soundfile; x, rate = soundfile.read(source, always_2d=True)\n"

SILENT = "output is silent (peak below −120 dB of the click)"

COMMAND_FAULTS = {
    "segfault": ("import ctypes; ctypes.string_at(0)", "died by SIGSEGV (segmentation fault)"),
    "abort": ("os.abort()", "died by SIGABRT (aborted)"),
    "killed": ("os.kill(os.getpid(), 9)", "died by SIGKILL (killed)"),
    "endless": ("while True: pass", "did not finish within 1 s and was stopped"),
    "stopped": ("os.kill(os.getpid(), 19)", "did not finish within 1 s and was stopped"),
    "memory": ("x = bytearray(10 << 30)", "ran out of memory (limit 2048 MB)"),
    "no output": ("pass", "wrote no output file"),
    "folder": ("os.mkdir(target)", "left a folder in place of its output file"),
    "message": ("sys.exit('no such program: tank')", "ended with status 1: no such program: tank"),
    "status": ("os._exit(3)", "ended with status 3"),
    "control": ("sys.stderr.write('bad\\x1b[2Jnews\\n\\n'); os._exit(4)", "ended with status 4: bad [2Jnews"),
    "huge file": ("f = open(target, 'wb'); f.seek(3 << 30); f.write(b'x'); f.flush()", "File too large"),
    "garbage": ("open(target, 'w').write('not sound' * 99)", "output: not a readable WAV or FLAC file"),
    "empty": ("open(target, 'w')", "output: the file is empty"),
    "flood": (
        "line = b'x' * 65535 + b'\\n'\nfor _ in range(3000): os.write(2, line)\nsys.exit('the end')",
        "ended with status 1: the end",
    ),
    "short": (SOUNDFILE + "soundfile.write(target, x[:1600], rate)", "output stops after 0.20 s, needs 0.60 s"),
    "block short": (
        SOUNDFILE + "soundfile.write(target, x[:-64], rate)",
        "output stops after 4736 samples, needs 4800",
    ),
    "rate": (SOUNDFILE + "soundfile.write(target, x, 44100)", "output has 44100 Hz, asked for 8000"),
    "channels": (
        SOUNDFILE + "import numpy; soundfile.write(target, numpy.hstack([x, x]), rate)",
        "output has 2 channels, needs 1",
    ),
    "not finite": (
        SOUNDFILE + "x[2000:2012] = float('nan'); soundfile.write(target, x, rate, subtype='FLOAT')",
        "12 samples are not finite, first at sample 2000 (0.250 s)",
    ),
    "silent": (SOUNDFILE + "soundfile.write(target, 0 * x, rate)", SILENT),
    "nearly silent": (
        SOUNDFILE + "soundfile.write(target, 9e-7 * x, rate, subtype='FLOAT')",
        SILENT,
    ),
}


@pytest.mark.parametrize(("body", "reason"), COMMAND_FAULTS.values(), ids=COMMAND_FAULTS)
def test_a_faulty_program_is_named_plainly_and_the_next_render_works(body, reason, tmp_path, work):
    slow = "did not finish" in reason
    build = command_build(tmp_path, body, Limits(1.0, 2048) if slow else PYTHON_LIMITS)
    found = reason_of(build, work)
    assert found == reason or (reason in found and reason.startswith(("File", "output:")))
    assert response_of(command_build(tmp_path, ECHO), work)[0, 0] == 1.0
    assert not list(work.glob("*/render-*"))


COMPILED_FAULTS = {
    "segfault": ("*(volatile int *)0 = 1;", "died by SIGSEGV (segmentation fault)"),
    "abort": ("abort();", "died by SIGABRT (aborted)"),
    "bus error": ("raise(SIGBUS);", "died by SIGBUS (bus error)"),
    "memory": (
        'if (!malloc(10L << 30)) { fputs("out of memory", stderr); return 2; }',
        "ran out of memory (limit 2048 MB)",
    ),
    "huge file": (
        'FILE *f = fopen(argv[2], "wb"); fseek(f, 3L << 30, SEEK_SET); fputc(0, f); fclose(f);',
        "wrote a file of more than 1024 MB and was stopped",
    ),
}


@needs_cc
@pytest.mark.parametrize(("body", "reason"), COMPILED_FAULTS.values(), ids=COMPILED_FAULTS)
def test_a_compiled_program_that_crashes(body, reason, tmp_path, work):
    (tmp_path / "reverb.c").write_text(
        "#include <signal.h>\n#include <stdio.h>\n#include <stdlib.h>\n"
        f"int main(int argc, char **argv) {{ (void)argc; (void)argv; {body} return 0; }}\n"
    )
    build = replace(
        command_build(tmp_path, ECHO),
        prepare=("cc", "-w", "-O0", "-o", "{work}/reverb", "reverb.c"),
        argv=("{work}/reverb", "{input}", "{output}"),
    )
    assert reason_of(build, work) == reason


def test_the_response_starts_at_the_click_and_is_divided_by_its_level(tmp_path, work):
    body = SOUNDFILE + "y = 0.25 * x; y[3:] += 0.5 * x[:-3]; soundfile.write(target, y, rate, subtype='DOUBLE')"
    rendering = render(command_build(tmp_path, body), replace(REQUEST, level_dbfs=-13.7), work)
    assert isinstance(rendering, Rendered)
    response = rendering.response
    assert response.samples.shape == (1, 4000)
    assert (response.rate_hz, response.click_at_s, response.paths) == (RATE_HZ, 0.0, ("",))
    expected = np.zeros(4000)
    expected[[0, 3]] = 0.25, 0.5
    np.testing.assert_allclose(response.samples[0], expected, atol=1e-15)


def test_longer_output_is_cut_with_a_note(tmp_path, work):
    body = SOUNDFILE + "import numpy; soundfile.write(target, numpy.vstack([x, x]), rate, subtype='FLOAT')"
    rendering = render(command_build(tmp_path, body), REQUEST, work)
    assert isinstance(rendering, Rendered)
    assert rendering.response.samples.shape == (1, 4000)
    assert rendering.notes == ("output is longer than asked, 1.200 s; the rest was cut off",)


def test_sound_before_the_click_is_noted(tmp_path, work):
    body = SOUNDFILE + "x[100] = 0.0501187; soundfile.write(target, x, rate, subtype='FLOAT')"
    rendering = render(command_build(tmp_path, body), REQUEST, work)
    assert isinstance(rendering, Rendered)
    assert rendering.notes == ("sounds before the click, -20 dB of it",)


def test_a_program_may_write_flac(tmp_path, work):
    body = SOUNDFILE + "soundfile.write(target, x, rate, format='FLAC', subtype='PCM_24')"
    assert response_of(command_build(tmp_path, body), work)[0, 0] == pytest.approx(1.0, abs=1e-6)


def test_a_program_may_delete_its_input(tmp_path, work):
    build = command_build(tmp_path, "os.rename(source, target)")
    for _ in range(2):
        assert response_of(build, work)[0, 0] == 1.0


def test_a_program_has_no_standard_input_and_its_temporary_files_go(tmp_path, work):
    body = (
        "import tempfile; left = tempfile.mkdtemp(); open('left', 'w').write(left)\n"
        "assert sys.stdin.read() == ''\nos.chmod(left, 0)\n" + ECHO
    )
    response_of(command_build(tmp_path, body), work)
    assert not Path((tmp_path / "left").read_text()).exists()


ORPHANS = {
    "fork": "if os.fork() == 0: time.sleep(60)",
    "own session": "if os.fork() == 0: os.setsid(); time.sleep(60)",
    "daemon": "if os.fork() == 0:\n    os.setsid()\n    if os.fork() == 0: note(); time.sleep(60)\n    os._exit(0)",
}


@pytest.mark.parametrize("finishes", [True, False])
@pytest.mark.parametrize("body", ORPHANS.values(), ids=ORPHANS)
@pytest.mark.skipif(sys.platform != "linux", reason="only Linux lets us adopt orphans")
def test_nobody_is_left_behind(body, finishes, tmp_path, work):
    noting = "def note():\n    with open('pids', 'a') as f: f.write(f'{os.getpid()} ')\n"
    body = f"{noting}os.register_at_fork(after_in_child=note)\n{body}\ntime.sleep(0.2)\n"
    build = command_build(tmp_path, body + (ECHO if finishes else "time.sleep(60)"), Limits(10.0 if finishes else 1.5))
    told = "ended and left 1 process running; it must wait for what it starts"
    assert reason_of(build, work) == (told if finishes else "did not finish within 1.5 s and was stopped")
    pids = {int(pid) for pid in (tmp_path / "pids").read_text().split()}
    assert pids
    assert all(gone(pid) for pid in pids)


@pytest.mark.parametrize("blow", [signal.SIGINT, signal.SIGKILL])
@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells us when a parent dies")
def test_interrupting_or_killing_the_suite_kills_the_build(blow, tmp_path):
    build = command_build(tmp_path, "open('pid', 'w').write(f'{os.getpid()} ')\nwhile True: time.sleep(1)")
    script = (
        "from pathlib import Path\nfrom reverdict.render.child import run\nfrom reverdict.render.build import Limits\n"
        f"run({list(build.argv)!r}, Path({str(tmp_path)!r}), Limits())"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(reverdict.__file__).parents[1])}
    suite = subprocess.Popen([sys.executable, "-c", script], env=environment, stderr=subprocess.DEVNULL)
    while not ((tmp_path / "pid").exists() and (tmp_path / "pid").read_text().endswith(" ")):
        time.sleep(0.01)
        assert suite.poll() is None
    suite.send_signal(blow)
    assert suite.wait(20) != 0
    assert gone(int((tmp_path / "pid").read_text()))


def test_what_a_program_says_is_kept_in_little_memory(tmp_path):
    argv = [sys.executable, "-S", "-c", "import os\nfor _ in range(400): os.write(2, b'x' * 65536)"]
    with Child(argv, tmp_path, PYTHON_LIMITS) as child:
        ended = child.wait(time.monotonic() + 20.0)
        assert len(child._tail) == 8192
    assert (ended.status, ended.telling_line) == (0, "x" * 200)


def test_cpu_time_of_a_child_is_its_own(tmp_path):
    argv = [sys.executable, "-S", "-c", "import time\nwhile time.process_time() < 0.3: pass"]
    with Child(argv, tmp_path, PYTHON_LIMITS) as child:
        assert 0.3 <= child.wait(time.monotonic() + 20.0).cpu_s < 0.6


# Placeholders and users' slips


def test_placeholders_are_filled_without_a_shell(tmp_path, work):
    body = "import json; json.dump(sys.argv[3:], open('told', 'w'))\n" + ECHO
    arguments = (
        "--rate={sample_rate}", "{block_size}", "{parameters.program}", "{parameters.gain}", "{parameters.wet}",
        '{"a": 1}', "$HOME; touch pwned",
    )  # fmt: skip
    build = command_build(tmp_path, body)
    build = replace(build, argv=(*build.argv, *arguments), parameters={"gain": 0.5})
    request = replace(REQUEST, parameters={"program": "two springs", "gain": 1.0, "wet": True})
    assert response_of(build, work, request).any()
    told = json.loads((tmp_path / "told").read_text())
    assert told == ["--rate=8000", "64", "two springs", "0.5", "true", '{"a": 1}', "$HOME; touch pwned"]
    assert not (tmp_path / "pwned").exists()


def test_an_unknown_placeholder_is_the_users_slip(tmp_path, work):
    build = command_build(tmp_path, ECHO)
    build = replace(build, argv=(*build.argv, "{samplerate}"), source=tmp_path / "build.toml")
    with pytest.raises(BadInput) as error:
        render(build, replace(REQUEST, parameters={"gain": 1}), work)
    assert str(error.value) == (
        f"{tmp_path}/build.toml: build.argv: unknown placeholder {{samplerate}}, known are {{input}}, {{output}}, "
        "{sample_rate}, {block_size}, {input_channels}, {output_channels}, {work}, {parameters.gain}"
    )


@pytest.mark.parametrize(
    ("change", "slip"),
    [
        ({"argv": ("./reverb", "{input}", "{output}")}, "./reverb: no such program"),
        ({"argv": ("./plain", "{input}", "{output}")}, "./plain: is not executable; chmod +x?"),
        ({"argv": ("no-such-reverb", "{input}", "{output}")}, "no-such-reverb: no such program"),
        ({"argv": ("cat", "{input}")}, "build.argv: no {output}"),
        ({"folder": Path("/no/such/folder")}, "no such folder"),
        ({"kind": "telepathy"}, '"telepathy" cannot be run; those that can are command, python, library'),
        ({"kind": "python", "object": "workshop"}, 'build.object: "workshop" is not of the form module:object'),
        ({"kind": "python", "object": "a:B", "module_path": Path("/no")}, "build.path: /no: no such folder"),
        ({"kind": "recordings", "recordings_folder": Path("/no")}, "/no: no such folder"),
        ({"kind": "recordings", "recordings_file": Path("/no.wav")}, "/no.wav: no such file"),
    ],
)
def test_slips_in_a_build(change, slip, tmp_path, work):
    (tmp_path / "plain").write_text("not a program")
    with pytest.raises(BadInput) as error:
        render(replace(command_build(tmp_path, ECHO), **change), REQUEST, work)
    assert slip in str(error.value)


# Preparing


def test_a_build_is_prepared_once_however_many_ask(tmp_path, work):
    counting = "import sys, time; open('count', 'a').write('x'); time.sleep(0.1); open(sys.argv[1] + '/made', 'w')"
    build = replace(command_build(tmp_path, ECHO), prepare=(sys.executable, "-S", "-c", counting, "{work}"))
    with ThreadPoolExecutor(4) as workers:
        list(workers.map(lambda _: prepare(build, work), range(4)))
    assert response_of(build, work).any()
    assert (tmp_path / "count").read_text() == "x"
    assert list(work.glob("*/made"))


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("cc -Werror reverb.c\nreverb.c:3:5: error: 'x' undeclared\n    3 |  ^~~~\nmake: *** [render] Error 1",
         "reverb.c:3:5: error: 'x' undeclared"),
        ("ld: in function `main':\nreverb.c: undefined reference to `tap'\ncollect2: error: ld returned 1 exit status",
         "reverb.c: undefined reference to `tap'"),
        ("Traceback\nValueError: no tap\n\n", "ValueError: no tap"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("stream", ["stdout", "stderr"])
def test_failed_preparation_says_where_and_is_remembered(said, told, stream, tmp_path, work):
    failing = f"import sys; open('count', 'a').write('x'); sys.{stream}.write({said!r}); sys.exit(2)"
    build = replace(command_build(tmp_path, ECHO), prepare=(sys.executable, "-S", "-c", failing))
    for _ in range(2):
        assert reason_of(build, work) == f"prepare failed: {sys.executable} ended with status 2: {told}"
    with open_timer(build, REQUEST, work) as timer:
        assert timer.why_not.startswith("prepare failed: ")
    assert (tmp_path / "count").read_text() == "x"
    assert prepare_log(build, work).read_text() == said


def test_what_a_long_preparation_says_first_is_kept(tmp_path, work):
    failing = "import sys; print('a.c:1: error: x'); [print('note') for _ in range(9999)]; sys.exit(1)"
    build = replace(command_build(tmp_path, ECHO), prepare=(sys.executable, "-S", "-c", failing))
    assert reason_of(build, work).endswith("ended with status 1: a.c:1: error: x")


@pytest.mark.parametrize(
    ("preparing", "slip"),
    [
        (("no-such-compiler",), "no-such-compiler: no such program"),
        (("cc", "{output}"), "unknown placeholder {output}, known are {work}"),
    ],
)
def test_a_slip_in_prepare_is_told_each_time(preparing, slip, tmp_path, work):
    build = replace(command_build(tmp_path, ECHO), prepare=preparing)
    for _ in range(2):
        with pytest.raises(BadInput, match=r"build\.prepare") as error:
            render(build, REQUEST, work)
        assert slip in str(error.value)


# Python builds

COMB = """
class Reverb:
    def __init__(self, sample_rate, gain=0.7, delay=300):
        print("made at", sample_rate)
        self.line, self.gain, self.at = np.zeros(delay), gain, 0

    def process(self, block):
        print("nonsense on standard output")
        out = np.empty_like(block)
        for n, x in enumerate(block[0]):
            out[0, n] = self.line[self.at] = x + self.gain * self.line[self.at]
            self.at = (self.at + 1) % len(self.line)
        block[:] = np.nan
        return out
"""


@pytest.mark.parametrize("block_size", [1, 64, 441, 100_000])
def test_a_python_comb_gives_its_closed_form(block_size, tmp_path, work):
    """y[n] = x[n] + g y[n − M] answers a click with g^k at k M (derived)."""
    build = python_build(tmp_path, COMB, parameters={"gain": 0.5})
    samples = response_of(build, work, replace(REQUEST, block_size=block_size, parameters={"gain": 0.9, "delay": 250}))
    expected = np.zeros(4000)
    expected[::250] = 0.5 ** np.arange(16)
    np.testing.assert_allclose(samples[0], expected, atol=1e-15)


PYTHON_FAULTS = {
    "syntax": (
        "class Reverb(:\n",
        {},
        "cannot import toy_reverb: SyntaxError: invalid syntax (toy_reverb.py, line 2)",
    ),
    "at import": (
        "1 / 0\n",
        {},
        "cannot import toy_reverb: ZeroDivisionError: division by zero (toy_reverb.py, line 2)",
    ),
    "signature": (
        "class Reverb:\n  def __init__(self, rate): pass\n",
        {},
        (
            "cannot make Reverb(sample_rate): "
            "TypeError: Reverb.__init__() got an unexpected keyword argument 'sample_rate'"
        ),
    ),
    "no process": (
        "class Reverb:\n  def __init__(self, sample_rate): pass\n",
        {},
        "process() failed: AttributeError: 'Reverb' object has no attribute 'process'",
    ),
}

PROCESS_FAULTS = {
    "raises": ("raise ValueError('no\\nluck')", "process() failed: ValueError: no luck (toy_reverb.py, line 5)"),
    "exits": ("raise SystemExit(5)", "process() failed: SystemExit: 5 (toy_reverb.py, line 5)"),
    "leaves": ("import os; os._exit(0)", "ended before it handed on its output"),
    "segfault": ("import ctypes; ctypes.string_at(0)", "died by SIGSEGV (segmentation fault)"),
    "memory": ("return np.ones(10 << 30)", "ran out of memory (limit 2048 MB)"),
    "nothing": ("pass", "process() returned object values, needs real numbers"),
    "complex": ("return block * 1j", "process() returned complex128 values, needs real numbers"),
    "one row": ("return block[0]", "process() returned shape (64,), needs (channels, 64)"),
    "fewer frames": ("return block[:, 1:]", "process() returned shape (1, 63), needs (channels, 64)"),
    "two channels": ("return np.vstack([block, block])", "output has 2 channels, needs 1"),
    "not finite": ("return block * np.nan", "4800 samples are not finite, first at sample 0 (0.000 s)"),
    "blown up": (
        "return block + 1e150",
        "4800 samples are 600 dB and more above full scale, first at sample 0 (0.000 s)",
    ),
    "silent": ("return 0 * block", SILENT),
}


@pytest.mark.parametrize(("body", "change", "reason"), PYTHON_FAULTS.values(), ids=PYTHON_FAULTS)
def test_a_python_build_that_cannot_be_made(body, change, reason, tmp_path, work):
    assert reason_of(python_build(tmp_path, body, **change), work) == reason


@pytest.mark.parametrize(
    ("named", "slip"),
    [
        ("toy_reverb:Revreb", "module toy_reverb has no Revreb; did you mean Reverb?"),
        ("toy_reverb:Tank", "module toy_reverb has no Tank"),
        ("toy_rverb:Reverb", "no module toy_rverb in {folder}; did you mean toy_reverb?"),
        ("no_such:Reverb", "no module no_such in {folder}"),
    ],
)
def test_a_name_that_is_not_there_is_a_slip_in_the_toml(named, slip, tmp_path, work):
    build = python_build(tmp_path, "class Reverb: pass", object=named, source=tmp_path / "build.toml")
    told = f"{tmp_path}/build.toml: build.object: {slip.format(folder=tmp_path)}"
    with pytest.raises(BadInput, match=f"^{re.escape(told)}$"):
        render(build, REQUEST, work)
    with open_timer(build, REQUEST, work) as timer, pytest.raises(BadInput, match=f"^{re.escape(told)}$"):
        timer.seconds_per_sample()


@pytest.mark.parametrize(("body", "reason"), PROCESS_FAULTS.values(), ids=PROCESS_FAULTS)
def test_a_python_build_that_fails_at_work(body, reason, tmp_path, work):
    build = python_build(tmp_path, _reverb(f"np.seterr(all='ignore'); {body}"))
    found = reason_of(build, work)
    if body.startswith("import ctypes"):
        assert found.startswith(reason)
    else:
        assert found == reason


def _reverb(body: str) -> str:
    return f"class Reverb:\n  def __init__(self, sample_rate): pass\n  def process(self, block):\n    {body}\n"


def test_a_changed_python_build_is_never_taken_for_its_former_self(tmp_path, work, monkeypatch):
    """Same size, same second: a cached compilation would not notice."""
    monkeypatch.delenv("PYTHONDONTWRITEBYTECODE", raising=False)
    for gain in (0.25, 0.75):
        build = python_build(tmp_path, _reverb(f"return {gain} * block"))
        os.utime(tmp_path / "toy_reverb.py", (1_000_000_000, 1_000_000_000))
        assert response_of(build, work)[0, 0] == pytest.approx(gain, rel=1e-15)


def test_a_build_cannot_shadow_the_library_by_its_files(tmp_path, work):
    modules = tmp_path / "modules"
    modules.mkdir()
    (tmp_path / "random.py").write_text("raise RuntimeError('shadowed')")
    build = replace(python_build(modules, _reverb("return block")), folder=tmp_path, module_path=modules)
    assert response_of(build, work)[0, 0] == 1.0


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux shows how many processes there are")
def test_limits_on_all_processes_hold_for_python_builds(tmp_path, work):
    body = "import os, time; [os.fork() or time.sleep(60) for _ in range(9)]; time.sleep(60)"
    build = replace(python_build(tmp_path, _reverb(body)), limits=replace(PYTHON_LIMITS, processes=5))
    assert reason_of(build, work) == "started more than 5 processes and was stopped"


def test_every_render_has_a_fresh_processor(tmp_path, work):
    build = python_build(tmp_path, COMB)
    np.testing.assert_array_equal(response_of(build, work), response_of(build, work))


def test_four_paths_stand_in_their_order(tmp_path, work):
    build = python_build(tmp_path, _reverb("return np.array([[1, 0.25], [0.5, 0.125]]) @ block"))
    rendering = render(build, replace(REQUEST, channels="stereo-to-stereo"), work)
    assert isinstance(rendering, Rendered)
    assert rendering.response.paths == ("left→left", "left→right", "right→left", "right→right")
    np.testing.assert_allclose(rendering.response.samples[:, 0], [1, 0.5, 0.25, 0.125], rtol=1e-15)
    assert rendering.notes == ()


def test_a_dead_path_is_noted_and_a_dead_input_fails(tmp_path, work):
    request = replace(REQUEST, channels="stereo-to-stereo")
    rendering = render(python_build(tmp_path, _reverb("return block")), request, work)
    assert rendering.notes == ("left→right is silent", "right→left is silent")
    build = python_build(tmp_path, _reverb("return np.vstack([block[:1], block[:1]])"))
    assert reason_of(build, work, request) == f"right input: {SILENT}"


# Recordings


def recordings_build(folder: Path, **more: object) -> Build:
    identity = BuildIdentity("takes", "1", "recordings")
    return replace(Build(identity, "recordings", folder, recordings_folder=folder), **more)


def ramp(channels: int = 1, samples: int = 4000) -> np.ndarray:
    return np.arange(1, channels * samples + 1).reshape(channels, samples) / (channels * samples)


def test_a_recording_is_taken_as_it_stands(tmp_path, work):
    sound.write_sound(tmp_path / "tank.wav", ramp(), RATE_HZ, "DOUBLE")
    np.testing.assert_array_equal(response_of(recordings_build(tmp_path), work), ramp())


def test_recordings_of_two_inputs(tmp_path, work):
    for side, gain in (("left", 1.0), ("right", 0.5)):
        sound.write_sound(tmp_path / f"tank-{side}-in.flac", gain * ramp(2) / 2, RATE_HZ, "PCM_24")
    samples = response_of(recordings_build(tmp_path), work, replace(REQUEST, channels="stereo-to-stereo"))
    np.testing.assert_allclose(samples, np.vstack([ramp(2) / 2, ramp(2) / 4]), atol=1e-6)


def test_what_lies_before_the_click_is_cut_off(tmp_path, work, monkeypatch):
    sound.write_sound(tmp_path / "tank.wav", ramp(samples=4800), RATE_HZ, "DOUBLE")
    expected = ramp(samples=4800)[:, 800:]
    np.testing.assert_array_equal(
        response_of(recordings_build(tmp_path, notes=TakeNotes(click_at_s=0.1)), work), expected
    )
    finder = ModuleType("reverdict.measure.click")
    finder.find_sharp_onset = lambda samples, rate_hz: 800 / rate_hz if samples.shape == (1, 4800) else None
    monkeypatch.setitem(sys.modules, finder.__name__, finder)
    np.testing.assert_array_equal(
        response_of(recordings_build(tmp_path, notes=TakeNotes(click_at_s="auto")), work), expected
    )


def test_one_file_stands_for_the_reference_of_its_name_or_the_one_it_is_given(tmp_path, work):
    sound.write_sound(tmp_path / "take-3.wav", ramp(), RATE_HZ, "DOUBLE")
    build = recordings_build(tmp_path, recordings_file=tmp_path / "take-3.wav")
    assert reason_of(build, work) == "no recording: take-3.wav is one of take-3"
    assert response_of(build, work, replace(REQUEST, reference="take-3")).any()
    assert response_of(replace(build, recordings_reference="tank"), work).any()


@pytest.mark.parametrize(
    ("file", "samples", "rate_hz", "reason"),
    [
        (
            "tub.wav",
            ramp(),
            RATE_HZ,
            "no recording: expected tank.wav or tank.flac in {folder}; gate --only NAME judges others alone",
        ),
        ("tank.wav", ramp(), 44100, "recording has 44100 Hz, needs 8000"),
        ("tank.wav", ramp(2), RATE_HZ, "recording has 2 channels, needs 1"),
        ("tank.wav", ramp(samples=3500), RATE_HZ, "recording stops after 0.44 s, needs 0.50 s (both from the click)"),
        ("tank.wav", ramp() * 9e-7, RATE_HZ, "recording is silent (peak below −120 dB of the click)"),
        ("tank.wav", ramp() * np.inf, RATE_HZ, "tank.wav: 4000 samples are not finite, first at sample 0"),
    ],
)
def test_unusable_recordings(file, samples, rate_hz, reason, tmp_path, work):
    sound.write_sound(tmp_path / file, samples, rate_hz)
    assert reason_of(recordings_build(tmp_path), work) == reason.format(folder=tmp_path)


def test_a_recording_may_end_a_little_early(tmp_path, work):
    sound.write_sound(tmp_path / "tank.wav", ramp(samples=3900), RATE_HZ)
    rendering = render(recordings_build(tmp_path), REQUEST, work)
    assert rendering.response.samples.shape == (1, 3900)
    assert rendering.notes == ("recording stops after 0.49 s, needs 0.50 s",)


def test_two_recordings_of_one_reference_are_one_too_many(tmp_path, work):
    for suffix in (".wav", ".flac"):
        sound.write_sound(tmp_path / f"tank{suffix}", ramp() / 2, RATE_HZ, "PCM_24")
    assert reason_of(recordings_build(tmp_path), work) == "two recordings, tank.wav and tank.flac; which one is meant?"
