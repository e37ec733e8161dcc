"""The monthly count: who was in place at the first of each month, and who failed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lightwatch.decisions.batches.ageing import AGES, CELLS, EDGES_MONTHS, Counts
from lightwatch.decisions.batches.units import Units
from lightwatch.lives.exposure import month_of
from lightwatch.nights import DAY

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

TOGETHER_DAYS = 7.0
"""Failures recorded on one circuit so soon after another of the same kind may have one
cause, such as a surge: for the alarm they are one [days]."""

_FAR = 10**6
_BAND = np.searchsorted(EDGES_MONTHS, np.arange(EDGES_MONTHS[-1] + 1), side="right") - 1
"""Band of age by whole months."""


@dataclass(frozen=True)
class Tally:
    """Counts of all batches on one grid of months.

    Parameters
    ----------
    at_risk
        Units in place at the first of each month, shape (batches, cells, months + 1);
        the last column is now.
    failures
        Failures that held, shape (batches, cells, months), whenever in the month.
    events
        Failures of units that were in place at the first of the month, in the order in
        which they were recorded: ``batch``, ``cell``, ``month``, ``recorded``.
    last_share
        Share of the last month that is over.
    """

    at_risk: Floats
    failures: Floats
    events: pd.DataFrame
    last_share: float

    @property
    def months(self) -> int:
        """Months begun since the first unit was on record."""
        return int(self.failures.shape[2])

    def exposure(self) -> Floats:
        """Return time in place [unit-months], shape (batches, cells, months)."""
        time: Floats = (self.at_risk[:, :, :-1] + self.at_risk[:, :, 1:]) / 2
        time[:, :, -1] *= self.last_share
        return time

    def seen(self, batches: Ints) -> Counts:
        """Return what the alarm learns from: units at the first, events since."""
        shape = self.failures.shape
        events = self.events
        flat = np.ravel_multi_index(
            (events["batch"], events["cell"], events["month"]), shape
        )
        counted = np.bincount(flat, minlength=int(np.prod(shape))).reshape(shape)
        return Counts(counted[batches].astype(float), self.at_risk[batches, :, :-1])


def cells_of(age_months: npt.ArrayLike, again: npt.ArrayLike) -> Ints:
    """Return the cell of units by age [months] and whether one had failed before."""
    months = np.clip(np.asarray(age_months, dtype=np.int64), 0, _BAND.size - 1)
    return np.asarray(_BAND[months] + AGES * np.asarray(again, dtype=np.int64))


def _at_risk(units: Units, first: int, columns: int) -> Floats:
    """Count units in place by batch, cell and month, by differences."""
    frame = units.frame
    born, enter = (
        np.ceil(month_of(frame[name])).astype(np.int32) - first
        for name in ("born", "enter")
    )
    finite = frame["leave"].where(np.isfinite(frame["leave"]))
    leave = np.nan_to_num(np.ceil(month_of(finite)) - first, nan=columns)
    leave = np.minimum(leave, columns).astype(np.int32)
    shape = (len(units.table), CELLS, columns + 1)
    row = frame["batch"].to_numpy(np.int32) * CELLS
    row = (row + AGES * frame["again"].to_numpy(np.int32)) * shape[2]
    change = np.zeros(int(np.prod(shape)), dtype=np.int64)
    for band, edge in enumerate(EDGES_MONTHS):
        after = EDGES_MONTHS[band + 1] if band + 1 < AGES else _FAR
        low = np.maximum(enter, born + edge)
        high = np.minimum(leave, born + after)
        some = np.flatnonzero(high > low)
        cell = row[some] + band * shape[2]
        change += np.bincount(cell + low[some], minlength=change.size)
        change -= np.bincount(cell + high[some], minlength=change.size)
    found = np.cumsum(change.reshape(shape), axis=2)[:, :, :-1]
    return found.astype(np.float64)


def _failing(units: Units, first: int) -> pd.DataFrame:
    """Return failures with month and cell at the first of it, as recorded."""
    frame = units.frame[units.frame["failed"] & np.isfinite(units.frame["leave"])]
    month = np.floor(month_of(frame["leave"])).astype(np.int64) - first
    born = np.ceil(month_of(frame["born"])).astype(np.int64) - first
    enter = np.ceil(month_of(frame["enter"])).astype(np.int64) - first
    found = frame.assign(
        month=month,
        cell=cells_of(month - born, frame["again"]),
        there=enter <= month,
        recorded=frame["leave"],
        group=frame["batch"].map(group_of(units.table)),
    )
    return found.sort_values(["recorded", "light_id", "circuit_id", "batch"])


def group_of(table: pd.DataFrame) -> pd.Series[int]:
    """Return the number of each batch's kind and type."""
    return table.groupby(["kind", "type"], sort=True).ngroup()


def _apart(failing: pd.DataFrame) -> pd.Series[bool]:
    """Tell which failures did not follow another on the same circuit at once."""
    before = failing.groupby(["group", "circuit_id"])["recorded"].shift()
    soon = failing["recorded"] - before <= TOGETHER_DAYS * DAY
    return ~(soon & (failing["circuit_id"] != ""))


def tally(units: Units) -> Tally:
    """Count units and failures by month."""
    first = int(np.floor(month_of(units.frame["enter"]).min()))
    now = float(month_of([units.as_of])[0])
    months = max(int(np.floor(now)) - first + 1, 1)
    failing = _failing(units, first)
    held = failing[failing["held"]]
    shape = (len(units.table), CELLS, months)
    flat = np.ravel_multi_index((held["batch"], held["cell"], held["month"]), shape)
    failures = np.bincount(flat, minlength=int(np.prod(shape))).reshape(shape)
    events = failing.loc[
        _apart(failing) & failing["there"], ["batch", "cell", "month", "recorded"]
    ]
    return Tally(
        _at_risk(units, first, months + 1),
        failures.astype(float),
        events.reset_index(drop=True),
        now - np.floor(now),
    )
