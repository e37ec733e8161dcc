"""Lights next to each other on the map, and how often two feeds part between them.

Where nobody wrote down which circuit feeds a light, all that is left is its place: a
feed runs from light to light, along streets, and ends after so many. How often two
neighbours hang on different circuits is counted on the circuits that are on record, by
how far apart they are and whether they stand on one street; where few are, it is drawn
to a usual share, and the draws differ the more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.spatial import KDTree

from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.wiring import OTHER_STREET_M

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

LONGEST_M = 200.0
"""Lights further apart than this are not next to each other on a feed; no source."""

NEAREST = 8
"""Neighbours of a light that are looked at."""

BANDS_M = (45.0, 90.0)
"""Up to these distances lights of a street are close, and a gap apart [m]."""

USUAL = np.array([[0.06, 0.12, 0.35], [0.20, 0.35, 0.60]])
"""Share of neighbours on different feeds: on one street and on two, by band; about 16
lights to a feed of one street. Common practice, no source."""

LIKE = 20.0
"""The usual share counts as so many pairs of neighbours."""

SPREAD = 2.0
"""With nothing on record the odds may be so many times too high or low; no source."""

OTHER_FEED = 0.9
"""Share of neighbours on different feeds where one is fed overhead, the other
underground; no source."""


def pairs(place: Floats) -> tuple[Ints, Ints, Floats]:
    """Return lights next to each other, each pair once, and their distance [m]."""
    count = min(NEAREST + 1, len(place))
    if count < 2:
        none = np.zeros(0, dtype=np.int64)
        return none, none, np.zeros(0)
    away, near = KDTree(place).query(place, count, distance_upper_bound=LONGEST_M)
    one = np.repeat(np.arange(len(place)), count)
    other, away = near.ravel(), away.ravel()
    good = np.isfinite(away) & (one != other)
    one, other = one[good], other[good]
    both = np.minimum(one, other) * len(place) + np.maximum(one, other)
    _, first = np.unique(both, return_index=True)
    return one[first], other[first], away[good][first]


def spanning(one: Ints, other: Ints, way: Floats, n: int) -> coo_array:
    """Return the shortest trees over n places along these pairs."""
    graph = coo_array((np.maximum(way, 1e-9), (one, other)), (n, n)).tocsr()
    return coo_array(minimum_spanning_tree(graph))


MOST_LIGHTS = 60
"""Most lights of a feed, unless circuits on record are larger; common practice, no
source."""

LARGE = 0.95
"""Share of the circuits on record that have no more lights than the most."""


@dataclass(frozen=True)
class Parting:
    """How often neighbours hang on different feeds.

    Parameters
    ----------
    share
        Shape (2, bands): on one street and on two, by distance.
    pairs
        Shape (2, bands): pairs of neighbours on record that it was counted on.
    most
        Most lights of a feed.
    """

    share: Floats
    pairs: Floats
    most: int

    def chance(self, metres: Floats, other: Flags, draw: int) -> Floats:
        """Return the chance that two feeds part between neighbours, for one draw.

        Draws take the odds too low, as counted and too high in turn, by as much as the
        count leaves open.
        """
        row, band = other.astype(int), np.searchsorted(BANDS_M, metres)
        factor = SPREAD ** (draw % 3 - 1) * np.ones(self.share.shape)
        factor **= np.sqrt(LIKE / (LIKE + self.pairs))
        odds = factor * self.share / (1 - self.share)
        found: Floats = (odds / (1 + odds))[row, band]
        return found


def parting(grid: Grid) -> Parting:
    """Count on circuits on record how often neighbours hang on different ones."""
    known = np.flatnonzero(grid.on_record)
    one, other, away = pairs(grid.metres[known])
    road, circuit = grid.road[known], grid.circuit[known]
    way = away + OTHER_STREET_M * (road[one] != road[other])
    tree = spanning(one, other, way, len(known))
    one, other = tree.coords
    metres = np.hypot(*(grid.metres[known][one] - grid.metres[known][other]).T)
    at = (road[one] != road[other]).astype(int), np.searchsorted(BANDS_M, metres)
    count, parted = np.zeros(USUAL.shape), np.zeros(USUAL.shape)
    np.add.at(count, at, 1.0)
    np.add.at(parted, at, (circuit[one] != circuit[other]).astype(float))
    share = (parted + LIKE * USUAL) / (count + LIKE)
    lights = np.bincount(circuit)
    large = np.quantile(lights[lights > 0], LARGE) if len(known) else 0.0
    return Parting(share, count, max(MOST_LIGHTS, int(large)))
