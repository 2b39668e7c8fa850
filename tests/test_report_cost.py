"""What reports say and draw of cost: sentences, terminal, summary and page of invented details of cost."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree as ET

import jsonschema
import pytest

from boards import everything
from reverdict.report.data.verdict import json_schema, to_json
from reverdict.report.files.summary import summary_md
from reverdict.report.pages.cost import cost_html
from reverdict.report.pictures.cost import cost_picture
from reverdict.report.pictures.growth import growth_picture
from reverdict.report.printed.verdict import in_ascii, text
from reverdict.report.wording.basics import plain, reason_lines
from reverdict.report.wording.cost import short_function
from reverdict.report.wording.sentences import opening
from reverdict.words import CheckVerdict, Finding, ReferenceVerdict
from test_report import FAIL, HOSTILE, NOT_ASKED, PASS, UNSURE, Page, check_of, judged, passing, tank, verdict_of

STAGES = {"dispersion": 1890.1, "delay": 612.4, "filter": 803.0, "mix": 290.2, "smoothing": 41.3, "meter": 22.0}
OTHER = 464.4
GOLDEN = sum(STAGES.values()) + OTHER
MACHINE = {
    "class": "x86_64",
    "processor": "An Invented Processor 3000 at 2.5 GHz",
    "cores": 2,
    "system": "Linux 6.1",
    "libc": "glibc 2.36",
    "compiler": "cc 12.2.0",
    "counter": "valgrind-3.19.0",
    "python": "3.11.2",
}


def details(moved: dict[str, float], **more: Any) -> dict[str, Any]:
    """Details of cost whose stages moved by so many instructions a sample."""
    stages = [{"stage": name, "golden": was, "candidate": was + moved.get(name, 0.0)} for name, was in STAGES.items()]
    stages.append({"stage": "other", "golden": OTHER, "candidate": OTHER + moved.get("other", 0.0)})
    whole = sum(one["candidate"] for one in stages)
    blocks = {"minimum_us": 94.1, "median_us": 96.0, "p99_us": 121.5, "p999_us": 187.0, "worst_us": 412.7}
    told = {
        "counted": {
            "golden": GOLDEN,
            "candidate": whole,
            "uncertainty": 0.2,
            "unit": "instructions per sample and channel",
            "golden_from": "baseline",
            "tool": "callgrind 3.19.0",
            "stages": stages,
            "functions": [
                {
                    "function": "chain_step",
                    "stage": "dispersion",
                    "golden": 1890.1,
                    "candidate": stages[0]["candidate"],
                },
                {"function": LONG_NAME, "stage": "delay", "golden": 612.4, "candidate": stages[1]["candidate"]},
            ],
            "reads": {"golden": 1203.2, "candidate": 1215.2},
            "writes": {"golden": 611.0, "candidate": 615.0},
            "misses": {"first_level": {"golden": 3.21, "candidate": 3.22}, "last_level": None},
            "why_not": "",
        },
        "timed": {
            "against": "baseline",
            "ratio": 1.011,
            "low": 0.994,
            "high": 1.027,
            "uncertainty": 0.026,
            "pairs": 24,
            "pairs_needed": 96,
            "seconds_per_sample": {"golden": 1.88e-7, "candidate": 1.9e-7},
            "blocks": {
                "block_size": 512,
                "count": 1000,
                "budget_us": 10666.7,
                "golden": {**blocks, "real_time_factor": 0.0090},
                "candidate": {**{key: 1.01 * us for key, us in blocks.items()}, "real_time_factor": 0.0091},
                "why_not": "",
            },
            "why_not": "",
        },
        "growth": [
            grown("block size", "frames", 1.0, [64, 128, 256, 512, 1024, 2048]),
            grown("sections", "", 1.98, [50, 100, 200, 400]),
            {"axis": "channels", "unit": "", "exponent": None, "uncertainty": None, "points": [], "why_not": "mono"},
        ],
        "setup_s": {"golden": 0.0021, "candidate": 0.0022},
        "memory_mb": {"golden": 2.31, "candidate": 2.31},
        "leak_kb_per_s": {"candidate": 0.01, "uncertainty": 0.2},
        "levels": [{"sound": "noise of −20 dBFS", "seconds": 0.0213}, {"sound": "silence", "seconds": 0.0209}],
    }
    return {**told, **more}


def grown(axis: str, unit: str, exponent: float, sizes: list[float]) -> dict[str, Any]:
    points = [{"at": at, "cost": (at / sizes[0]) ** exponent} for at in sizes]
    return {"axis": axis, "unit": unit, "exponent": exponent, "uncertainty": 0.02, "points": points, "why_not": ""}


LONG_NAME = (
    "workshop::Tank<float, 2u, std::vector<float, std::allocator<float> > >::process_block"
    "(std::span<float const, 18446744073709551615ul>, std::span<float, 18446744073709551615ul>) const"
)


def counting(moved: dict[str, float], limit_percent: float = 0.5, u: float = 0.2) -> CheckVerdict:
    """The cost check of a build whose stages moved: the whole, then each stage, limits in percent of the whole."""
    limit = limit_percent / 100 * GOLDEN
    findings = [judged("instructions", "", "instructions per sample", GOLDEN, sum(moved.values()), limit, u)]
    for name, was in STAGES.items():
        findings.append(judged("instructions", name, "instructions per sample", was, moved.get(name, 0.0), limit, u))
    return check_of("cost", findings)


def counted(reference: ReferenceVerdict, moved: dict[str, float], **more: Any) -> ReferenceVerdict:
    """A reference with its cost check put by counts, its outcome that of the worst check."""
    cost = counting(moved, **more)
    checks = tuple(cost if check.check == "cost" else check for check in reference.checks)
    outcomes = [check.outcome for check in checks]
    outcome = FAIL if FAIL in outcomes else UNSURE if UNSURE in outcomes else PASS
    return replace(reference, checks=checks, outcome=outcome, cost=details(moved))


def verdict_json(*references: ReferenceVerdict) -> dict[str, Any]:
    outcomes = {str(one.outcome) for one in references}
    outcome = next(one for one in ("fail", "unsure", "pass") if one in outcomes)
    return to_json(verdict_of(*references, outcome=outcome, machine=MACHINE))


DEARER = {"dispersion": 41.2, "delay": 0.0, "other": 0.1}
SAVED = {"dispersion": -660.0}


# verdict.json


def test_details_obey_the_schema_and_a_verdict_of_before_does_too() -> None:
    verdict = verdict_json(counted(passing(), DEARER))
    jsonschema.validate(verdict, json_schema())
    assert verdict["machine"] == MACHINE
    assert verdict["references"][0]["cost"]["counted"]["golden"] == GOLDEN
    del verdict["machine"], verdict["references"][0]["cost"]
    jsonschema.validate(verdict, json_schema())
    assert "What it costs" not in everything(verdict)
    assert "callgrind" not in summary_md(verdict) + text(verdict)


# Sentences


def test_only_cost_moved_and_it_sounds_the_same() -> None:
    (said,) = opening(verdict_json(counted(passing(), DEARER)))
    assert said.startswith("1.0 % dearer (dispersion +41 instructions a sample), and it sounds the same. Echo timing,")


def test_a_saving_that_the_sound_pays_for_is_told_in_one_breath() -> None:
    (said,) = opening(verdict_json(counted(tank(), SAVED, limit_percent=20)))
    assert said.startswith("16 % cheaper, but spring 2 answers 0.52 ms late on every pass.")
    assert said.count("cheaper") == 1
    assert "less" not in said


def test_the_diagnosis_names_what_a_saving_did() -> None:
    halved = {"words": "spring 1: dispersion halved", "kind": "sections", "where": "spring 1", "explains": 0.93}
    reference = replace(counted(tank(), SAVED, limit_percent=20), diagnosis=({**halved, "cell": ""},))
    (said,) = opening(verdict_json(reference))
    assert said.startswith(
        "16 % cheaper, but spring 1: dispersion halved; this explains 93 % of the deviation. Spring 2"
    )


def test_a_saving_beyond_its_own_limit_is_told_once() -> None:
    (said,) = opening(verdict_json(counted(tank(), SAVED)))
    assert said.startswith("16 % cheaper, but spring 2 answers")
    assert said.count("660") == 0


def test_where_all_hold_the_price_is_told_at_the_end() -> None:
    assert opening(verdict_json(counted(passing(), {"dispersion": -124.0}, limit_percent=5)))[-1] == "Costs 3.0 % less."


@pytest.mark.parametrize("off", [0.0, 0.15, -0.15])
def test_no_price_is_told_of_what_is_within_its_uncertainty(off: float) -> None:
    said = " ".join(opening(verdict_json(counted(passing(), {"dispersion": off}))))
    assert not re.search("cheaper|dearer|Costs", said)


def test_seconds_that_rise_while_instructions_fall_are_no_saving() -> None:
    """Fewer instructions that wait for memory: each is told as it is, neither as the price."""
    cost = check_of("cost", [*counting(SAVED, 20).findings, judged("cost", "", "%", 0.0, 12.0, 10.0, 1.0)])
    checks = tuple(cost if check.check == "cost" else check for check in passing().checks)
    (said,) = opening(verdict_json(replace(passing(), checks=checks, outcome=FAIL, cost=details(SAVED))))
    assert said.startswith("Cost: 12 % dearer, limit 10 %.")
    assert "cheaper" not in said


def test_a_time_that_was_set_aside_says_nothing_against_the_counts() -> None:
    aside = replace(judged("cost", "", "%", 0.0, -9.5, 10.0, 1.0), outcome=NOT_ASKED)
    cost = check_of("cost", [*counting(DEARER).findings, aside])
    checks = tuple(cost if check.check == "cost" else check for check in passing().checks)
    (said,) = opening(verdict_json(replace(passing(), checks=checks, outcome=FAIL, cost=details(DEARER))))
    assert said.startswith("1.0 % dearer")


def test_counts_are_told_before_seconds() -> None:
    cost = check_of("cost", [*counting(DEARER).findings, judged("cost", "", "%", 0.0, 7.0, 10.0, 1.0)])
    checks = tuple(cost if check.check == "cost" else check for check in passing().checks)
    (said,) = opening(verdict_json(replace(passing(), checks=checks, outcome=FAIL, cost=details(DEARER))))
    assert said.startswith("1.0 % dearer")


def test_it_sounds_the_same_only_where_all_of_the_sound_was_asked() -> None:
    reference = counted(passing(), DEARER)
    unasked = CheckVerdict("echo-timing", NOT_ASKED, "no separate passes")
    (said,) = opening(verdict_json(replace(reference, checks=(unasked, *reference.checks[1:]))))
    assert "a sample), and what was asked of the sound holds." in said


def test_what_else_fails_of_cost_is_told_after_the_price() -> None:
    said = "twice the sections cost 3.9 times as much; linear would be 2"
    steep = replace(judged("growth", "sections", "", 1.0, 0.98, 0.15, 0.02), reason=said)
    cost = check_of("cost", [*counting(DEARER).findings, steep])
    checks = tuple(cost if check.check == "cost" else check for check in passing().checks)
    (said,) = opening(verdict_json(replace(passing(), checks=checks, outcome=FAIL, cost=details(DEARER))))
    assert "sounds the same. Twice the sections cost 3.9 times as much; linear would be 2." in said


# Terminal and summary


WHOLE = "      whole       4123.4 → 4164.7  +41.3  (+1.0 %)"


def test_terminal_tells_stage_by_stage_where_cost_moved() -> None:
    lines = text(verdict_json(counted(passing(), DEARER))).splitlines()
    head = next(
        n
        for n, line in enumerate(lines)
        if line == "      instructions a sample, golden → build, change, share of the whole:"
    )
    assert lines[head + 1] == "      dispersion  1890.1 → 1931.3  +41.2      46 %"
    assert lines[head + 2].startswith("      filter       803.0 →  803.0    0.0")
    assert lines[head + 5 : head + 7] == ["      and 3 more stages", WHOLE]


def test_terminal_says_one_line_where_all_is_well() -> None:
    said = text(verdict_json(counted(passing(), {})))
    assert "\n      dispersion is 46 % of 4123 instructions a sample\n" in said
    assert "golden → build" not in said
    assert in_ascii(said).isascii()


def test_summary_tables_the_stages() -> None:
    written = summary_md(verdict_json(counted(passing(), DEARER)))
    assert "| cost of room, instructions a sample and channel | golden | build | change | share |" in written
    assert "| dispersion | 1890.1 | 1931.3 | +41.2 | 46 % |" in written
    assert "| whole | 4123.4 | 4164.7 | +41.3 (+1.0 %) | 100 % |" in written
    assert "Counted by callgrind 3.19.0, known to ± 0.20, golden by its own build" in written


UNCOUNTED = Finding("instructions", "", "%", None, None, None, None, 0.5, UNSURE, "valgrind is not here")


@pytest.mark.parametrize(
    ("finding", "hint"),
    [
        (UNCOUNTED, "install valgrind, or write timed_is_enough, or write"),
        (
            replace(UNCOUNTED, where="dispersion", reason="no function fits its patterns"),
            "mend what it names, or write",
        ),
        (judged("cost", "", "%", 0.0, 9.5, 10.0, 1.0), "time it on a quiet machine, widen dearer_percent, or write"),
        (judged("growth", "sections", "", 1.0, 0.14, 0.15, 0.02), "measure it on a quiet machine, widen growth_ex"),
        (judged("leak", "", "kB/s", 0.0, 0.9, 1.0, 0.2), "play it longer, widen leak_kb_per_s"),
    ],
)
def test_an_unsure_cost_says_what_would_settle_it(finding: Finding, hint: str) -> None:
    check = CheckVerdict("cost", UNSURE, findings=(finding,), closes_gate=True)
    reference = verdict_json(ReferenceVerdict("a", "", UNSURE, (check,)))["references"][0]
    assert reason_lines(reference["checks"][0], reference, "library")[-1].startswith(f"next: {hint}")


def reasons_of(findings: list[Finding], cost: dict[str, Any]) -> list[str]:
    check = CheckVerdict("cost", FAIL, findings=tuple(findings), closes_gate=True)
    reference = verdict_json(ReferenceVerdict("a", "", FAIL, (check,), cost=cost))["references"][0]
    return reason_lines(reference["checks"][0], reference, "library")


@pytest.mark.parametrize(
    ("finding", "cost", "hint"),
    [
        (judged("budget", "pedal", "cycles", 0.0, 9.0, 8.0), {}, "golden approve a --set 'cost.budgets={ TARGET"),
        (judged("leak", "", "kB/s", 0.0, 9.0, 8.0), {}, "golden approve a --set 'cost.leak_kb_per_s=…'"),
        (judged("instructions", "", "", 50.0, 9.0, 1.0), {"counted": {"golden_from": "baseline"}}, "as baseline, and"),
        (judged("cost", "", "%", 0.0, 9.0, 1.0), {"timed": {"against": "baseline"}}, "as baseline, and"),
        (judged("instructions", "", "", 50.0, 9.0, 1.0), {}, "wanted: reverdict golden approve a --from BUILD"),
    ],
)
def test_what_to_approve_depends_on_what_is_exceeded(finding: Finding, cost: dict[str, Any], hint: str) -> None:
    assert hint in reasons_of([finding], cost)[-1]


def test_what_grows_or_leaks_leads_however_far_the_rest_is_out() -> None:
    growth, whole = judged("growth", "block size", "", 1.0, 0.9, 0.4), judged("instructions", "", "", 50.0, 900.0, 1.0)
    assert [line.partition(":")[0] for line in reasons_of([whole, growth], {})[:2]] == [
        "growth, block size",
        "instructions",
    ]


# The picture


def rules_of(drawn: str) -> dict[str, list[tuple[float, float]]]:
    """Left ends and widths of the stages of both rules, in px."""
    return {
        who: [
            (float(x), float(wide))
            for x, wide in re.findall(rf'<rect class="stage {who}-stage" x="([\d.]+)" y="\d+" width="([\d.]+)"', drawn)
        ]
        for who in ("golden", "build")
    }


def test_both_rules_share_one_scale_and_every_stage_has_its_length() -> None:
    picture = cost_picture("c", verdict_json(counted(passing(), {"delay": 500.0}))["references"][0])
    rules = rules_of(picture.svg)
    ends = {who: sum(wide for _, wide in stages) for who, stages in rules.items()}
    assert ends["build"] / ends["golden"] == pytest.approx((GOLDEN + 500) / GOLDEN, abs=2e-3)
    assert rules["golden"][0][1] / ends["golden"] == pytest.approx(1890.1 / GOLDEN, abs=2e-3)
    for stages in rules.values():
        for (start, wide), (following, _) in pairwise(stages):
            assert start + wide == pytest.approx(following, abs=0.11)
    assert ">+500.0</text>" in picture.svg
    assert picture.said.endswith("delay moved most, +500.0 instructions a sample (+82 %)")


def test_neighbours_differ_in_their_hatching_and_small_stages_share_a_label() -> None:
    picture = cost_picture("c", verdict_json(counted(passing(), {}))["references"][0])
    golden = re.findall(r'<rect class="stage golden-stage"[^>]*/>(<path class="weave[^>]*d="([^"]*)")?', picture.svg)
    slopes = [re.sub(r"[\d.]+", "", strokes)[:4] for _, strokes in golden]
    assert len(slopes) == len(STAGES) + 1
    assert all(first != second for first, second in pairwise(slopes))
    assert ">6–7</text>" in picture.svg
    ET.fromstring(picture.svg)  # noqa: S314  (our own output)


def test_without_a_golden_count_the_build_alone_is_drawn() -> None:
    reference = verdict_json(counted(passing(), {}))["references"][0]
    told = reference["cost"]["counted"]
    told["golden"] = None
    for stage in told["stages"]:
        stage["golden"] = None
    picture = cost_picture("c", reference)
    rules = rules_of(picture.svg)
    assert (len(rules["golden"]), len(rules["build"])) == (0, len(STAGES) + 1)
    assert "golden: not known" in picture.svg
    assert picture.said.endswith("what golden costs is not known")


def test_growth_is_drawn_log_over_log_beside_linear_growth() -> None:
    drawn = growth_picture("g", grown("sections", "", 2.0, [50, 100, 200])).svg
    lines = {kind: re.search(rf'<path class="{kind}" d="M([^"]*)"', drawn).group(1) for kind in ("golden", "build")}
    ends = {kind: [float(one) for one in re.findall(r"[\d.]+", path)] for kind, path in lines.items()}
    rise = {kind: points[1] - points[-1] for kind, points in ends.items()}
    assert rise["build"] / rise["golden"] == pytest.approx(2.0, abs=0.02)
    assert growth_picture("g", {"axis": "level", "points": [{"at": -60, "cost": 1.0}, {"at": 0, "cost": 1.1}]}) is None


# The page


def test_page_tells_all_of_the_cost_and_where_it_was_measured() -> None:
    page = Page(everything(verdict_json(counted(passing(), DEARER))))
    shown = plain(page.text.replace("\u202f", " ").replace("\u2007", "").replace("\u2008", ""))
    for said in (
        "Stages in instructions a sample and channel, the dearest first",
        "Time that a block of 512 frames takes, µs, over 1000 blocks; it lasts 10666.7 µs",
        "999 of 1000 within",
        "real-time factor: golden 0.00900, build 0.00910",
        "first-level cache misses",
        "Growth with sections: power 1.98 ± 0.02; 1 is linear",
        "Growth with channels is not known: mono.",
        "The build takes 1.011 times the time of golden (0.994 to 1.027 with 95 % confidence)",
        ", by 24 pairs of runs beside the baseline; about 96 would decide on this machine.",
        "Measured on An Invented Processor 3000 at 2.5 GHz, x86_64.",
        "glibc 2.36",
        "A second of sound takes: noise of −20 dBFS 0.0213 s, silence 0.0209 s of CPU time.",
        "ns a sample",
    ):
        assert said in shown
    assert "last-level" not in shown
    tables = sum(tag == "table" for tag, _ in page.tags)
    assert sum(tag == "caption" for tag, _ in page.tags) == tables
    identities = page.values("id")
    assert len(identities) == len(set(identities))
    assert {one for value in page.values("aria-labelledby") for one in value.split()} <= set(identities)


PARTS = ("counted", "timed", "growth", "setup_s", "memory_mb", "leak_kb_per_s")


@pytest.mark.parametrize("missing", [*PARTS, "blocks", "stages", "functions", "golden"])
def test_any_part_may_be_null_or_missing(missing: str) -> None:
    for value in (None, "gone"):
        verdict = verdict_json(counted(passing(), DEARER))
        cost = verdict["references"][0]["cost"]
        holder = cost["timed"] if missing == "blocks" else cost if missing in PARTS else cost["counted"]
        holder[missing] = value
        if value == "gone":
            del holder[missing]
        page = Page(everything(verdict))
        assert "What it costs" in page.text
        assert "None" not in page.text
        assert not re.search(r"\bnan\b", page.text)
        assert "whole" in summary_md(verdict) or missing in ("counted", "stages")
        assert "checks: " in text(verdict)


def test_what_was_not_measured_says_why() -> None:
    told = {"counted": {"why_not": "valgrind is not here"}, "timed": {"ratio": None, "why_not": "a recording"}}
    reference = verdict_json(replace(passing(), cost=told))["references"][0]
    shown = Page(cost_html(reference, "a", {})).text
    assert "No instructions: valgrind is not here." in shown
    assert "No time: a recording." in shown


def test_names_from_binaries_are_text_and_not_too_long() -> None:
    cost = details(DEARER)
    cost["counted"]["stages"][0]["stage"] = HOSTILE
    cost["counted"]["stages"][1]["stage"] = "מעכב" * 30
    cost["counted"]["functions"][0] = {"function": HOSTILE, "stage": HOSTILE, "golden": 1.0, "candidate": 2.0}
    cost["counted"]["tool"] = cost["counted"]["unit"] = cost["timed"]["against"] = HOSTILE
    cost["growth"][0]["axis"] = cost["growth"][1]["unit"] = cost["growth"][2]["why_not"] = HOSTILE
    reference = replace(counted(passing(), DEARER), cost=cost)
    verdict = {**verdict_json(reference), "machine": dict.fromkeys(MACHINE, HOSTILE)}
    source = everything(verdict)
    page = Page(source)
    assert all("src" in attributes for tag, attributes in page.tags if tag == "script")
    assert not any(sign in source + text(verdict) for sign in "\x00\x1b\u202e\ud800\ufffe")
    assert "</title><script>" in page.text
    assert set(re.findall(r"<[^>]*>", summary_md(verdict))) <= {"<br>"}
    assert (
        len({len(re.findall(r"(?<!\\)\|", row)) for row in summary_md(verdict).splitlines() if "dispers" in row}) <= 1
    )
    for drawn in re.findall(r"<svg.*?</svg>", source):
        ET.fromstring(drawn)  # noqa: S314  (our own output)


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("chain_step", "chain_step"),
        (LONG_NAME, "workshop::Tank<…>::process_block(…) const"),
        ("bool operator< <" + "float, " * 12, "bool operator< <float, float, float, float… float, float, float,"),
        ("void f" + "<a->b(c), d>" * 8 + "()", "void f" + "<…>" * 8 + "()"),
    ],
)
def test_long_function_names_lose_what_stands_in_brackets(name: str, shown: str) -> None:
    assert short_function(name) == shown
    assert len(short_function(name)) <= 64
