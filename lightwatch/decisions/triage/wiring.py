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
from scipy.spatial import KDTree

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

ENOUGH = 0.5
"""A circuit with at least this share of its lights on sections has them on record; the
way to its other lights is inferred from the last light on record."""

NEAREST = 4
"""A light that is not drawn hangs on one of so many lights on record near it."""

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
    owner = source[grid.circuit[lights]]
    for circuit in np.unique(owner[hung < 0]):
        here = np.flatnonzero(owner == circuit)
        hung[here] = _continue(
            drawing, grid, circuits[circuit], lights[here], hung[here], circuit
        )
    drawing.hang(mine, hung)


def _continue(
    drawing: _Drawing, grid: Grid, circuit: int, lights: Ints, hung: Ints, tree: int
) -> Ints:
    """Draw the stretches to a circuit's lights without a section.

    They hang where the way from what is on record is shortest; the source of a tree
    has the tree's number. Returns on which node each light hangs.
    """
    nodes, place, street = hung.copy(), grid.metres[lights], grid.road[lights]
    free = np.flatnonzero(hung < 0)
    ends, place_of = np.flatnonzero(hung >= 0), place[free]
    if len(ends):
        _, near = KDTree(place[ends]).query(place_of, k=[*range(1, NEAREST + 1)])
        ends = ends[np.unique(near[near < len(ends)])]
    ends_at, ends_on, street_of = place[ends], hung[ends], street[ends]
    source = grid.source_metres(str(grid.circuits[circuit]))
    if source is not None or not len(ends):
        end = place_of[:1] if source is None else source[None]
        ends_at, ends_on = np.vstack([ends_at, end]), np.append(ends_on, tree)
        street_of = np.append(street_of, -1)
    joined = np.arange(len(ends_on) + len(free)) < len(ends_on)
    above, length = _spanning(
        np.vstack([ends_at, place_of]), np.append(street_of, street[free]), 0, joined
    )
    begun = np.append(ends_on, drawing.size + np.arange(len(free)))
    drawing.add(
        begun[above[~joined]],
        np.full(len(free), tree),
        np.full(len(free), -1),
        np.maximum(length[~joined] / 1000.0, SHORTEST_KM),
    )
    nodes[free] = begun[~joined]
    return nodes


def _spanning(
    place: Floats, street: Ints, root: int, joined: NDArray[np.bool_] | None = None
) -> tuple[Ints, Floats]:
    """Return parents and lengths [m] of the spanning tree from one light.

    ``joined``: lights that are joined already.
    """
    apart = np.sqrt(((place[:, None] - place[None]) ** 2).sum(axis=2))
    other = street[:, None] != street[None, :]
    way = np.maximum(apart, 0.1) + OTHER_STREET_M * other
    if joined is not None:
        way[np.ix_(joined, joined)] = 1e-6
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
