"""An invented workshop to try the suite on: its golden references and its builds, good and faulty."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from reverdict.errors import BadInput, cause

BUILDS = Path(__file__).with_name("workshop")

README = """\
# A workspace to try reverdict on

`golden/` holds what four reverbs must sound like, with tolerances; `builds/` holds builds of an invented workshop's
reverb, good ones and faulty ones. builds/README.md says what was done to each.

    reverdict gate builds/release-1.0.toml          passes
    reverdict gate builds/release-1.1.toml          passes: not a bit is the same, and nobody will hear it
    reverdict gate builds/drifted-refactor.toml     fails: every echo is early, the later ones more
    reverdict gate builds/fewer-sections.toml       fails: the high frequencies come too soon
    reverdict gate builds/comb-fake.toml            fails: there is no dispersion at all
    reverdict gate builds/raised-feedback.toml      fails: the tail is too long
    reverdict gate builds/slow.toml                 fails: same sound, several times the cost
    reverdict gate builds/fixed-point.toml          fails: a click passes, loud sound wraps around
    reverdict gate builds/c-port.toml               {c_port}
    reverdict gate builds/c-single.toml             fails where there is valgrind: same sound, dearer by count

Add `--report DIR` to see why, in pictures. Then break something yourself: change a number in builds/workshop.py.
"""


def write_demo(target: Path) -> None:
    """Lay out target/golden/, target/builds/ and target/README.md.

    Raises
    ------
    BadInput
        The target is a file or holds something already, or its parent cannot be written to.
    """
    if target.exists() and not target.is_dir():
        raise BadInput(target, "is a file; name a new or an empty folder")
    if target.exists() and any(target.iterdir()):
        raise BadInput(target, "is not empty; name a new or an empty folder")
    whole = target.absolute()
    beside = whole.with_name(f".{whole.name}.{os.getpid()}")
    try:
        beside.mkdir(parents=True)
        shutil.copytree(golden_folder(), beside / "golden")
        shutil.copytree(BUILDS, beside / "builds", ignore=shutil.ignore_patterns("__pycache__", ".*"))
        (beside / "README.md").write_text(README.format(c_port=_c_port()), encoding="utf-8")
        whole.mkdir(exist_ok=True)
        for part in sorted(beside.iterdir()):
            part.replace(whole / part.name)  # into the folder, which may be the one the user stands in
    except OSError as error:
        raise BadInput(target, f"cannot be written ({cause(error)})") from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def golden_folder() -> Path:
    """The demo's golden references: in the installed package, or at the top of a source checkout."""
    package = Path(__file__).parents[1]
    for folder in (package / "_golden", package.parents[1] / "golden"):
        if (folder / "tolerances.toml").is_file():
            return folder
    raise BadInput(package, "the demo's golden references are missing; is the installation complete?")


def _c_port() -> str:
    if shutil.which("cc"):
        return "passes: the same algorithm in C, compiled on the spot"
    for other in ("gcc", "clang"):
        if shutil.which(other):
            return f"passes once you write {other} for cc in its prepare line (there is no cc here)"
    return "needs a C compiler, and none was found here"
