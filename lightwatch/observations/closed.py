"""Reports that are closed or were told before, and repairs that say only which."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lightwatch.nights import LocalTime

if TYPE_CHECKING:
    import pandas as pd

_CLOSING = ("closed_at", "closed_as", "duplicate_of")
_PLACE = ("light_id", "longitude", "latitude", "named")


def closed_by(reports: pd.DataFrame, as_of: int, clock: LocalTime) -> pd.DataFrame:
    """Add ``closed`` [instant]; what was closed later is open, and nobody's duplicate.

    A closing counts strictly after ``closed_at``, with all that it says.
    """
    at = {text: float(clock.instant(text)) for text in set(reports["closed_at"]) - {""}}
    closed = reports["closed_at"].map(at).astype(float)
    later = closed >= as_of
    if later.any():
        for name in _CLOSING:
            reports[name] = reports[name].where(~later, "")
    reports["closed"] = closed.where(~later)
    return reports


def with_originals(reports: pd.DataFrame) -> pd.DataFrame:
    """Let duplicates name the first of their kind, and lie where it does if need be."""
    row = {name: i for i, name in enumerate(reports["report_id"])}
    named = reports["duplicate_of"].to_numpy(object)
    first: dict[int, int] = {}
    for i in np.flatnonzero(named != ""):
        way = [int(i)]
        while (up := row.get(named[way[-1]], -1)) >= 0 and up not in way:
            way.append(up)
        if up < 0 and len(way) > 1:
            first[int(i)] = way[-1]
    names = np.full(len(reports), "", dtype=object)
    own, original = list(first), list(first.values())
    names[own] = reports["report_id"].to_numpy(object)[original]
    reports["duplicate_of"] = names
    light, placed = reports["light_id"], reports[["longitude", "latitude"]].notna()
    without = np.flatnonzero((light == "") & ~placed.all(axis=1))
    lost = [i for i in without.tolist() if i in first]
    for name in _PLACE if lost else ():
        values: Any = reports[name].to_numpy(copy=True)
        values[lost] = values[[first[i] for i in lost]]
        reports[name] = values
    return reports


def at_the_reports(repairs: pd.DataFrame, reports: pd.DataFrame) -> pd.DataFrame:
    """Put repairs of which only a report says where at the light that it names.

    Where it names none they are nowhere, and only answer it: never work on a circuit.
    ``by_report`` says which they are.
    """
    where = ["light_id", "circuit_id", "section_id"]
    nowhere = (repairs[where] == "").all(axis=1) & (repairs["report_id"] != "")
    nowhere &= ~repairs["named"]
    repairs["by_report"] = nowhere
    if nowhere.any():
        light = dict(zip(reports["report_id"], reports["light_id"], strict=True))
        found = repairs.loc[nowhere, "report_id"].map(light)
        repairs.loc[nowhere, "light_id"] = found
        repairs.loc[nowhere, "named"] = True
    return repairs
