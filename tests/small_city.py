"""A village of the invented city in a store of its own, made once for all tests."""

from __future__ import annotations

import shutil
import time
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from demo_city import Parameters, simulate
from lightwatch.observations.intake import load
from lightwatch.observations.package import Package
from lightwatch.store import open_store

SEED = 7
DARK = ("L000100", "L000150", "L000200")
"""Lights of ours on three circuits, each told to be out on the last evening."""

_REPORTS = "".join(
    f"Q99999{i},2025-10-31T21:0{i},{light},,,out,telephone,,\n"
    for i, light in enumerate(DARK)
)


@cache
def _made() -> Path:
    folder = Path(mkdtemp(prefix="lightwatch-small-city-"))
    simulate(Parameters.small(), SEED).write(folder / "package")
    with (folder / "package" / "reports.csv").open("a", encoding="utf-8") as reports:
        reports.write(_REPORTS)
    store = open_store(f"sqlite:///{folder / 'city.db'}", create=True)
    package = Package.open(folder / "package")
    load(store, package, now=time.time_ns() // 1000, said_by="test")
    store.engine.dispose()
    return folder / "city.db"


def small_city(folder: Path) -> str:
    """Return the address of a fresh store that holds the village."""
    shutil.copy(_made(), folder / "city.db")
    return f"sqlite:///{folder / 'city.db'}"
