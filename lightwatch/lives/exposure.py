"""Monthly weather at each station: the exposure of what hangs there.

A freeze-thaw day has a minimum below and a maximum above 0 °C; a wet day has 1 mm of
rain or more: the exchange format's own definitions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.observations.known import Known

COVERED = 0.9
"""A month of which a smaller share of days is on record is a gap."""

Floats = NDArray[np.float64]


def month_of(instants: Any) -> Floats:
    """Return calendar time in months since January 1970, with decimals."""
    at = np.asarray(instants, dtype=float)
    safe = np.where(np.isfinite(at), at, 0).astype("int64").astype("datetime64[us]")
    month = safe.astype("datetime64[M]")
    days = (safe - month.astype("datetime64[us]")) / np.timedelta64(1, "D")
    length = ((month + 1).astype("datetime64[D]") - month.astype("datetime64[D]")) / (
        np.timedelta64(1, "D")
    )
    found: Floats = np.where(
        np.isfinite(at), month.astype("int64") + days / length, np.nan
    )
    return found


@dataclass(frozen=True)
class Weather:
    """Days of freeze-thaw and rain by station and month.

    ``days`` has the shape (stations, months, 2), NaN where a month is not on record;
    ``first_month`` counts from January 1970.
    """

    stations: tuple[str, ...]
    first_month: int
    days: Floats


def monthly_weather(known: Known, until: int | None = None) -> Weather:
    """Count freeze-thaw and wet days by station and month, since the register opened.

    They are counted up to ``until`` [instant]; None: as far as is known.

    Months of which some days are missing are scaled up; a month of which more than a
    tenth is missing is a gap, never zero.
    """
    first = int(month_of(known.opened))
    until = known.as_of if until is None else until
    last = int(np.ceil(month_of(until)))
    months = max(last - first, 1)
    stations = tuple(sorted(known.stations["station_id"]))
    frame = known.weather
    row = frame["station_id"].map({name: i for i, name in enumerate(stations)})
    column = month_of(frame["happened"] + 43_200e6).astype(int) - first
    seen = frame["tmin_c"].notna() & frame["tmax_c"].notna() & frame["rain_mm"].notna()
    use = row.notna() & (column >= 0) & (column < months) & seen
    shape = (len(stations), months)
    place = (row[use].astype(int).to_numpy(), column[use.to_numpy()])

    def total(values: pd.Series[Any]) -> Floats:
        sums = np.zeros(shape)
        np.add.at(sums, place, values[use].to_numpy(float))
        return sums

    freeze_thaw = (frame["tmin_c"] < 0) & (frame["tmax_c"] > 0)
    counted = total(seen)
    begins = (np.arange(first, first + months)).astype("datetime64[M]")
    ends = np.minimum((begins + 1).astype("datetime64[us]").astype("int64"), until)
    whole = (begins + 1).astype("datetime64[D]") - begins.astype("datetime64[D]")
    elapsed = (ends - begins.astype("datetime64[us]").astype("int64")) / 86_400e6
    covered = counted >= np.maximum(COVERED * np.floor(elapsed), 1)
    scale = (whole / np.timedelta64(1, "D")) / np.maximum(counted, 1)
    days = np.stack(
        [total(freeze_thaw) * scale, total(frame["rain_mm"] >= 1.0) * scale], axis=2
    )
    return Weather(stations, first, np.where(covered[:, :, None], days, np.nan))
