"""References as they stand: the terms in force, beside those that were last approved."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from reverdict.golden_set import terms
from reverdict.golden_set.approvals import APPROVALS_FILE, read_log
from reverdict.golden_set.impulses import OWN_NAMES, STEMS, seconds_of
from reverdict.golden_set.loading import defaults_of, references
from reverdict.measure.version import ANALYSIS_VERSION
from reverdict.reference import DefaultTolerances, Reference
from reverdict.schema import REFERENCE_FILE
from reverdict.schema.toml import parsed, read_toml

OWN_TEMPORARY = re.compile(
    rf"\.({re.escape(REFERENCE_FILE)}|{re.escape(APPROVALS_FILE)})\.\d+\.new"
    rf"|\.({'|'.join(STEMS.values())})-[0-9a-f]{{12}}\.\d+\.(wav|flac)"
)
"""What only an approval writes into a reference's folder, and may take away when it was left over."""


@dataclass(frozen=True)
class AsItStands:
    """One reference and the text it was read from.

    defaults, shared : tolerances.toml, read and as it stands.
    """

    reference: Reference
    text: str
    defaults: DefaultTolerances
    shared: Mapping[str, Any]

    @property
    def path(self) -> Path:
        return self.reference.path

    def in_force(self) -> terms.Terms:
        """The terms in force as it stands."""
        return terms_of(self.text, self.shared)

    @property
    def recorded(self) -> bool:
        """Whether an approval has recorded its terms before."""
        return self.reference.approval.terms_sha256 is not None or self.logged_terms() is not None

    def edited(self) -> tuple[terms.Change, ...]:
        """Terms that are not those last approved; none where no approval recorded them.

        Where the log does not know what the seal in reference.toml was set on, one change without values.
        """
        now, sealed, logged = self.in_force(), self.reference.approval.terms_sha256, self.logged_terms()
        if sealed == terms.seal(now) or (sealed is None and logged is None):
            return ()
        if logged is None or (sealed and terms.seal(logged) != sealed):
            return (terms.Change("the terms", None, None),)
        return terms.changes(logged, now)

    def logged_terms(self) -> terms.Terms | None:
        """The terms that the log last recorded."""
        records = [record for record in read_log(self.path.parent)[0] if "terms" in record]
        return dict(records[-1]["terms"]) if records else None


def as_it_stands(reference: Reference, defaults: DefaultTolerances, shared: Mapping[str, Any]) -> AsItStands:
    """A reference that has been read, with its text."""
    return AsItStands(reference, reference.path.read_text(encoding="utf-8-sig"), defaults, shared)


def terms_of(text: str, shared: Mapping[str, Any]) -> terms.Terms:
    """The terms in force by the text of a reference.toml and the tables of tolerances.toml."""
    return terms.in_force(parsed(text), shared)


def as_written(defaults: DefaultTolerances) -> dict[str, Any]:
    """The tables of tolerances.toml; none where there is no such file."""
    return read_toml(defaults.path) if defaults.path.exists() else {}


def edited_by_hand(reference: Reference, golden_folder: Path) -> tuple[terms.Change, ...]:
    """Terms in force that are not those last approved, see ``AsItStands.edited``."""
    defaults = defaults_of(golden_folder)
    return as_it_stands(reference, defaults, as_written(defaults)).edited()


def remarks(found: Sequence[Reference], golden_folder: Path) -> list[tuple[str, ...]]:
    """What a verdict should tell of each reference: terms nobody approved, and approval under another analysis."""
    defaults = defaults_of(golden_folder)
    shared = as_written(defaults)
    return [tuple(_remarks(one, as_it_stands(one, defaults, shared).edited())) for one in found]


def _remarks(reference: Reference, edited: Sequence[terms.Change]) -> Iterator[str]:
    if edited:
        yield f"tolerances not approved, edited by hand: {'; '.join(map(str, edited))}"
    then = reference.approval.analysis_version
    if then not in (None, ANALYSIS_VERSION):
        moved = "golden verify says what it measures differently now"
        yield f"approved under analysis {then}, judged by {ANALYSIS_VERSION}: {moved}"


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


def describe(golden_folder: Path, only: str = "*") -> list[Summary]:
    """One summary per selected reference; digests are not looked at."""
    return [
        Summary(
            name=reference.name,
            title=reference.title,
            origin=reference.origin,
            channels=reference.channels,
            rate_hz=reference.rate_hz,
            seconds=seconds_of(reference.files[0]),
            asked=tuple(check for check in reference.checks if not reference.settings(check).not_asked),
            approved_by=reference.approval.who,
            approved_at=reference.approval.when,
            approved_build=reference.approval.build,
            edited=bool(edited_by_hand(reference, golden_folder)),
        )
        for reference in references(golden_folder, only)
    ]


def left_by_approvals(folder: Path) -> set[str]:
    """Names in a reference's folder that are an approval's own: temporary ones, and those of impulses past or present.

    That is, of our making by the look of it, or named by the log.
    """
    logged = {str(name) for record in read_log(folder)[0] for name in record.get("files", ())}
    names = {path.name for path in folder.iterdir() if path.is_file()}
    return {name for name in names if OWN_NAMES.fullmatch(name) or OWN_TEMPORARY.fullmatch(name) or name in logged}
