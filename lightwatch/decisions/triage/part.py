"""Verdicts of a few circuits, as the whole town would give them, at the cost of a few.

A record on one circuit can move the verdict of another only through reports that may be
meant for each other's lights, or are of one call. So what may move is found from there,
and judged by rates, and by facts of the whole town, that are at hand.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lightwatch.decisions.areas import areas
from lightwatch.decisions.triage.channel import DARKNESS
from lightwatch.decisions.triage.grid import ALONE, Grid
from lightwatch.decisions.triage.misplaced import NEARBY_M
from lightwatch.decisions.triage.outage import Outage
from lightwatch.decisions.triage.signs import CALL_M, CALL_NIGHTS, Signs
from lightwatch.decisions.triage.together import suspected
from lightwatch.decisions.triage.triage import Triage, by_urgency, triaged
from lightwatch.kept import given
from lightwatch.nights import DAY, SECOND
from lightwatch.observations.part import KnownPart, NotApart
from lightwatch.register import Register
from lightwatch.register.placed import near_m, placed
from lightwatch.register.reach import later, reach

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FAR_M = 1000.0
"""Beyond this lights on no circuit on record do not move a verdict."""

SOON_S = 86_400.0
"""So much later the rest of the town may still stand as it was judged [s]."""

MOST_LIGHTS = 3000
"""A part with more lights is no quicker than the whole."""


@dataclass(frozen=True)
class Town:
    """A town judged as a whole a little before, and what was touched since.

    Parameters
    ----------
    triage
        The whole.
    touched
        Circuits, by their names in the grid, of which anything was recorded since.
    """

    triage: Triage
    touched: frozenset[str] = frozenset()

    @property
    def _signs(self) -> Signs:
        return self.triage.signs

    @property
    def _grid(self) -> Grid:
        return self._signs.grid

    def with_touched(self, circuits: Collection[str]) -> Town:
        """Return the same with more circuits touched."""
        return replace(self, touched=self.touched | frozenset(circuits))

    @cached_property
    def _live(self) -> NDArray[np.bool_]:
        """Lights of which something is told, or may have been since."""
        live = np.zeros(len(self._grid.lights), dtype=bool)
        live[self._signs.told_since[0]] = True
        live[self._lights_of(self.touched)] = True
        return live

    def _lights_of(self, circuits: Collection[str]) -> Ints:
        names = pd.Index(sorted(circuits), dtype=object)
        at, _ = self._grid.lights_of.pick(self._grid.circuits.get_indexer(names))
        return at

    @cached_property
    def _calls(self) -> tuple[Ints, Floats, cKDTree]:
        light, at = self._signs.told_since
        scaled = self._grid.metres[light] / CALL_M
        nights = (at - self._signs.now)[:, None] / DAY / CALL_NIGHTS
        place = np.column_stack([scaled, nights])
        return light, place, cKDTree(place)

    def _linked(self, lights: Ints) -> Ints:
        """Return live lights that reports of some lights may be meant for, or with."""
        grid, live = self._grid, self._live
        if not len(lights):
            return lights
        near = grid.near.query_ball_point(grid.metres[lights], NEARBY_M)
        order = grid.in_number
        rank = np.empty(len(order), dtype=np.int64)
        rank[order] = np.arange(len(order))
        beside = np.concatenate([rank[lights] - 1, rank[lights] + 1])
        beside = order[beside[(beside >= 0) & (beside < len(order))]]
        found = [np.concatenate(near).astype(np.int64), beside]
        light, place, calls = self._calls
        rows = np.flatnonzero(np.isin(light, lights))
        if len(rows):
            together = calls.query_ball_point(place[rows], 1.0 + 1e-6)
            found.append(light[np.concatenate(together).astype(np.int64)])
        some: Ints = np.unique(np.concatenate(found))
        return np.asarray(some[live[some]], dtype=np.int64)

    def _group(self, lights: Ints) -> Ints:
        """Return lights with all that are linked to them, and so on."""
        found = np.unique(lights)
        edge = found
        while len(edge):
            edge = np.setdiff1d(self._linked(edge), found)
            found = np.union1d(found, edge)
            if len(found) > MOST_LIGHTS:
                raise NotApart("too many lights are linked")
        return found

    def moved_by(self, circuits: frozenset[str]) -> frozenset[str]:
        """Return circuits with those that they may move."""
        grid = self._grid
        at = self._group(self._lights_of(circuits))
        return circuits | set(grid.circuits[np.unique(grid.circuit[at])])

    def outages(
        self, circuits: Collection[str], as_of: int, before: Collection[Outage]
    ) -> tuple[Register, list[Outage]]:
        """Judge what some circuits may move; return the part, and every open trouble.

        Parameters
        ----------
        circuits
            Names of circuits in the grid.
        as_of
            Now [instant].
        before
            Every open trouble before.

        Raises
        ------
        NotApart
            The whole must be judged.
        """
        if as_of - self.triage.register.as_of > SOON_S * SECOND:
            raise NotApart("the rest was judged too long ago")
        moved = self.moved_by(frozenset(circuits))
        judged = self.moved_by(moved)
        register = self._part(judged, as_of)
        part = self._triage(register, judged)
        found = [one for one in triaged(part) if one.circuit_id in moved]
        self._apart_from_areas(part, moved)
        rest = [one for one in before if one.circuit_id not in moved]
        return register, by_urgency([*rest, *found], register)

    def _part(self, circuits: frozenset[str], as_of: int) -> Register:
        grid, whole = self._grid, self.triage.register
        inside = self._group(self._lights_of(circuits))
        self._must_be_apart(circuits, inside)
        lights = whole.known.lights
        of_circuits = lights["circuit_id"].isin(circuits)
        some = {*lights["light_id"][of_circuits], *grid.light_ids[inside]}
        place = placed(whole)
        near = place["light_id"].isin(some) & (place["how"] != "named")
        reports = frozenset(whole.known.reports["report_id"][near])
        known = KnownPart(
            whole.known.store,
            as_of,
            whole=whole.known,
            light_ids=frozenset(some),
            placed=reports,
        )
        register = Register(known, whole.near_m)
        ends = later(whole, as_of, ("reports", "repairs"))
        if ends is None:
            raise NotApart("it may change how far the records reach")
        given(reach, register, ends)
        given(near_m, register, near_m(whole))
        return register

    def _must_be_apart(self, circuits: frozenset[str], inside: Ints) -> None:
        grid = self._grid
        if any(name.startswith(ALONE) for name in circuits):
            raise NotApart("a light is on no circuit on record")
        told = np.unique(self._signs.told_since[0])
        free = told[~grid.on_record[told]]
        if len(free):
            away, _ = cKDTree(grid.metres[free]).query(grid.metres[inside])
            if (away < FAR_M).any():
                raise NotApart("lights beside are on no circuit on record")
        for area in self._signs.heard.areas:
            if circuits & set(area.circuits) or np.isin(inside, area.lights).any():
                raise NotApart("an area was dark")

    def _triage(self, register: Register, circuits: frozenset[str]) -> Triage:
        whole = self.triage
        here = set(register.known.lights["light_id"])
        rather = {k: v for k, v in whole.signs.grid.rather.items() if k in here}
        grid = Grid(register, rather, whole.signs.grid)
        if not grid.light_ids.isin(whole.signs.grid.light_ids).all():
            raise NotApart("a light came into service")
        signs = Signs(grid).as_in(whole.signs)
        return replace(whole, signs=signs, within=circuits)

    def _apart_from_areas(self, part: Triage, moved: frozenset[str]) -> None:
        """Refuse where circuits came dark together."""
        before = self.triage.judged(DARKNESS)
        rest = [one for one in before if one.name not in moved]
        both = rest + [one for one in part.judged(DARKNESS) if one.name in moved]
        if areas(self.triage.register, suspected(both, self._signs.now)):
            raise NotApart("circuits came dark together")
