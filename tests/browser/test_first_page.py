"""The first page in a real Chromium: no signal, lost replies, killed, two tabs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Playwright, expect

from tests.browser.device import (
    CHROMIUM,
    FLAGS,
    NAMELESS,
    PHONE,
    SENT_MS,
    SMALL,
    Device,
    answer,
    phone,
    started,
    state,
)
from tests.browser.office import Office
from tests.small_city import DARK

pytestmark = pytest.mark.browser

DAY_AFTER_EXPORT = "2025-11-02T09:00"
"""Failures count as far as repairs are on record: not after a year without any."""


@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    with started() as opened:
        yield opened


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    opened = Office(tmp_path)
    opened.start()
    yield opened
    opened.stop()


@pytest.fixture
def device(playwright: Playwright, office: Office, tmp_path: Path) -> Iterator[Device]:
    with phone(playwright, office, tmp_path / "profile") as opened:
        yield opened


def find(page: Page, tag: str) -> None:
    page.get_by_label("Tag or road").fill(tag)
    page.locator(".lights a").first.tap()
    page.wait_for_selector("form.repair")


def log(
    page: Page, tag: str, what: str = "photocontrol", notes: str = "", done: str = ""
) -> str:
    """Log a repair at a light found by its tag; return its key."""
    page.bring_to_front()
    page.get_by_role("link", name="Find a light").tap()
    find(page, tag)
    fill(page, what, notes, done)
    page.get_by_role("button", name="Save repair").tap()
    page.wait_for_url("**/receipts/*")
    page.wait_for_selector(".status")
    return page.url.rsplit("/", 1)[1]


def fill(page: Page, what: str, notes: str = "", done: str = "") -> None:
    chip = page.locator(f"[data-what={what}]")
    if not chip.is_visible():
        page.get_by_text("Something else").tap()
    chip.tap()
    if page.locator(".fitted .chip").count():
        page.locator(".fitted .chip").first.tap()
    page.locator(".chip", has_text="Cover test").tap()
    if notes or done:
        page.get_by_text("More: cause").tap()
        page.get_by_label("Notes").fill(notes)
        page.get_by_label("Done at").fill(done)


def count_taps(page: Page) -> Callable[[], int]:
    page.evaluate(
        "window.taps = 0;"
        "addEventListener('pointerdown', (e) => { taps += e.isTrusted; }, true)"
    )
    return lambda: int(page.evaluate("taps"))


def test_the_usual_job_at_the_nearest_light_takes_at_most_six_taps(
    device: Device, office: Office
) -> None:
    page = device.go()
    taps = count_taps(page)
    page.get_by_role("button", name="Nearest lights").tap()
    page.get_by_text("position to within 8 m").wait_for()
    page.locator(".lights a").first.tap()
    page.locator("[data-what=photocontrol]").tap()
    page.locator(".fitted .chip").first.tap()
    page.locator(".chip", has_text="Cover test").tap()
    page.get_by_role("button", name="Save repair").tap()
    expect(page.locator(".status")).to_contain_text("Received by the office")
    assert taps() <= 6
    (row,) = office.rows(DARK[0])
    assert row["component"] == row["cause"] == "photocontrol"
    assert (row["action"], row["proven"]) == ("replaced", "cover_test")
    assert row["fitted_model"]


def test_the_usual_job_by_tag_takes_at_most_six_taps(
    device: Device, office: Office
) -> None:
    page = device.go()
    taps = count_taps(page)
    page.get_by_label("Tag or road").tap()
    page.keyboard.type("20149")
    page.locator(".lights a").first.tap()
    page.locator("[data-what=photocontrol]").tap()
    page.locator(".fitted .chip").first.tap()
    page.locator(".chip", has_text="Cover test").tap()
    page.get_by_role("button", name="Save repair").tap()
    expect(page.locator(".status")).to_contain_text("Received by the office")
    assert taps() <= 6
    assert len(office.rows(DARK[1])) == 1


def test_no_signal_no_server_killed_and_a_lost_reply_yet_each_is_there_once(
    device: Device, office: Office
) -> None:
    device.keep_page()
    device.context.set_offline(True)
    office.stop()
    page = device.go()
    keys = [log(page, "P20099"), log(page, "P20149", "fuse", "second")]
    keys.append(log(page, "P20010", "photocontrol"))
    expect(page.locator(".status")).to_contain_text("Saved on this device")
    expect(state(page)).to_contain_text("3 saved here")
    device.go("/queue")
    expect(page.locator("[data-state=waiting][data-key]")).to_have_count(3)

    device.kill()
    device.open(offline=True)
    page = device.go("/queue")
    expect(page.locator("[data-state=waiting][data-key]")).to_have_count(3)
    assert [record["repair_id"] for record in device.records()] == keys

    office.start()
    office.lose = 1
    device.context.set_offline(False)
    expect(state(page)).to_contain_text("All received", timeout=SENT_MS)
    assert office.lose == 0
    assert office.posts >= 4, "the lost reply was not asked for again"
    kept = [row["repair_id"] for row in office.store.rows("repairs")]
    assert [kept.count(key) for key in keys] == [1, 1, 1]
    expect(page.locator("[data-state=sent][data-key]")).to_have_count(3)


def test_what_was_logged_offline_reaches_rates_card_and_outages(
    device: Device, office: Office
) -> None:
    def failures() -> int:
        rows = answer(office, "/api/rates?by=kind")["rows"]
        return sum(row["failures"] for row in rows if row["kind"] == "photocontrol")

    def dark() -> set[str]:
        outages = answer(office, "/api/outages")["outages"]
        return {light for outage in outages for light in outage["reported"]}

    before = failures()
    assert DARK[0] in dark()
    device.keep_page()
    device.context.set_offline(True)
    key = log(device.go(), "P20099", done=DAY_AFTER_EXPORT)
    device.context.set_offline(False)
    expect(state(device.page)).to_contain_text("All received", timeout=SENT_MS)
    assert failures() == before + 1
    assert DARK[0] not in dark()
    card = answer(office, f"/api/lights/{DARK[0]}")
    assert card["repairs"][0]["repair_id"] == key
    (part,) = [one for one in card["fitted"] if one["kind"] == "photocontrol"]
    years = (
        datetime.now(UTC) - datetime.fromisoformat(f"{DAY_AFTER_EXPORT}Z")
    ).days / 365.25
    assert part["age_years"] == pytest.approx(years, abs=0.06)


def test_two_tabs_send_each_record_once(device: Device, office: Office) -> None:
    device.keep_page()
    other = device.context.new_page()
    device.go("/", other)
    device.context.set_offline(True)
    keys = []
    for number in range(3):
        keys.append(log(device.page, "P20099", notes=f"first tab {number}"))
        keys.append(log(other, "P20149", notes=f"second tab {number}"))
    expect(state(device.page)).to_contain_text("6 saved here")
    expect(state(other)).to_contain_text("6 saved here")
    device.context.set_offline(False)
    for page in (device.page, other):
        expect(state(page)).to_contain_text("All received", timeout=SENT_MS)
    kept = [row["repair_id"] for row in office.store.rows("repairs")]
    assert [kept.count(key) for key in keys] == [1] * 6
    assert office.posts == 6, "a record was sent by both tabs"


def test_a_refused_record_is_shown_mended_and_never_blocks_the_next(
    device: Device, office: Office
) -> None:
    device.keep_page()
    device.context.set_offline(True)
    page = device.go()
    page.get_by_label("Tag or road").fill("P99999")
    page.get_by_role("link", name="all the same").tap()
    page.wait_for_selector("form.repair")
    page.locator("[data-what=photocontrol]").tap()
    page.locator(".fitted .chip").first.tap()
    page.locator(".chip", has_text="Seen lit").tap()
    page.get_by_role("button", name="Save repair").tap()
    page.wait_for_selector(".status")
    bad = page.url.rsplit("/", 1)[1]
    good = log(page, "P20149")
    device.context.set_offline(False)
    expect(state(page)).to_contain_text("1 refused", timeout=SENT_MS)
    expect(state(page)).not_to_contain_text("saved")
    assert [row["repair_id"] for row in office.rows(DARK[1])] == [good]

    state(page).tap()
    refused = page.locator(f"[data-key='{bad}']")
    expect(refused).to_contain_text("'P99999' is not in lights")
    refused.get_by_role("button", name="Set aside").tap()
    expect(page.locator(f"[data-key='{bad}'][data-state=aside]")).to_be_visible()
    expect(state(page)).to_contain_text("1 set aside")
    page.locator(f"[data-key='{bad}']").get_by_role("link", name="Mend").tap()
    page.get_by_label("Light").fill("p20099")
    page.get_by_role("button", name="Save and send again").tap()
    expect(page.locator(".status")).to_contain_text("Received", timeout=SENT_MS)
    (row,) = office.rows(DARK[0])
    assert (row["repair_id"], row["proven"]) == (bad, "seen_lit")


def test_an_answer_that_is_not_the_offices_is_not_taken_for_it(
    device: Device, office: Office
) -> None:
    page = device.go()
    portal = {"status": 200, "content_type": "text/html", "body": "<p>Please log in"}
    device.context.route("**/api/repairs", lambda route: route.fulfill(**portal))
    key = log(page, "P20099")
    expect(page.locator(".status")).to_contain_text("Not with the office yet")
    assert office.rows(DARK[0]) == []
    device.context.unroute("**/api/repairs")
    expect(page.locator(".status")).to_contain_text("Received", timeout=SENT_MS)
    assert [row["repair_id"] for row in office.rows(DARK[0])] == [key]


def test_while_the_office_is_in_trouble_a_record_waits_under_its_own_key(
    device: Device, office: Office
) -> None:
    page = device.go()
    commit = office.store.engine.dialect.do_commit

    def lose_the_answer(connection: Any) -> None:
        commit(connection)
        raise office.store.engine.dialect.loaded_dbapi.OperationalError("gone")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(office.store.engine.dialect, "do_commit", lose_the_answer)
        key = log(page, "P20099")
        expect(page.locator(".status")).to_contain_text("cannot reach its records")
        assert [record["state"] for record in device.records()] == ["waiting"]
    expect(page.locator(".status")).to_contain_text("Received", timeout=SENT_MS)
    assert [row["repair_id"] for row in office.rows(DARK[0])] == [key]


def test_a_record_refused_without_another_in_its_place_is_mended_under_its_key(
    device: Device, office: Office
) -> None:
    page = device.go()
    told = {"title": "Refused", "status": 409, "detail": "database is locked"}
    answer = {"status": 409, "content_type": "application/problem+json", "json": told}
    device.context.route("**/api/repairs", lambda route: route.fulfill(**answer))
    key = log(page, "P20099")
    expect(page.locator(".status")).to_contain_text("refused", timeout=SENT_MS)
    device.context.unroute("**/api/repairs")
    page.get_by_role("link", name="Mend and send again").tap()
    page.get_by_role("button", name="Save and send again").tap()
    expect(page.locator(".status")).to_contain_text("Received", timeout=SENT_MS)
    assert [row["repair_id"] for row in office.rows(DARK[0])] == [key]


def test_a_correction_supersedes_and_keeps_the_time_of_the_work(
    device: Device, office: Office
) -> None:
    page = device.go()
    key = log(page, "P20099")
    expect(page.locator(".status")).to_contain_text("Received")
    page.get_by_role("link", name="Correct this").tap()
    page.wait_for_selector("form.repair")
    page.wait_for_timeout(1100)
    page.locator(".chip", has_text="Seen lit").tap()
    page.get_by_role("button", name="Save correction").tap()
    page.wait_for_url(lambda url: "/receipts/" in url and key not in url)
    expect(page.locator(".status")).to_contain_text("Received")
    first, second = office.rows(DARK[0])
    assert second["supersedes"] == first["repair_id"] == key
    assert second["performed_at"] == first["performed_at"]
    assert (first["proven"], second["proven"]) == ("cover_test", "seen_lit")
    assert second["fitted_model"] == first["fitted_model"]
    card = answer(office, f"/api/lights/{DARK[0]}")
    shown = [row["repair_id"] for row in card["repairs"]]
    assert key not in shown
    assert second["repair_id"] in shown


def test_a_light_that_is_not_ours_says_so_before_anything_is_logged(
    device: Device,
) -> None:
    page = device.go()
    find(page, DARK[2])
    warned = page.locator(".warn").bounding_box()
    asked = page.locator("fieldset.what").bounding_box()
    assert warned
    assert asked
    expect(page.locator(".warn")).to_contain_text("Not ours")
    assert warned["y"] < asked["y"]


def test_without_a_script_the_plain_form_keeps_one_record(
    playwright: Playwright, office: Office
) -> None:
    with playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS) as browser:
        context = browser.new_context(viewport=PHONE, java_script_enabled=False)
        page = context.new_page()
        page.goto(office.url)
        page.get_by_label("Tag or road").fill("P20099")
        page.get_by_role("button", name="Find").click()
        page.locator("a", has_text="P20099").first.click()
        page.locator("[data-what=photocontrol]").click()
        page.locator(".chip", has_text="Cover test").click()
        page.get_by_role("button", name="Save repair").click()
        expect(page.get_by_role("heading", level=1)).to_have_text(
            "Received by the office"
        )
        page.go_back()
        page.get_by_role("button", name="Save repair").click()
        page.wait_for_url("**/receipts/*")
        context.close()
    assert len(office.rows(DARK[0])) == 1


def test_every_field_has_a_label_and_every_target_suits_a_glove(
    device: Device,
) -> None:
    device.go()
    key = log(device.page, "P20099")
    for path in ("/", "/queue", f"/lights/{DARK[0]}", f"/receipts/{key}"):
        page = device.go(path)
        page.evaluate(
            "document.querySelectorAll('details').forEach((d) => d.open = true)"
        )
        if "/lights/" in path:
            page.locator("[data-what=photocontrol]").tap()
        assert page.evaluate(NAMELESS) == [], path
        assert page.evaluate(SMALL) == [], path
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= PHONE["width"], f"{path} scrolls sideways"


def test_the_page_opens_from_the_device_without_the_office(
    device: Device, office: Office
) -> None:
    device.keep_page()
    device.context.set_offline(True)
    office.stop()
    device.go()
    assert device.page.title()
