"""The outage map in a real Chromium, opened from a file with the network off."""

from __future__ import annotations

import base64
import os
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from playwright.sync_api import Browser, Page, sync_playwright
from scipy import ndimage
from shapely.geometry import LineString

from lightwatch.decisions.cautions import UNDERGROUND
from lightwatch.decisions.triage.outage import NextTest as CheckFirst
from lightwatch.decisions.triage.outage import Outage
from lightwatch.mapview import outage_map

pytestmark = pytest.mark.browser

CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
FLAGS += ["--disable-background-networking", "--disable-component-update"]
FLAGS += ["--disable-sync"]
AS_OF = datetime(2025, 11, 25, 6, 0, tzinfo=UTC)
PHONE, DESK = (390, 844), (1280, 800)
STREETS, LIGHTS_PER_STREET = 60, 25
FAULTED, FIRST_DARK = "C024", 11
NASTY = (
    "<script>alert(1)</script>\"'</script>{{7*7}}{% for %}<img src=x onerror=alert(2)>"
)
"""What a record could carry that must never run."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if not Path(CHROMIUM).exists():
        reason = f"{CHROMIUM} is not installed: the map page was not opened"
        if os.environ.get("LIGHTWATCH_REQUIRE_BROWSER") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


class Watched:
    """A page with all that went wrong or went out."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.requests: list[str] = []
        self.errors: list[str] = []
        page.on("request", lambda one: self.requests.append(one.url))
        page.on("pageerror", lambda one: self.errors.append(str(one)))
        page.on("console", self._hear)
        page.on("dialog", self._dismiss)

    def _hear(self, said: Any) -> None:
        if said.type in ("error", "warning"):
            self.errors.append(said.text)

    def _dismiss(self, dialog: Any) -> None:
        self.errors.append(f"dialog: {dialog.message}")
        dialog.dismiss()


@pytest.fixture
def opened(browser: Browser, tmp_path: Path) -> Iterator[Any]:
    contexts = []

    def open_page(html: str, size: tuple[int, int] = DESK, **options: Any) -> Watched:
        path = tmp_path / "map.html"
        path.write_text(html, "utf-8")
        viewport = {"width": size[0], "height": size[1]}
        context = browser.new_context(viewport=viewport, offline=True, **options)
        contexts.append(context)
        watched = Watched(context.new_page())
        watched.page.goto(path.as_uri())
        watched.page.wait_for_selector("html[data-ready=yes]", timeout=20_000)
        watched.page.wait_for_timeout(300)
        return watched

    yield open_page
    for context in contexts:
        context.close()


def street(number: int) -> np.ndarray:
    """A bent street of the invented town: half run east, half run north."""
    along = np.linspace(0, 0.0135, LIGHTS_PER_STREET + 1)
    across = 0.0006 * (number // 2) + 0.00015 * np.sin(along * 700 + number)
    x, y = (along * 1.45, across) if number % 2 else (across * 1.2, along * 1.25)
    return np.column_stack([15.6 + x, 47.3 + y])


@pytest.fixture(scope="module")
def town() -> dict[str, Any]:
    lights, sections, circuits, roads = [], [], [], []
    for number in range(STREETS):
        circuit, line = f"C{number:03d}", street(number)
        feed = "underground" if number % 5 in (1, 4) else "overhead"
        circuits.append((circuit, feed, "own", f"T{number}", *line[0]))
        roads.append((f"R{number}", f"Street {number}", LineString(line)))
        for step in range(1, LIGHTS_PER_STREET + 1):
            name = f"{number:02d}{step:02d}"
            above = f"S{number:02d}{step - 1:02d}" if step > 1 else ""
            sections.append((f"S{name}", circuit, above, feed))
            others = "Lower Valley Roads" if number == 7 else ""
            light = (f"L{name}", f"P{name}", *line[step], f"R{number}", circuit)
            lights.append((*light, f"S{name}", "hps", "", others, ""))
    names = ["light_id", "pole_id", "longitude", "latitude", "road_id", "circuit_id"]
    names += ["section_id", "technology", "owner", "maintained_by", "feed_owner"]
    shape = gpd.GeoDataFrame(roads, columns=["road_id", "name", "geometry"])
    return {
        "lights": pd.DataFrame(lights, columns=names),
        "sections": pd.DataFrame(
            sections,
            columns=["section_id", "circuit_id", "upstream_section_id", "kind"],
        ),
        "circuits": pd.DataFrame(
            circuits,
            columns=[
                *("circuit_id", "feed", "control", "source", "longitude", "latitude")
            ],
        ),
        "roads": shape.assign(**{"class": "residential"}).set_crs(4326),
    }


def single(light_id: str, circuit: str | None, **changed: Any) -> Outage:
    number = int(light_id[1:3])
    told: dict[str, Any] = {
        "lights": (light_id,),
        "reported": (light_id,),
        "circuit_id": circuit,
        "underground": circuit and number % 5 in (1, 4),
        "symptom": "out",
        "probabilities": {"single_light": 0.93, "supply_fault": 0.05, "no_fault": 0.02},
        "sections": (),
        "components": (("photocontrol", 0.5), ("driver", 0.3), ("fuse", 0.2)),
        "test_first": CheckFirst(f"light {light_id}", "nothing else is dark near it"),
        "since": AS_OF - timedelta(days=3 + number),
        "why": ("its neighbours were seen lit",),
        "danger": (),
    }
    return Outage(**(told | changed))


def feed_fault(circuit: str = FAULTED, **changed: Any) -> Outage:
    number = circuit[1:]
    street_no = number[1:]
    dark = [f"L{street_no}{n:02d}" for n in range(FIRST_DARK, LIGHTS_PER_STREET + 1)]
    told: dict[str, Any] = {
        "lights": tuple(dark),
        "reported": tuple(dark[i] for i in (0, 1, 3, 4, 6, 8, 9, 12, 14)),
        "circuit_id": circuit,
        "underground": True,
        "symptom": "out",
        "probabilities": {"supply_fault": 0.96, "single_light": 0.04},
        "sections": ((f"S{street_no}{FIRST_DARK}", 0.58), (f"S{street_no}10", 0.27)),
        "components": (),
        "test_first": CheckFirst(
            "handhole at pole P2413", "splits what is left in half"
        ),
        "since": AS_OF - timedelta(days=16),
        "why": ("9 of 15 lights beyond S2411 reported, none of the 10 before it",),
        "danger": (),
        "seen_lit": tuple(f"L{street_no}{n:02d}" for n in (2, 5, 9)),
        "dark_since": AS_OF - timedelta(days=16),
    }
    return Outage(**(told | changed))


@pytest.fixture(scope="module")
def troubles() -> list[Outage]:
    rng = np.random.default_rng(20251125)
    found = [feed_fault()]
    places = rng.permutation(STREETS * LIGHTS_PER_STREET)
    for place in places:
        number, step = int(place) // LIGHTS_PER_STREET, int(place) % LIGHTS_PER_STREET
        if number != int(FAULTED[1:]) and len(found) < 30:
            found.append(single(f"L{number:02d}{step + 1:02d}", f"C{number:03d}"))
    found[3] = single("L3005", "C030", danger=("door open, wires to be seen",))
    found[4] = single("L0712", "C007")
    found[5] = single(
        "L4120", None, probabilities={"no_fault": 0.8, "single_light": 0.2}
    )
    return [*found, single("L1818", "C018")]


def drawn(town: dict[str, Any], troubles: list[Outage], **changed: Any) -> str:
    said = {
        "as_of": AS_OF,
        "place": "Aldermoor",
        "method": "Judged on the supply tree.",
    }
    return outage_map(troubles, **(town | said | changed))


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_the_page_opens_offline_asks_for_nothing_and_has_no_error(
    town: Any, troubles: Any, opened: Any, size: tuple[int, int]
) -> None:
    watched = opened(drawn(town, troubles), size)
    shots = os.environ.get("LIGHTWATCH_SHOTS")
    if shots:
        watched.page.screenshot(path=f"{shots}_{size[0]}x{size[1]}.png")
    assert [one for one in watched.requests if not one.startswith("file:")] == []
    assert len(watched.requests) == 1
    assert watched.errors == []


def card_text(page: Page) -> str:
    return page.locator(".leaflet-popup .card").inner_text()


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_the_shared_fault_is_the_largest_mark_and_nothing_covers_it(
    town: Any, troubles: Any, opened: Any, size: tuple[int, int]
) -> None:
    beside = single(f"L24{FIRST_DARK}", FAULTED, danger=("door open",))
    away = single(f"L24{FIRST_DARK - 1}", FAULTED, danger=("pole hit",))
    page = opened(drawn(town, [*troubles, beside, away]), size).page
    fault = page.locator(".fault.supply_fault")
    box = fault.bounding_box()
    assert min(box["width"], box["height"]) >= 40
    middle = [box["x"] + box["width"] / 2, box["y"] + box["height"] / 2]
    assert page.evaluate(
        "([x, y]) => !!document.elementFromPoint(x, y).closest('.supply_fault b')",
        middle,
    )
    assert fault.locator("b").inner_text() == "15"


GREY = """async (shot) => {
  const image = new Image();
  image.src = "data:image/png;base64," + shot;
  await image.decode();
  const paper = new OffscreenCanvas(image.width, image.height).getContext("2d");
  paper.filter = "grayscale(1)";
  paper.drawImage(image, 0, 0);
  const { data } = paper.getImageData(0, 0, image.width, image.height);
  return [image.width, Array.from(data.filter((_, i) => i % 4 === 0))];
}"""
"""A picture as a black-and-white print shows it: its width and its greys, 0 to 255."""


def darkest_patch(page: Page) -> tuple[float, float]:
    """Return the middle of the largest dark patch of the map in a grey print."""
    shot = base64.b64encode(page.locator("main").screenshot()).decode()
    beside = page.context.new_page()
    width, greys = beside.evaluate(GREY, shot)
    beside.close()
    labels, _ = ndimage.label(np.reshape(greys, (-1, width)) < 128)
    largest = np.bincount(labels.ravel())[1:].argmax() + 1
    down, across = ndimage.center_of_mass(labels == largest)
    inside = page.locator("main").bounding_box()
    assert inside
    return inside["x"] + across, inside["y"] + down


@pytest.mark.parametrize("size", [PHONE, DESK])
@pytest.mark.parametrize("underground", [True, False])
def test_in_grey_the_largest_dark_patch_is_the_faults(
    town: Any, troubles: Any, opened: Any, size: tuple[int, int], underground: bool
) -> None:
    one = replace(troubles[0], underground=underground)
    page = opened(drawn(town, [one, *troubles[1:]]), size).page
    page.add_style_tag(content=".leaflet-control-container { display: none }")
    across, down = darkest_patch(page)
    marks = page.locator(
        ".fault.supply_fault, .leaflet-stretch-pane path[stroke='#b54400']"
    )
    boxes = marks.evaluate_all(
        "all => all.map(one => one.getBoundingClientRect().toJSON())"
    )
    boxes = [box for box in boxes if box["width"]]
    assert len(boxes) >= 2
    assert any(
        box["left"] - 8 <= across <= box["right"] + 8
        and box["top"] - 8 <= down <= box["bottom"] + 8
        for box in boxes
    )


def test_the_thickest_line_is_the_likeliest_and_an_inferred_one_is_grey(
    town: Any, opened: Any
) -> None:
    bare = town | {
        "lights": town["lights"].assign(
            section_id=town["lights"]["section_id"].where(
                town["lights"]["circuit_id"] != "C030", ""
            )
        ),
        "sections": town["sections"].query("circuit_id != 'C030'"),
    }
    by_map = feed_fault("C030", inferred=True, sections=(), underground=False)
    sure = feed_fault(sections=((f"S24{FIRST_DARK}", 0.7), ("S2418", 0.2)))
    page = opened(drawn(bare, [sure, by_map])).page
    lines = page.locator(".leaflet-stretch-pane path.leaflet-interactive").evaluate_all(
        "all => all.map(one => [one.getAttribute('stroke'), "
        "+one.getAttribute('stroke-width'), one.getAttribute('d').length > 10])"
    )
    shown = {(colour, width) for colour, width, long in lines if long}
    assert {("#b54400", 10), ("#b54400", 14)} <= shown
    assert ("#b54400", 6) not in shown
    assert ("#5b6167", 14) in shown


def test_an_area_outage_is_outlined(town: Any, opened: Any) -> None:
    names = tuple(f"L{n:02d}{k:02d}" for n in (10, 12, 14) for k in range(3, 9))
    area = single(names[0], None)
    area = replace(
        area, lights=names, reported=names[:5], probabilities={"area_outage": 0.9}
    )
    watched = opened(drawn(town, [area]))
    outline = watched.page.locator(".leaflet-stretch-pane path[stroke='#111']")
    assert outline.get_attribute("fill") == "none"
    box = outline.bounding_box()
    assert min(box["width"], box["height"]) > 40
    assert watched.errors == []


def test_underground_and_overhead_faults_differ_in_shape_and_in_line(
    town: Any, opened: Any
) -> None:
    overhead = feed_fault("C030", underground=False, sections=(("S3011", 0.6),))
    overhead = Outage(
        **(vars(overhead) | {"lights": ("L3011", "L3012"), "reported": ("L3011",)})
    )
    page = opened(drawn(town, [feed_fault(), overhead])).page
    marks = page.locator(".fault use").evaluate_all(
        "all => all.map(one => one.getAttribute('href')).sort()"
    )
    assert marks == ["#supply_fault-o", "#supply_fault-u"]
    dashes = page.locator(".leaflet-stretch-pane path[stroke='#b54400']")
    assert set(
        dashes.evaluate_all(
            "all => all.map(one => one.getAttribute('stroke-dasharray'))"
        )
    ) == {"20 8", None}


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_a_click_in_the_list_flies_to_the_circuit_and_opens_its_card(
    town: Any, troubles: Any, opened: Any, size: tuple[int, int]
) -> None:
    watched = opened(drawn(town, troubles), size, reduced_motion="reduce")
    page = watched.page
    if size == PHONE:
        assert not page.locator("button[data-outage]").first.is_visible()
        page.click(".list > summary")
    before = page.evaluate("map_outages.getZoom()")
    page.click("button[data-outage='1']")
    page.wait_for_selector(".leaflet-popup .card")
    assert page.evaluate("map_outages.getZoom()") > before
    said = card_text(page)
    assert "Almost certainly one fault on the underground feed (96\xa0%)" in said
    assert "9 of 25 on the circuit" in said
    assert "Dark since about\n9 Nov" in said
    assert "circuit C024, fed underground" in card_text(page)
    assert page.locator(".card .before li").count() == len(UNDERGROUND)
    page.keyboard.press("Escape")
    page.wait_for_selector(".leaflet-popup", state="detached")
    assert watched.errors == []


def test_a_light_of_others_says_so_on_its_card(
    town: Any, troubles: Any, opened: Any
) -> None:
    page = opened(drawn(town, troubles), reduced_motion="reduce").page
    theirs = page.locator("button[data-outage]", has_text="L0712")
    theirs.click()
    page.wait_for_selector(".leaflet-popup .card")
    assert "Not ours to maintain" in card_text(page)
    assert "Lower Valley Roads" in card_text(page)


def test_a_dot_on_the_map_opens_its_card_by_touch_or_click(
    town: Any, troubles: Any, opened: Any
) -> None:
    page = opened(drawn(town, [single("L3005", "C030")])).page
    at = page.evaluate(
        """() => { const flat = JSON.parse(data.textContent).outages[0].at;
        const at = map_outages.latLngToContainerPoint([flat[1] / 1e5, flat[0] / 1e5]);
        const box = map_outages.getContainer().getBoundingClientRect();
        return [at.x + box.x, at.y + box.y]; }"""
    )
    page.mouse.click(at[0] + 9, at[1])
    page.wait_for_selector(".leaflet-popup .card")
    assert "Almost certainly a light on its own" in card_text(page)


def test_the_key_hides_and_shows_by_verdict_and_by_feed(
    town: Any, troubles: Any, opened: Any
) -> None:
    watched = opened(drawn(town, troubles))
    page, fault = watched.page, watched.page.locator(".fault.supply_fault")
    page.click(".key > summary")
    for box in ("input[data-verdict=supply_fault]", "input[data-feed=u]"):
        page.uncheck(box)
        assert fault.count() == 0
        page.check(box)
        assert fault.count() == 1
    assert page.locator("canvas.field").count() == 1
    page.check("input[data-base=lights]")
    assert page.locator("canvas.field").count() == 2
    assert watched.errors == []


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_texts_of_records_never_run(
    town: Any, opened: Any, size: tuple[int, int]
) -> None:
    lights = town["lights"].assign(pole_id=NASTY, maintained_by=NASTY, feed_owner=NASTY)
    fault = feed_fault(
        symptom=NASTY,
        test_first=CheckFirst(NASTY, NASTY),
        why=(NASTY,),
        danger=(NASTY,),
    )
    roads = town["roads"].assign(name=NASTY)
    page_text = drawn(
        town | {"lights": lights, "roads": roads}, [fault], place=NASTY, method=NASTY
    )
    watched = opened(page_text, size, reduced_motion="reduce")
    page = watched.page
    assert page.locator("h1").inner_text() == f"Open outages, {NASTY}"
    if size == PHONE:
        page.click(".list > summary")
    page.click("button[data-outage='0']")
    page.wait_for_selector(".leaflet-popup .card")
    assert NASTY in page.locator(".card").text_content()
    assert page.locator(".card script, .card img, h1 script, h1 img").count() == 0
    assert watched.errors == []


def test_a_page_with_nothing_open_says_so_over_its_roads(
    town: Any, opened: Any
) -> None:
    watched = opened(drawn(town, []))
    shown = watched.page.locator("[role=status]")
    assert shown.inner_text() == "Nothing open as of 25 Nov 2025, 06:00."
    assert shown.is_visible()
    assert watched.errors == []


def test_a_page_without_roads_lights_or_anything_opens(town: Any, opened: Any) -> None:
    bare = {name: frame.iloc[:0] for name, frame in town.items()}
    assert opened(drawn(bare, [])).errors == []
    watched = opened(drawn(bare, [feed_fault()]), reduced_motion="reduce")
    watched.page.click("button[data-outage='0']")
    watched.page.wait_for_selector(".leaflet-popup .card")
    assert watched.errors == []


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_the_page_never_scrolls_sideways_and_its_targets_suit_a_thumb(
    town: Any, troubles: Any, opened: Any, size: tuple[int, int]
) -> None:
    page = opened(drawn(town, troubles), size).page
    if size == PHONE:
        page.click(".list > summary")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    heights = page.locator("button[data-outage]").evaluate_all(
        "all => all.map(one => one.getBoundingClientRect().height)"
    )
    assert min(heights) >= 44
    assert page.locator("main").bounding_box()["height"] >= 250
