"""On which light each report is put: the one it names, or the nearest, or none.

A report that names no light on record belongs to the light nearest to its coordinates,
if that is near enough. Beyond that it is kept, and on no light: a caller who is farther
from any light than lights are from each other means one that is not on record.

How near is near enough is read off the register: a light stands nearly always within
``SPACING`` of its neighbour, so a caller beside a light stands within it, too; and a
report that names a light and gives coordinates as well shows how far those are off.
Never less than ``LEAST_M``, nor more than ``MOST_M``: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.kept import keeping, once
from lightwatch.observations.nearest import how_far, nearest_lights, nearest_two_m

if TYPE_CHECKING:
    from lightwatch.register.register import Register

SPACING = 0.95
"""The quantile of the distance from a light to the next, and of errors of place."""

LEAST_M, MOST_M = 60.0, 400.0

ENOUGH = 20
"""With fewer reports that name a light and give coordinates, none of them counts."""

_STEPS = 5
"""A duplicate of a duplicate is followed so many times."""


@dataclass(frozen=True)
class Placing:
    """How many reports are placed how.

    Parameters
    ----------
    named
        They name a light on record.
    duplicate
        They are duplicates of one that does, or is near a light.
    near
        They are put on the nearest light.
    far
        No light is near.
    within_m
        So near counts as near [m].
    """

    named: int
    duplicate: int
    near: int
    far: int
    within_m: float


@once
def near_m(register: Register) -> float:
    """Return up to which distance a report belongs to the nearest light [m].

    What was set, or what the register's own spacing and errors of place give.
    """
    if register.near_m is not None:
        return register.near_m
    lights, reports = register.in_service, register.known.reports
    found = [LEAST_M]
    if len(lights) > 1:
        found.append(float(np.quantile(nearest_two_m(lights), SPACING)))
    at = lights.set_index("light_id")[["longitude", "latitude"]]
    both = reports[reports["light_id"].isin(at.index) & reports["longitude"].notna()]
    both = both[both["latitude"].notna()]
    if len(both) >= ENOUGH:
        meant = at.loc[both["light_id"]]
        found.append(float(np.quantile(how_far(both, meant), SPACING)))
    return min(max(found), MOST_M)


@keeping
def placed(register: Register) -> pd.DataFrame:
    """Return where each report is put, by the index of ``known.reports``.

    Returns
    -------
    pandas.DataFrame
        ``light_id`` ('' for none), ``how`` (named, duplicate, near, far), ``away_m``
        [m], the distance to the ``nearest`` light where none is named, and
        ``original``, the report of which it is a duplicate, or itself.
    """
    lights, reports = register.in_service, register.known.reports
    light = reports["light_id"].copy()
    how = pd.Series(np.where(light != "", "named", "far"), reports.index, dtype=object)
    lost = light == ""
    found, away = nearest_lights(lights, reports[lost])
    close = away <= near_m(register)
    light[lost] = found.where(close, "")
    how[lost] = np.where(close, "near", "far")
    first = _originals(reports)
    meant = light.to_numpy(object)[first]
    again = (first != np.arange(len(reports))) & (meant != "")
    return pd.DataFrame(
        {
            "light_id": np.where(again, meant, light),
            "how": how.where(~again, "duplicate"),
            "nearest": found.reindex(reports.index, fill_value=""),
            "away_m": away.reindex(reports.index),
            "original": reports["report_id"].to_numpy(object)[first],
        },
        reports.index,
    )


def _originals(reports: pd.DataFrame) -> NDArray[np.int64]:
    """Return the position of the report that each repeats, or its own."""
    row = pd.Index(reports["report_id"])
    of = row.get_indexer(pd.Index(reports["duplicate_of"]))
    of[(reports["duplicate_of"] == "").to_numpy()] = -1
    first = np.where(of >= 0, of, np.arange(len(reports)))
    for _ in range(_STEPS):
        first = first[first]
    return np.asarray(first, dtype=np.int64)


def placing(register: Register) -> Placing:
    """Count how reports are placed."""
    counts = placed(register)["how"].value_counts()

    def of(how: str) -> int:
        return int(counts.get(how, 0))

    return Placing(
        of("named"), of("duplicate"), of("near"), of("far"), near_m(register)
    )
