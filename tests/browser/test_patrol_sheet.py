"""The sheet and the map of a patrol in a real browser: two pages, nothing fetched."""

from __future__ import annotations

import os
import re
from datetime import date
from pathlib import Path

import pytest

from lightwatch.decisions.patrol import Order, plan_patrol
from lightwatch.lives import lives
from lightwatch.observations.known import Known, default_as_of
from lightwatch.register import Register
from lightwatch.store import open_store
from reports.patrol_map import patrol_map
from reports.patrol_sheet import patrol_sheet
from tests.small_city import small_city

CHROMIUM = "/usr/bin/chromium"
pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("patrol")
    store = open_store(small_city(folder))
    lived = lives(Register(Known(store, default_as_of(store))))
    known = lived.register.known
    order = Order(date(2025, 11, 1), crews=2)
    plan = plan_patrol(lived, order, seconds=0)
    made = {
        "sheet": patrol_sheet(plan, known.lights, known.clock, "Little & Town"),
        "map": patrol_map(plan, known.clock, "Little & Town"),
    }
    for name, text in made.items():
        (folder / f"{name}.html").write_text(text, "utf-8")
    return {name: folder / f"{name}.html" for name in made}


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api")
    if not Path(CHROMIUM).exists():
        if os.environ.get("LIGHTWATCH_REQUIRE_BROWSER") == "1":
            pytest.fail(f"there is no {CHROMIUM}")
        pytest.skip(f"there is no {CHROMIUM}")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox"]
        )
        yield opened
        opened.close()


def opened(browser, path: Path):
    page = browser.new_page(viewport={"width": 390, "height": 844})
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("requestfailed", lambda request: said.append(request.url))
    page.goto(path.as_uri())
    return page, said


def test_the_sheet_prints_on_two_pages_a_crew(browser, pages):
    page, said = opened(browser, pages["sheet"])
    printed = page.pdf(prefer_css_page_size=True)
    sheets = len(re.findall(rb"/Type\s*/Page[^s]", printed))
    assert 2 <= sheets <= 4
    assert said == []


def test_on_a_phone_the_sheet_does_not_scroll_sideways(browser, pages):
    page, _ = opened(browser, pages["sheet"])
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.locator(".never").first.is_visible()


def test_the_map_draws_every_crew_s_way_and_asks_nobody(browser, pages):
    page, said = opened(browser, pages["map"])
    page.wait_for_selector("path.leaflet-interactive")
    assert page.locator("path.leaflet-interactive").count() > 20
    assert said == []
