"""Circuits and their supply sections: which light hangs on which cable or line.

Lights are put in the order of their circuits. Section i is the one at whose far end
light i is tapped, so that lights and sections share their numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_city.days import Flags, Floats, Ints, Texts
from demo_city.geography import HOLM, OLD_TOWN, Positions, Streets
from demo_city.parameters import Parameters

LIGHT, CIRCUIT, SECTION = 0, 1, 2
"""Levels at which something can fail."""

SECTION_KINDS = ("overhead", "underground_direct", "underground_duct")
OVERHEAD, DIRECT, DUCT = range(3)
POWER_COMPANY, LANDLORD = "Vale Power", "Dockside Estates, Ltd"
FEED_SHARES = np.array(
    [
        [0.10, 0.70, 0.20],
        [0.65, 0.25, 0.10],
        [0.50, 0.20, 0.30],
        [0.20, 0.75, 0.05],
        [0.15, 0.10, 0.75],
        [0.00, 1.00, 0.00],
    ]
)
"""Share of circuits by district and section kind."""

LAID_YEARS = ((25, 45), (18, 40), (8, 25))
"""Age at opening of overhead, direct-buried, ducted sections, from and to [years]."""


@dataclass(frozen=True)
class Feeds:
    """All circuits and sections of the city.

    Parameters
    ----------
    circuit, upstream, length_m, kind, laid_years, depth
        One per section (and light): its circuit, the section next nearer the source
        or -1, length [m], place in SECTION_KINDS, age at opening [years], sections
        between it and the source.
    source_x, source_y, feed, group, volts, owner, district
        One per circuit: source [m], main kind of section, whether one photocontrol
        switches all, volts, owner of the feed (blank: us), district.
    mixed
        Circuits with more than one kind of section.
    starts, counts, lists
        By level: the lights that a light, circuit or section leaves dark.
    """

    circuit: Ints
    upstream: Ints
    length_m: Floats
    kind: Ints
    laid_years: Floats
    depth: Ints
    source_x: Floats
    source_y: Floats
    feed: Ints
    mixed: Flags
    group: Flags
    volts: Floats
    owner: Texts
    district: Ints
    starts: tuple[Ints, ...]
    counts: tuple[Ints, ...]
    lists: tuple[Ints, ...]

    def dark_count(self, level: Ints, holder: Ints) -> Ints:
        """Return how many lights each of these holders feeds."""
        found = np.zeros(holder.size, dtype=np.int64)
        for which in (LIGHT, CIRCUIT, SECTION):
            at = level == which
            found[at] = self.counts[which][holder[at]]
        return found

    def dark(self, level: Ints, holder: Ints) -> tuple[Ints, Ints]:
        """Return pairs: place in these arrays, light that the holder feeds."""
        count = self.dark_count(level, holder)
        place = np.repeat(np.arange(holder.size), count)
        step = np.arange(place.size) - np.repeat(np.cumsum(count) - count, count)
        return place, self._pick(level[place], holder[place], step)

    def any_dark(self, level: Ints, holder: Ints, rng: np.random.Generator) -> Ints:
        """Draw for each holder one of the lights that it feeds."""
        count = self.dark_count(level, holder)
        step = (rng.random(holder.size) * count).astype(np.int64)
        return self._pick(level, holder, step)

    def _pick(self, level: Ints, holder: Ints, step: Ints) -> Ints:
        found = np.zeros(holder.size, dtype=np.int64)
        for which in (LIGHT, CIRCUIT, SECTION):
            at = level == which
            place = self.starts[which][holder[at]] + step[at]
            found[at] = self.lists[which][place]
        return found


def group_lights(
    roads: Streets, lights: Positions, most_lights: int
) -> tuple[Positions, Ints]:
    """Put lights in the order of circuits: strips of neighbouring streets.

    Parameters
    ----------
    roads, lights
        The streets and their lights.
    most_lights
        Most lights on one circuit.

    Returns
    -------
    tuple
        The lights in that order, and the circuit of each.
    """
    block = roads.block[lights.road]
    strip = np.floor(lights.y / 115.0).astype(np.int64)
    sweep = np.where(strip % 2 == 0, lights.x, -lights.x)
    order = np.lexsort((sweep, strip, block))
    _, first, size = np.unique(block[order], return_index=True, return_counts=True)
    pieces = -(-size // most_lights)
    place = np.arange(order.size) - np.repeat(first, size)
    piece = place * np.repeat(pieces, size) // np.repeat(size, size)
    circuit = np.repeat(np.cumsum(pieces) - pieces, size) + piece
    return lights.take(order), circuit.astype(np.int64)


def _shortest_trees(
    lights: Positions, circuit: Ints, source: Floats
) -> tuple[Ints, Floats]:
    """Return upstream light (-1: the source) and length [m] of each section.

    Prim's algorithm [1]_, all circuits at once.

    References
    ----------
    .. [1] R. C. Prim, Bell System Technical Journal 36 (1957).
    """
    size = np.bincount(circuit)
    first = np.cumsum(size) - size
    most, rows = int(size.max()), np.arange(size.size)
    slot = np.arange(circuit.size) - first[circuit]
    x = np.full((size.size, most + 1), np.inf)
    y = np.zeros_like(x)
    x[circuit, slot + 1], y[circuit, slot + 1] = lights.x, lights.y
    x[:, 0], y[:, 0] = source[:, 0], source[:, 1]
    near = np.hypot(x - x[:, :1], y - y[:, :1])
    parent = np.zeros(x.shape, dtype=np.int64)
    length = np.zeros(x.shape)
    waiting = np.isfinite(x)
    waiting[:, 0] = False
    for _ in range(most):
        best = np.argmin(np.where(waiting, near, np.inf), axis=1)
        live = waiting[rows, best]
        length[rows[live], best[live]] = near[rows[live], best[live]]
        waiting[rows, best] = False
        reach = np.hypot(x - x[rows, best][:, None], y - y[rows, best][:, None])
        closer = waiting & (reach < near) & live[:, None]
        near = np.where(closer, reach, near)
        parent = np.where(closer, best[:, None], parent)
    upstream = parent[circuit, slot + 1]
    upstream = np.where(upstream > 0, first[circuit] + upstream - 1, -1)
    return upstream, length[circuit, slot + 1]


def _downstream(upstream: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """Return starts, counts and lists of the lights beyond each section, and depths."""
    section, light = [], []
    at = lights = np.arange(upstream.size)
    depth = np.zeros(upstream.size, dtype=np.int64)
    while at.size:
        section.append(at)
        light.append(lights)
        at = upstream[at]
        lights, at = lights[at >= 0], at[at >= 0]
        depth[lights] += 1
    sections, dark = np.concatenate(section), np.concatenate(light)
    order = np.lexsort((dark, sections))
    counts = np.bincount(sections, minlength=upstream.size)
    return np.cumsum(counts) - counts, counts, dark[order], depth


def _owners(
    parameters: Parameters, district: Ints, feed: Ints, rng: np.random.Generator
) -> Texts:
    """Return who owns each feed: us (blank), a landlord, or the power company."""
    owner = np.full(district.size, "", dtype=object)
    overhead = np.flatnonzero((feed == OVERHEAD) & (district != HOLM))
    count = round(parameters.foreign_feed_share * district.size)
    owner[rng.permutation(overhead)[:count]] = POWER_COMPANY
    left = np.flatnonzero((owner == "") & (district != HOLM))
    count = max(1, round(parameters.others_share * district.size))
    if parameters.others_share > 0:
        owner[left[-count:]] = LANDLORD
    return owner


def lay_feeds(
    parameters: Parameters,
    roads: Streets,
    lights: Positions,
    circuit: Ints,
    rng: np.random.Generator,
) -> Feeds:
    """Lay a tree of sections from one source to the lights of each circuit."""
    size = np.bincount(circuit)
    first = np.cumsum(size) - size
    middle = first + size // 2
    source = np.column_stack([lights.x[middle] + 7.0, lights.y[middle] + 6.0])
    district = roads.district[lights.road[middle]]
    upstream, length = _shortest_trees(lights, circuit, source)
    starts, counts, lists, depth = _downstream(upstream)
    steps = np.cumsum(FEED_SHARES, axis=1)[district]
    feed = (rng.random(size.size)[:, None] > steps[:, :2]).sum(axis=1)
    mixed = (rng.random(size.size) < parameters.mixed_share) & (size > 6)
    other = np.where(feed == OVERHEAD, DIRECT, OVERHEAD)
    tail = mixed[circuit] & (depth >= 3)
    mixed = np.bincount(circuit, tail, size.size) > 0
    kind = np.where(tail, other[circuit], feed[circuit])
    low, high = np.array(LAID_YEARS)[kind].T
    laid = low + (high - low) * rng.random(size.size)[circuit]
    renewed = rng.random(circuit.size) < 0.08
    laid = np.where(renewed, laid * rng.random(circuit.size), laid)
    everyone = np.arange(circuit.size)
    owner = _owners(parameters, district, feed, rng)
    arterial = roads.road_class[lights.road[middle]] == 0
    return Feeds(
        circuit, upstream, np.round(length * 1.12 + 2.0, 1), kind, laid, depth,
        source[:, 0], source[:, 1], feed, mixed,
        (rng.random(size.size) < parameters.group_share) & (owner == ""),
        np.where(arterial & (district != OLD_TOWN), 400.0, 230.0),
        owner, district,
        (everyone, first, starts),
        (np.ones_like(everyone), size, counts),
        (everyone, everyone, lists),
    )  # fmt: skip
