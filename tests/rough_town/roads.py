"""The file of roads: those that lights stand on, and unlit lanes that join them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from tests.rough_town.streets import CELL_M, Floats, Ints, Streets, degrees


def roads_file(streets: Streets) -> list[dict[str, Any]]:
    """Return the roads that lights stand on, and the lanes that join them."""
    roads = streets.roads
    lon0, lat = degrees(roads["x0"].to_numpy(), roads["y"].to_numpy())
    lon1, _ = degrees(roads["x1"].to_numpy(), roads["y"].to_numpy())
    west, east = _points(lon0, lat), _points(lon1, lat)
    rows = [
        _road(f"R{i:05d}", f"Row {i}", str(kind), [west[i], east[i]])
        for i, kind in enumerate(roads["class"])
    ]
    lanes = [(west[i], west[j]) for i, j in _stacked(roads)]
    lanes += [(east[i], west[j]) for i, j in _beside(roads)]
    return rows + [
        _road(f"X{i:05d}", f"Lane {i}", "residential", list(ends))
        for i, ends in enumerate(lanes)
    ]


def _points(lon: Floats, lat: Floats) -> list[list[float]]:
    return [
        [round(float(x), 6), round(float(y), 6)] for x, y in zip(lon, lat, strict=True)
    ]


def _road(name: str, called: str, kind: str, line: list[list[float]]) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"road_id": name, "name": called, "class": kind,
                       "speed_kmh": 50, "one_way": False},
        "geometry": {"type": "LineString", "coordinates": line},
    }  # fmt: skip


def _columns(roads: pd.DataFrame) -> list[Ints]:
    """Return the roads of each column of the town, from south to north."""
    column = ((roads["x0"] + roads["x1"]) // (2 * CELL_M)).to_numpy()
    order = np.lexsort((roads["y"].to_numpy(), column))
    return np.split(order, np.flatnonzero(np.diff(column[order])) + 1)


def _stacked(roads: pd.DataFrame) -> list[tuple[int, int]]:
    """Return neighbours within a column."""
    return [pair for one in _columns(roads) for pair in pairwise(one.tolist())]


def _beside(roads: pd.DataFrame) -> list[tuple[int, int]]:
    """Return neighbours in columns side by side: the n-th from the south in each."""
    columns = [one.tolist() for one in _columns(roads)]
    return [pair for a, b in pairwise(columns) for pair in zip(a, b, strict=False)]
