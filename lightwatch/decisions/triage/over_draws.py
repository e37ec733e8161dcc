"""What was seen round open troubles, weighed over all draws of how lights are fed.

The evidence is that of :mod:`.judge`; the feeds are those of :mod:`.likely_feeds`, each
draw with every way of cutting it into feeds, weighed by how well it explains the signs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from lightwatch.decisions.triage.channel import Channel
from lightwatch.decisions.triage.evidence import (
    LightEvidence,
    Lights,
    night_edges,
    weigh,
)
from lightwatch.decisions.triage.experience import FOUND, YEAR_NIGHTS, Experience
from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.judge import (
    Hazards,
    circuit_hazards,
    node_readings,
    tree_weights,
)
from lightwatch.decisions.triage.likely_feeds import (
    Around,
    Drawn,
    drawn,
)
from lightwatch.decisions.triage.signs import Signs
from lightwatch.decisions.triage.tree import Anew, Faults, faults
from lightwatch.decisions.triage.wiring import DRAWS, Wiring, wiring
from lightwatch.nights import DAY

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

LIKELY = 0.5

ONE_CONTROL = 0.3
"""Chance that one photocontrol switches the feed of a light that has none of its own on
record; no source."""

BESIDE_M = 200.0
"""Lights this near may share a fault, and are told of beside it; no source."""

_HEARD = 20


def source_per_year(
    grid: Grid, known: Experience, channel: Channel, at: Ints, alone: Flags
) -> Floats:
    """Return how often the source of a feed fails that begins at each light [1/year].

    Its main supply, its main fuse and, unless the light has a photocontrol of its own,
    that of its group. The fuse and photocontrol of a light that stands alone are its
    own: half of the rate, that of the supply, is left.
    """
    fitted = grid.register.known.components
    own = fitted.loc[fitted["kind"] == "photocontrol", "light_id"]
    has_own = grid.light_ids[at].isin(set(own)) | alone
    one = np.where(has_own, 0.0, ONE_CONTROL)
    group = known.group_per_year * known.shows("group", channel.symptoms)
    rate: Floats = known.supply_per_year * np.where(alone, 0.5, 1.0) + one * group
    return rate


def _begun(place: Floats, seen: Lights, unknown: Flags) -> Floats:
    """Return the age of the first report of lights near each that is on no circuit."""
    told = np.flatnonzero(np.isfinite(seen.told))
    begun = seen.begun.copy()
    if not len(told):
        return begun
    count = min(_HEARD, len(told))
    _, near = KDTree(place[told]).query(
        place[unknown], [*range(1, count + 1)], distance_upper_bound=BESIDE_M
    )
    ages = np.append(seen.told[told], 0.0)
    begun[unknown] = np.maximum(begun[unknown], ages[near].max(axis=1))
    return begun


@dataclass(frozen=True)
class Judging:
    """Windows with what was seen in them, and what follows."""

    signs: Signs
    known: Experience
    channel: Channel
    found: Around

    @property
    def grid(self) -> Grid:
        """The network."""
        return self.signs.grid

    @cached_property
    def wired(self) -> Wiring:
        """The circuits on record."""
        known = self.found.at[~self.found.unknown]
        return wiring(self.grid, self.found.circuits, known)

    @cached_property
    def drawn(self) -> Drawn:
        """How the lights may be fed."""
        return drawn(self.found, self.wired)

    @cached_property
    def laid(self) -> Wiring:
        """The draws as wiring, each window a circuit."""
        drawn, windows = self.drawn, int(self.found.window.max()) + 1
        return Wiring(
            drawn.forest,
            np.arange(windows * DRAWS) // DRAWS,
            drawn.tree,
            np.append(self.wired.section, -1)[drawn.copied],
            drawn.km,
            drawn.light,
            drawn.node,
            np.ones(windows, dtype=bool),
        )

    @cached_property
    def _seen(self) -> tuple[LightEvidence, Floats]:
        """What lights show, and what hangs at nodes shows."""
        found, drawn, edges = self.found, self.drawn, night_edges()
        seen, looks, tests, again = self.signs.observed(
            found.at, self.known, self.channel
        )
        begun = _begun(found.place, seen, found.unknown)
        weighed = weigh(replace(seen, begun=begun), looks, edges, again)
        now = self.signs.now
        blamed = (now - self.signs.crews.found_feed[found.at]) / DAY < seen.since
        weighed.shared[blamed & found.unknown] += np.log(FOUND)
        of_lights = np.column_stack([weighed.shared, np.zeros(len(found.at))])
        shown = drawn.forest.gather(drawn.node, of_lights[drawn.light])
        nowhere = np.full(len(self.laid.inferred), -2)
        shown += node_readings(self.laid, nowhere, tests, edges)
        at_sources = tests.chosen((tests.light < 0) & (tests.section < 0))
        on_record = node_readings(self.wired, found.circuits, at_sources, edges)
        copies = drawn.copied >= 0
        shown[copies] += on_record[drawn.copied[copies]]
        return weighed, shown

    @cached_property
    def hazards(self) -> Hazards:
        """Of the circuits on record."""
        circuits = self.found.circuits
        return circuit_hazards(
            self.signs, self.known, self.wired, circuits, self.channel
        )

    @cached_property
    def posterior(self) -> Faults:
        """Faults of all draws."""
        drawn, known = self.drawn, self.known
        per_km = (known.usual_per_km_year + known.damage_per_km_year) / YEAR_NIGHTS
        per_night = np.append(self.hazards.per_night, 0.0)[drawn.copied]
        free = (drawn.copied < 0) & (drawn.forest.parent >= 0)
        per_night[free] = per_km * drawn.km[free]
        at = np.zeros(len(drawn.copied), dtype=np.int64)
        at[drawn.node] = self.found.at[drawn.light]
        alone = np.zeros(len(drawn.copied), dtype=bool)
        window = self.found.window
        alone[drawn.node] = (np.bincount(window)[window] == 1)[drawn.light]
        source = source_per_year(self.grid, known, self.channel, at, alone)
        source = source / YEAR_NIGHTS
        inside = free & (drawn.parts < 1)
        # Beyond its edge a draw goes on: as long a way as a feed has on average.
        way = (
            drawn.km[inside].mean() / drawn.parts[inside].mean() if inside.any() else 0
        )
        begins = source + np.where((drawn.parts < 1) | alone, 0.0, per_km * way)
        anew = Anew(drawn.parts, begins)
        nights = -np.diff(night_edges())
        return faults(drawn.forest, self._seen[1], per_night, nights, anew)

    @cached_property
    def weight(self) -> Floats:
        """What each tree counts among the draws of its window."""
        source = self.laid.source
        evidence = np.zeros(len(self.laid.tree_circuit))
        evidence[self.drawn.tree[source]] = self.posterior.log_evidence[source]
        return tree_weights(self.laid, evidence, len(self.laid.inferred))

    @cached_property
    def at_node(self) -> Floats:
        """What each node counts."""
        counts: Floats = self.weight[self.drawn.tree]
        return counts

    def of_lights(self, at_nodes: Floats) -> Floats:
        """Return the mean over draws of what holds at the lights' nodes."""
        drawn = self.drawn
        values = at_nodes[drawn.node] * self.at_node[drawn.node]
        return np.bincount(drawn.light, values, len(self.found.at)).astype(float)

    @cached_property
    def dark(self) -> Floats:
        """For each light the chance that a feed keeps it dark."""
        return self.of_lights(self.posterior.dark)

    @cached_property
    def own(self) -> Floats:
        """For each light the chance that it is dark by itself."""
        own: Floats = (1 - self.dark) * self._seen[0].own_if_fed
        return own

    @cached_property
    def _with_above(self) -> Floats:
        """For each node the chance that what darkens it darkens the one upstream."""
        return np.clip(self.posterior.dark - self.posterior.at_fault, 0.0, 1.0)

    @cached_property
    def together(self) -> Floats:
        """For each light the chance that it is dark with a neighbour by one fault."""
        most, parent = self._with_above.copy(), self.drawn.forest.parent
        below = np.flatnonzero(parent >= 0)
        np.maximum.at(most, parent[below], self._with_above[below])
        return self.of_lights(most)

    @cached_property
    def best(self) -> Ints:
        """For each light its node in the draw that explains most."""
        drawn = self.drawn
        top = self.weight.reshape(-1, DRAWS).argmax(axis=1)
        mine = drawn.tree[drawn.node] % DRAWS == top[self.found.window[drawn.light]]
        node = np.full(len(self.found.at), -1)
        node[drawn.light[mine]] = drawn.node[mine]
        return node

    @cached_property
    def group(self) -> tuple[Ints, Ints]:
        """For each light the group that one fault keeps dark; by group its circuit.

        -1 where the group is on no circuit on record.
        """
        parent = self.drawn.forest.parent
        linked = np.flatnonzero((self._with_above > LIKELY) & (parent >= 0))
        ones = np.ones(len(linked))
        graph = coo_array((ones, (linked, parent[linked])), (len(parent),) * 2)
        groups, label = connected_components(graph, directed=False)
        circuit = np.full(groups, -1)
        copies = np.flatnonzero(self.drawn.copied >= 0)
        circuit[label[copies]] = self.node_circuit[copies]
        of_light: Ints = label[self.best].astype(np.int64)
        return of_light, circuit

    @cached_property
    def node_circuit(self) -> Ints:
        """For each node which of the circuits on record it belongs to, or -1."""
        owner = self.wired.tree_circuit[self.wired.tree]
        found: Ints = np.append(owner, -1)[self.drawn.copied]
        return found
