"""Towns of which only some kinds of record are there: the bare minimum, and more."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from lightwatch.register import Register
from tests.packages import Taken, take_in, write_package

LIGHTS = [
    {"light_id": f"L{i:02}", "longitude": f"{15.64 + i / 2000:.4f}",
     "latitude": "47.32", "technology": "hps", "watts": "70"}
    for i in range(12)
]  # fmt: skip
REPORTS = [
    {"report_id": f"Q{i:02}", "received_at": f"2019-{1 + i:02}-10T20:00",
     "light_id": f"L{i % 6:02}", "symptom": "out"}
    for i in range(12)
]  # fmt: skip
REPAIRS = [
    {"repair_id": f"W{i:02}", "performed_at": f"2019-{1 + i:02}-13T10:00",
     "light_id": f"L{i % 6:02}", "cause": "lamp", "action": "replaced",
     "component": "lamp"}
    for i in range(11)
]  # fmt: skip
SILENT = [{**row, "cause": "", "component": ""} for row in REPAIRS]
"""Repairs that say neither part nor cause, as a list of closed jobs would be."""

FED = [{**row, "circuit_id": "C1", "section_id": "S1"} for row in LIGHTS]
FEEDS = {
    "circuits": [{"circuit_id": "C1", "feed": "underground"}],
    "sections": [{"section_id": "S1", "circuit_id": "C1", "kind": "underground_duct",
                  "length_m": "300"}],
}  # fmt: skip

TOWNS = {
    "feeds": ("lights", "circuits", "sections"),
    "lights": ("lights",),
    "reports": ("lights", "reports"),
    "repairs": ("lights", "repairs"),
    "both": ("lights", "reports", "repairs"),
    "silent": ("lights", "reports", "silent"),
}


def town(folder: Path, kinds: Sequence[str]) -> Taken:
    """Take in a town of which only some kinds of record are there."""
    lights = FED if "circuits" in kinds else LIGHTS
    tables = {"lights": lights, "reports": REPORTS, "repairs": REPAIRS, **FEEDS}
    chosen = {name: tables[name] for name in kinds if name in tables}
    if "silent" in kinds:
        chosen["repairs"] = SILENT
    return take_in(
        write_package(
            folder / "town",
            chosen,
            created="2020-01-01T00:00:00Z",
            opened_on="2019-01-01",
        )
    )


def register(folder: Path, name: str) -> Register:
    """Return the register of one of ``TOWNS``."""
    return town(folder, TOWNS[name]).register
