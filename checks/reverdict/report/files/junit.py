"""``junit.xml``: one test suite per reference, one test case per check and cell, for the test pages of CI servers.

Cases of other cells of the render matrix carry their name, as "echo-timing[96-kHz]".

fail → ``failure``; an unsure that closes the gate → ``failure`` of type "unsure"; an accepted unsure and what was not
asked → ``skipped`` with the reason. What kept the suite from judging → ``error``. A verdict that does not pass never
reads as zero failures here. Hostile text is shown as text: characters XML cannot hold become escapes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from xml.etree import ElementTree as ET

from reverdict.phrases import cell_key
from reverdict.report import cells
from reverdict.report.ranking import closes_gate
from reverdict.report.wording.basics import CHECK_NAMES, plain, reason_lines
from reverdict.report.wording.sentences import about_reference


def junit_xml(verdict: Mapping[str, Any]) -> str:
    """Give the verdict as JUnit XML."""
    suites = ET.Element("testsuites", name="reverdict")
    for reference in verdict["references"]:
        suites.append(_suite(reference, verdict))
    troubles = _troubles(verdict, suites)
    if troubles:
        suites.insert(0, _error_suite(troubles, verdict))
    _tally(suites, list(suites))
    ET.indent(suites)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(suites, encoding="unicode") + "\n"


def _suite(reference: Mapping[str, Any], verdict: Mapping[str, Any]) -> ET.Element:
    name = plain(reference["name"])
    suite = _empty_suite(name, verdict)
    seen: list[tuple[str, Mapping[str, Any]]] = [("", reference)]
    if several := cells.cells_of(reference):
        seen = [(plain(cell["cell"]), cells.alone(reference, cell)) for cell in several]
    for cell, there in seen:
        in_cell = f"[{cell_key(cell)}]" if cell else ""
        for check in there["checks"]:
            case = ET.SubElement(suite, "testcase", classname=name, name=check["check"] + in_cell)
            _judge(case, check, there, str(verdict["build"]["kind"]))
    if reference["outcome"] in ("fail", "unsure") and not _explained(reference):
        case = ET.SubElement(suite, "testcase", classname=name, name="reference")
        _add(case, "failure", " ".join(about_reference(reference)), type=reference["outcome"])
    _tally(suite, [suite])
    return suite


def _judge(case: ET.Element, check: Mapping[str, Any], reference: Mapping[str, Any], kind: str) -> None:
    outcome = check["outcome"]
    if closes_gate(check):
        lines = reason_lines(check, reference, kind) or [f"{CHECK_NAMES[check['check']]} closes the gate"]
        _add(case, "failure", lines[0], type=outcome).text = "\n".join(lines)
    elif outcome == "not asked":
        _add(case, "skipped", f"not asked: {plain(check['reason'])}")
    elif outcome == "unsure":
        why = [plain(check["reason"]), *reason_lines(check, reference, kind)]
        _add(case, "skipped", f"unsure, accepted: {next(line for line in why if line)}")


def _explained(reference: Mapping[str, Any]) -> bool:
    """Whether one of the checks already shows why the reference does not pass."""
    return any(closes_gate(check) for check in reference["checks"])


def _troubles(verdict: Mapping[str, Any], suites: ET.Element) -> list[str]:
    troubles = [plain(error) for error in verdict["errors"]]
    if not verdict["references"] and not troubles:
        troubles = ["nothing was judged: no reference, no check, no finding"]
    if verdict["outcome"] in ("error", "fail") and not troubles and suites.find(".//failure") is None:
        troubles = [f"the verdict is {verdict['outcome']}"]
    return troubles


def _error_suite(troubles: list[str], verdict: Mapping[str, Any]) -> ET.Element:
    suite = _empty_suite("cannot judge", verdict)
    for number, trouble in enumerate(troubles, start=1):
        case = ET.SubElement(suite, "testcase", classname="reverdict", name=f"cannot judge {number}")
        _add(case, "error", trouble, type="cannot judge")
    _tally(suite, [suite])
    return suite


def _empty_suite(name: str, verdict: Mapping[str, Any]) -> ET.Element:
    suite = ET.Element("testsuite", name=name)
    if verdict["judged_at"]:
        suite.set("timestamp", plain(verdict["judged_at"]))
    properties = ET.SubElement(suite, "properties")
    for key, value in verdict["build"].items():
        if value:
            ET.SubElement(properties, "property", name=f"build.{key}", value=plain(value))
    return suite


def _add(case: ET.Element, kind: str, message: str, **more: str) -> ET.Element:
    return ET.SubElement(case, kind, {"message": message, **more})


def _tally(element: ET.Element, suites: list[ET.Element]) -> None:
    for attribute, path in (
        ("tests", "testcase"),
        ("failures", "testcase/failure"),
        ("errors", "testcase/error"),
        ("skipped", "testcase/skipped"),
    ):
        element.set(attribute, str(sum(len(suite.findall(path)) for suite in suites)))
