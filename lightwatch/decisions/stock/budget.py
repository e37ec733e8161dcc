"""What parts will cost: the orders now, and the months to come with a range."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.decisions.stock.forecast import Fitted, Forecast
from lightwatch.decisions.stock.orders import Order


@dataclass(frozen=True)
class Budget:
    """What parts will cost [local currency].

    ``now`` is the cost of the orders proposed; ``low``, ``middle`` and ``high`` (10, 50
    and 90 in 100) that of all parts to be bought over the months asked for, what is
    there or on order being used first. ``unpriced`` are models without a price.
    """

    now: float
    low: float
    middle: float
    high: float
    months: int
    unpriced: tuple[str, ...]


def budget(fitted: Fitted, found: Forecast, made: tuple[Order, ...]) -> Budget:
    """Return what the orders cost, and what the months to come will, with a range."""
    held = {one.item: one.on_hand + one.on_order for one in made}
    months = found.used[:, found.whole_months][:, : fitted.months]
    total = np.zeros(found.used.shape[0])
    unpriced = set()
    for i, item in enumerate(found.items):
        part = fitted.shelf.parts.get(item.model)
        used = months[:, :, i].sum(axis=1)
        if part is None or np.isnan(part.unit_cost):
            unpriced |= {item.model} if used.any() else set()
            continue
        total += np.maximum(used - held.get(item, 0), 0) * part.unit_cost
    low, middle, high = np.quantile(total, (0.1, 0.5, 0.9))
    now = sum(one.cost or 0.0 for one in made)
    return Budget(
        float(now),
        float(low),
        float(middle),
        float(high),
        fitted.months,
        tuple(sorted(unpriced)),
    )
