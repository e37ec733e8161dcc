"""Supply faults: what a circuit's sections should have had, and what they had.

Expected faults come from all sections of the same construction, age and wetness of
place; each circuit's own history then draws its ratio away from one by as much as it
tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from lightwatch.errors import NotEnoughEvidence
from lightwatch.kept import once
from lightwatch.lives import Lives
from lightwatch.nights import YEAR
from lightwatch.rates.recurrence import histories
from lightwatch.rates.shrinkage import shrink
from lightwatch.rates.trend import laplace
from lightwatch.words import SUPPLY

LEAST_FOR_TREND = 4
BANDS_YEARS = (0.0, 10.0, 20.0, 30.0, 40.0, np.inf)


@dataclass(frozen=True)
class FeedHistory:
    """Supply faults of one circuit against those expected of it.

    ``ratio`` is observed to expected, drawn towards one, with posterior limits;
    ``trend_p`` is the two-sided p of Laplace's test, None with fewer than 4 faults.
    """

    circuit_id: str
    faults: int
    expected: float
    ratio: float
    low: float
    high: float
    trend_p: float | None


def _by_age(frame: pd.DataFrame) -> pd.DataFrame:
    born = (frame["installed"] + frame["installed_last"]) / 2
    parts = [frame[born.isna()].assign(band=-1)]
    frame, born = frame[born.notna()], born[born.notna()]
    for band, (low, high) in enumerate(pairwise(BANDS_YEARS)):
        start = np.maximum(frame["start"], born + low * YEAR)
        end = np.minimum(frame["end"], born + min(high, 1e4) * YEAR)
        failed = frame["failed"] & (frame["end"] == end)
        part = frame.assign(start=start, end=end, failed=failed, band=band)
        parts.append(part[start < end])
    return pd.concat([part for part in parts if len(part)] or parts[:1])


@once
def _against_expected(lives: Lives) -> pd.DataFrame:
    """Return by circuit the faults of its feed, and those expected of it."""
    frame = lives.frame[lives.frame["kind"].isin(list(SUPPLY))]
    if frame.empty:
        return frame[["failed"]].assign(expected=0.0)
    frame = _by_age(frame)
    frame = frame.assign(
        km_years=(frame["end"] - frame["start"]) / YEAR * frame["weight"]
    )
    wet = {name for name, is_wet in wet_circuits(lives).items() if is_wet}
    frame["wet"] = frame["circuit_id"].isin(wet)
    law = frame.groupby(["type", "band", "wet"])
    rate = law["failed"].transform("sum") / law["km_years"].transform("sum")
    frame["expected"] = rate * frame["km_years"]
    return frame.groupby("circuit_id")[["failed", "expected"]].sum()


def feed_ratios(lives: Lives) -> dict[str, float]:
    """Return each circuit's ratio, as ``feed_history`` does, without its limits."""
    circuits = _against_expected(lives)
    if circuits.empty:
        return {}
    try:
        found = shrink(
            circuits["failed"].astype(float), circuits["expected"], law_known=True
        )
    except NotEnoughEvidence:
        return {}
    return dict(zip(map(str, circuits.index), found.rate.tolist(), strict=True))


def feed_history(lives: Lives) -> list[FeedHistory]:
    """Return each circuit's supply faults against those expected, worst first."""
    circuits = _against_expected(lives)
    if circuits.empty:
        return []
    try:
        found = shrink(circuits["failed"].astype(float), circuits["expected"])
    except NotEnoughEvidence:
        return []
    trends = _trends(lives)
    rows = [
        FeedHistory(
            str(name),
            int(row["failed"]),
            float(row["expected"]),
            float(found.rate[i]),
            float(found.low[i]),
            float(found.high[i]),
            trends.get(str(name)),
        )
        for i, (name, row) in enumerate(circuits.iterrows())
    ]
    return sorted(rows, key=lambda one: (-one.ratio, one.circuit_id))


def wet_circuits(lives: Lives) -> dict[str, bool]:
    """Tell which circuits lie at a station with more wet days than most."""
    known = lives.register.known
    weather = known.weather
    wet = (weather["rain_mm"] >= 1.0).groupby(weather["station_id"]).mean().to_dict()
    middle = float(np.median(list(wet.values()))) if wet else 0.0
    station = known.lights["light_id"].map(lives.register.nearest_station)
    first = station.groupby(known.lights["circuit_id"]).first()
    return {str(name): wet.get(at, 0.0) > middle for name, at in first.items()}


def _trends(lives: Lives) -> dict[str, float]:
    frame = lives.frame
    faults = frame[frame["kind"].isin(list(SUPPLY)) & frame["failed"]]
    opened = lives.register.known.opened
    span = (lives.register.watched_until - opened) / YEAR
    found = {}
    for name, some in faults.groupby("circuit_id"):
        if len(some) >= LEAST_FOR_TREND:
            ages = (some["end"].to_numpy(float) - opened) / YEAR
            test = laplace(histories([span], np.zeros(len(ages), dtype=int), ages))
            found[str(name)] = float(test.p_value[0])
    return found
