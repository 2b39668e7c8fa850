"""Coverage-guided fuzzing of what reverdict reads: python tests/fuzz.py TARGET --seconds N [--out DIR]

Needs atheris (pip install atheris), which no test needs. The corpus is kept in DIR/TARGET/corpus and grows over runs;
each new kind of crash (an exception other than BadInput, or more than 5 s) is one file in DIR/TARGET/crashes, named
after where it arose, with its traceback beside it; the run goes on. What stands in DIR/TARGET/counts.json adds up over
runs. Put the file of a crash into tests/examples/crashes as TARGET.NAME; tests/test_fuzz.py reads it ever after.
"""

from __future__ import annotations

import argparse
import atexit
import contextlib
import hashlib
import json
import os
import random
import shutil
import sys
import tempfile
import time
import traceback
from pathlib import Path

import atheris

PLACES = ["reverdict", "tomlkit", "tomllib", "tomli", "json", "csv"]
with atheris.instrument_imports(include=PLACES):
    import fuzz_targets
    from reverdict import (  # noqa: F401 - instrumented here
        builds,
        cycle_log,
        golden_set,
        merging,
        report,
        sensitivity,
        sound,
    )
    from reverdict.capture import folder  # noqa: F401
    from reverdict.golden_set import writing  # noqa: F401
    from reverdict.history import index, lines, newest, runs  # noqa: F401
    from reverdict.making import approving  # noqa: F401
    from reverdict.render import callgrind_log, counting  # noqa: F401
    from reverdict.report.pages import board, drift  # noqa: F401
    from reverdict.schema import build, reference, tolerances  # noqa: F401

from reverdict.errors import BadInput  # noqa: E402 - after what is instrumented

HANG_S = 5.0
KEPT_EVERY = 1000
"""Inputs: the fuzzer itself grows by some kB an input, and ends without a word at its limit of memory."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target", choices=fuzz_targets.TARGETS)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--out", type=Path, default=Path("fuzz"))
    options = parser.parse_args()
    target = fuzz_targets.TARGETS[options.target]
    place = options.out / options.target
    corpus, crashes = place / "corpus", place / "crashes"
    for made in (corpus, crashes):
        made.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(target.seeds()):
        (corpus / f"seed-{number}").write_bytes(seed)
    counts = {"inputs": 0, "refused": 0, "read": 0, "crashes": 0, "hangs": 0}
    begun, cpu = time.monotonic(), time.process_time()
    work = Path(tempfile.mkdtemp(prefix="fuzz-"))
    kept_stderr = sys.stderr
    counted = place / "counts.json"
    so_far = json.loads(counted.read_text()) if counted.exists() else {}

    def keep_counts() -> None:
        now = {**counts, "wall_s": time.monotonic() - begun, "cpu_s": time.process_time() - cpu}
        counted.write_text(json.dumps({key: value + so_far.get(key, 0) for key, value in now.items()}))

    def end() -> None:
        keep_counts()
        shutil.rmtree(work, ignore_errors=True)

    def crash(kind: str, name: str, data: bytes, told: str) -> None:
        counts[kind] += 1
        file = crashes / name
        if not file.exists():
            file.write_bytes(data)
            file.with_suffix(".txt").write_text(told)
            print(f"{options.target}: {kind}: {told.splitlines()[-1][:150]}", file=kept_stderr, flush=True)

    def one(data: bytes) -> None:
        inside = work / "i"
        file = inside / target.name
        file.parent.mkdir(parents=True)
        file.write_bytes(data)
        counts["inputs"] += 1
        started = time.monotonic()
        try:
            target.read(file)
            counts["read"] += 1
        except BadInput as refusal:
            counts["refused"] += 1
            if not str(refusal).strip():
                crash("crashes", "empty", data, "BadInput says nothing")
        except (Exception, SystemExit) as error:
            frames = [frame for frame in traceback.extract_tb(error.__traceback__) if "fuzz" not in frame.filename]
            ours = [frame for frame in frames if "reverdict" in frame.filename] or frames
            where = f"{Path(ours[-1].filename).stem}-{ours[-1].lineno}" if ours else "target"
            told = "".join(traceback.format_exception(error))
            crash("crashes", f"{type(error).__name__}-{where}", data, told)
        finally:
            shutil.rmtree(inside, ignore_errors=True)
        if time.monotonic() - started > HANG_S:
            crash("hangs", f"hang-{hashlib.sha256(data).hexdigest()[:8]}", data, f"{time.monotonic() - started:.1f} s")
        if counts["inputs"] % KEPT_EVERY == 0:
            keep_counts()
        if time.monotonic() - begun > options.seconds:
            end()
            os._exit(0)

    def mutate(data: bytes, max_size: int, seed: int) -> bytes:
        chance = random.Random(seed)
        if chance.random() < 0.5:
            return bytes(atheris.Mutate(data, max_size))
        return fuzz_targets.mutated(data, target.form, chance)[:max_size]

    atexit.register(end)
    flags = [
        f"-max_total_time={options.seconds}",
        f"-max_len={fuzz_targets.LARGEST}",
        "-timeout=60",
        "-print_final_stats=0",
    ]
    flags += ["-rss_limit_mb=3000", f"-artifact_prefix={place}/"]
    with contextlib.redirect_stdout(None):
        atheris.Setup([sys.argv[0], *flags, str(corpus)], one, custom_mutator=mutate)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
