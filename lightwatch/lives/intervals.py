"""When each failed life must have failed: after it was last lit, before it was noticed.

The day of the repair is not the day of the failure. A failure lies after the light was
last known to work (fitted, proven lit by a repair, or passed by a night patrol that
notes such lights and noted nothing) and before the first report or sighting.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.detection import SURE, Detection, episodes
from lightwatch.lives.lives import Lives
from lightwatch.nights import DAY
from lightwatch.store.frames import filled

Floats = NDArray[np.float64]

MEAN_DELAYS = 2.0
"""A failure is looked for this many mean delays back, so that the middle of the
interval is where it is expected."""

LIKELY = 0.95
"""Chance with which a failure lies after ``likely``."""


def intervals(lives: Lives, detection: Detection) -> pd.DataFrame:
    """Return between which instants each failed life failed.

    Returns
    -------
    pandas.DataFrame
        One row a life, in the order of ``lives.frame``: ``low``, ``high`` [instants;
        the end of the life where it did not fail], ``earliest`` (the same as ``low``
        without regard to how soon it is usually noticed), ``likely`` (after which it
        failed in 95 % of cases, by how soon it is usually noticed) and ``symptom`` (''
        where none).
    """
    frame = lives.frame
    high = frame["end"]
    table = pd.DataFrame(dict.fromkeys(("low", "earliest", "likely", "high"), high))
    table["symptom"] = ""
    of_failed = _of_failed(lives, detection)
    table.loc[of_failed.index, of_failed.columns] = of_failed
    return table


def _of_failed(lives: Lives, detection: Detection) -> pd.DataFrame:
    """Return the rows of :func:`intervals` that say more than the end of a life."""
    frame = lives.frame[lives.frame["failed"]]
    known = episodes(lives.register).set_index("repair")
    found = known.reindex(frame["end_repair"])
    symptom = filled(found["symptom"], "").to_numpy()
    start, end = frame["start"].to_numpy(float), frame["end"].to_numpy(float)
    noticed = found["noticed"].to_numpy(float) * DAY
    late = ~((noticed > start) & (noticed <= end))
    high = np.where(late, end, noticed)
    hit = detection.hit_chances(symptom)
    sure = hit >= SURE
    passed = found["passed"].to_numpy(float) * DAY
    proven = np.fmax(found["lit"].to_numpy(float) * DAY, start)
    back = detection.noticed_per_day_at(frame["light_id"], symptom)
    longest = high - MEAN_DELAYS / back * DAY
    earliest = np.where(sure, np.fmax(passed, proven), proven)
    low = np.fmax(earliest, longest)
    exact = found["noticed"].isna().to_numpy()
    days = [(high - np.minimum(at, high)) / DAY for at in (passed, proven)]
    told = detection.reported_per_day_at(frame["light_id"], symptom)
    likely = high - likely_days(told, detection.evidence_of(symptom), hit, *days) * DAY
    return pd.DataFrame(
        {
            "low": np.where(exact | (low >= high), high, low),
            "earliest": np.where(exact, high, np.minimum(earliest, high)),
            "likely": np.where(exact, high, likely),
            "high": high,
            "symptom": symptom,
        },
        index=frame.index,
    )


def likely_days(
    reported_per_day: Floats,
    evidence: Floats,
    hit: Floats,
    passed_days: Floats,
    proven_days: Floats,
) -> Floats:
    """Return how long before it was noticed a failure was, at most, in 95 % of cases.

    Whoever noticed it, nobody had reported it since it failed: that time is exponential
    at the rate of reports, and as that rate is known from so many reports only, Lomax
    (Pareto II); it is cut where the light was proven lit. A patrol that passed without
    a word is likely, not sure, to have passed a lit light: what lies before it counts
    for the chance that it missed.

    Parameters
    ----------
    reported_per_day, evidence
        Rate at which people report it [1/day], and on how many reports that rests.
    hit
        Chance that a passing patrol notes it.
    passed_days, proven_days
        How long before it was noticed a patrol passed, and it was proven lit [days];
        infinite if never.

    Examples
    --------
    >>> rate, sure, never = np.array([0.1]), np.array([1e9]), np.array([np.inf])
    >>> likely_days(rate, sure, np.array([1.0]), never, never).round(1)
    array([30.])
    >>> likely_days(rate, np.array([4.0]), np.array([1.0]), never, never).round(1)
    array([44.6])
    >>> likely_days(rate, sure, np.array([1.0]), np.array([5.0]), never).round(1)
    array([4.7])
    """

    def within(days: Floats) -> Floats:
        odds: Floats = np.log1p(reported_per_day * days / evidence)
        return np.asarray(-np.expm1(-evidence * odds))

    whole = within(proven_days)
    after = np.minimum(within(passed_days), whole)
    missed = np.maximum(1.0 - hit, 1e-9)
    wanted = LIKELY * (after + missed * (whole - after))
    share = np.where(wanted <= after, wanted, after + (wanted - after) / missed)
    spent = -np.log1p(-np.minimum(share, 1 - 1e-12)) / evidence
    return np.asarray(np.expm1(spent) * evidence / reported_per_day)
