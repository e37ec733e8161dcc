"""Circuits judged: which fault keeps which lights dark, with which probability."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.triage.channel import DARKNESS, Channel
from lightwatch.decisions.triage.crews import Tests
from lightwatch.decisions.triage.evidence import night_edges, weigh
from lightwatch.decisions.triage.experience import YEAR_NIGHTS, Experience
from lightwatch.decisions.triage.grid import ALONE, Grid
from lightwatch.decisions.triage.next_test import SOURCE, WRONG_READING
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.tree import Faults, Forest, fault_evidence, faults
from lightwatch.decisions.triage.wiring import Wiring, wiring

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

INFERRED = "inferred"
"""Names the dark part of a circuit whose order is inferred."""

LEAST = 0.01
"""Sections with a lower probability are not named."""


@dataclass(frozen=True)
class CircuitJudged:
    """What is believed of one circuit with n lights.

    Parameters
    ----------
    circuit_id, inferred
        ``inferred``: the order of its lights is read off the map, or what is faulted
        is rather a stretch that is not on record.
    light_ids
        Its lights in service.
    shared
        Probability of a fault that keeps two lights or more dark.
    group, supply
        Probability that its group photocontrol, its main supply or main fuse is what
        keeps its lights dark.
    sections
        By section, the probability that it is faulted and nothing nearer the source.
    dark
        Shape (n,): dark by a fault that is not its own.
    own
        Shape (n,): dark by itself. What is missing to 1 is: lit.
    stretch
        For each light the dark stretch that it lies on, '' for none: its nearest
        section to the source beyond which all is rather dark than not.
    onset
        Shape (K,): probability of each bin of onset of a fault shared by two or more.
    beside
        Of lights on no circuit on record: other such lights near them.
    """

    circuit_id: str
    inferred: bool
    light_ids: tuple[str, ...]
    shared: float
    group: float
    supply: float
    sections: dict[str, float]
    dark: Floats
    own: Floats
    stretch: tuple[str, ...]
    onset: Floats
    beside: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Its name in the grid: of a light on no circuit, one made up."""
        return self.circuit_id or ALONE + self.light_ids[0]

    @property
    def began(self) -> float | None:
        """Nights before the time of judging at which a shared fault began, about."""
        total = self.onset.sum()
        if total <= 0:
            return None
        edges = night_edges()
        middle = int(np.searchsorted(np.cumsum(self.onset), total / 2))
        return float(edges[middle] + edges[middle + 1]) / 2

    def likely_sections(self) -> tuple[tuple[str, float], ...]:
        """Sections by probability that they are at fault, highest first."""
        found = [pair for pair in self.sections.items() if pair[1] >= LEAST]
        return tuple(sorted(found, key=lambda pair: (-pair[1], pair[0])))


@dataclass(frozen=True)
class Hazards:
    """Odds of failing per night, by node; of sources in two parts."""

    per_night: Floats
    group_share: Floats
    """By tree: of the source's hazard, the part of the group photocontrol."""


def circuit_hazards(
    signs: Signs, known: Experience, wired: Wiring, circuits: Ints, channel: Channel
) -> Hazards:
    """Return the hazards of the wiring of some circuits, as a channel shows them."""
    feed = signs.feed_rates(known)
    group = np.append(feed.group, 0.0)[circuits] * known.shows(
        "group", channel.symptoms
    )
    supply = feed.supply[circuits] * channel.by_feed
    on_record = np.append(feed.section, np.nan)[wired.section]
    usual = (known.usual_per_km_year + known.damage_per_km_year) * wired.km
    yearly = np.where(np.isnan(on_record), usual, on_record) * channel.by_feed
    both = (group + supply)[wired.tree_circuit]
    yearly[wired.source] = both
    share = np.divide(
        group[wired.tree_circuit], both, out=np.zeros(len(both)), where=both > 0
    )
    return Hazards(yearly / YEAR_NIGHTS, share)


def log_reading(dead: bool, age: float, edges: Floats) -> Floats:
    """Return the log-likelihood of one reading, by the onset of a feed that is dead.

    Parameters
    ----------
    dead, age
        What was read, so many nights before the time of judging.
    edges
        Shape (K + 1,): edges of the onset bins, in nights before now, oldest first.

    Returns
    -------
    numpy.ndarray
        Shape (K + 1,): dead since bin k, or (last) not at all.
    """
    before = np.clip((edges[:-1] - age) / -np.diff(edges), 0.0, 1.0)
    is_dead = np.append(before, 0.0)
    says_dead = is_dead * (1 - WRONG_READING) + (1 - is_dead) * WRONG_READING
    found: Floats = np.log(says_dead if dead else 1 - says_dead)
    return found


def node_readings(wired: Wiring, circuits: Ints, tests: Tests, edges: Floats) -> Floats:
    """Return the log-likelihood of voltage readings: shape (nodes, K + 1)."""
    seen = np.zeros((len(wired.tree), len(edges)))
    on_section = (tests.section >= 0) & np.isin(tests.section, wired.section)
    at_source = (tests.section < 0) & np.isin(tests.circuit, circuits)
    for i in np.flatnonzero((tests.light >= 0) | on_section | at_source):
        if tests.light[i] >= 0:
            nodes = wired.node[wired.light == tests.light[i]]
        elif on_section[i]:
            nodes = np.flatnonzero(wired.section == tests.section[i])
        else:
            nodes = wired.source[circuits[wired.tree_circuit] == tests.circuit[i]]
        seen[nodes] += log_reading(bool(tests.dead[i]), float(tests.age[i]), edges)
    return seen


def tree_weights(wired: Wiring, log_evidence: Floats, circuits: int) -> Floats:
    """Return what each tree counts among those of its circuit: its evidence."""
    best = np.full(circuits, -np.inf)
    np.maximum.at(best, wired.tree_circuit, log_evidence)
    weight = np.exp(log_evidence - best[wired.tree_circuit])
    total = np.bincount(wired.tree_circuit, weight, circuits)
    counts: Floats = weight / total[wired.tree_circuit]
    return counts


def top_dark(forest: Forest, dark: Floats) -> Ints:
    """Return for each node the first on its way from the source that is dark; -1."""
    top = np.where((forest.parent < 0) & (dark > 0.5), np.arange(len(dark)), -1)
    for level in forest.levels[1:]:
        above = top[forest.parent[level]]
        own = np.where(dark[level] > 0.5, level, -1)
        top[level] = np.where(above >= 0, above, own)
    return top


def _stretches(
    grid: Grid, wired: Wiring, found: Faults, dark: Floats, n: int
) -> list[str]:
    """Name for each light the dark stretch that it lies on."""
    top = top_dark(wired.forest, found.dark)[wired.node]
    ids = np.append(grid.section_ids.to_numpy(object), "")
    name = np.where(top >= 0, ids[wired.section[top]], "")
    name[(top >= 0) & (wired.section[top] < 0)] = INFERRED
    name[(top >= 0) & (wired.forest.parent[top] < 0)] = SOURCE
    names = np.full(n, "", dtype=object)
    names[wired.light] = name
    inferred = np.zeros(n, dtype=bool)
    inferred[wired.light] = wired.inferred[wired.tree_circuit[wired.tree[wired.node]]]
    by_map = np.where(dark > 0.5, INFERRED, "")
    return [str(one) for one in np.where(inferred, by_map, names)]


def judge(
    signs: Signs,
    known: Experience,
    circuits: Sequence[str],
    channel: Channel = DARKNESS,
) -> list[CircuitJudged]:
    """Judge some circuits: the exact posterior over all sets of faults on each.

    Parameters
    ----------
    signs
        All that was observed, as known at the time of judging.
    known
        Rates from the records.
    circuits
        Identifiers; those without lights in service are left out.
    channel
        Which symptoms are judged.
    """
    grid = signs.grid
    asked = np.unique(grid.circuits.get_indexer(pd.Index(circuits, dtype=object)))
    asked = asked[asked >= 0]
    at, owner = grid.lights_of.pick(asked)
    if not len(at):
        return []
    wired = wiring(grid, asked, at)
    seen, looks, tests, again = signs.observed(at, known, channel)
    edges = night_edges()
    nights = -np.diff(edges)
    weighed = weigh(seen, looks, edges, again)
    hazards = circuit_hazards(signs, known, wired, asked, channel)
    of_lights = np.column_stack([weighed.shared, np.zeros(len(at))])
    at_nodes = wired.forest.gather(wired.node, of_lights[wired.light])
    if channel.by_feed:
        at_nodes += node_readings(wired, asked, tests, edges)
    found = faults(wired.forest, at_nodes, hazards.per_night, nights)
    lights_at = np.bincount(wired.node, minlength=len(wired.tree)).astype(float)
    several = wired.forest.beyond(lights_at) >= 2
    alone = np.where(several, 0.0, hazards.per_night)
    without = fault_evidence(wired.forest, at_nodes, alone, nights)
    evidence = found.log_evidence[wired.source]
    weight = tree_weights(wired, evidence, len(asked))

    def of_circuits(values: Floats) -> Floats:
        summed: Floats = np.bincount(
            wired.tree_circuit, weight * values, len(asked)
        ).astype(float)
        return summed

    dark = np.bincount(
        wired.light,
        found.dark[wired.node] * weight[wired.tree[wired.node]],
        len(at),
    ).astype(float)
    shared = -np.expm1(np.minimum(without[wired.source] - evidence, 0.0))
    root = found.at_fault[wired.source]
    onset = np.zeros((len(asked), len(nights)))
    of_node = several * weight[wired.tree]
    np.add.at(onset, wired.tree_circuit[wired.tree], found.onset * of_node[:, None])
    off_record = several & (wired.section < 0) & (wired.forest.parent >= 0)
    beyond = weight[wired.tree] * found.at_fault * off_record
    unnamed = np.bincount(wired.tree_circuit[wired.tree], beyond, len(asked))
    own = (1 - dark) * weighed.own_if_fed
    stretch = _stretches(grid, wired, found, dark, len(at))
    sections = _sections(grid, wired, found.at_fault)
    begun = np.searchsorted(owner, np.arange(len(asked) + 1))
    shared, group, supply = map(
        of_circuits,
        (shared, root * hazards.group_share, root * (1 - hazards.group_share)),
    )
    ids, names = grid.light_ids.to_numpy(object)[at], grid.circuits[asked]
    return [
        CircuitJudged(
            "" if names[i].startswith(ALONE) else str(names[i]),
            bool(wired.inferred[i] or unnamed[i] > shared[i] / 2),
            tuple(ids[row]),
            float(shared[i]),
            float(group[i]),
            float(supply[i]),
            sections.get(i, {}),
            dark[row],
            own[row],
            tuple(stretch[row]),
            onset[i],
        )
        for i, row in enumerate(map(slice, begun[:-1], begun[1:]))
    ]


def _sections(
    grid: Grid, wired: Wiring, at_fault: Floats
) -> dict[int, dict[str, float]]:
    """Return for each circuit its sections on record and their probabilities."""
    node = np.flatnonzero(wired.section >= 0)
    ids = grid.section_ids.to_numpy(object)[wired.section[node]]
    owner = wired.tree_circuit[wired.tree[node]]
    return {
        int(circuit): dict(
            zip(
                ids[some],
                at_fault[node[some]].tolist(),
                strict=True,
            )
        )
        for circuit, some in pd.Series(owner).groupby(owner).indices.items()
    }
