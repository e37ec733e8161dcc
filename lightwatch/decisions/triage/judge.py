"""Circuits judged: which fault keeps which lights dark, with which probability."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.triage.channel import DARKNESS, Channel
from lightwatch.decisions.triage.evidence import night_edges, weigh
from lightwatch.decisions.triage.experience import YEAR_NIGHTS, Experience
from lightwatch.decisions.triage.signs import FOUND, Signs, Tests
from lightwatch.decisions.triage.tree import Faults, Forest, fault_evidence, faults
from lightwatch.decisions.triage.wiring import Wiring, wiring

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WRONG_READING = 0.02
"""Chance that a reading of voltage is taken wrongly or misread; no source."""

SOURCE = "source"
"""Names the stretch of a circuit that begins at its source."""

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
        ``inferred``: the order of its lights is read off the map.
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

    def likely_sections(self) -> tuple[tuple[str, float], ...]:
        """Sections by probability that they are at fault, highest first."""
        found = [pair for pair in self.sections.items() if pair[1] >= LEAST]
        return tuple(sorted(found, key=lambda pair: (-pair[1], pair[0])))


@dataclass(frozen=True)
class _Hazards:
    """Odds of failing per night, by node; of sources in two parts."""

    per_night: Floats
    group_share: Floats
    """By tree: of the source's hazard, the part of the group photocontrol."""


def _hazards(
    signs: Signs,
    known: Experience,
    wired: Wiring,
    circuits: Sequence[str],
    channel: Channel,
) -> _Hazards:
    ids = pd.Series(wired.section_id)
    on_record = ids.map(known.of_sections).to_numpy(float)
    usual = known.usual_per_km_year * wired.km
    yearly = np.where(np.isnan(on_record), usual, on_record)
    temporary = ids.isin(signs.on_temporary_feed).to_numpy()
    yearly = np.where(temporary, known.line_per_km_year * wired.km, yearly)
    yearly = (yearly + known.damage_per_km_year * wired.km) * channel.by_feed
    sections, whole = signs.found
    yearly = yearly * np.where(ids.isin(sections), FOUND, 1.0)
    control = signs.register.known.circuits.set_index("circuit_id")["control"]
    control = control.reindex(list(circuits))
    stuck = known.group_per_year * known.shows("group", channel.symptoms)
    group = np.where(control == "group", stuck, 0.0)[wired.tree_circuit]
    supply = known.supply_per_year * channel.by_feed * control.notna().to_numpy()
    supply = supply * np.where(control.index.isin(whole), FOUND, 1.0)
    both = group + supply[wired.tree_circuit]
    yearly[wired.source] = both
    share = np.divide(group, both, out=np.zeros(len(group)), where=both > 0)
    return _Hazards(yearly / YEAR_NIGHTS, share)


def _tested(wired: Wiring, tests: Tests, edges: Floats) -> Floats:
    """Return the log-likelihood of voltage readings: shape (nodes, K + 1)."""
    seen = np.zeros((len(wired.tree), len(edges)))
    for light, section, age, dead in zip(
        tests.light, tests.section_id, tests.age, tests.dead, strict=True
    ):
        nodes = (
            wired.node[wired.light == light]
            if light >= 0
            else np.flatnonzero(wired.section_id == section)
        )
        before = np.clip((edges[:-1] - age) / -np.diff(edges), 0.0, 1.0)
        is_dead = np.append(before, 0.0)
        says_dead = is_dead * (1 - WRONG_READING) + (1 - is_dead) * WRONG_READING
        seen[nodes] += np.log(says_dead if dead else 1 - says_dead)
    return seen


def _weights(wired: Wiring, log_evidence: Floats, circuits: int) -> Floats:
    """Return what each tree counts among those of its circuit: its evidence."""
    best = np.full(circuits, -np.inf)
    np.maximum.at(best, wired.tree_circuit, log_evidence)
    weight = np.exp(log_evidence - best[wired.tree_circuit])
    total = np.bincount(wired.tree_circuit, weight, circuits)
    counts: Floats = weight / total[wired.tree_circuit]
    return counts


def _top(forest: Forest, dark: Floats) -> Ints:
    """Return for each node the first on its way from the source that is dark; -1."""
    top = np.where((forest.parent < 0) & (dark > 0.5), np.arange(len(dark)), -1)
    for level in forest.levels[1:]:
        above = top[forest.parent[level]]
        own = np.where(dark[level] > 0.5, level, -1)
        top[level] = np.where(above >= 0, above, own)
    return top


def _stretches(wired: Wiring, found: Faults, dark: Floats, n: int) -> list[str]:
    """Name for each light the dark stretch that it lies on."""
    names = np.full(n, "", dtype=object)
    top = _top(wired.forest, found.dark)[wired.node]
    section = np.where(top >= 0, wired.section_id[top], "")
    at_source = (top >= 0) & (wired.forest.parent[top] < 0)
    names[wired.light] = np.where(at_source, SOURCE, section)
    inferred = np.zeros(n, dtype=bool)
    circuit = wired.tree_circuit[wired.tree[wired.node]]
    inferred[wired.light] = wired.inferred[circuit]
    by_map = np.where(dark > 0.5, INFERRED, "")
    return [str(name) for name in np.where(inferred, by_map, names)]


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
    register = signs.register
    lights = signs.on_circuits(circuits)
    if lights.empty:
        return []
    circuits = sorted(set(lights["circuit_id"]))
    wired = wiring(register, circuits, lights)
    seen, looks, tests = signs.observed(lights, known, channel)
    edges = night_edges()
    nights = -np.diff(edges)
    weighed = weigh(seen, looks, edges)
    hazards = _hazards(signs, known, wired, circuits, channel)
    of_lights = np.column_stack([weighed.shared, np.zeros(len(lights))])
    at_nodes = wired.forest.gather(wired.node, of_lights[wired.light])
    if channel.by_feed:
        at_nodes += _tested(wired, tests, edges)
    found = faults(wired.forest, at_nodes, hazards.per_night, nights)
    lights_at = np.bincount(wired.node, minlength=len(wired.tree)).astype(float)
    several = wired.forest.beyond(lights_at) >= 2
    alone = np.where(several, 0.0, hazards.per_night)
    without = fault_evidence(wired.forest, at_nodes, alone, nights)
    evidence = found.log_evidence[wired.source]
    weight = _weights(wired, evidence, len(circuits))

    def of_circuits(values: Floats) -> Floats:
        summed: Floats = np.bincount(
            wired.tree_circuit, weight * values, len(circuits)
        ).astype(float)
        return summed

    dark = np.bincount(
        wired.light,
        found.dark[wired.node] * weight[wired.tree[wired.node]],
        len(lights),
    ).astype(float)
    shared = -np.expm1(np.minimum(without[wired.source] - evidence, 0.0))
    root = found.at_fault[wired.source]
    onset = np.zeros((len(circuits), len(nights)))
    of_node = several * weight[wired.tree]
    np.add.at(onset, wired.tree_circuit[wired.tree], found.onset * of_node[:, None])
    own = (1 - dark) * weighed.own_if_fed
    stretch = _stretches(wired, found, dark, len(lights))
    sections = _sections(wired, found.at_fault)
    rows = lights.groupby("circuit_id").indices
    shared, group, supply = map(
        of_circuits,
        (shared, root * hazards.group_share, root * (1 - hazards.group_share)),
    )
    ids = lights["light_id"].to_numpy(object)
    return [
        CircuitJudged(
            name if lights["on_circuit"].iat[row[0]] else "",
            bool(wired.inferred[i]),
            tuple(ids[row]),
            float(shared[i]),
            float(group[i]),
            float(supply[i]),
            sections.get(i, {}),
            dark[row],
            own[row],
            tuple(stretch[one] for one in row),
            onset[i],
        )
        for i, (name, row) in enumerate((name, rows[name]) for name in circuits)
    ]


def _sections(wired: Wiring, at_fault: Floats) -> dict[int, dict[str, float]]:
    """Return for each circuit its sections on record and their probabilities."""
    node = np.flatnonzero(wired.section_id != "")
    owner = wired.tree_circuit[wired.tree[node]]
    return {
        int(circuit): dict(
            zip(
                wired.section_id[node[some]],
                at_fault[node[some]].tolist(),
                strict=True,
            )
        )
        for circuit, some in pd.Series(owner).groupby(owner).indices.items()
    }
