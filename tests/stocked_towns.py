"""A little town with a store: lights on two voltages, two depots, a year of repairs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from lightwatch.register import Register
from tests.packages import Taken, take_in, write_package

CREATED = "2022-01-01T00:00:00Z"
OPENED = "2018-01-01"
LIGHTS = 60

MODELS: list[dict[str, Any]] = [
    {"model": "PC-A", "kind": "photocontrol", "type": "electronic", "maker": "Alder",
     "volts_min": 105, "volts_max": 305, "unit_cost": 14, "lead_time_days": 35,
     "lead_time_sd_days": 9, "pack_size": 12, "minimum_order": 24,
     "warranty_years": 6},
    {"model": "PC-B", "kind": "photocontrol", "type": "electronic", "maker": "Birch",
     "volts_min": 105, "volts_max": 530, "unit_cost": 16, "lead_time_days": 60,
     "pack_size": 10, "minimum_order": 20, "warranty_years": 8},
    {"model": "FU-6", "kind": "fuse", "type": "any", "maker": "Alder",
     "unit_cost": 2, "lead_time_days": 10, "pack_size": 50},
]  # fmt: skip
CIRCUITS = [
    {"circuit_id": "C1", "feed": "underground", "voltage": 240, "control": "own"},
    {"circuit_id": "C2", "feed": "overhead", "voltage": 480, "control": "own"},
]
STOCK = [
    {"model": "PC-A", "depot": "North", "on_hand": 3, "on_order": 0},
    {"model": "PC-B", "depot": "North", "on_hand": 2, "on_order": 20,
     "due_on": "2022-01-20"},
    {"model": "PC-A", "depot": "South", "on_hand": 30, "on_order": 0},
    {"model": "FU-6", "depot": "South", "on_hand": 4, "on_order": 0},
]  # fmt: skip


def name(number: int) -> str:
    return f"L{number:03d}"


def lights() -> list[dict[str, Any]]:
    """Half on each circuit; the first twenty name a depot, the others none."""
    return [
        {"light_id": name(i), "pole_id": f"P{i}", "longitude": 10 + i * 1e-4,
         "latitude": 50 + (i % 2) * 1e-2, "circuit_id": f"C{i % 2 + 1}",
         "technology": "led", "depot": ("North", "South")[i % 2] if i < 20 else ""}
        for i in range(LIGHTS)
    ]  # fmt: skip


def components() -> list[dict[str, Any]]:
    """A photocontrol and a fuse each; every fifth photocontrol of unknown age."""
    made = []
    for i in range(LIGHTS):
        at = "" if i % 5 == 0 else f"201{i % 6 + 1}-0{i % 9 + 1}"
        model = "PC-B" if i % 2 else "PC-A"
        made.append({"light_id": name(i), "kind": "photocontrol", "model": model,
                     "installed_on": at})  # fmt: skip
        made.append({"light_id": name(i), "kind": "fuse", "model": "FU-6",
                     "installed_on": "2010"})  # fmt: skip
    return made


def repair(number: int, at: str, light: int, **more: str) -> dict[str, Any]:
    """One photocontrol replaced, unless said otherwise; the fault unless said."""
    return {
        "repair_id": f"W{number:04d}", "performed_at": at, "recorded_at": at,
        "light_id": name(light), "cause": "photocontrol", "action": "replaced",
        "component": "photocontrol", "fitted_model": "PC-B" if light % 2 else "PC-A",
        "proven": "cover_test", **more,
    }  # fmt: skip


def repairs(years: int = 4, a_year: int = 10) -> list[dict[str, Any]]:
    """So many photocontrols a year, spread over the months and the lights."""
    made = []
    for year in range(years):
        for k in range(a_year):
            month = k * 12 // a_year + 1
            made.append(
                repair(len(made), f"{2018 + year}-{month:02d}-15T12:00:00",
                       (7 * len(made)) % LIGHTS)
            )  # fmt: skip
    return made


def tables(**changed: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the town's tables, some of them changed."""
    made = {
        "lights": lights(), "components": components(), "models": MODELS,
        "circuits": CIRCUITS, "repairs": repairs(), "stock": STOCK,
    }  # fmt: skip
    return {**made, **changed}


def town(folder: Path, **changed: list[dict[str, Any]]) -> Taken:
    """Take the little town in, some of its tables changed."""
    written = write_package(
        folder / "stocked", tables(**changed), created=CREATED, opened_on=OPENED
    )
    return take_in(written)


def register(folder: Path, **changed: list[dict[str, Any]]) -> Register:
    """Return the little town's register."""
    return town(folder, **changed).register
