"""The folder of golden references: load it, verify it, add a reference, approve a new response for one.

    golden/tolerances.toml          tolerances for every reference that does not set its own
    golden/<name>/reference.toml    one reference: its impulses with their digests, its approval, its tolerances
    golden/<name>/*.wav, *.flac     impulse responses from the click on, one file per input
    golden/<name>/approvals.log     every approval so far, one JSON object a line

Ordinary runs only read. What an approval changes becomes true at one moment, the renaming of reference.toml: new
impulses are written before under a name of their own, old ones are removed after. If it is cut off in between, the
reference is still whole, before or after, and ``verify`` names what was left over.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timezone
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reverdict import schema
from reverdict.errors import BadInput, BadInputs, each, noted
from reverdict.golden_text import PROPOSED_TOLERANCES, approved_text, reference_text
from reverdict.reference import Approval, ImpulseFile, Reference
from reverdict.schema import REFERENCE_FILE, TOLERANCES_FILE, DefaultTolerances
from reverdict.sound import SOUND_SUFFIXES, digest, read_sound, write_sound
from reverdict.words import CHECKS, INPUTS, PATHS, Response

APPROVALS_FILE = "approvals.log"
STEMS = {"mono": "response", "left": "response-left-in", "right": "response-right-in"}
"""How an impulse file of each input is called, before the first digits of its digest."""

FLAC_HIGHEST_RATE_HZ = 655350


@dataclass(frozen=True)
class GoldenReference:
    """A golden reference with its samples: what is asked, and the response that answers it."""

    reference: Reference
    response: Response

    @property
    def name(self) -> str:
        return self.reference.name


@dataclass(frozen=True)
class Summary:
    """One line of a list of references. ``seconds`` is the length of its impulses."""

    name: str
    title: str
    origin: str
    channels: str
    rate_hz: int
    seconds: float
    asked: tuple[str, ...]
    approved_by: str
    approved_at: datetime
    approved_build: str


@dataclass(frozen=True)
class Approved:
    """What an approval changed: digests of the impulses before and after, in the order of the inputs."""

    path: Path
    old_sha256: tuple[str, ...]
    new_sha256: tuple[str, ...]


# Reading.


def names(golden_folder: Path, only: str = "*") -> list[str]:
    """Names of the references whose name matches a glob, sorted.

    Raises
    ------
    BadInput
        No such folder, no reference in it, or none selected, with what was looked for.
    """
    if not golden_folder.is_dir():
        raise BadInput(golden_folder, "no such folder; golden references live in golden/<name>/reference.toml")
    if (golden_folder / REFERENCE_FILE).is_file():
        raise BadInput(
            golden_folder, f"is a single reference; give the folder above it and --only {golden_folder.name}"
        )
    found = sorted(folder.name for folder in golden_folder.iterdir() if _is_reference(folder))
    if not found:
        raise BadInput(golden_folder, f"no golden reference in it; looked for {golden_folder}/*/{REFERENCE_FILE}")
    selected = [name for name in found if fnmatchcase(name, only)]
    if not selected:
        raise BadInput(golden_folder, f'no reference matches "{only}"; there are {few(found)}')
    return selected


def references(golden_folder: Path, only: str = "*") -> list[Reference]:
    """The selected references without their samples. Raises BadInputs with every mistake of their TOML."""
    found, mistakes = _read(golden_folder, names(golden_folder, only))
    if mistakes:
        raise BadInputs(mistakes)
    return found


def load(golden_folder: Path, only: str = "*") -> list[GoldenReference]:
    """The selected references with their samples, each held against its digest.

    Parameters
    ----------
    golden_folder : path
    only : str
        Glob that names must match.

    Raises
    ------
    BadInputs
        Every mistake of all the selected references: in their TOML, and impulses that are missing, altered, of another
        rate or channel count, or silent.
    BadInput
        Nothing to load, see ``names``.
    """
    found, mistakes = _read(golden_folder, names(golden_folder, only))
    loaded = []
    for reference in found:
        response, faults = _response(reference)
        mistakes += faults
        if response is not None:
            loaded.append(GoldenReference(reference, response))
    if mistakes:
        raise BadInputs(mistakes)
    return loaded


def verify(golden_folder: Path) -> list[BadInput]:
    """Everything that is wrong with the folder; empty if nothing is.

    Besides what ``load`` refuses: sound files no reference names, what a cut-off write left behind, empty folders, and
    a log of approvals that does not end with the impulses that are there.
    """
    try:
        found, mistakes = _read(golden_folder, names(golden_folder))
    except BadInput as error:
        return [error]
    for reference in found:
        mistakes += _response(reference)[1] + unlogged(reference)
    named = {file.path.resolve() for reference in found for file in reference.files}
    unreadable = set(names(golden_folder)) - {reference.name for reference in found}
    return mistakes + _leftovers(golden_folder, named, unreadable) + _empty(golden_folder)


def describe(golden_folder: Path, only: str = "*") -> list[Summary]:
    """One summary per selected reference; digests are not looked at."""
    return [
        Summary(
            name=reference.name,
            title=reference.title,
            origin=reference.origin,
            channels=reference.channels,
            rate_hz=reference.rate_hz,
            seconds=_seconds(reference.files[0]),
            asked=tuple(check for check in CHECKS if not reference.settings(check).not_asked),
            approved_by=reference.approval.who,
            approved_at=reference.approval.when,
            approved_build=reference.approval.build,
        )
        for reference in references(golden_folder, only)
    ]


# Writing.


def new(name: str, response: Response, tables: Mapping[str, Any], golden_folder: Path) -> Path:
    """Write a new reference, whole or not at all.

    Parameters
    ----------
    name : str
        Of the reference and its folder.
    response : Response
        What lies before its click is cut off, to the nearest sample.
    tables : mapping
        As in reference.toml: ``title``, ``origin``, ``render``, ``approval`` (``when`` defaults to now) and the check
        tables with what was found (springs, not_asked, own tolerances). The rest is filled in here.
    golden_folder : path
        Made if need be, as is its tolerances.toml, with proposed values.

    Returns
    -------
    path
        Of the new reference.toml.

    Raises
    ------
    BadInput
        A name that cannot be, a reference that is already there, or tables that do not read back.
    """
    folder = golden_folder / name
    if problem := name_problem(name, golden_folder):
        raise BadInput(folder if folder.exists() else golden_folder, problem)
    channels = _channels_of(response, folder)
    golden_folder.mkdir(parents=True, exist_ok=True)
    with _folder_beside(folder) as beside:
        shared = golden_folder / TOLERANCES_FILE
        if not shared.exists():
            shared = beside / TOLERANCES_FILE
            _write_text(shared, PROPOSED_TOLERANCES)
        inside = beside / name
        inside.mkdir()
        written = _write_impulses(
            inside, _after_click(response, name), response.rate_hz, channels, str(tables.get("origin"))
        )
        facts = {"schema": 1, "rate_hz": response.rate_hz, "channels": channels}
        approval = {"when": _now(), **tables.get("approval", {})}
        text = reference_text(name, {**tables, **facts, "files": written, "approval": approval})
        _write_text(inside / REFERENCE_FILE, text)
        reference = _proven(inside / REFERENCE_FILE, folder / REFERENCE_FILE, shared)
        _log(inside, reference.approval, (), _digests(reference))
        if shared.parent == beside:
            shared.replace(golden_folder / TOLERANCES_FILE)
        inside.rename(folder)
    return folder / REFERENCE_FILE


def name_problem(name: str, golden_folder: Path) -> str:
    """Why a new reference cannot have this name; empty where it can."""
    if problem := schema.check_name(name):
        return problem
    if name == "all":
        return '"all" cannot name a reference; approvals go by name, and nobody approves all'
    if (golden_folder / name).exists():
        return f'there is already a reference "{name}"; to change how it must sound, approve a new response for it'
    return ""


def approve(
    name: str,
    response: Response,
    build: str,
    why: str,
    who: str,
    golden_folder: Path,
    *,
    kernel_ratio: float | None = None,
    when: datetime | None = None,
) -> Approved:
    """Let one reference sound like ``response`` from now on. Tolerances and comments of its TOML stay as they are.

    Parameters
    ----------
    name : str
        One reference; there is no approving several at a time.
    response : Response
        Paths and rate as the reference has them. What lies before its click is cut off, to the nearest sample.
    build, why, who : str
        Which build this is, why it is right, who says so.
    kernel_ratio : float, optional
        Cost of this build in calibration-kernel units, where the reference keeps one.
    when : datetime with a time zone, optional
        Default is now.

    Raises
    ------
    BadInput
        No such reference, a response that does not fit it, or no reason given.
    """
    path = golden_folder / name / REFERENCE_FILE
    approvable(name, why, who, golden_folder)
    defaults = _defaults(golden_folder)
    before = schema.read_reference(path, defaults)
    if response.rate_hz != before.rate_hz or response.paths != PATHS[before.channels]:
        own = f"{before.channels} at {before.rate_hz} Hz"
        offered = f"{_channels_of(response, path)} at {response.rate_hz} Hz"
        raise BadInput(path, f"the reference is {own}, the response {offered}; make a new reference for it")
    samples = _after_click(response, name)
    written = _write_impulses(path.parent, samples, before.rate_hz, before.channels, before.origin)
    approval: dict[str, str | datetime] = {"who": who, "when": when or _now(), "build": build, "why": why}
    text = approved_text(path.read_text(encoding="utf-8-sig"), written, approval, kernel_ratio)
    beside = path.with_name(f".{REFERENCE_FILE}.{os.getpid()}.new")
    try:
        _write_text(beside, text)
        after = schema.read_reference(beside, defaults)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    _log(path.parent, after.approval, _digests(before), _digests(after))
    for file in {file.path for file in before.files} - {file.path for file in after.files}:
        file.unlink(missing_ok=True)
    return Approved(path, _digests(before), _digests(after))


# Reading, in detail.


def _is_reference(folder: Path) -> bool:
    """A folder that is, or once was, a reference: one whose TOML was lost must not drop out unseen."""
    if folder.name.startswith(".") or not folder.is_dir():
        return False
    return any(_is_sound(file) or file.name in (REFERENCE_FILE, APPROVALS_FILE) for file in folder.iterdir())


def _is_sound(file: Path) -> bool:
    return file.suffix.lower() in SOUND_SUFFIXES


def _defaults(golden_folder: Path) -> DefaultTolerances:
    path = golden_folder / TOLERANCES_FILE
    return schema.read_tolerances(path) if path.exists() else DefaultTolerances(path)


def _read(golden_folder: Path, selected: Sequence[str]) -> tuple[list[Reference], list[BadInput]]:
    mistakes: list[BadInput] = []
    try:
        defaults = _defaults(golden_folder)
    except BadInput as error:
        # Without them every reference would seem to lack its tolerances.
        return [], each(error)
    found = []
    for name in selected:
        with noted(mistakes):
            if problem := schema.check_name(name):
                raise BadInput(golden_folder / name, problem)
            found.append(schema.read_reference(golden_folder / name / REFERENCE_FILE, defaults))
    return found, mistakes


def _response(reference: Reference) -> tuple[Response | None, list[BadInput]]:
    """The samples of all impulse files, one row per path, and what is wrong with the files."""
    rows: list[NDArray[Any]] = []
    mistakes: list[BadInput] = []
    for file in reference.files:
        with noted(mistakes):
            rows.append(_impulse(file, reference))
    if not mistakes and len({row.shape[1] for row in rows}) > 1:
        lengths = " and ".join(str(row.shape[1]) for row in rows)
        mistakes.append(BadInput(reference.path, f"files: the impulses are {lengths} samples long, need equal lengths"))
    if mistakes:
        return None, mistakes
    return Response(np.vstack(rows), reference.rate_hz, 0.0, PATHS[reference.channels]), []


def _impulse(file: ImpulseFile, reference: Reference) -> NDArray[Any]:
    _present(file)
    samples, rate_hz = read_sound(file.path)
    if rate_hz != reference.rate_hz:
        raise BadInput(file.path, f"has {rate_hz} Hz, {REFERENCE_FILE} says rate_hz = {reference.rate_hz}")
    needed = _channels_per_file(reference.channels)
    if samples.shape[0] != needed:
        raise BadInput(file.path, f'has {samples.shape[0]} channels, "{reference.channels}" needs {needed}')
    if digest(samples, rate_hz) != file.sha256:
        restore = f"restore it, or: reverdict golden approve {reference.name} --from BUILD --why TEXT"
        raise BadInput(file.path, f"altered: its samples do not match sha256 in {REFERENCE_FILE}; {restore}")
    if not samples.any():
        raise BadInput(file.path, "holds only silence")
    return samples


def _present(file: ImpulseFile) -> None:
    if not file.path.exists():
        raise BadInput(file.path, f"missing, but named in {REFERENCE_FILE}; was it not committed?")
    with file.path.open("rb") as opened:
        if opened.read(7) == b"version":
            raise BadInput(file.path, "a pointer of git LFS instead of the sound; git lfs pull")


def _channels_per_file(channels: str) -> int:
    return len(PATHS[channels]) // len(INPUTS[channels])


def unlogged(reference: Reference) -> list[BadInput]:
    """A log whose last approval is not that of the impulses in place: cut off, or changed by hand."""
    path = reference.path.with_name(APPROVALS_FILE)
    if not path.exists():
        return []
    lines = path.read_text(encoding="utf-8").splitlines()
    try:
        last = json.loads(lines[-1])["new_sha256"]
    except (IndexError, ValueError, TypeError, KeyError):
        return [BadInput(f"{path}: line {len(lines)}", "not a record of an approval; was it cut off?")]
    if last == list(_digests(reference)):
        return []
    slip = "approve once more, so that it is known who changed it and why"
    return [BadInput(path, f"its last approval is not that of the impulses in place; {slip}")]


def _leftovers(golden_folder: Path, named: set[Path], unreadable: set[str]) -> list[BadInput]:
    """Sound files that no reference names, and what a cut-off write left behind. Unreadable references name none."""
    mistakes = []
    for path in sorted(golden_folder.rglob("*")):
        *folders, name = path.relative_to(golden_folder).parts
        if any(folder.startswith(".") for folder in folders):
            continue
        if name.startswith(".") and (name.endswith(".new") or _is_sound(path)):
            mistakes.append(BadInput(path, "left over from a write that was cut off; delete it"))
        elif _is_sound(path) and path.resolve() not in named and not unreadable.intersection(folders[:1]):
            mistakes.append(BadInput(path, f"named by no {REFERENCE_FILE}; delete it, or name it"))
    return mistakes


def _empty(golden_folder: Path) -> list[BadInput]:
    folders = sorted(path for path in golden_folder.iterdir() if path.is_dir() and not path.name.startswith("."))
    return [
        BadInput(folder, "empty; was its reference not committed?") for folder in folders if not any(folder.iterdir())
    ]


def _seconds(file: ImpulseFile) -> float:
    _present(file)
    samples, rate_hz = read_sound(file.path)
    return float(samples.shape[1] / rate_hz)


def few(found: Sequence[str]) -> str:
    """A list of names, cut off where it grows long."""
    return ", ".join(found[:8]) + (f" and {len(found) - 8} more" if len(found) > 8 else "")


# Writing, in detail.


def approvable(name: str, why: str, who: str, golden_folder: Path) -> None:
    if any(sign in name for sign in "*?[") or name == "all":
        raise BadInput(golden_folder, f'approve one reference at a time, by its name; got "{name}"')
    existing = names(golden_folder)
    if name not in existing:
        raise BadInput(golden_folder, f'no reference "{name}"; there are {few(existing)}')
    if not why.strip():
        raise BadInput(golden_folder / name, "say why the new response is right: --why TEXT")
    if not who.strip():
        raise BadInput(golden_folder / name, "say who approves")


def _channels_of(response: Response, place: Path) -> str:
    for channels, paths in PATHS.items():
        if response.paths == paths and response.samples.shape[0] == len(paths):
            return channels
    raise BadInput(place, f"a response with the paths {response.paths} is none of {', '.join(PATHS)}")


def _after_click(response: Response, name: str) -> NDArray[Any]:
    samples = response.samples[:, round(response.click_at_s * response.rate_hz) :]
    if samples.shape[1] == 0 or not np.isfinite(samples).all() or not samples.any():
        raise BadInput(name, "the response is empty, silent or not finite from its click on; it cannot be golden")
    return samples


def _write_impulses(
    folder: Path, samples: NDArray[Any], rate_hz: int, channels: str, origin: str
) -> list[dict[str, str]]:
    """Write one file per input, named after what it holds, and return the ``files`` tables of the TOML."""
    files = []
    for part, name in zip(np.split(samples, len(INPUTS[channels])), INPUTS[channels], strict=True):
        stored, suffix, subtype = _stored(part, rate_hz, origin)
        seal = digest(stored, rate_hz)
        path = folder / f"{STEMS[name]}-{seal[:12]}{suffix}"
        write_sound(path, stored, rate_hz, subtype)
        if digest(*read_sound(path)) != seal:
            raise BadInput(path, "does not read back as it was written; is the disk full?")
        files.append({"path": path.name, "input": name, "sha256": seal})
    return files


def _stored(samples: NDArray[Any], rate_hz: int, origin: str) -> tuple[NDArray[Any], str, str]:
    """Samples as they will be read back, and the suffix and subtype of the file.

    The smallest format that loses nothing. A render is kept in 32-bit floats: their rounding lies 150 dB below each
    sample, microseconds and thousandths of a dB are far above it, and its file is half as long. A capture is kept
    exactly, whatever that takes.
    """
    if rate_hz <= FLAC_HIGHEST_RATE_HZ:
        for bits in (16, 24):
            steps = samples * 2.0 ** (bits - 1)
            if np.array_equal(steps, np.round(steps)) and -(2 ** (bits - 1)) <= steps.min() <= steps.max() < 2 ** (
                bits - 1
            ):
                return samples, ".flac", f"PCM_{bits}"
    single = samples.astype(np.float32).astype(np.float64)
    if origin == "build" or np.array_equal(single, samples):
        return single, ".wav", "FLOAT"
    return samples, ".wav", "DOUBLE"


def _proven(written: Path, final: Path, shared: Path) -> Reference:
    """Read back what was written; mistakes are those of the caller's tables, so name the file they would be in."""
    try:
        return schema.read_reference(written, schema.read_tolerances(shared))
    except BadInput as error:
        raise BadInputs(
            [BadInput(one.place.replace(str(written), str(final)), one.problem) for one in each(error)]
        ) from error


def _log(folder: Path, approval: Approval, before: tuple[str, ...], after: tuple[str, ...]) -> None:
    record = {
        "when": approval.when.isoformat(),
        "who": approval.who,
        "build": approval.build,
        "why": approval.why,
        "old_sha256": list(before),
        "new_sha256": list(after),
    }
    with (folder / APPROVALS_FILE).open("a", encoding="utf-8", newline="\n") as log:
        log.write(json.dumps(record, ensure_ascii=False) + "\n")


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _digests(reference: Reference) -> tuple[str, ...]:
    return tuple(file.sha256 for file in reference.files)


def _now() -> datetime:
    return datetime.now(timezone.utc).replace(microsecond=0)


@contextlib.contextmanager
def _folder_beside(folder: Path) -> Iterator[Path]:
    beside = folder.with_name(f".{folder.name}.{os.getpid()}.new")
    beside.mkdir()
    try:
        yield beside
    finally:
        shutil.rmtree(beside, ignore_errors=True)
