"""Road segments: a GeoJSON file in, the same file out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from lightwatch.errors import NotUnderstood
from lightwatch.observations.tables import Rows

COLUMNS = ("road_id", "name", "class", "speed_kmh", "one_way", "geometry")


_TEXT = {"road_id", "name", "class"}


def _text(name: str, value: Any) -> str:
    if value is None:
        return ""
    if name in _TEXT and isinstance(value, str):
        return value
    return json.dumps(value, ensure_ascii=False)


def _shape(geometry: Any) -> str | None:
    """Say what is wrong with a LineString; None if nothing is."""
    if not isinstance(geometry, dict) or geometry.get("type") != "LineString":
        return "is not a LineString"
    points = geometry.get("coordinates")
    if not isinstance(points, list) or len(points) < 2:
        return "has fewer than two points"
    for point in points:
        numbers = (
            isinstance(point, list)
            and len(point) >= 2
            and all(
                isinstance(x, int | float) and not isinstance(x, bool) for x in point
            )
        )
        if not numbers or not (abs(point[0]) <= 180 and abs(point[1]) <= 90):
            return "has a point that is no longitude and latitude in degrees"
    return None


def read_roads(path: Path) -> Rows:
    """Read road segments; a feature's line is its place in the file, from 1.

    Raises
    ------
    NotUnderstood
        The file is not a GeoJSON FeatureCollection (RFC 7946).
    """
    try:
        loaded = json.loads(path.read_text("utf-8-sig"))
        features = list(loaded["features"])
    except (ValueError, KeyError, TypeError, RecursionError):
        raise NotUnderstood(f"{path} is not a GeoJSON FeatureCollection") from None
    return road_rows(features)


def road_rows(features: list[Any]) -> Rows:
    """Return GeoJSON features as rows of road segments, numbered from 1."""
    names = [*COLUMNS, *_further(features)]
    columns: dict[str, list[str]] = {name: [] for name in names}
    bad: dict[int, str] = {}
    for i, feature in enumerate(features):
        found = feature if isinstance(feature, dict) else {}
        properties = found.get("properties")
        properties = properties if isinstance(properties, dict) else {}
        geometry = found.get("geometry")
        for name in names:
            columns[name].append(_text(name, properties.get(name)))
        reason = _shape(geometry)
        if not reason:
            points = (geometry or {}).get("coordinates")
            columns["geometry"][-1] = json.dumps(points)
        if reason or not columns["road_id"][-1]:
            bad[i] = f"geometry {reason}" if reason else "road_id is missing"
    return Rows(list(range(1, len(features) + 1)), columns, bad)


def _further(features: list[Any]) -> list[str]:
    names: dict[str, None] = {}
    for feature in features:
        if isinstance(feature, dict) and isinstance(feature.get("properties"), dict):
            names.update(dict.fromkeys(feature["properties"]))
    return [name for name in names if name not in COLUMNS]


def feature(row: dict[str, Any], extra: dict[str, str]) -> dict[str, Any]:
    """Write one road segment as a GeoJSON feature."""
    both = {**{name: row[name] for name in COLUMNS[:-1]}, **extra}
    return {
        "type": "Feature",
        "geometry": {"type": "LineString", "coordinates": json.loads(row["geometry"])},
        "properties": {
            name: text if name in _TEXT else json.loads(text)
            for name, text in both.items()
            if text is not None
        },
    }
