"""What the pages of a report let one hear: written beside them, for the references that are read first.

A folder for each reference: ``golden.flac``, ``candidate.flac`` and ``difference.flac``, which any player plays, and
``sounds.js``, the same three for the page's own player: a page that was opened from disk may load a script beside it,
but not read a sound file into memory, and only from memory can three sounds be kept in step to the sample.
"""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.durable import copied, replace_text, replacing
from reverdict.errors import BadInput, cause
from reverdict.listening.dry import RATE_HZ
from reverdict.page_folders import SCRIPT, SCRIPT_BEGINS, SOUND_FILES, SOUNDS, VERSIONS, take_sounds_away
from reverdict.words import PATHS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reverdict.listening.excerpts import Excerpts
    from reverdict.words import ReferenceVerdict, Response, Verdict

BITS = 16


def hand_on(folder: Path, reference: str, golden: Response, candidate: Response) -> None:
    """Keep two responses for ``audition``: they may come from another process."""
    rows = [one.samples[:, round(one.click_at_s * one.rate_hz) :] for one in (golden, candidate)]
    length = max(row.shape[-1] for row in rows)
    both = np.stack([np.pad(row, ((0, 0), (0, length - row.shape[-1]))) for row in rows])
    file = folder / f"{reference}.npz"
    with replacing(file) as beside, beside.open("wb") as opened:
        np.savez(opened, both=both, rate_hz=golden.rate_hz)


def carry(
    judged: Mapping[str, Any], sources: Sequence[Path], report: Path, only: Container[str] | None = None
) -> dict[str, Any]:
    """A verdict with the sounds of the report folders it was read from, copied; silent where they do not lie there.

    judged : as verdict.json has it. only : names of references that are to be heard; None: all.

    Raises
    ------
    BadInput
        The folder cannot be written to.
    """
    take_sounds_away(report)
    told = {
        one["name"]: _source_of(one, sources) for one in judged["references"] if only is None or one["name"] in only
    }
    try:
        for source in filter(None, told.values()):
            target = report / SOUNDS / source.name
            target.mkdir(parents=True, exist_ok=True)
            for name in SOUND_FILES:
                if (source / name).is_file():
                    copied(str(source / name), str(target / name))
    except OSError as error:
        take_sounds_away(report)
        raise BadInput(report, f"cannot write the sounds here ({cause(error)})") from error
    references = [one if told.get(one["name"]) else {**one, "sounds": {}} for one in judged["references"]]
    return {**judged, "references": references}


def _source_of(reference: Mapping[str, Any], sources: Sequence[Path]) -> Path | None:
    name = Path((reference.get("sounds") or {}).get("folder", "")).name
    return next((place / SOUNDS / name for place in sources if name and (place / SOUNDS / name).is_dir()), None)


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
    there = [name for name in worst_first if (responses / f"{name}.npz").is_file()][:most]
    told = {name: _written(responses / f"{name}.npz", report, place(name)) for name in there}
    return replace(verdict, references=tuple(_with(one, told) for one in verdict.references))


def _with(reference: ReferenceVerdict, told: dict[str, dict[str, Any]]) -> ReferenceVerdict:
    return replace(reference, sounds=told.get(reference.name, {}))


def _written(file: Path, report: Path, name: str) -> dict[str, Any]:
    from reverdict.listening.excerpts import excerpts

    with np.load(file) as kept:
        golden, candidate = kept["both"]
        rate_hz = int(kept["rate_hz"])
    paths = next(paths for paths in PATHS.values() if len(paths) == golden.shape[0])
    made = excerpts(golden, candidate, rate_hz, paths)
    folder = report / SOUNDS / name
    coded = {version: _flac(getattr(made, version)) for version in VERSIONS}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        replace_text(folder / SCRIPT, _script(coded))
        for version, content in coded.items():
            with replacing(folder / f"{version}.flac") as beside:
                beside.write_bytes(content)
    except OSError as error:
        take_sounds_away(report)
        raise BadInput(folder, f"cannot write the sounds here ({cause(error)})") from error
    return _told(made, f"{SOUNDS}/{name}")


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

    noise = np.random.default_rng(0).random((2, *sound.shape)) - 0.5 if np.any(sound) else np.zeros((2, *sound.shape))
    whole = np.clip(np.round(sound * 2 ** (BITS - 1) + noise.sum(axis=0)), -(2 ** (BITS - 1)), 2 ** (BITS - 1) - 1)
    coded = io.BytesIO()
    soundfile.write(coded, whole.T.astype(np.int16), RATE_HZ, format="FLAC", subtype="PCM_16")
    return coded.getvalue()


def _script(coded: dict[str, bytes]) -> str:
    told = {version: base64.b64encode(content).decode("ascii") for version, content in coded.items()}
    return f"{SCRIPT_BEGINS} = {json.dumps(told)};\n"
