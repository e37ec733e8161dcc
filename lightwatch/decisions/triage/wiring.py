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
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

from lightwatch.decisions.triage.tree import Forest
from lightwatch.register import Register
from lightwatch.register.register import EARTH_RADIUS_M

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

_SHORTEST_KM = 0.005


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
    section_id
        For each node its section; '' for sources and inferred stretches.
    km
        For each node the length of the stretch into it; 0 for sources.
    light, node
        Pairs: position of a light among those given, and the node it hangs on.
    inferred
        For each circuit whether the order of its lights is inferred.
    """

    forest: Forest
    tree_circuit: Ints
    tree: Ints
    section_id: NDArray[np.object_]
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
    section_id: list[NDArray[np.object_]] = field(default_factory=list)
    km: list[Floats] = field(default_factory=list)
    light: list[Ints] = field(default_factory=list)
    node: list[Ints] = field(default_factory=list)
    size: int = 0

    def add(
        self,
        parent: Ints,
        tree: Ints,
        section_id: NDArray[np.object_],
        km: Floats,
    ) -> None:
        self.parent.append(parent)
        self.tree.append(tree)
        self.section_id.append(section_id)
        self.km.append(km)
        self.size += len(parent)

    def hang(self, light: Ints, node: Ints) -> None:
        self.light.append(light)
        self.node.append(node)


def metres(lights: pd.DataFrame) -> Floats:
    """Return positions east and north of their middle [m]: shape (n, 2)."""
    place = np.radians(lights[["longitude", "latitude"]].to_numpy(float))
    middle = place.mean(axis=0) if len(place) else np.zeros(2)
    away = (place - middle) * EARTH_RADIUS_M
    return np.asarray(away * np.array([np.cos(middle[1]), 1.0]))


def _nearest_placed(lights: pd.DataFrame, node: Floats) -> Floats:
    """Hang a light without a section where its nearest neighbour hangs."""
    lost = np.isnan(node)
    if not lost.any() or lost.all():
        return node
    place = metres(lights)
    circuits = lights["circuit"].to_numpy()
    found = node.copy()
    for i in np.flatnonzero(lost):
        same = np.flatnonzero((circuits == circuits[i]) & ~lost)
        if len(same):
            away = ((place[same] - place[i]) ** 2).sum(axis=1)
            found[i] = node[same[np.argmin(away)]]
    return found


def _recorded(
    drawing: _Drawing, register: Register, lights: pd.DataFrame, circuits: list[str]
) -> None:
    """Draw the trees on record of some circuits; their trees come first."""
    number = {name: i for i, name in enumerate(circuits)}
    sections = register.known.sections
    sections = sections[sections["circuit_id"].isin(number)]
    trees = len(circuits)
    drawing.add(
        np.full(trees, -1),
        np.arange(trees),
        np.full(trees, "", dtype=object),
        np.zeros(trees),
    )
    ids = sections["section_id"].to_numpy(object)
    tree = sections["circuit_id"].map(number).to_numpy(int)
    node = dict(zip(ids, trees + np.arange(len(ids)), strict=True))
    above = sections["upstream_section_id"].map(node).to_numpy(float)
    parent = np.where(np.isnan(above), tree, above).astype(int)
    km = sections["length_m"].to_numpy(float) / 1000.0
    drawing.add(parent, tree, ids, np.where(km > 0, km, _SHORTEST_KM))
    at = _nearest_placed(lights, lights["section_id"].map(node).to_numpy(float))
    source = lights["circuit_id"].map(number).to_numpy(int)
    drawing.hang(
        lights["row"].to_numpy(int), np.where(np.isnan(at), source, at).astype(int)
    )


def _spanning(
    place: Floats, street: NDArray[np.object_], root: int
) -> tuple[Ints, Floats]:
    """Return parents and lengths [m] of the spanning tree from one light."""
    apart = np.sqrt(((place[:, None] - place[None]) ** 2).sum(axis=2))
    other = street[:, None] != street[None, :]
    way = np.maximum(apart, 0.1) + OTHER_STREET_M * other
    tree = minimum_spanning_tree(np.triu(way, 1))
    _, parent = breadth_first_order(tree, root, directed=False)
    length = np.where(parent >= 0, apart[np.arange(len(place)), parent], 0.0)
    return parent, length


def _root(
    lights: pd.DataFrame, place: Floats, source: Floats, rng: np.random.Generator
) -> int:
    """Return the light nearest the source; any, where that is not located."""
    if np.isfinite(source).all():
        both = lights[["longitude", "latitude"]].copy()
        both.loc[-1] = source
        at = metres(both)
        return int(np.argmin(((at[:-1] - at[-1]) ** 2).sum(axis=1)))
    return int(rng.integers(len(place)))


def _inferred(
    drawing: _Drawing, register: Register, lights: pd.DataFrame, first_tree: int
) -> list[int]:
    """Draw trees over positions; return the circuit of each."""
    sources = register.known.circuits.set_index("circuit_id")[["longitude", "latitude"]]
    nowhere = np.full(2, np.nan)
    owners: list[int] = []
    for (circuit, name), some in lights.groupby(["circuit", "circuit_id"], sort=True):
        rng = np.random.default_rng(zlib.crc32(str(name).encode()))
        place, street = metres(some), some["road_id"].to_numpy(object)
        source = nowhere
        if name in sources.index:
            source = sources.loc[name].to_numpy(float)
        for _ in range(DRAWS if len(some) > 1 else 1):
            moved = place + rng.normal(0.0, MOVED_M, place.shape)
            root = _root(some, moved, source, rng)
            parent, length = _spanning(moved, street, root)
            tree, base = first_tree + len(owners), drawing.size
            above = np.where(parent >= 0, base + 1 + parent, base)
            drawing.add(
                np.concatenate([[-1], above]).astype(int),
                np.full(len(some) + 1, tree),
                np.full(len(some) + 1, "", dtype=object),
                np.concatenate([[0.0], np.maximum(length / 1000.0, _SHORTEST_KM)]),
            )
            drawing.hang(some["row"].to_numpy(int), base + 1 + np.arange(len(some)))
            owners.append(int(str(circuit)))
    return owners


def wiring(register: Register, circuits: list[str], lights: pd.DataFrame) -> Wiring:
    """Draw the supply trees of some circuits.

    Parameters
    ----------
    register
        Sections and sources as known on a day.
    circuits
        Identifiers; the circuits asked for.
    lights
        The lights on them: rows of ``register.standing``, in any order.
    """
    number = {name: i for i, name in enumerate(circuits)}
    lights = lights.reset_index(drop=True)
    lights = lights.assign(
        row=np.arange(len(lights)), circuit=lights["circuit_id"].map(number)
    )
    owner = register.known.sections.set_index("section_id")["circuit_id"]
    placed = lights["section_id"].map(owner) == lights["circuit_id"]
    share = placed.groupby(lights["circuit_id"]).mean()
    on_record = [name for name in circuits if share.get(name, 1.0) >= ENOUGH]
    known = lights["circuit_id"].isin(set(on_record))
    drawing = _Drawing()
    _recorded(
        drawing,
        register,
        lights[known].assign(section_id=lights["section_id"].where(placed, "")[known]),
        on_record,
    )
    owners = _inferred(drawing, register, lights[~known], len(on_record))
    inferred = np.ones(len(circuits), dtype=bool)
    inferred[[number[name] for name in on_record]] = False
    return Wiring(
        Forest(np.concatenate(drawing.parent).astype(int)),
        np.array([*(number[name] for name in on_record), *owners], dtype=int),
        np.concatenate(drawing.tree).astype(int),
        np.concatenate(drawing.section_id),
        np.concatenate(drawing.km),
        np.concatenate(drawing.light).astype(int),
        np.concatenate(drawing.node).astype(int),
        inferred,
    )
