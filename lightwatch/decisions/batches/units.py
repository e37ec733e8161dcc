"""Units: every component of a known model and year, on the register's own clock.

A unit counts as in place from the day on which its fitting was recorded until the day
on which its end was. So at any past time nobody uses what was not yet on record, and
what is said as of a day stays true when the day is looked back upon; but for rows that
a later record corrects, which are gone from then on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from lightwatch.errors import NotUnderstood
from lightwatch.lives import Lives
from lightwatch.nights import LocalTime
from lightwatch.nights.years import local_years
from lightwatch.words import SUPPLY

OF_A_BATCH = ["kind", "type", "model", "vintage"]
UNKNOWN = "unknown"
_NAMES = ("kind", "type", "model", "maker")
_TAKEN = [
    *_NAMES, "light_id", "circuit_id", "installed", "installed_last", "start", "end",
    "end_repair", "failed",
]  # fmt: skip

Bools = npt.NDArray[np.bool_]

PLANNED = ("programme", "knockdown", "vandalism", "theft", "customer")
"""Causes of a repair after which the new part does not stand where one failed."""


@dataclass(frozen=True)
class Units:
    """Units of batches, and the batches.

    Parameters
    ----------
    frame
        A row a unit: ``batch`` (row in ``table``), ``light_id``, ``circuit_id``,
        ``born`` (middle of the installation), ``enter``, ``leave`` (recorded; infinite
        while in place) [instants]; ``again``, fitted because the one before it failed;
        ``failed``, ended by a repair that names its kind; ``held``, and that repair
        held.
    table
        A row a batch: kind, type, model, vintage, maker.
    as_of
        Only what was recorded strictly before counts, and repairs as far as they reach
        [instant].
    """

    frame: pd.DataFrame
    table: pd.DataFrame
    as_of: int

    @property
    def standing(self) -> pd.DataFrame:
        """Units in place now."""
        return self.frame[np.isinf(self.frame["leave"])]


@dataclass(frozen=True)
class Unplaced:
    """Units that belong to no batch, by the first reason that holds.

    Wiring has no model, and is not counted.
    """

    no_model: int
    no_type: int
    no_year: int


def _own(lives: Lives) -> pd.DataFrame:
    """Return lives of components, with the repairs that began and ended them."""
    frame = lives.frame[_TAKEN]
    frame = frame.astype(dict.fromkeys(_NAMES, "category"))
    frame = frame[~frame["kind"].isin(list(SUPPLY))]
    fittings = lives.register.fittings
    fittings = fittings[fittings["start"] < lives.register.watched_until]
    if len(frame) != len(fittings):
        raise NotUnderstood("batches take all lives of a register, not a part of them")
    return frame.assign(start_repair=fittings["start_repair"].to_numpy())


def _placed(frame: pd.DataFrame, clock: LocalTime) -> tuple[pd.DataFrame, Unplaced]:
    first = local_years(frame["installed"], clock)
    last = local_years(frame["installed_last"], clock)
    stages = [
        frame["kind"] != "wiring",
        ~frame["model"].isin(["", UNKNOWN]),
        frame["type"] != UNKNOWN,
        first == last,
    ]
    kept = np.logical_and.accumulate(stages)
    found = frame[kept[-1]].assign(vintage=first[kept[-1]].astype(int))
    return found, Unplaced(*(-int(n) for n in np.diff(kept.sum(axis=1))))


def _cause(repairs: pd.DataFrame, at: pd.Series[int], like: pd.Series[str]) -> Bools:
    """Tell at which repairs the cause is a kind; positions below 0 are no repair."""
    codes = like.cat.categories.get_indexer(repairs["cause"])
    named = np.append(codes, -1)[at.to_numpy(np.int64)]
    return np.asarray((named >= 0) & (named == like.cat.codes.to_numpy()))


def _on_record(frame: pd.DataFrame, lives: Lives) -> pd.DataFrame:
    """Return when each unit was recorded to begin and to end."""
    known = lives.register.known
    repairs = known.repairs
    recorded = np.append(repairs["recorded"].to_numpy(float), np.nan)
    unplanned = np.append(~repairs["cause"].isin(PLANNED).to_numpy(), False)
    begun, ended = (
        frame[name].to_numpy(np.int64) for name in ("start_repair", "end_repair")
    )
    circuits = known.lights.set_index("light_id")["circuit_id"]
    end = frame["end"].to_numpy(float)
    until = lives.register.watched_until
    gone = np.where(end < until, end, np.inf)
    recorded = np.minimum(recorded, until)
    enter = np.fmax(frame["start"], recorded[begun])
    middle = (frame["installed"] + frame["installed_last"]) / 2
    own = frame["light_id"] != ""
    return pd.DataFrame(
        {
            "light_id": frame["light_id"],
            "circuit_id": frame["light_id"]
            .map(circuits)
            .where(own, frame["circuit_id"]),
            "born": np.minimum(middle, enter),
            "enter": enter,
            "leave": np.where(ended >= 0, recorded[ended], gone),
            "again": unplanned[begun],
            "failed": _cause(repairs, frame["end_repair"], frame["kind"]),
            "held": frame["failed"],
        }
    )


def units(lives: Lives) -> tuple[Units, Unplaced]:
    """Return the units of all batches, and how many belong to none.

    A year of installation that is not known for sure makes no batch; a model that the
    catalogue lacks has no type, and so no peers.
    """
    register = lives.register
    placed, unplaced = _placed(_own(lives), register.known.clock)
    keys = placed.groupby(OF_A_BATCH, sort=True, observed=True)
    table = keys["maker"].first().reset_index()
    table = table.astype(dict.fromkeys(_NAMES, object))
    frame = _on_record(placed, lives).assign(batch=keys.ngroup())
    return Units(frame.reset_index(drop=True), table, register.watched_until), unplaced
