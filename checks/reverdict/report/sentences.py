"""The opening sentences of every report: what a colleague would say, drawn from the findings and nothing else.

For instance: "Spring 2 answers 0.52 ms late on every pass. Group delay, energy decay and conduct hold. Costs 3 % less."
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from reverdict.report.ranking import (
    checks_worst_first,
    closes_gate,
    conduct_fails,
    references_worst_first,
    worst_finding,
    worst_first,
)
from reverdict.report.verdict_json import counts
from reverdict.report.wording import (
    CHECK_NAMES,
    amount,
    decimals,
    leaning,
    listed,
    off_by,
    place,
    plain,
    sentence,
    share,
    shorten,
)

REFERENCES_SPOKEN_OF = 3
ERRORS_SPOKEN_OF = 5
_NEARLY_EQUAL = 0.1  # springs whose passes are late by amounts this close are said to be late by one amount

Group = list[dict[str, Any]]


def opening(verdict: Mapping[str, Any]) -> list[str]:
    """Say the verdict in paragraphs, the worst first."""
    said = [sentence(f"cannot judge: {shorten(plain(error), 1000)}") for error in verdict["errors"][:ERRORS_SPOKEN_OF]]
    if len(verdict["errors"]) > ERRORS_SPOKEN_OF:
        said.append(f"{_count(len(verdict['errors']) - ERRORS_SPOKEN_OF, 'more error')}.")
    references = references_worst_first(verdict)
    if not references:
        return said or ["Nothing was judged: no reference, no check, no finding."]
    noisy = [reference for reference in references if reference["outcome"] != "pass"]
    if not noisy:
        return [*said, _all_hold(verdict), *_remarks(references)]
    several = len(references) > 1
    for reference in noisy[:REFERENCES_SPOKEN_OF]:
        name = f"{shorten(plain(reference['name']))}: " if several else ""
        said.append(name + " ".join(about_reference(reference)))
    if len(noisy) > REFERENCES_SPOKEN_OF:
        said.append(f"{len(noisy) - REFERENCES_SPOKEN_OF} more references do not pass.")
    rest = len(references) - len(noisy)
    if rest:
        said.append(f"The other {rest} references hold." if rest > 1 else "The other reference holds.")
    return said


def headline(verdict: Mapping[str, Any]) -> str:
    """Name the build and its outcome: "workshop 1.1: fail"."""
    build = verdict["build"]
    who = shorten(plain(f"{build['name']} {build['version']}")) or "unnamed build"
    outcome = "cannot judge" if verdict["outcome"] == "error" else verdict["outcome"]
    return f"{who}: {outcome}"


def about_reference(reference: Mapping[str, Any]) -> list[str]:
    """Say what fails, what cannot be told, what holds, what it costs and what was not asked, in this order."""
    checks = checks_worst_first(reference)
    by_outcome: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for check in checks:
        by_outcome[check["outcome"]].append(check)
    said = [said for check in by_outcome["fail"] for said in _about_fail(check)]
    said += _about_unsure(by_outcome["unsure"], conduct_fails(reference))
    price = [_about_price(check) for check in by_outcome["pass"] if check["check"] == "cost"]
    holding = [CHECK_NAMES[check["check"]] for check in reference["checks"] if check["outcome"] == "pass"]
    if any(price):
        holding.remove("cost")
    if holding:
        said.append(sentence(f"{listed(holding)} {'hold' if len(holding) > 1 else 'holds'}"))
    said += [remark for remark in price if remark]
    said += _about_not_asked(by_outcome["not asked"])
    if not by_outcome.keys() - {"not asked"}:
        said.insert(0, "Nothing was asked, so nothing holds.")
    return said


def _all_hold(verdict: Mapping[str, Any]) -> str:
    tally = counts(verdict)
    number = len(verdict["references"])
    findings = tally["findings"]["pass"]
    what = "What can be told" if tally["checks"]["unsure"] else "Everything asked"
    said = (
        f"{what} holds: {_count(number, 'reference')}, {_count(tally['checks']['pass'], 'check')}, "
        f"{_count(findings, 'finding')} inside {'its' if findings == 1 else 'their'} limits."
    )
    nearest = _nearest(verdict)
    return f"{said} {nearest}" if nearest else said


def _nearest(verdict: Mapping[str, Any]) -> str:
    scaled = [
        (finding["share_of_tolerance"], reference, finding)
        for reference in verdict["references"]
        for check in reference["checks"]
        for finding in check["findings"]
        if finding["share_of_tolerance"] is not None and finding["outcome"] == "pass"
    ]
    if not scaled:
        return ""
    used, reference, finding = max(scaled, key=lambda one: one[0])
    if used == 0:
        return "All of them are exact."
    return f"Nearest to its limit: {place(finding)} in {shorten(plain(reference['name']))}, {share(finding)}."


def _remarks(references: list[dict[str, Any]]) -> list[str]:
    """What a passing build should still say: what it costs, what was accepted, what was not asked."""
    said: dict[str, list[str]] = defaultdict(list)
    for reference in references:
        for check in reference["checks"]:
            name = CHECK_NAMES[check["check"]]
            if check["outcome"] == "not asked":
                said[f"{name} was not asked{_because(check)}"].append(reference["name"])
            elif check["outcome"] == "unsure":
                said[f"{name} cannot be told, which is accepted{_because(check)}"].append(reference["name"])
            elif check["check"] == "cost" and _about_price(check):
                said[_about_price(check)].append(reference["name"])
    return [_of_whom(remark, names, len(references)) for remark, names in said.items()]


def _of_whom(remark: str, names: list[str], all_of_them: int) -> str:
    if len(names) == all_of_them:
        return sentence(remark)
    return f"{listed(shorten(plain(name), 30) for name in names[:4])}{' and others' if len(names) > 4 else ''}: " + (
        sentence(remark)
    )


def _about_fail(check: Mapping[str, Any]) -> list[str]:
    failed = [finding for finding in worst_first(check["findings"]) if finding["outcome"] == "fail"]
    if not failed:
        return [sentence(f"{CHECK_NAMES[check['check']]} fails{_because(check)}")]
    groups = _alike(check["findings"])
    worst = list(_alike(failed).items())[:2]
    said = [_about_group(fails, groups[key]) for key, fails in worst]
    left = len(failed) - sum(len(fails) for _, fails in worst)
    return [*said, f"{_count(left, 'more finding')} of {CHECK_NAMES[check['check']]} out."] if left else said


def _alike(findings: list[dict[str, Any]]) -> dict[tuple[str, ...], Group]:
    """Group findings that differ only in their pass (echoes of one spring) or only in their place."""
    groups: dict[tuple[str, ...], Group] = defaultdict(list)
    for finding in findings:
        found = re.search(r"spring \d+", finding["where"])
        path = _path(finding["where"])
        groups[(finding["quantity"], finding["unit"], found.group() if found else "", path)].append(finding)
    return groups


def _path(where: str) -> str:
    """Name of the signal path in a place, empty for mono."""
    found = re.search(r"\b(?:left|right)(?:→(?:left|right))?\b", where)
    return found.group() if found else ""


def _about_group(fails: Group, everyone: Group) -> str:
    worst = fails[0]
    if worst["deviation"] is None or len({finding["deviation"] > 0 for finding in fails if finding["deviation"]}) > 1:
        return _about_one(worst, len(fails))
    spring = re.search(r"spring \d+", worst["where"])
    passes = [re.search(r"pass (\d+)", finding["where"]) for finding in fails]
    if spring and all(passes) and re.search("arriv", worst["quantity"], re.IGNORECASE):
        numbers = [found.group(1) for found in passes if found]
        every = len(everyone) == len(fails) > 1
        on = "every pass" if every else f"pass{'es' if len(numbers) > 1 else ''} {listed(sorted(numbers))}"
        return sentence(f"{_on_path(worst)}{spring.group()} answers {_span(fails)} on {on}")
    return _about_one(worst, len(fails))


def _on_path(finding: Mapping[str, Any]) -> str:
    path = _path(finding["where"])
    return f"{path}, " if path else ""


def _about_one(finding: dict[str, Any], number: int) -> str:
    if finding["deviation"] is None:
        said = f"{place(finding)}: {plain(finding['reason']) or 'no value'}"
    else:
        limit = finding["tolerance"]
        within = "" if limit is None else f", limit {amount(limit, finding['unit'], decimals(finding))}"
        said = f"{place(finding)}: {off_by(finding)}{within}"
    more = f" (and {number - 1} more of this kind)" if number > 1 else ""
    return sentence(shorten(said, 300) + more)


def _span(fails: Group) -> str:
    """Say how far the passes of one spring are off: one amount where they agree, else from least to most."""
    sizes = sorted(fails, key=lambda finding: abs(finding["deviation"]))
    least, most = abs(sizes[0]["deviation"]), abs(sizes[-1]["deviation"])
    if most - least <= _NEARLY_EQUAL * most:
        return off_by(sizes[len(sizes) // 2])
    places = decimals(sizes[-1])
    more, less = leaning(sizes[0])
    return (
        f"{amount(least, '', places)} to {amount(most, sizes[0]['unit'], places)} "
        f"{more if sizes[0]['deviation'] > 0 else less}"
    )


def _about_not_asked(checks: list[dict[str, Any]]) -> list[str]:
    said: dict[str, list[str]] = defaultdict(list)
    for check in checks:
        said[_because(check)].append(CHECK_NAMES[check["check"]])
    return [
        sentence(f"{listed(names)} {'was' if len(names) == 1 else 'were'} not asked{why}")
        for why, names in said.items()
    ]


def _about_unsure(checks: list[dict[str, Any]], broken: bool) -> list[str]:
    said: dict[str, list[str]] = defaultdict(list)
    for check in checks:
        accepted = "" if closes_gate(check) else ", which is accepted"
        worst = worst_finding(check)
        if broken and worst is None:
            said["could not be measured"].append(CHECK_NAMES[check["check"]])
            continue
        why = _because(check)
        if not why and worst is not None:
            why = f": {place(worst)}, {plain(worst['reason']) or 'too noisy to say'}"
        said[f"cannot be told{accepted}{shorten(why, 300)}"].append(CHECK_NAMES[check["check"]])
    return [sentence(f"{listed(names)} {what}") for what, names in said.items()]


def _about_price(check: Mapping[str, Any]) -> str:
    """Say what a passing build costs against golden, empty where it does not differ beyond its uncertainty."""
    worst = worst_finding(check)
    if worst is None or worst["deviation"] is None or abs(worst["deviation"]) <= (worst["uncertainty"] or 0.0):
        return ""
    percent = worst["deviation"] if worst["unit"] == "%" else None
    if percent is None and worst["golden"]:
        percent = 100 * worst["deviation"] / worst["golden"]
    if percent is None or abs(percent) < 0.5:
        return ""
    return f"Costs {abs(percent):.0f} % {'more' if percent > 0 else 'less'}."


def _because(check: Mapping[str, Any]) -> str:
    reason = shorten(plain(check["reason"]), 300)
    return f": {reason}" if reason else ""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
