"""The shelf: what lies in each depot, what is on order, and what a part costs to get.

A light without a depot is served by the only depot that keeps stock, else by the one
whose lights are nearest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from lightwatch.errors import NotUnderstood
from lightwatch.observations.known import Known
from lightwatch.store.frames import filled

NO_NAME = "Main"
"""The depot of a place that names none."""

LEAD_TIME_DAYS = 90.0
"""Assumed where the catalogue gives no lead time for any part."""

LEAD_TIME_SPREAD = 0.25
"""Standard deviation of a lead time, as a share of it, where none is given."""


@dataclass(frozen=True)
class Part:
    """A catalogue model as the store sees it.

    Parameters
    ----------
    model, kind, type, maker
        As in the catalogue.
    unit_cost
        Cost of one [local currency], NaN if unknown.
    lead_time_days, lead_time_sd_days
        From order to shelf [days], NaN if unknown.
    pack_size, minimum_order
        Units per box; fewest units per order.
    warranty_years
        From installation [years], NaN if unknown.
    """

    model: str
    kind: str
    type: str
    maker: str
    unit_cost: float
    lead_time_days: float
    lead_time_sd_days: float
    pack_size: int
    minimum_order: int
    warranty_years: float


@dataclass(frozen=True)
class Holding:
    """What one depot holds of one model; ``due`` is an instant, NaN if not said."""

    on_hand: int
    on_order: int
    due: float


@dataclass(frozen=True)
class Shelf:
    """Catalogue, depots and holdings."""

    parts: dict[str, Part]
    depots: tuple[str, ...]
    holdings: dict[tuple[str, str], Holding]

    def lead_time(self, model: str) -> tuple[float, float, bool]:
        """Return mean and standard deviation of a lead time, and whether it is given.

        Where the catalogue is silent the longest of the kind is assumed, else the
        longest of all, else 90 days.
        """
        part = self.parts.get(model)
        if part is not None and not np.isnan(part.lead_time_days):
            spread = part.lead_time_sd_days
            if np.isnan(spread):
                spread = LEAD_TIME_SPREAD * part.lead_time_days
            return part.lead_time_days, spread, True
        kind = part.kind if part is not None else ""
        given = [p for p in self.parts.values() if not np.isnan(p.lead_time_days)]
        alike = [p.lead_time_days for p in given if p.kind == kind]
        longest = max(alike or [p.lead_time_days for p in given] or [LEAD_TIME_DAYS])
        return longest, LEAD_TIME_SPREAD * longest, False

    def only(self, kind: str) -> Shelf:
        """Return what the shelf holds of one kind."""
        parts = {name: part for name, part in self.parts.items() if part.kind == kind}
        held = {at: held for at, held in self.holdings.items() if at[0] in parts}
        return replace(self, parts=parts, holdings=held)

    def slower(self, factor: float) -> Shelf:
        """Return the shelf with lead times longer by a factor."""
        if factor == 1.0:
            return self
        parts = {
            name: replace(
                part,
                lead_time_days=part.lead_time_days * factor,
                lead_time_sd_days=part.lead_time_sd_days * factor,
            )
            for name, part in self.parts.items()
        }
        return replace(self, parts=parts)


def _whole(value: float, least: int) -> int:
    return least if np.isnan(value) else max(int(value), least)


def _parts(known: Known) -> dict[str, Part]:
    return {
        row.model: Part(
            row.model,
            row.kind,
            row.type or "unknown",
            row.maker or "unknown",
            row.unit_cost,
            row.lead_time_days,
            row.lead_time_sd_days,
            _whole(row.pack_size, 1),
            _whole(row.minimum_order, 0),
            row.warranty_years,
        )
        for row in known.models.itertuples()
    }


def _units(text: str, model: str, depot: str) -> int:
    try:
        units = int(float(text or 0))
    except ValueError:
        units = -1
    if units < 0:
        raise NotUnderstood(
            f"stock of {model} at {depot}: {text!r} is no number of units "
            "(expected 0 or more)"
        )
    return units


def read_shelf(known: Known) -> Shelf:
    """Return the shelf as the newest export says it.

    Raises
    ------
    NotUnderstood
        A quantity is negative or no number.
    """
    columns = ["model", "depot", "on_hand", "on_order", "due_on"]
    frame = known.store.frame("stock", columns)
    holdings = {}
    for row in frame.itertuples(index=False):
        due = float(known.clock.instant(row.due_on)) if row.due_on else np.nan
        holdings[row.model, row.depot] = Holding(
            _units(row.on_hand, row.model, row.depot),
            _units(row.on_order, row.model, row.depot),
            due,
        )
    named = {*frame["depot"], *known.lights["depot"]} - {""}
    return Shelf(_parts(known), tuple(sorted(named)) or (NO_NAME,), holdings)


@dataclass(frozen=True)
class Served:
    """Which depot serves each light, and each circuit."""

    known: Known
    shelf: Shelf

    @cached_property
    def of_light(self) -> dict[str, str]:
        """Depot of each light."""
        lights = self.known.lights
        depot = lights["depot"].astype(object)
        missing = (depot == "").to_numpy()
        if missing.any():
            depot = depot.where(~missing, self._nearest(lights))
        return dict(zip(lights["light_id"], depot, strict=True))

    @cached_property
    def of_circuit(self) -> dict[str, str]:
        """Depot that serves most lights of each circuit."""
        lights = self.known.lights
        depot = lights["light_id"].map(self.of_light)
        count = depot.groupby([lights["circuit_id"], depot]).size().rename("count")
        table = count.rename_axis(["circuit", "depot"]).reset_index()
        most = table.sort_values(["count", "depot"], ascending=[False, True])
        found = most[most["circuit"] != ""].drop_duplicates("circuit")
        return dict(zip(found["circuit"], found["depot"], strict=True))

    def depots(
        self, lights: pd.Series[str], circuits: pd.Series[str]
    ) -> pd.Series[str]:
        """Return the depots for work at lights, or on circuits as a whole."""
        own = lights.map(self.of_light)
        there = circuits.map(self.of_circuit)
        return filled(filled(own, there), self.shelf.depots[0])

    def _nearest(self, lights: pd.DataFrame) -> pd.Series[str]:
        stocked = sorted({depot for _, depot in self.shelf.holdings})
        said = lights[lights["depot"] != ""]
        if len(stocked) == 1 or said.empty:
            only = (stocked or list(self.shelf.depots))[0]
            return pd.Series(only, index=lights.index, dtype=object)
        from sklearn.neighbors import BallTree

        place = ["latitude", "longitude"]
        middles = said.groupby("depot")[place].median()
        tree = BallTree(np.radians(middles.to_numpy()), metric="haversine")
        near = tree.query(np.radians(lights[place].to_numpy()), return_distance=False)
        names = middles.index.to_numpy(object)[near[:, 0]]
        return pd.Series(names, index=lights.index, dtype=object)
