"""What may be opened: files that lie in the folder and are what their names say.

A file that says .json or .gpkg and is something else could make the library that reads
shapes open another file, or ask another machine. So a file is looked at first.
"""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from lightwatch.errors import NotUnderstood

DRIVERS = {
    ".gpkg": "GPKG",
    ".geojson": "GeoJSON",
    ".json": "GeoJSON",
    ".shp": "ESRI Shapefile",
}
"""Ending of a file of shapes to the one driver that may read it."""

_TOP = 65_536
_GEOJSON = {"FeatureCollection", "Feature", "GeometryCollection"} | {
    many + kind for many in ("", "Multi") for kind in ("Point", "LineString", "Polygon")
}
_INDEX = re.compile(r"create\s+virtual\s+table\s+.*\busing\s+(rtree|fts)", re.I | re.S)


def lies_inside(folder: Path, path: Path) -> bool:
    """Tell whether a file and its companions lie in a folder themselves: no links."""
    between = path.relative_to(folder).parents
    parts = [path, *(folder / one for one in between if one.parts)]
    if path.suffix.lower() in DRIVERS:
        parts += [
            one
            for one in path.parent.iterdir()
            if one.stem == path.stem or one.name.startswith(path.name)
        ]
    return not any(one.is_symlink() for one in parts)


@cache
def only_named_drivers() -> None:
    """Take from the library that reads shapes every way of reading but the named.

    It has some sixty, of which many follow what a file says to other files or to other
    machines, whatever the file is called.
    """
    import pyogrio
    from pyogrio import _ogr

    others = set(pyogrio.list_drivers()) - set(DRIVERS.values())
    pyogrio.set_gdal_config_options({"GDAL_SKIP": ",".join(sorted(others))})
    _ogr._register_drivers()


def refuse_disguised(path: Path) -> None:
    """Refuse a file of shapes that is not what its ending says.

    Raises
    ------
    NotUnderstood
        It is something else, or reaches outside of itself.
    """
    try:
        with path.open("rb") as file:
            top = file.read(_TOP)
    except OSError as error:
        raise NotUnderstood(f"{path} cannot be read as shapes ({error})") from None
    match path.suffix.lower():
        case ".gpkg":
            good = top.startswith(b"SQLite format 3\0") and not _reaches_out(path)
        case ".shp":
            good = top.startswith(b"\x00\x00\x27\x0a")
        case _:
            good = _is_geojson(path)
    if not good:
        kind = DRIVERS[path.suffix.lower()]
        raise NotUnderstood(f"{path} cannot be read as shapes (it is no {kind} file)")


def _is_geojson(path: Path) -> bool:
    """Tell whether a file is GeoJSON, and names no coordinate system elsewhere."""
    try:
        loaded = json.loads(path.read_text("utf-8-sig"), object_pairs_hook=_no_link)
    except (ValueError, RecursionError):
        return False
    return isinstance(loaded, dict) and loaded.get("type") in _GEOJSON


def _no_link(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Refuse a coordinate system that is a link, or the address of a file."""
    for name, value in pairs:
        if name != "crs" or not isinstance(value, dict):
            continue
        told = json.dumps(value).lower()
        if value.get("type") not in ("name", "EPSG") or "://" in told.replace(
            "http://www.opengis.net/def/crs/", ""
        ):
            raise ValueError(name)
    return dict(pairs)


def _reaches_out(path: Path) -> bool:
    """Tell whether a database has tables that stand for something outside of it."""
    name = f"file:{quote(str(path.resolve()))}?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(name, uri=True)) as database:
            rows = database.execute(
                "select sql from sqlite_master where sql like 'create virtual%'"
            )
            return any(not _INDEX.match(row[0]) for row in rows)
    except sqlite3.Error:
        return True
