"""The outage map of a large city: ``python -m tests.bench.map_size [LIGHTS]``.

Prints the size of the page [MB], how long it takes to build after the inference, and
how long a Chromium takes from opening the file until all of it is painted [s].
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import sync_playwright

from lightwatch.mapview import outage_map
from tests.browser.device import CHROMIUM, FLAGS
from tests.unit.test_mapview import SAID, city, city_outages

LIGHTS, SINGLES, FAULTS = 300_000, 3_000, 100
REPEATS = 3


def painted_s(page_path: Path) -> list[float]:
    """Return how long each opening takes until a frame after the last drawing [s]."""
    found = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for _ in range(REPEATS):
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            begun = time.perf_counter()
            page.goto(page_path.as_uri())
            page.wait_for_selector("html[data-ready=yes]", timeout=60_000)
            page.evaluate(
                "new Promise(done => requestAnimationFrame("
                "() => requestAnimationFrame(done)))"
            )
            found.append(time.perf_counter() - begun)
            page.close()
        browser.close()
    return found


def main(lights: int) -> None:
    """Build the page, and open it."""
    town = city(lights)
    troubles = city_outages(SINGLES * lights // LIGHTS, FAULTS * lights // LIGHTS)
    outage_map([], **city(1_000), **SAID)
    begun = time.perf_counter()
    page = outage_map(troubles, **town, **SAID)
    built = time.perf_counter() - begun
    size = len(page.encode())
    with TemporaryDirectory() as folder:
        path = Path(folder, "map.html")
        path.write_text(page, "utf-8")
        painted = painted_s(path)
    print(f"{lights:,} lights, {len(troubles):,} outages")
    print(f"page     {size / 1e6:5.2f} MB   goal 8")
    print(f"built    {built:5.2f} s    goal 5")
    times = ", ".join(f"{one:.2f}" for one in painted)
    print(f"painted  {times} s    goal 3")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else LIGHTS)
