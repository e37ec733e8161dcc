"""What to order now, so that no truck comes back for a part.

The shelf is looked at once a month. An order not placed now can be placed at the next
review and is in a lead time later: until then what is there must do. So the reorder
point is what that time needs at the service level, and the order lifts the position to
the order-up-to level, in whole boxes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightwatch.decisions.stock.climate import DAYS_A_MONTH
from lightwatch.decisions.stock.forecast import SEED, Fitted, Forecast, Item, stream
from lightwatch.decisions.stock.paths import Whole
from lightwatch.decisions.stock.policies import (
    best_continuous,
    best_periodic,
    chances,
    economic_quantity,
    quantile,
)
from lightwatch.decisions.stock.shelf import Holding
from lightwatch.decisions.stock.uses import local_months
from lightwatch.decisions.stock.waiting import Wait, lead_months_drawn
from lightwatch.errors import NotUnderstood

REVIEW_MONTHS = 1.0

POLICIES = ("service", "least_cost", "continuous")


@dataclass(frozen=True)
class Terms:
    """On what terms orders are made.

    Parameters
    ----------
    service_level
        Chance of no stock-out before the next order could arrive.
    policy
        ``service``: at the service level; ``least_cost``: s and S of least cost under
        monthly review; ``continuous``: r and Q of least cost where the shelf is looked
        at after every job.
    order_cost
        Of one order line, goods-in and shelving [local currency]. An assumption.
    holding_per_year
        Cost of holding stock, as a share of its price [1/year]. An assumption.
    shortage_cost
        Of a unit short for a month: a truck that comes back, a light dark for longer
        [local currency]. An assumption.
    """

    service_level: float = 0.95
    policy: str = "service"
    order_cost: float = 10.0
    holding_per_year: float = 0.2
    shortage_cost: float = 150.0

    def __post_init__(self) -> None:
        if not 0.5 <= self.service_level < 1.0:
            raise NotUnderstood(
                f"service level {self.service_level:g} (expected 0.5 to below 1)"
            )
        if self.policy not in POLICIES:
            raise NotUnderstood(
                f"policy {self.policy!r} (expected one of {', '.join(POLICIES)})"
            )
        for name in ("order_cost", "holding_per_year", "shortage_cost"):
            if not getattr(self, name) >= 0:
                raise NotUnderstood(f"{name} must not be negative")


@dataclass(frozen=True)
class Order:
    """What to order of one model for one depot, and why.

    ``position`` is what is there or comes in time; ``expected`` and ``needed`` are the
    demand until an order of the next review is in, on average and at the service level.
    """

    item: Item
    on_hand: int
    on_order: int
    lead_time_days: float | None
    position: int
    expected: float
    needed: int
    reorder_point: int
    order_up_to: int
    quantity: int
    unit_cost: float | None
    stockout_probability: float
    method: str
    reason: str

    @property
    def not_needed(self) -> bool:
        """Whether what is on order will hardly be needed."""
        return self.on_order > 0 and self.on_hand >= self.order_up_to

    @property
    def cost(self) -> float | None:
        """Cost of the order [local currency]; None if the price is unknown."""
        if self.quantity == 0:
            return 0.0
        return None if self.unit_cost is None else self.quantity * self.unit_cost


def _since_export(fitted: Fitted) -> dict[tuple[str, str], int]:
    """Return parts fitted since the shelf was counted, by model and depot."""
    created = fitted.register.known.store.place().created
    at = float(local_months(fitted.register.known.clock, [created])[0])
    frame = fitted.uses.fitted
    since = frame[(frame["month"] >= at) & ~frame["programme"] & (frame["model"] != "")]
    return {
        (str(model), str(depot)): len(some)
        for (model, depot), some in since.groupby(["model", "depot"])
    }


def _levels(terms: Terms, need: Whole, wait: Wait, unit_cost: float) -> tuple[int, int]:
    """Return the reorder point (order when below it) and the order-up-to level."""
    until = chances(need)
    point = quantile(until, terms.service_level)
    monthly = float(wait.used[:, 1:].mean()) if wait.used.shape[1] > 1 else 0.0
    if monthly <= 0 or np.isnan(unit_cost) or unit_cost <= 0:
        return point, point
    holding = unit_cost * terms.holding_per_year / 12
    costs = terms.order_cost, max(holding, 1e-6), terms.shortage_cost
    if terms.policy == "service":
        batch, _ = economic_quantity(terms.order_cost, max(holding, 1e-6), monthly)
        high = point + max(0, round(batch - monthly))
    else:
        span = max(int(np.ceil(wait.until.mean())), 1)
        month = chances(wait.used[:, :span].ravel())
        if terms.policy == "least_cost":
            found = best_periodic(month, until, costs)
        else:
            found = best_continuous(until, costs, monthly)
        point, high = max(found.low + 1, 0), max(found.high, 0)
    useful = int(np.quantile(wait.used.sum(axis=1), 0.5))
    return point, max(point, min(high, max(point, useful)))


def _in_boxes(units: int, pack: int, minimum: int) -> int:
    """Return the units to order: whole boxes, at least the minimum."""
    if units <= 0:
        return 0
    boxes = -(-max(units, minimum) // pack)
    return boxes * pack


def _due_in(fitted: Fitted, due: float, lead_months: float) -> float:
    """Return when what is on order comes [months from now]."""
    if np.isnan(due):
        return lead_months
    at = float(local_months(fitted.register.known.clock, [due])[0])
    return max(at - fitted.uses.as_of_month, 0.0)


def _why(order: dict[str, float], notes: list[str]) -> str:
    needed, position = int(order["needed"]), int(order["position"])
    said = [
        f"about {order['expected']:.0f} will be used before the next order could be "
        f"in, to be safe {needed}; {position} there or coming in time"
    ]
    return "; ".join([*said, *notes])


def _order(
    fitted: Fitted, found: Forecast, item: Item, terms: Terms, since: int, seed: int
) -> Order:
    shelf = fitted.shelf
    part = shelf.parts.get(item.model)
    holding = shelf.holdings.get((item.model, item.depot))
    notes = []
    if holding is None:
        notes.append("not in the stock list: counted as none")
        holding = Holding(0, 0, np.nan)
    if since:
        notes.append(f"{since} fitted since the shelf was counted")
    on_hand = max(holding.on_hand - since, 0)
    mean, spread, given = shelf.lead_time(item.model)
    if not given:
        notes.append(f"no lead time in the catalogue: {mean:.0f} days assumed")
    rng = stream(seed, f"order {item.kind} {item.model} {item.depot}")
    used = found.of(item)
    lead = lead_months_drawn(mean, spread, len(used), rng)
    wait = Wait(used, found.part_of_first, lead + REVIEW_MONTHS)
    need = wait.by(wait.until, rng)
    due = _due_in(fitted, holding.due, mean / DAYS_A_MONTH)
    in_time = due <= float(wait.until.mean())
    position = on_hand + (holding.on_order if in_time else 0)
    out = need > position
    if holding.on_order:
        out |= wait.by(np.full(len(used), due), rng) > on_hand
        if not in_time:
            notes.append("what is on order comes too late")
    cost = part.unit_cost if part else np.nan
    point, high = _levels(terms, need, wait, cost)
    short = high - position if position < point else 0
    pack, minimum = (part.pack_size, part.minimum_order) if part else (1, 0)
    quantity = _in_boxes(short, pack, minimum)
    if quantity and pack > 1:
        notes.append(f"whole boxes of {pack}")
    if quantity and minimum > short:
        notes.append(f"at least {minimum} an order")
    if holding.on_order and on_hand >= high:
        notes.append("what is on order will hardly be needed: ask to cancel it")
    if part is None:
        notes.append("not in the catalogue")
    told = {"expected": float(need.mean()), "needed": float(point)}
    return Order(
        item,
        on_hand,
        holding.on_order,
        mean if given else None,
        position,
        told["expected"],
        quantile(chances(need), terms.service_level),
        point,
        high,
        quantity,
        None if np.isnan(cost) else float(cost),
        float(out.mean()),
        found.methods.get(item, "nothing used, nothing standing"),
        _why({**told, "position": position}, notes),
    )


def orders(
    fitted: Fitted, found: Forecast, terms: Terms | None = None, seed: int = SEED
) -> tuple[Order, ...]:
    """Return what to order now, one line a model and depot, most urgent first.

    Parameters
    ----------
    fitted, found
        What was fitted, and the paths drawn from it.
    terms
        On what terms.
    seed
        Of the lead times.

    Returns
    -------
    tuple of Order
        Empty where the day lies before the shelf was counted, or it never was.
    """
    known = fitted.register.known
    if known.as_of < known.store.place().created or not fitted.shelf.holdings:
        return ()
    since = _since_export(fitted)
    kinds = {model: part.kind for model, part in fitted.shelf.parts.items()}
    listed = {
        Item(kinds[model], model, depot)
        for model, depot in fitted.shelf.holdings
        if model in kinds
    }
    items = {item for item in found.items if found.of(item).any()} | listed
    made = [
        _order(
            fitted,
            found if item in found.items else found.with_nothing(item),
            item,
            terms or Terms(),
            since.get((item.model, item.depot), 0),
            seed,
        )
        for item in items
    ]
    return tuple(
        sorted(
            made,
            key=lambda one: (
                one.quantity == 0,
                -round(one.stockout_probability, 9),
                one.item.kind,
                one.item.model,
                one.item.depot,
            ),
        )
    )
