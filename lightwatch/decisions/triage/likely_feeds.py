"""How lights without a circuit on record may be fed: trees over their places, drawn.

Only round open troubles. Each draw strings the lights together along the shortest ways
between them, from places moved a little; those near a circuit on record may hang on it.
Between any two neighbours another feed may begin, and how likely that is differs from
draw to draw. Every way of cutting a draw into feeds is summed over afterwards
(``tree.Anew``), and draws are weighed by how well they explain what was seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.spatial import KDTree
from scipy.special import ndtri

from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.neighbours import (
    OTHER_FEED,
    Parting,
    pairs,
    parting,
    spanning,
)
from lightwatch.decisions.triage.tree import Forest
from lightwatch.decisions.triage.wiring import (
    DRAWS,
    MOVED_M,
    OTHER_STREET_M,
    SHORTEST_KM,
    Wiring,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

REACH_M, NEARER_M, MANY = 250.0, 160.0, 1000
"""Lights this near to an open trouble are judged with it; where so many are open, those
nearer only, for time; no source."""

JOIN_M = 90.0
"""A light this near to a circuit may hang on it; no source."""


@dataclass(frozen=True)
class Around:
    """Lights round open troubles, n of them, in windows that share none.

    Parameters
    ----------
    at
        Numbers of the lights: those of circuits on record first, then the others.
    window
        For each its window.
    circuits
        Numbers of the circuits on record that lights without one may hang on.
    """

    grid: Grid
    at: Ints
    window: Ints
    circuits: Ints

    @cached_property
    def unknown(self) -> Flags:
        """For each light whether its circuit is not on record."""
        return ~self.grid.on_record[self.at]

    @cached_property
    def place(self) -> Floats:
        """Where the lights are [m]."""
        return self.grid.metres[self.at]

    @cached_property
    def road(self) -> Ints:
        """Their road segments, -1 for none."""
        return self.grid.road[self.at]

    @cached_property
    def feed(self) -> NDArray[np.object_]:
        """How they are fed themselves, '' if that is not on record."""
        return self.grid.own_feed[self.at]

    @cached_property
    def edges(self) -> tuple[Ints, Ints]:
        """Neighbours of which one at least is on no circuit."""
        return _edges(self.grid, self.at)

    @cached_property
    def window_of(self) -> Ints:
        """For each circuit its window."""
        first = np.searchsorted(
            self.grid.circuit[self.at[~self.unknown]], self.circuits
        )
        found: Ints = self.window[first]
        return found


def _near(place: Floats, others: Floats, metres: float) -> Flags:
    """Tell which places have one of the others this near."""
    if not len(others) or not len(place):
        return np.zeros(len(place), dtype=bool)
    away, _ = KDTree(others).query(place, distance_upper_bound=metres)
    return np.asarray(np.isfinite(away), dtype=bool)


def around(grid: Grid, troubled: Ints) -> Around | None:
    """Return what is to be judged together; None where every circuit is on record.

    Parameters
    ----------
    grid
        The network.
    troubled
        Numbers of lights of which something dark is open.
    """
    unknown = np.flatnonzero(~grid.on_record)
    reach = REACH_M if len(troubled) <= MANY else NEARER_M
    unknown = unknown[_near(grid.metres[unknown], grid.metres[troubled], reach)]
    if not len(unknown):
        return None
    on_record = np.flatnonzero(grid.on_record)
    mine = troubled[~grid.on_record[troubled]]
    beside = on_record[_near(grid.metres[on_record], grid.metres[mine], JOIN_M)]
    told = grid.circuit[troubled[grid.on_record[troubled]]]
    circuits = np.unique(np.concatenate([grid.circuit[beside], told]))
    lights, owner = grid.lights_of.pick(circuits)
    joins = _near(grid.metres[lights], grid.metres[unknown], JOIN_M)
    circuits = circuits[np.unique(owner[joins])]
    lights, owner = grid.lights_of.pick(circuits)
    at = np.concatenate([lights, unknown])
    one, other = _edges(grid, at)
    hub = len(at) + owner
    shape = (len(at) + len(circuits),) * 2
    both = np.concatenate([one, np.arange(len(lights))]), np.concatenate([other, hub])
    linked = coo_array((np.ones(len(both[0])), both), shape)
    _, window = connected_components(linked, directed=False)
    _, window = np.unique(window[: len(at)], return_inverse=True)
    return Around(grid, at, window.astype(np.int64), circuits)


def _edges(grid: Grid, at: Ints) -> tuple[Ints, Ints]:
    """Return neighbours of which one at least is on no circuit."""
    one, other, away = pairs(grid.metres[at])
    known = grid.on_record[at]
    kept = ~(known[one] & known[other])
    kept &= (away <= JOIN_M) | ~(known[one] | known[other])
    return one[kept], other[kept]


@dataclass(frozen=True)
class Drawn:
    """The draws of all windows as one forest.

    A tree of it is one draw of one window: its source, which never fails, then the
    circuits on record and the lights without one.

    Parameters
    ----------
    forest
        All nodes.
    tree
        For each node its tree: window x ``DRAWS`` + draw.
    copied
        For each node the node of the wiring on record that it stands for, or -1.
    km
        For each node the length of the stretch into it.
    parts
        For each node the chance that another feed begins there; 1 where the draw ends.
    light, node
        Pairs: position of a light, and a node that it hangs on.
    """

    forest: Forest
    tree: Ints
    copied: Ints
    km: Floats
    parts: Floats
    light: Ints
    node: Ints


def _even(ids: pd.Index, what: str, draw: int) -> Floats:
    """Return a number between 0 and 1 for each light: by its name, ever the same."""
    key = f"{what}{draw:015d}"
    drawn = pd.util.hash_array(ids.to_numpy(object), hash_key=key, categorize=False)
    even = (drawn >> np.uint64(11)).astype(float) / 2.0**53
    return np.asarray(np.clip(even, 1e-12, 1 - 1e-12))


def _moved(ids: pd.Index, draw: int) -> Floats:
    """Return by how much each light is moved in a draw, east and north [m]."""
    even = np.column_stack([_even(ids, axis, draw) for axis in "en"])
    moved: Floats = MOVED_M * ndtri(even)
    return moved


def _too_many(hangs: Ints, free: Ints, most: Floats) -> Flags:
    """Tell where a draw must end a feed, lest it have more lights than any has.

    Parameters
    ----------
    hangs
        What each light without a circuit hangs on; -1: nothing.
    free
        Their positions.
    most
        For each how many lights a feed that begins there may have.
    """
    position = np.full(max(int(free.max()), int(hangs.max())) + 2, -1)
    position[free] = np.arange(len(free))
    above = position[hangs]
    lights, over = np.ones(len(free)), np.zeros(len(free), dtype=bool)
    for level in Forest(above).levels[:0:-1]:
        over[level] = lights[level] >= most[level]
        kept = level[~over[level]]
        np.add.at(lights, above[kept], lights[kept])
    return over


def _fed_by(found: Around, draw: int, known: int) -> tuple[Ints, Floats]:
    """Return what each light hangs on in a draw, -1 where a feed begins, and how far.

    Lights of circuits on record (the first ``known``) hang on nothing here.
    """
    n = len(found.at)
    one, other = found.edges
    moved = _moved(found.grid.light_ids[found.at], draw)
    place = found.place + moved
    road = found.road
    way = np.hypot(*(place[one] - place[other]).T) + 0.1
    way += OTHER_STREET_M * (road[one] != road[other])
    every = np.arange(n)
    start = np.where(every < known, 1e-6, 1e6 * (2 + moved[:, 0] / 1e3))
    tree = spanning(
        np.concatenate([one, every]),
        np.concatenate([other, np.full(n, n)]),
        np.concatenate([way, start]),
        n + 1,
    )
    _, above = breadth_first_order(tree.tocsr(), n, directed=False)
    above = np.where(above[:n] == n, -1, above[:n]).astype(np.int64)
    away = np.hypot(*(found.place - found.place[np.maximum(above, 0)]).T)
    return above, np.where(above >= 0, away, 0.0)


@dataclass(frozen=True)
class _Draw:
    """One draw of all windows; nodes are numbered from ``base`` on.

    Sources of the windows first, then the circuits on record, then what is not.
    """

    found: Around
    wired: Wiring
    parting: Parting
    draw: int
    base: int

    @cached_property
    def windows(self) -> int:
        return int(self.found.window.max()) + 1

    @cached_property
    def free(self) -> Ints:
        """Lights without a circuit."""
        return np.flatnonzero(self.found.unknown)

    @cached_property
    def chosen(self) -> Ints:
        """The tree of each circuit on record in this draw."""
        first = np.searchsorted(
            self._by_circuit[1], np.arange(len(self.found.circuits))
        )
        many = np.bincount(self.wired.tree_circuit, minlength=len(self.found.circuits))
        tree: Ints = self._by_circuit[0][first + self.draw % np.maximum(many, 1)]
        return tree

    @cached_property
    def _by_circuit(self) -> tuple[Ints, Ints]:
        order = np.argsort(self.wired.tree_circuit, kind="stable")
        return order, self.wired.tree_circuit[order]

    @cached_property
    def copies(self) -> Ints:
        """Nodes of the wiring on record that are in this draw."""
        if not len(self.found.circuits):
            return np.zeros(0, dtype=np.int64)
        return np.flatnonzero(np.isin(self.wired.tree, self.chosen))

    @cached_property
    def node(self) -> Ints:
        """For each light its node."""
        begun, wired = self.base + self.windows, self.wired
        number = np.full(len(wired.tree) + 1, -1)
        number[self.copies] = begun + np.arange(len(self.copies))
        node = np.full(len(self.found.at), -1)
        mine = np.flatnonzero(number[wired.node] >= 0)
        node[wired.light[mine]] = number[wired.node[mine]]
        node[self.free] = begun + len(self.copies) + np.arange(len(self.free))
        return node

    @cached_property
    def copied_window(self) -> Ints:
        circuit = self.wired.tree_circuit[self.wired.tree[self.copies]]
        window: Ints = self.found.window_of[circuit]
        return window

    @cached_property
    def hangs(self) -> tuple[Ints, Floats]:
        """What each light without a circuit hangs on, and how far away [m]."""
        known = len(self.found.at) - len(self.free)
        above, metres = _fed_by(self.found, self.draw, known)
        return above[self.free], metres[self.free]

    def parent(self) -> Ints:
        """Return the node upstream of each."""
        begun, above = self.base + self.windows, self.wired.forest.parent[self.copies]
        on_record = begun + np.searchsorted(self.copies, above)
        source = self.base + self.copied_window
        hangs, free = self.hangs[0], self.base + self.found.window[self.free]
        return np.concatenate(
            [
                np.full(self.windows, -1),
                np.where(above >= 0, on_record, source),
                np.where(hangs >= 0, self.node[hangs], free),
            ]
        )

    def tree(self) -> Ints:
        """Return the tree of each."""
        sources, free = np.arange(self.windows), self.found.window[self.free]
        window = np.concatenate([sources, self.copied_window, free])
        return window * DRAWS + self.draw

    def copied(self) -> Ints:
        """Return the node of the wiring on record that each stands for."""
        none = [np.full(n, -1) for n in (self.windows, len(self.free))]
        return np.concatenate([none[0], self.copies, none[1]])

    def km(self) -> Floats:
        """Return the length of the stretch into each."""
        free = np.maximum(self.hangs[1] / 1000.0, SHORTEST_KM)
        return np.concatenate(
            [np.zeros(self.windows), self.wired.km[self.copies], free]
        )

    def parts(self) -> Floats:
        """Return the chance that a feed begins at each; 1 where the draw ends."""
        road, feed = self.found.road, self.found.feed
        hangs, metres = self.hangs
        street = road[self.free] != road[hangs]
        chance = self.parting.chance(metres, street, self.draw)
        one, other = feed[self.free], feed[hangs]
        two = (one != other) & (one != "") & (other != "")
        chance = np.where(two, np.maximum(chance, OTHER_FEED), chance)
        given = np.zeros(self.windows + len(self.copies))
        over = _too_many(hangs, self.free, self._most())
        return np.concatenate([given, np.where((hangs < 0) | over, 1.0, chance)])

    def _most(self) -> Floats:
        """Return for each light how many may hang on a feed that begins there."""
        even = _even(
            self.found.grid.light_ids[self.found.at[self.free]], "m", self.draw
        )
        most: Floats = self.parting.most * (0.5 + even / 2)
        return most


def drawn(found: Around, wired: Wiring) -> Drawn:
    """Draw how the lights of windows may be fed.

    Parameters
    ----------
    found
        The windows.
    wired
        The wiring of their circuits on record.
    """
    counted, draws, base = parting(found.grid), [], 0
    for number in range(DRAWS):
        draws.append(_Draw(found, wired, counted, number, base))
        base += draws[-1].windows + len(draws[-1].copies) + len(draws[-1].free)
    every = np.arange(len(found.at))
    return Drawn(
        Forest(np.concatenate([one.parent() for one in draws])),
        np.concatenate([one.tree() for one in draws]),
        np.concatenate([one.copied() for one in draws]),
        np.concatenate([one.km() for one in draws]),
        np.concatenate([one.parts() for one in draws]),
        np.concatenate([every] * DRAWS),
        np.concatenate([one.node for one in draws]),
    )
