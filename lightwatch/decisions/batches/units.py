"""Units: every component of a known model and year, on the register's own clock.

A unit counts as in place from the day on which its fitting was recorded until the day
on which its end was. So at any past time nobody uses what was not yet on record, and
what is said as of a day stays true when the day is looked back upon.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from lightwatch.errors import NotUnderstood
from lightwatch.lives import Lives
from lightwatch.nights import YEAR, LocalTime
from lightwatch.words import SUPPLY

OF_A_BATCH = ["kind", "type", "model", "vintage"]
UNKNOWN = "unknown"

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
        Only what was recorded strictly before counts [instant].
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


def local_years(instants: pd.Series[float], clock: LocalTime) -> pd.Series[float]:
    """Return the calendar year in local time; NaN where there is no instant.

    Examples
    --------
    >>> clock = LocalTime("Europe/Vienna")
    >>> at = pd.Series([float(clock.instant("2019-01-01"))])
    >>> int(local_years(at, clock).iloc[0])
    2019
    """
    known = instants[instants.notna()]
    if known.empty:
        return instants
    years = np.arange(
        clock.at(int(known.min())).year, clock.at(int(known.max())).year + 2
    )
    begins = [float(clock.instant(f"{year:04}-01-01")) for year in years]
    place = np.searchsorted(begins, instants.to_numpy(float), side="right") - 1
    return pd.Series(years[place], instants.index).where(instants.notna())


def _own(lives: Lives) -> pd.DataFrame:
    """Return lives of components with the repairs that began and ended them."""
    frame = lives.frame[~lives.frame["kind"].isin(list(SUPPLY))]
    fittings = lives.register.fittings
    if len(frame) != len(fittings):
        raise NotUnderstood("batches take all lives of a register, not a part of them")
    return frame.assign(start_repair=fittings["start_repair"].to_numpy())


def _dated(frame: pd.DataFrame, clock: LocalTime) -> pd.DataFrame:
    first = local_years(frame["installed"], clock)
    last = local_years(frame["installed_last"], clock)
    return frame.assign(vintage=first.where(first == last))


def _placed(frame: pd.DataFrame) -> tuple[pd.DataFrame, Unplaced]:
    frame = frame[frame["kind"] != "wiring"]
    named = frame[~frame["model"].isin(["", UNKNOWN])]
    typed = named[named["type"] != UNKNOWN]
    dated = typed[typed["vintage"].notna()]
    counts = [len(one) for one in (frame, named, typed, dated)]
    return dated, Unplaced(*(-int(n) for n in np.diff(counts)))


def _on_record(frame: pd.DataFrame, lives: Lives) -> pd.DataFrame:
    """Return when each unit was recorded to begin and to end."""
    known = lives.register.known
    recorded = known.repairs["recorded"].astype(float)
    begun = recorded.reindex(frame["start_repair"]).to_numpy()
    ended = recorded.reindex(frame["end_repair"]).to_numpy()
    gone = frame["end"].where(frame["end"] < lives.register.as_of, np.inf)
    cause = known.repairs["cause"].reindex(frame["end_repair"]).to_numpy()
    before = known.repairs["cause"].reindex(frame["start_repair"])
    again = before.notna() & ~before.isin(PLANNED)
    circuit = frame["light_id"].map(known.lights.set_index("light_id")["circuit_id"])
    enter = np.fmax(frame["start"], begun)
    middle = (frame["installed"] + frame["installed_last"]) / 2
    return frame.assign(
        circuit_id=frame["circuit_id"].where(frame["light_id"] == "", circuit),
        born=np.minimum(middle, enter),
        enter=enter,
        leave=np.where(frame["end_repair"] >= 0, ended, gone),
        again=again.to_numpy(),
        held=frame["failed"],
        failed=(frame["end_repair"] >= 0) & (cause == frame["kind"].to_numpy()),
    )


def units(lives: Lives) -> tuple[Units, Unplaced]:
    """Return the units of all batches, and how many belong to none.

    A year of installation that is not known for sure makes no batch; a model that the
    catalogue lacks has no type, and so no peers.
    """
    register = lives.register
    dated = _dated(_own(lives), register.known.clock)
    frame, unplaced = _placed(dated)
    frame = _on_record(frame, lives)
    frame = frame.assign(vintage=frame["vintage"].astype(int))
    keys = frame.groupby(OF_A_BATCH, sort=True)
    table = keys["maker"].first().reset_index()
    columns = [
        "batch", "light_id", "circuit_id", "born", "enter", "leave", "again", "failed",
        "held",
    ]  # fmt: skip
    frame = frame.assign(batch=keys.ngroup())[columns]
    return Units(frame.reset_index(drop=True), table, register.as_of), unplaced


def ages_years(frame: pd.DataFrame, at: float) -> np.ndarray:
    """Return how old units are at a time [years]."""
    return np.asarray(np.maximum(at - frame["born"], 0.0) / YEAR)
