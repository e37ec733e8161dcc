"""Invented street networks for the figures of the patrol: roads, lamps, what is known.

A bent grid with streets missing, arterials, one-way streets and dead ends. Districts
differ in how old their gear is and in when they were last patrolled, streets in whether
anybody reports; none of it is tuned to a planner.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from shapely import LineString

from lightwatch.decisions.patrol.chances import Since, chance, silent_odds
from lightwatch.decisions.patrol.network import Network, network
from lightwatch.decisions.patrol.problem import Tasks

BLOCK_DEG = 0.0016
LAMP_EVERY_M = 27.0
HIT = 0.9
LOOK_KMH = 25.0
MIDDLE = (15.6, 47.3)


@dataclass(frozen=True)
class City:
    """A network, its streets as tasks, and the truth of each lamp.

    Parameters
    ----------
    street
        Task of each lamp.
    hazard, reported
        Of each lamp [1/day].
    seen_days
        Since each lamp was last known lit [days].
    out
        Chance that each lamp is out with nobody knowing.
    """

    net: Network
    tasks: Tasks
    depot: int
    street: np.ndarray
    hazard: np.ndarray
    reported: np.ndarray
    seen_days: np.ndarray
    out: np.ndarray


def _roads(side: int, rng: np.random.Generator) -> gpd.GeoDataFrame:
    east, north = np.meshgrid(np.arange(side), np.arange(side), indexing="ij")
    bend = rng.normal(0, 0.14, (2, side, side))
    x = MIDDLE[0] + (east + bend[0]) * BLOCK_DEG * 1.4
    y = MIDDLE[1] + (north + bend[1]) * BLOCK_DEG
    rows = []
    for i in range(side):
        for j in range(side):
            for di, dj in ((1, 0), (0, 1)):
                k, m = i + di, j + dj
                if k >= side or m >= side:
                    continue
                arterial = (j % 8 == 0) if di else (i % 8 == 0)
                if not arterial and rng.random() < 0.12:
                    continue
                rows.append(
                    {
                        "road_id": f"R{len(rows):05}",
                        "name": "",
                        "class": "arterial" if arterial else "residential",
                        "speed_kmh": "50" if arterial else "30",
                        "one_way": str(not arterial and rng.random() < 0.08),
                        "geometry": LineString(
                            [(x[i, j], y[i, j]), (x[k, m], y[k, m])]
                        ),
                    }
                )
    return gpd.GeoDataFrame(rows, crs="EPSG:4326")


def _district(places: np.ndarray, rng: np.random.Generator, side: int) -> np.ndarray:
    """Cut the city into districts of about 200 streets."""
    count = max(side * side // 100, 4)
    centres = places[rng.integers(len(places), size=count)]
    away = ((places[:, None, :] - centres[None]) ** 2).sum(axis=2)
    return np.asarray(away.argmin(axis=1))


def city(side: int, seed: int) -> City:
    """Return an invented city; side 41 has about 3,000 streets, 129 about 30,000."""
    rng = np.random.default_rng(seed)
    net = network(_roads(side, rng))
    middle = (net.places[net.tail] + net.places[net.head]) / 2
    district = _district(middle, rng, side)
    lamps = np.maximum(rng.poisson(net.length_m / LAMP_EVERY_M), 1)
    street = np.repeat(np.arange(len(lamps)), lamps)
    old = rng.gamma(1.5, 1 / 1.5, district.max() + 1)[district]
    own = rng.gamma(2.0, 0.5, len(lamps))
    hazard = (0.06 * old * own)[street] * rng.gamma(2.0, 0.5, len(street)) / 365.25
    told = (0.012 * rng.lognormal(0, 0.7, len(lamps)))[street]
    seen = rng.uniform(10, 400, district.max() + 1)[district][street]
    seen = seen + rng.uniform(0, 5, len(street))
    nobody = np.empty(0)
    since = Since(-seen, np.zeros(len(seen)), nobody.astype(np.int64), nobody)
    out = chance(silent_odds(since, 0.0, hazard, told, HIT))
    depot = net.nearest(
        (
            MIDDLE[0] + rng.uniform(0.3, 0.7) * side * BLOCK_DEG * 1.4,
            MIDDLE[1] + rng.uniform(0.3, 0.7) * side * BLOCK_DEG,
        )
    )[0]
    main = net.in_main()
    depot = depot if main[depot] else int(np.flatnonzero(main)[0])
    tasks = Tasks(
        part=np.arange(len(lamps)),
        forward=np.ones(len(lamps), dtype=bool),
        back=~net.one_way,
        worth=HIT * np.bincount(street, out, minlength=len(lamps)),
        look_s=net.length_m / (np.minimum(net.kmh, LOOK_KMH) / 3.6),
        must=np.zeros(len(lamps), dtype=np.int64),
    )
    keep = np.flatnonzero(net.together(depot))
    position = np.full(len(lamps), -1)
    position[keep] = np.arange(len(keep))
    lit = position[street] >= 0
    return City(
        net, tasks.chosen(keep), depot, position[street][lit],
        hazard[lit], told[lit], seen[lit], out[lit],
    )  # fmt: skip
