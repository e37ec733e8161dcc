"""The supply trees of circuits, from the record or, where it is silent, the map.

Where sections are on record a light hangs at the far end of its own. Where they are
not, the order of lights is inferred: minimum spanning trees over the lights' positions,
from the source if it is located; several, from positions moved a little, each weighed
afterwards by how well it explains what was seen.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.tree import Forest

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DRAWS = 6
"""Trees drawn for a circuit whose sections are not on record."""

MOVED_M = 8.0
"""Standard deviation by which positions are moved for each draw [m]."""

OTHER_STREET_M = 15.0
"""Way added between lights of different streets [m]."""

ENOUGH = 0.8
"""A circuit with at least this share of its lights on sections has them on record."""

SHORTEST_KM = 0.005
"""Length of a section whose length is not on record [km]; no source."""


@dataclass(frozen=True)
class Wiring:
    """Trees of many circuits; several trees may stand for one circuit.

    Parameters
    ----------
    forest
        All nodes.
    tree_circuit
        For each tree the position of its circuit among those asked for.
    tree
        For each node its tree.
    section
        For each node the number of its section; -1 for sources and inferred ones.
    km
        For each node the length of the stretch into it; 0 for sources.
    light, node
        Pairs: position of a light among those asked for, and the node it hangs on.
    inferred
        For each circuit whether the order of its lights is inferred.
    """

    forest: Forest
    tree_circuit: Ints
    tree: Ints
    section: Ints
    km: Floats
    light: Ints
    node: Ints
    inferred: NDArray[np.bool_]

    @property
    def source(self) -> Ints:
        """For each tree the node of its source."""
        return np.flatnonzero(self.forest.parent < 0)


@dataclass
class _Drawing:
    """Nodes as they are drawn; parents are numbered as nodes are."""

    parent: list[Ints] = field(default_factory=list)
    tree: list[Ints] = field(default_factory=list)
    section: list[Ints] = field(default_factory=list)
    km: list[Floats] = field(default_factory=list)
    light: list[Ints] = field(default_factory=list)
    node: list[Ints] = field(default_factory=list)
    size: int = 0

    def add(self, parent: Ints, tree: Ints, section: Ints, km: Floats) -> None:
        self.parent.append(parent)
        self.tree.append(tree)
        self.section.append(section)
        self.km.append(km)
        self.size += len(parent)

    def hang(self, light: Ints, node: Ints) -> None:
        self.light.append(light)
        self.node.append(node)


def _nearest_placed(place: Floats, circuit: Ints, node: Ints) -> Ints:
    """Hang a light without a section where its nearest neighbour hangs."""
    found = node.copy()
    for i in np.flatnonzero(node < 0):
        same = np.flatnonzero((circuit == circuit[i]) & (node >= 0))
        if len(same):
            away = ((place[same] - place[i]) ** 2).sum(axis=1)
            found[i] = node[same[np.argmin(away)]]
    return found


def _recorded(drawing: _Drawing, grid: Grid, circuits: Ints, at: Ints) -> None:
    """Draw the trees on record of some circuits; their trees come first.

    ``at`` are the numbers of all lights; those of other circuits are -1.
    """
    trees = len(circuits)
    drawing.add(
        np.full(trees, -1), np.arange(trees), np.full(trees, -1), np.zeros(trees)
    )
    rows, tree = grid.sections_of.pick(circuits)
    node = np.full(len(grid.section_ids) + 1, -1)
    node[rows] = trees + np.arange(len(rows))
    above = node[grid.upstream[rows]]
    drawing.add(
        np.where((grid.upstream[rows] >= 0) & (above >= 0), above, tree),
        tree,
        rows,
        np.nan_to_num(grid.km[rows], nan=SHORTEST_KM),
    )
    source = np.full(len(grid.circuits) + 1, -1)
    source[circuits] = np.arange(trees)
    mine = np.flatnonzero(at >= 0)
    lights = at[mine]
    hung = np.where(grid.section[lights] >= 0, node[grid.section[lights]], -1)
    hung = _nearest_placed(grid.metres[lights], grid.circuit[lights], hung)
    drawing.hang(mine, np.where(hung >= 0, hung, source[grid.circuit[lights]]))


def _spanning(place: Floats, street: Ints, root: int) -> tuple[Ints, Floats]:
    """Return parents and lengths [m] of the spanning tree from one light."""
    apart = np.sqrt(((place[:, None] - place[None]) ** 2).sum(axis=2))
    other = street[:, None] != street[None, :]
    way = np.maximum(apart, 0.1) + OTHER_STREET_M * other
    tree = minimum_spanning_tree(np.triu(way, 1))
    _, parent = breadth_first_order(tree, root, directed=False)
    length = np.where(
        parent >= 0, apart[np.arange(len(place)), np.maximum(parent, 0)], 0.0
    )
    return parent, length


def _inferred(
    drawing: _Drawing, grid: Grid, circuits: Ints, at: Ints, first_tree: int
) -> list[int]:
    """Draw trees over positions; return for each tree its position in ``circuits``.

    ``at`` are the numbers of all lights; those of other circuits are -1.
    """
    owners: list[int] = []
    for circuit in np.unique(grid.circuit[at[at >= 0]]):
        mine = np.flatnonzero((at >= 0) & (grid.circuit[at] == circuit))
        lights = at[mine]
        name = str(grid.circuits[circuit])
        rng = np.random.default_rng(zlib.crc32(name.encode()))
        street = grid.road[lights]
        source = grid.source_metres(name)
        for _ in range(DRAWS if len(mine) > 1 else 1):
            place = grid.metres[lights] + rng.normal(0.0, MOVED_M, (len(mine), 2))
            root = int(rng.integers(len(mine)))
            if source is not None:
                root = int(np.argmin(((place - source) ** 2).sum(axis=1)))
            parent, length = _spanning(place, street, root)
            tree, base = first_tree + len(owners), drawing.size
            above = np.where(parent >= 0, base + 1 + parent, base)
            drawing.add(
                np.concatenate([[-1], above]).astype(int),
                np.full(len(mine) + 1, tree),
                np.full(len(mine) + 1, -1),
                np.concatenate([[0.0], np.maximum(length / 1000.0, SHORTEST_KM)]),
            )
            drawing.hang(mine, base + 1 + np.arange(len(mine)))
            owners.append(int(np.searchsorted(circuits, circuit)))
    return owners


def wiring(grid: Grid, circuits: Ints, at: Ints) -> Wiring:
    """Draw the supply trees of some circuits.

    Parameters
    ----------
    grid
        The network.
    circuits
        Numbers of the circuits asked for, in order.
    at
        Numbers of the lights on them.
    """
    placed = np.bincount(grid.circuit[at], grid.section[at] >= 0, len(grid.circuits))
    every = np.bincount(grid.circuit[at], minlength=len(grid.circuits))
    is_known = placed >= ENOUGH * every
    known = circuits[is_known[circuits]]
    drawing = _Drawing()
    of_known = is_known[grid.circuit[at]]
    _recorded(drawing, grid, known, np.where(of_known, at, -1))
    owners = _inferred(drawing, grid, circuits, np.where(of_known, -1, at), len(known))
    return Wiring(
        Forest(np.concatenate(drawing.parent).astype(int)),
        np.array([*np.searchsorted(circuits, known), *owners], dtype=int),
        np.concatenate(drawing.tree).astype(int),
        np.concatenate(drawing.section).astype(int),
        np.concatenate(drawing.km),
        np.concatenate(drawing.light).astype(int),
        np.concatenate(drawing.node).astype(int),
        ~is_known[circuits],
    )
