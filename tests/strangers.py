"""Five folders as strangers bring them: files of theirs, made from a hidden truth.

The truth is a small invented city with the cable of one circuit cut on its last days.
What the files do not say (circuits, sections, parts, who was dark) stays hidden, so
that an answer can be held against it.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import pandas as pd
from openpyxl import Workbook

from demo_city import Parameters, simulate

Row = dict[str, Any]

CREATED = datetime(2019, 11, 1, 6)  # noqa: DTZ001
TIMEZONE = "Europe/London"
OPENED = "2015-11-01"
TOLD = 6
"""How many of the dark lights somebody rang about."""

SPOKEN = {
    "out": "Light out", "group_out": "Several lights out", "dayburning": "On all day",
    "cycling": "Goes on and off", "dim": "Dim light", "flickering": "Flickering light",
    "knocked_down": "Pole knocked down", "other": "Other light problem",
}  # fmt: skip
_NOISE = ("ARMTYPE", "ARMLENGTH", "BASETYPE", "LENS", "POLECOLOR", "POLEMATERIAL",
          "BANNER", "OUTLET", "INSPECTED", "FOUNDATION", "SHIELD", "STYLE")  # fmt: skip
LAMPS = {
    "hps": "HPS-High Pressure Sodium", "mh": "MH-Metal Halide",
    "led": "LED-Light Emitting Diode",
}  # fmt: skip


@dataclass(frozen=True)
class Hidden:
    """The city and what is open in it.

    ``dark``: lights dark by the cut cable; ``told``: those of them that were reported.
    """

    lights: pd.DataFrame
    circuits: pd.DataFrame
    reports: pd.DataFrame
    repairs: pd.DataFrame
    dark: frozenset[str]
    told: tuple[str, ...]

    @property
    def pole_of(self) -> dict[str, str]:
        """Light to its pole, which is all that the strangers' files number."""
        lights = self.lights
        return dict(zip(lights["light_id"], lights["pole_id"], strict=True))

    @property
    def dark_poles(self) -> list[str]:
        """Poles that are dark."""
        return [self.pole_of[one] for one in sorted(self.dark)]

    @property
    def told_poles(self) -> list[str]:
        """Poles that somebody rang about."""
        return [self.pole_of[one] for one in self.told]


@cache
def hidden() -> Hidden:
    """Return the truth, made once."""
    small = replace(Parameters.small(), years=4, lights=600, staged_cable_faults=0)
    city = simulate(small, 5).tables
    lights = city["lights"].fillna("").astype(object)
    circuits = city["circuits"]
    dark = _dark(lights, city["sections"].fillna(""), circuits)
    reports = city["reports"].fillna("")
    late = reports["received_at"].astype(str) >= "2019-10-20"
    reports = reports[~(late & reports["light_id"].isin(list(dark)))]
    told = tuple(Random(3).sample(sorted(dark), min(TOLD, len(dark))))
    rows = [
        {"report_id": f"Q99{i}", "received_at": f"2019-10-{29 + i % 3}T19:{10 + 7 * i}",
         "light_id": light, "symptom": "out", "channel": "phone"}
        for i, light in enumerate(told)
    ]  # fmt: skip
    both = pd.concat([reports, pd.DataFrame(rows)], ignore_index=True).fillna("")
    repairs = city["repairs"].fillna("")
    return Hidden(lights, circuits, both, repairs, dark, told)


def _dark(
    lights: pd.DataFrame, sections: pd.DataFrame, circuits: pd.DataFrame
) -> frozenset[str]:
    """Return the lights past the cut: half or so of the longest underground circuit."""
    before = dict(
        zip(sections["section_id"], sections["upstream_section_id"], strict=True)
    )
    buried = set(circuits.loc[circuits["feed"] == "underground", "circuit_id"])
    ours = lights[lights["circuit_id"].isin(buried) & (lights["removed_on"] == "")]
    circuit = ours["circuit_id"].value_counts().index[0]
    ours = ours[ours["circuit_id"] == circuit]

    def way(section: str) -> Iterable[str]:
        while section:
            yield section
            section = str(before.get(section, ""))

    past: dict[str, set[str]] = {}
    for light, section in zip(ours["light_id"], ours["section_id"], strict=True):
        for one in way(section):
            past.setdefault(one, set()).add(light)
    half = len(ours) * 0.6
    return frozenset(min(past.values(), key=lambda some: abs(len(some) - half)))


def _csv(path: Path, rows: Sequence[Row], delimiter: str = ",") -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)


def _date(text: str) -> str:
    return f"{text.replace('-', '/')} 06:00:00+00" if text else ""


def points(path: Path) -> None:
    """Write the register as a GIS portal gives it; no circuit, no section."""
    rng = Random(1)
    rows = []
    for i, one in enumerate(hidden().lights.itertuples(), 1):
        feed = _feed_of(one.circuit_id)
        row = {
            "X": one.longitude, "Y": one.latitude, "OBJECTID": i,
            "FACILITYID": one.pole_id, "LIGHTTYPE_DESC": LAMPS[one.technology],
            "LAMPWATTS": one.watts, "SERVICEDATE": _date(one.in_service),
            "POWERFEED": feed, "OWNEDBY": one.owner or "City",
        }  # fmt: skip
        noise = {
            name: rng.choice(("N/A", "N/A", ""))
            for name in _NOISE
        }  # fmt: skip
        rows.append({**row, **noise, "WARD": i % 5 + 1, "GLOBALID": f"{{{i:012X}}}"})
    _csv(path, rows)


@cache
def _feeds() -> dict[str, str]:
    known = hidden().circuits
    return dict(zip(known["circuit_id"], known["feed"], strict=True))


def _feed_of(circuit: str) -> str:
    feed = _feeds().get(circuit, "")
    return {"underground": "Underground", "overhead": "Overhead"}.get(feed, "N/A")


def _answered() -> dict[str, str]:
    repairs = hidden().repairs
    ended = repairs[~repairs["action"].isin(["made_safe", "follow_up"])]
    return dict(zip(ended["report_id"], ended["performed_at"], strict=True))


def requests() -> list[Row]:
    """Return what callers said, by the address they gave, and when it was closed.

    One request in fifteen is of a place where the register has no light.
    """
    rng = Random(2)
    lights = hidden().lights.set_index("light_id")
    answered = _answered()
    rows = []
    for one in hidden().reports.itertuples():
        at = lights.loc[one.light_id] if one.light_id else one
        opened = datetime.fromisoformat(one.received_at)
        closed = answered.get(one.report_id, "")
        if not closed and opened < CREATED - timedelta(days=25):
            closed = (opened + timedelta(days=15)).isoformat(timespec="minutes")
        far = one.report_id[:2] != "Q9" and rng.random() < 1 / 15
        rows.append(
            {
                "number": f"R-{one.report_id[1:]}", "opened": opened,
                "closed": datetime.fromisoformat(closed) if closed else None,
                "x": float(at.longitude) + rng.gauss(0, 0.0001) + 0.06 * far,
                "y": float(at.latitude) + rng.gauss(0, 0.00006),
                "what": SPOKEN[one.symptom],
            }
        )  # fmt: skip
    return rows


def request_points(path: Path) -> None:
    """Write the requests as GeoJSON, all in UTC."""
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [one["x"], one["y"]]},
            "properties": {
                "OBJECTID": i, "SERVICEREQUESTID": one["number"],
                "SERVICECODEDESCRIPTION": one["what"],
                "ADDDATE": f"{one['opened']:%Y-%m-%dT%H:%M:%SZ}",
                "RESOLUTIONDATE":
                    f"{one['closed']:%Y-%m-%dT%H:%M:%SZ}" if one["closed"] else None,
                "SERVICEORDERSTATUS": "Closed" if one["closed"] else "Open",
                "PRIORITY": "Standard", "CITY": "",
            },
        }
        for i, one in enumerate(requests(), 1)
    ]  # fmt: skip
    text = json.dumps({"type": "FeatureCollection", "features": features})
    path.write_text(text, "utf-8")


def register_with_cabinets(path: Path) -> None:
    """Write a city's own register: poles, cabinets, free text in the watts."""
    rows = []
    for i, one in enumerate(hidden().lights.itertuples(), 1):
        watts = f"{one.watts:g}(LED)" if one.technology == "led" else f"{one.watts:g}W"
        rows.append(
            {
                "FID": i, "Pole Number": one.pole_id,
                "Cabinet": one.circuit_id.replace("C", "CAB "),
                "Lamp Type": {"hps": "High Pressure Sodium", "mh": "Metal Halide",
                              "led": "LED"}[one.technology] if i % 9 else "",
                "Wattage": watts if i % 7 else "", "Fixture Style": "Cobra Head",
                "Install Date": _american(one.in_service),
                "Latitude": one.latitude, "Longitude": one.longitude,
            }
        )  # fmt: skip
    _csv(path, rows)


def _american(text: str, clock: str = "0:00:00") -> str:
    if not text:
        return ""
    year, month, day = text.split("-")
    return f"{int(month)}/{int(day)}/{year} {clock}"


def complaints(path: Path) -> None:
    """Write requests of all kinds, lights among them, by address."""
    rng = Random(4)
    rows = []
    for one in requests():
        rows.append(_complaint(one, one["what"]))
        if rng.random() < 0.5:
            other = {**one, "number": one["number"].replace("R", "S"),
                     "opened": one["opened"] - timedelta(hours=5)}  # fmt: skip
            rows.append(_complaint(other, rng.choice(["Pothole", "Graffiti"])))
    _csv(path, rows)


def _complaint(one: Row, what: str) -> Row:
    closed = one["closed"]
    return {
        "SRNumber": one["number"],
        "CreatedDate": f"{one['opened']:%m/%d/%Y %I:%M:%S %p}",
        "RequestType": what, "Status": "Closed" if closed else "Open",
        "RequestSource": "Call",
        "ClosedDate": f"{closed:%m/%d/%Y %I:%M:%S %p}" if closed else "",
        "Address": "", "Latitude": one["y"], "Longitude": one["x"],
    }  # fmt: skip


DONE = {
    "lamp": ("Replaced", "Lamp"), "photocontrol": ("Replaced", "Photocell"),
    "ballast": ("Replaced", "Ballast"), "driver": ("Replaced", "Driver"),
    "ignitor": ("Replaced", "Ignitor"), "fuse": ("Replaced", "Fuse"),
    "led_module": ("Replaced", "LED module"), "wiring": ("Repaired", "Wiring"),
    "cable": ("Repaired", "Cable"),
}  # fmt: skip


def work_orders(path: Path) -> None:
    """Write the work orders of lights, by the tag on the pole, under a title."""
    poles = dict(
        zip(hidden().lights["light_id"], hidden().lights["pole_id"], strict=True)
    )
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "WO Detail"
    sheet.append(["Public Works: Street Lighting"])
    sheet.append(["Work orders closed"])
    sheet.append([])
    sheet.append(["WO Number", "Pole Tag", "Date Completed", "Crew", "Work Performed",
                  "Part", "Labor Hrs"])  # fmt: skip
    for one in hidden().repairs.itertuples():
        if one.light_id not in poles:
            continue
        done, part = DONE.get(one.component, ("No problem found", ""))
        at = datetime.fromisoformat(one.performed_at)
        pole = poles[one.light_id]
        sheet.append([one.repair_id, pole, at, one.crew, done, part, 1.0])
    book.save(path)


LARGE = 40_000


def bare_list(path: Path) -> None:
    """Write 40,000 lights of which only the place and a status are known."""
    rng = Random(6)
    rows = [
        {"id": 70000 + i, "lat": round(52.2 + (i // 200) * 0.0004, 6),
         "lon": round(-3.5 + (i % 200) * 0.0006, 6),
         "status": int(rng.random() < 0.005)}
        for i in range(LARGE)
    ]  # fmt: skip
    _csv(path, rows, ";")


def lanterns(path: Path, month: int) -> None:
    """Write lanterns, several to a pole; the second month some are gone or renumbered.

    In month 2 twenty have vanished and five have new numbers in the same places.
    """
    rows = []
    for i, one in enumerate(hidden().lights.itertuples(), 1):
        heads = 1 + (i % 5 == 0)
        lamp = {"hps": "HPS", "mh": "MH", "led": "LED"}[one.technology]
        for head in range(heads):
            number = f"{10000 + i}-{head + 1}"
            if month == 2 and i % 17 == 0 and head == 0 and i <= 340:
                continue
            if month == 2 and i in (21, 22, 23, 24, 26) and head == 0:
                number = f"{90000 + i}-1"
            rows.append(
                {
                    "LANTERN_NO": number, "POLE_NO": one.pole_id,
                    "LAMP_TYPE": f"{lamp}/LED" if i % 23 == 0 else lamp,
                    "WATTS": one.watts, "FEED": _feed_of(one.circuit_id),
                    "LON": one.longitude, "LAT": one.latitude,
                }
            )  # fmt: skip
    _csv(path, rows)


def _only(path: Path) -> None:
    points(path / "Street_Lights.csv")


def _requested(path: Path) -> None:
    points(path / "Street_Lights.csv")
    request_points(path / "Service_Requests.geojson")


def _three_systems(path: Path) -> None:
    register_with_cabinets(path / "street_lights.csv")
    work_orders(path / "Work Orders.xlsx")
    complaints(path / "complaints_all.csv")


def _bare(path: Path) -> None:
    bare_list(path / "lights_open_data.csv")


def _lanterns(path: Path) -> None:
    lanterns(path / "Lanterns.csv", 1)


WRITERS: dict[str, Callable[[Path], None]] = {
    "register": _only,
    "requests": _requested,
    "three_systems": _three_systems,
    "bare": _bare,
    "lanterns": _lanterns,
}
"""Name of a folder to what writes its files."""
