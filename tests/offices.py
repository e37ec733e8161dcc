"""Folders as different offices would send them: invented records in common shapes.

The shapes are those of map portals, request systems, registers and workbooks, from
general knowledge; every name, number and place in them is made up.
"""

from __future__ import annotations

import csv
import json
import random
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import geopandas as gpd
from openpyxl import Workbook
from shapely.geometry import LineString, Point

LAMPS = ["HPS-High Pressure Sodium", "LED-Light Emitting Diode", "MH-Metal Halide",
         "MV-Mercury Vapor"]  # fmt: skip


@dataclass(frozen=True)
class Office:
    """A folder, and what a careful person would map in it."""

    folder: Path
    tables: dict[str, tuple[str, dict[str, str]]] = field(default_factory=dict)
    """File of ours to the file or sheet, and our columns to theirs."""


def _day(rng: random.Random, years: int = 3) -> datetime:
    first = datetime(2019, 1, 1)  # noqa: DTZ001 - a local time
    return first + timedelta(minutes=rng.randrange(years * 525_600))


def _csv(path: Path, rows: list[dict[str, object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def portal(folder: Path) -> Office:
    """Exports of a map portal: many columns, times in UTC, N/A for nothing."""
    rng = random.Random(1)
    folder.mkdir()
    lights = []
    for i in range(1, 161):
        arm = rng.choice(["N/A"] * 8 + ["6 FT", "8 FT"])
        lights.append({
            "X": round(-90.2 + i * 0.0004, 7), "Y": round(41.5 + rng.random() / 50, 7),
            "OBJECTID": 4000 + i, "FACILITYID": f"SL-{i:05}",
            "LIGHTTYPE_DESC": rng.choice(LAMPS), "WATTAGE1": rng.choice([70, 100, 150]),
            "WATTAGE2": rng.choice([0, 0, 0, 70]), "NUMBEROFLIGHTS": 1,
            "POWERFEED": rng.choice(["Underground", "Overhead"]),
            "ARMLENGTH_DESC": rng.choice(["6 FT", "8 FT", "N/A"]),
            "ARMLENGTH2_DESC": arm, "POLEHEIGHT": rng.choice([25, 30]),
            "POLETYPE_DESC": rng.choice(["Steel", "Fiberglass", "Wood"]),
            "POLECOLOR": rng.choice(["Black", "Grey"]), "WARD": rng.randrange(1, 9),
            "STREETSEGID": rng.randrange(100, 140), "CONDITION": "Good",
            "STREETNAME": rng.choice(["ELM ST", "OAK AVE", "MILL RD"]),
            "INSPECTIONDATE": f"{_day(rng):%Y/%m/%d} 05:00:00+00",
            "LAST_EDITED_USER": "gis", "LAST_EDITED_DATE":
            f"{_day(rng):%Y/%m/%d %H:%M:%S}+00", "GLOBALID": f"{{{rng.random()}}}",
        })  # fmt: skip
    _csv(folder / "Streetlights.csv", lights)
    kinds = ["Street Light Out", "Alley Light Out", "Street Light On In Daytime"]
    features = []
    for i in range(80):
        at, closed = _day(rng), rng.random() < 0.8
        features.append({
            "type": "Feature",
            "properties": {
                "OBJECTID": i + 1, "SERVICECODEDESCRIPTION": rng.choice(kinds),
                "SERVICEREQUESTID": f"21-{rng.randrange(10**8):08}-{i}",
                "ADDDATE": int(at.timestamp() * 1000),
                "RESOLUTIONDATE": int((at + timedelta(days=4)).timestamp() * 1000)
                if closed else None,
                "SERVICEORDERSTATUS": "CLOSED" if closed else "OPEN",
                "STREETADDRESS": f"{i} ELM ST", "WARD": rng.randrange(1, 9)},
            "geometry": {"type": "Point", "coordinates":
                         [-90.2 + i * 0.0006, 41.5 + rng.random() / 50]}})  # fmt: skip
    whole = {"type": "FeatureCollection", "features": features}
    (folder / "City_Requests_Last_30.geojson").write_text(json.dumps(whole), "utf-8")
    roads = gpd.GeoDataFrame(
        {"OBJECTID": range(60), "STREETID": [i // 4 for i in range(60)],
         "ROADWAYSEGID": range(100, 160),
         "FULLNAME": [rng.choice(["Elm St", "Oak Ave", "Mill Rd"]) for _ in range(60)],
         "FUNCCLASS": [rng.choice(["Collector", "Local", "Arterial"])
                       for _ in range(60)],
         "SPEEDLIMIT": [rng.choice([25, 30, 35]) for _ in range(60)]},
        geometry=[LineString([(-90.2 + i * 0.001, 41.5), (-90.199 + i * 0.001, 41.5)])
                  for i in range(60)], crs=4326)  # fmt: skip
    roads.to_file(folder / "Centerline.geojson", driver="GeoJSON")
    return Office(folder, {
        "lights": ("Streetlights", {
            "longitude": "X", "latitude": "Y", "light_id": "FACILITYID",
            "technology": "LIGHTTYPE_DESC", "watts": "WATTAGE1"}),
        "reports": ("City_Requests_Last_30", {
            "report_id": "SERVICEREQUESTID", "received_at": "ADDDATE",
            "symptom": "SERVICECODEDESCRIPTION"}),
        "roads": ("Centerline", {
            "name": "FULLNAME", "class": "FUNCCLASS", "speed_kmh": "SPEEDLIMIT"}),
    })  # fmt: skip


def workshop(folder: Path) -> Office:
    """A workbook of assets under titles, and the workshop's jobs."""
    rng = random.Random(2)
    folder.mkdir()
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Inventory"
    sheet.append(["Borough of Amberfield: lighting inventory"])
    sheet.append(["printed for the workshop"])
    sheet.append([])
    sheet.append(["Unit No", "Column No", "Easting", "Northing", "Road", "Lamp",
                  "Lamp Watts", "Lantern Type", "Pillar Ref", "Date Erected",
                  "Height (m)", "Bracket", "Remarks"])  # fmt: skip
    for i in range(1, 91):
        sheet.append([1000 + i, f"AF{i:03}", 412_000 + 31 * i, 287_000 + 7 * i,
                      rng.choice(["Mill Lane", "High Street"]),
                      rng.choice(["SON 70W", "LED 24W", "SOX 35W", "CDM-T 60W"]),
                      rng.choice(["70", "24(LED)", "35", "60 W"]), "Type B",
                      f"FP{1 + i // 12:02}", _day(rng), 6, "none", None])  # fmt: skip
    book.save(folder / "Lighting inventory 2022.xlsx")
    jobs = []
    for i in range(120):
        at = _day(rng)
        jobs.append({
            "Order": f"J{i:05}", "Raised": f"{at:%d/%m/%Y %H:%M}",
            "Finished": f"{at + timedelta(days=3):%d/%m/%Y %H:%M}",
            "Column": f"AF{rng.randrange(1, 91):03}", "Gang": rng.choice("AB"),
            "Fault": rng.choice(["Lamp failed", "Photocell", "Cable fault"]),
            "Work done": rng.choice(["Lamp replaced", "Cell changed", "Cable repaired",
                                     "No fault found"]),
            "Invoice": rng.randrange(1000)})  # fmt: skip
    _csv(folder / "orders_export.csv", jobs)
    pillars = [{"Pillar": f"FP{k:02}", "Volts": 230, "Supply": "Underground",
                "Location": "verge", "Meter": rng.randrange(10**6)}
               for k in range(1, 9)]  # fmt: skip
    _csv(folder / "feeder_pillars.csv", pillars)
    return Office(folder, {
        "lights": ("Inventory", {
            "light_id": "Unit No", "pole_id": "Column No", "longitude": "Easting",
            "latitude": "Northing", "technology": "Lamp", "watts": "Lamp Watts",
            "circuit_id": "Pillar Ref"}),
        "repairs": ("orders_export", {
            "repair_id": "Order", "performed_at": "Finished", "light_id": "Column",
            "crew": "Gang", "cause": "Fault", "action": "Work done"}),
        "circuits": ("feeder_pillars", {
            "circuit_id": "Pillar", "voltage": "Volts", "feed": "Supply"}),
    })  # fmt: skip


def utility(folder: Path) -> Office:
    """A shapefile with names of ten letters, a call list of all kinds, work orders."""
    rng = random.Random(3)
    folder.mkdir()
    n = 120
    frame = gpd.GeoDataFrame(
        {"OBJECTID": range(1, n + 1), "POLETAG": [f"{300 + i}" for i in range(n)],
         "LAMPTYPE": [rng.choice(["HPS", "LED", "UNK", "MH"]) for _ in range(n)],
         "LAMPWATT": [rng.choice([50, 100, 150]) for _ in range(n)],
         "CABINETNUM": [f"C-{1 + i // 15}" for i in range(n)],
         "INSTALLDAT": [rng.choice([None, "6/3/2013 0:00:00", "11/23/2015 0:00:00"])
                        for _ in range(n)],
         "OWNEDBY": ["City"] * n, "MAINTBY": ["City"] * n,
         "FIXTURETYP": [rng.choice(["Cobra", "Acorn"]) for _ in range(n)]},
        geometry=[Point(1_000_000 + 130 * i, 1_200_000 + 13 * i) for i in range(n)],
        crs=3435)  # fmt: skip
    frame.to_file(folder / "sl_point.shp")
    calls = []
    for i in range(200):
        at = _day(rng)
        calls.append({
            "Case Number": f"{202100000 + i}", "Opened": f"{at:%m/%d/%Y %I:%M:%S %p}",
            "Closed": rng.choice(
                ["", f"{at + timedelta(days=2):%m/%d/%Y %I:%M:%S %p}"]),
            "Status": rng.choice(["Open", "Closed"]),
            "Responsible Agency": "Public Works", "Category": rng.choice(
                ["Pothole", "Streetlight - Out", "Graffiti", "Streetlight - Out"]),
            "Address": f"{i} Birch Ct", "Latitude": 41.9 + rng.random() / 100,
            "Longitude": -88.2 + rng.random() / 100, "Source": rng.choice(
                ["Phone", "Web", "Mobile App"])})  # fmt: skip
    _csv(folder / "cases.csv", calls)
    orders = []
    for i in range(150):
        at = _day(rng)
        orders.append({
            "WORKORDERID": 5000 + i, "INITIATEDATE": f"{at:%Y-%m-%d %H:%M:%S}",
            "ACTUALFINISHDATE": f"{at + timedelta(days=2):%Y-%m-%d %H:%M:%S}",
            "DESCRIPTION": rng.choice(["Replace bulb", "Replace photocell",
                                       "Repair wiring", "Repair knockdown"]),
            "ENTITYUID": f"SL-0{300 + rng.randrange(n)}", "STATUS": "CLOSED",
            "WOADDRESS": "x"})  # fmt: skip
    _csv(folder / "wo_history.csv", orders)
    return Office(folder, {
        "lights": ("sl_point", {
            "light_id": "POLETAG", "technology": "LAMPTYPE", "watts": "LAMPWATT",
            "circuit_id": "CABINETNUM", "owner": "OWNEDBY",
            "maintained_by": "MAINTBY"}),
        "reports": ("cases", {
            "report_id": "Case Number", "received_at": "Opened", "symptom": "Category",
            "longitude": "Longitude", "latitude": "Latitude", "channel": "Source"}),
        "repairs": ("wo_history", {
            "repair_id": "WORKORDERID", "performed_at": "ACTUALFINISHDATE",
            "light_id": "ENTITYUID", "action": "DESCRIPTION"}),
    })  # fmt: skip


OFFICES = (portal, workshop, utility)
