"""The opening sentences of every report: what a colleague would say, drawn from the findings and nothing else.

For instance: "Spring 2 answers 0.52 ms late on every pass. Group delay, energy decay and conduct hold. Costs 3 % less."
Cost and sound are judged together: "16 % cheaper, but the tail is 31 % shorter in every band." and "1.0 % dearer
(dispersion +31 instructions a sample), and it sounds the same."
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from reverdict import phrases, words
from reverdict.report.cells import split
from reverdict.report.data.verdict import counts
from reverdict.report.ranking import closes_gate, reached, references_worst_first, worst_finding, worst_first
from reverdict.report.wording.basics import (
    CHECK_NAMES,
    ONSET,
    check_name,
    in_cells,
    judges_onset,
    listed,
    place,
    plain,
    sentence,
    share,
    shorten,
    unreached,
)
from reverdict.report.wording.cost import Price, about_price, price_of, sounds_the_same, stage_behind
from reverdict.report.wording.joined import joined

SENTENCES = 4
ERRORS_SPOKEN_OF = 5
LEADING_PERCENT = 5.0
"""A saving of so much leads the sentence about what it did to the sound; a smaller one is told at the end."""


def opening(verdict: Mapping[str, Any]) -> list[str]:
    """Say the verdict in paragraphs, the worst first: four sentences at most, besides errors and what a part is."""
    return [*about_part(verdict), *_judged(verdict)]


def about_part(verdict: Mapping[str, Any]) -> list[str]:
    """Say of a part of a run that it is one; nothing of a whole run."""
    part = verdict.get("part")
    if not part:
        return []
    here, whole = len(verdict["references"]), len(part["references"])
    checks = "all checks" if len(part["checks"]) == len(words.CHECKS) else f"{listed(part['checks'])} only"
    return [
        f"This is part of a run: {here} of {_count(whole, 'reference')}, {checks}. Alone it is no verdict on the build."
    ]


def _judged(verdict: Mapping[str, Any]) -> list[str]:
    said = [sentence(f"cannot judge: {shorten(plain(error), 1000)}") for error in verdict["errors"][:ERRORS_SPOKEN_OF]]
    if len(verdict["errors"]) > ERRORS_SPOKEN_OF:
        said.append(f"{_count(len(verdict['errors']) - ERRORS_SPOKEN_OF, 'more error')}.")
    references = [one for one in references_worst_first(verdict) if one["outcome"] != "not asked"]
    if not references:
        return said or ["Nothing was judged: no reference, no check, no finding."]
    if all(reference["outcome"] == "pass" for reference in references):
        return [*said, *_all_hold(verdict, references)]
    worst, *others = references
    if not others:
        return [*said, " ".join(about_reference(worst))]
    name = shorten(plain(worst["name"]))
    return [*said, f"{name}: {' '.join(about_reference(worst, SENTENCES - 1))}", _about_others(others)]


def headline(verdict: Mapping[str, Any]) -> str:
    """Name the build and its outcome: "workshop 1.1: fail"."""
    build = verdict["build"]
    who = shorten(plain(f"{build['name']} {build['version']}")) or "unnamed build"
    outcome = "cannot judge" if verdict["outcome"] == "error" else verdict["outcome"]
    return f"{who}{', part of a run' if verdict.get('part') else ''}: {outcome}"


def about_reference(reference: Mapping[str, Any], most: int = SENTENCES) -> list[str]:
    """Say what fails, what cannot be told, what holds, what it costs and what was not asked, in this order."""
    by_outcome: dict[str, list[dict[str, Any]]] = defaultdict(list)
    put, waiting = reached(reference)
    for check in put:
        by_outcome[check["outcome"]].append(check)
    said = _about_what_changed(reference, by_outcome["fail"])
    saved = bool(_saving(reference, by_outcome["fail"]))
    said += _about_unsure(by_outcome["unsure"])
    if waiting:
        said.append(sentence(f"{_names(waiting)} {_was(waiting)} {unreached(waiting[0], reference)}"))
    price = [_about_price(check) for check in by_outcome["pass"] if check["check"] == "cost"]
    holding = [
        check
        for check in reference["checks"]
        if check["outcome"] == "pass" and not (check["check"] == "cost" and any(price))
    ]
    if holding:
        only = "; of echo timing only the onset was judged" if any(map(judges_onset, holding)) else ""
        said.append(sentence(f"{_names(holding)} {'hold' if len(holding) > 1 else 'holds'}{only}"))
    said += [remark for remark in price if remark and not saved]
    if unasked := by_outcome["not asked"]:
        why = _because(unasked[0]) if len(unasked) == 1 else ""
        said.append(sentence(f"{_names(unasked)} {_was(unasked)} not asked{why}"))
    if not by_outcome.keys() - {"not asked"}:
        said.insert(0, "Nothing was asked, so nothing holds.")
    return said[:most]


def _about_what_changed(reference: Mapping[str, Any], fails: list[dict[str, Any]]) -> list[str]:
    """Say what fails, led by what explains it; where the build is cheaper for it, that is said in the same breath."""
    diagnosis = about_diagnosis(reference)
    saving = _saving(reference, fails)
    if saving is None:
        return diagnosis + _about_fails(fails, reference)
    sound = [check for check in fails if check["check"] != "cost"]
    first, *rest = diagnosis + _about_fails(sound, reference)
    said = [sentence(f"{saving.amount} cheaper, but {_lowered(first)}"), *rest]
    return said + [
        line for check in fails if check["check"] == "cost" for line in _about_dear(check, reference, saving)
    ]


def _saving(reference: Mapping[str, Any], fails: list[dict[str, Any]]) -> Price | None:
    """The price of a build that is much cheaper than golden while its sound fails; None of any other."""
    if all(check["check"] == "cost" for check in fails):
        return None
    costs = (price_of(check) for check in reference["checks"] if check["check"] == "cost")
    return next((price for price in costs if price and -price.percent >= LEADING_PERCENT), None)


def about_diagnosis(reference: Mapping[str, Any], most: int = 2) -> list[str]:
    """Say which changes of the algorithm explain the deviation, and where the attempt to tell failed."""
    if reference.get("diagnosis_failed"):
        last = plain(reference["diagnosis_failed"].strip().rpartition("\n")[2])
        return [sentence(f"there is no diagnosis, for a bug in the suite: {shorten(last, 200)}")]
    changes = reference.get("diagnosis", ())
    besides = [_lowered(plain(one["words"])) for one in changes[most:]]  # little of the deviation, and yet a change
    return [*map(_about_change, changes[:most]), *([sentence(f"besides, {listed(besides)}")] if besides else [])]


def _about_change(one: Mapping[str, Any]) -> str:
    """A change with its share in percent; what leaves something does not explain all."""
    percent, cell = 100 * one["explains"], phrases.in_cell(plain(one.get("cell", "")))
    said = f"{cell}: {_lowered(plain(one['words']))}" if cell else plain(one["words"])
    if percent < 1:
        return sentence(f"besides, {said}")
    share = "all" if percent >= 99.95 else f"{percent:.{1 if percent >= 99.5 else 0}f} %"
    return sentence(f"{said}; this explains {share} of the deviation")


def _names(checks: Iterable[Mapping[str, Any]]) -> str:
    return listed(check_name(check) for check in checks)


def _was(checks: Sequence[object]) -> str:
    return "was" if len(checks) == 1 else "were"


def _all_hold(verdict: Mapping[str, Any], references: list[dict[str, Any]]) -> list[str]:
    tally = counts(verdict)
    number = len(references)
    findings = tally["findings"]["pass"]
    what = "What can be told" if tally["checks"]["unsure"] else "Everything asked"
    said = (
        f"{what} holds: {_count(number, 'reference')}, {_count(tally['checks']['pass'], 'check')}, "
        f"{_count(findings, 'finding')} inside {'its' if findings == 1 else 'their'} limits."
    )
    remarks = [remark for remark in (_accepted(references), _prices(references), _left_out(references)) if remark]
    nearest = _nearest(verdict)
    return [f"{said} {nearest}" if nearest and len(remarks) < SENTENCES - 1 else said, *remarks]


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


def _accepted(references: list[dict[str, Any]]) -> str:
    """What a passing build leaves open, and why that is accepted; the first by name."""
    found = [(reference, check) for reference in references for check in reference["checks"]]
    unsure = [(reference, check) for reference, check in found if check["outcome"] == "unsure"]
    if not unsure:
        return ""
    reference, check = unsure[0]
    said = f"{check_name(check)} of {_of([reference])} cannot be told, which is accepted{_because(check)}"
    return sentence(said + (f" (and {len(unsure) - 1} more like it)" if len(unsure) > 1 else ""))


def _prices(references: list[dict[str, Any]]) -> str:
    """What a passing build costs, where that differs from golden."""
    by_price: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for reference in references:
        for check in reference["checks"]:
            if check["check"] == "cost" and check["outcome"] == "pass" and (price := _about_price(check)):
                by_price[price.rstrip(".")].append(reference)
    if len(references) == 1:
        return "".join(f"{price}." for price in by_price)
    return sentence(listed(f"{price} in {_of(where)}" for price, where in by_price.items())) if by_price else ""


def _left_out(references: list[dict[str, Any]]) -> str:
    """What was not asked, with the reason where there is but one, and where only the onset was judged."""
    unasked: dict[str, list[dict[str, Any]]] = defaultdict(list)
    reasons = set()
    for reference in references:
        for check in reference["checks"]:
            if check["outcome"] == "not asked":
                unasked[check_name(check)].append(reference)
                reasons.add(_because(check))
    onset = [reference for reference in references if any(map(judges_onset, reference["checks"]))]
    several = len(references) > 1
    said = []
    if unasked:
        told = listed(f"{names}{f' ({where})' if several else ''}" for where, names in _by_reference(unasked))
        said.append(f"not asked: {told}{reasons.pop() if len(reasons) == 1 else ''}")
    if onset:
        said.append(f"of echo timing only the onset was judged{f' in {_of(onset)}' if several else ''}")
    return sentence("; ".join(said)) if said else ""


def _by_reference(unasked: Mapping[str, list[dict[str, Any]]]) -> Iterable[tuple[str, str]]:
    """Names of references and what was not asked of them; what was not asked of the same ones stands together."""
    checks: dict[str, list[str]] = defaultdict(list)
    for name, references in unasked.items():
        checks[_of(references)].append(name)
    return [(where, listed(names)) for where, names in checks.items()]


def _of(references: Sequence[Mapping[str, Any]]) -> str:
    """Names of references, not too many."""
    names = [shorten(plain(reference["name"]), 30) for reference in references]
    return listed(names if len(names) <= 4 else [*names[:3], f"{len(names) - 3} others"])


def _about_others(references: list[dict[str, Any]]) -> str:
    """One sentence for all references but the worst: which fail too, by which checks, and which hold."""
    said = []
    for outcome, ending in (("fail", "too: "), ("unsure", "")):
        alike = [reference for reference in references if reference["outcome"] == outcome]
        if not alike:
            continue
        checks = {check_name(check) for one in alike for check in one["checks"] if _weighs(check, outcome)}
        one = len(alike) == 1
        verb = f"fail{'s' if one else ''} {ending}" if outcome == "fail" else f"{'is' if one else 'are'} unsure: "
        known = (*CHECK_NAMES.values(), ONSET)
        by_name = [*(name for name in known if name in checks), *sorted(checks - {*known})]
        said.append(f"{_of(alike)} {verb}{listed(by_name) if by_name else 'nothing was asked'}")
    holding = [reference for reference in references if reference["outcome"] == "pass"]
    if holding:
        said.append(f"{_of(holding)} hold{'s' if len(holding) == 1 else ''}")
    return sentence("; ".join(said), as_written=True)


def _weighs(check: Mapping[str, Any], outcome: str) -> bool:
    return check["outcome"] == outcome and closes_gate(check)


def _about_fails(checks: list[dict[str, Any]], reference: Mapping[str, Any]) -> list[str]:
    """Two sentences at most: of one check, or of the first two; further ones by name."""
    if not checks:
        return []
    if len(checks) == 1:
        return _about_one_fail(checks[0], reference, 2)
    said = [line for check in checks[:2] for line in _about_one_fail(check, reference, 1)]
    return [*said, sentence(f"{_names(checks[2:])} out too")] if checks[2:] else said


def _about_one_fail(check: Mapping[str, Any], reference: Mapping[str, Any], most: int) -> list[str]:
    price = price_of(check) if check["check"] == "cost" else None
    if price is None:
        return _about_fail(check, most)
    said = sentence(about_price(price, reference, sounds_the_same(reference)), as_written=True)
    return [said, *_about_dear(check, reference, price)][:most]


def _about_dear(check: Mapping[str, Any], reference: Mapping[str, Any], price: Price) -> list[str]:
    """A sentence of what else fails of a cost whose price, and the stage behind it, is told."""
    stage = stage_behind(price, reference)
    told = [
        finding["quantity"] == price.finding["quantity"]
        and plain(finding["where"]) in ("", stage.name if stage else "")
        and (finding["deviation"] or 0.0) * price.percent > 0
        for finding in check["findings"]
    ]
    rest = [finding for finding, known in zip(check["findings"], told, strict=True) if not known]
    if not any(finding["outcome"] == "fail" for finding in rest):
        return []
    return _about_fail({**check, "findings": rest}, 1)


def _about_fail(check: Mapping[str, Any], most: int) -> list[str]:
    failed = [finding for finding in check["findings"] if finding["outcome"] == "fail"]
    if not failed:
        return [sentence(f"{check_name(check)} fails{_because(check)}")]
    spoken, elsewhere = split(worst_first(failed))
    cell = spoken[0].get("cell", "")
    told = joined(_plain_of(spoken, cell), _plain_of(check["findings"], cell))
    said = [line for line, _ in told[:most]]
    if cell:
        said[0] = sentence(f"{phrases.in_cell(plain(cell))}: {_lowered(said[0])}")
    left = sum(number for _, number in told[most:])
    if left:
        said[-1] = f"{said[-1][:-1]}; {_count(left, 'more finding')} of {check_name(check)} out."
    if elsewhere:
        every = len({finding.get("cell", "") for finding in check["findings"]}) == 1 + len(elsewhere)
        said[-1] = f"{said[-1][:-1]}; out {'in every other cell' if every else in_cells(elsewhere)}, too."
    return said


def _plain_of(findings: Iterable[Mapping[str, Any]], cell: str) -> list[dict[str, Any]]:
    """The findings of one cell, as if there were no other."""
    return [{**finding, "cell": ""} for finding in findings if finding.get("cell", "") == cell]


def _lowered(said: str) -> str:
    """The start of a sentence, for use after a colon; abbreviations stay."""
    return said if said[1:2].isupper() or said[1:2].isdigit() else said[:1].lower() + said[1:]


def _about_unsure(checks: list[dict[str, Any]]) -> list[str]:
    said: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for check in checks:
        accepted = "" if closes_gate(check) else ", which is accepted"
        worst = worst_finding(check)
        why = _because(check)
        if not why and worst is not None:
            why = f": {place(worst)}, {plain(worst['reason']) or 'known too roughly to say'}"
        said[f"cannot be told{accepted}{shorten(why, 300)}"].append(check)
    return [sentence(f"{_names(these)} {what}") for what, these in said.items()]


def _about_price(check: Mapping[str, Any]) -> str:
    """Say what a passing build costs against golden, empty where it does not differ beyond its uncertainty."""
    price = price_of(check)
    return f"Costs {price.amount} {'more' if price.percent > 0 else 'less'}." if price else ""


def _because(check: Mapping[str, Any]) -> str:
    reason = shorten(plain(check["reason"]), 300)
    return f": {reason}" if reason else ""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
