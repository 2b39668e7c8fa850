"""What the pages of a report let one hear: written beside them, for the references that are read first.

A folder for each reference: ``golden.flac``, ``candidate.flac`` and ``difference.flac``, which any player plays, and
``sounds.js``, the same three for the page's own player: a page that was opened from disk may load a script beside it,
but not read a sound file into memory, and only from memory can three sounds be kept in step to the sample.
"""

from __future__ import annotations

import base64
import io
import json
import shutil
from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.durable import replace_text, temporary
from reverdict.errors import BadInput
from reverdict.listening.dry import RATE_HZ
from reverdict.words import PATHS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.listening.excerpts import Excerpts
    from reverdict.words import ReferenceVerdict, Response, Verdict

FOLDER = "sounds"
VERSIONS = ("golden", "candidate", "difference")
BITS = 16


def hand_on(folder: Path, reference: str, golden: Response, candidate: Response) -> None:
    """Keep two responses for ``audition``: they may come from another process."""
    rows = [one.samples[:, round(one.click_at_s * one.rate_hz) :] for one in (golden, candidate)]
    length = max(row.shape[-1] for row in rows)
    both = np.stack([np.pad(row, ((0, 0), (0, length - row.shape[-1]))) for row in rows])
    file = folder / f"{reference}.npz"
    with temporary(file).open("wb") as opened:
        np.savez(opened, both=both, rate_hz=golden.rate_hz)
    temporary(file).replace(file)


def audition(
    verdict: Verdict, responses: Path, report: Path, worst_first: list[str], most: int, place: Callable[[str], str]
) -> Verdict:
    """Write sounds of the first ``most`` references that have responses, and give the verdict that tells of them.

    worst_first : names of references in the order in which they are read.
    place : gives a file name for any name.

    Raises
    ------
    BadInput
        The folder cannot be written to.
    """
    shutil.rmtree(report / FOLDER, ignore_errors=True)  # sounds of an earlier build must not be taken for this one's
    there = [name for name in worst_first if (responses / f"{name}.npz").is_file()][:most]
    told = {name: _written(responses / f"{name}.npz", report, place(name)) for name in there}
    return replace(verdict, references=tuple(_with(one, told) for one in verdict.references))


def gathered(
    judged: dict[str, Any], reports: Mapping[str, Path], report: Path | None, worst_first: list[str], most: int
) -> dict[str, Any]:
    """Take sounds over from the reports of parts, and give the merged verdict that tells of them and of no others.

    judged : as verdict.json has it; its references tell of the sounds in the reports of their parts.
    reports : for each of these references the report of its part.
    report : of the whole; None where there is none, and so nothing to be heard.

    Raises
    ------
    BadInput
        A sound is missing, or the folder cannot be written to.
    """
    told = {one["name"]: one["sounds"] for one in judged["references"] if one.get("sounds")}
    kept = [name for name in worst_first if name in told][:most] if report else []
    if report:
        shutil.rmtree(report / FOLDER, ignore_errors=True)
        try:
            for name in kept:
                shutil.copytree(reports[name] / told[name]["folder"], report / told[name]["folder"])
        except OSError as error:
            raise BadInput(report, f"cannot take over the sounds of a part ({error})") from error
    references = [{**one, "sounds": told[one["name"]] if one["name"] in kept else {}} for one in judged["references"]]
    return {**judged, "references": references}


def _with(reference: ReferenceVerdict, told: dict[str, dict[str, Any]]) -> ReferenceVerdict:
    return replace(reference, sounds=told.get(reference.name, {}))


def _written(file: Path, report: Path, name: str) -> dict[str, Any]:
    from reverdict.listening.excerpts import excerpts

    with np.load(file) as kept:
        golden, candidate = kept["both"]
        rate_hz = int(kept["rate_hz"])
    paths = next(paths for paths in PATHS.values() if len(paths) == golden.shape[0])
    made = excerpts(golden, candidate, rate_hz, paths)
    folder = report / FOLDER / name
    coded = {version: _flac(getattr(made, version)) for version in VERSIONS}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for version, content in coded.items():
            target = folder / f"{version}.flac"
            temporary(target).write_bytes(content)
            temporary(target).replace(target)
        replace_text(folder / "sounds.js", _script(coded))
    except OSError as error:
        raise BadInput(folder, f"cannot write the sounds here ({error.strerror or error})") from error
    return _told(made, f"{FOLDER}/{name}")


def _told(made: Excerpts, folder: str) -> dict[str, Any]:
    return {
        "folder": folder,
        "channels": made.golden.shape[0],
        "cues": [asdict(cue) for cue in made.cues],
        "candidate_db": made.candidate_db,
        "difference_db": made.difference_db,
    }


def _flac(sound: NDArray[Any]) -> bytes:
    """Coded with 16 bits, with the dither (two uniform ones summed) that parts their noise from the sound."""
    import soundfile

    noise = np.random.default_rng(0).random((2, *sound.shape)) - 0.5
    whole = np.clip(np.round(sound * 2 ** (BITS - 1) + noise.sum(axis=0)), -(2 ** (BITS - 1)), 2 ** (BITS - 1) - 1)
    coded = io.BytesIO()
    soundfile.write(coded, whole.T.astype(np.int16), RATE_HZ, format="FLAC", subtype="PCM_16")
    return coded.getvalue()


def _script(coded: dict[str, bytes]) -> str:
    told = {version: base64.b64encode(content).decode("ascii") for version, content in coded.items()}
    return f"globalThis.reverdictSounds = {json.dumps(told)};\n"
