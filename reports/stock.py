"""The stock plan as the contract's document and as a storekeeper would read it."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import Any

import numpy as np

from lightwatch.decisions.stock import Order, StockPlan, by_kind
from lightwatch.decisions.stock.forecast import QUANTILES

_WIDTH = 88


def month_name(month: int) -> str:
    """Return a month counted from January 1970 as YYYY-MM."""
    return f"{1970 + month // 12}-{month % 12 + 1:02d}"


def _range(sample: np.ndarray) -> dict[str, Any]:
    levels = np.quantile(sample, QUANTILES, method="inverted_cdf")
    return {
        "mean": float(sample.mean()),
        "quantiles": {
            f"{share:g}": int(level)
            for share, level in zip(QUANTILES, levels, strict=True)
        },
    }


def _demand(plan: StockPlan) -> list[dict[str, Any]]:
    found = plan.forecast
    skip = found.whole_months.start or 0
    rows = []
    for item in found.items:
        used = found.of(item)
        for at in range(plan.fitted.months):
            rows.append(
                {
                    "kind": item.kind,
                    "model": item.model,
                    "depot": item.depot,
                    "month": month_name(found.first_month + skip + at),
                    **_range(used[:, skip + at]),
                    "method": found.methods[item],
                }
            )
    return rows


def _by_kind(plan: StockPlan) -> list[dict[str, Any]]:
    found = plan.forecast
    first = found.first_month + (found.whole_months.start or 0)
    return [
        {"kind": kind, "month": month_name(first + at), **_range(used[:, at])}
        for kind, used in sorted(by_kind(found).items())
        for at in range(plan.fitted.months)
    ]


def _order(order: Order) -> dict[str, Any]:
    return {
        "kind": order.item.kind,
        "model": order.item.model,
        "depot": order.item.depot,
        "on_hand": order.on_hand,
        "on_order": order.on_order,
        "lead_time_days": order.lead_time_days,
        "reorder_point": order.reorder_point,
        "order_up_to": order.order_up_to,
        "order_quantity": order.quantity,
        "stockout_probability": order.stockout_probability,
        "reason": order.reason,
        "cost": order.cost,
        "method": order.method,
    }


def _programmes(plan: StockPlan) -> list[dict[str, Any]]:
    return [
        {"model": model, "depot": depot, "month": month_name(month), "parts": parts}
        for (model, depot, month), parts in sorted(plan.programme_parts.items())
    ]


def _budget(plan: StockPlan) -> dict[str, Any]:
    one = plan.budget
    return {
        "orders_now": one.now,
        "months": one.months,
        "low": one.low,
        "middle": one.middle,
        "high": one.high,
        "unpriced": list(one.unpriced),
    }


def _difference(plan: StockPlan) -> dict[str, Any] | None:
    if plan.what_if is None:
        return None
    scenario, other = plan.what_if
    was, now = by_kind(plan.forecast), by_kind(other.forecast)
    months = slice(0, plan.fitted.months)
    ordered = {one.item: one.quantity for one in plan.orders}
    return {
        "name": scenario.name,
        "by_kind": [
            {
                "kind": kind,
                "mean": float(was[kind][:, months].sum(axis=1).mean()),
                "mean_what_if": float(now[kind][:, months].sum(axis=1).mean()),
                "difference": _range((now[kind] - was[kind])[:, months].sum(axis=1)),
            }
            for kind in sorted(was)
        ],
        "orders": [
            {**_order(one), "order_quantity_before": ordered.get(one.item, 0)}
            for one in other.orders
        ],
        "budget": _budget(other),
    }


def stock_document(as_of: str, plan: StockPlan) -> dict[str, Any]:
    """Return the contract's JSON document of demand and orders."""
    document: dict[str, Any] = {
        "as_of": as_of,
        "demand": _demand(plan),
        "by_kind": _by_kind(plan),
        "orders": [_order(one) for one in plan.orders],
        "budget": _budget(plan),
        "programmes": _programmes(plan),
        "waiting": [
            {"kind": kind, "parts": parts}
            for kind, parts in sorted(plan.waiting.items())
        ],
    }
    if plan.what_if is not None:
        document["what_if"] = _difference(plan)
    return document


def _chance(share: float) -> str:
    """Say how likely a shelf runs out, in words and in so many of a hundred."""
    if share >= 0.995:
        return "sure to run out"
    if share < 0.005:
        return "no"
    return f"{share * 100:.0f} in 100"


def _money(value: float | None) -> str:
    return "price unknown" if value is None else f"{value:,.0f}"


def _order_lines(orders: Sequence[Order]) -> list[str]:
    head = (
        f"{'ORDER':>6}  {'model':10}{'kind':14}{'depot':12}{'shelf':>6}{'coming':>7}"
        f"{'below':>6}{'up to':>6}  {'runs out?':16}{'cost':>9}"
    )
    lines = [head]
    for one in orders:
        lines.append(
            f"{one.quantity or '-':>6}  {one.item.model:10}"
            f"{one.item.kind.replace('_', ' '):14}{one.item.depot:12}"
            f"{one.on_hand:>6}{one.on_order:>7}{one.reorder_point:>6}"
            f"{one.order_up_to:>6}  {_chance(one.stockout_probability):16}"
            f"{_money(one.cost):>9}"
        )
        if one.quantity or one.not_needed:
            text = one.reason[:1].upper() + one.reason[1:] + "."
            lines.append(fill(text, _WIDTH, initial_indent=" " * 8,
                              subsequent_indent=" " * 8))  # fmt: skip
    return lines


def _usual(plan: StockPlan) -> list[str]:
    found, months = plan.forecast, plan.fitted.months
    skip = found.whole_months.start or 0
    lines = [
        f"{'model':10}{'kind':14}{'depot':12}{'first month':>14}"
        f"{f'all {months} months':>18}{'lean':>7}{'heavy':>7}"
    ]
    for item in found.items:
        used = found.of(item)[:, skip : skip + months]
        total = used.sum(axis=1)
        if not total.any():
            continue
        low, high = np.quantile(total, (0.1, 0.9), method="inverted_cdf")
        lines.append(
            f"{item.model:10}{item.kind.replace('_', ' '):14}{item.depot:12}"
            f"{used[:, 0].mean():>14.1f}{total.mean():>18.0f}{low:>7.0f}{high:>7.0f}"
        )
    return lines


def _budget_lines(plan: StockPlan) -> list[str]:
    one = plan.budget
    if one.unpriced and not one.high:
        return [
            "What parts will cost is not known (no unit cost for "
            f"{', '.join(one.unpriced)}); load models.unit_cost."
        ]
    now = f"These orders cost {one.now:,.0f}. " if plan.orders else ""
    lines = [
        f"{now}Over {one.months} months parts to be "
        f"bought will cost about {one.middle:,.0f}; in a lean year {one.low:,.0f}, "
        f"in a heavy one {one.high:,.0f} (one year in ten is leaner, one heavier)."
    ]
    if one.unpriced:
        lines.append(f"Without a price, left out: {', '.join(one.unpriced)}.")
    return lines


def _what_if_lines(plan: StockPlan) -> list[str]:
    if plan.what_if is None:
        return []
    scenario, other = plan.what_if
    was, now = by_kind(plan.forecast), by_kind(other.forecast)
    months = slice(0, plan.fitted.months)
    lines = [f"What if: {scenario.name}", f"{'kind':14}{'as it is':>10}{'what if':>10}"]
    for kind in sorted(was):
        before, after = was[kind][:, months], now[kind][:, months]
        lines.append(
            f"{kind.replace('_', ' '):14}{before.sum(axis=1).mean():>10.0f}"
            f"{after.sum(axis=1).mean():>10.0f}"
        )
    ordered = {one.item: one.quantity for one in plan.orders}
    for one in other.orders:
        if one.quantity != ordered.get(one.item, 0):
            lines.append(
                f"Order {one.quantity} of {one.item.model} for {one.item.depot} "
                f"instead of {ordered.get(one.item, 0)}."
            )
    lines.append(
        f"Orders now {other.budget.now:,.0f} instead of {plan.budget.now:,.0f}."
    )
    return lines


def stock_text(as_of: str, plan: StockPlan) -> str:
    """Return the order list, what will be used, the budget and what if."""
    orders = (
        [
            f"Orders as of {as_of}.",
            "ORDER: so many now; every line is looked at again in a month.",
            *_order_lines(plan.orders),
        ]
        if plan.orders
        else [
            f"No orders as of {as_of}: the shelf is known as of a later day only, or "
            "no stock is on record."
        ]
    )
    waits = plan.fitted.backlog
    owed = ", ".join(
        f"{count:.0f} {kind.replace('_', ' ')}s"
        for kind, count in sorted(plan.waiting.items())
        if count >= 0.5
    )
    backlog = (
        f"As usual, failures wait {waits.unnoticed_days:.0f} days to be noticed and "
        f"{waits.mending_days:.0f} to be mended: about {owed or 'no parts'} are owed "
        "to lights already out. They are in these figures."
    )
    parts = [
        orders,
        ["What repairs will use (programmes apart):", *_usual(plan)],
        [fill(line, _WIDTH) for line in [*_budget_lines(plan), backlog]],
        [
            f"{row['parts']:.0f} {row['model']} for {row['depot']} in {row['month']} "
            "for programmes"
            for row in _programmes(plan)
        ],
        _what_if_lines(plan),
    ]
    return "\n\n".join("\n".join(part) for part in parts if part)
