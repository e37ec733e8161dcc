"""A phone for browser tests, and what any page on it must hold to."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import (
    BrowserContext,
    Error,
    Locator,
    Page,
    Playwright,
    sync_playwright,
)

from tests.browser.office import Office

CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
FLAGS += ["--disable-background-networking", "--disable-component-update"]
FLAGS += ["--disable-sync"]
PHONE = {"width": 390, "height": 844}
HERE = {"longitude": -3.4187, "latitude": 52.28473, "accuracy": 8}
"""At the foot of the first dark light's pole [degrees, m]."""
SENT_MS = 30_000


@contextlib.contextmanager
def started() -> Iterator[Playwright]:
    """Start Playwright where there is a Chromium; else skip, or fail if required."""
    if not Path(CHROMIUM).exists():
        reason = f"{CHROMIUM} is not installed: the first page was not opened"
        if os.environ.get("LIGHTWATCH_REQUIRE_BROWSER") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as opened:
        yield opened


class Device:
    """A phone: a browser whose profile outlives it, and all that it asked for."""

    def __init__(self, playwright: Playwright, profile: Path, url: str) -> None:
        self.playwright, self.profile, self.url = playwright, profile, url
        self.requests: list[str] = []
        self.errors: list[str] = []
        self.open()

    def open(self, *, offline: bool = False) -> None:
        self.context: BrowserContext = (
            self.playwright.chromium.launch_persistent_context(
                self.profile,
                executable_path=CHROMIUM,
                args=FLAGS,
                viewport=PHONE,
                has_touch=True,
                is_mobile=True,
                geolocation=HERE,
                permissions=["geolocation"],
                offline=offline,
            )
        )
        self.context.on("request", lambda one: self.requests.append(one.url))
        self.context.on("weberror", lambda one: self.errors.append(str(one.error)))
        self.context.on("console", self._hear)
        self.page = self.context.pages[0]

    def _hear(self, said: Any) -> None:
        offline = "Failed to load resource" in said.text
        if said.type in ("error", "warning") and not offline:
            self.errors.append(said.text)

    def kill(self) -> None:
        """End the browser's processes as a flat battery would."""
        mark = f"--user-data-dir={self.profile}".encode()
        for process in Path("/proc").iterdir():
            with contextlib.suppress(OSError):
                words = (process / "cmdline").read_bytes().split(b"\0")
                if process.name.isdigit() and mark in words:
                    os.kill(int(process.name), signal.SIGKILL)
        with contextlib.suppress(Error):
            self.context.close()

    def go(self, path: str = "/", page: Page | None = None) -> Page:
        page = page or self.page
        page.goto(self.url + path)
        page.wait_for_selector("html[data-ready]")
        return page

    def keep_page(self) -> None:
        """Open the page once with a signal, until it is all on the device."""
        self.go()
        self.page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        deadline = time.monotonic() + 20
        while self.page.evaluate("caches.keys().then((names) => names.length)") != 1:
            assert time.monotonic() < deadline, "the page was not kept"
            time.sleep(0.05)

    def records(self) -> list[dict[str, Any]]:
        module = self.page.evaluate(
            "document.querySelector('script[type=module]').src"
        ).replace("page.js", "device.js")
        found: list[dict[str, Any]] = self.page.evaluate(
            "(url) => import(url).then((device) => device.all())", module
        )
        return found


@contextlib.contextmanager
def phone(playwright: Playwright, office: Office, profile: Path) -> Iterator[Device]:
    """Lend a phone; in the end nothing outside was asked for and nothing went wrong."""
    opened = Device(playwright, profile, office.url)
    yield opened
    with contextlib.suppress(Error):
        opened.context.close()
    hosts = {urlsplit(url).netloc for url in opened.requests}
    assert hosts <= {f"127.0.0.1:{office.port}", ""}, "something outside was asked for"
    assert not opened.errors


def state(page: Page) -> Locator:
    return page.locator("#state")


def answer(office: Office, path: str) -> Any:
    with urllib.request.urlopen(office.url + path) as reply:
        return json.load(reply)


NAMELESS = """
[...document.querySelectorAll("input, select, textarea, button, a")]
  .filter((one) => one.type !== "hidden" && one.checkVisibility())
  .filter((one) => !(one.labels?.length && one.labels[0].textContent.trim())
    && !one.textContent.trim() && !one.ariaLabel)
  .map((one) => one.outerHTML)
"""
UNFOLD = "document.querySelectorAll('details').forEach((one) => one.open = true)"
SMALL = """
[...document.querySelectorAll("input, select, textarea, button, a, summary, .chip")]
  .filter((one) => one.type !== "hidden" && one.checkVisibility())
  .map((one) => [one.getBoundingClientRect(), one.outerHTML])
  .filter(([box]) => box.height < 48 || box.width < 48)
  .map(([box, html]) => `${box.width}x${box.height} ${html}`)
"""
