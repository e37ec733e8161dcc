"""Live, dead, could not open: a test logged at the pole, with and without a signal."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Playwright, expect

from lightwatch.words import SHUT
from tests.browser.device import (
    NAMELESS,
    PHONE,
    SENT_MS,
    SMALL,
    UNFOLD,
    Device,
    answer,
    phone,
    started,
)
from tests.browser.office import Office
from tests.faulted_village import BRANCH, CIRCUIT, TOLD, faulted_village

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    with started() as opened:
        yield opened


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    opened = Office(tmp_path, faulted_village)
    opened.start()
    yield opened
    opened.stop()


@pytest.fixture
def device(playwright: Playwright, office: Office, tmp_path: Path) -> Iterator[Device]:
    with phone(playwright, office, tmp_path / "profile") as opened:
        yield opened


def reading_boxes(page: Page) -> dict[str, dict[str, float]]:
    return {
        button.inner_text(): box
        for button in page.locator("button.reading").all()
        if (box := button.bounding_box())
    }


def test_live_and_dead_are_thumb_sized_and_stand_under_their_cautions(
    device: Device,
) -> None:
    page = device.go(f"/lights/{TOLD[0]}")
    boxes = reading_boxes(page)
    kinds = ["Live at", "Dead at", "Could not open"]
    shown = list(boxes)[:3]
    assert all(one.startswith(kind) for one, kind in zip(shown, kinds, strict=True))
    assert min(box["height"] for box in boxes.values()) >= 60
    assert min(box["width"] for box in boxes.values()) >= 150
    section = page.locator("section.test")
    expect(section).to_contain_text("treat it as energised until proved dead")
    expect(section).to_contain_text("before and after each test")
    told = section.locator("ul").first.bounding_box()
    assert told
    assert told["y"] < boxes[shown[0]]["y"]
    assert (
        "amend" in section.locator("details", has_text="Wrong circuit").text_content()
    )
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    page.evaluate(UNFOLD)
    assert page.evaluate(NAMELESS) == []
    assert page.evaluate(SMALL) == []


def tell_where(device: Device, section: str) -> None:
    """Let the office suggest the far end of a section as the next place to test."""
    light = section.replace("S", "L")

    def answered(route: Any) -> None:
        reply = route.fetch()
        if reply.status == 304:
            route.fulfill(response=reply)
            return
        told = reply.json()
        for trouble in told["troubles"]:
            if trouble["circuit_id"] == CIRCUIT and trouble["readings"]:
                trouble["test_at"] = light
                place = {"where": f"light {light}", "light_id": light}
                trouble["test_first"] |= place
                for values in trouble["readings"].values():
                    values.pop("circuit_id", None)
                    values["light_id"] = light
        route.fulfill(response=reply, json=told)

    device.context.route("**/api/extract", answered)


def test_a_reading_made_with_no_signal_is_sent_later_and_the_circuit_judged_anew(
    device: Device, office: Office
) -> None:
    tell_where(device, BRANCH[4])
    device.keep_page()
    page = device.go(f"/lights/{TOLD[0]}")
    before = page.locator("p.open").inner_text()
    assert "one fault on the underground feed" in before
    device.context.set_offline(True)
    dead_at = f"Dead at {BRANCH[4].replace('S', 'L')}"
    page.get_by_role("button", name=dead_at, exact=True).tap()
    expect(page.locator(".status")).to_contain_text("Saved on this device")
    assert page.locator("p.open").inner_text() == before
    device.context.set_offline(False)
    expect(page.locator(".status")).to_contain_text(
        "verdict is updated", timeout=SENT_MS
    )
    expect(page.locator(".status")).to_contain_text("Received", timeout=SENT_MS)
    (row,) = office.rows(BRANCH[4].replace("S", "L"))
    assert (row["action"], row["volts"]) == ("tested_dead", None)
    found = answer(office, f"/api/troubles?circuit={CIRCUIT}")["troubles"][0]
    assert found["said"] in page.locator("p.open").inner_text()
    beyond = sum(share for name, share in found["sections"] if name in BRANCH[5:])
    assert beyond < 0.05

    page.get_by_role("button", name="take it back").tap()
    taken = page.locator(".status", has_text="Taken back")
    expect(taken).to_contain_text("Received", timeout=SENT_MS)
    rows = office.rows(BRANCH[4].replace("S", "L"))
    assert [one["supersedes"] for one in rows] == [None, row["repair_id"]]


def test_typed_volts_must_agree_with_the_button(device: Device, office: Office) -> None:
    page = device.go(f"/lights/{TOLD[0]}")
    page.get_by_label("Volts read").fill("12")
    live = page.locator("button.reading.live").first
    live.tap()
    expect(page.locator(".test .problem")).to_contain_text("50 or more is live")
    assert office.posts == 0
    page.get_by_label("Volts read").fill("231")
    live.tap()
    expect(page.locator(".status")).to_contain_text("Received", timeout=SENT_MS)
    (kept,) = [one for one in office.store.rows("repairs") if one["volts"] == "231"]
    assert kept["action"] == "tested_live"


ASKED = "#test"


def press(page: Page, kind: str) -> str:
    """Press a button of the test that is asked for; return what is asked next."""
    before = page.locator(ASKED).inner_text()
    page.locator(f"section.test > .readings button.{kind}").tap()
    expect(page.locator(".status")).to_contain_text(
        "verdict is updated", timeout=SENT_MS
    )
    expect(page.locator(ASKED)).not_to_have_text(before, timeout=SENT_MS)
    return page.locator(ASKED).inner_text()


def answered(device: Device, office: Office) -> dict[str, Any]:
    found: dict[str, Any] = answer(office, f"/api/troubles?circuit={CIRCUIT}")
    return found["troubles"][0]


def test_dead_and_could_not_open_each_ask_another_place(
    device: Device, office: Office
) -> None:
    page = device.go(f"/lights/{TOLD[0]}")
    asked = [page.locator(ASKED).inner_text()]
    asked.append(press(page, "could_not_open"))
    asked.append(press(page, "could_not_open"))
    assert len(set(asked)) == 3
    why = page.locator("ul.evidence").inner_text()
    assert why.count("could not be opened") == 2
    rows = [one for one in office.store.rows("repairs") if one["action"] == SHUT]
    assert len(rows) == 2


def test_the_loop_at_the_pole_ends_in_a_section_to_open(
    device: Device, office: Office
) -> None:
    """The cable is faulted behind the middle of the branch: the truth answers."""
    page = device.go(f"/lights/{TOLD[0]}")
    faulted = BRANCH[5]
    for _ in range(9):
        trouble = answered(device, office)
        if trouble["next"].startswith("Open "):
            break
        at = trouble["test_first"]["section_id"]
        dead = at in BRANCH and BRANCH.index(at) >= BRANCH.index(faulted)
        was = page.locator("p.open").inner_text()
        page.locator(
            f"section.test > .readings button.{'dead' if dead else 'live'}"
        ).tap()
        expect(page.locator("p.open")).not_to_have_text(was, timeout=SENT_MS)
    expect(page.locator("p.open")).to_contain_text(f"Open section {faulted}: ")
    expect(page.locator("p.open")).to_contain_text("prove it dead at both ends")
    expect(page.locator("ul.evidence")).to_contain_text("tested: ")
