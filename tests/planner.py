"""What the planner of each stranger's folder knows, and no file says.

Answers to the questions of a draft, and corrections where the draft is wrong: (table of
the mapping, key) to the value as TOML, None for a line to strike out.
"""

from __future__ import annotations

from collections.abc import Mapping

from tests.strangers import DONE, LAMPS, OPENED, SPOKEN, TIMEZONE

Answers = dict[tuple[str, str], str | None]


def _columns(resource: str, **theirs: str) -> Answers:
    return {(f"{resource}.columns", ours): f'"{name}"' for ours, name in theirs.items()}


def _codes(resource: str, column: str, ours_to_theirs: Mapping[str, str]) -> Answers:
    table = f"{resource}.codes.{column}"
    return {
        (table, f'"{theirs}"'): f'"{ours}"' for ours, theirs in ours_to_theirs.items()
    }


_PLACE: Answers = {
    ("place", "timezone"): f'"{TIMEZONE}"',
    ("place", "opened_on"): f'"{OPENED}"',
    ("place", "created"): '"2019-11-01T06:00"',
    ("reading", "crs"): '"EPSG:4326"',
    ("reading", "dates"): '"month-first"',
}

_POINTS: Answers = {
    ("lights", "file"): '"Street_Lights.csv"',
    **_columns(
        "lights", light_id="FACILITYID", longitude="X", latitude="Y",
        technology="LIGHTTYPE_DESC", watts="LAMPWATTS", owner="OWNEDBY",
        feed="POWERFEED", in_service="SERVICEDATE",
    ),
    ("lights.columns", "depot"): None,
    ("lights.columns", "pole_id"): None,
    **_codes("lights", "technology", LAMPS),
    **_codes("lights", "feed", {"underground": "Underground", "overhead": "Overhead"}),
}  # fmt: skip

_REQUESTS: Answers = {
    ("reports", "file"): '"Service_Requests.geojson"',
    **_columns(
        "reports", report_id="SERVICEREQUESTID", received_at="ADDDATE",
        closed_at="RESOLUTIONDATE", symptom="SERVICECODEDESCRIPTION",
    ),
    **_codes("reports", "symptom", SPOKEN),
}  # fmt: skip

_PARTS = {kind: part for kind, (_, part) in DONE.items()}
_CAUSES = {{"cable": "cable_fault"}.get(kind, kind): x for kind, x in _PARTS.items()}

_THREE: Answers = {
    ("lights", "file"): '"street_lights.csv"',
    **_columns(
        "lights", light_id="Pole Number", circuit_id="Cabinet", watts="Wattage",
        technology="Lamp Type", in_service="Install Date", longitude="Longitude",
        latitude="Latitude",
    ),
    ("lights.columns", "pole_id"): None,
    ("lights.take", "watts"): '"number"',
    **_codes("lights", "technology", {
        "hps": "High Pressure Sodium", "mh": "Metal Halide", "led": "LED"}),
    ("repairs", "file"): '"Work Orders.xlsx"',
    ("repairs", "sheet"): '"WO Detail"',
    ("repairs", "header_row"): "4",
    **_columns(
        "repairs", repair_id="WO Number", light_id="Pole Tag", crew="Crew",
        performed_at="Date Completed", action="Work Performed", component="Part",
        cause="Part",
    ),
    **_codes("repairs", "action", {
        "replaced": "Replaced", "repaired": "Repaired",
        "no_fault_found": "No problem found"}),
    **_codes("repairs", "component", _PARTS),
    **_codes("repairs", "cause", _CAUSES),
    ("reports", "file"): '"complaints_all.csv"',
    **_columns(
        "reports", report_id="SRNumber", received_at="CreatedDate",
        closed_at="ClosedDate", symptom="RequestType", channel="RequestSource",
        longitude="Longitude", latitude="Latitude",
    ),
    **_codes("reports", "symptom", SPOKEN),
}  # fmt: skip

_BARE: Answers = {
    ("lights", "file"): '"lights_open_data.csv"',
    **_columns("lights", light_id="id", longitude="lon", latitude="lat"),
}

_LANTERNS: Answers = {
    ("lights", "file"): '"Lanterns.csv"',
    **_columns(
        "lights", light_id="LANTERN_NO", pole_id="POLE_NO", longitude="LON",
        latitude="LAT", technology="LAMP_TYPE", watts="WATTS", feed="FEED",
    ),
    ("lights.lanterns", "split"): '"/"',
    **_codes("lights", "technology", {"hps": "HPS", "mh": "MH", "led": "LED"}),
    **_codes("lights", "feed", {"underground": "Underground", "overhead": "Overhead"}),
}  # fmt: skip

_ANSWERS = {
    "register": _POINTS,
    "requests": _POINTS | _REQUESTS,
    "three_systems": _THREE,
    "bare": _BARE,
    "lanterns": _LANTERNS,
}


def answers_of(name: str) -> Answers:
    """Return what the planner of a folder would answer."""
    return _PLACE | _ANSWERS[name]
