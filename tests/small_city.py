"""A village of the invented city in a store of its own, made once for all tests."""

from __future__ import annotations

import time
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from demo_city import Parameters, simulate
from lightwatch.observations.intake import load
from lightwatch.observations.package import Package
from lightwatch.store import open_store
from tests import databases

SEED = 7
DARK = ("L000100", "L000150", "L000200")
"""Lights on three circuits, each told to be out on the last evening.

The first two are ours; the supply to the third is another utility's.
"""

_REPORTS = "".join(
    f"Q99999{i},2025-10-31T21:0{i},{light},,,out,telephone,,\n"
    for i, light in enumerate(DARK)
)


@cache
def package() -> Path:
    """Return the folder of the package, made once."""
    folder = Path(mkdtemp(prefix="lightwatch-small-city-"))
    simulate(Parameters.small(), SEED).write(folder)
    with (folder / "reports.csv").open("a", encoding="utf-8") as reports:
        reports.write(_REPORTS)
    return folder


def _loaded(address: str) -> None:
    store = open_store(address, create=True)
    load(store, Package.open(package()), now=time.time_ns() // 1000, said_by="test")
    store.engine.dispose()


def small_city(folder: Path) -> str:
    """Return the address of a fresh store that holds the village."""
    return databases.copied(_loaded, folder, "city.db")
