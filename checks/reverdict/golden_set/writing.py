"""The only writer of golden folders: a new reference, or an approval of what one asks and how it sounds.

What an approval changes becomes true at one moment, the renaming of reference.toml: new impulses are written before
under a name of their own, old ones are removed after. If it is cut off in between, by a kill or by a power cut, the
reference is still whole, before or after; ``verify`` names what was left over, and the next approval of this reference
takes it away and adds the line that the log lacks. One approval at a time holds a reference, by a lock on its folder
(see ``durable``); what someone edits meanwhile is not written over.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from reverdict.durable import alone, flush_folder, settle, temporary, write_text
from reverdict.errors import BadInput, BadInputs, each
from reverdict.golden_set import terms
from reverdict.golden_set.approvals import digests, log_approval, not_logged, read_log
from reverdict.golden_set.impulses import Impulse, after_click, channels_of, impulses_of
from reverdict.golden_set.loading import defaults_of, few, names
from reverdict.golden_set.standing import AsItStands, as_written, left_by_approvals, terms_of
from reverdict.golden_set.text import (
    PROPOSED_TOLERANCES,
    Setting,
    proposed_tolerances,
    reference_text,
    with_approval,
    with_files,
    with_terms,
)
from reverdict.measure.version import ANALYSIS_VERSION
from reverdict.reference import DefaultTolerances, Reference
from reverdict.schema import REFERENCE_FILE, TOLERANCES_FILE
from reverdict.schema.reference import check_name, read_reference
from reverdict.schema.tolerances import read_tolerances
from reverdict.schema.toml import read_toml
from reverdict.words import PATHS, Response


def shared_tables(golden_folder: Path) -> dict[str, Any]:
    """Tables of the folder's tolerances.toml, or of what will be written there."""
    path = golden_folder / TOLERANCES_FILE
    return read_toml(path) if path.exists() else proposed_tolerances()


@contextlib.contextmanager
def writing_into(golden_folder: Path) -> Iterator[None]:
    """Say of a golden folder that the system refuses to write there."""
    try:
        yield
    except OSError as error:
        raise BadInput(golden_folder, f"cannot be written to ({error.strerror or error})") from error


# A new reference.


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
    channels = channels_of(response, folder)
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
        impulses = impulses_of(after_click(response, name), response.rate_hz, channels, str(tables.get("origin")))
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
        log_approval(reference, (), {"terms": in_force, "measured": dict(measured or {})})
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


@contextlib.contextmanager
def _folder_beside(folder: Path) -> Iterator[Path]:
    beside = folder.with_name(f".{folder.name}.{os.getpid()}.new")
    beside.mkdir()
    try:
        yield beside
    finally:
        shutil.rmtree(beside, ignore_errors=True)


# An approval.


@dataclass(frozen=True)
class Approved:
    """What an approval changed: digests of the impulses before and after, in the order of the inputs, and terms."""

    path: Path
    old_sha256: tuple[str, ...]
    new_sha256: tuple[str, ...]
    changed: tuple[terms.Change, ...] = ()


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


def approvable(name: str, why: str, who: str, golden_folder: Path) -> None:
    """Raise BadInput where this cannot be approved: no such reference, or nobody says why."""
    if any(sign in name for sign in "*?[") or name == "all":
        raise BadInput(golden_folder, f'approve one reference at a time, by its name; got "{name}"')
    existing = names(golden_folder)
    if name not in existing:
        raise BadInput(golden_folder, f'no reference "{name}"; there are {few(existing)}')
    if not why.strip():
        raise BadInput(golden_folder / name, "say why this is how it must sound: --why TEXT")
    if not who.strip():
        raise BadInput(golden_folder / name, "say who approves")


def look_at(name: str, golden_folder: Path, why: str = "", who: str = "") -> Approving:
    """A reference as it stands, and what an approval would make of it. To write it, hold it by ``approving``."""
    defaults = defaults_of(golden_folder)
    reference = read_reference(golden_folder / name / REFERENCE_FILE, defaults)
    text = reference.path.read_text(encoding="utf-8-sig")
    return Approving(reference, text, defaults, as_written(defaults), why, who)


@dataclass(frozen=True)
class Approving(AsItStands):
    """One reference in the hands of an approval, as it stood when that began."""

    why: str
    who: str

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
        approved_terms = (self.edited() and self.logged_terms()) or self.in_force()
        self._catch_up()
        self._put_in_place(text, impulses)
        after = read_reference(self.path, self.defaults)
        changed = terms.changes(approved_terms, in_force)
        values = {change.key: [change.old, change.new] for change in changed}
        told = {"changed": values} if values else {}
        log_approval(after, digests(before), {**told, "terms": in_force, "measured": dict(measured or {})})
        self.tidy(after)
        return Approved(self.path, digests(before), digests(after), changed)

    def _put_in_place(self, text: str, impulses: Sequence[Impulse]) -> None:
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

    def _impulses(self, response: Response) -> list[Impulse]:
        before = self.reference
        if response.rate_hz != before.rate_hz or response.paths != PATHS[before.channels]:
            own = f"{before.channels} at {before.rate_hz} Hz"
            offered = f"{channels_of(response, self.path)} at {response.rate_hz} Hz"
            raise BadInput(self.path, f"the reference is {own}, the response {offered}; make a new reference for it")
        samples = after_click(response, before.name)
        return impulses_of(samples, before.rate_hz, before.channels, before.origin)

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
        if not records or not_logged(self.reference, records[-1]) or "files" not in records[-1]:
            known = self.reference.approval.terms_sha256 == terms.seal(self.in_force())
            old = tuple(records[-1]["new_sha256"]) if records else ()
            log_approval(self.reference, old, {"found": True, **({"terms": self.in_force()} if known else {})})

    def tidy(self, after: Reference | None = None) -> list[str]:
        """Take away what this approval replaced, and what approvals that were killed left over; names of the files."""
        folder, kept = self.path.parent, {file.path.name for file in (after or self.reference).files}
        left = sorted(left_by_approvals(folder) - kept)
        for name in left:
            (folder / name).unlink(missing_ok=True)
        return left


# Both.


def _proven(written: Path, final: Path, defaults: DefaultTolerances) -> Reference:
    """Read back what was written; mistakes are those of the caller's tables, so name the file they would be in."""
    try:
        return read_reference(written, defaults)
    except BadInput as error:
        raise BadInputs(
            [BadInput(one.place.replace(str(written), str(final)), one.problem) for one in each(error)]
        ) from error


def _now() -> datetime:
    return datetime.now(timezone.utc).replace(microsecond=0)
