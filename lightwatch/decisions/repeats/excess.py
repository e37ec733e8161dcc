"""Failures observed against those expected: how much of the excess is not chance.

The ratio of the two is drawn towards that of all alike by as much as its failures tell
(gamma-Poisson empirical Bayes, :mod:`lightwatch.rates.shrinkage`); those named as in
excess are chosen with a bound on the share of false alarms among them [1]_.

References
----------
.. [1] Y. Benjamini, Y. Hochberg, JRSS B 57 (1995), 289-300.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import gammainc

from lightwatch.errors import NotEnoughEvidence
from lightwatch.rates.shrinkage import shrink

STEP = 0.03
"""Expected failures are rounded to steps of this share, so that many are alike."""

FALSE_ALARMS = 0.1
"""Expected share, at most, of the named whose failures are no more than expected."""


@dataclass(frozen=True)
class Excess:
    """One light, pole, section, circuit or district.

    Parameters
    ----------
    name
        Its identifier.
    failures, expected
        Observed, and expected of things of its kinds, types and ages.
    ratio, low, high
        Observed to expected, drawn towards that of all alike; 95 % posterior limits.
    chance
        Of so many failures or more, were there no excess.
    named
        In excess, with false alarms bounded.
    """

    name: str
    failures: int
    expected: float
    ratio: float
    low: float
    high: float
    chance: float
    named: bool


def excesses(sums: pd.DataFrame, told: pd.Index[str] | None = None) -> list[Excess]:
    """Return the excess of each group, greatest first.

    Parameters
    ----------
    sums
        ``failures`` and ``expected``, by identifier.
    told
        The groups to tell of, judged among all; none: all.

    Returns
    -------
    list of Excess
        Empty where nothing was expected of any.
    """
    from scipy.stats import false_discovery_control

    sums = sums[(sums["expected"] > 0) | (sums["failures"] > 0)]
    failures = sums["failures"].to_numpy(float)
    expected = np.maximum(sums["expected"].to_numpy(float), 1e-6)
    rounded = np.exp(np.round(np.log(expected) / STEP) * STEP)
    try:
        found = shrink(failures, rounded)
    except NotEnoughEvidence:
        return []
    chance = np.where(failures > 0, gammainc(np.maximum(failures, 1), expected), 1.0)
    named = false_discovery_control(chance) <= FALSE_ALARMS
    which = np.arange(len(sums)) if told is None else sums.index.isin(told).nonzero()[0]
    every = [
        Excess(
            str(sums.index[i]),
            int(failures[i]),
            float(expected[i]),
            float(found.rate[i]),
            float(found.low[i]),
            float(found.high[i]),
            float(chance[i]),
            bool(named[i]),
        )
        for i in which
    ]
    return sorted(every, key=lambda one: (-one.ratio, -one.failures, one.name))
