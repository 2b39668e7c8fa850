"""Terms as they are written: what is in force, whether two differ, and which way a tolerance goes."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from reverdict.errors import BadInput
from reverdict.golden_set import terms
from reverdict.golden_set.text import Setting, settings_from, with_terms


def test_own_terms_stand_over_shared_ones_and_a_check_not_asked_has_only_its_reason() -> None:
    shared = {"echo_timing": {"arrival_ms": 0.1, "onset_ms": 1}, "cost": {"dearer_percent": 10}}
    own = {"echo_timing": {"arrival_ms": 0.2}, "cost": {"not_asked": "a recording"}, "title": "a tank"}
    assert terms.in_force(own, shared) == {
        "echo_timing.arrival_ms": 0.2, "echo_timing.onset_ms": 1.0, "cost.not_asked": "a recording",
    }  # fmt: skip


def test_a_seal_does_not_depend_on_how_a_number_is_written_but_on_what_it_is() -> None:
    def seal_of(value: Any) -> str:
        return terms.seal(terms.in_force({"cost": {"dearer_percent": value}}, {}))

    assert seal_of(10) == seal_of(10.0)
    assert seal_of({"above": 1, "below": 2}) == seal_of({"below": 2.0, "above": 1.0})
    different = [10, 10.000001, True, "10", [[100, 10]], {"above": 10}, math.inf, "inf."]
    assert len({seal_of(value) for value in different}) == len(different)
    json.dumps(terms.in_force({"cost": {"dearer_percent": math.inf}}, {}), allow_nan=False)


@pytest.mark.parametrize(
    ("old", "new", "leaning"),
    [
        (0.1, 0.2, "wider"),
        (0.2, 0.1, "tighter"),
        (0.1, "inf", "wider"),
        ([[100, 0.1], [1000, 0.2]], [[100, 0.1], [1000, 0.3]], "wider"),
        ([[100, 0.1], [1000, 0.2]], [[100, 0.2], [1000, 0.1]], "wider in part, tighter in part"),
        (0.2, [[100, 0.1], [1000, 0.2]], "tighter"),
        ([[100, 0.1], [10000, 0.3]], [[100, 0.1], [1000, 0.2], [10000, 0.3]], ""),  # on log frequency, the same curve
        (0.1, {"above": 0.1, "below": 0.2}, "wider"),
        ({"above": 0.1, "below": 0.2}, {"above": 0.2, "below": 0.1}, "wider in part, tighter in part"),
        ({"above": 0.1, "below": 0.2}, {"above": 0.1}, "wider"),  # a side that is missing has no limit
        ({"above": "inf", "below": 0.2}, {"below": 0.2}, ""),
        ({"above": [[100, 1], [1000, 2]]}, {"above": 1}, "tighter"),
    ],
)
def test_a_tolerance_gets_wider_or_tighter_whatever_its_form(old: Any, new: Any, leaning: str) -> None:
    assert terms.Change("energy_decay.level_db", old, new).leaning == leaning


@pytest.mark.parametrize(
    ("key", "leaning_when_set", "when_unset"),
    [
        ("echo_timing.latency_ms", "wider", "tighter"),
        ("energy_decay.gain_db", "wider", "tighter"),
        ("group_delay.transition_hz", "wider", "tighter"),
        ("conduct.stray_db", "newly judged", "no longer judged"),
        ("echo_timing.tail_lag_ms", "newly judged", "no longer judged"),
        ("energy_decay.curve_db", "", ""),
    ],
)
def test_what_may_be_left_out_leans_too(key: str, leaning_when_set: str, when_unset: str) -> None:
    assert terms.Change(key, None, 1.0).leaning == leaning_when_set
    assert terms.Change(key, 1.0, None).leaning == when_unset


@pytest.mark.parametrize(
    ("key", "old", "new", "said"),
    [
        ("cost.not_asked", None, "why", 'cost.not_asked: not set → "why", no longer asked'),
        ("cost.not_asked", "why", None, 'cost.not_asked: "why" → not set, asked again'),
        ("cost.accept_unsure", None, "y", 'cost.accept_unsure: not set → "y", an unsure passes from now on'),
        ("cost.kernel_ratio", 1.0, 2.0, "cost.kernel_ratio: 1 → 2"),
        ("echo_timing.arrival_hz", 500.0, 300.0, "echo_timing.arrival_hz: 500 → 300"),
        ("energy_decay.t30_s", None, 0.1, "energy_decay.t30_s: not set → 0.1, wider"),
        ("a.b_db", {"above": 1.0}, "inf", "a.b_db: { above = 1 } → inf, wider"),
    ],
)
def test_a_change_in_words(key: str, old: Any, new: Any, said: str) -> None:
    assert str(terms.Change(key, old, new)) == said


def test_the_stricter_side_counts_where_one_limit_is_wanted() -> None:
    assert terms.least_limit({"above": 0.3, "below": [[100, 0.1], [10000, 0.3]]}, 1000.0) == pytest.approx(0.2)


def test_settings_are_toml_or_default_and_name_a_check_table() -> None:
    texts = ["echo-timing.arrival_ms = 0.2", 'cost.not_asked="a = b"', "energy_decay.level_db=default"]
    assert settings_from(texts) == [
        Setting("echo_timing", "arrival_ms", 0.2),
        Setting("cost", "not_asked", "a = b"),
        Setting("energy_decay", "level_db", None),
    ]
    with pytest.raises(BadInput, match="set already; say it once"):
        settings_from(["cost.dearer_percent=1", "cost.dearer_percent=2"])
    for text in ("arrival_ms=1", "echo_timing.arrival_ms", "echo_timing.=1", "echo_timing.arrival_ms="):
        with pytest.raises(BadInput, match="such as echo_timing"):
            settings_from([text])


def test_setting_keeps_comments_order_and_what_else_stands_there() -> None:
    text = "# top\n[echo_timing] # when\nsprings = 2\narrival_ms = 0.3 # ours\n# below\n\n[cost]\n"
    wished = [
        "echo_timing.arrival_ms=0.2",
        "echo_timing.onset_ms={ above = 1, below = 2 }",
        "conduct.accept_unsure='x'",
    ]
    assert with_terms(text, settings_from(wished)) == (
        "# top\n[echo_timing] # when\nsprings = 2\narrival_ms = 0.2 # ours\n# below\n"
        "onset_ms = { above = 1, below = 2 }\n\n[cost]\n\n[conduct]\naccept_unsure = 'x'\n"
    )
