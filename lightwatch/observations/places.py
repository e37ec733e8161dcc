"""Lights, sections and roads as shapes, from any coordinate system to WGS 84.

A table of shapes becomes rows of text with what the shape itself says beside them: a
point's ``longitude`` and ``latitude``, a line's ``length_m`` and ``geometry``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyogrio
from numpy.typing import NDArray
from pyproj import CRS, Geod, Transformer
from pyproj.exceptions import CRSError, ProjError
from shapely import get_parts, line_merge

from lightwatch.errors import NotUnderstood
from lightwatch.observations.guarding import (
    DRIVERS,
    only_named_drivers,
    refuse_disguised,
)
from lightwatch.observations.sheets import text_of
from lightwatch.observations.tables import Rows

WGS84 = "EPSG:4326"
SHAPE = ("longitude", "latitude", "length_m", "geometry")
"""Columns that a shape gives, where no column of the table is mapped to them."""

_GEOD = Geod(ellps="WGS84")


def layer_names(path: Path) -> list[str]:
    """Return the names of a file's layers of shapes."""
    refuse_disguised(path)
    only_named_drivers()
    try:
        names = [str(name) for name, _ in pyogrio.list_layers(path)]
        read_by = {_driver(path, name) for name in names[:1]}
    except (OSError, ValueError, RuntimeError, pyogrio.errors.DataSourceError) as error:
        raise NotUnderstood(f"{path} cannot be read as shapes ({error})") from None
    expected = DRIVERS[path.suffix.lower()]
    if not read_by <= {expected}:
        raise NotUnderstood(
            f"{path} cannot be read as shapes (it is no {expected} file)"
        )
    return names


def _driver(path: Path, layer: str) -> str:
    return str(pyogrio.read_info(path, layer=layer).get("driver", ""))


def known_crs(name: str, where: str) -> Any:
    """Return a coordinate system by its name.

    Raises
    ------
    NotUnderstood
        There is none of that name.
    """
    try:
        return CRS.from_user_input(name)
    except CRSError:
        raise NotUnderstood(
            f"{where}: crs {name!r} is not known (expected a code such as EPSG:4326)"
        ) from None


def _loaded(path: Path, layer: str | None, crs: str | None) -> Any:
    layers = layer_names(path)
    if not layers or (layer is not None and layer not in layers):
        raise NotUnderstood(
            f"{path}: layer {layer!r} is not there (it has {', '.join(layers)})"
        )
    try:
        frame = geopandas.read_file(path, layer=layer or layers[0], engine="pyogrio")
    except (OSError, ValueError, RuntimeError) as error:
        raise NotUnderstood(f"{path} cannot be read as shapes ({error})") from None
    if crs and _has_shapes(frame):
        named = known_crs(crs, str(path))
        frame = frame.set_crs(named, allow_override=True)
    return frame


def _has_shapes(frame: Any) -> bool:
    """Tell shapes from a plain table that stands beside them in one file."""
    return isinstance(frame, geopandas.GeoDataFrame)


def _in_degrees(path: Path, frame: Any) -> Any:
    """Return shapes in WGS 84; refuse numbers that are no degrees and say no system."""
    west, south, east, north = frame.total_bounds
    degrees = west >= -180 and east <= 180 and south >= -90 and north <= 90
    if frame.crs is None or frame.crs.is_geographic:
        if not degrees and not np.isnan(west):
            stated = "no coordinate system" if frame.crs is None else "degrees"
            raise NotUnderstood(
                f"{path} states {stated}, but its numbers are no degrees (such as "
                f"{west:.6g}, {south:.6g}); say the coordinate system in the mapping "
                'file: crs = "EPSG:…"'
            )
        if frame.crs is None:
            return frame.set_crs(WGS84)
    return frame.to_crs(WGS84)


def _line(shape: Any) -> Any:
    if shape is not None and shape.geom_type == "MultiLineString":
        return line_merge(shape)
    return shape


def _point(shape: Any) -> Any:
    if shape is not None and shape.geom_type == "MultiPoint":
        parts = get_parts(shape)
        return parts[0] if len(parts) == 1 else shape
    return shape


def metres(shape: Any) -> float:
    """Return the length of a line in degrees along the WGS 84 ellipsoid [m]."""
    return float(_GEOD.geometry_length(shape))


def _degrees(value: float) -> str:
    return f"{value:.7f}".rstrip("0").rstrip(".")


def _coordinates(line: Any) -> str:
    return json.dumps([[round(x, 7), round(y, 7)] for x, y, *_ in line.coords])


def _of_shape(shapes: Sequence[Any]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {name: [] for name in SHAPE}
    for raw in shapes:
        shape = _line(_point(raw))
        kind = None if shape is None or shape.is_empty else shape.geom_type
        point, line = kind == "Point", kind == "LineString"
        found["longitude"].append(_degrees(shape.x) if point else "")
        found["latitude"].append(_degrees(shape.y) if point else "")
        found["length_m"].append(f"{metres(shape):.2f}" if line else "")
        found["geometry"].append(_coordinates(shape) if line else kind or "")
    return found


def _texts(values: Any) -> list[str]:
    missing = values.isna()
    return [
        "" if none else text_of(value.item() if hasattr(value, "item") else value)
        for value, none in zip(values.astype(object), missing, strict=True)
    ]


def _attributes(frame: Any) -> dict[str, list[str]]:
    shape = frame.geometry.name if _has_shapes(frame) else None
    return {str(n): _texts(frame[n]) for n in frame.columns if n != shape}


def look(path: Path) -> Iterator[tuple[str, str | None, str, Rows]]:
    """Yield each layer of a file: its name, system, kind of shape and rows as text."""
    for layer in layer_names(path):
        frame = _loaded(path, layer, None)
        columns = _attributes(frame)
        if not _has_shapes(frame):
            yield layer, None, "", Rows(list(range(1, len(frame) + 1)), columns)
            continue
        kinds = frame.geometry.dropna().geom_type
        kind = str(kinds.mode().iloc[0]) if len(kinds) else ""
        rows = Rows(list(range(1, len(frame) + 1)), columns)
        yield layer, _stated(frame), kind.removeprefix("Multi"), rows


def _stated(frame: Any) -> str | None:
    """Return the name of the system that a file states, if its numbers can be in it."""
    if frame.crs is None:
        return None
    west, south, east, north = frame.total_bounds
    degrees = west >= -180 and east <= 180 and south >= -90 and north <= 90
    if frame.crs.is_geographic and not degrees:
        return None
    axes = frame.crs.axis_info
    return f"{frame.crs.name} [{axes[0].unit_name}]" if axes else str(frame.crs.name)


def read_places(
    path: Path, *, layer: str | None, crs: str | None, at_once: int | None
) -> Iterator[Rows]:
    """Yield a table of shapes as rows of text; a shape's line is its place, from 1.

    Parameters
    ----------
    path
        A GeoPackage, a GeoJSON file or a shapefile.
    layer
        Its layer; None: the first.
    crs
        Its coordinate system; None: as the file states.
    at_once
        How many rows at once; None: all.

    Raises
    ------
    NotUnderstood
        It cannot be read, or nobody says in which coordinate system it is.
    """
    frame = _loaded(path, layer, crs)
    columns = _attributes(frame)
    shapes = _in_degrees(path, frame).geometry if _has_shapes(frame) else ()
    given = _of_shape(list(shapes))
    for name, values in given.items():
        if any(values):
            columns.setdefault(f"shape.{name}", values)
    step = at_once or max(len(frame), 1)
    for first in range(0, max(len(frame), 1), step):
        part = slice(first, first + step)
        lines = list(range(1, len(frame) + 1))[part]
        yield Rows(lines, {name: values[part] for name, values in columns.items()})


def to_degrees(
    crs: str, east: Sequence[str], north: Sequence[str], where: str
) -> tuple[list[str], list[str], set[int]]:
    """Turn pairs of coordinates into longitude and latitude, WGS 84.

    Parameters
    ----------
    crs
        The coordinate system of the numbers.
    east, north
        The first counts eastwards, whatever the order of the system's own axes.
    where
        What to name in a refusal.

    Returns
    -------
    list[str], list[str], set[int]
        Longitudes, latitudes, and the indices of pairs that are outside the system.
    """
    system = known_crs(crs, where)
    if system == CRS.from_user_input(WGS84):
        return list(east), list(north), set()
    numbers = _numbers(east), _numbers(north)
    both = np.isfinite(numbers[0]) & np.isfinite(numbers[1])
    turn = Transformer.from_crs(system, WGS84, always_xy=True)
    try:
        lon, lat = turn.transform(numbers[0][both], numbers[1][both])
    except ProjError as error:
        raise NotUnderstood(f"{where}: crs {crs!r} cannot be used ({error})") from None
    found = list(east), list(north)
    outside = set()
    for i, x, y in zip(np.flatnonzero(both).tolist(), lon, lat, strict=True):
        if np.isfinite(x) and np.isfinite(y):
            found[0][i], found[1][i] = _degrees(x), _degrees(y)
        else:
            outside.add(i)
    return *found, outside


def _numbers(values: Sequence[str]) -> NDArray[np.float64]:
    def read(text: str) -> float:
        try:
            return float(text)
        except ValueError:
            return float("nan")

    return np.array([read(text) for text in values], dtype=float)
