"""The village with a cable fault: three lights told dark beyond the middle of a branch.

Circuit C00002 has a branch S000031, S000033, S000034, ... S000041, S000040, each
feeding the next and one light of its own number. The export is of an hour ago, so that
a test made now is news.
"""

from __future__ import annotations

import json
import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import mkdtemp

from lightwatch.observations.intake import load
from lightwatch.observations.package import Package
from lightwatch.store import open_store
from tests import databases
from tests.small_city import package

CIRCUIT = "C00002"
BRANCH = (
    *("S000031", "S000033", "S000034", "S000035", "S000036", "S000037", "S000038"),
    *("S000039", "S000041", "S000040"),
)
"""From the source outwards."""
TOLD = ("L000038", "L000041", "L000040")
"""Reported last evening."""


def faulted_village(folder: Path) -> str:
    """Return the address of a fresh store that holds it."""
    return databases.copied(_loaded, folder, "faulted.db")


def _loaded(address: str) -> None:
    copy = Path(mkdtemp(prefix="lightwatch-faulted-")) / "faulted"
    shutil.copytree(package(), copy, ignore=shutil.ignore_patterns("*.db*"))
    now = datetime.now(UTC)
    described = json.loads((copy / "datapackage.json").read_text("utf-8"))
    described["created"] = (now - timedelta(hours=1)).isoformat(timespec="seconds")
    (copy / "datapackage.json").write_text(json.dumps(described), "utf-8")
    with (copy / "reports.csv").open("a", encoding="utf-8") as reports:
        for number, light in enumerate(TOLD):
            at = now - timedelta(hours=30 - number)
            when = at.isoformat(timespec="seconds")
            reports.write(f"QF{number},{when},{light},,,out,phone,,\n")
    store = open_store(address, create=True)
    load(store, Package.open(copy), now=time.time_ns() // 1000, said_by="test")
    store.engine.dispose()
