"""The streets as a graph: what a truck can drive, and how long it takes.

Roads meet where they share a point. A road that another one meets on its way is driven
in parts. Only what can be driven from the depot and back is kept.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components, dijkstra

if TYPE_CHECKING:
    import geopandas

USUAL_KMH = {"arterial": 50.0, "collector": 40.0, "residential": 30.0}
"""Speed between streets by road class, where the road has none on record; no source."""

OTHERWISE_KMH = 30.0
OFF_NETWORK_KMH = 20.0
"""Along a straight leg off the network, as the crow flies; no source."""

_DIGITS = 6
"""Points are the same if they agree to so many decimals of a degree, about 0.1 m."""

_EARTH_RADIUS_M = 6_371_008.8

Point = tuple[float, float]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Seconds = NDArray[np.float32]
Flags = NDArray[np.bool_]


def metres(first: Sequence[float] | Floats, second: Sequence[float] | Floats) -> Floats:
    """Great-circle distance between places by the haversine formula [m].

    Parameters
    ----------
    first, second
        Longitude and latitude [degrees], or arrays of shape (..., 2).
    """
    here = np.radians(np.asarray(first, dtype=float))
    there = np.radians(np.asarray(second, dtype=float))
    half = (there - here) / 2
    root = np.sin(half[..., 1]) ** 2 + np.cos(here[..., 1]) * np.cos(there[..., 1]) * (
        np.sin(half[..., 0]) ** 2
    )
    distance: Floats = 2 * _EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(root, 0, 1)))
    return distance


@dataclass(frozen=True)
class Network:
    """Streets between junctions.

    Parameters
    ----------
    places
        Shape (n, 2): longitude and latitude of each junction [degrees].
    tail, head
        Shape (m,): junctions that each street part joins, in the direction of its line.
    road_id
        Of each part; '' off the network.
    length_m, kmh
        Of each part; speed between streets.
    one_way
        May be driven from tail to head only.
    closed
        Not to be driven tonight.
    lines
        Of each part, from tail to head.
    names
        Road to what people call it.
    """

    places: Floats
    tail: Ints
    head: Ints
    road_id: NDArray[np.object_]
    length_m: Floats
    kmh: Floats
    one_way: Flags
    closed: Flags
    lines: Sequence[Sequence[Point]] = field(repr=False)
    names: dict[str, str] = field(repr=False)

    @property
    def seconds(self) -> Floats:
        """Time to drive each part without looking [s]."""
        return self.length_m / (self.kmh / 3.6)

    @cached_property
    def arcs(self) -> tuple[Ints, Ints, Ints]:
        """Tails, heads and parts of what may be driven, a row for each direction."""
        forward = np.flatnonzero(~self.closed)
        back = np.flatnonzero(~self.closed & ~self.one_way)
        tails = np.concatenate([self.tail[forward], self.head[back]])
        heads = np.concatenate([self.head[forward], self.tail[back]])
        return tails, heads, np.concatenate([forward, back])

    @cached_property
    def fastest(self) -> dict[tuple[int, int], int]:
        """For each pair of junctions with a street between them the quickest part."""
        tails, heads, parts = self.arcs
        order = np.argsort(self.seconds[parts], kind="stable")[::-1]
        pairs = zip(tails[order].tolist(), heads[order].tolist(), strict=True)
        return dict(zip(pairs, parts[order].tolist(), strict=True))

    @cached_property
    def graph(self) -> csr_matrix:
        """Driving times between neighbouring junctions [s]."""
        pairs = np.array(list(self.fastest), dtype=np.int64).reshape(-1, 2)
        parts = np.array(list(self.fastest.values()), dtype=np.int64)
        loops = pairs[:, 0] == pairs[:, 1]
        pairs, parts = pairs[~loops], parts[~loops]
        size = len(self.places)
        weight = np.maximum(self.seconds[parts], 1e-3)
        return csr_matrix((weight, (pairs[:, 0], pairs[:, 1])), shape=(size, size))

    def times(self, sources: Ints, targets: Ints) -> Seconds:
        """Driving times between junctions, shape (sources, targets) [s]."""
        unique, place = np.unique(sources, return_inverse=True)
        found = np.empty((len(unique), len(targets)), dtype=np.float32)
        for at in range(0, len(unique), 256):
            some = dijkstra(self.graph, indices=unique[at : at + 256])
            found[at : at + 256] = some[:, targets]
        chosen: Seconds = found[place]
        return chosen

    def ways(self, sources: Ints) -> tuple[Ints, NDArray[np.int32]]:
        """Return distinct sources and the junction before each, on the quickest way."""
        unique = np.unique(sources)
        _, before = dijkstra(self.graph, indices=unique, return_predecessors=True)
        return unique, before

    def nearest(self, place: Point) -> tuple[int, float]:
        """Return the junction nearest to a place, and how far it is [m]."""
        far = metres(self.places, place)
        best = int(np.argmin(far))
        return best, float(far[best])

    def together(self, junction: int) -> Flags:
        """Tell which parts can be driven from a junction, with a way back to it."""
        _, label = connected_components(self.graph, connection="strong")
        inside = label == label[junction]
        found: Flags = inside[self.tail] & inside[self.head] & ~self.closed
        return found

    def in_main(self) -> Flags:
        """Tell which junctions lie in the largest part that hangs together."""
        _, label = connected_components(self.graph, connection="strong")
        length = np.bincount(label[self.tail], self.length_m, minlength=label.max() + 1)
        found: Flags = label == int(np.argmax(length))
        return found


def _rounded(line: Sequence[Point]) -> list[Point]:
    points = [(round(p[0], _DIGITS), round(p[1], _DIGITS)) for p in line]
    kept = [b for a, b in pairwise(points) if a != b]
    return [points[0], *kept]


def _split(line: list[Point], shared: Collection[Point]) -> list[list[Point]]:
    """Split a line at the points inside it that others share."""
    parts, current = [], [line[0]]
    for i, point in enumerate(line[1:], 1):
        current.append(point)
        if point in shared and i < len(line) - 1:
            parts.append(current)
            current = [point]
    return [*parts, current]


def _kmh(text: str, road_class: str) -> float:
    try:
        speed = float(str(text).strip('"'))
    except ValueError:
        speed = 0.0
    if 1.0 <= speed <= 150.0:
        return speed
    return USUAL_KMH.get(road_class, OTHERWISE_KMH)


def network(
    roads: geopandas.GeoDataFrame, closed: Collection[str] = frozenset()
) -> Network:
    """Return roads as a network of streets between junctions.

    Parameters
    ----------
    roads
        ``road_id``, ``name``, ``class``, ``speed_kmh``, ``one_way``, line in WGS 84.
    closed
        Roads that cannot be driven tonight.
    """
    lines = [_rounded([(p[0], p[1]) for p in line.coords]) for line in roads.geometry]
    uses = Counter(point for line in lines for point in set(line))
    shared = {point for point, count in uses.items() if count > 1}
    rows: list[tuple[list[Point], int]] = [
        (part, i)
        for i, line in enumerate(lines)
        if len(line) > 1
        for part in _split(line, shared)
    ]
    code: dict[Point, int] = {}
    ends = [
        [code.setdefault(part[end], len(code)) for end in (0, -1)] for part, _ in rows
    ]
    road = np.array([i for _, i in rows], dtype=np.int64)
    pair = np.array(ends, dtype=np.int64).reshape(-1, 2)
    names = roads["road_id"].to_numpy(object)
    speeds = [
        _kmh(text, kind)
        for text, kind in zip(roads["speed_kmh"], roads["class"], strict=True)
    ]
    way = roads["one_way"].astype(str).str.casefold().isin(["true", "1", "yes"])
    return Network(
        places=np.array(list(code), dtype=float).reshape(-1, 2),
        tail=pair[:, 0],
        head=pair[:, 1],
        road_id=names[road],
        length_m=_lengths_m([part for part, _ in rows]),
        kmh=np.array(speeds, dtype=float)[road],
        one_way=way.to_numpy()[road],
        closed=np.isin(names, list(closed))[road],
        lines=[part for part, _ in rows],
        names=dict(zip(names, roads["name"], strict=True)),
    )


def _lengths_m(lines: Sequence[Sequence[Point]]) -> Floats:
    """Return how long each line is [m]."""
    if not lines:
        return np.empty(0)
    points = np.array([point for line in lines for point in line])
    first = np.cumsum([0, *map(len, lines)])[:-1]
    steps = np.append(metres(points[:-1], points[1:]), 0.0)
    steps[first[1:] - 1] = 0.0  # from the end of a line to where the next begins
    lengths: Floats = np.add.reduceat(steps, first)
    return lengths
