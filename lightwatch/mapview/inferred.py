"""Circuits whose sections are not on record: an order of lights read off the map.

The minimum spanning tree over the lights, from the source if it is located: the
shortest wiring that could feed them all. It is drawn grey, for it is no record.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree
from scipy.spatial.distance import cdist

from lightwatch.mapview.tree import Circuit, Point

_LEAST = 1e-9
"""Way between lights on one pole [degrees]; a way of 0 would be none."""


def inferred_lines(
    circuit: Circuit, dark: Collection[str] | None = None
) -> list[list[Point]]:
    """Return the ways along which the circuit's lights may be fed.

    Parameters
    ----------
    circuit
        With its lights; those without a place are left out.
    dark
        Lights whose way in is wanted; None: of all.
    """
    lights = [light for light in circuit.lights if light.point]
    points = [light.point for light in lights if light.point]
    names = [light.light_id for light in lights]
    if circuit.source_point:
        points, names = [circuit.source_point, *points], ["", *names]
    if len(points) < 2:
        return []
    place = np.array(points)
    flat = place * [np.cos(np.radians(place[:, 1].mean())), 1.0]
    tree = minimum_spanning_tree(np.triu(np.maximum(cdist(flat, flat), _LEAST), 1))
    order, parent = breadth_first_order(tree, 0, directed=False)
    return [
        [points[parent[i]], points[i]]
        for i in order[1:].tolist()
        if dark is None or names[i] in dark
    ]
