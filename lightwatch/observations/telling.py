"""What tells that a table of theirs is one of our files: columns that it must have.

A table is never thought less of for further columns: a register of 67 columns with a
lamp's text and a place is a register of lights.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from lightwatch.observations.likeness import file_likeness
from lightwatch.observations.looking import Seen
from lightwatch.observations.source import ours

GIVEN: dict[str, dict[str, tuple[str, ...]]] = {
    "Point": {
        "lights": ("longitude", "latitude"),
        "circuits": ("longitude", "latitude"),
        "stations": ("longitude", "latitude"),
        "reports": ("longitude", "latitude"),
        "repairs": ("longitude", "latitude"),
    },
    "LineString": {"sections": ("length_m",), "roads": ()},
}
"""What shapes give to the files that they may hold."""

ACCEPTED = 1.0
"""What a table must tell to be taken for a file of ours."""

_NAMED = 0.6
_NAME_WEIGHS = 0.7

_WEIGHT: dict[str, dict[str, float]] = {
    "lights": {
        "technology": 0.7, "light_id": 0.3, "pole_id": 0.2, "longitude": 0.2,
        "latitude": 0.2, "watts": 0.4, "circuit_id": 0.2, "in_service": 0.1,
        "feed": 0.2,
    },
    "reports": {
        "received_at": 0.5, "symptom": 0.5, "report_id": 0.3, "closed_at": 0.4,
        "closed_as": 0.1, "channel": 0.2, "danger": 0.3, "longitude": 0.1,
        "latitude": 0.1, "light_id": 0.1, "duplicate_of": 0.3,
    },
    "repairs": {
        "performed_at": 0.4, "action": 0.5, "cause": 0.4, "component": 0.3,
        "repair_id": 0.3, "light_id": 0.3, "crew": 0.2, "fitted_model": 0.3,
        "proven": 0.2, "report_id": 0.1,
    },
    "circuits": {
        "circuit_id": 0.5, "feed": 0.4, "voltage": 0.4, "control": 0.3, "source": 0.2,
    },
    "sections": {
        "section_id": 0.3, "circuit_id": 0.3, "upstream_section_id": 0.5, "kind": 0.4,
        "length_m": 0.3, "installed_on": 0.1,
    },
    "roads": {
        "name": 0.6, "class": 0.4, "speed_kmh": 0.4, "one_way": 0.3, "road_id": 0.3,
    },
    "components": {
        "light_id": 0.3, "kind": 0.7, "model": 0.3, "installed_on": 0.3,
    },
    "models": {
        "model": 0.4, "kind": 0.3, "unit_cost": 0.3, "maker": 0.2, "volts_min": 0.2,
        "lead_time_days": 0.3, "warranty_years": 0.3, "type": 0.1,
    },
    "weather": {
        "date": 0.3, "tmin_c": 0.4, "tmax_c": 0.4, "rain_mm": 0.4, "gust_kmh": 0.2,
        "station_id": 0.1,
    },
    "stations": {"station_id": 0.5, "longitude": 0.2, "latitude": 0.2},
    "stock": {
        "model": 0.3, "on_hand": 0.5, "on_order": 0.3, "depot": 0.2, "due_on": 0.2,
    },
    "patrols": {"patrol_id": 0.4, "started_at": 0.3, "road_id": 0.3, "kind": 0.3},
    "sightings": {"patrol_id": 0.4, "light_id": 0.3, "state": 0.5, "seen_at": 0.3},
}  # fmt: skip
"""How much each column says; a table of all of them says 1.5 to 2.5."""

_MUST: dict[str, tuple[tuple[str, ...], ...]] = {
    "lights": (("longitude",), ("latitude",), ("technology", "watts", "pole_id")),
    "reports": (("received_at",), ("symptom", "closed_at", "danger")),
    "repairs": (
        ("performed_at",),
        ("light_id", "circuit_id", "section_id", "report_id", "longitude"),
        ("action", "cause", "component", "fitted_model"),
    ),
    "circuits": (("circuit_id",), ("feed", "voltage", "control", "source")),
    "components": (("light_id", "circuit_id"), ("kind", "model", "installed_on")),
    "weather": (("date",), ("tmin_c", "tmax_c", "rain_mm", "gust_kmh")),
    "stations": (("longitude",), ("latitude",)),
    "stock": (("model",), ("on_hand",)),
    "models": (("model",), ("kind", "unit_cost", "maker", "lead_time_days", "type")),
}
"""One column of each group must be there, unless the table's name says what it is."""


def told(seen: Seen, resource: str, found: Mapping[str, float]) -> float:
    """Say how sure it is that a table is a file of ours.

    Parameters
    ----------
    seen
        The table.
    resource
        The file of ours.
    found
        Our columns that it has, and how alike they are.

    Returns
    -------
    float
        From 0; at :data:`ACCEPTED` it is taken for one.
    """
    shaped = resource in GIVEN.get(seen.shape or "", {})
    if (seen.shape and not shaped) or (resource == "roads" and not seen.shape):
        return 0.0
    given = GIVEN.get(seen.shape or "", {}).get(resource, ())
    there = {*found, *given}
    named = max(file_likeness(seen.name, resource),
                file_likeness(seen.file.rsplit(".", 1)[0], resource))  # fmt: skip
    if not _may_be(resource, there, is_named=named >= _NAMED):
        return 0.0
    weight = _WEIGHT[resource]
    says = sum(weight.get(name, 0.05) * min(like, 1.0) for name, like in found.items())
    says += sum(weight.get(name, 0.0) for name in given if name not in found)
    line = 0.5 if resource == "roads" else 0.0
    lacking = [
        one.name
        for one in ours(resource).values()
        if one.required and one.name not in there and not one.allowed
    ]
    return _NAME_WEIGHS * named + says + line - 0.2 * len(lacking)


def _may_be(resource: str, there: Collection[str], *, is_named: bool) -> bool:
    groups = _MUST.get(resource)
    if groups:
        met = sum(any(name in there for name in group) for group in groups)
        return met == len(groups) or (is_named and met * 2 >= len(groups))
    needed = [one.name for one in ours(resource).values() if one.required]
    lacking = [name for name in needed if name not in there]
    return is_named or len(lacking) <= len(needed) / 2
