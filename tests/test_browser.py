"""Boards in a browser: from disk and from a server, without script, by keyboard, read aloud, on a phone, large."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import numpy as np
import pytest

from browser import browser as browser
from reverdict.grids import impulse, time_frequency
from reverdict.report import write_report
from reverdict.report.pages.frame import POLICY
from reverdict.report.wording.basics import plain
from test_report import HOSTILE, hall, hostile, passing, tank, verdict_of, whole

PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 900}
ENTER_AT_MOST = 60


class Strict(SimpleHTTPRequestHandler):
    """Serves a folder under the policy of its pages, as a careful server would."""

    def end_headers(self) -> None:
        self.send_header("Content-Security-Policy", f"{POLICY}; frame-ancestors 'none'")
        super().end_headers()

    def log_message(self, *_: Any) -> None:
        """Say nothing."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("boards")
    write_report(whole(), place / "whole")
    write_report(hostile(), place / "hostile")
    return place


@pytest.fixture(params=["disk", "server"])
def root(request: pytest.FixtureRequest, folder: Path) -> Iterator[str]:
    """Where the boards are, as an address that ends in a slash."""
    if request.param == "disk":
        yield f"{folder.as_uri()}/"
        return
    with ThreadingHTTPServer(("127.0.0.1", 0), partial(Strict, directory=str(folder))) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_address[1]}/"
        server.shutdown()


class Watched:
    """A page, and everything it complained of or asked for."""

    def __init__(self, browser: Any, **context: Any) -> None:
        self.context = browser.new_context(**{"viewport": DESK, **context})
        self.page = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda one: self.said.append(one.text))
        self.page.on("pageerror", lambda one: self.said.append(str(one)))
        self.page.on("dialog", lambda one: self.said.append(f"dialog: {one.message}"))
        self.page.on("requestfailed", lambda one: self.said.append(f"failed: {one.url}"))
        self.page.on("request", lambda one: self.asked.append(one.url))

    def __enter__(self) -> Watched:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()


def addresses(folder: Path, root: str) -> list[str]:
    return [f"{root}{page.relative_to(folder).as_posix()}" for page in sorted(folder.rglob("*.html"))]


def test_every_page_opens_without_a_complaint_and_asks_for_nothing_outside(
    browser: Any, folder: Path, root: str
) -> None:
    with Watched(browser) as seen:
        for address in addresses(folder, root):
            seen.page.goto(address)
            assert seen.page.evaluate("getComputedStyle(document.body).maxWidth") != "none"  # the stylesheet is there
        assert seen.said == []
        assert all(one.startswith((root, "data:")) for one in seen.asked)
        assert {one.rpartition("/")[2] for one in seen.asked if "assets" in one} >= {"board.css", "board.js"}


def test_the_policy_stops_script_and_style_that_are_not_ours(browser: Any, folder: Path, root: str) -> None:
    source = (folder / "whole" / "index.html").read_text(encoding="utf-8")
    planted = "<script>document.title = 'planted'</script><img src='x' onerror=\"document.title = 'planted'\"></body>"
    (folder / "planted.html").write_text(source.replace("</body>", planted), encoding="utf-8")
    try:
        with Watched(browser) as seen:
            seen.page.goto(f"{root}planted.html")
            assert seen.page.title() != "planted"
            assert any("Content Security Policy" in said for said in seen.said)
    finally:
        (folder / "planted.html").unlink()


def test_the_overview_leads_to_a_finding_in_three_clicks(browser: Any, root: str) -> None:
    with Watched(browser) as seen:
        page = seen.page
        page.goto(f"{root}whole/index.html")
        page.click('a[href="references/tank.html#echo-timing"]')
        page.click("#echo-timing a.more")
        row = page.locator("#echo-timing-findings")
        assert row.is_visible()
        assert "spring 2, pass 3" in row.inner_text().replace("\u00a0", " ")
        assert seen.said == []


def test_the_overview_leads_to_a_finding_by_keyboard_alone(browser: Any, root: str) -> None:
    with Watched(browser) as seen:
        page = seen.page
        page.goto(f"{root}whole/index.html")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("ArrowRight")
        assert page.evaluate("document.activeElement.getAttribute('href')") == "references/tank.html#echo-timing"
        page.keyboard.press("Enter")
        page.wait_for_url("**/tank.html#echo-timing")
        for _ in range(ENTER_AT_MOST):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.getAttribute('href')") == "#echo-timing-findings":
                break
        page.keyboard.press("Enter")
        page.wait_for_function("document.activeElement.id === 'echo-timing-findings'")
        assert page.locator("#echo-timing-findings").is_visible()


def test_without_script_a_page_says_the_same_and_still_leads_to_the_finding(browser: Any, root: str) -> None:
    with Watched(browser, java_script_enabled=False) as seen:
        page = seen.page
        page.goto(f"{root}whole/index.html")
        assert "the build ended with signal 11" in page.locator("header").inner_text()
        page.click('a[href="references/tank.html#echo-timing"]')
        assert "Spring 2 answers" in page.locator("header").inner_text().replace("\u00a0", " ")
        page.click("#echo-timing a.more")
        assert page.locator("#echo-timing-findings").is_visible()
        assert seen.said == []


def test_hostile_text_is_text_in_a_browser(browser: Any, folder: Path, root: str) -> None:
    with Watched(browser) as seen:
        for address in addresses(folder / "hostile", f"{root}hostile/"):
            seen.page.goto(address)
            assert "<script>alert(1)</script>" in seen.page.locator("body").inner_text()
            assert plain(HOSTILE)[:40] in seen.page.locator("body").text_content()
            assert seen.page.locator("script:not([src])").count() == 0
        assert seen.said == []


@pytest.mark.few(1)
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_every_page_is_in_order_for_those_who_cannot_see_it(
    browser: Any, folder: Path, scheme: str, size: dict[str, int]
) -> None:
    """By axe-core, every rule it has."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python").Axe()
    with Watched(browser, color_scheme=scheme, viewport=size, bypass_csp=True) as seen:  # it is an inline script
        for address in addresses(folder, f"{folder.as_uri()}/"):
            seen.page.goto(address)
            seen.page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
            found = axe.run(seen.page).response["violations"]
            told = [(one["id"], one["nodes"][0]["html"][:200], one["nodes"][0]["failureSummary"]) for one in found]
            assert not told, address


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_no_page_is_wider_than_the_window(browser: Any, folder: Path, size: dict[str, int]) -> None:
    with Watched(browser, viewport=size) as seen:
        for address in addresses(folder, f"{folder.as_uri()}/"):
            seen.page.goto(address)
            assert seen.page.evaluate("document.documentElement.scrollWidth") <= size["width"], address


# A large board.


def large(number: int) -> Any:
    """A verdict on so many references of five checks, one in seven of which fails or is unsure."""
    kinds = (tank(), hall(), *(passing() for _ in range(12)))
    kinds = tuple(replace(one, curves=as_a_gate_draws(one.curves)) for one in kinds)
    return verdict_of(*(replace(kinds[n % len(kinds)], name=f"reference-{n:03d}") for n in range(number)))


def as_a_gate_draws(curves: dict[str, Any]) -> dict[str, Any]:
    """Curves of as many points and digits as those of a trial, about 650 and 120, and grids of noise, the largest."""
    most = {"echogram": 650, "decay": 120, "group_delay": 160}
    paths = [one["path"] for one in curves["echogram"]]
    rng = np.random.default_rng(5)
    drawn: dict[str, list[Any]] = {"impulse": [], "time_frequency": []}
    for path in paths:
        both = rng.standard_normal((2, 9600))
        drawn["impulse"].append({"path": path} | impulse(*both, 48_000, 0.15, len(paths)))
        drawn["time_frequency"].append({"path": path} | time_frequency(*both, 48_000, 0.15, [], len(paths)))

    def thinned(value: Any, points: int) -> Any:
        if not isinstance(value, np.ndarray):
            return value
        return np.round(value[:: max(1, math.ceil(value.size / points))], 3)

    return drawn | {
        kind: [{key: thinned(value, most[kind]) for key, value in one.items()} for one in several]
        for kind, several in curves.items()
    }


@pytest.fixture(scope="module")
def crowd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(large(300), tmp_path_factory.mktemp("crowd"))


def test_references_are_found_by_name_and_by_outcome(browser: Any, tmp_path: Path) -> None:
    index = write_report(large(28), tmp_path)
    with Watched(browser) as seen:
        page = seen.page
        page.goto(index.as_uri())
        shown = page.locator(".overview tbody:visible")
        assert shown.count() == 28
        page.get_by_label("reference", exact=True).fill("ence-01")
        assert shown.count() == 10
        page.get_by_label("outcome", exact=True).select_option("fail")
        assert shown.count() == 1
        assert page.locator("output").inner_text() == "1 of 28 references"
        assert seen.said == []


@pytest.mark.slow
def test_three_hundred_references_stay_small(crowd: Path) -> None:
    size = sum(file.stat().st_size for file in crowd.parent.rglob("*") if file.is_file())
    print(f"\n300 references: {size / 1e6:.1f} MB, overview {crowd.stat().st_size / 1e3:.0f} kB")
    assert size < 20e6


@pytest.mark.slow
def test_three_hundred_references_load_in_under_a_second(browser: Any, crowd: Path) -> None:
    took = []
    with Watched(browser) as seen:
        for _ in range(5):
            started = time.perf_counter()
            seen.page.goto(crowd.as_uri())
            seen.page.evaluate("new Promise(done => requestAnimationFrame(() => setTimeout(done)))")
            took.append(time.perf_counter() - started)
        assert seen.page.locator(".overview tbody").count() == 300
    print(f"\noverview of 300 references loaded and painted in {min(took):.2f} to {max(took):.2f} s")
    assert min(took) < 1.0
