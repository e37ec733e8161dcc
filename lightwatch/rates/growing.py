"""Which circuits and lights give ever more trouble, and how often anything fails again.

A circuit's failures are the faults of its feed, a light's those of its own components.
Each is followed by the mean cumulative function of all alike; whether one grows is
asked of each with failures enough. Many are asked at once, so those named are chosen
with a bound on the share of false alarms among them [1]_.

References
----------
.. [1] Y. Benjamini, Y. Hochberg, JRSS B 57 (1995), 289-300.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr

from lightwatch.errors import NotEnoughEvidence
from lightwatch.lives import Lives
from lightwatch.nights import YEAR
from lightwatch.rates.recurrence import (
    Histories,
    MeanCumulative,
    histories,
    mean_cumulative,
)
from lightwatch.rates.trend import PowerLaw, laplace, power_law
from lightwatch.words import SUPPLY

LEAST_FAILURES = 4
"""With fewer, Laplace's statistic is far from normal."""

FALSE_ALARMS = 0.1
"""Expected share, at most, of the named whose trouble does not grow."""


@dataclass(frozen=True)
class Growing:
    """One circuit or light whose trouble grows.

    ``laplace`` is positive for growth, ``p_value`` one-sided; ``law`` is the power law
    of its time under watch, None where none fits.
    """

    name: str
    failures: int
    watched_years: float
    laplace: float
    p_value: float
    law: PowerLaw | None


@dataclass(frozen=True)
class Recurrence:
    """How often circuits, or lights, fail again.

    Parameters
    ----------
    level
        ``circuit`` or ``light``.
    units, failures
        How many were watched, and failed.
    mean
        Failures of one by its time under watch [years], with robust limits.
    laplace, p_value
        Trend of all together, two-sided.
    law
        Power law of all together; None where none fits.
    tested
        How many had failures enough to be asked alone.
    growing
        Those whose trouble grows, surest first.
    """

    level: str
    units: int
    failures: int
    mean: MeanCumulative
    laplace: float
    p_value: float
    law: PowerLaw | None
    tested: int
    growing: tuple[Growing, ...]


def _watched(lives: Lives, level: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the span of each unit, and its failures [years since its watch began]."""
    frame = lives.frame
    feeds = frame["kind"].isin(list(SUPPLY))
    own = frame[feeds] if level == "circuit" else frame[frame["light_id"] != ""]
    column = f"{level}_id"
    own = own[own[column] != ""]
    span = own.groupby(column).agg(begin=("start", "min"), end=("end", "max"))
    failed = own[own["failed"]]
    begin = failed[column].map(span["begin"])
    times = pd.DataFrame(
        {"name": failed[column], "age": (failed["end"] - begin) / YEAR}
    )
    return span, times[times["age"] > 0]


def _law(history: Histories) -> PowerLaw | None:
    try:
        return power_law(history)
    except NotEnoughEvidence:
        return None


def _growing(
    names: pd.Index[str], years: np.ndarray, times: pd.DataFrame
) -> tuple[int, tuple[Growing, ...]]:
    """Test each unit that failed often enough."""
    from scipy.stats import false_discovery_control

    counts = times["name"].value_counts()
    often = list(names[names.isin(counts.index[counts >= LEAST_FAILURES])])
    if not often:
        return 0, ()
    place = {name: i for i, name in enumerate(often)}
    some = times[times["name"].isin(place)]
    span = years[names.get_indexer(often)]
    unit = some["name"].map(place).to_numpy(int)
    age = some["age"].to_numpy(float)
    test = laplace(histories(span, unit, age))
    chance = ndtr(-test.statistic)
    named = np.flatnonzero(false_discovery_control(chance) <= FALSE_ALARMS)
    found = [
        Growing(
            str(often[i]),
            int(counts[often[i]]),
            float(span[i]),
            float(test.statistic[i]),
            float(chance[i]),
            _law(histories(span[[i]], np.zeros((unit == i).sum()), age[unit == i])),
        )
        for i in named
    ]
    return len(often), tuple(sorted(found, key=lambda one: (one.p_value, one.name)))


def recurrence(lives: Lives, level: str) -> Recurrence | None:
    """Follow how often circuits or lights fail again, and name those that grow worse.

    Parameters
    ----------
    lives
        Life data.
    level
        ``circuit``: faults of its feed; ``light``: failures of its own components.

    Returns
    -------
    Recurrence
        None where nothing of that level has failed.
    """
    span, times = _watched(lives, level)
    if times.empty:
        return None
    years = ((span["end"] - span["begin"]) / YEAR).to_numpy(float)
    unit = span.index.get_indexer(times["name"])
    history = histories(years, unit, times["age"].to_numpy(float))
    pooled = laplace(history)
    tested, growing = _growing(span.index, years, times)
    return Recurrence(
        level,
        len(span),
        len(times),
        mean_cumulative(history),
        pooled.pooled,
        pooled.pooled_p_value,
        _law(history),
        tested,
        growing,
    )
