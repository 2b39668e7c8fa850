"""What does not pass, for CI services to show beside the change: one annotation for each check that closes the gate.

log            lines on the output, "::error file=…,line=1,title=…::…", which a service picks from the log of a job.
code-quality   a JSON list (code-quality.json) of issues with fingerprints, which a service reads as a report.

Both point at the reference.toml that asked. Hostile names stay text: control characters become escapes, and what the
syntax means something by is written in its own escapes. Fingerprints depend on reference and check alone, so that an
issue which stays is the same issue.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from typing import Any

from reverdict.report.ranking import checks_worst_first, closes_gate, references_worst_first
from reverdict.report.wording.basics import CHECK_NAMES, plain, reason_lines

KINDS = ("log", "code-quality")


def log_lines(verdict: Mapping[str, Any], golden: str) -> list[str]:
    """Lines to print; ``golden`` is the folder of the references, as seen from the root of the repository."""
    return [
        f"::error file={_property(path)},line=1,title={_property(title)}::{_escaped(said)}"
        for path, title, said in _found(verdict, golden)
    ]


def code_quality(verdict: Mapping[str, Any], golden: str) -> list[dict[str, Any]]:
    """The list of issues, JSON-ready; empty where nothing closes the gate."""
    return [
        {
            "description": f"{title}: {said}",
            "check_name": "reverdict",
            "fingerprint": hashlib.sha256(title.encode("utf-8", "backslashreplace")).hexdigest(),
            "severity": "major",
            "location": {"path": path, "lines": {"begin": 1}},
        }
        for path, title, said in _found(verdict, golden)
    ]


def _found(verdict: Mapping[str, Any], golden: str) -> Iterator[tuple[str, str, str]]:
    """File, title and message of each annotation, the worst first."""
    folder = plain(golden.removeprefix("./").rstrip("/"))
    for error in verdict["errors"]:
        yield folder, "reverdict: cannot judge", plain(error)
    for reference in references_worst_first(verdict):
        name = plain(reference["name"])
        path = f"{folder}/{name}/reference.toml"
        closing = [check for check in checks_worst_first(reference) if closes_gate(check)]
        for check in closing:
            lines = reason_lines(check, reference, str(verdict["build"]["kind"]))
            said = "; ".join(lines) or plain(check["reason"]) or "closes the gate"
            yield path, f"{name}: {CHECK_NAMES[check['check']]}: {check['outcome']}", said
        if not closing and reference["outcome"] in ("fail", "unsure"):
            yield path, f"{name}: {reference['outcome']}", "nothing was asked of it, or nothing could be told"


def _escaped(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _escaped(text).replace(":", "%3A").replace(",", "%2C")
