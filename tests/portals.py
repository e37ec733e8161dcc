"""Nine files in the shapes of public exports, with what a person would say they hold.

All names and values are invented and drawn from a seed. The shapes are those of public
open data: a GIS portal's points with dozens of columns and "N/A" in most of them, a
city's own register, a bare list, requests of all kinds, work orders under a title.
Whoever works on recognising files should not look in here: these nine are the exam.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import geopandas as gpd
import pandas as pd
from openpyxl import Workbook
from shapely.geometry import LineString, Point

EAST, NORTH = -88.42, 40.31
"""About the middle of the invented place [deg]."""

ROWS = 240

Row = dict[str, Any]


@dataclass(frozen=True)
class Portal:
    """One file: who writes it, which kind of records it is, which columns matter.

    ``columns``: ours to those of theirs that a person would accept.
    """

    file: str
    kind: str
    columns: Mapping[str, tuple[str, ...]]
    write: Callable[[Path, Random], None]


def _csv(path: Path, rows: Sequence[Row], delimiter: str = ",") -> None:
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)


def _at(rng: Random) -> tuple[float, float]:
    return (
        round(EAST + rng.uniform(-0.02, 0.02), 7),
        round(NORTH + rng.uniform(-0.02, 0.02), 7),
    )


def _day(rng: Random, first: int = 1998, last: int = 2024) -> datetime:
    begun = datetime(first, 1, 1)  # noqa: DTZ001
    days = (datetime(last, 12, 31) - begun).days  # noqa: DTZ001
    return begun + timedelta(days=rng.randrange(days), minutes=rng.randrange(1440))


def _noise(rng: Random, names: str, values: Sequence[str] = ("N/A", "N/A", "")) -> Row:
    return {name: rng.choice(values) for name in names.split()}


_STREETS = ("ALDER AVE", "BIRCH ST", "CEDAR CT", "DOGWOOD LN", "ELM ST", "FIR PL")


def _address(rng: Random) -> str:
    return f"{rng.randrange(100, 4200)} {rng.choice(_STREETS)}"


def _gis_points(path: Path, rng: Random) -> None:
    rows = []
    for i in range(1, ROWS + 1):
        x, y = _at(rng)
        lamp = rng.choice(["HPS-High Pressure Sodium", "LED-Light Emitting Diode",
                           "MH-Metal Halide", "N/A"])  # fmt: skip
        rows.append(
            {
                "X": x, "Y": y, "OBJECTID": i,
                "ASSETID": f"SL-{41000 + i}",
                "POLETAG": f"{rng.choice('NSEW')}{20000 + i}",
                **_noise(rng, "ARMLENGTH ARMTYPE ARMTYPE_DESC BASETYPE BASEMATERIAL"),
                "LIGHTTYPE": lamp.split("-")[0], "LIGHTTYPE_DESC": lamp,
                "LAMPWATTS": rng.choice([70, 100, 150, 250, 0]),
                **_noise(rng, "LAMPWATTS2 LENS LENS_DESC SHIELD NUMBEROFARMS"),
                "POWERFEED": rng.choice(["Underground", "Overhead", "N/A"]),
                "SERVICEDATE": f"{_day(rng):%Y/%m/%d} 06:00:00+00",
                "OWNEDBY": rng.choice(["City", "City", "Power Company", "Private"]),
                **_noise(rng, "POLECOLOR POLEHEIGHT POLEMATERIAL POLETYPE_DESC "
                         "BANNERARM OUTLET FOUNDATION DETECTOR CONTROLLER "
                         "INSPECTEDBY INSPECTEDON ATTACHMENT1 ATTACHMENT2"),
                "WARD": rng.randrange(1, 9), "GRID": f"G{rng.randrange(10, 60)}",
                "STREETSEG": rng.randrange(5000, 5100),
                "ONSTREET": rng.choice(_STREETS), "CROSSSTREET": rng.choice(_STREETS),
                "CREATED_USER": "gisload", "LAST_EDITED_USER": rng.choice("abc"),
                "LAST_EDITED_DATE": f"{_day(rng, 2022):%Y/%m/%d} 14:22:10+00",
                "GLOBALID": f"{{{rng.getrandbits(64):016X}}}", "SE_ANNO_CAD_DATA": "",
            }
        )  # fmt: skip
    _csv(path, rows)


def _city_register(path: Path, rng: Random) -> None:
    rows = []
    for i in range(ROWS):
        x, y = _at(rng)
        rows.append(
            {
                "FID": i + 1, "Pole Number": f"{rng.randrange(1, 30)}-{1000 + i}",
                "Cabinet": f"CAB {rng.randrange(1, 14):03d}",
                "Address": _address(rng), "Mounting Ht (ft)": rng.choice([25, 30, 35]),
                "Arm Length (ft)": rng.choice([4, 6, 8, ""]),
                "Lamp Type": rng.choice(["High Pressure Sodium", "LED", "LED", ""]),
                "Wattage": rng.choice(["150", "250W", "86(LED)", "100 W HPS", ""]),
                "Fixture Style": rng.choice(["Cobra Head", "Acorn", "Shoebox"]),
                "Pole Material": rng.choice(["Aluminum", "Steel", "Wood"]),
                "Install Date": f"{(d := _day(rng)).month}/{d.day}/{d.year} 0:00:00",
                "Date Removed": "", "Owner": rng.choice(["City", "University"]),
                "Maintained By": rng.choice(["City", "Contractor"]),
                "Painted": rng.choice(["Y", "N"]), "Photo": "", "Comments": "",
                "Latitude": y, "Longitude": x, "Shape_Area": 0,
            }
        )  # fmt: skip
    _csv(path, rows)


def _bare_list(path: Path, rng: Random) -> None:
    rows = []
    for i in range(4000):
        x, y = _at(rng)
        rows.append(
            {"id_luminaria": 70000 + i, "latitud": y, "longitud": x,
             "estado": int(rng.random() < 0.01), "comuna": rng.randrange(1, 16)}
        )  # fmt: skip
    _csv(path, rows, ";")


_KINDS = ("Graffiti Removal", "Bulky Items", "Pothole", "Street Light Out",
          "Dead Animal Removal", "Illegal Dumping", "Multiple Streetlights Out",
          "Tree Trim")  # fmt: skip


def _all_requests(path: Path, rng: Random) -> None:
    rows = []
    for i in range(ROWS * 3):
        x, y = _at(rng)
        opened = _day(rng, 2024)
        closed = opened + timedelta(days=rng.expovariate(0.2))
        shut = rng.random() < 0.8
        rows.append(
            {
                "SRNumber": f"1-{734000 + i}",
                "CreatedDate": f"{opened:%m/%d/%Y %I:%M:%S %p}",
                "UpdatedDate": f"{closed:%m/%d/%Y %I:%M:%S %p}",
                "ActionTaken": "", "Owner": rng.choice(["DPW", "Lighting", "Parks"]),
                "RequestType": rng.choice(_KINDS),
                "Status": "Closed" if shut else "Open",
                "RequestSource": rng.choice(["Call", "Mobile App", "Web Form"]),
                "CreatedByUserOrganization": "Call Center", "MobileOS": "",
                "ClosedDate": f"{closed:%m/%d/%Y %I:%M:%S %p}" if shut else "",
                "Address": _address(rng), "ZipCode": 61000 + rng.randrange(20),
                "Latitude": y, "Longitude": x, "CouncilDistrict": rng.randrange(1, 9),
                "PolicePrecinct": rng.choice(["NORTH", "SOUTH"]),
            }
        )  # fmt: skip
    _csv(path, rows)


def _light_requests(path: Path, rng: Random) -> None:
    features = []
    for i in range(ROWS):
        opened = _day(rng, 2024)
        shut = rng.random() < 0.7
        closed = opened + timedelta(days=rng.expovariate(0.1))
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "Point", "coordinates": list(_at(rng))},
                "properties": {
                    "OBJECTID": 900 + i, "SERVICEREQUESTID": f"25-{100400 + i}",
                    "SERVICECODE": "S0311",
                    "SERVICECODEDESCRIPTION": rng.choice(
                        ["Streetlight Repair - Out", "Alley Light Repair",
                         "Streetlight - Day Burner", "Streetlight - Cycling"]),
                    "SERVICETYPECODE": "LIGHTS", "ORGANIZATIONACRONYM": "DPW",
                    "SERVICECALLCOUNT": 1, "ADDDATE": f"{opened:%Y-%m-%dT%H:%M:%SZ}",
                    "RESOLUTIONDATE": f"{closed:%Y-%m-%dT%H:%M:%SZ}" if shut else None,
                    "SERVICEORDERSTATUS": "Closed" if shut else "Open",
                    "PRIORITY": "Standard", "STREETADDRESS": _address(rng),
                    "XCOORD": None, "YCOORD": None, "CITY": "INVENTED", "DETAILS": "",
                },
            }
        )  # fmt: skip
    text = json.dumps({"type": "FeatureCollection", "features": features})
    path.write_text(text, "utf-8")


def _work_orders(path: Path, rng: Random) -> None:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "WO Detail"
    sheet.append(["Public Works: Street Lighting"])
    sheet.append(["Work orders closed, fiscal year to date"])
    sheet.append([])
    sheet.append(["WO Number", "Asset Tag", "Date Opened", "Date Completed", "Crew",
                  "Problem Found", "Work Performed", "Part Replaced", "Labor Hrs",
                  "Equip Cost", "Request No", "Location", "Remarks"])  # fmt: skip
    for i in range(ROWS):
        opened = _day(rng, 2023)
        part = rng.choice(["Lamp", "Photocell", "Ballast", "Fuse", "Driver", ""])
        sheet.append(
            [
                f"WO-{23000 + i}", f"N{20000 + rng.randrange(ROWS)}", opened,
                opened + timedelta(days=rng.randrange(1, 30)), f"Crew {i % 4}",
                rng.choice(["Lamp out", "Day burner", "Cycling", "Cable fault"]),
                "Replaced" if part else rng.choice(["Repaired", "No problem found"]),
                part, rng.choice([0.5, 1, 1.5]), rng.randrange(400),
                f"25-{100400 + i}" if i % 3 else "", _address(rng), "",
            ]
        )  # fmt: skip
    book.create_sheet("Lookups").append(["Crew", "Foreman"])
    book.save(path)


def _roads(path: Path, rng: Random) -> None:
    rows, lines = [], []
    for i in range(120):
        x, y = _at(rng)
        lines.append(LineString([(x, y), (x + 0.002, y + 0.0004)]))
        rows.append(
            {"OBJECTID_1": i, "SEGMENTID": 50000 + 3 * i,
             "STREETID": rng.randrange(30), "STREETNAME": rng.choice(_STREETS),
             "L_F_ADD": 100, "L_T_ADD": 198, "ZIP_LEFT": "61001",
             "FUNC_CLASS": rng.choice(["Local", "Local", "Collector", "Arterial"]),
             "SPEEDLIMIT": rng.choice([25, 30, 45]), "LANES": 2,
             "ONEWAY": rng.choice(["N", "N", "N", "Y"]), "SURF_TYPE": "ASPHALT",
             "SHAPE_LENG": rng.uniform(200, 900)}
        )  # fmt: skip
    gpd.GeoDataFrame(pd.DataFrame(rows), geometry=lines, crs=4326).to_file(path)


def _feet(path: Path, rng: Random) -> None:
    rows, points = [], []
    for i in range(ROWS):
        points.append(Point(_at(rng)))
        rows.append(
            {"FACILITYID": f"LT{3000 + i}", "POLE_NO": f"P-{100 + i // 2}",
             "CIRCUIT_NO": f"{rng.choice('ABC')}{rng.randrange(1, 9)}",
             "FEED_TYPE": rng.choice(["UG", "OH"]),
             "LAMP_TYPE": rng.choice(["HPS", "LED", "MV"]),
             "LAMP_WATTAGE": rng.choice([70, 100, 175]), "HEIGHT_FT": 30.0,
             "DATE_INSTALLED": f"{_day(rng):%Y-%m-%d}", "OWNERSHIP": "City",
             "ROTATION": rng.uniform(0, 360), "ENABLED": 1, "SUBTYPECD": 2}
        )  # fmt: skip
    frame = gpd.GeoDataFrame(pd.DataFrame(rows), geometry=points, crs=4326)
    frame.to_crs(3435).to_file(path, layer="Luminaire_Pt", driver="GPKG")


def _cabinets(path: Path, rng: Random) -> None:
    rows = []
    for i in range(1, 41):
        x, y = _at(rng)
        rows.append(
            {"OBJECTID": i, "CABINET_ID": f"CAB {i:03d}",
             "CABINET_LOCATION": _address(rng),
             "SERVICE_VOLTAGE": rng.choice([120, 240]),
             "FEED": rng.choice(["Underground", "Underground", "Overhead"]),
             "METER_NO": rng.randrange(10**6), "CONTROL": "Group",
             "UTILITY_ACCOUNT": rng.randrange(10**8), "OWNER": "City",
             "LATITUDE": y, "LONGITUDE": x}
        )  # fmt: skip
    _csv(path, rows)


def _one(text: str) -> dict[str, tuple[str, ...]]:
    """Read "ours theirs|theirs, ours theirs" of columns without blanks in names."""
    pairs = (part.split(maxsplit=1) for part in text.split(","))
    return {ours: tuple(theirs.strip().split("|")) for ours, theirs in pairs}


PORTALS = (
    Portal(
        "Street_Light_Points.csv",
        "lights",
        _one(
            "light_id ASSETID|OBJECTID|GLOBALID, pole_id POLETAG, longitude X, "
            "latitude Y, technology LIGHTTYPE|LIGHTTYPE_DESC, watts LAMPWATTS, "
            "in_service SERVICEDATE, owner OWNEDBY, feed POWERFEED"
        ),
        _gis_points,
    ),
    Portal(
        "city_lighting_2024.csv",
        "lights",
        _one(
            "light_id FID|Pole Number, circuit_id Cabinet, technology Lamp Type, "
            "watts Wattage, in_service Install Date, removed_on Date Removed, "
            "owner Owner, maintained_by Maintained By, latitude Latitude, "
            "longitude Longitude"
        ),
        _city_register,
    ),
    Portal(
        "luminarias.csv",
        "lights",
        _one("light_id id_luminaria, latitude latitud, longitude longitud"),
        _bare_list,
    ),
    Portal(
        "ServiceRequests_All.csv",
        "reports",
        _one(
            "report_id SRNumber, received_at CreatedDate, symptom RequestType, "
            "channel RequestSource, closed_at ClosedDate, latitude Latitude, "
            "longitude Longitude"
        ),
        _all_requests,
    ),
    Portal(
        "Light_Requests_Last_30_Days.geojson",
        "reports",
        _one(
            "report_id SERVICEREQUESTID|OBJECTID, received_at ADDDATE, "
            "symptom SERVICECODEDESCRIPTION, closed_at RESOLUTIONDATE"
        ),
        _light_requests,
    ),
    Portal(
        "WO Export FY25.xlsx",
        "repairs",
        _one(
            "repair_id WO Number, performed_at Date Completed, light_id Asset Tag, "
            "crew Crew, cause Problem Found, action Work Performed, "
            "component Part Replaced, report_id Request No, notes Remarks"
        ),
        _work_orders,
    ),
    Portal(
        "centerline.shp",
        "roads",
        _one(
            "road_id SEGMENTID, name STREETNAME, class FUNC_CLASS, "
            "speed_kmh SPEEDLIMIT, one_way ONEWAY"
        ),
        _roads,
    ),
    Portal(
        "Utilities.gpkg",
        "lights",
        _one(
            "light_id FACILITYID, pole_id POLE_NO, circuit_id CIRCUIT_NO, "
            "feed FEED_TYPE, technology LAMP_TYPE, watts LAMP_WATTAGE, "
            "in_service DATE_INSTALLED, owner OWNERSHIP"
        ),
        _feet,
    ),
    Portal(
        "Lighting_Cabinets.csv",
        "circuits",
        _one(
            "circuit_id CABINET_ID, voltage SERVICE_VOLTAGE, feed FEED, "
            "control CONTROL, owner OWNER, latitude LATITUDE, longitude LONGITUDE"
        ),
        _cabinets,
    ),
)


def write_portal(portal: Portal, folder: Path, seed: int = 11) -> Path:
    """Write one of the nine into a folder of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    portal.write(folder / portal.file, Random(f"{seed} {portal.file}"))
    return folder


def write_wide(folder: Path, lights: int = 4000) -> None:
    """Write a register of 65 columns of varied text."""
    rng = Random(3)
    kinds = [
        lambda i: f"{rng.uniform(5, 12):.3f}",
        lambda i: (
            f"{rng.randint(1, 12)}/{rng.randint(1, 28)}/{rng.randint(1990, 2024)}"
        ),
        lambda i: f"{rng.choice(['lamp', 'pole', 'out', 'near school'])} checked {i}",
        lambda i: f"T{rng.randrange(3000)}",
        lambda i: rng.choice(["N/A", "", "Type 3", "Other"]),
        lambda i: f"{rng.getrandbits(128):032x}",
    ]
    parts = ("POLE", "ARM", "BASE", "FIXTURE", "MAINT", "GIS", "LEGACY", "BRACKET",
             "WARD", "LUMINAIRE")  # fmt: skip
    names = [f"{a}_{b}" for a in parts
             for b in ("HEIGHT", "DATE", "NOTE", "CODE", "TYPE", "UID")]  # fmt: skip
    with (folder / "lights.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["X", "Y", "ASSETID", "LAMPTYPE", "WATTS", *names])
        for i in range(lights):
            place = (f"{-88.4 + i / 4e4:.6f}", f"{40.3 + rng.random() / 10:.6f}")
            lamp = (rng.choice(["HPS", "LED", "N/A"]), rng.choice([70, 100, 150]))
            cells = [kinds[k % len(kinds)](i) for k in range(len(names))]
            writer.writerow([*place, f"SL-{i}", *lamp, *cells])
