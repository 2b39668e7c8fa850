"""The player of a reference's page, from disk: in step, switched without a gap, by keyboard, without script.

What the player gives out is recorded behind its volume and held against the samples it decoded, so a gap, a jump in
time or a wrong sound shows as samples that are not those expected.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from browser import browser as browser
from reverdict.auditioning import audition, hand_on
from reverdict.report import write_report
from reverdict.report.pages.frame import safe_name
from reverdict.words import Response
from test_report import tank, verdict_of

RATE_HZ = 48000
SETTLED_S = 0.04
"""A cross-fade has three time constants in 10 ms: after 40 ms the other sound lies 104 dB down."""

TAP = """
() => {
  const { context, volume } = document.querySelector(".listen").listening;
  const tap = context.createScriptProcessor(4096, 1, 1);
  const kept = (globalThis.kept = []);
  tap.onaudioprocess = (event) => kept.push(Array.from(event.inputBuffer.getChannelData(0)));
  volume.connect(tap);
  tap.connect(context.destination);
  globalThis.tap = tap;
}
"""


def written(folder: Path, candidate: np.ndarray) -> str:
    """Address of the page of a reference whose golden is an echo every 0.1 s, from disk."""
    responses, report = folder / "responses", folder / "report"
    responses.mkdir(parents=True)
    hand_on(responses, "tank", Response(golden(), RATE_HZ), Response(candidate, RATE_HZ))
    write_report(audition(verdict_of(tank()), responses, report, ["tank"], 1, safe_name), report)
    return (report / "references/tank.html").as_uri()


def golden() -> np.ndarray:
    time = np.arange(2 * RATE_HZ) / RATE_HZ
    return np.random.default_rng(0).standard_normal(time.size)[None] * np.exp(-time / 0.5)


def sound(folder: Path, version: str) -> np.ndarray:
    content = (folder / "report/sounds/tank" / f"{version}.flac").read_bytes()
    return np.asarray(soundfile.read(io.BytesIO(content), always_2d=True)[0][:, 0])


def heard(page: Any, then: str, before_ms: int = 500, after_ms: int = 500) -> np.ndarray:
    """What comes out, at full volume, while the player is switched to ``then``; one stretch without a hole."""
    page.evaluate("() => { const { volume } = document.querySelector('.listen').listening; volume.gain.value = 1; }")
    page.wait_for_timeout(100)  # the volume is another from the next block on
    page.evaluate(TAP)
    page.wait_for_timeout(before_ms)
    page.check(f'input[name="listen-version"][value="{then}"]')
    page.wait_for_timeout(after_ms)
    blocks = page.evaluate("() => { globalThis.tap.onaudioprocess = null; return globalThis.kept; }")
    return np.concatenate(blocks)


def place_of(part: np.ndarray, whole: np.ndarray) -> int:
    """Where ``part`` stands in ``whole``, by their correlation."""
    from scipy.signal import correlate

    return int(np.argmax(correlate(whole, part, mode="valid", method="fft")))


def test_switching_leaves_no_gap(browser: Any, tmp_path: Path) -> None:
    """Golden and build are the same, so nothing may be heard of the switch: every sample is the next one."""
    page = browser.new_page()
    page.goto(written(tmp_path, golden()))
    page.click("text=Play")
    page.locator(".listen button", has_text="Stop").wait_for()
    page.wait_for_timeout(200)
    recorded = heard(page, "candidate")
    page.close()
    whole = sound(tmp_path, "golden")
    at = place_of(recorded[:8192], whole)
    assert recorded.size > 0.5 * RATE_HZ
    assert np.max(np.abs(recorded)) > 0.01
    assert recorded == pytest.approx(whole[at : at + recorded.size], abs=1e-5)


def test_what_is_chosen_is_heard_at_the_same_place_in_time(browser: Any, tmp_path: Path) -> None:
    other = golden() * np.linspace(1.0, 0.3, golden().size)
    page = browser.new_page()
    page.goto(written(tmp_path, other))
    page.click("text=Play")
    page.locator(".listen button", has_text="Stop").wait_for()
    page.wait_for_timeout(200)
    recorded = heard(page, "difference")
    page.close()
    first, last = sound(tmp_path, "golden"), sound(tmp_path, "difference")
    at = place_of(recorded[:8192], first)
    before, after = (one[at : at + recorded.size] for one in (first, last))
    left = np.flatnonzero(np.abs(recorded - before) > 1e-5)[0]
    settled = left + int(SETTLED_S * RATE_HZ)
    assert 8192 < left < settled < recorded.size - 4096
    assert recorded[settled:] == pytest.approx(after[settled:], abs=1e-5)


def test_a_second_press_while_the_sounds_load_does_no_harm(browser: Any, tmp_path: Path) -> None:
    page = browser.new_page()
    page.goto(written(tmp_path, golden()))
    page.evaluate("() => { const play = document.querySelector('.listen button'); play.click(); play.click(); }")
    page.locator(".listen output", has_text="snare, golden").wait_for(timeout=10_000)
    page.close()


def test_the_player_is_worked_by_keyboard_and_says_what_is_heard(browser: Any, tmp_path: Path) -> None:
    page = browser.new_page()
    said: list[str] = []
    page.on("console", lambda one: said.append(one.text))
    page.on("pageerror", lambda one: said.append(str(one)))
    page.goto(written(tmp_path, golden()))
    page.focus('input[name="listen-version"][value="golden"]')
    page.keyboard.press("ArrowDown")
    page.focus(".listen button")
    page.keyboard.press("Enter")
    page.locator(".listen output", has_text="snare, build").wait_for(timeout=10_000)
    assert said == []
    page.close()


def test_without_script_there_is_a_plain_player_for_each(browser: Any, tmp_path: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(written(tmp_path, golden()))
    assert page.locator(".listen audio[controls]").count() == 3
    assert page.locator(".listen .beware").is_visible()
    context.close()
