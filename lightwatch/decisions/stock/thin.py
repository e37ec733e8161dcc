"""Parts of which little is seen: constant rates, and intermittent demand.

With few parts used, all that can be said is a rate: gamma after the half event of
Jeffreys' prior [1]_, so that nothing used yet is not nothing to come. What is fitted
where nothing of its kind was on the register has no ages: its level is by the method of
Teunter, Syntetos and Babai (TSB [2]_), which forgets what is no longer used, with a
negative binomial about it.

References
----------
.. [1] H. Jeffreys, Theory of Probability (1961); the Poisson case, from memory.
.. [2] R. H. Teunter, A. A. Syntetos, M. Z. Babai, European Journal of Operational
   Research 214 (2011), 606-615; from memory.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from lightwatch.decisions.stock.terms import Floats

Whole = npt.NDArray[np.int64]

HALF = 0.5
"""Event added by Jeffreys' prior of a Poisson rate."""

SMOOTHING = 0.1
"""Share of the newest month in the levels of TSB."""

RECENT_MONTHS = 24


def draw_rate(
    used: float, unit_months: float, paths: int, rng: np.random.Generator
) -> Floats:
    """Draw a constant rate of using parts [per unit-month].

    Parameters
    ----------
    used
        Parts used.
    unit_months
        Time under watch [unit-months].
    """
    drawn = rng.standard_gamma(used + HALF, paths)
    return np.asarray(drawn / max(unit_months, 1.0))


def tsb(
    series: npt.ArrayLike,
    size_smoothing: float = SMOOTHING,
    chance_smoothing: float = SMOOTHING,
) -> float:
    """Return the mean per month to come, by Teunter, Syntetos and Babai.

    The chance of any demand in a month is smoothed every month, its size when there is
    some; their product is the forecast. Both begin with the first they see.

    Parameters
    ----------
    series
        Units used in each month, oldest first.
    size_smoothing, chance_smoothing
        Share of the newest.

    Examples
    --------
    >>> tsb([0, 0, 0])
    0.0
    >>> tsb([2, 2, 2, 2])
    2.0
    """
    used = np.asarray(series, dtype=float)
    some = used[used > 0]
    if not some.size:
        return 0.0
    size, chance = some[0], float(used[0] > 0)
    for now in used[1:]:
        chance += chance_smoothing * (float(now > 0) - chance)
    for now in some[1:]:
        size += size_smoothing * (now - size)
    return float(size * chance)


def draw_intermittent(
    series: npt.ArrayLike, months: int, paths: int, rng: np.random.Generator
) -> Whole:
    """Draw months to come of a part without ages: negative binomial about TSB.

    The rate is drawn once a path, as sure as the parts used over the last two years
    make it; months then are Poisson, with the sizes of single months where they come
    several at a time.
    """
    used = np.asarray(series, dtype=float)
    mean = max(tsb(used), HALF / max(used.size, 12))
    worth = used[-RECENT_MONTHS:].sum() + HALF
    some = used[used > 0]
    together = max(float(some.mean()), 1.0) if some.size else 1.0
    rate = mean / together * rng.standard_gamma(worth, paths) / worth
    visits = rng.poisson(rate[:, None], (paths, months))
    extra = rng.poisson(visits * (together - 1.0))
    return np.asarray(visits + extra, dtype=np.int64)
