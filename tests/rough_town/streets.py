"""Where lights hang and what feeds them, as it truly is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

LONGITUDE, LATITUDE = 2.0, 48.0
"""South-west corner of the town."""

CELL_M, STREET_M, SPACING_M = 420.0, 120.0, 38.0
LIGHTS_A_CIRCUIT = 30
TECHNOLOGIES = (("hps", 0.45), ("led", 0.40), ("mh", 0.15))
FEEDS = (("underground", 0.45), ("overhead", 0.47), ("mixed", 0.08))
GROUP_SHARE = 0.2
"""Share of circuits that one photocontrol switches."""


@dataclass(frozen=True)
class Streets:
    """The town as built: one section ends at each light."""

    x: Floats
    y: Floats
    """Metres east and north of the corner, per light."""

    circuit: Ints
    road: Ints
    up: Ints
    """Light at the near end of the section that ends at a light; -1: the source."""

    length: Floats
    """Of that section [m]."""

    construction: NDArray[np.object_]
    technology: NDArray[np.object_]
    built: Ints
    """Year in which a circuit was built."""

    feed: NDArray[np.object_]
    group: NDArray[np.bool_]
    district: Ints
    neighbourhood: Ints
    roads: pd.DataFrame
    """Both ends [m] and class, per road."""

    @property
    def lights(self) -> int:
        """How many lights there are."""
        return len(self.x)

    @property
    def circuits(self) -> int:
        """How many circuits there are."""
        return len(self.feed)

    def of_circuit(self, circuit: int) -> Ints:
        """Return the lights that a circuit feeds."""
        return np.flatnonzero(self.circuit == circuit)

    def beyond(self, section: int) -> Ints:
        """Return the lights at or beyond the far end of a section."""
        found, waiting = [section], [section]
        here = self.of_circuit(int(self.circuit[section]))
        while waiting:
            near = waiting.pop()
            more = here[self.up[here] == near].tolist()
            found += more
            waiting += more
        return np.array(sorted(found), dtype=np.int64)


def degrees(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return longitude and latitude of metres east and north."""
    per_degree = 111_195.0
    lon = LONGITUDE + x / (per_degree * np.cos(np.radians(LATITUDE)))
    return lon, LATITUDE + y / per_degree


def _sizes(rng: np.random.Generator, lights: int) -> Ints:
    sizes: list[int] = []
    while sum(sizes) < lights:
        sizes.append(int(np.clip(rng.lognormal(np.log(27), 0.45), 6, 90)))
    sizes[-1] = max(3, sizes[-1] - (sum(sizes) - lights))
    return np.array(sizes)


def _street(number: int, left: float, y: float, rng: np.random.Generator) -> Floats:
    width = CELL_M - 30.0
    along = (np.arange(number) + 0.5) * width / number
    return np.column_stack(
        (
            left + along + rng.normal(0, 2.5, number),
            y + np.where(np.arange(number) % 2, 5.0, -5.0),
        )
    )


def _fed_from(streets: list[Ints], x: Floats) -> dict[int, int]:
    """Return the light next nearer the source: along streets, over a spine."""
    up: dict[int, int] = {}
    hubs = [int(row[len(row) // 2]) for row in streets]
    middle = len(streets) // 2
    for i, (row, hub) in enumerate(zip(streets, hubs, strict=True)):
        ordered = row[np.argsort(x[row])].tolist()
        at = ordered.index(hub)
        for j, light in enumerate(ordered):
            if j < at:
                up[light] = ordered[j + 1]
            elif j > at:
                up[light] = ordered[j - 1]
        up[hub] = -1 if i == middle else hubs[i + 1 if i < middle else i - 1]
    return up


def _layout(rng: np.random.Generator, sizes: Ints) -> pd.DataFrame:
    """Return x, y, circuit, road and up of each light, circuits stacked in columns."""
    tall = np.maximum(1, np.round(sizes / 10)).astype(int)
    height = np.sqrt(tall.sum() * STREET_M * CELL_M)
    rows, up = [], {}
    left, low, light, road = 0.0, 0.0, 0, 0
    for circuit, (size, streets) in enumerate(zip(sizes, tall, strict=True)):
        if low > height:
            left, low = left + CELL_M, 0.0
        parts: list[Ints] = []
        places = []
        for some in np.array_split(np.arange(size), streets):
            here = _street(len(some), left, low, rng)
            places.append(here)
            parts.append(np.arange(light, light + len(some)))
            rows += [(px, py, circuit, road) for px, py in here]
            light, road, low = light + len(some), road + 1, low + STREET_M
        first = int(parts[0][0])
        x = np.concatenate(places)[:, 0]
        near = _fed_from([part - first for part in parts], x)
        up.update({k + first: v + first if v >= 0 else -1 for k, v in near.items()})
    frame = pd.DataFrame(rows, columns=["x", "y", "circuit", "road"])
    frame["up"] = [up[i] for i in range(len(frame))]
    return frame


def _roads(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    ends = frame.groupby("road").agg(
        x0=("x", "min"), x1=("x", "max"), y=("y", "mean")
    )  # fmt: skip
    ends["x0"] -= 12
    ends["x1"] += 12
    kinds = ["arterial", "collector", "residential"]
    ends["class"] = rng.choice(kinds, len(ends), p=[0.1, 0.2, 0.7])
    return ends


def _pick(
    rng: np.random.Generator, shares: tuple[tuple[str, float], ...], number: int
) -> NDArray[np.object_]:
    names = np.array([name for name, _ in shares], dtype=object)
    return names[rng.choice(len(names), number, p=[share for _, share in shares])]


def _construction(
    rng: np.random.Generator, feed: NDArray[np.object_], built: Ints
) -> NDArray[np.object_]:
    """Return the construction of sections, from their circuits' feed and year."""
    buried = np.where(feed == "underground", 1.0, np.where(feed == "mixed", 0.5, 0.0))
    under = rng.random(len(feed)) < buried
    duct = rng.random(len(feed)) < np.where(built > 1995, 0.8, 0.25)
    return np.where(
        ~under, "overhead", np.where(duct, "underground_duct", "underground_direct")
    ).astype(object)


def build(rng: np.random.Generator, lights: int) -> Streets:
    """Build a town."""
    sizes = _sizes(rng, lights)
    frame = _layout(rng, sizes)
    x, y = frame["x"].to_numpy(), frame["y"].to_numpy()
    circuit, up = frame["circuit"].to_numpy(), frame["up"].to_numpy()
    near = np.where(up >= 0, up, np.arange(len(up)))
    length = np.hypot(x - x[near], y - y[near]) * 1.05 + 3.0
    length[up < 0] = rng.uniform(8, 60, int((up < 0).sum()))
    circuits = len(sizes)
    built = rng.integers(1968, 2015, circuits)
    feed = _pick(rng, FEEDS, circuits)
    side = max(1.0, np.sqrt(len(x) / 450.0))
    blocks = np.ptp(x) / side + 1, np.ptp(y) / side + 1
    district = (x // blocks[0]) * 100 + y // blocks[1]
    neighbourhood = (x // 500) * 1000 + y // 450
    technology = _pick(rng, TECHNOLOGIES, circuits)[circuit]
    mixed = rng.random(len(x)) < 0.08
    technology[mixed] = _pick(rng, TECHNOLOGIES, int(mixed.sum()))
    return Streets(
        x, y, circuit, frame["road"].to_numpy(), up, length,
        _construction(rng, feed[circuit], built[circuit]), technology, built, feed,
        rng.random(circuits) < GROUP_SHARE,
        np.unique(district, return_inverse=True)[1],
        np.unique(neighbourhood, return_inverse=True)[1],
        _roads(frame, rng),
    )  # fmt: skip
