"""What may be opened: files that lie in the folder and are what their names say.

A file that says .json or .gpkg and is something else could make the library that reads
shapes open another file, or ask another machine. So a file is looked at first.
"""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from pathlib import Path
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
_GEOJSON = re.compile(
    rb'"type"\s*:\s*"(FeatureCollection|Feature|(Multi)?(Point|LineString|Polygon)|'
    rb'GeometryCollection)"'
)
_INDEX = re.compile(r"create\s+virtual\s+table\s+.*\busing\s+(rtree|fts)", re.I | re.S)


def lies_inside(folder: Path, path: Path) -> bool:
    """Tell whether a file and its companions lie in a folder, links followed."""
    top = folder.resolve()
    parts = [path]
    if path.suffix.lower() == ".shp":
        parts += [one for one in path.parent.iterdir() if one.stem == path.stem]
    return all(one.resolve().is_relative_to(top) for one in parts)


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
            start = top.removeprefix(b"\xef\xbb\xbf").lstrip()
            good = start.startswith(b"{") and bool(_GEOJSON.search(top))
    if not good:
        kind = DRIVERS[path.suffix.lower()]
        raise NotUnderstood(f"{path} cannot be read as shapes (it is no {kind} file)")


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
