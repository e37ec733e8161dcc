"""Streets of the invented city and the lights along them, in metres from its middle.

Blocks of four by four cells lie between collectors and arterials; a river crosses
them, bridged only by arterials. The collectors are always whole, an inner street
lacks at most one cell per block, and one-way streets are whole: so every junction
can be reached from every other, but for one small estate with no road to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from demo_city.days import Flags, Floats, Ints, Texts

DISTRICTS = ("Old Town", "Moorside", "Highfield", "Waterside", "Southmead", "Holm")
OLD_TOWN, MOORSIDE, HIGHFIELD, WATERSIDE, SOUTHMEAD, HOLM = range(6)
CLASSES = ("arterial", "collector", "residential")
SPEEDS_KMH = (60, 50, 30)
SPACING_M = (36.0, 39.0, 43.0)
BLOCK = 4
LIGHTS_PER_BLOCK = 66
FEWEST_LIGHTS = 12
METRES_PER_DEGREE = 111_320.0

# fmt: off
_FIRST = (
    "Alder", "Ashen", "Barley", "Beacon", "Bracken", "Brewer", "Candle",
    "Cinder", "Clover", "Cooper", "Crane", "Damson", "Dyer", "Ember", "Fallow",
    "Fennel", "Ferry", "Flint", "Foxley", "Garnet", "Glover", "Gorse",
    "Harbour", "Hazel", "Heron", "Ivy", "Juniper", "Kestrel", "Lantern",
    "Larch", "Linnet", "Mallow", "Mason", "Millrace", "Osier", "Otter",
    "Pebble", "Plover", "Quarry", "Rowan", "Saddler", "Sorrel", "Tanner",
    "Teasel", "Thistle", "Tinder", "Vetch", "Warden", "Weaver", "Willow",
)
# fmt: on
_MIDDLE = ("", "Upper ", "Lower ", "Old ", "New ", "Long ", "Far ")
_MAIN = ("Road", "Way", "Avenue")
_SIDE = ("Street", "Lane", "Row", "Close", "Walk", "Terrace", "Rise")


@dataclass(frozen=True)
class Streets:
    """Road segments between junctions.

    Parameters
    ----------
    points
        Start, middle and end of each, east and north [m].
    name, road_class, one_way, district, block
        One per segment; a one-way segment runs from start to end.
    """

    points: Floats
    name: Texts
    road_class: Ints
    one_way: Flags
    district: Ints
    block: Ints

    @property
    def length_m(self) -> Floats:
        """Lengths [m]."""
        legs = np.diff(self.points, axis=1)
        return np.asarray(np.hypot(legs[..., 0], legs[..., 1]).sum(axis=1))


@dataclass(frozen=True)
class Positions:
    """Where lights stand: east and north [m], and the segment each of them lights."""

    x: Floats
    y: Floats
    road: Ints

    def take(self, order: Ints) -> Positions:
        """Return these positions in another order."""
        return Positions(self.x[order], self.y[order], self.road[order])


@dataclass(frozen=True)
class _Plan:
    keep: Flags
    x: Floats
    y: Floats
    river_row: int
    district: Ints


def degrees(
    x: Floats, y: Floats, longitude: float, latitude: float
) -> tuple[Floats, Floats]:
    """Return longitudes and latitudes of points in metres from a place."""
    per_east = METRES_PER_DEGREE * math.cos(math.radians(latitude))
    return longitude + x / per_east, latitude + y / METRES_PER_DEGREE


def _kept_blocks(lights: int, rng: np.random.Generator) -> Flags:
    """Return which blocks are built up: each row of them whole, and over the middle."""
    wanted = 1.12 * lights / LIGHTS_PER_BLOCK
    rows = max(3, math.ceil(math.sqrt(wanted / 0.84)))
    middle = (np.arange(rows) + 0.5) / rows * 2 - 1
    half = rows / 2 * np.sqrt(1 - 0.85 * middle**2)
    west = np.maximum(1, np.rint(half * rng.uniform(0.85, 1.15, rows))).astype(int)
    east = np.maximum(1, np.rint(half * rng.uniform(0.85, 1.15, rows))).astype(int)
    reach = max(west.max(), east.max())
    reach += reach % 2
    column = np.arange(-reach, reach)
    kept = (column >= -west[:, None]) & (column < east[:, None])
    return np.asarray(kept, dtype=np.bool_)


def _axis(cells: int, rng: np.random.Generator) -> Floats:
    return np.concatenate([[0.0], np.cumsum(rng.uniform(95, 130, cells))])


def _plan(lights: int, rng: np.random.Generator) -> _Plan:
    keep = _kept_blocks(lights, rng)
    rows, columns = keep.shape
    east, north = _axis(BLOCK * columns, rng), _axis(BLOCK * rows, rng)
    river = BLOCK * int(rows * 0.45) + 1
    north[river + 1 :] += 75.0
    x = np.broadcast_to(east - east.mean(), (north.size, east.size)).copy()
    y = np.broadcast_to((north - north.mean())[:, None], x.shape).copy()
    reach = np.abs(x).max()
    bend = x + 0.04 * reach * np.sin(2.2 * y / reach)
    y = y + 0.07 * reach * np.sin(2.6 * x / reach)
    x = bend + rng.normal(0, 6, x.shape)
    y = y + rng.normal(0, 6, x.shape)
    inner = (np.arange(rows * BLOCK + 1) % BLOCK > 0)[:, None]
    y += np.where(inner, rng.normal(0, 5, x.shape), 0)
    at_east = np.arange(columns) - columns / 2 + 0.5
    at_north = np.arange(rows) - rows / 2 + 0.5
    e, n = np.meshgrid(at_east, at_north)
    old = np.hypot(e, n) < max(0.8, 0.34 * rows / 2)
    quarter = np.where(
        n > 0,
        np.where(e < 0, MOORSIDE, HIGHFIELD),
        np.where(e < 0, WATERSIDE, SOUTHMEAD),
    )
    return _Plan(keep, x, y, river, np.where(old, OLD_TOWN, quarter))


def _names(line: Ints, main: Flags, rng: np.random.Generator) -> Texts:
    """Give every line of segments a name of its own."""
    lines, at = np.unique(line, return_inverse=True)
    is_main = np.zeros(lines.size, dtype=bool)
    is_main[at[main]] = True
    made = [
        f"{middle}{first} "
        for middle in _MIDDLE
        for first in np.array(_FIRST)[rng.permutation(len(_FIRST))]
    ]
    named = [
        made[(i // 2) % len(made)]
        + (_MAIN[i % len(_MAIN)] if m else _SIDE[i % len(_SIDE)])
        for i, m in enumerate(is_main)
    ]
    return np.array(named, dtype=object)[at]


def _segments(plan: _Plan, along: bool, rng: np.random.Generator) -> dict[str, Ints]:
    """List the segments that run along the rows (or up the columns) of the plan."""
    keep = plan.keep if along else plan.keep.T
    nodes = (plan.x.shape if along else plan.x.shape[::-1])[0]
    cells = keep.shape[1] * BLOCK
    line, cell = (a.ravel() for a in np.mgrid[0:nodes, 0:cells])
    upper = np.minimum(line // BLOCK, keep.shape[0] - 1)
    lower = np.maximum(line - 1, 0) // BLOCK
    across = cell // BLOCK
    upper = np.where(keep[upper, across], upper, lower)
    there = keep[upper, across]
    inner = line % BLOCK > 0
    if along:
        group = line * keep.shape[1] + across
        gap = rng.integers(0, 2 * BLOCK, nodes * keep.shape[1])[group]
        there &= ~(inner & (cell % BLOCK == gap))
        whole = gap >= BLOCK
    else:
        there &= ~(inner & (rng.random(line.size) < 0.3))
        there &= ~((cell == plan.river_row) & (line % (2 * BLOCK) > 0))
        whole = np.zeros(line.size, dtype=bool)
    block = (upper, across) if along else (across, upper)
    district = plan.district[block]
    row, column = (line, cell) if along else (cell, line)
    bank = (row > plan.river_row) & (block[0] == plan.river_row // BLOCK)
    one_way = whole & inner & (line % 2 == 1) & (district == OLD_TOWN)
    back = one_way & (line % BLOCK == 1)
    width = plan.x.shape[1]
    start = row * width + column
    end = start + (1 if along else width)
    found = {
        "start": np.where(back, end, start),
        "end": np.where(back, start, end),
        "line": 4 * line + 2 * (cell >= cells // 2) + along,
        "road_class": np.where(line % (2 * BLOCK) == 0, 0, 1 + inner),
        "one_way": one_way.astype(np.int64),
        "district": district,
        "block": block[0] * plan.keep.shape[1] + block[1] + bank * plan.keep.size,
    }
    return {name: values[there].astype(np.int64) for name, values in found.items()}


def _estate(x: float, y: float, node: int) -> tuple[Floats, dict[str, Ints]]:
    """Return junctions and segments of the estate that no road of the city reaches."""
    east, north = (a.ravel() for a in np.meshgrid(np.arange(3), np.arange(3)))
    where = np.column_stack([x + 88.0 * east + 6.0 * north, y + 79.0 * north])
    number = np.arange(9).reshape(3, 3)
    start = np.concatenate([number[:, :-1].ravel(), number[:-1].ravel()]) + node
    end = np.concatenate([number[:, 1:].ravel(), number[1:].ravel()]) + node
    size = start.size
    street = np.concatenate([np.repeat([1, 2, 3], 2), np.tile([4, 5, 6], 2)])
    return where, {
        "start": start,
        "end": end,
        "line": -street,
        "road_class": np.full(size, 2),
        "one_way": np.zeros(size, dtype=np.int64),
        "district": np.full(size, HOLM),
        "block": np.full(size, -1),
    }


def streets(lights: int, rng: np.random.Generator) -> Streets:
    """Lay out streets with room for somewhat more than this many lights."""
    plan = _plan(lights, rng)
    city = np.column_stack([plan.x.ravel(), plan.y.ravel()])
    kept_x = plan.x[:, :: 2 * BLOCK].max()
    more, estate = _estate(float(kept_x) + 260.0, -140.0, city.shape[0])
    node = np.vstack([city, more]).round(2)
    parts = [_segments(plan, True, rng), _segments(plan, False, rng), estate]
    of = {name: np.concatenate([part[name] for part in parts]) for name in estate}
    start, end = node[of["start"]], node[of["end"]]
    curve = np.where(rng.random(len(start)) < 0.4, rng.normal(0, 5, len(start)), 0)
    leg = end - start
    length = np.hypot(leg[:, 0], leg[:, 1])[:, None]
    across = np.column_stack([-leg[:, 1], leg[:, 0]]) / length
    middle = (start + end) / 2 + across * curve[:, None]
    return Streets(
        np.stack([start, middle, end], axis=1),
        _names(of["line"], of["road_class"] < 2, rng),
        of["road_class"],
        of["one_way"] > 0,
        of["district"],
        of["block"],
    )


def lit_positions(roads: Streets, lights: int, rng: np.random.Generator) -> Positions:
    """Stand lights along the streets nearest the middle, on alternating sides."""
    length, kind = roads.length_m, roads.road_class
    count = np.maximum(1, (length / np.array(SPACING_M)[kind])).astype(np.int64)
    distance = np.hypot(*roads.points[:, 1].T)
    blocks, at = np.unique(roads.block, return_inverse=True)
    far = np.bincount(at, distance) / np.bincount(at)
    far = np.where(blocks < 0, -1.0, far)
    order = np.lexsort((distance, far[at]))
    order = order[np.cumsum(count[order]) <= lights]
    in_block = np.bincount(at[order], count[order], blocks.size)
    order = order[in_block[at[order]] >= FEWEST_LIGHTS]
    road = np.repeat(order, count[order])
    first = np.repeat(np.cumsum(count[order]) - count[order], count[order])
    place = np.arange(road.size) - first
    share = (place + 0.5) / count[road] * 2
    leg = (share >= 1).astype(np.int64)
    share = (share - leg)[:, None]
    a, b = roads.points[road, leg], roads.points[road, leg + 1]
    step = (b - a) / np.hypot(*(b - a).T)[:, None]
    side = np.where(place % 2 == 0, 1.0, -1.0) * np.array([8.0, 6.5, 5.0])[kind[road]]
    side = side + rng.normal(0, 0.6, road.size)
    where = (
        a + (b - a) * share + side[:, None] * np.column_stack([-step[:, 1], step[:, 0]])
    )
    return Positions(where[:, 0], where[:, 1], road.astype(np.int64))
