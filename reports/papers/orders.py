"""The photocontrol order."""

from __future__ import annotations

from lightwatch.decisions import stock
from reports.papers.desk import Desk
from reports.papers.paper import Chart, Paper, Table, rounded, rows
from reports.stock_charts import fans

KIND = "photocontrol"


def paper(desk: Desk) -> Paper:
    """Return which photocontrols to order now; ``stock`` tells of all parts."""
    plan = stock.stock(desk.register, kind=KIND)
    lines = sorted(plan.orders, key=lambda one: -(one.quantity or 0))
    cost = sum(one.cost or 0.0 for one in lines)
    orders = Table(
        "orders",
        "To order",
        ("Order", "Model", "Depot", "On the shelf", "On order",
         "Likely use until the next is in", "Use to be safe",
         "Runs out if nothing is ordered [%]", "Cost", "Why"),
        rows(
            [
                (
                    one.quantity,
                    one.item.model,
                    one.item.depot,
                    one.on_hand,
                    one.on_order,
                    round(one.expected),
                    one.needed,
                    round(100 * one.stockout_probability),
                    rounded(one.cost, 2),
                    one.reason,
                )
                for one in lines
            ]
        ),
        f"{cost:,.2f} in all, local currency. Chance of no stock-out until the next "
        "order is in: 95 in 100.",
    )  # fmt: skip
    pictures = [
        Chart("Photocontrols used, and to be used", svg)
        for svg in fans(plan, desk.as_of).values()
    ]
    past = "" if lines else "The shelf is not known on this day, so nothing is ordered."
    return Paper(
        "photocontrols",
        "Photocontrol order",
        desk.place,
        desk.as_of,
        f"{len(lines)} lines of the shelf; use over the next 12 months on 1,000 paths",
        "Parts wear by age, month and drift, drawn with their uncertainty; an order "
        "covers the time until the next one could arrive.",
        tuple(
            one
            for one in (
                "Programmes (planned change-outs) are not in the use.",
                "Other parts: lightwatch stock orders every kind.",
                past,
            )
            if one
        ),
        (orders, *pictures),
    )
