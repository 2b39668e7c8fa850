"""The folder of golden references: load it, verify it, add a reference, approve a new response for one.

    golden/tolerances.toml          tolerances for every reference that does not set its own
    golden/<name>/reference.toml    one reference: its impulses with their digests, its approval, its tolerances
    golden/<name>/*.wav, *.flac     impulse responses from the click on, one file per input
    golden/<name>/approvals.log     every approval so far, one JSON object a line

Ordinary runs only read. What an approval changes becomes true at one moment, the renaming of reference.toml: new
impulses are written before under a name of their own, old ones are removed after. If it is cut off in between, by a
kill or by a power cut, the reference is still whole, before or after; ``verify`` names what was left over, and the next
approval of this reference takes it away and adds the line that the log lacks. One approval at a time holds a reference,
by a lock on its folder (see ``durable``); what someone edits meanwhile is not written over.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timezone
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reverdict import terms
from reverdict.approvals import APPROVALS_FILE, Record, add_to_log, read_log
from reverdict.durable import alone, flush, flush_folder, settle, temporary, write_text
from reverdict.errors import BadInput, BadInputs, each, noted
from reverdict.golden_text import (
    PROPOSED_TOLERANCES,
    Setting,
    reference_text,
    terms_of,
    with_approval,
    with_files,
    with_terms,
)
from reverdict.measure.version import ANALYSIS_VERSION
from reverdict.reference import DefaultTolerances, ImpulseFile, Reference
from reverdict.schema import REFERENCE_FILE, TOLERANCES_FILE
from reverdict.schema.reference import check_name, read_reference
from reverdict.schema.tolerances import read_tolerances
from reverdict.schema.toml import read_toml
from reverdict.sound import SOUND_SUFFIXES, digest, read_sound, write_sound
from reverdict.words import INPUTS, PATHS, Response

STEMS = {"mono": "response", "left": "response-left-in", "right": "response-right-in"}
"""How an impulse file of each input is called, before the first digits of its digest."""

OWN_NAMES = re.compile(rf"({'|'.join(STEMS.values())})-[0-9a-f]{{12}}\.(wav|flac)")
OWN_TEMPORARY = re.compile(
    rf"\.({re.escape(REFERENCE_FILE)}|{re.escape(APPROVALS_FILE)})\.\d+\.new"
    rf"|\.({'|'.join(STEMS.values())})-[0-9a-f]{{12}}\.\d+\.(wav|flac)"
)
"""What only an approval writes into a reference's folder, and may take away when it was left over."""

FLAC_HIGHEST_RATE_HZ = 655350

READERS = 4
"""Impulses decoded side by side."""


class GoldenReference:
    """A golden reference: what is asked, and the response that answers it, which is read when it is first asked for.

    Hundreds of references are few TOMLs and many seconds of sound: ``forget`` lets go of the sound until it is asked
    for again.
    """

    def __init__(self, reference: Reference, response: Response | None = None) -> None:
        self.reference = reference
        self._response = response

    @property
    def name(self) -> str:
        return self.reference.name

    @property
    def response(self) -> Response:
        """Raises BadInputs where an impulse is missing, altered, of another rate or channel count, or silent."""
        if self._response is None:
            response, mistakes = _response(self.reference)
            if response is None:
                raise BadInputs(mistakes)
            self._response = response
        return self._response

    def forget(self) -> None:
        """Let go of the samples."""
        self._response = None


@dataclass(frozen=True)
class Summary:
    """One line of a list of references.

    seconds : length of its impulses.
    edited : whether its terms are not those last approved.
    """

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
    edited: bool


@dataclass(frozen=True)
class Approved:
    """What an approval changed: digests of the impulses before and after, in the order of the inputs, and terms."""

    path: Path
    old_sha256: tuple[str, ...]
    new_sha256: tuple[str, ...]
    changed: tuple[terms.Change, ...] = ()


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
    return read(golden_folder, names(golden_folder, only))


def read(golden_folder: Path, named: Sequence[str]) -> list[Reference]:
    """References by their names, as ``references`` gives them."""
    found, mistakes = _read(golden_folder, named)
    if mistakes:
        raise BadInputs(mistakes)
    return found


def load(golden_folder: Path, only: str = "*", among: Sequence[str] | None = None) -> list[GoldenReference]:
    """The selected references with their samples, each held against its digest.

    Parameters
    ----------
    golden_folder : path
    only : str
        Glob that names must match.
    among : sequence of str, optional
        Names of which they must be, too.

    Raises
    ------
    BadInputs
        Every mistake of all the selected references: in their TOML, and impulses that are missing, altered, of another
        rate or channel count, or silent.
    BadInput
        Nothing to load, see ``names``.
    """
    found, mistakes = _read(golden_folder, _selected(golden_folder, only, among))
    loaded = []
    for reference in found:
        response, faults = _response(reference)
        mistakes += faults
        loaded.append(GoldenReference(reference, response))
    if mistakes:
        raise BadInputs(mistakes)
    return loaded


def prove(golden_folder: Path, only: str = "*", among: Sequence[str] | None = None) -> list[Reference]:
    """The selected references, of which ``load`` would read the samples without a complaint; raises as it does.

    No samples are kept, and files are read side by side: decoding and digests leave Python's lock alone.
    """
    return read_proven(golden_folder, _selected(golden_folder, only, among))


def read_proven(golden_folder: Path, named: Sequence[str]) -> list[Reference]:
    """References by their names, as ``prove`` gives them."""
    found, mistakes = _read(golden_folder, named)
    with ThreadPoolExecutor(READERS) as readers:
        for faults in readers.map(lambda reference: _response(reference)[1], found):
            mistakes += faults
    if mistakes:
        raise BadInputs(mistakes)
    return found


def _selected(golden_folder: Path, only: str, among: Sequence[str] | None) -> list[str]:
    return [name for name in names(golden_folder, only) if among is None or name in among]


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
    named = {os.path.realpath(file.path) for reference in found for file in reference.files}
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
            asked=tuple(check for check in reference.checks if not reference.settings(check).not_asked),
            approved_by=reference.approval.who,
            approved_at=reference.approval.when,
            approved_build=reference.approval.build,
            edited=bool(edited_by_hand(reference, golden_folder)),
        )
        for reference in references(golden_folder, only)
    ]


# Writing.


def new(
    name: str,
    response: Response,
    tables: Mapping[str, Any],
    golden_folder: Path,
    *,
    evidence: Mapping[str, str] | None = None,
    measured: Mapping[str, float] | None = None,
) -> Path:
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
    evidence : mapping, optional
        Where tolerances come from, "table.key" to text: written beside them.
    measured : mapping, optional
        What it measures (``measure.figures``), for the log.

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
    with (
        alone(golden_folder, f"another reference is being made in {golden_folder}"),
        _folder_beside(folder) as beside,
    ):
        if problem := name_problem(name, golden_folder):
            raise BadInput(folder, problem)
        shared = golden_folder / TOLERANCES_FILE
        if not shared.exists():
            shared = beside / TOLERANCES_FILE
            write_text(shared, PROPOSED_TOLERANCES)
        inside = beside / name
        inside.mkdir()
        impulses = _impulses_of(_after_click(response, name), response.rate_hz, channels, str(tables.get("origin")))
        for impulse in impulses:
            impulse.write(inside)
        facts = {"schema": 1, "rate_hz": response.rate_hz, "channels": channels}
        approval = {"when": _now(), "analysis_version": ANALYSIS_VERSION, **tables.get("approval", {})}
        files = [impulse.table for impulse in impulses]
        text = reference_text(name, {**tables, **facts, "files": files, "approval": approval}, evidence or {})
        in_force = terms_of(text, read_toml(shared))
        write_text(inside / REFERENCE_FILE, with_approval(text, {"terms_sha256": terms.seal(in_force)}))
        defaults = read_tolerances(shared)
        reference = _proven(inside / REFERENCE_FILE, folder / REFERENCE_FILE, defaults)
        _log(reference, (), {"terms": in_force, "measured": dict(measured or {})})
        if shared.parent == beside:
            settle(shared, golden_folder / TOLERANCES_FILE)
        inside.rename(folder)
        flush_folder(golden_folder)
    return folder / REFERENCE_FILE


def name_problem(name: str, golden_folder: Path) -> str:
    """Why a new reference cannot have this name; empty where it can."""
    if problem := check_name(name):
        return problem
    if name == "all":
        return '"all" cannot name a reference; approvals go by name, and nobody approves all'
    if (golden_folder / name).exists():
        return f'there is already a reference "{name}"; to change how it must sound, approve a new response for it'
    return ""


def approve(
    name: str, response: Response, build: str, why: str, who: str, golden_folder: Path, **more: Any
) -> Approved:
    """Let one reference sound like ``response`` from now on; see ``approving``, for ``more`` ``Approving.write``."""
    with approving(name, why, who, golden_folder) as held:
        return held.write(response, build, **more)


@contextlib.contextmanager
def approving(
    name: str, why: str, who: str, golden_folder: Path, waiting: Callable[[str], None] | None = None
) -> Iterator[Approving]:
    """Hold one reference for an approval: nobody else approves it until this ends.

    Parameters
    ----------
    name : str
        One reference; there is no approving several at a time.
    why, who : str
        Why the change is right, who says so.
    waiting : callable, optional
        Told that another approval of this reference is waited for.

    Raises
    ------
    BadInput
        No such reference, no reason given, or another approval that does not end.
    """
    approvable(name, why, who, golden_folder)
    folder = golden_folder / name
    with alone(folder, f"another approval of {name} is under way", waiting):
        yield look_at(name, golden_folder, why, who)


def look_at(name: str, golden_folder: Path, why: str = "", who: str = "") -> Approving:
    """A reference as it stands, and what an approval would make of it. To write it, hold it by ``approving``."""
    defaults = _defaults(golden_folder)
    reference = read_reference(golden_folder / name / REFERENCE_FILE, defaults)
    return _in_hands(reference, defaults, _as_written(defaults), why, who)


def _in_hands(
    reference: Reference, defaults: DefaultTolerances, shared: Mapping[str, Any], why: str = "", who: str = ""
) -> Approving:
    return Approving(reference, reference.path.read_text(encoding="utf-8-sig"), defaults, shared, why, who)


@dataclass(frozen=True)
class Approving:
    """One reference in the hands of an approval.

    reference, text : as they stood when it began.
    defaults, shared : tolerances.toml, read and as it stands.
    """

    reference: Reference
    text: str
    defaults: DefaultTolerances
    shared: Mapping[str, Any]
    why: str
    who: str

    @property
    def path(self) -> Path:
        return self.reference.path

    def in_force(self) -> terms.Terms:
        """The terms in force as it stands."""
        return terms_of(self.text, self.shared)

    @property
    def recorded(self) -> bool:
        """Whether an approval has recorded its terms before."""
        return self.reference.approval.terms_sha256 is not None or self._logged_terms() is not None

    def edited(self) -> tuple[terms.Change, ...]:
        """Terms that are not those last approved; none where no approval recorded them.

        Where the log does not know what the seal in reference.toml was set on, one change without values.
        """
        now, sealed, logged = self.in_force(), self.reference.approval.terms_sha256, self._logged_terms()
        if sealed == terms.seal(now) or (sealed is None and logged is None):
            return ()
        if logged is None or (sealed and terms.seal(logged) != sealed):
            return (terms.Change("the terms", None, None),)
        return terms.changes(logged, now)

    def _logged_terms(self) -> terms.Terms | None:
        """The terms that the log last recorded."""
        records = [record for record in read_log(self.path.parent)[0] if "terms" in record]
        return dict(records[-1]["terms"]) if records else None

    def set(self, settings: Sequence[Setting]) -> tuple[terms.Change, ...]:
        """What these settings change. Raises BadInputs with what the schema says against them."""
        text = with_terms(self.text, settings)
        self._prove(text)
        return terms.changes(self.in_force(), terms_of(text, self.shared))

    def write(
        self,
        response: Response | None = None,
        build: str = "",
        *,
        price: Mapping[str, Any] | None = None,
        settings: Sequence[Setting] = (),
        measured: Mapping[str, float] | None = None,
        when: datetime | None = None,
    ) -> Approved:
        """Make it true. Comments of the TOML stay, and so do the terms that are not in ``settings``.

        Parameters
        ----------
        response : Response, optional
            Paths and rate as the reference has them. What lies before its click is cut off, to the nearest sample.
            None leaves the impulses as they are.
        build : str
            Which build the response is of; needed with one.
        price : mapping, optional
            What this build costs, as keys of ``[cost]`` (``costing.price``).
        measured : mapping, optional
            What the new golden measures (``measure.figures``), for the log.
        when : datetime with a time zone, optional
            Default is now.

        Raises
        ------
        BadInput
            A response that does not fit the reference, settings that may not be, or a reference.toml that was edited
            since this began.
        """
        before = self.reference
        impulses = [] if response is None else self._impulses(response)
        text = with_terms(with_files(self.text, [one.table for one in impulses], price or {}), settings)
        approval: dict[str, str | int | datetime] = {"who": self.who, "when": when or _now(), "why": self.why}
        approval |= {"build": build} if build else {}
        in_force = terms_of(text, self.shared)
        approval |= {"analysis_version": ANALYSIS_VERSION, "terms_sha256": terms.seal(in_force)}
        text = with_approval(text, approval)
        self._prove(text)
        approved_terms = (self.edited() and self._logged_terms()) or self.in_force()
        self._catch_up()
        self._put_in_place(text, impulses)
        after = read_reference(self.path, self.defaults)
        changed = terms.changes(approved_terms, in_force)
        values = {change.key: [change.old, change.new] for change in changed}
        told = {"changed": values} if values else {}
        _log(after, _digests(before), {**told, "terms": in_force, "measured": dict(measured or {})})
        self.tidy(after)
        return Approved(self.path, _digests(before), _digests(after), changed)

    def _put_in_place(self, text: str, impulses: Sequence[_Impulse]) -> None:
        """Impulses first, beside the old ones; then, at one moment, the text that names them."""
        folder, draft = self.path.parent, temporary(self.path)
        try:
            for impulse in impulses:
                impulse.write(folder)
            write_text(draft, text)
            flush_folder(folder)
            if self._as_it_stands() != self.text:
                raise BadInput(self.path, "was edited while this approval ran; nothing is written, approve again")
            settle(draft, self.path)
        except BaseException:
            if self._as_it_stands() != text:
                old = {file.path.name for file in self.reference.files}
                for name in {impulse.table["path"] for impulse in impulses} - old:
                    (folder / name).unlink(missing_ok=True)
            raise
        finally:
            draft.unlink(missing_ok=True)

    def _as_it_stands(self) -> str:
        return self.path.read_text(encoding="utf-8-sig")

    def _impulses(self, response: Response) -> list[_Impulse]:
        before = self.reference
        if response.rate_hz != before.rate_hz or response.paths != PATHS[before.channels]:
            own = f"{before.channels} at {before.rate_hz} Hz"
            offered = f"{_channels_of(response, self.path)} at {response.rate_hz} Hz"
            raise BadInput(self.path, f"the reference is {own}, the response {offered}; make a new reference for it")
        samples = _after_click(response, before.name)
        return _impulses_of(samples, before.rate_hz, before.channels, before.origin)

    def _prove(self, text: str) -> None:
        """Raise BadInputs with what the schema has against this text, in the name of the file it would be in."""
        with tempfile.TemporaryDirectory(prefix="reverdict-draft-") as place:
            draft = Path(place) / REFERENCE_FILE
            draft.write_text(text, encoding="utf-8")
            _proven(draft, self.path, self.defaults)

    def _catch_up(self) -> None:
        """Have the log end with the golden that stands there, whose line an approval that was killed did not write.

        It names the files which this approval is to replace, so that they are known as left over from then on.
        """
        records, _ = read_log(self.path.parent)
        if not records or _not_logged(self.reference, records[-1]) or "files" not in records[-1]:
            known = self.reference.approval.terms_sha256 == terms.seal(self.in_force())
            old = tuple(records[-1]["new_sha256"]) if records else ()
            _log(self.reference, old, {"found": True, **({"terms": self.in_force()} if known else {})})

    def tidy(self, after: Reference | None = None) -> list[str]:
        """Take away what this approval replaced, and what approvals that were killed left over; names of the files."""
        folder, kept = self.path.parent, {file.path.name for file in (after or self.reference).files}
        left = sorted(_left_by_approvals(folder) - kept)
        for name in left:
            (folder / name).unlink(missing_ok=True)
        return left


# Reading, in detail.


def _is_reference(folder: Path) -> bool:
    """A folder that is, or once was, a reference: one whose TOML was lost must not drop out unseen."""
    if folder.name.startswith(".") or not folder.is_dir():
        return False
    try:
        return any(_is_sound(file) or file.name in (REFERENCE_FILE, APPROVALS_FILE) for file in folder.iterdir())
    except OSError:  # whatever it is, it must not drop out unseen
        return True


def _is_sound(file: Path) -> bool:
    return file.suffix.lower() in SOUND_SUFFIXES


def _defaults(golden_folder: Path) -> DefaultTolerances:
    path = golden_folder / TOLERANCES_FILE
    return read_tolerances(path) if os.path.lexists(path) else DefaultTolerances(path)


def _as_written(defaults: DefaultTolerances) -> dict[str, Any]:
    """Their tables; none where there is no such file."""
    return read_toml(defaults.path) if defaults.path.exists() else {}


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
            if problem := check_name(name):
                raise BadInput(golden_folder / name, problem)
            found.append(read_reference(golden_folder / name / REFERENCE_FILE, defaults))
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
    try:
        if not stat.S_ISREG(file.path.stat().st_mode):
            raise BadInput(file.path, f"no file, but {REFERENCE_FILE} names it as a sound file")
        with file.path.open("rb") as opened:
            pointer = opened.read(7) == b"version"
    except FileNotFoundError:
        raise BadInput(file.path, f"missing, but named in {REFERENCE_FILE}; was it not committed?") from None
    except OSError as error:
        raise BadInput(file.path, f"cannot be read ({error.strerror or error})") from error
    if pointer:
        raise BadInput(file.path, "a pointer of git LFS instead of the sound; git lfs pull")


def _channels_per_file(channels: str) -> int:
    return len(PATHS[channels]) // len(INPUTS[channels])


def unlogged(reference: Reference) -> list[BadInput]:
    """A log with lines that are none, or whose last approval is not that of the reference: cut off, changed by hand."""
    folder = reference.path.parent
    path = folder / APPROVALS_FILE
    if not os.path.lexists(path):
        return []
    records, mistakes = read_log(folder)
    if not records:
        return mistakes or [BadInput(path, "holds no approval; was it cut off? The next approval adds what it lacks")]
    if not _not_logged(reference, records[-1]):
        return mistakes
    if records[-1]["new_sha256"] == list(_digests(reference)):
        slip = f"that of {reference.approval.when:%Y-%m-%d %H:%M} is missing, the next approval adds it"
        return [*mistakes, BadInput(path, f"its last approval is not the one {REFERENCE_FILE} tells of; {slip}")]
    slip = "approve once more, so that it is known who changed it and why"
    return [*mistakes, BadInput(path, f"its last approval is not that of the impulses in place; {slip}")]


def last_measured(reference: Reference) -> Record | None:
    """The record of the approval that last wrote down what the golden in place measures, if there is one."""
    records = [record for record in read_log(reference.path.parent)[0] if "measured" in record]
    same = [record for record in records if record["new_sha256"] == list(_digests(reference))]
    return same[-1] if same else None


def edited_by_hand(reference: Reference, golden_folder: Path) -> tuple[terms.Change, ...]:
    """Terms in force that are not those last approved, see ``Approving.edited``."""
    defaults = _defaults(golden_folder)
    return _in_hands(reference, defaults, _as_written(defaults)).edited()


def remarks(found: Sequence[Reference], golden_folder: Path) -> list[tuple[str, ...]]:
    """What a verdict should tell of each reference: terms nobody approved, and approval under another analysis."""
    defaults = _defaults(golden_folder)
    shared = _as_written(defaults)
    return [tuple(_remarks(one, _in_hands(one, defaults, shared).edited())) for one in found]


def _remarks(reference: Reference, edited: Sequence[terms.Change]) -> Iterator[str]:
    if edited:
        yield f"tolerances not approved, edited by hand: {'; '.join(map(str, edited))}"
    then = reference.approval.analysis_version
    if then not in (None, ANALYSIS_VERSION):
        moved = "golden verify says what it measures differently now"
        yield f"approved under analysis {then}, judged by {ANALYSIS_VERSION}: {moved}"


def _leftovers(golden_folder: Path, named: set[str], unreadable: set[str]) -> list[BadInput]:
    """Sound files that no reference names, and what a cut-off write left behind. Unreadable references name none."""
    mistakes: list[BadInput] = []
    for path in _walk(golden_folder, mistakes):
        *folders, name = path.relative_to(golden_folder).parts
        if name.startswith(".") and (name.endswith(".new") or _is_sound(path)):
            ours = folders and OWN_TEMPORARY.fullmatch(name)
            advice = f"the next approval of {folders[0]} takes it away" if ours else "delete it"
            mistakes.append(BadInput(path, f"left over from a write that was cut off; {advice}"))
        elif _is_sound(path) and os.path.realpath(path) not in named and not unreadable.intersection(folders[:1]):
            if folders and name in _left_by_approvals(golden_folder / folders[0]):
                problem = f"left over from an approval that was cut off; the next one of {folders[0]} takes it away"
            else:
                problem = f"named by no {REFERENCE_FILE}; delete it, or name it"
            mistakes.append(BadInput(path, problem))
    return mistakes


def _walk(folder: Path, mistakes: list[BadInput]) -> Iterator[Path]:
    """Everything below a folder, hidden and linked folders left out, and sounds of a report that lies there.

    Notes which folders cannot be looked into.
    """
    try:
        found = sorted(folder.iterdir())
    except OSError as error:
        mistakes.append(BadInput(folder, f"cannot be looked into ({error.strerror or error})"))
        return
    for path in found:
        yield path
        of_report = path.name == "sounds" and (folder / "verdict.json").is_file()
        if path.is_dir() and not path.is_symlink() and not path.name.startswith(".") and not of_report:
            yield from _walk(path, mistakes)


def _empty(golden_folder: Path) -> list[BadInput]:
    mistakes = []
    for folder in sorted(path for path in golden_folder.iterdir() if path.is_dir() and not path.name.startswith(".")):
        with contextlib.suppress(OSError):  # told by _walk
            if not any(folder.iterdir()):
                mistakes.append(BadInput(folder, "empty; was its reference not committed?"))
    return mistakes


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
        raise BadInput(golden_folder / name, "say why this is how it must sound: --why TEXT")
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


@dataclass(frozen=True)
class _Impulse:
    """An impulse file before it is written: its entry in the TOML, and what it holds."""

    table: dict[str, str]
    samples: NDArray[Any]
    rate_hz: int
    subtype: str

    def write(self, folder: Path) -> None:
        path = folder / self.table["path"]
        write_sound(path, self.samples, self.rate_hz, self.subtype)
        flush(path)
        if digest(*read_sound(path)) != self.table["sha256"]:
            raise BadInput(path, "does not read back as it was written; is the disk full?")


def _impulses_of(samples: NDArray[Any], rate_hz: int, channels: str, origin: str) -> list[_Impulse]:
    """One impulse per input, its file named after what it holds."""
    impulses = []
    for part, name in zip(np.split(samples, len(INPUTS[channels])), INPUTS[channels], strict=True):
        stored, suffix, subtype = _stored(part, rate_hz, origin)
        sha256 = digest(stored, rate_hz)
        table = {"path": f"{STEMS[name]}-{sha256[:12]}{suffix}", "input": name, "sha256": sha256}
        impulses.append(_Impulse(table, stored, rate_hz, subtype))
    return impulses


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
                return samples + 0.0, ".flac", f"PCM_{bits}"  # whole numbers have no −0.0
    single = samples.astype(np.float32).astype(np.float64)
    if origin == "build" or np.array_equal(single, samples):
        return single, ".wav", "FLOAT"
    return samples, ".wav", "DOUBLE"


def _proven(written: Path, final: Path, defaults: DefaultTolerances) -> Reference:
    """Read back what was written; mistakes are those of the caller's tables, so name the file they would be in."""
    try:
        return read_reference(written, defaults)
    except BadInput as error:
        raise BadInputs(
            [BadInput(one.place.replace(str(written), str(final)), one.problem) for one in each(error)]
        ) from error


def _log(reference: Reference, before: tuple[str, ...], more: Record) -> None:
    approval = reference.approval
    record = {
        "when": approval.when.isoformat(),
        "who": approval.who,
        "build": approval.build,
        "why": approval.why,
        "old_sha256": list(before),
        "new_sha256": list(_digests(reference)),
        "files": [file.path.name for file in reference.files],
        "analysis_version": approval.analysis_version,
    }
    kept = {key: value for key, value in {**record, **more}.items() if value not in (None, {})}
    add_to_log(reference.path.parent, [kept])


def _not_logged(reference: Reference, last: Record) -> bool:
    """Whether the last line of the log is that of another approval than reference.toml tells of."""
    approval = reference.approval
    other_terms = approval.terms_sha256 and "terms" in last and terms.seal(last["terms"]) != approval.terms_sha256
    return (
        last["new_sha256"] != list(_digests(reference))
        or last.get("when") != approval.when.isoformat()
        or bool(other_terms)
    )


def _left_by_approvals(folder: Path) -> set[str]:
    """Names in a reference's folder that are an approval's own: temporary ones, and those of impulses past or present.

    That is, of our making by the look of it, or named by the log.
    """
    logged = {str(name) for record in read_log(folder)[0] for name in record.get("files", ())}
    names = {path.name for path in folder.iterdir() if path.is_file()}
    return {name for name in names if OWN_NAMES.fullmatch(name) or OWN_TEMPORARY.fullmatch(name) or name in logged}


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
