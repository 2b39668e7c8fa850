"""Curves that can be zoomed, in a browser: by key, by button and by pointer, under the policy of the pages."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from browser import browser as browser
from reverdict.report import write_report
from test_browser import Watched
from test_browser import root as root
from test_report import whole


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("closer")
    write_report(whole(), place / "whole")
    return place


def opened(page: Any, root: str, figure: str) -> Any:
    """The figure of that caption on the page of the tank, looked at closer."""
    page.goto(f"{root}whole/references/tank.html")
    found = page.locator("figure").filter(has_text=figure).first
    found.get_by_role("button", name="Look closer").click()
    found.locator("canvas").wait_for()
    return found


def shown(figure: Any) -> tuple[float, float]:
    """The range of the axis, as it is read aloud."""
    told = figure.locator("output.range").inner_text()
    low, high = re.findall(r"[−\d.]+", told.partition(",")[2])
    return float(low.replace("−", "-")), float(high.replace("−", "-"))


def span(figure: Any) -> float:
    low, high = shown(figure)
    return high - low


@pytest.mark.parametrize("caption", ["Echogram,", "Group delay;", "Energy decay;"])
def test_keys_zoom_move_and_bring_all_back(browser: Any, root: str, caption: str) -> None:
    with Watched(browser) as seen:
        figure = opened(seen.page, root, caption)
        before = shown(figure)
        figure.locator(".canvas").focus()
        for _ in range(2):
            seen.page.keyboard.press("+")
        seen.page.wait_for_timeout(50)
        assert span(figure) == pytest.approx((before[1] - before[0]) / 4, rel=1e-3)
        near = shown(figure)
        seen.page.keyboard.press("Shift+ArrowRight")
        seen.page.wait_for_timeout(50)
        assert shown(figure)[0] == pytest.approx(near[0] + (near[1] - near[0]) / 4, rel=1e-3)
        seen.page.keyboard.press("0")
        seen.page.wait_for_timeout(50)
        assert shown(figure) == before
        assert seen.said == []
        assert all(one.startswith((root, "data:")) for one in seen.asked)


def test_buttons_zoom_and_show_all(browser: Any, root: str) -> None:
    with Watched(browser) as seen:
        figure = opened(seen.page, root, "Energy decay;")
        before = shown(figure)
        figure.get_by_role("button", name="zoom in").click()
        seen.page.wait_for_timeout(50)
        assert span(figure) == pytest.approx((before[1] - before[0]) / 2, rel=1e-3)
        figure.get_by_role("button", name="zoom out").click()
        figure.get_by_role("button", name="zoom out").click()
        seen.page.wait_for_timeout(50)
        assert shown(figure) == before
        assert seen.said == []


@pytest.mark.parametrize(("caption", "upright"), [("Energy decay;", False), ("Group delay;", True)])
def test_a_drag_zooms_and_a_double_click_brings_all_back(browser: Any, root: str, caption: str, upright: bool) -> None:
    with Watched(browser) as seen:
        figure = opened(seen.page, root, caption)
        before = shown(figure)
        over = figure.locator(".u-over")
        over.scroll_into_view_if_needed()
        box = over.bounding_box()
        middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        start = (middle[0], box["y"] + 0.25 * box["height"]) if upright else (box["x"] + 0.25 * box["width"], middle[1])
        seen.page.mouse.move(*start)
        seen.page.mouse.down()
        seen.page.mouse.move(*middle, steps=4)
        seen.page.mouse.up()
        seen.page.wait_for_timeout(50)
        assert span(figure) == pytest.approx((before[1] - before[0]) / 4, rel=0.05)
        seen.page.mouse.dblclick(*middle)
        seen.page.wait_for_timeout(50)
        assert shown(figure) == before
        assert seen.said == []


def test_points_are_read_one_by_one_and_are_those_of_the_verdict(browser: Any, root: str) -> None:
    with Watched(browser) as seen:
        figure = opened(seen.page, root, "Group delay;")
        figure.locator(".canvas").focus()
        told = []
        for _ in range(2):
            seen.page.keyboard.press("ArrowUp")
            seen.page.wait_for_timeout(50)
            told.append(figure.locator("output.point").inner_text())
        assert re.match(
            r"frequency 100 Hz; build later than golden by: golden 0, build \S+, limit −\S+ to \S+ ms", told[0]
        )
        assert told[0] != told[1]
        assert seen.said == []


def test_another_curve_can_be_chosen(browser: Any, root: str) -> None:
    with Watched(browser) as seen:
        figure = opened(seen.page, root, "Group delay;")
        figure.get_by_label("curve").select_option("spring 2")
        seen.page.wait_for_timeout(50)
        assert figure.locator(".canvas").get_attribute("aria-label").startswith("spring 2: build later")
        assert seen.said == []


def test_a_chart_follows_the_width_of_the_window(browser: Any, root: str) -> None:
    with Watched(browser) as seen:
        figure = opened(seen.page, root, "Energy decay;")
        seen.page.set_viewport_size({"width": 360, "height": 740})
        seen.page.wait_for_timeout(200)
        assert figure.locator(".u-wrap").bounding_box()["width"] <= 360
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= 360


def test_without_script_or_library_the_drawn_figures_stay(browser: Any, root: str) -> None:
    with Watched(browser, java_script_enabled=False) as seen:
        seen.page.goto(f"{root}whole/references/tank.html")
        assert seen.page.locator("figure svg.chart").count() >= 3
        assert seen.page.get_by_role("button", name="Look closer").count() == 0
    with Watched(browser) as seen:
        seen.page.route("**/uPlot*", lambda route: route.abort())
        seen.page.goto(f"{root}whole/references/tank.html")
        buttons = seen.page.get_by_role("button", name="Look closer")
        before = buttons.count()
        buttons.first.click()
        buttons.nth(before - 1).wait_for(state="detached")
        assert buttons.count() == before - 1
        assert seen.page.locator("figure svg.chart").count() >= 3


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_chart_looked_at_is_in_order_for_those_who_cannot_see_it(browser: Any, folder: Path, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python").Axe()
    with Watched(browser, color_scheme=scheme, bypass_csp=True) as seen:
        opened(seen.page, f"{folder.as_uri()}/", "Group delay;")
        seen.page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
        found = axe.run(seen.page).response["violations"]
        assert not [(one["id"], one["nodes"][0]["html"][:200], one["nodes"][0]["failureSummary"]) for one in found]
