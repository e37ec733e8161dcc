"""What patrols drove past and did not note."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.decisions.triage.grid import Grid
from lightwatch.decisions.triage.lists import Lists

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Patrols:
    """Patrols of road segments by number, and when each set out; ``of`` lists by road.

    ``noted`` holds, sorted, patrol x lights + light of what they noted; ``names`` those
    of all patrols.
    """

    names: pd.Index

    patrol: Ints
    at: Floats
    of: Lists
    noted: Ints


@dataclass(frozen=True)
class Driven:
    """Patrols of a network, found by light at once."""

    grid: Grid

    @cached_property
    def patrols(self) -> dict[str, Patrols]:
        """Patrols by night, and by day."""
        patrols = self.grid.register.known.patrols
        names = pd.Index(sorted(set(patrols["patrol_id"])), dtype=object)
        sightings = self.grid.register.known.sightings
        by = names.get_indexer(pd.Index(sightings["patrol_id"]))
        light = self.grid.light_ids.get_indexer(pd.Index(sightings["light_id"]))
        good = (by >= 0) & (light >= 0)
        noted = np.unique(by[good] * len(self.grid.lights) + light[good])
        found = {}
        for kind in ("night", "day"):
            some = patrols[patrols["kind"] == kind]
            road = self.grid.roads.get_indexer(pd.Index(some["road_id"]))
            found[kind] = Patrols(
                names,
                names.get_indexer(pd.Index(some["patrol_id"])),
                some["happened"].to_numpy(float),
                Lists.of(road, len(self.grid.roads)),
                noted,
            )
        return found

    def passes(self, at: Ints, kind: str) -> tuple[Ints, Floats]:
        """Return when patrols passed lights and did not note them.

        Parameters
        ----------
        at
            Numbers of lights.
        kind
            Of patrols: night or day.

        Returns
        -------
        tuple
            Positions in ``at``, and when the patrol set out [instant].
        """
        patrols = self.patrols[kind]
        rows, which = patrols.of.pick(self.grid.road[at])
        key = patrols.patrol[rows] * len(self.grid.lights) + at[which]
        place = np.minimum(np.searchsorted(patrols.noted, key), len(patrols.noted) - 1)
        kept = patrols.noted[place] != key if len(patrols.noted) else which >= 0
        return which[kept], patrols.at[rows[kept]]
