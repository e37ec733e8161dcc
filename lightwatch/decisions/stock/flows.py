"""Parts that come and go without a repair: new lights, lights gone, programmes.

Without a plan they go on as over the last year: the same number a month, at a pace
that is drawn, once for programmes and once for lights, as wide as past years differ
from the years before them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from lightwatch.decisions.stock.terms import Floats
from lightwatch.decisions.stock.uses import Uses

YEAR_MONTHS = 12.0

PACE_SD = {"programme": 0.5, "lights": 0.3}
"""Spread of next year's pace against this year's where too few years tell [log]."""

ENOUGH = 20
"""Comings and goings that a year needs to be compared with the next."""

STREAMS = ("programme", "lights")


@dataclass(frozen=True)
class Flows:
    """Comings and goings of one kind, per month, by what they belong to.

    Parameters
    ----------
    coming
        By stream: model, depot, volts class and number per month.
    going
        The same of units that stood.
    pace_sd
        By stream [log].
    """

    coming: dict[str, pd.DataFrame]
    going: dict[str, pd.DataFrame]
    pace_sd: dict[str, float]


def _per_month(some: pd.DataFrame, months: float) -> pd.DataFrame:
    where = ["model", "depot", "volts_class"]
    counted = some.groupby(where, as_index=False).size()
    return counted.assign(per_month=counted["size"] / max(months, 1.0))


def pace_sd(
    when: Floats, as_of_month: float, first_month: float, usual: float
) -> float:
    """Return how far a year's pace is from that of the year before it [log].

    Parameters
    ----------
    when
        Months of comings and goings.
    as_of_month, first_month
        Where the years end, counted back, and where they may begin.
    usual
        Returned where no year had enough of them.
    """
    ago = np.floor((as_of_month - when) / YEAR_MONTHS).astype(int)
    years = int((as_of_month - first_month) // YEAR_MONTHS)
    count = np.bincount(ago[(ago >= 0) & (ago < years)], minlength=max(years, 1))
    pairs = [
        np.log((now + 0.5) / (before + 0.5))
        for now, before in pairwise(count)
        if before >= ENOUGH
    ]
    if len(pairs) < 2:
        return usual
    return float(np.clip(np.sqrt(np.mean(np.square(pairs))), 0.1, 1.0))


def flows(lives: pd.DataFrame, uses: Uses) -> Flows:
    """Read the last year's comings and goings of the parts of one kind.

    It is the last year of which repairs are on record.
    """
    since = max(uses.watched_month - YEAR_MONTHS, float(uses.first_month))
    months = uses.watched_month - since
    came = lives[lives["entered"] & (lives["start"] > uses.first_month + 0.05)]
    went = lives[~lives["used"] & ~lives["standing"] & lives["seen_to_end"]]
    streams = {
        "programme": (
            came[came["begun_by_programme"]],
            went[went["ended_by_programme"]],
        ),
        "lights": (
            came[~came["begun_by_programme"]],
            went[~went["ended_by_programme"]],
        ),
    }
    coming, going, spread = {}, {}, {}
    for name, (ins, outs) in streams.items():
        coming[name] = _per_month(ins[ins["start"] >= since], months)
        going[name] = _per_month(outs[outs["end"] >= since], months)
        when = np.concatenate([ins["start"], outs["end"]])
        spread[name] = pace_sd(
            when, uses.watched_month, uses.first_month, PACE_SD[name]
        )
    return Flows(coming, going, spread)
