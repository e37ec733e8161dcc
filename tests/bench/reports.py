"""How long each report takes, and how large it is: ``python -m tests.bench.reports``.

A city of 100,000 lights and four years of records. Seconds on the clock from the
command to its end, each report by itself: start, records, register, page, CSV and XLSX.
Machines, and the same one from hour to hour, differ twofold: each report is printed in
plain loops of Python as well, timed right after it.
"""

from __future__ import annotations

import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas

from demo_city import Parameters
from reports.papers import PAPERS
from tests.recovery.triage_mornings import stored

LIGHTS, YEARS, SEED = 100_000, 4, 3


TURNS = 20_000_000


def plain_loop() -> float:
    """Return how long a plain loop takes just now [s]."""
    begun, total = time.perf_counter(), 0
    for turn in range(TURNS):
        total += turn
    return time.perf_counter() - begun


def main(lights: int = LIGHTS) -> None:
    """Print seconds and sizes."""
    print(f"Python {platform.python_version()}, pandas {pandas.__version__}")
    with (
        stored(Parameters(lights=lights, years=YEARS), SEED) as (store, _),
        tempfile.TemporaryDirectory() as out,
    ):
        for name in PAPERS:
            folder = Path(out, name)
            asked = [
                "report",
                name,
                "--out",
                str(folder),
                "--db",
                str(store.engine.url),
            ]
            begun = time.perf_counter()
            subprocess.run(
                [sys.executable, "-m", "lightwatch.cli", *asked],
                check=True,
                capture_output=True,
            )
            taken = time.perf_counter() - begun
            size = max(one.stat().st_size for one in folder.iterdir()) / 1e6
            loop = plain_loop()
            print(
                f"{name:<14} {taken:>6.1f} s, {taken / loop:>5.1f} loops of {loop:.2f} "
                f"s; {size:.2f} MB at most",
                flush=True,
            )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
