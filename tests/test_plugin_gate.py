"""Plug-ins of our own on the whole road: from a golden to gates that pass and fail, all five checks asked."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import own_plugins
from counted_builds import lack
from reverdict.command_line import main

BUILD = """
[build]
name = "spring"
version = "1"
kind = "{kind}"
file = "spring.{kind}"
plugin = "{plugin}"

[build.parameters]
Delay = 33
Reflection = 0.7

[build.limits]
seconds = 120
"""
PLUGINS = {"clap": "org.example.mono-spring", "vst3": "Spring"}


@pytest.mark.few(1)
@pytest.mark.usefixtures("undiagnosed")
@pytest.mark.parametrize("kind", PLUGINS)
def test_a_plugin_passes_by_its_own_golden_and_a_longer_spring_does_not(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if reason := own_plugins.lack(kind):
        pytest.skip(reason)
    monkeypatch.chdir(own_plugins.compile_into(tmp_path, kind))
    build = Path("spring.toml")
    build.write_text(BUILD.format(kind=kind, plugin=PLUGINS[kind]), encoding="utf-8")
    assert main(["golden", "new", "spring", "--from", str(build)]) == 0
    reference = Path("golden/spring/reference.toml")
    assert "not_asked =" not in reference.read_text(encoding="utf-8")
    assert ("\ninstructions_per_sample = " in reference.read_text(encoding="utf-8")) == (not lack())
    # Timing is proved elsewhere, on a machine that is not full of other tests.
    text = reference.read_text(encoding="utf-8")
    start, end = text.index("[cost]"), text.index("[conduct]")
    reference.write_text(text[:start] + '[cost]\nnot_asked = "a busy machine"\n' + text[end:], encoding="utf-8")
    assert main(["gate", str(build), "--report", "same"]) == 0
    build.write_text(build.read_text(encoding="utf-8").replace("Delay = 33", "Delay = 33.3"), encoding="utf-8")
    assert main(["gate", str(build), "--report", "longer"]) == 1
    (judged,) = json.loads(Path("longer/verdict.json").read_text(encoding="utf-8"))["references"]
    failed = [check["check"] for check in judged["checks"] if check["outcome"] == "fail"]
    assert "echo-timing" in failed
    assert not {"group-delay", "energy-decay"} & set(failed)
