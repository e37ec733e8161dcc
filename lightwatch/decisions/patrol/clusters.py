"""Lights without a roads file: clusters, each walked through, straight legs between."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from lightwatch.decisions.patrol.network import (
    OFF_NETWORK_KMH,
    Floats,
    Ints,
    Network,
    metres,
)
from lightwatch.store.frames import filled

ACROSS_M = 250.0
"""About how far a cluster reaches [m]."""

_NEIGHBOURS = 12


def _cells(lights: pd.DataFrame) -> pd.Series[int]:
    """Return the square of the map in which each light stands."""
    middle = float(np.radians(lights["latitude"].mean()))
    metres_per_degree = 111_195.0
    x = lights["longitude"] * metres_per_degree * np.cos(middle) / ACROSS_M
    y = lights["latitude"] * metres_per_degree / ACROSS_M
    return np.floor(x).astype(int) * 10_000_019 + np.floor(y).astype(int)


def _in_order(places: Floats) -> Ints:
    """Return lights in order along the line on which they scatter most."""
    centred = places - places.mean(axis=0)
    centred[:, 0] *= np.cos(np.radians(places[:, 1].mean()))
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    order: Ints = np.argsort(centred @ axes[0], kind="stable")
    return order


def clusters(
    lights: pd.DataFrame, depot: tuple[float, float]
) -> tuple[Network, pd.Series[int]]:
    """Return a network of clusters of lights, and the part on which each light lies.

    Each cluster is one part, from its first light to its last; parts without lights
    are straight legs to the nearest clusters, with no road to name.

    Parameters
    ----------
    lights
        ``light_id``, ``road_id``, ``longitude``, ``latitude`` [degrees].
    depot
        Longitude and latitude [degrees].
    """
    named = lights["road_id"].where(lights["road_id"] != "", np.nan)
    group = filled(named, _cells(lights).astype(str).radd("cell "))
    codes, _ = pd.factorize(group)
    places = lights[["longitude", "latitude"]].to_numpy(float)
    lines, lengths = [], []
    for code in range(codes.max() + 1):
        own = places[codes == code]
        line = own[_in_order(own)]
        lines.append([(float(x), float(y)) for x, y in line])
        lengths.append(float(metres(line[:-1], line[1:]).sum()) if len(line) > 1 else 0)
    count = len(lines)
    ends = [point for line in lines for point in (line[0], line[-1])]
    junctions = np.array([*ends, depot], dtype=float)
    tails, heads = _links(junctions)
    straight = metres(junctions[tails], junctions[heads])
    made = Network(
        places=junctions,
        tail=np.concatenate([2 * np.arange(count), tails]),
        head=np.concatenate([2 * np.arange(count) + 1, heads]),
        road_id=np.full(count + len(tails), "", dtype=object),
        length_m=np.concatenate([np.maximum(lengths, 1.0), straight]),
        kmh=np.full(count + len(tails), OFF_NETWORK_KMH),
        one_way=np.zeros(count + len(tails), dtype=bool),
        closed=np.zeros(count + len(tails), dtype=bool),
        lines=[
            *lines,
            *(
                [tuple(junctions[a]), tuple(junctions[b])]
                for a, b in zip(tails, heads, strict=True)
            ),
        ],
        names={},
    )
    return made, pd.Series(codes, index=lights["light_id"].to_numpy())


def _links(junctions: Floats) -> tuple[Ints, Ints]:
    """Join each junction to its nearest and all to the last, so that all hang on."""
    most = min(_NEIGHBOURS + 1, len(junctions))
    flat = junctions * [np.cos(np.radians(junctions[:, 1].mean())), 1.0]
    _, near = cKDTree(flat).query(flat, k=most)
    tails = np.repeat(np.arange(len(junctions)), most)
    depot = len(junctions) - 1
    tails = np.concatenate([tails, np.arange(depot)])
    heads = np.concatenate([near.ravel(), np.full(depot, depot)])
    low, high = np.minimum(tails, heads), np.maximum(tails, heads)
    pairs = np.unique(np.column_stack([low, high])[low != high], axis=0)
    return pairs[:, 0], pairs[:, 1]
