"""When to order and how much: textbook policies on a whole-number demand.

Demand is given as chances of 0, 1, 2, ... units (``chances``), as counted on predictive
paths; nothing is assumed of its shape. The names follow Snyder and Shen [1]_.

References
----------
.. [1] L. V. Snyder, Z.-J. M. Shen, Fundamentals of Supply Chain Theory, 2nd ed.
   (2019), chapters 3 to 5; as printed in the documentation of stockpyl 1.0.2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lightwatch.decisions.stock.terms import Floats
from lightwatch.errors import NotUnderstood


@dataclass(frozen=True)
class Levels:
    """Order when the position is at or below ``low``, up to ``high``; mean cost."""

    low: int
    high: int
    cost: float


def chances(sample: npt.ArrayLike) -> Floats:
    """Return the chances of 0, 1, 2, ... units in a sample.

    Examples
    --------
    >>> chances([0, 2, 2, 3])
    array([0.25, 0.  , 0.5 , 0.25])
    """
    units = np.asarray(sample, dtype=np.int64)
    return np.asarray(np.bincount(units) / units.size)


def quantile(demand: Floats, level: float) -> int:
    """Return the fewest units that suffice with a chance of at least ``level``."""
    return int(np.searchsorted(np.cumsum(demand), level - 1e-12))


def losses(demand: Floats, units: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return the units short and the units over, on average, of a stock.

    Parameters
    ----------
    demand
        Chances of 0, 1, 2, ... units.
    units
        In stock; may be negative.
    """
    stock = np.atleast_1d(np.asarray(units, dtype=float))
    values = np.arange(demand.size)
    over = np.maximum(stock[:, None] - values, 0.0) @ demand
    short = over - stock * demand.sum() + float(values @ demand)
    return np.asarray(short), np.asarray(over)


def carrying(
    demand: Floats, units: npt.ArrayLike, holding: float, shortage: float
) -> Floats:
    """Return the mean cost of units over and units short."""
    short, over = losses(demand, units)
    return np.asarray(holding * over + shortage * short)


def newsvendor(demand: Floats, holding: float, shortage: float) -> tuple[int, float]:
    """Return the stock of least cost for one period, and that cost.

    Parameters
    ----------
    demand
        Chances of 0, 1, 2, ... units.
    holding, shortage
        Cost of a unit over, and of a unit short.
    """
    stock = quantile(demand, shortage / (shortage + holding))
    return stock, float(carrying(demand, stock, holding, shortage)[0])


def economic_quantity(
    order_cost: float, holding: float, per_period: float
) -> tuple[float, float]:
    """Return the order quantity of least cost, and that cost (Harris).

    Parameters
    ----------
    order_cost
        Of one order line.
    holding
        Of one unit for a period.
    per_period
        Units used in a period.
    """
    quantity = float(np.sqrt(2 * order_cost * per_period / holding))
    return quantity, float(np.sqrt(2 * order_cost * per_period * holding))


def continuous_cost(
    demand: Floats,
    low: int,
    quantity: int,
    costs: tuple[float, float, float],
    per_period: float,
) -> float:
    """Return the mean cost of ordering ``quantity`` whenever the position is ``low``.

    Parameters
    ----------
    demand
        Over the lead time: chances of 0, 1, 2, ... units.
    low, quantity
        r and Q.
    costs
        Of an order, of a unit held for a period, of a unit short for a period.
    per_period
        Units used in a period.
    """
    order, holding, shortage = costs
    units = np.arange(low + 1, low + quantity + 1)
    held = carrying(demand, units, holding, shortage).sum()
    return float((order * per_period + held) / quantity)


def best_continuous(
    demand: Floats, costs: tuple[float, float, float], per_period: float
) -> Levels:
    """Return r and r + Q of least cost under continuous review.

    By the algorithm of Federgruen and Zheng (1992): Q grows by the cheaper of its two
    neighbours as long as that is below the mean cost.

    Raises
    ------
    NotUnderstood
        A unit short, or one held, costs nothing: the cheapest is then never to order,
        or to order without end.
    """
    order, holding, shortage = costs
    for name, cost in (("short", shortage), ("held", holding)):
        if not cost > 0:
            raise NotUnderstood(
                f"a unit {name} costs {cost:g} a month (expected above 0 for orders "
                "of least cost)"
            )

    def held(units: int) -> float:
        return float(carrying(demand, units, holding, shortage)[0])

    middle, _ = newsvendor(demand, holding, shortage)
    low, high = middle - 1, middle
    total = order * per_period + held(middle)
    while True:
        below, above = held(low), held(high + 1)
        cost = total / (high - low)
        if min(below, above) >= cost:
            exact = continuous_cost(demand, low, high - low, costs, per_period)
            return Levels(low, high, exact)
        total += min(below, above)
        low, high = (low - 1, high) if below <= above else (low, high + 1)


def _periods(demand: Floats, most: int) -> Floats:
    """Return the mean number of periods spent j units below the order-up-to level."""
    padded = np.zeros(most + 1)
    padded[: min(demand.size, most + 1)] = demand[: most + 1]
    made = np.zeros(most + 1)
    made[0] = 1.0 / (1.0 - padded[0])
    for units in range(1, most + 1):
        before = made[:units][::-1]
        made[units] = (padded[1 : units + 1] @ before) / (1.0 - padded[0])
    return made


def best_periodic(
    demand: Floats, until_next: Floats, costs: tuple[float, float, float]
) -> Levels:
    """Return s and S of least cost under periodic review.

    By the algorithm of Zheng and Federgruen (1991).

    Parameters
    ----------
    demand
        Of one period: chances of 0, 1, 2, ... units.
    until_next
        The same until an order placed at the next review is in; one period where
        orders come at once.
    costs
        Of an order, of a unit held for a period, of a unit short for a period.
    """
    order, holding, shortage = costs
    best, _ = newsvendor(until_next, holding, shortage)
    if demand[0] >= 1.0:
        return Levels(-1, 0, 0.0)
    most = 4 * (until_next.size + demand.size) + 64
    spent = _periods(demand, most)
    passed = np.concatenate([[0.0], np.cumsum(spent)])

    def held(units: int) -> float:
        return float(carrying(until_next, units, holding, shortage)[0])

    def cost(low: int, high: int) -> float:
        steps = np.arange(high - low)
        below = carrying(until_next, high - steps, holding, shortage)
        return float((order + spent[steps] @ below) / passed[high - low])

    low = best - 1
    while cost(low, best) > held(low) and best - low < most:
        low -= 1
    high, least = best, cost(low, best)
    trial = high + 1
    while held(trial) <= least and trial - low < most:
        if cost(low, trial) < least:
            high = trial
            while low + 1 < high and cost(low, high) <= held(low + 1):
                low += 1
            least = cost(low, high)
        trial += 1
    return Levels(low, high, least)
